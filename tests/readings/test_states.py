"""On and off in place of watts: logged, or from the temperature of what a load warms."""

import gzip

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from homeenergy.cli import app
from homeenergy.errors import HouseError
from homeenergy.findings import house_findings
from homeenergy.house.toml_file import house_toml, read_schedule
from homeenergy.readings import import_logs, open_house
from homeenergy.readings.body import find_switching
from homeenergy.readings.states import house_states, switched_load
from homeenergy.show.terminal import states_lines

from .warm_bodies import as_trace, closed_form, found_share, warmed

HOUSE = """
name = "Switched"
timezone = "Europe/Berlin"

[[circuit]]
name = "heater"
{watts}

[[circuit]]
name = "pump"

[[log]]
files = "logs/*.csv*"
layout = "{layout}"
{keys}
quantity = "state"

[log.columns]
heater = "heater"
pump = "pump"
"""
WATTS = "watts = 1500\nwatts_uncertainty = 0.1"


def house(folder, text, rows, *, name="states.csv"):
    (folder / "logs").mkdir(exist_ok=True)
    (folder / "house.toml").write_text(text)
    (folder / "logs" / name).write_text(rows)
    import_logs(folder)
    return open_house(folder)


def changes():
    """Times of change, of two circuits in one file."""
    rows = ["time,circuit,state"]
    for day in range(1, 4):
        rows += [
            f"2026-01-{day:02d}T00:00:00Z,heater,off",
            f"2026-01-{day:02d}T00:00:00Z,pump,OFF",
            f"2026-01-{day:02d}T06:00:03Z,heater,on",
            f"2026-01-{day:02d}T07:30:08Z,heater,off",
            f"2026-01-{day:02d}T10:00:00Z,pump,True",
            f"2026-01-{day:02d}T10:15:00Z,pump,false",
        ]
    rows.append("2026-01-04T00:00:00Z,heater,0\n2026-01-04T00:00:00Z,pump,0\n")
    return "\n".join(rows)


LONG = 'circuit_column = "circuit"\nvalue_column = "state"\nperiod_s = 10\nsilence_s = 86400'


def test_times_of_change_give_runs_hours_and_energy(tmp_path):
    one = house(tmp_path, HOUSE.format(watts=WATTS, layout="long", keys=LONG), changes())
    heater, pump = house_states(one)
    assert len(heater.runs) == 3
    assert heater.runs["complete"].all()
    assert heater.runs["start"].iloc[0] == pd.Timestamp("2026-01-01T06:00:03Z")
    assert heater.runs["end"].iloc[0] == pd.Timestamp("2026-01-01T07:30:08Z")
    assert heater.hours.value == pytest.approx(3 * 5405 / 3600, rel=1e-6)
    assert 72 <= heater.covered_h < 74  # the last row holds as long as rows usually do
    assert heater.duty == pytest.approx(heater.hours.value / heater.covered_h)
    kwh = 1.5 * 3 * 5405 / 3600
    assert heater.energy.value == pytest.approx(kwh, rel=1e-6)
    assert heater.energy.high == pytest.approx(1.1 * kwh, rel=1e-3)
    # Without watts there are hours, and no energy anywhere.
    assert pump.hours.value == pytest.approx(0.75, rel=1e-6)
    assert pump.energy is None
    assert pump.runs["energy_wh"].isna().all()


def test_findings_have_energy_only_where_watts_are_stated(tmp_path):
    one = house(tmp_path, HOUSE.format(watts=WATTS, layout="long", keys=LONG), changes())
    table = house_findings(one).to_frame().set_index("circuit")
    kwh = 1.5 * 5405 / 3600 * (24 / 23 + 2) / 3  # the first local day has readings of 23 hours
    assert table.loc["heater", "kwh_per_day"] == pytest.approx(kwh, rel=1e-3)
    assert np.isnan(table.loc["pump", "kwh_per_day"])
    assert "state its watts" in str(table.loc["pump", "remarks"])
    assert not one.has_readings("pump")
    text = "\n".join(states_lines(house_states(one)))
    assert "heater: 3 runs, on for 4.50 h" in text
    assert "6.76 kWh (6.08–7.43)" in text
    assert "pump: 3 runs, on for 0.750 h" in text
    assert "no energy, as its watts are not stated" in text


def test_a_house_of_states_alone_has_hours_in_place_of_findings(tmp_path):
    house(tmp_path, HOUSE.format(watts="", layout="long", keys=LONG), changes())
    done = CliRunner().invoke(app, ["findings", str(tmp_path)])
    assert done.exit_code == 0, done.output
    assert "heater: 3 runs, on for 4.50 h" in done.output
    assert "pump: 3 runs, on for 0.750 h" in done.output
    assert CliRunner().invoke(app, ["findings", str(tmp_path), "--json", "-"]).exit_code == 1


def test_few_runs_without_a_stated_kind_are_found(tmp_path):
    one = house(tmp_path, HOUSE.format(watts=WATTS, layout="long", keys=LONG), changes())
    heater = house_findings(one).appliances[0]
    assert heater.circuit == "heater"
    assert heater.kind == "manual"
    assert heater.runs == 3
    kwh = 1.5 * 5405 / 3600
    assert heater.run_kwh.value == pytest.approx(kwh, rel=1e-3)
    assert heater.run_kwh.high == pytest.approx(1.1 * kwh, rel=1e-2)
    assert heater.standby_w.high < 5
    assert "its log says when it is on; 1500 W then, as stated; known to 10 %" in heater.remarks


def test_columns_of_0_and_1_with_a_gap(tmp_path):
    times = pd.date_range("2026-01-01", periods=1000, freq="10s", tz="UTC")
    on = (np.arange(1000) // 50 % 2).astype(str)
    rows = "".join(
        f"{t:%Y-%m-%dT%H:%M:%SZ},{state},\n"
        for n, (t, state) in enumerate(zip(times, on, strict=True))
        if not 420 <= n < 480
    )
    text = HOUSE.format(watts="", layout="wide", keys="")
    one = house(tmp_path, text, "time,heater,pump\n" + rows)
    heater = switched_load(one, "heater")
    assert len(heater.runs) == 10
    assert heater.covered_h == pytest.approx(940 * 10 / 3600)
    whole = heater.runs["complete"]
    assert whole.sum() == 8  # one begins in the gap, one ends with the log
    assert heater.runs.loc[whole, "hours"].to_numpy() == pytest.approx(500 / 3600)


def test_no_state(tmp_path):
    text = HOUSE.format(watts="", layout="wide", keys="")
    rows = "time,heater,pump\n2026-01-01T00:00:00Z,1,0\n2026-01-01T00:00:10Z,0.5,0\n"
    with pytest.raises(HouseError, match=r"line 3, column 'heater': 0\.5 is no state"):
        house(tmp_path, text, rows)
    with pytest.raises(HouseError, match="'auto' is no state"):
        house(tmp_path, text, rows.replace("0.5", "auto"))


def test_watts_belong_to_states(tmp_path):
    text = HOUSE.format(watts=WATTS, layout="wide", keys="").replace('"state"', '"power"')
    (tmp_path / "house.toml").write_text(text)
    with pytest.raises(HouseError, match=r"circuit\[1\]\.watts` belongs to a circuit whose log"):
        read_schedule(tmp_path)
    text = HOUSE.format(watts=WATTS, layout="wide", keys="")
    (tmp_path / "house.toml").write_text(text)
    schedule = read_schedule(tmp_path)
    (tmp_path / "house.toml").write_text(house_toml(schedule))
    assert read_schedule(tmp_path) == schedule
    assert "multiplier" not in house_toml(schedule)


@pytest.mark.study
def test_the_closed_form_is_inverted():
    """One run, as the solution of the differential equation has it, without noise."""
    times_s = np.arange(2000) * 10.0
    switches = [5003.0, 8506.5]
    celsius = 20 + closed_form(times_s, switches, taus_s=(300.0, 450.0), rise_c=25.0)
    body = find_switching(as_trace(celsius, 10.0))
    assert body.start_s == pytest.approx([5003.0], abs=3)
    assert body.end_s == pytest.approx([8506.5], abs=3)
    assert body.warming_s == pytest.approx(300, rel=0.05)
    assert body.cooling_s == pytest.approx(450, rel=0.05)
    assert body.rise_c == pytest.approx(25, rel=0.03)


def test_a_load_that_stays_on_begins_when_it_began():
    """A single switch, which means of samples do not show better."""
    times_s = np.arange(1440) * 60.0
    noise = np.random.default_rng(1).normal(0, 0.1, times_s.size)
    warm = closed_form(times_s, [42_000.0], taus_s=(900.0, 900.0), rise_c=20.0)
    body = find_switching(as_trace(20 + warm + noise, 60.0))
    assert body.start_s == pytest.approx([42_000.0], abs=180)
    assert not body.complete.any()


def test_missing_readings_at_the_beginning_hide_nothing():
    truth = warmed(22, days=1)
    whole = find_switching(truth.trace)
    celsius = truth.trace.watts.copy()
    celsius[:5] = np.nan
    body = find_switching(as_trace(celsius, 10.0))
    assert body.start_s.size == whole.start_s.size > 0
    assert body.start_s[1:] == pytest.approx(whole.start_s[1:], abs=10)


def test_a_wire_with_weather_and_sun():
    truth = warmed(21, days=3)
    body = find_switching(truth.trace)
    share, z = found_share(truth, body)
    assert share >= 0.97
    assert np.mean(np.abs(z) < 1.96) >= 0.9
    assert body.warming_s == pytest.approx(300, rel=0.1)
    # No run is found where there was none.
    for start, end in zip(body.start_s, body.end_s, strict=True):
        assert ((truth.runs[:, 0] < end) & (truth.runs[:, 1] > start)).any()


# 65 samples to a time constant, of which one tells little.
SLOW = {"taus_s": (325.0, 784.0), "rise_c": 8.0, "noise_c": 0.2, "digit_c": 0.5, "dt": 5.0}
SLOW |= {"swing_c": 3.9, "sun_c": 4.4, "mean_on_s": 1663.0, "mean_off_s": 6900.0, "days": 3}


@pytest.mark.study
def test_a_body_that_is_slow_for_its_samples():
    truth = warmed(1000, **SLOW)
    share, _ = found_share(truth, find_switching(truth.trace))
    assert share >= 0.97


# A body that is slow for the weather around it.
WEATHER = {"taus_s": (4000.0, 4000.0), "rise_c": 14.0, "noise_c": 0.17, "digit_c": 0.0625}
WEATHER |= {"dt": 60.0, "days": 14, "mean_on_s": 20_000.0, "mean_off_s": 40_000.0}


def test_a_body_that_is_slow_for_the_weather():
    truth = warmed(41, **WEATHER)
    body = find_switching(truth.trace)
    assert found_share(truth, body)[0] >= 0.97
    assert (body.end_s - body.start_s).sum() == pytest.approx(np.diff(truth.runs).sum(), rel=0.02)


@pytest.mark.study
def test_short_pauses_of_a_slow_body():
    """Off for a twentieth of a time constant: what follows tells of it, not the pause alone."""
    times_s = np.arange(17_280) * 10.0
    switches = np.arange(5000.0, 160_000.0, 7000.0)
    switches = np.column_stack((switches, switches + 6880.0))
    celsius = 20 + 4 * np.sin(2 * np.pi * times_s / 86_400)
    celsius += closed_form(times_s, switches.ravel(), taus_s=(1200.0, 2400.0), rise_c=20.0)
    celsius += np.random.default_rng(6).normal(0, 0.1, times_s.size)
    body = find_switching(as_trace(celsius, 10.0))
    assert body.start_s == pytest.approx(switches[:, 0], abs=60)
    assert body.end_s == pytest.approx(switches[:, 1], abs=60)


def test_a_run_in_which_the_temperature_moves_is_in_doubt():
    """Something else warms the body in the meantime, by three fifths of the rise."""
    times_s = np.arange(8640) * 10.0
    switches = [3000.0, 5000.0, 8000.0, 10_000.0, 15_000.0, 40_000.0, 45_000.0, 47_000.0]
    celsius = 20 + closed_form(times_s, switches, taus_s=(300.0, 300.0), rise_c=20.0)
    celsius += 12 * np.clip((times_s - 25_000) / 300, 0, 1)
    celsius -= 12 * np.clip((times_s - 50_000) / 6000, 0, 1)
    celsius += np.random.default_rng(8).normal(0, 0.1, times_s.size)
    body = find_switching(as_trace(celsius, 10.0))
    assert body.in_doubt[(body.start_s < 25_000) & (body.end_s > 25_300)].all()
    assert not body.in_doubt[body.end_s < 12_000].any()


def test_what_warms_a_body_by_another_amount_is_in_doubt():
    """A second load, of three fifths of the rise, that runs at other times."""
    times_s = np.arange(8640) * 10.0
    switches = np.arange(3000.0, 80_000.0, 4000.0)
    load = switches.reshape(-1, 2)[[0, 1, 2, 4, 5, 6, 8, 9]]
    other = switches.reshape(-1, 2)[[3, 7]]
    taus = {"taus_s": (300.0, 300.0)}
    celsius = 20 + closed_form(times_s, load.ravel(), rise_c=20.0, **taus)
    celsius += closed_form(times_s, other.ravel(), rise_c=12.0, **taus)
    celsius += np.random.default_rng(3).normal(0, 0.1, times_s.size)
    body = find_switching(as_trace(celsius, 10.0))
    assert body.start_s == pytest.approx(switches[::2], abs=10)
    assert np.flatnonzero(body.in_doubt).tolist() == [3, 7]


CASES = [
    {},
    {"taus_s": (120.0, 600.0), "rise_c": 40.0, "noise_c": 0.3},
    {"taus_s": (60.0, 60.0), "rise_c": 15.0, "noise_c": 0.05, "digit_c": 0.0625},
    {"taus_s": (300.0, 300.0), "rise_c": 10.0, "noise_c": 0.2, "digit_c": 0.5, "dt": 30.0},
    {"taus_s": (240.0, 400.0), "rise_c": 30.0, "noise_c": 0.2, "digit_c": 0.5, "dt": 60.0},
    {"taus_s": (150.0, 480.0), "rise_c": 18.0, "noise_c": 0.15, "digit_c": 0.5, "dt": 5.0},
    {"taus_s": (900.0, 1200.0), "rise_c": 16.0, "dt": 30.0, "sun_c": 18.0, "mean_on_s": 6e3},
    {"taus_s": (1200.0, 2400.0), "rise_c": 30.0, "mean_on_s": 5400.0, "mean_off_s": 5400.0},
    {"taus_s": (2400.0, 3000.0), "rise_c": 18.0, "dt": 60.0, "mean_on_s": 6e3, "mean_off_s": 9e3},
]


@pytest.mark.study
@pytest.mark.parametrize("case", range(len(CASES)))
def test_edges_of_many_wires(case):
    """At least 97 % of runs longer than three time constants, edges within 20 % of one."""
    found = [
        found_share(truth, find_switching(truth.trace))
        for seed in range(100, 106)
        if (truth := warmed(seed, **CASES[case]))
    ]
    assert np.mean([share for share, _ in found]) >= 0.97
    z = np.concatenate([z.ravel() for _, z in found])
    assert np.mean(np.abs(z) < 1.96) >= 0.93


def test_a_body_that_nothing_warms_has_no_runs():
    for seed in range(2):
        body = find_switching(warmed(seed, rise_c=0.0, days=3).trace)
        assert body.start_s.size == 0


def test_a_temperature_that_shows_no_switching_has_no_hours(tmp_path):
    text = HOUSE.format(watts=WATTS, layout="wide", keys="").replace('"state"', '"temperature"')
    times = pd.date_range("2026-01-01", periods=3000, freq="10s", tz="UTC")
    celsius = np.random.default_rng(5).normal(20, 0.1, times.size)
    lines = (f"{t:%Y-%m-%dT%H:%M:%SZ},{c:.2f}," for t, c in zip(times, celsius, strict=True))
    one = house(tmp_path, text, "time,heater,pump\n" + "\n".join(lines) + "\n")
    heater = switched_load(one, "heater")
    assert np.isnan(heater.hours.value)
    assert heater.energy is None
    assert "heater: its temperature shows no switching" in "\n".join(states_lines([heater]))


def test_gaps_and_the_ends_of_the_log_are_incomplete():
    truth = warmed(22, days=2)
    celsius = truth.trace.watts.copy()
    start, end = truth.runs[5]
    celsius[int((start + end) / 20) : int(end / 10) + 400] = np.nan
    body = find_switching(as_trace(celsius, 10.0))
    near = np.argmin(np.abs(body.start_s - start))
    assert not body.complete[near]
    assert np.isnan(body.end_uncertainty_s[near])
    assert body.complete.sum() >= 0.8 * len(truth.runs) - 3


def test_a_logged_temperature_gives_hours_and_energy(tmp_path):
    truth = warmed(23, days=2)
    text = HOUSE.format(watts=WATTS, layout="wide", keys="").replace('"state"', '"temperature"')
    text = text.replace('quantity = "temperature"', 'quantity = "temperature"\nunit = "F"')
    times = pd.date_range("2026-01-01", periods=len(truth.trace.watts), freq="10s", tz="UTC")
    fahrenheit = truth.trace.watts * 1.8 + 32
    lines = (f"{t:%Y-%m-%dT%H:%M:%SZ},{f:.2f}," for t, f in zip(times, fahrenheit, strict=True))
    (tmp_path / "logs").mkdir()
    (tmp_path / "house.toml").write_text(text)
    with gzip.open(tmp_path / "logs" / "wire.csv.gz", "wt") as file:
        file.write("time,heater,pump\n" + "\n".join(lines) + "\n")
    import_logs(tmp_path)
    one = open_house(tmp_path)
    heater = switched_load(one, "heater")
    hours = np.diff(truth.runs).sum() / 3600
    assert heater.hours.low < hours < heater.hours.high
    assert heater.energy.value == pytest.approx(1.5 * heater.hours.value)
    assert heater.body.rise_c == pytest.approx(20, rel=0.1)
    assert not one.has_readings("heater")  # degrees are no watts
