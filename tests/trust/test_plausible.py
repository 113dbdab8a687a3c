"""Wrong logs of many kinds: none gives a figure without a word. Clean odd ones pass."""

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from homeenergy import cli
from homeenergy.errors import HouseError
from homeenergy.findings import house_findings
from homeenergy.readings import import_logs, open_house
from homeenergy.trust import check_house
from homeenergy.trust.concern import held_out
from homeenergy.trust.log_facts import log_facts
from homeenergy.trust.plausible import implausible_readings

PERIOD_S = 60
A_DAY = 86_400 // PERIOD_S
SUPPLY = 'system = "single-phase"\nvolts_v = 230'


def loads(days=4, seed=0):
    """A made house: fridge, kettle, oven, television and their mains, in tenths of a watt."""
    rng = np.random.default_rng(seed)
    n = days * A_DAY
    at = np.arange(n)
    watts = {name: np.full(n, rest) for name, rest in (("kettle", 0.4), ("oven", 4.0), ("tv", 2.5))}
    for day in range(days):
        for name, level_w, lasts, times in (
            ("kettle", 2100, 3, 4),
            ("oven", 2400, 30, 1),
            ("tv", 110, 150, 1),
        ):
            for _ in range(times):
                begin = day * A_DAY + int(rng.integers(A_DAY // 4, A_DAY - lasts))
                watts[name][begin : begin + lasts] = level_w * rng.uniform(0.97, 1.03)
    watts["fridge"] = np.where(at % 45 < 18, 95.0, 1.2)
    table = {k: np.maximum(w + rng.normal(0, 0.4, n), 0).round(1) for k, w in watts.items()}
    table["mains"] = (sum(table.values()) + 60 + rng.normal(0, 0.8, n)).round(1)
    index = pd.date_range("2026-09-01", periods=n, freq=f"{PERIOD_S}s", tz="Europe/Paris")
    return pd.DataFrame(table, index=index)


def daily(table):
    return {f"{day:%Y-%m-%d}.csv": part for day, part in table.groupby(table.index.normalize())}


def house(folder, files, *, unit="W", quantity="power", supply=SUPPLY, circuits=None, more=""):
    """A folder with these logs, and the house when they have been imported."""
    (folder / "logs").mkdir(parents=True)
    names = list(next(iter(files.values())).columns)
    toml = f'timezone = "Europe/Paris"\n[supply]\n{supply}\n'
    for name in names:
        role = (
            'role = "mains"\nbreaker_a = 63\n' if name.startswith("mains") else "breaker_a = 16\n"
        )
        toml += f'[[circuit]]\nname = "{name}"\n' + (circuits or {}).get(name, role)
    toml += f'[[log]]\nfiles = "logs/*.csv"\nunit = "{unit}"\nquantity = "{quantity}"\n'
    toml += "[log.columns]\n" + "".join(f'{name} = "{name}"\n' for name in names) + more
    (folder / "house.toml").write_text(toml)
    for name, table in files.items():
        text = table.to_csv(index_label="time", date_format="%Y-%m-%dT%H:%M:%S%z")
        (folder / "logs" / name).write_text(text)
    import_logs(folder)
    return open_house(folder)


def unit_half_way(table):
    table.iloc[len(table) // 2 :] /= 1000
    return daily(table.round(4))


def an_hour_in_kilowatts(table):
    table.iloc[A_DAY + 600 : A_DAY + 660] /= 1000
    return daily(table.round(4))


def sixty_times(table):
    table.iloc[len(table) // 2 :] *= 60
    return daily(table)


def counter_as_power(table):
    table["kettle"] = (table["kettle"].cumsum() / 120_000 + 1234).round(2)
    return daily(table)


def mains_counter_as_power(table):
    table["mains"] = (table["mains"].cumsum() / 120).round()
    return daily(table)


def day_twice(table):
    other = daily(loads(seed=5))["2026-09-02.csv"]
    return daily(table) | {"again.csv": other}


def corrected_copy(table):
    return daily(table) | {"re-export.csv": (table * 1.04).round(1)}


def shifted_day(table):
    files = daily(table)
    files["2026-09-03.csv"].index -= pd.Timedelta(hours=9)
    return files


def mains_of_another_leg(table):
    table["mains"] *= 0.4
    return daily(table)


def one_circuit_in_milliwatts(table):
    table["tv"] *= 1000
    return daily(table)


def one_circuit_in_kilowatts(table):
    table["kettle"] = (table["kettle"] / 1000).round(4)
    return daily(table)


def a_sixtieth(table):
    table["fridge"] = (table["fridge"] / 60).round(4)
    return daily(table)


def mains_backwards(table):
    table["mains"] *= -1
    return daily(table)


def mains_a_sixtieth(table):
    table["mains"] = (table["mains"] / 60).round(4)
    return daily(table)


def oven_backwards(table):
    table["oven"] *= -1
    return daily(table)


ALL = {"fridge", "kettle", "oven", "tv", "mains"}


@pytest.mark.parametrize(
    ("wrong", "held", "word"),
    [
        (unit_half_way, ALL, "1000 times"),
        (an_hour_in_kilowatts, ALL, "1000"),
        (sixty_times, ALL, "60 times"),
        (counter_as_power, {"kettle"}, "energy counter"),
        (mains_counter_as_power, {"mains"}, "energy counter"),
        (day_twice, ALL, "twice with different values"),
        (corrected_copy, {"mains"}, "re-export.csv"),
        (shifted_day, {"mains"}, "twice with different values"),
        (mains_of_another_leg, {"mains"}, "as far as most circuits say"),
        (one_circuit_in_milliwatts, {"tv"}, "more than its breaker"),
        (one_circuit_in_kilowatts, {"kettle"}, "the mains step 1,000 times"),
        (a_sixtieth, {"fridge"}, "the mains step 59."),
        (mains_backwards, {"mains"}, "falls where circuits rise"),
        (mains_a_sixtieth, {"mains"}, "0.0167 times as far as most circuits say"),
        (oven_backwards, {"oven"}, "the mains fall"),
    ],
)
def test_a_wrong_log_is_said_and_held_out(tmp_path, wrong, held, word):
    made = house(tmp_path / "one", wrong(loads()))
    found = implausible_readings(made)
    out = held_out(found)
    assert held <= set(out)
    assert any(word in one.sentence for one in found)
    check = check_house(made, implausible=found)
    assert check.contradicts
    if len(out) < len(made.circuits) and set(out) != ALL - {"mains"}:
        findings = house_findings(made)
        rows = {one.circuit: one for one in findings.appliances}
        for name, one in rows.items():
            assert bool(one.held_out) == (name in out)
            assert np.isfinite(one.kwh_per_day.value) == (name not in out)
        assert findings.unmeasured_kwh_per_day is None
        assert findings.to_markdown().startswith("- Held out of all figures: ")
    else:
        with pytest.raises(HouseError, match="can be believed"):
            house_findings(made)


@pytest.mark.parametrize(("unit", "times"), [("kW", 1), ("W", 1000)])
def test_a_unit_that_is_wrong_throughout(tmp_path, unit, times):
    made = house(tmp_path / "one", daily((loads() / times).round(4)), unit=unit)
    assert set(held_out(implausible_readings(made))) == ALL


def half_a_kettle(table):
    table["kettle"] /= 2
    return table


def fed_from_elsewhere(table):
    table["mains"] -= table["oven"]
    return table


def in_kilowatts_without_mains(table):
    table["kettle"] = (table["kettle"] / 1000).round(4)
    return table.drop(columns="mains")


def sixty_times_without_mains(table):
    table["fridge"] *= 60
    return table.drop(columns="mains")


def stuck_at_a_level_of_its_own(table):
    table.iloc[2000:2300, table.columns.get_loc("tv")] = 33.0
    return table


@pytest.mark.parametrize(
    ("odd", "about", "word"),
    [
        (half_a_kettle, ("kettle",), "the mains step 2 times as far"),
        (fed_from_elsewhere, ("oven",), "the mains do not step with it"),
        (in_kilowatts_without_mains, ("kettle",), "in steps of 0.0001 W"),
        (sixty_times_without_mains, ("fridge",), "in steps of 6 W"),
        (stuck_at_a_level_of_its_own, ("tv",), "for 5 h where it otherwise varies"),
    ],
)
def test_what_may_be_wrong_is_said_and_counts(tmp_path, odd, about, word):
    made = house(tmp_path / "one", daily(odd(loads(7))))
    found = implausible_readings(made)
    assert {(one.weight, one.circuits) for one in found} == {("doubtful", about)}
    assert any(word in one.sentence for one in found)


def test_a_logger_that_kept_all_its_readings_for_hours_is_told_once(tmp_path):
    table = loads(7)
    table.iloc[2000:2300] = table.iloc[2000].to_numpy()
    stuck = [
        one
        for one in implausible_readings(house(tmp_path / "one", daily(table)))
        if "where it otherwise varies" in one.what
    ]
    assert [set(one.circuits) for one in stuck] == [{"oven", "tv", "mains"}]


@pytest.mark.parametrize(("fall_wh", "lasts"), [(3.0, False), (300.0, True), (9000.0, True)])
def test_a_counter_that_falls_once_is_said(tmp_path, fall_wh, lasts):
    table = loads()[["kettle", "tv", "fridge"]]
    wh = (table.cumsum() * PERIOD_S / 3600).round(1) + 10_000
    wh.iloc[2000 : None if lasts else 2001, 0] -= fall_wh
    made = house(tmp_path / "counter", daily(wh), unit="Wh", quantity="energy_counter")
    (one,) = implausible_readings(made)
    assert (one.weight, one.circuits) == ("doubtful", ("kettle",))
    assert "cannot follow on the one before" in one.what


def test_without_mains_or_bench_it_is_said_once_that_nothing_is_checked(tmp_path):
    made = house(tmp_path / "one", daily(loads(7).drop(columns="mains")))
    assert house_findings(made).to_markdown().count("- All: there are neither mains nor") == 1
    (made.path / "bench.csv").write_text(
        "circuit,reference_w,clamp_w\n" + "".join(f"tv,{w},{w}\n" for w in (50, 100, 150))
    )
    said = [one for one in house_findings(made).appliances if "neither mains" in str(one.remarks)]
    assert {one.circuit for one in said} == {"fridge", "kettle", "oven"}


def test_one_leg_of_the_mains_is_not_taken_for_the_house(tmp_path):
    table = loads()
    table["mains_a"] = table["mains"] - table["oven"]
    table["mains_b"] = -table["oven"] - 30
    made = house(tmp_path / "one", daily(table.drop(columns="mains").round(1)))
    found = house_findings(made)
    assert held_out(found.implausible).keys() == {"mains_b"}
    assert found.mains_kwh_per_day is None
    assert found.unmeasured_kwh_per_day is None
    assert [circuit.name for circuit in made.mains] == ["mains_a", "mains_b"]


def test_hours_above_the_mains_are_said(tmp_path):
    table = loads()
    table.iloc[A_DAY + 600 : A_DAY + 840, table.columns.get_loc("fridge")] *= 20
    (one,) = implausible_readings(house(tmp_path / "one", daily(table)))
    assert (one.weight, one.circuits) == ("doubtful", ("fridge",))
    assert "more than comes in through the mains" in one.what


def test_a_meter_far_off(tmp_path):
    table = loads(8)
    made = house(tmp_path / "one", daily(table))
    kwh = table["mains"].cumsum() * PERIOD_S / 3.6e6 * 7
    rows = [
        f"{table.index[i]:%Y-%m-%d %H:%M},{4000 + kwh.iloc[i]:.0f}" for i in (100, 4500, 11_000)
    ]
    (made.path / "meter_readings.csv").write_text("\n".join(["time,kwh", *rows]))
    (one,) = implausible_readings(made)
    assert one.circuits == ("mains",)
    assert "0.14" in one.what


def test_one_absurd_cell_is_left_out_and_said_with_file_and_line(tmp_path):
    table = loads()
    clean = house(tmp_path / "clean", daily(table))
    table.iloc[A_DAY + 700, table.columns.get_loc("kettle")] = 1e12
    made = house(tmp_path / "one", daily(table))
    (one,) = implausible_readings(made)
    assert one.weight == "doubtful"
    assert "1e+12 W" in one.what
    assert one.where == "logs/2026-09-02.csv, line 702"
    assert not held_out([one])
    done = CliRunner().invoke(cli.app, ["check", str(made.path)])
    assert done.exit_code == 1
    assert "No mismatch" not in done.stdout
    kwh, expected = (
        next(a.kwh_per_day.value for a in house_findings(h).appliances if a.circuit == "kettle")
        for h in (made, clean)
    )
    assert kwh == pytest.approx(expected, rel=0.02)


@pytest.mark.parametrize("year", ["2099", "2011"])
def test_one_wrong_year_is_refused_with_file_and_line(tmp_path, year):
    files = daily(loads())
    part = files["2026-09-02.csv"]
    stamps = list(part.index)
    stamps[500] = stamps[500].replace(year=int(year))
    part.index = pd.DatetimeIndex(stamps)
    with pytest.raises(HouseError, match="years from those") as error:
        house(tmp_path / "one", files)
    assert (error.value.line, error.value.path.name) == (502, "2026-09-02.csv")


def test_a_load_that_is_cut_off_by_its_clamp_is_held_out(tmp_path):
    table = loads()
    table["oven"] = table["oven"].clip(upper=1840.0)
    rated = "breaker_a = 16\nclamp = { rating_a = 8 }\n"
    made = house(tmp_path / "one", daily(table), circuits={"oven": rated})
    (one,) = implausible_readings(made)
    assert (one.weight, one.circuits) == ("wrong", ("oven",))
    assert "cut off at 1,840 W" in one.what


def test_dates_to_come_are_said(tmp_path):
    table = loads(2)
    table.index += pd.Timedelta(days=300)
    made = house(tmp_path / "one", daily(table))
    (one,) = implausible_readings(made, now=pd.Timestamp("2026-12-01", tz="UTC"))
    assert "to come" in one.what
    assert not implausible_readings(made, now=pd.Timestamp("2027-12-01", tz="UTC"))


def solar(table):
    sun = -np.clip(np.sin((np.arange(len(table)) / A_DAY - 0.25) * 2 * np.pi), 0, None) * 3600
    table["solar"] = sun.round(1)
    table["mains"] += table["solar"]
    return table


def large(table):
    at = np.arange(len(table))
    noise = np.random.default_rng(1).normal(0, 20, at.size)
    table["ev"] = np.where(at % 720 < 250, 11_000 + noise, 2).round(1)
    table["mains"] += table["ev"]
    return table


def unlogged_solar(table):
    return solar(table).drop(columns="solar")


def heater_from_half_way(table):
    rng = np.random.default_rng(5)
    late = np.arange(len(table)) > len(table) // 2
    table["heater"] = np.where(late, 2000 + rng.normal(0, 9, late.size), 2).round(1)
    table["mains"] += table["heater"]
    return table


def away_at_first(table):
    rng = np.random.default_rng(6)
    away = np.arange(len(table)) < len(table) // 2
    for name, rest in (("kettle", 0.4), ("oven", 4.0), ("tv", 2.5)):
        table.loc[away, name] = np.maximum(rest + rng.normal(0, 0.4, away.sum()), 0).round(1)
    table["mains"] = table.drop(columns="mains").sum(axis=1) + 60
    return table


@pytest.mark.parametrize("odd", [solar, large, unlogged_solar, heater_from_half_way, away_at_first])
def test_an_odd_but_clean_house_passes(tmp_path, odd):
    supply, circuits = SUPPLY, {}
    if odd is large:
        supply = 'system = "three-phase"\nvolts_v = 230'
        circuits = {"ev": 'breaker_a = 20\nlegs = ["L1", "L2", "L3"]\n'}
    made = house(tmp_path / "one", daily(odd(loads())), supply=supply, circuits=circuits)
    assert implausible_readings(made) == ()
    assert not any(len(made.doubts(one)) for one in made.circuits)


def test_a_counter_and_small_loads_pass(tmp_path):
    table = loads()[["kettle", "tv", "fridge"]]
    wh = (table.cumsum() * PERIOD_S / 3600).round() + 10_000
    made = house(tmp_path / "counter", daily(wh), unit="Wh", quantity="energy_counter")
    assert implausible_readings(made) == ()
    rng = np.random.default_rng(3)
    small = pd.DataFrame({"router": (6.2 + rng.normal(0, 0.2, len(table))).round(1)}, table.index)
    assert implausible_readings(house(tmp_path / "small", daily(small))) == ()


def test_what_was_counted_is_kept_until_anything_changes(tmp_path, monkeypatch):
    monkeypatch.setattr("homeenergy.readings.quality.KEPT_FROM", 1)
    made = house(tmp_path / "one", daily(loads(1)))
    kettle = made.circuit("kettle")
    first = log_facts(made, kettle)
    kept = made.path / "store" / ".overview" / "kettle" / "facts.kept"
    whole = kept.read_bytes()

    def same(one):
        assert (one.samples, one.rises, one.falls) == (first.samples, first.rises, first.falls)
        assert one.load.start == first.load.start
        np.testing.assert_array_equal(one.load.blocks_w, first.load.blocks_w)
        for name in ("mean_w", "low_w", "high_w", "step_w"):
            np.testing.assert_array_equal(getattr(one.days, name), getattr(first.days, name))

    with monkeypatch.context() as only_kept:
        only_kept.setattr("homeenergy.trust.log_facts.logged_load", None)
        same(log_facts(made, kettle))
    rng = np.random.default_rng(4)
    for at in rng.integers(0, len(whole), 20):
        flipped = bytearray(whole)
        flipped[at] ^= 1 << int(rng.integers(8))
        kept.write_bytes(flipped)
        same(log_facts(made, kettle))
    assert kept.read_bytes() == whole
    toml = made.path / "house.toml"
    toml.write_text(
        toml.read_text().replace('"kettle"\n', '"kettle"\nclamp = { multiplier = 2 }\n', 1)
    )
    twice = log_facts(open_house(made.path), open_house(made.path).circuit("kettle"))
    assert twice.load.greatest_w == pytest.approx(2 * first.load.greatest_w)


def by_hand():
    """Loads that are used for 2 to 60 minutes a day, and draw nothing else."""
    minutes = np.array([2, 60, 5, 40, 3, 30])
    index = pd.date_range("2026-09-01", periods=6 * A_DAY, freq="60s", tz="Europe/Paris")
    table = pd.DataFrame(0.0, index=index, columns=["kettle", "oven", "tv"])
    for number, level_w in enumerate((2100.4, 2403.7, 112.3)):
        for day, lasts in enumerate(np.roll(minutes, 2 * number)):
            begin = day * A_DAY + 600 + 60 * number
            table.iloc[begin : begin + lasts, number] = level_w + np.arange(lasts) % 3 / 10
    return table


def test_a_unit_that_changed_shows_in_what_is_used_for_minutes(tmp_path):
    assert implausible_readings(house(tmp_path / "right", daily(by_hand()))) == ()
    table = by_hand()
    table.iloc[2 * A_DAY : 4 * A_DAY] /= 1000
    found = implausible_readings(house(tmp_path / "wrong", daily(table.round(4))))
    assert [one.weight for one in found] == ["wrong"]
    assert "on 2 days they read about 1/1000" in found[0].what


def test_a_house_away_is_no_changed_unit(tmp_path):
    table = by_hand()
    table[:] = np.where(table > 0, table, 1.5 + np.arange(len(table))[:, None] % 3 / 10)
    resting = table[table < 2].ffill().bfill()
    table.iloc[2 * A_DAY : 4 * A_DAY] = resting.iloc[2 * A_DAY : 4 * A_DAY]
    assert implausible_readings(house(tmp_path / "away", daily(table))) == ()


@pytest.mark.parametrize("without", [[], ["mains"]])
def test_every_circuit_at_nothing_is_said(tmp_path, without):
    table = loads().drop(columns=without)
    table.iloc[A_DAY : A_DAY + 200] = 0.0
    found = implausible_readings(house(tmp_path / "cut", daily(table)))
    (one,) = found
    assert (one.weight, one.circuits) == ("doubtful", ())
    assert f"all {5 - len(without)} circuits read 0 W for 3.33 h" in one.sentence
    assert "2026-09-02.csv, line 2" in one.where


def test_one_number_below_zero_in_every_circuit_is_no_reading(tmp_path):
    table = loads()
    table.iloc[A_DAY : A_DAY + 200] = -1.0
    (one,) = implausible_readings(house(tmp_path / "cut", daily(table)))
    assert (one.weight, one.circuits) == ("doubtful", ())
    assert "all 5 circuits read -1 W for 3.33 h" in one.sentence
    assert "writes -1 where it has no reading" in one.do


@pytest.mark.parametrize("under_load", [True, False])
def test_readings_that_are_missing_under_load_are_said(tmp_path, under_load):
    table = loads().drop(columns="mains")
    oven = table["oven"].to_numpy()
    on = np.flatnonzero(oven > 1000) if under_load else np.arange(1, oven.size - 3)
    gone = np.random.default_rng(2).choice(on[:-3], 40, replace=False)
    for at in gone:
        table.iloc[at : at + 3, table.columns.get_loc("oven")] = np.nan
    found = implausible_readings(house(tmp_path / "gaps", daily(table)))
    assert [one.circuits for one in found] == [("oven",)] * under_load
    if under_load:
        assert "mostly while it draws" in found[0].what


def test_circuits_that_a_logger_fills_with_nothing_while_the_mains_draw_are_said(tmp_path):
    table = loads()
    table.iloc[A_DAY : 2 * A_DAY, : len(table.columns) - 1] = 0.0
    (one,) = implausible_readings(house(tmp_path / "filled", daily(table)))
    assert (one.weight, one.circuits) == ("doubtful", ())
    assert "all 4 circuits read 0 W for 24 h" in one.sentence
    assert "the mains draw meanwhile" in one.sentence
    found = check_house(open_house(tmp_path / "filled"))
    assert next(c.subject for c in found.concerns if c.weight == "doubtful") == "log"


def test_nothing_is_said_where_all_often_draw_nothing(tmp_path):
    table = by_hand()
    assert implausible_readings(house(tmp_path / "often", daily(table))) == ()


def test_a_top_at_which_nothing_varies_is_said_without_a_rating(tmp_path):
    table = loads()[["kettle", "oven", "tv"]]
    assert implausible_readings(house(tmp_path / "right", daily(table))) == ()
    table["oven"] = table["oven"].clip(upper=1650.3)
    (one,) = implausible_readings(house(tmp_path / "cut", daily(table)))
    assert (one.weight, one.circuits) == ("doubtful", ("oven",))
    assert "readings, 2 h in all, are its greatest, 1,650.3 W, to the last digit" in one.what
    # Whole watts, ten at a time, tell nothing of that.
    coarse = (table / 10).round() * 10
    assert implausible_readings(house(tmp_path / "coarse", daily(coarse))) == ()


def x1000_from_half_way(table):
    table.loc[table.index >= table.index[len(table) // 2], "fridge"] *= 1000
    return table


def test_days_in_another_unit_are_one_thing_and_the_panel_waits(tmp_path):
    """Rounded to watts; the mains are beyond what they can carry at times, and left out then."""
    table = loads(days=8).round()
    table.iloc[: 2 * A_DAY] *= 1000
    made = house(tmp_path, daily(table))
    (one,) = implausible_readings(made)
    assert set(one.circuits) == ALL
    assert "on 2 days they read about 1000 times" in one.what
    found = check_house(made)
    assert [c.what for c in found.concerns if c.weight != "note"] == [one.sentence]
    assert found.balance is None
    with pytest.raises(HouseError, match="on 2 days") as refused:
        house_findings(made)
    assert str(refused.value).count("on 2 days") == 1


def test_nothing_else_is_blamed_for_a_circuit_that_is_held_out(tmp_path):
    table = x1000_from_half_way(loads())
    found = check_house(house(tmp_path, daily(table)))
    about = {concern.subject for concern in found.concerns if concern.weight != "note"}
    assert about == {"fridge"}
    assert [c.weight for c in found.concerns if c.subject == "fridge"].count("wrong") == 1
    assert 0 < found.balance.base_w.value < 500


def test_dead_mains_are_said_and_not_every_circuit(tmp_path):
    table = loads()
    table["mains"] = 0.0
    (one,) = implausible_readings(house(tmp_path, daily(table)))
    assert (one.weight, one.circuits) == ("wrong", ("mains",))
    assert "reads nothing" in one.what
    assert "licensed electrician" in one.do


def test_what_a_battery_feeds_in_comes_in(tmp_path):
    table = loads(days=6)
    evening = (table.index.hour >= 18) & (table.index.hour < 22)
    table["battery"] = np.where(evening, -1500.0, 0.0)
    table["battery"] += np.where((table.index.hour >= 10) & (table.index.hour < 16), 1200.0, 0.0)
    table["mains"] = (table["mains"] + table["battery"]).clip(lower=-40)
    said = [one.what for one in implausible_readings(house(tmp_path, daily(table)))]
    assert not [what for what in said if "draws more than comes in" in what]


def test_legs_that_may_cancel_in_a_clamp_are_not_given_a_multiplier(tmp_path):
    table = loads(days=6)
    table["oven"] = (table["oven"] / 20).round(1)
    both = {"oven": 'legs = ["L1", "L2"]\n', "mains": 'role = "mains"\nlegs = ["L1", "L2"]\n'}
    split = 'system = "split-phase"\nvolts_v = 120'
    both |= dict.fromkeys(("kettle", "tv", "fridge"), 'legs = ["L1"]\n')
    found = implausible_readings(house(tmp_path, daily(table), circuits=both, supply=split))
    (one,) = [one for one in found if one.circuits == ("oven",)]
    assert "cancel" in one.do
    assert "before a multiplier is changed" in one.do


def test_days_at_another_scale_are_told_from_a_scale_that_is_wrong(tmp_path):
    """The factor was applied before rounding, so that the steps of the readings do not show it."""
    table = loads(days=12)
    rng = np.random.default_rng(9)
    rows = slice(5 * A_DAY, 7 * A_DAY + A_DAY // 2)
    scaled = 120 * (
        table["fridge"].iloc[rows] + rng.uniform(-0.05, 0.05, table.iloc[rows].shape[0])
    )
    table.iloc[rows, table.columns.get_loc("fridge")] = scaled.round(1)
    made = house(tmp_path, daily(table), circuits={"fridge": ""})
    found = [one for one in implausible_readings(made) if one.weight == "wrong"]
    assert [one.circuits for one in found] == [("fridge",)]
    assert "on 3 days the mains step 0.008" in found[0].what
    assert "from 2026-09-06" in found[0].where
    assert "its unit or multiplier" not in found[0].do


@pytest.mark.parametrize("stated", ["", "breaker_a = 250\n"])
def test_a_load_alone_that_draws_more_than_loads_do_is_held_out(tmp_path, stated):
    """A refrigerator in kW for W, without mains or other circuits to deny it."""
    table = loads()[["fridge", "tv"]].assign(fridge=lambda t: 1000 * t["fridge"])
    made = house(tmp_path, daily(table), circuits={"fridge": stated, "tv": ""})
    found = held_out(implausible_readings(made))
    assert set(found) == (set() if stated else {"fridge"})


def test_a_large_roof_is_no_load_that_draws_too_much(tmp_path):
    table = loads()[["fridge", "tv"]]
    hour = np.arange(len(table)) / 60 % 24
    table["roof"] = (-30_000 * np.clip(np.sin(2 * np.pi * (hour - 6) / 24), 0, None)).round(1)
    made = house(tmp_path, daily(table), circuits=dict.fromkeys(table, ""))
    assert not held_out(implausible_readings(made))
