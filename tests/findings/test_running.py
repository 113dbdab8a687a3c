"""How loads run: short cycling, pumps that run on, loads that fight, energy that rises."""

import numpy as np
import pandas as pd
import pytest

from homeenergy.findings import house_findings
from homeenergy.findings.house_year import house_year
from homeenergy.findings.saving.look_into import look_into
from homeenergy.findings.saving.running import common, joined, outside

from .small_house import made_house

DAYS, DAY = 22, 1440
THERMOSTAT = 'kind = "thermostatic"'


def spans(*pairs):
    return np.array(pairs, dtype=np.int64).reshape(-1, 2)


def test_spans_are_joined_intersected_and_subtracted():
    assert joined(spans((5, 7), (0, 3), (2, 4), (7, 8))).tolist() == [[0, 4], [5, 8]]
    assert joined(spans((0, 3), (4, 6)), within_ns=1).tolist() == [[0, 6]]
    assert common(spans((0, 10)), spans((2, 3), (5, 20))).tolist() == [[2, 3], [5, 10]]
    assert outside(spans((0, 10)), spans((2, 3), (5, 20))).tolist() == [[0, 2], [3, 5]]
    assert outside(spans((0, 10)), spans()).tolist() == [[0, 10]]
    assert common(spans(), spans((0, 1))).shape == (0, 2)


def cycled(on_min, off_min, *, watts, minutes=DAYS * DAY):
    """On and off in turn."""
    at = np.arange(minutes) % (on_min + off_min)
    return np.where(at < on_min, float(watts), 0.0)


def at_hours(first_h, last_h, *, watts):
    """On between two hours of every day."""
    hour = np.arange(DAYS * DAY) / 60 % 24
    return np.where((hour >= first_h) & (hour < last_h), float(watts), 0.0)


def well_behaved():
    """Loads with names that are looked at, and nothing wrong with any of them."""
    rng = np.random.default_rng(4)
    fridge = cycled(20, 40, watts=90) * (1 + 0.01 * rng.normal(size=DAYS * DAY))
    return {
        "dehumidifier": cycled(25, 35, watts=300),
        "fridge": np.maximum(fridge, 0),
        "boiler": at_hours(6, 9, watts=150) + at_hours(17, 22, watts=150),
        "heating_pump": at_hours(6, 9.5, watts=60) + at_hours(17, 22.5, watts=60),
        "well_pump": cycled(3, 117, watts=900),
        "pool_pump": at_hours(9.5, 15.5, watts=750),  # which no boiler heats
        "radiator": at_hours(6, 8, watts=1500),
        "air_conditioner": at_hours(13, 16, watts=1200),
    }


def faulty():
    """The same loads, each with a fault of its own."""
    loads = well_behaved()
    from_day = 14 * DAY
    short = cycled(4, 3, watts=300)
    loads["dehumidifier"][from_day:] = short[from_day:]
    hours = [np.r_[np.ones(20 + d // 2), np.zeros(40 - d // 2)] for d in range(DAYS)]
    on = np.concatenate([np.resize(hour, DAY) for hour in hours])
    rng = np.random.default_rng(5)
    wobble = np.repeat(1 + 0.02 * rng.normal(size=DAYS), DAY)
    loads["fridge"] = 90.0 * on * wobble
    loads["heating_pump"] = np.full(DAYS * DAY, 60.0)
    for day in (3, 11, 20):
        loads["well_pump"][day * DAY : day * DAY + 8 * 60] = 900.0
    loads["air_conditioner"] = at_hours(7, 16, watts=1200)
    return loads


KINDS = {
    "dehumidifier": THERMOSTAT,
    "fridge": THERMOSTAT,
    "boiler": THERMOSTAT,
    "well_pump": THERMOSTAT,
    "heating_pump": 'kind = "continuous"',
    "radiator": 'kind = "manual"',
    "air_conditioner": 'kind = "manual"',
}


def looks_of(folder, loads):
    circuits = KINDS
    if loads["heating_pump"].min() == 0:
        circuits = KINDS | {"heating_pump": 'kind = "manual"'}
    house = made_house(folder, loads, circuits=circuits)
    findings = house_findings(house)
    rng = np.random.default_rng(6)
    hours = pd.date_range("2026-03-02", periods=DAYS * 24, freq="h", tz="UTC")
    outdoor = pd.Series(8 + np.repeat(rng.normal(0, 3, DAYS), 24), index=hours)
    year = house_year(house, findings)
    return look_into(house, year, floor=5.0, notable=findings.notable, outdoor=outdoor)


@pytest.fixture(scope="module")
def looks(tmp_path_factory):
    return looks_of(tmp_path_factory.mktemp("faulty") / "house", faulty())


def one_of(looks, words):
    (found,) = [one for one in looks if words in one.do.text]
    assert found.rests_on.text
    assert found.wrong_if.text
    assert found.at_stake_money is None  # the house names no tariff
    return found


def test_short_cycling_is_told_from_usual_runs(looks):
    found = one_of(looks, "starts so often")
    assert found.load == "dehumidifier"
    figures = found.rests_on.figures
    assert figures["often"] == pytest.approx(60 / 7, rel=0.02)
    assert figures["run_min"] == pytest.approx(4, abs=0.5)
    assert figures["usual_min"] == pytest.approx(25, abs=1)
    assert figures["cycling_h"] == pytest.approx((DAYS - 14) * 24, rel=0.02)
    # At stake is what it takes in such hours, like the days measured.
    assert found.at_stake_kwh.value == pytest.approx(
        0.3 * 4 / 7 * 24 * 365 * (DAYS - 14) / DAYS, rel=0.02
    )


@pytest.mark.parametrize(
    ("name", "kind", "told"),
    [
        ("heat_pump", "modulating", True),
        ("machine", "modulating", True),
        ("immersion", "", False),  # an element behind a controller, taken for modulating
    ],
)
def test_only_a_compressor_is_said_to_start_too_often(tmp_path, name, kind, told):
    rng = np.random.default_rng(8)
    level = np.repeat(rng.uniform(300, 2800, DAYS * DAY // 2), 2)
    watts = {name: level * cycled(4, 3, watts=1)}
    if name == "immersion":
        level = np.clip(rng.uniform(-300, 2800, DAYS * DAY), 0, None)
        watts = {name: level * at_hours(8, 16, watts=1)}
    house = made_house(
        tmp_path / "house", watts, circuits={name: f'kind = "{kind}"' if kind else ""}
    )
    findings = house_findings(house)
    assert findings.appliances[0].kind == "modulating"
    found = look_into(house, house_year(house, findings), floor=5.0, notable=(), outdoor=None)
    assert any("starts so often" in one.do.text for one in found) == told


def test_a_pump_without_a_source_of_heat_is_told(looks):
    found = one_of(looks, "no heat to carry")
    assert found.load == "heating_pump"
    # The boiler runs from 6 to 9 and from 17 to 22 h, and an hour after each is allowed.
    assert found.rests_on.figures["alone_h"] == pytest.approx(24 - 4 - 6, rel=0.01)
    assert found.at_stake_kwh.value == pytest.approx(0.06 * 14 * 365, rel=0.02)


def test_runs_of_a_pump_that_do_not_end_are_told(looks):
    found = one_of(looks, "leak")
    assert found.load == "well_pump"
    figures = found.rests_on.figures
    assert figures["long_runs"] == 3
    assert figures["longest_h"] == pytest.approx(8, abs=0.1)
    assert figures["usual_min"] == pytest.approx(3, abs=0.5)
    assert found.at_stake_kwh.value == pytest.approx(0.9 * 24 / DAYS * 365, rel=0.03)


def test_a_pump_that_refills_at_night_loses_water(tmp_path):
    """Every ten minutes, day and night, for one; by day alone, when taps are open, as well."""
    lost, drawn = cycled(1, 9, watts=900), cycled(3, 17, watts=900)
    by_day = at_hours(6, 22, watts=1)
    told = {
        "well_pump": np.maximum(lost, drawn * by_day),
        "well_pump_2": drawn * by_day,
        "sump_pump": lost,  # groundwater comes at all hours
    }
    house = made_house(tmp_path / "house", told, circuits=dict.fromkeys(told, THERMOSTAT))
    findings = house_findings(house)
    looks = look_into(house, house_year(house, findings), floor=5.0)
    found = one_of(looks, "leak")
    assert found.load == "well_pump"
    assert found.rests_on.figures["often"] == pytest.approx(6, rel=0.02)
    # At that rate all day: a minute of 900 W, six times an hour.
    assert found.at_stake_kwh.value == pytest.approx(0.9 / 60 * 6 * 24 * 365, rel=0.03)


def test_heating_and_cooling_at_the_same_time_is_told(looks):
    found = one_of(looks, "at the same time")
    assert found.load == "air_conditioner"
    assert found.rests_on.figures["both_h"] == pytest.approx(DAYS * 1.0, rel=0.02)
    assert found.at_stake_kwh.value == pytest.approx((1.5 + 1.2) * 365, rel=0.02)


def test_energy_that_rises_over_weeks_is_told_from_a_step(looks):
    rise, step = (
        next(one for one in looks if one.load == load and "takes more" in one.do.text)
        for load in ("fridge", "dehumidifier")
    )
    assert "little by little" in rise.rests_on.text
    # Half a minute more in each hour, every day.
    more = 0.09 * (DAYS - 1) / 2 / 60 * 24
    assert rise.rests_on.figures["more"].value == pytest.approx(more, rel=0.1)
    assert step.rests_on.figures["day"] == pd.Timestamp("2026-03-16")
    more = 0.3 * (4 / 7 - 25 / 60) * 24
    assert step.rests_on.figures["more"].value == pytest.approx(more, rel=0.02)


def test_nothing_is_found_where_nothing_is_wrong(tmp_path):
    # The well pump, above 500 W and with long rests, is no tank that loses heat either.
    assert looks_of(tmp_path / "house", well_behaved()) == ()


@pytest.mark.parametrize(("name", "told"), [("old_fridge", True), ("dehumidifier", False)])
def test_a_refrigerator_that_hardly_rests_is_told(tmp_path, name, told):
    house = made_house(
        tmp_path / "house", {name: cycled(45, 15, watts=180)}, circuits={name: THERMOSTAT}
    )
    looks = look_into(house, house_year(house, house_findings(house)), floor=5.0)
    assert any("so long" in one.do.text for one in looks) == told
    if told:
        found = one_of(looks, "so long")
        assert found.rests_on.figures["on_share"] == pytest.approx(0.75, abs=0.02)
        # Beyond a third of the time, as a usual one is on: 0.75 - 0.33 of 180 W.
        assert found.at_stake_kwh.value == pytest.approx(0.18 * (0.75 - 1 / 3) * 8760, rel=0.05)
