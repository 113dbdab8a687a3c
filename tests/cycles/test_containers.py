"""Every kind of input gives the same answer, and none of them is changed."""

from itertools import pairwise

import numpy as np
import pandas as pd
import pytest

from homeenergy.cycles import find_cycles, find_plateaus
from homeenergy.readings.trace import Trace
from homeenergy.simulate import simulate_appliance

from .traces import START


@pytest.fixture(scope="module")
def trace():
    return simulate_appliance(
        "washing_machine", days=4, seed=2003, noise_w=1.0, resolution_w=0.5
    ).trace


def pieces(trace):
    cuts = [0, 1, 70_001, 70_002, 200_000, len(trace)]
    return [trace.samples(a, b) for a, b in pairwise(cuts)]


def with_watts(trace, watts):
    return Trace(label=trace.label, start=trace.start, period_s=trace.period_s, watts=watts)


def read_only(trace):
    watts = trace.watts.copy()
    watts.flags.writeable = False
    return with_watts(trace, watts)


def strided(trace):
    wide = np.zeros((len(trace), 3), np.float32)
    wide[:, 1] = trace.watts
    return with_watts(trace, wide[:, 1])


CONTAINERS = {
    "list of traces": pieces,
    "tuple of traces": lambda t: tuple(pieces(t)),
    "generator of traces": lambda t: (p for p in pieces(t)),
    "series": lambda t: t.to_series(),
    "float64 series": lambda t: t.to_series().astype(float),
    "local series": lambda t: t.to_series().tz_convert("America/Denver"),
    "float64 array": lambda t: with_watts(t, t.watts.astype(float)),
    "read-only array": read_only,
    "strided array": strided,
    "reversed view": lambda t: with_watts(t, t.watts[::-1].copy()[::-1]),
}


@pytest.mark.parametrize("container", CONTAINERS)
def test_any_container_gives_the_same_runs(trace, container):
    plain = find_cycles(trace, "batch")
    other = find_cycles(CONTAINERS[container](trace), "batch")
    assert len(plain.table) >= 2
    pd.testing.assert_frame_equal(plain.table, other.table)
    assert other.standby == plain.standby
    assert other.settings == plain.settings
    assert other.total_wh == plain.total_wh


@pytest.mark.parametrize("container", CONTAINERS)
def test_any_container_gives_the_same_plateaus(trace, container):
    pd.testing.assert_frame_equal(find_plateaus(trace), find_plateaus(CONTAINERS[container](trace)))


def test_nothing_is_written_into_the_input():
    rng = np.random.default_rng(1)
    watts = (rng.choice([1.0, 90.0], 60).repeat(100) + rng.normal(0, 1, 6000)).astype(np.float32)
    watts[50:55] = np.nan
    before = watts.copy()
    find_cycles(Trace(label="x", start=START, period_s=1.0, watts=watts))
    np.testing.assert_array_equal(watts, before)
    index = pd.date_range(START, periods=6000, freq="1s")
    series = pd.Series(watts, index=index, name="x")
    kept = series.copy()
    find_cycles(series)
    pd.testing.assert_series_equal(series, kept)


def test_results_cannot_be_changed_by_accident(trace):
    cycles = find_cycles(trace, "batch")
    with pytest.raises(AttributeError):
        cycles.kind = "manual"
    copy = cycles.to_frame()
    copy["energy_wh"] = 0.0
    assert (cycles.table["energy_wh"] > 0).all()


def test_something_else_is_refused_with_advice():
    with pytest.raises(TypeError, match="expected a Trace or a pandas Series"):
        find_cycles([np.ones(5)])


@pytest.mark.parametrize("kind", ["batch", None])
def test_settings_that_were_returned_repeat_the_result(trace, kind):
    first = find_cycles(trace, kind)
    names = ("idle_w", "on_w", "low_w", "noise_w", "penalty_w2", "long_gap_s")
    given = {name: first.settings[name] for name in names}
    again = find_cycles(trace, first.kind, **given)
    pd.testing.assert_frame_equal(first.table, again.table)
    assert again.settings == first.settings
