"""Runs of a window under other settings, without any widget."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from homeenergy.cycles import find_cycles
from homeenergy.cycles.decisions import Decision
from homeenergy.show.explorer.window import (
    best_split,
    choices,
    days_later,
    first_state,
    local_midnight,
    read_circuit,
    steps_inside,
    update,
)
from tests.findings.small_house import made_house, switched

HOURS = (6, 12, 18)


@pytest.fixture
def house(tmp_path):
    watts = switched(8, HOURS, on_w=1000.0, lasts_h=1.0, rest_w=2.0)
    watts[4 * 1440 + 12 * 60 : 4 * 1440 + 13 * 60] = 600.0
    watts[3 * 1440 : 3 * 1440 + 5 * 60] = 4.0
    watts[3 * 1440 + 6 * 60 + 20 : 3 * 1440 + 6 * 60 + 40] = 3.0
    zone = "Europe/Amsterdam"
    return made_house(tmp_path / "mill", {"heater": watts}, timezone=zone)


@pytest.fixture
def read(house):
    return read_circuit(house, "heater", decisions=())


def day(state, number):
    start = days_later(pd.Timestamp("2026-03-01T23:00Z"), number, "Europe/Amsterdam")
    return replace(state, start=start, end=days_later(start, 1, "Europe/Amsterdam"))


def test_the_first_state_is_the_busiest_day_with_nothing_moved(read):
    state = first_state(read, ())
    assert state.start == pd.Timestamp("2026-03-04T23:00Z")  # four runs: one has a pause
    assert state.settings == {}
    window = update(read, state)
    assert window.runs == 4
    pd.testing.assert_frame_equal(window.cycles.table, read.found.table)


def test_the_inferred_values_move_nothing(read):
    state = day(first_state(read, ()), 2)
    names = ("on_w", "low_w", "idle_w")
    same = replace(state, settings={name: read.found.settings[name] for name in names})
    pd.testing.assert_frame_equal(update(read, same).table, update(read, state).table)


def test_figures_are_those_of_the_window(read):
    state = first_state(read, ())
    plain, weak = (update(read, day(state, number)) for number in (2, 4))
    assert (plain.runs, weak.runs) == (3, 3)
    assert plain.run_kwh.value == pytest.approx(1.0)
    assert weak.run_kwh.value == pytest.approx(2.6 / 3)
    settled = update(read, day(state, 3)).standby_w
    assert settled.value > 2.2 > update(read, day(state, 2)).standby_w.value


def test_moving_a_setting_changes_runs_energy_and_standby(read):
    state = day(first_state(read, ()), 4)
    only_strong = update(read, replace(state, settings={"on_w": 700.0}))
    assert only_strong.runs == 2
    assert only_strong.run_kwh.value == pytest.approx(1.0)
    joined = update(read, replace(state, settings={"pause_s": 6 * 3600.0}))
    assert joined.runs < 2
    wide = day(state, 3)
    merged = update(read, replace(wide, settings={"pause_s": 25 * 60.0}))
    assert (update(read, wide).runs, merged.runs) == (4, 3)


def test_the_whole_is_what_find_cycles_gives(read, house):
    state = replace(first_state(read, ()), settings={"pause_s": 1500.0, "kind": "manual"})
    table = update(read, state, whole=True).cycles.table
    expected = find_cycles(house.trace("heater"), "manual", pause_s=1500.0).table
    pd.testing.assert_frame_equal(table, expected)


def test_decisions_show_on_the_window(read):
    state = day(first_state(read, ()), 2)
    run = update(read, state).table.iloc[0]
    half = run["start"] + pd.Timedelta("30min")
    decisions = (Decision(circuit="heater", decision="split", start=half),)
    window = update(read, replace(state, decisions=decisions))
    assert window.runs == 4
    assert window.run_kwh.value == pytest.approx(0.75)


def test_saved_settings_are_where_the_state_begins(house):
    saved = (
        Decision(circuit="heater", decision="setting", value="pause_s=1500"),
        Decision(circuit="heater", decision="setting", value="noise_w=3"),
        Decision(circuit="other", decision="setting", value="on_w=5"),
    )
    read = read_circuit(house, "heater", decisions=saved)
    assert read.found.settings["noise_w"] == 3
    assert first_state(read, saved).settings == {"pause_s": 1500.0}


@pytest.mark.parametrize("number", [-5, 60])
def test_days_without_readings_have_no_run_and_no_standby(read, number):
    window = update(read, day(first_state(read, ()), number))
    assert window.runs == len(window.table) == len(window.trace) == 0
    assert np.isnan(window.run_kwh.value)
    assert np.isnan(window.standby_w.value)


def test_a_hole_across_the_window_has_no_run_and_no_standby(tmp_path):
    watts = switched(8, HOURS, on_w=1000.0, lasts_h=1.0, rest_w=2.0)
    watts[2 * 1440 : 6 * 1440] = np.nan
    house = made_house(tmp_path / "mill", {"heater": watts})
    read = read_circuit(house, "heater", decisions=())
    state = first_state(read, ())
    at = local_midnight(pd.Timestamp("2026-03-05T12:00Z"), "UTC")
    window = update(read, replace(state, start=at, end=days_later(at, 1, "UTC")))
    assert window.trace.covered_s == window.runs == 0
    assert np.isnan(window.standby_w.value)


def test_a_circuit_that_never_runs_has_a_window_too(tmp_path):
    house = made_house(tmp_path / "mill", {"box": np.full(2 * 1440, 2.0)})
    read = read_circuit(house, "box", decisions=())
    state = first_state(read, ())
    window = update(read, replace(state, settings={"pause_s": 60.0}))
    assert window.runs == 0
    assert window.standby_w.value == pytest.approx(2.0)


def test_choices_hold_the_inferred_value_exactly_and_no_two_alike():
    values = choices(53.21, 1234.5, least=0.5, greatest=3000.0)
    assert values == sorted(set(values))
    assert {53.21, 1234.5} <= set(values)
    assert values[0] == 0
    assert values[-1] >= 3000
    assert 40 <= len(values) <= 64
    assert choices(float("nan"), least=1.0, greatest=10.0)


def test_days_go_by_the_local_calendar_over_a_clock_change():
    # On 2026-03-29 Amsterdam's day has 23 hours, on 2026-10-25 it has 25.
    for date, hours in (("2026-03-29", 23), ("2026-10-25", 25)):
        noon = pd.Timestamp(f"{date} 12:00", tz="Europe/Amsterdam")
        start = local_midnight(noon, "Europe/Amsterdam")
        end = days_later(start, 1, "Europe/Amsterdam")
        assert (end - start) == pd.Timedelta(hours=hours)
        assert days_later(end, -1, "Europe/Amsterdam") == start


def test_a_split_is_proposed_at_the_end_of_the_longest_pause(read):
    state = replace(day(first_state(read, ()), 3), settings={"pause_s": 1500.0})
    window = update(read, state)
    row = int(window.table.index[0])
    assert best_split(window, row) == pd.Timestamp("2026-03-05T06:40Z")
    assert pd.Timestamp("2026-03-05T06:20Z") in steps_inside(window, row)
    assert best_split(window, row + 1) is None
