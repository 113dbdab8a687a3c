"""Energy per local day and its mean."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from homeenergy.findings.days import daily_energy, energy_per_day, parts_of_days
from homeenergy.readings import Trace
from homeenergy.stats.means import mean_of_days


def trace_of(watts, *, start, period_s=600):
    return Trace(label="load", start=pd.Timestamp(start), period_s=period_s, watts=watts)


@pytest.mark.parametrize(
    ("zone", "short", "long"),
    [
        ("Europe/Berlin", "2026-03-29", "2026-10-25"),
        ("America/Denver", "2026-03-08", "2026-11-01"),
    ],
)
def test_days_of_23_24_and_25_hours(zone, short, long):
    for day, hours in ((short, 23), (long, 25)):
        start = pd.Timestamp(day, tz=zone) - pd.DateOffset(days=1)
        n = (24 + hours + 24) * 6
        watts = np.random.default_rng(hours).uniform(0, 3000, n).astype(np.float32)
        daily = daily_energy(trace_of(watts, start=start), timezone=zone)
        assert daily["day_h"].tolist() == [24, hours, 24]
        assert daily["covered_h"].tolist() == [24, hours, 24]
        assert list(daily["day"].dt.strftime("%H:%M")) == ["00:00"] * 3
        assert daily["day"].dt.day.diff().iloc[1:].isin([1, -30, -29]).all()
        # By hand: 144 samples of ten minutes in the day before, 6 an hour in the odd day.
        sums = [
            watts[:144].sum(dtype=np.float64),
            watts[144 : 144 + 6 * hours].sum(dtype=np.float64),
            watts[144 + 6 * hours :].sum(dtype=np.float64),
        ]
        np.testing.assert_allclose(daily["kwh"], np.array(sums) / 6 / 1000)


def test_a_sample_over_midnight_belongs_to_the_day_in_which_it_begins():
    # Seven minutes do not divide a day; the first begins at 05:13:20 UTC, 22:13:20 in Denver.
    trace = trace_of(np.arange(500), start="2026-03-07T05:13:20Z", period_s=420)
    daily = daily_energy(trace, timezone="America/Denver")
    local = trace.to_series().tz_convert("America/Denver")
    wanted = local.groupby(local.index.normalize()).sum() * 420 / 3.6e6
    np.testing.assert_allclose(daily["kwh"], wanted)
    assert (daily["day"] == wanted.index).all()
    assert daily["kwh"].sum() == pytest.approx(trace.energy_wh / 1000)


def test_missing_samples_add_nothing_and_are_not_covered():
    watts = np.full(288, 1000.0)
    watts[12:30] = np.nan
    daily = daily_energy(trace_of(watts, start="2026-01-05T00:00Z"))
    assert daily["kwh"].tolist() == pytest.approx([21, 24])
    assert daily["covered_h"].tolist() == [21, 24]
    assert daily["day_h"].tolist() == [24, 24]


def test_a_series_and_an_empty_trace():
    index = pd.date_range("2026-01-05", periods=48, freq="30min", tz="UTC")
    assert daily_energy(pd.Series(500.0, index=index))["kwh"].tolist() == pytest.approx([12])
    empty = daily_energy(trace_of([], start="2026-01-05T00:00Z"))
    assert len(empty) == 0
    estimate = energy_per_day(empty)
    assert np.isnan([estimate.value, estimate.low, estimate.high]).all()
    assert estimate.n == 0


def days_of(kwh, covered_h, day_h):
    day = pd.date_range("2026-01-05", periods=len(kwh))
    return pd.DataFrame({"day": day, "kwh": kwh, "covered_h": covered_h, "day_h": day_h})


def test_mean_day_has_the_t_interval_of_scipy():
    kwh = [1.2, 0.9, 1.7, 1.1, 1.3]
    estimate = energy_per_day(days_of(kwh, 24.0, 24.0))
    low, high = stats.t.interval(0.95, 4, loc=np.mean(kwh), scale=stats.sem(kwh))
    assert estimate.value == pytest.approx(np.mean(kwh))
    assert (estimate.low, estimate.high) == (pytest.approx(low), pytest.approx(high))
    assert (estimate.n, estimate.level, estimate.unit) == (5, 0.95, "kWh")


def test_days_are_scaled_to_24_hours_and_poorly_covered_ones_left_out():
    daily = days_of([2.3, 2.5, 2.2, 0.1], [23.0, 25.0, 22.0, 21.0], [23.0, 25.0, 24.0, 24.0])
    estimate = energy_per_day(daily)
    assert estimate.n == 3  # 21 of 24 h are less than nine tenths
    assert estimate.value == pytest.approx(2.4)
    assert estimate.high - estimate.low == pytest.approx(0, abs=1e-12)


def test_without_a_whole_day_the_interval_is_unbounded():
    estimate = energy_per_day(days_of([0.5, 0.7], [6.0, 6.0], [24.0, 24.0]))
    assert estimate.value == pytest.approx(2.4)
    assert (estimate.low, estimate.high, estimate.n) == (-np.inf, np.inf, 0)
    assert "no whole day" in estimate.basis
    assert "12.0 h" in estimate.basis


def test_quarters_of_days_of_24_and_25_hours_and_with_a_hole():
    """The clocks go back in Denver on 1 November 2026: its quarters last 6 h 15 min."""
    start = pd.Timestamp("2026-10-31", tz="America/Denver")
    watts = np.random.default_rng(6).uniform(0, 3000, (24 + 25 + 24) * 60).astype(np.float32)
    watts[1440 + 400 : 1440 + 460] = np.nan  # an hour of the second day's second quarter
    trace = trace_of(watts, start=start, period_s=60)
    daily = daily_energy(trace, timezone="America/Denver")
    found = parts_of_days(trace, daily)
    assert found.shape == (3, 4)
    assert found[0] == pytest.approx(watts[:1440].reshape(4, 360).mean(axis=1, dtype=np.float64))
    odd = watts[1440 : 1440 + 1500].reshape(4, 375).mean(axis=1, dtype=np.float64)
    assert np.isnan(found[1]).tolist() == np.isnan(odd).tolist() == [False, True, False, False]
    assert found[1] == pytest.approx(odd, nan_ok=True)
    hours = daily["day_h"].to_numpy()
    whole = [0, 2]
    assert found.mean(axis=1)[whole] * hours[whole] / 1000 == pytest.approx(daily["kwh"][whole])


def test_parts_of_days_shorter_than_a_sample_are_not_known():
    trace = trace_of(np.ones(20), start="2026-01-05T00:00Z", period_s=86_400)
    daily = daily_energy(trace)
    assert np.isnan(parts_of_days(trace, daily)).any(axis=1).all()
    assert np.isfinite(energy_per_day(daily, parts=parts_of_days(trace, daily)).value)
    none = trace_of([], start="2026-01-05T00:00Z")
    assert parts_of_days(none, daily_energy(none)).shape == (0, 4)


def test_what_parts_of_days_have_in_common_counts():
    watts = np.random.default_rng(8).gamma(2, 300, 20 * 24)
    trace = trace_of(watts, start="2026-01-05T00:00Z", period_s=3600)
    daily = daily_energy(trace)
    alone = energy_per_day(daily)
    parts = parts_of_days(trace, daily)
    told = energy_per_day(daily, parts=parts)
    weekend = np.arange(20) % 7 > 4  # from a Monday on
    wanted = mean_of_days(daily["kwh"].to_numpy(), parts=parts, weekend=weekend)
    assert (told.low, told.high) == pytest.approx((wanted.low, wanted.high), rel=1e-9)
    assert told.value == alone.value
    assert told.high != alone.high
