"""The utility meter: bounds that hold, readings that cannot be right, and holes in the log."""

from itertools import combinations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from homeenergy.errors import HouseError
from homeenergy.readings import Trace
from homeenergy.trust.meter import meter_agreement
from homeenergy.trust.panel.mains_energy import logged_energy

from .meters import cut_readings, plain_log, shown


def test_seven_days_of_273_kwh_agree_within_rounding():
    """Common practice, no source: the total agrees exactly, single days differ by up to 1 kWh."""
    days = [39.6, 37.05, 40.9, 38.2, 39.4, 37.0, 40.85]
    assert sum(days) == pytest.approx(273)
    readings = cut_readings(days)
    found = meter_agreement(readings, plain_log(days))
    whole_days = np.diff(readings["kwh"])
    assert whole_days.sum() == 273
    apart = np.abs(whole_days - days)
    assert 0.5 < apart.max() <= 1
    assert found.fits_all
    assert found.ratio.low <= 1 <= found.ratio.high
    assert found.intervals["agrees"].all()
    assert "agree fully within rounding" in found.verdict


def test_two_readings_by_hand():
    """From 100 to 110 shown, 9 to 11 used; 10 logged: ratios 0.9 to 1.1."""
    found = meter_agreement(shown([100, 110]), plain_log([10]))
    assert (found.ratio.low, found.ratio.high) == pytest.approx((0.9, 1.1), abs=1e-6)
    rounded = meter_agreement(shown([100, 110]), plain_log([10]), shown="rounded")
    assert (rounded.ratio.low, rounded.ratio.high) == pytest.approx((0.9, 1.1), abs=1e-6)
    tenths = meter_agreement(shown([100.0, 110.0]), plain_log([10]), step_kwh=0.1)
    assert (tenths.ratio.low, tenths.ratio.high) == pytest.approx((0.99, 1.01), abs=1e-6)


def brute_ratios(kwh, used, candidates):
    """Ratios for which some first fraction makes every reading right; no program, only a grid."""
    cum = np.r_[0.0, np.cumsum(used)]
    fits = []
    for ratio in candidates:
        registers = kwh - ratio * cum
        fits.append(registers.max() <= (registers + 1).min())
    return candidates[np.array(fits)]


@settings(max_examples=30)
@given(
    st.lists(st.floats(5, 60), min_size=2, max_size=7),
    st.floats(0, 0.999),
    st.floats(0.9, 1.1),
)
def test_bounds_hold_the_truth_and_are_no_wider_than_a_search_finds(used, fraction, ratio):
    logged = np.array(used) / ratio
    readings = cut_readings(used, starts_at_kwh=800 + fraction)
    found = meter_agreement(readings, plain_log(logged))
    assert found.ratio.low - 1e-6 <= ratio <= found.ratio.high + 1e-6
    grid = np.linspace(0.7, 1.4, 7001)
    brute = brute_ratios(readings["kwh"].to_numpy(), logged, grid)
    if brute.size and brute[0] > 0.71 and brute[-1] < 1.39:
        assert found.ratio.low == pytest.approx(brute[0], abs=2e-4)
        assert found.ratio.high == pytest.approx(brute[-1], abs=2e-4)


def brute_sets(kwh, used, size):
    cum = np.r_[0.0, np.cumsum(used)]
    grid = np.linspace(0.8, 1.25, 3001)
    sets = []
    for left_out in combinations(range(kwh.size), size):
        keep = [i for i in range(kwh.size) if i not in left_out]
        registers = kwh[keep] - grid[:, None] * cum[keep]
        if (registers.max(axis=1) < registers.min(axis=1) + 1).any():
            sets.append(left_out)
    return sets


def test_one_reading_off_by_one_kwh_is_found():
    rng = np.random.default_rng(5)
    used = rng.uniform(20, 60, 20)
    contradicted = found_alone = 0
    for at in range(2, 19, 2):
        for by in (1, -1):
            readings = cut_readings(used)
            readings.loc[at, "kwh"] += by
            found = meter_agreement(readings, plain_log(used))
            expected = brute_sets(readings["kwh"].to_numpy(), used, 1)
            if found.fits_all:
                grid = np.linspace(0.8, 1.25, 9001)
                assert brute_ratios(readings["kwh"].to_numpy(), used, grid).size
                continue
            contradicted += 1
            sets = [tuple(d.reading for d in doubts) for doubts in found.doubted]
            assert (at,) in sets
            assert set(expected) <= set(sets)
            (doubt,) = found.doubted[sets.index((at,))]
            right = readings["kwh"].iloc[at] - by
            assert doubt.fits_low_kwh <= right <= doubt.fits_high_kwh
            found_alone += len(sets) == 1
    # Twenty readings leave little room for the ratio, so most errors contradict all others.
    assert contradicted >= 14
    assert found_alone >= 11


def test_the_verdict_names_the_reading_and_the_value():
    used = [30.2, 31.7, 29.9, 30.4, 33.3, 28.8]
    readings = cut_readings(used)
    readings.loc[3, "kwh"] += 10
    found = meter_agreement(readings, plain_log(used))
    assert "Doubt the reading of 2026-03-04 08:00 (5102; 5091 to 5092 would fit)" in found.verdict
    assert found.ratio.low <= 1 <= found.ratio.high


def test_two_wrong_readings_are_the_smallest_set():
    used = [30.2, 31.7, 29.9, 30.4, 33.3, 28.8, 30.1, 32.5]
    readings = cut_readings(used)
    readings.loc[[2, 5], "kwh"] += [8, 9]
    found = meter_agreement(readings, plain_log(used))
    assert [tuple(d.reading for d in s) for s in found.doubted] == [(2, 5)]


def test_a_log_that_shows_too_much_is_told_and_nothing_doubted():
    used = np.full(20, 40.0)
    found = meter_agreement(cut_readings(used), plain_log(used * 1.03))
    assert found.fits_all
    assert found.ratio.low <= 1 / 1.03 <= found.ratio.high < 1
    assert "2.9% more than the meter" in found.verdict


def steady_mains(days, watts, *, holes=(), period_s=60):
    n = days * 86_400 // period_s
    rng = np.random.default_rng(3)
    power = np.repeat(rng.choice([0.2, 1, 2.5], n // 30), 30) * watts
    power[0] = power[-1] = watts
    logged = power.copy()
    for first, stop in holes:
        logged[first:stop] = np.nan
    start = pd.Timestamp("2026-03-01", tz="UTC")
    trace = Trace(label="mains", start=start, period_s=period_s, watts=logged.astype("float32"))
    return power, trace


def test_a_hole_is_missing_energy_and_no_disagreement():
    holes = [(2000, 2600), (9000, 9001), (10_000, 10_002)]
    power, trace = steady_mains(10, 1500, holes=holes)
    at = np.arange(0, 10 * 1440, 1440) + 480
    times = pd.DatetimeIndex(trace.start + pd.to_timedelta(at, unit="min"))
    cum = np.r_[0.0, np.cumsum(power)] / 60_000
    readings = pd.DataFrame({"time": times, "kwh": np.floor(700.6 + cum[at])})
    logged = logged_energy(trace, times, time_error_s=120)
    true = np.diff(cum[at])
    assert (logged.logged_kwh + logged.missing_low_kwh <= true + 1e-4).all()
    assert (logged.logged_kwh + logged.missing_high_kwh >= true - 1e-4).all()
    assert logged.missing_s[1] == 600 * 60
    found = meter_agreement(readings, logged)
    assert found.fits_all
    assert found.ratio.low <= 1 <= found.ratio.high
    # Taken as nothing, the hole is a contradiction.
    nothing = plain_log(logged.logged_kwh, shift_kwh=0.1)
    assert not meter_agreement(readings, nothing).fits_all


def test_a_reading_some_minutes_late_is_within_the_bounds():
    power, trace = steady_mains(10, 4000)
    stated = np.arange(0, 10 * 1440, 1440) + 480
    late = stated.copy()
    late[4] += 25
    cum = np.r_[0.0, np.cumsum(power)] / 60_000
    times = pd.DatetimeIndex(trace.start + pd.to_timedelta(stated, unit="min"))
    readings = pd.DataFrame({"time": times, "kwh": np.floor(10 * (7 + cum[late])) / 10})
    wide = meter_agreement(readings, logged_energy(trace, times, time_error_s=1500), step_kwh=0.1)
    assert wide.fits_all
    strict = meter_agreement(readings, logged_energy(trace, times, time_error_s=60), step_kwh=0.1)
    assert (4,) in [tuple(d.reading for d in s) for s in strict.doubted]


def test_readings_outside_the_log_are_refused():
    _, trace = steady_mains(2, 1000)
    times = pd.DatetimeIndex([trace.start - pd.Timedelta("1min"), trace.end])
    with pytest.raises(ValueError, match="must lie within the log"):
        logged_energy(trace, times)


def test_too_few_or_falling_readings_are_refused():
    with pytest.raises(HouseError, match="there is 1 meter reading"):
        meter_agreement(shown([5]), plain_log([]))
    with pytest.raises(HouseError, match="readings go down"):
        meter_agreement(shown([5, 4]), plain_log([1]))
    with pytest.raises(ValueError, match="shown must be"):
        meter_agreement(shown([5, 6]), plain_log([1]), shown="up")
