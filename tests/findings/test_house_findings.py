"""Findings of small houses made by hand."""

import json

import numpy as np
import pandas as pd
import pytest

from homeenergy.errors import HouseError
from homeenergy.findings import house_findings
from homeenergy.findings.notable import notable
from homeenergy.show.document.findings import findings_record
from homeenergy.show.document.page import findings_page
from homeenergy.show.terminal import findings_lines

from .small_house import made_house, switched

MAINS = {"supply": 'role = "mains"'}


def kettle(days=5, **settings):
    """Two boils of 2 kW for six minutes a day, 2 W between them, in readings of a tenth of a W."""
    watts = switched(days, (7, 18), on_w=2000, lasts_h=0.1, rest_w=2.0, **settings)
    return np.round(watts + np.random.default_rng(4).normal(0, 0.2, watts.size), 1)


def only(found):
    (finding,) = found.appliances
    return finding


def test_the_greatest_user_comes_first(tmp_path):
    n = kettle().size
    lamp = switched(5, (20,), on_w=60, lasts_h=2)
    heater = switched(5, (3,), on_w=3000, lasts_h=1)
    house = made_house(tmp_path, {"lamp": lamp, "kettle": kettle(), "heater": heater})
    found = house_findings(house)
    assert [a.circuit for a in found.appliances] == ["heater", "kettle", "lamp"]
    values = [a.kwh_per_day.value for a in found.appliances]
    assert values == pytest.approx([3.0, kettle().sum() / 60 / 5 / 1000, 0.12], rel=1e-6)
    assert found.house_name == "Mill house"
    assert (found.end - found.start).total_seconds() == n * 60
    assert (found.mains_kwh_per_day, found.unmeasured_kwh_per_day) == (None, None)


# US Department of Energy, Energy Saver, "Estimating Appliance and Home Electronic Energy Use":
# W x hours a day x days / 1000. The fan is printed as 96 kWh and $10.56 at 11 c; the computer with
# monitor as 394 kWh and $43.34, which is 394.2 kWh rounded before it is multiplied ($43.36).
@pytest.mark.parametrize(
    ("watts", "hours", "days", "kwh", "dollars"),
    [(200, 4, 120, 96, 10.56), (270, 4, 365, 394.2, 43.362)],
)
def test_cost_by_the_formula_of_the_department_of_energy(
    tmp_path, watts, hours, days, kwh, dollars
):
    load = switched(days, (18,), on_w=watts, lasts_h=hours, rest_w=0, period_s=900)
    house = made_house(tmp_path, {"load": load}, period_s=900, tariff=("USD", 0.11))
    finding = only(house_findings(house))
    assert finding.kwh_per_day.value * days == pytest.approx(kwh)
    # A year of such days; the published figure is for the days on which it runs.
    assert finding.cost_per_year.value * days / 365 == pytest.approx(dollars)
    assert finding.cost_per_year.unit == "USD"
    assert "0.11 USD" in finding.cost_per_year.basis
    assert finding.runs == days
    assert finding.run_kwh.value * days == pytest.approx(kwh)


def test_cost_is_the_energy_times_365_days_times_the_price_with_its_interval(tmp_path):
    house = made_house(tmp_path, {"kettle": kettle()}, tariff=("EUR", 0.3))
    finding = only(house_findings(house))
    for end in ("value", "low", "high"):
        per_day = getattr(finding.kwh_per_day, end)
        assert getattr(finding.cost_per_year, end) == pytest.approx(per_day * 365 * 0.3)


def test_without_a_tariff_no_cost_is_invented(tmp_path):
    found = house_findings(made_house(tmp_path, {"kettle": kettle()}))
    assert found.currency is None
    assert only(found).cost_per_year is None
    assert not [c for c in found.to_frame().columns if "cost" in c]
    assert "cost" not in found.to_markdown()


def test_runs_standby_idle_share_and_duty_cycle(tmp_path):
    watts = kettle()
    finding = only(house_findings(made_house(tmp_path, {"kettle": watts})))
    on = watts > 1000
    assert finding.runs == 10
    run_kwh = watts[on].sum() / 60 / 1000 / 10
    assert finding.run_kwh.value == pytest.approx(run_kwh, rel=0.01)
    assert finding.standby_w.low < watts[~on].mean() < finding.standby_w.high
    assert finding.standby_w.value == pytest.approx(2.0, abs=0.05)
    assert finding.idle_share == pytest.approx(watts[~on].sum() / watts.sum(), rel=0.01)
    assert finding.duty_cycle == pytest.approx(on.mean(), rel=0.05)
    assert finding.days == pytest.approx(5)
    assert finding.coverage == 1


def test_readings_of_two_exact_values_tell_standby_all_the_same(tmp_path):
    watts = switched(5, (7, 18), on_w=2000, lasts_h=0.1, rest_w=2.0)
    finding = only(house_findings(made_house(tmp_path, {"kettle": watts})))
    assert finding.runs == 10
    assert finding.standby_w.value == pytest.approx(2, abs=1)
    assert finding.standby_w.high < 5


def test_a_circuit_without_data(tmp_path):
    watts = {"kettle": kettle(), "spare": np.full(kettle().size, np.nan)}
    found = house_findings(made_house(tmp_path, watts, tariff=("EUR", 0.3)))
    spare = found.appliances[-1]
    assert (spare.circuit, spare.runs, spare.days) == ("spare", 0, 0)
    for estimate in (spare.run_kwh, spare.standby_w, spare.kwh_per_day, spare.cost_per_year):
        assert np.isnan(estimate.value)
        assert str(estimate) == "not known"
    assert any("no readings" in remark for remark in spare.remarks)


def test_a_circuit_without_data_is_of_no_kind(tmp_path):
    watts = {"kettle": kettle(), "spare": np.full(kettle().size, np.nan)}
    spare = house_findings(made_house(tmp_path, watts)).appliances[-1]
    assert not any("house.toml" in remark for remark in spare.remarks)


def test_a_circuit_without_data_leaves_the_period_alone(tmp_path):
    watts = {"kettle": kettle(), "spare": np.full(kettle().size, np.nan)}
    found = house_findings(made_house(tmp_path, watts))
    assert found.start == pd.Timestamp("2026-03-02", tz="UTC")


def test_a_circuit_without_data_leaves_the_remainder_known(tmp_path):
    watts = {"supply": kettle() + 100, "kettle": kettle()}
    watts["spare"] = np.full(kettle().size, np.nan)
    found = house_findings(made_house(tmp_path, watts, circuits=MAINS))
    assert found.unmeasured_kwh_per_day.value == pytest.approx(2.4)


def test_a_circuit_that_is_never_off(tmp_path):
    watts = np.round(9 + np.random.default_rng(1).normal(0, 0.2, 7200), 1)
    finding = only(house_findings(made_house(tmp_path, {"router": watts})))
    assert finding.kind == "continuous"
    assert finding.runs == 0
    assert np.isnan([finding.idle_share, finding.duty_cycle, finding.run_kwh.value]).all()
    assert finding.kwh_per_day.value == pytest.approx(watts.mean() * 24 / 1000)


def test_one_run_only(tmp_path):
    watts = np.round(2 + np.random.default_rng(1).normal(0, 0.2, 7200), 1)
    watts[1500:1560] = 1500
    found = house_findings(made_house(tmp_path, {"oven": watts}))
    finding = only(found)
    assert finding.runs == 1
    assert finding.run_kwh.value == pytest.approx(1.5, rel=0.01)
    assert (finding.run_kwh.low, finding.run_kwh.high) == (-np.inf, np.inf)


def test_one_run_only_is_said(tmp_path):
    watts = np.round(2 + np.random.default_rng(1).normal(0, 0.2, 7200), 1)
    watts[1500:1560] = 1500
    finding = only(house_findings(made_house(tmp_path, {"oven": watts})))
    assert any("one" in text and "run" in text for text in finding.remarks)


def test_less_than_a_day_says_so(tmp_path):
    finding = only(house_findings(made_house(tmp_path, {"kettle": kettle()[:600]})))
    assert (finding.kwh_per_day.low, finding.kwh_per_day.high) == (-np.inf, np.inf)
    assert "no whole day" in finding.kwh_per_day.basis


def test_a_gap_in_the_middle(tmp_path):
    watts = kettle()
    watts[3000:4400] = np.nan  # from 02:00 on the third day to 01:20 on the fourth
    finding = only(house_findings(made_house(tmp_path, {"kettle": watts})))
    assert finding.coverage == pytest.approx(1 - 1400 / 7200)
    assert finding.days == pytest.approx(5800 / 1440)
    assert finding.runs == 8
    assert any(remark.startswith("19 % of the time") for remark in finding.remarks)
    days = watts.reshape(5, 1440)
    # The fourth day has 22.7 of its 24 h: scaled. The third has two hours: left out.
    scaled = [np.nanmean(day) * 24 / 1000 for day in days[[0, 1, 3, 4]]]
    assert finding.kwh_per_day.n == 4
    assert finding.kwh_per_day.value == pytest.approx(np.mean(scaled))


def test_a_run_cut_by_a_gap_is_not_in_the_mean(tmp_path):
    watts = kettle()
    watts[7 * 60 + 3 : 8 * 60] = np.nan  # three minutes after the first boil began
    finding = only(house_findings(made_house(tmp_path, {"kettle": watts})))
    assert finding.runs == 9
    assert finding.run_kwh.value == pytest.approx(0.2, rel=0.1)
    assert any(remark.startswith("1 incomplete run") for remark in finding.remarks)


@pytest.mark.parametrize("hours", [range(0, 24, 2), (7, 18)])
def test_a_clamp_on_backwards_is_remarked_on(tmp_path, hours):
    watts = -switched(5, hours, on_w=2000, lasts_h=0.1, rest_w=2.0)
    finding = only(house_findings(made_house(tmp_path, {"kettle": watts})))
    assert finding.kwh_per_day.value < 0
    assert any("clamp is on backwards" in remark for remark in finding.remarks)


def test_a_second_speed_is_said_and_what_to_set_where_it_is_a_use(tmp_path):
    watts = switched(5, (9, 18), on_w=70, lasts_h=2, rest_w=34.0)
    finding = only(house_findings(made_house(tmp_path, {"fan": watts})))
    assert finding.kind == "continuous"
    assert any(
        'second speed: where that is a use, set kind = "manual"' in r for r in finding.remarks
    )
    kinds = {"fan": 'kind = "manual"'}
    house = made_house(tmp_path / "said", {"fan": watts}, circuits=kinds)
    finding = only(house_findings(house))
    assert finding.runs == 10
    assert "second speed" not in " ".join(finding.remarks)


def test_a_draw_that_rises_once_and_stays_is_no_second_speed(tmp_path):
    watts = np.full(20 * 1440, 55.0) + np.random.default_rng(3).normal(0, 3, 20 * 1440)
    watts[10 * 1440 :] += 40
    findings = house_findings(made_house(tmp_path, {"server": watts}))
    assert only(findings).kind == "continuous"
    assert "second speed" not in " ".join(only(findings).remarks)
    said = [one.sentence for one in notable(findings.appliances, timezone="UTC")]
    assert any("95.0 W at rest, 55.0 W before" in sentence for sentence in said)


def test_uses_of_a_day_that_may_be_rest_are_said(tmp_path):
    """Off each night, and 60 W by day, from which it rises three times."""
    watts = switched(5, (9, 13, 19), on_w=900, lasts_h=0.5, rest_w=60.0)
    watts[np.arange(watts.size) % 1440 < 360] = 0
    finding = only(house_findings(made_house(tmp_path, {"machine": watts})))
    assert "near 60 W for most of its uses, which last for 18 h" in " ".join(finding.remarks)
    plain = switched(5, (9, 13, 19), on_w=900, lasts_h=0.5, rest_w=2.0)
    finding = only(house_findings(made_house(tmp_path / "plain", {"machine": plain})))
    assert "for most of its uses" not in " ".join(finding.remarks)


def test_a_level_of_rest_that_takes_much_is_said(tmp_path):
    """A lamp of 48 W, dimmed to 11 W for three hours of each evening."""
    watts = switched(8, (17,), on_w=48, lasts_h=3, rest_w=0.3)
    watts[np.isin(np.arange(watts.size) // 60 % 24, (20, 21, 22))] = 11
    finding = only(house_findings(made_house(tmp_path, {"lamp": watts})))
    said = "near 11 W for 24 h between its runs, 18 % of its energy, taken for rest"
    assert said in " ".join(finding.remarks)


def test_breaks_that_may_lie_between_two_uses_are_said(tmp_path):
    """Each boil of four minutes is followed by another six minutes later."""
    watts = switched(8, (7, 7 + 1 / 6, 18, 18 + 1 / 6), on_w=2000, lasts_h=1 / 15, rest_w=0.3)
    finding = only(house_findings(made_house(tmp_path, {"kettle": watts})))
    assert finding.runs == 16
    assert "16 of 16 runs hold breaks of up to 7 min" in " ".join(finding.remarks)
    single = switched(8, (7, 12, 18), on_w=2000, lasts_h=1 / 15, rest_w=0.3)
    finding = only(house_findings(made_house(tmp_path / "single", {"kettle": single})))
    assert "hold breaks" not in " ".join(finding.remarks)


def test_a_multiplier_of_minus_one_turns_it_round(tmp_path):
    circuits = {"kettle": "clamp = { rating_a = 20, multiplier = -1 }"}
    finding = only(house_findings(made_house(tmp_path, {"kettle": -kettle()}, circuits=circuits)))
    assert finding.runs == 10
    assert finding.kwh_per_day.value == pytest.approx(kettle().sum() / 60 / 5 / 1000)
    assert not any("backwards" in remark for remark in finding.remarks)


def test_what_no_circuit_measures(tmp_path):
    lamp = switched(5, (20,), on_w=60, lasts_h=2)
    supply = kettle() + lamp + 100
    watts = {"supply": supply, "kettle": kettle(), "lamp": lamp}
    found = house_findings(made_house(tmp_path, watts, circuits=MAINS))
    assert [a.circuit for a in found.appliances] == ["kettle", "lamp"]
    assert found.mains_kwh_per_day.value == pytest.approx(supply.sum() / 60 / 5 / 1000)
    assert found.unmeasured_kwh_per_day.value == pytest.approx(2.4)
    assert found.unmeasured_kwh_per_day.n == 5


def test_legs_of_the_supply_are_added(tmp_path):
    half = (kettle() + 50) / 2
    watts = {"leg_1": half, "leg_2": half, "kettle": kettle()}
    circuits = dict.fromkeys(("leg_1", "leg_2"), 'role = "mains"')
    found = house_findings(made_house(tmp_path, watts, circuits=circuits))
    assert found.unmeasured_kwh_per_day.value == pytest.approx(1.2)


def test_the_remainder_is_taken_over_days_that_all_circuits_have(tmp_path):
    lamp = switched(5, (20,), on_w=60, lasts_h=2)
    supply = kettle() + lamp + 100
    supply[:1440] += 1000  # a first day like no other, on which the lamp is not logged
    lamp[:1440] = np.nan
    watts = {"supply": supply, "kettle": kettle(), "lamp": lamp}
    found = house_findings(made_house(tmp_path, watts, circuits=MAINS))
    assert found.unmeasured_kwh_per_day.n == 4
    assert found.unmeasured_kwh_per_day.value == pytest.approx(2.4)


def test_only_some_circuits(tmp_path):
    watts = {"supply": kettle() + 5, "kettle": kettle(), "lamp": kettle()}
    house = made_house(tmp_path, watts, circuits=MAINS)
    found = house_findings(house, circuits=["lamp"])
    assert [a.circuit for a in found.appliances] == ["lamp"]
    assert found.unmeasured_kwh_per_day is None  # the others are not looked at
    with pytest.raises(HouseError, match=r"there is no circuit 'lmap'(.|\n)*supply, kettle, lamp"):
        house_findings(house, circuits=["lmap"])


def test_a_house_without_loads(tmp_path):
    house = made_house(tmp_path, {"supply": kettle()}, circuits=MAINS)
    with pytest.raises(HouseError, match=r"house.toml: .*no circuit that is a load"):
        house_findings(house)


def test_workers_and_progress_change_nothing(tmp_path):
    house = made_house(tmp_path, {"one": kettle(), "two": kettle() * 2, "three": kettle() * 3})
    seen = []
    found = house_findings(house, workers=3, progress=lambda *step: seen.append(step))
    assert [(done, of) for done, of, _ in seen] == [(1, 3), (2, 3), (3, 3)]
    assert {name for *_, name in seen} == {"one", "two", "three"}
    assert found.to_frame().equals(house_findings(house, workers=1).to_frame())


def test_frame_has_units_in_its_names(tmp_path):
    house = made_house(tmp_path, {"kettle": kettle()}, tariff=("EUR", 0.3))
    found = house_findings(house)
    frame = found.to_frame()
    for name in ("run_kwh", "standby_w", "kwh_per_day", "cost_per_year"):
        row, estimate = frame.iloc[0], getattr(only(found), name)
        assert row[name] == estimate.value
        assert (row[f"{name}_low"], row[f"{name}_high"]) == (estimate.low, estimate.high)
    units = {"run_kwh": "kWh", "standby_w": "W", "kwh_per_day": "kWh", "cost_per_year": "EUR"}
    assert {name: getattr(only(found), name).unit for name in units} == units
    assert frame.loc[0, ["circuit", "appliance", "runs"]].tolist() == ["kettle", "kettle", 10]
    assert "shorter than 120 s" in frame.loc[0, "remarks"]


def test_markdown_is_a_table(tmp_path):
    circuits = {"kettle": 'appliance = "Kettle | tea"'}
    house = made_house(tmp_path, {"kettle": kettle()}, tariff=("EUR", 0.3), circuits=circuits)
    head, rule, row, *_ = house_findings(house).to_markdown().splitlines()
    assert head.startswith(
        "| appliance | complete runs | energy per run [kWh] | energy per day [kWh] |"
    )
    assert head.endswith("| cost per year [EUR] |")
    assert rule == "| " + " | ".join(["---"] * 7) + " |"
    assert row.startswith(r"| Kettle \| tea | 10 | 0.2")
    assert row.replace(r"\|", "").count("|") == 8


def test_record_can_be_written_as_json(tmp_path):
    watts = {"kettle": kettle(), "spare": np.full(kettle().size, np.nan)}
    found = house_findings(made_house(tmp_path, watts))
    record = json.loads(json.dumps(findings_record(found), allow_nan=False))
    first, spare = record["appliances"]
    assert first["kwh_per_day"]["value"] == found.appliances[0].kwh_per_day.value
    assert spare["kwh_per_day"]["value"] is None
    assert first["cost_per_year"] is None


def test_findings_carry_correction_and_uncertainty(tmp_path):
    dated = "[{ value = 1 }, { value = 1.02, from = 2026-03-04 }]"
    clamp = f"clamp = {{ multiplier = {dated}, uncertainty = 0.03 }}"
    house = made_house(
        tmp_path,
        {"supply": kettle() + 300, "kettle": kettle()},
        circuits={"kettle": clamp, "supply": MAINS["supply"] + "\nclamp = { uncertainty = 0.01 }"},
        tariff=("EUR", 0.3),
    )
    found = house_findings(house)
    row = found.to_frame().iloc[0]
    words = "x 1, from 2026-03-04 x 1.02"
    assert (row["correction"], row["clamp_uncertainty"]) == (words, 0.03)
    for name in ("run_kwh", "standby_w", "kwh_per_day", "cost_per_year"):
        half = (row[f"{name}_high"] - row[f"{name}_low"]) / 2
        parts = row[f"{name}_spread"], row[f"{name}_systematic"]
        assert half == pytest.approx(np.hypot(*parts))
        assert row[f"{name}_systematic"] >= 0.03 * row[name] * (1 - 1e-9)
    record = findings_record(found)["appliances"][0]
    assert (record["correction"], record["clamp_uncertainty"]) == (words, 0.03)
    assert record["kwh_per_day"]["systematic"] == row["kwh_per_day_systematic"]
    assert record["kwh_per_day"]["spread"] == row["kwh_per_day_spread"]
    mains = found.mains_kwh_per_day
    assert mains.systematic == pytest.approx(0.01 * mains.value, rel=1e-6)
    page = findings_page(found, house)
    assert f"Correction of its readings: {words}, known to 3 %." in page
    assert "the clamp is known to 3 %" in "\n".join(findings_lines(found))


def test_a_stated_offset_counts_instead_of_half_a_step_of_the_clamp(tmp_path):
    """20 A x 240 V in 4096 steps: the offset may be 0.59 W, 5 kWh a year, unless it is stated."""
    clamps = {"kettle": "clamp = { rating_a = 20%s }"}
    supply = ["[supply]", 'system = "split-phase"', "volts_v = 240"]
    found = {}
    for name, more in (("even", ""), ("known", ", offset_uncertainty_w = 0.4")):
        folder = tmp_path / name
        folder.mkdir()
        settings = {"kettle": clamps["kettle"] % more}
        house = made_house(folder, {"kettle": kettle(10)}, circuits=settings, top=supply)
        found[name] = only(house_findings(house))
    even, known = found["even"].kwh_per_day, found["known"].kwh_per_day
    step_kwh = found["known"].cycles.rest.step_w / 2 * 0.024
    assert known.systematic == pytest.approx(
        np.hypot(0.4 * 0.024, step_kwh / 3**0.5 * 1.96), rel=0.05
    )
    assert even.systematic == pytest.approx(0.95 * 20 * 240 / 4096 / 2 * 0.024, rel=0.05)
    assert "the clamp's offset known to 0.4 W" in known.basis
    assert found["known"].standby_w.systematic == pytest.approx(0.4, rel=0.05)
