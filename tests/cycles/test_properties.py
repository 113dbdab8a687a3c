"""What must hold for any trace: sums, shifts, scales, splits and orders."""

from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from homeenergy.cycles import find_cycles, find_plateaus
from homeenergy.readings.trace import Trace
from homeenergy.simulate import simulate_appliance

from .traces import START, as_trace, runs_s

KINDS = ("thermostatic", "batch", "manual", "modulating", "continuous", None)
FEW = settings(max_examples=12)
SOME = settings(max_examples=40)

stretches = st.lists(
    st.tuples(st.integers(1, 900), st.sampled_from([0.0, 2.0, 60.0, 900.0, 2000.0, -40.0, np.nan])),
    min_size=1,
    max_size=25,
)


def put_together(parts, seed):
    watts = np.concatenate([np.full(n, w) for n, w in parts])
    return as_trace(watts + np.random.default_rng(seed).normal(0, 0.7, watts.size))


def thermostat(seed, days=1):
    """A compressor with its on and off times from `seed`, in noise."""
    rng = np.random.default_rng(seed)
    n = days * 86_400
    watts = np.full(n, 2.0)
    at = int(rng.integers(60, 2000))
    while at < n:
        on_s = int(rng.integers(700, 1500))
        watts[at : at + on_s] = 95.0
        at += on_s + int(rng.integers(900, 2500))
    return watts + rng.normal(0, 0.6, n)


def programmes(seed):
    """Two days with a wash or two on each, in noise."""
    rng = np.random.default_rng(seed)
    shape = np.repeat([60.0, 2050.0, 60.0, 2050.0, 60.0], [240, 800, 1500, 500, 300])
    watts = np.full(2 * 86_400, 1.5)
    for at_h in (7, 19, 33, 44):
        at = at_h * 3600 + int(rng.integers(0, 3000))
        watts[at : at + shape.size] = shape
    return watts + rng.normal(0, 0.6, watts.size)


TRACES = {"thermostatic": thermostat, "batch": programmes}


@given(parts=stretches, seed=st.integers(0, 99), kind=st.sampled_from(KINDS))
@SOME
def test_the_total_is_runs_plus_idle_plus_the_rest(parts, seed, kind):
    trace = put_together(parts, seed)
    cycles = find_cycles(trace, kind)
    assert cycles.total_wh == pytest.approx(trace.energy_wh, rel=1e-9, abs=1e-9)
    assert cycles.runs_wh + cycles.idle_wh + cycles.other_wh == pytest.approx(
        cycles.total_wh, rel=1e-12, abs=1e-9
    )
    assert cycles.covered_s == trace.covered_s


@given(parts=stretches, seed=st.integers(0, 99), kind=st.sampled_from(KINDS))
@SOME
def test_runs_follow_one_another_and_hold_the_energy_of_their_samples(parts, seed, kind):
    trace = put_together(parts, seed)
    cycles = find_cycles(trace, kind)
    table = cycles.table
    edges = runs_s(cycles)
    assert all(a < b for a, b in edges)
    assert all(b <= c for (_, b), (c, _) in pairwise(edges))
    for (a, b), row in zip(edges, table.itertuples(), strict=True):
        inside = trace.samples(a, b)
        assert row.energy_wh == pytest.approx(inside.energy_wh, rel=1e-6, abs=1e-6)
        assert row.duration_s - row.missing_s == inside.covered_s
        backwards = cycles.settings.get("backwards", False)
        assert row.peak_w == (np.nanmin if backwards else np.nanmax)(inside.watts)
        assert row.mean_w == pytest.approx(
            row.energy_wh * 3600 / inside.covered_s, rel=1e-6, abs=1e-6
        )


@given(parts=stretches, seed=st.integers(0, 99))
@SOME
def test_plateaus_cover_every_sample_once_and_no_long_hole(parts, seed):
    trace = put_together(parts, seed)
    frame = find_plateaus(trace)
    assert frame["n"].sum() == np.count_nonzero(~np.isnan(trace.watts))
    assert (frame["start"] < frame["end"]).all()
    assert (frame["end"].iloc[:-1].to_numpy() <= frame["start"].iloc[1:].to_numpy()).all()
    energy = (frame["mean_w"] * frame["n"]).sum() / 3600
    assert energy == pytest.approx(trace.energy_wh, rel=1e-9, abs=1e-9)
    lasts = (frame["end"] - frame["start"]).dt.total_seconds()
    missing = trace.span_s - trace.covered_s
    assert ((lasts - frame["n"]) <= missing).all()


@pytest.mark.parametrize("kind", TRACES)
@given(seed=st.integers(0, 999), shift_s=st.sampled_from([1, 3600, 86_400, 10_000_000]))
@FEW
def test_a_later_trace_has_the_same_runs_later(kind, seed, shift_s):
    watts = TRACES[kind](seed)
    later = START + pd.Timedelta(seconds=shift_s)
    here = find_cycles(as_trace(watts), kind)
    there = find_cycles(
        Trace(label="load", start=later, period_s=1.0, watts=watts.astype(np.float32)), kind
    )
    moved = here.to_frame()
    moved[["start", "end"]] += pd.Timedelta(seconds=shift_s)
    pd.testing.assert_frame_equal(moved, there.table)


@pytest.mark.parametrize("kind", TRACES)
@given(seed=st.integers(0, 999), more_w=st.sampled_from([3.0, 10.0, 25.0]))
@FEW
def test_a_constant_goes_to_standby_and_leaves_the_runs(kind, seed, more_w):
    watts = TRACES[kind](seed)
    before, after = find_cycles(as_trace(watts), kind), find_cycles(as_trace(watts + more_w), kind)
    assert runs_s(after) == runs_s(before)
    assert after.standby.value - before.standby.value == pytest.approx(more_w, abs=0.02)
    np.testing.assert_allclose(
        after.table["above_standby_wh"], before.table["above_standby_wh"], rtol=1e-3
    )


@pytest.mark.parametrize("kind", TRACES)
@given(seed=st.integers(0, 999), times=st.integers(2, 5))
@FEW
def test_scaled_watts_scale_energies_and_keep_the_runs(kind, seed, times):
    watts = TRACES[kind](seed)
    before, after = find_cycles(as_trace(watts), kind), find_cycles(as_trace(times * watts), kind)
    assert runs_s(after) == runs_s(before)
    for column in ("energy_wh", "above_standby_wh", "mean_w", "peak_w"):
        np.testing.assert_allclose(after.table[column], times * before.table[column], rtol=1e-3)
    assert after.standby.value == pytest.approx(times * before.standby.value, rel=1e-2)
    assert after.total_wh == pytest.approx(times * before.total_wh, rel=1e-6)


@pytest.mark.parametrize("name", ["refrigerator", "dishwasher", "coffee_machine", "heat_pump"])
def test_splitting_into_months_changes_nothing_at_all(name):
    trace = simulate_appliance(
        name, days=62, seed=2004, start="2026-01-20", noise_w=1.0, resolution_w=1.0, period_s=5
    ).trace
    months = [
        trace.between(a, b)
        for a, b in (
            (None, "2026-02-01"),
            ("2026-02-01", "2026-03-01"),
            ("2026-03-01", None),
        )
    ]
    assert sum(map(len, months)) == len(trace)
    assert min(map(len, months)) > 0
    whole, split = find_cycles(trace), find_cycles(months)
    assert len(whole.table) > 10
    pd.testing.assert_frame_equal(whole.table, split.table, check_exact=True)
    assert split.standby == whole.standby
    assert split.settings == whole.settings
    assert (split.kind, split.kind_sure) == (whole.kind, whole.kind_sure)
    assert (split.total_wh, split.idle_wh) == (whole.total_wh, whole.idle_wh)
    assert split.rest.levels == whole.rest.levels


@given(seed=st.integers(0, 999), data=st.data())
@FEW
def test_any_split_changes_nothing_at_all(seed, data):
    watts = thermostat(seed)
    watts[30_000:30_500] = np.nan
    trace = as_trace(watts)
    cuts = sorted(data.draw(st.sets(st.integers(0, len(trace)), max_size=5)))
    bounds = [0, *cuts, len(trace)]
    parts = [trace.samples(a, b) for a, b in pairwise(bounds)]
    whole, split = find_cycles(trace), find_cycles(parts)
    pd.testing.assert_frame_equal(whole.table, split.table, check_exact=True)
    assert split.standby == whole.standby
    assert split.settings == whole.settings


@given(seed=st.integers(0, 999))
@settings(max_examples=6)
def test_the_order_of_irregular_rows_changes_nothing(seed):
    rng = np.random.default_rng(seed)
    watts = np.round(thermostat(seed)[: 6 * 3600], 1)
    seconds = np.cumsum(rng.choice([1, 2, 2, 3], watts.size // 2))
    seconds = seconds[seconds < watts.size]
    series = pd.Series(watts[seconds], index=START + pd.to_timedelta(seconds, unit="s"), name="x")
    mixed = series.iloc[rng.permutation(series.size)]
    in_order, out_of_order = find_cycles(series), find_cycles(mixed)
    assert len(in_order.table) >= 4
    pd.testing.assert_frame_equal(in_order.table, out_of_order.table, check_exact=True)
    assert in_order.standby == out_of_order.standby
    assert in_order.settings == out_of_order.settings


@pytest.mark.parametrize("kind", TRACES)
@pytest.mark.parametrize("period_s", [5, 10, 60])
def test_a_coarser_period_finds_the_same_runs_to_within_it(kind, period_s):
    watts = TRACES[kind](7)
    fine = find_cycles(as_trace(watts), kind)
    coarse = watts[: watts.size // period_s * period_s].reshape(-1, period_s).mean(axis=1)
    seen = find_cycles(as_trace(coarse, period_s=period_s), kind)
    assert len(seen.table) == len(fine.table)
    assert np.abs(np.array(runs_s(seen)) - np.array(runs_s(fine))).max() <= period_s
    np.testing.assert_allclose(
        seen.table["above_standby_wh"].iloc[1:-1],
        fine.table["above_standby_wh"].iloc[1:-1],
        rtol=0.03,
    )
