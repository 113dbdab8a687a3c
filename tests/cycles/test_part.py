"""Runs and standby of a part, from the plateaus of the whole."""

import numpy as np
import pandas as pd
import pytest

from homeenergy.cycles import find_cycles
from homeenergy.cycles.house_cycles import runs_again, standby_between
from homeenergy.readings import Trace

DAY = 1440


@pytest.fixture
def trace():
    watts = np.full(30 * DAY, 3.0)
    for day in range(30):
        for hour, power_w in ((6, 900.0), (12, 1000.0), (18, 1100.0)):
            at = day * DAY + hour * 60
            watts[at : at + 20] = power_w
            watts[at + 30 : at + 50] = power_w
    watts[20 * DAY :] += 2.0 * (watts[20 * DAY :] < 100)
    watts += np.random.default_rng(7).normal(0, 0.5, watts.size)
    start = pd.Timestamp("2026-03-02T00:00Z")
    return Trace(label="Kettle", start=start, period_s=60, watts=watts)


SETTINGS = ({}, {"pause_s": 900.0}, {"on_w": 950.0}, {"low_w": 500.0, "on_w": 1050.0})


@pytest.mark.parametrize("settings", SETTINGS)
def test_runs_of_the_whole_are_those_of_find_cycles(trace, settings):
    found = find_cycles(trace, "manual")
    again = runs_again(found, settings, trace=trace, first=0, stop=100, kind="manual")
    asked = find_cycles(trace, "manual", **settings)
    pd.testing.assert_frame_equal(again.table, asked.table)
    assert again.standby == asked.standby
    assert again.settings == asked.settings


LEARNED = pytest.mark.xfail(reason="what a run is like is learned from the part alone")


@pytest.mark.parametrize("settings", [pytest.param({}, marks=LEARNED), *SETTINGS[1:]])
def test_runs_of_a_part_are_there_as_in_the_whole(trace, settings):
    found = find_cycles(trace, "manual")
    first, stop = 10 * DAY, 11 * DAY
    near = runs_again(found, settings, trace=trace, first=first, stop=stop, kind="manual", most=60)
    assert len(near.plateaus) < len(found.plateaus) / 3
    whole = find_cycles(trace, "manual", **settings).table
    inside = whole[(whole["start"] >= trace.instant(first)) & (whole["end"] < trace.instant(stop))]
    columns = ["start", "end", "energy_wh", "peak_w", "complete"]
    own = near.table[near.table["start"].isin(inside["start"])]
    assert len(own) >= 1
    pd.testing.assert_frame_equal(
        own[columns].reset_index(drop=True), inside[columns].reset_index(drop=True)
    )


def test_runs_that_differ_by_setting_do_differ(trace):
    counts = {len(find_cycles(trace, "manual", **settings).table) for settings in SETTINGS}
    assert len(counts) >= 3


def test_the_standby_of_a_part_is_its_own(trace):
    settings = {"pause_s": 900.0}
    cycles = find_cycles(trace, "manual", **settings)
    day = pd.Timedelta(days=1)
    early = standby_between(cycles, trace=trace, start=trace.start, end=trace.start + day)
    late = standby_between(cycles, trace=trace, start=trace.start + 25 * day, end=trace.end)
    assert early.value == pytest.approx(3.0, abs=0.05)
    assert late.value == pytest.approx(5.0, abs=0.05)
    whole = standby_between(cycles, trace=trace, start=trace.start, end=trace.end)
    assert whole == cycles.standby
    near = runs_again(
        cycles, settings, trace=trace, first=25 * DAY, stop=26 * DAY, kind="manual", most=60
    )
    start, end = trace.instant(25 * DAY), trace.instant(26 * DAY)
    part = standby_between(near, trace=trace, start=start, end=end)
    assert part == standby_between(cycles, trace=trace, start=start, end=end)


def test_the_standby_of_a_turned_trace_keeps_its_sign(trace):
    turned = Trace(label="x", start=trace.start, period_s=60, watts=-trace.watts)
    cycles = find_cycles(turned, "manual")
    assert cycles.settings["backwards"]
    end = trace.start + pd.Timedelta(days=3)
    part = standby_between(cycles, trace=turned, start=trace.start, end=end)
    assert part.value == pytest.approx(-3.0, abs=0.05)
    assert part.low < part.value < part.high


def test_no_readings_have_no_standby(trace):
    cycles = find_cycles(trace, "manual")
    end = trace.end + pd.Timedelta(days=1)
    assert np.isnan(standby_between(cycles, trace=trace, start=trace.end, end=end).value)
