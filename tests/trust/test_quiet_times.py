"""The unmonitored baseload, on days that are known by hand."""

import numpy as np
import pandas as pd
import pytest

from homeenergy.findings import house_baseload
from homeenergy.house.schedule import Circuit, Clamp, Supply
from homeenergy.readings.trace import Trace
from homeenergy.stats.means import mean_of_series
from homeenergy.trust.panel.balance import panel_balance
from homeenergy.trust.panel.quiet_times import (
    unmonitored_baseload,
    whole_days,
    window_means,
)
from tests.findings.small_house import made_house, switched

ZONE = "America/Denver"  # 7 h behind UTC in winter
START = pd.Timestamp("2026-01-05", tz=ZONE)
EXACT = Clamp(uncertainty=0.0, offset_uncertainty_w=0.0)
DAY = 144


def circuit(name, clamp=EXACT, **more):
    return Circuit(name=name, appliance=name, clamp=clamp, **more)


def windows_of(levels_w, *, at_home=None, solar_w=0.0, measured=True):
    """Windows of local days: lamps in the evening are not measured, a heater of 900 W is.

    The heater is on for 17 h of each day at home, and rests at 20 W.
    """
    days = len(levels_w)
    hour = np.tile(np.arange(DAY) / 6, days)
    home = np.repeat(np.ones(days) if at_home is None else at_home, DAY) > 0
    heater = np.where(home & (hour >= 6) & (hour < 23), 900.0, 20.0)
    lamps = np.where(home & (hour >= 18) & (hour < 23), 80.0, 0.0)
    sun = solar_w * ((hour >= 9) & (hour < 16))
    mains = np.repeat(np.asarray(levels_w, float), DAY) + lamps + heater - sun
    index = pd.date_range(START, periods=days * DAY, freq="10min").tz_convert("UTC")
    table = {"mains": mains, "heater": heater}
    if solar_w and measured:
        table["solar"] = -sun
    return pd.DataFrame(table, index=index)


def baseload(windows, *, clamp=EXACT, supply=None):
    loads = [circuit(name, clamp) for name in windows.columns if name != "mains"]
    return unmonitored_baseload(
        windows, mains=[circuit("mains", clamp)], loads=loads, timezone=ZONE, supply=supply
    )


LEVELS_W = np.array([50.0, 60, 70, 60, 50, 55, 65, 75, 58])


def test_it_is_the_mean_of_the_lows_of_local_days():
    found = baseload(windows_of(LEVELS_W))
    by_hand = mean_of_series(LEVELS_W, unit="W")
    assert (found.value, found.n) == (pytest.approx(LEVELS_W.mean()), 9)
    assert (found.low, found.high) == pytest.approx((by_hand.low, by_hand.high))


def test_a_day_away_counts_as_one_day():
    at_home = np.array([1, 1, 0, 0, 0, 0, 1, 1, 1])
    home, away = (baseload(windows_of(LEVELS_W, at_home=h)) for h in (None, at_home))
    assert (away.value, away.low, away.high, away.n) == (home.value, home.low, home.high, 9)


def test_a_day_without_quiet_windows_is_missing_and_not_zero():
    windows = windows_of(LEVELS_W)
    windows.iloc[3 * DAY : 3 * DAY + 20, 1] = np.nan  # 200 minutes of the fourth day
    windows.iloc[5 * DAY : 5 * DAY + 10, 0] = np.nan  # 100 of the sixth
    found = baseload(windows)
    assert found.n == 8
    assert found.value == pytest.approx(np.delete(LEVELS_W, 3).mean())
    windows["mains"] = np.nan
    none = baseload(windows)
    assert none.n == 0
    assert np.isnan(none.value)


def test_what_every_clamp_may_be_off_by_is_in_it():
    """Flat days: ratio and offset of mains and heater alone, in squares, at 80 and 20 W."""
    stated = Clamp(uncertainty=0.02, offset_uncertainty_w=1.5)
    found = baseload(windows_of(np.full(9, 60.0)), clamp=stated)
    half = np.sqrt((0.02 * 80) ** 2 + (0.02 * 20) ** 2 + 2 * 1.5**2)
    assert found.high - found.value == pytest.approx(half, rel=1e-6)
    assert found.systematic == pytest.approx(half, rel=1e-6)
    # Nothing is stated: rectangular errors of 1.5 % and half a step of 100 A x 230 V / 4096.
    supply = Supply(system="single-phase", volts_v=230.0)
    unstated = baseload(windows_of(np.full(9, 60.0)), clamp=Clamp(rating_a=100.0), supply=supply)
    half_step_w = 100 * 230 / 4096 / 2
    sums = np.random.default_rng(5).uniform(-1, 1, (100_000, 4))
    sums = sums @ [half_step_w, half_step_w, 0.015 * 80, 0.015 * 20]
    drawn = np.quantile(np.abs(sums), 0.95)
    assert drawn < unstated.high - unstated.value < 1.1 * drawn


@pytest.mark.parametrize("measured", [True, False])
def test_solar_power_is_left_out_whether_it_is_measured_or_not(measured):
    """With nobody at home, so that the circuits rest while the sun shines."""
    away = np.zeros(9)
    found = baseload(windows_of(LEVELS_W, at_home=away, solar_w=700.0, measured=measured))
    assert found.value == pytest.approx(LEVELS_W.mean())
    assert found.n == 9
    assert ("from 1:00 to 5:00, as power is fed in" in found.basis) == (not measured)


def test_windows_follow_the_clock_whatever_the_log_begins_with():
    trace = Trace(
        label="a",
        start=pd.Timestamp("2026-01-05 00:03", tz="UTC"),
        period_s=60,
        watts=np.r_[np.full(7, 9.0), np.arange(10.0), np.full(10, np.nan), np.full(10, 5.0)],
    )
    found = window_means(trace, 600.0)
    assert np.isnan(found.iloc[[0, 2]]).all()  # seven minutes, none
    assert found.iloc[[1, 3]].tolist() == [4.5, 5.0]
    assert found.index[1] == pd.Timestamp("2026-01-05 00:10", tz="UTC")


@pytest.mark.parametrize("period_s", [1, 7, 60, 600, 900])
def test_windows_are_means_of_the_samples_that_begin_in_them(period_s):
    rng = np.random.default_rng(period_s)
    watts = rng.gamma(2, 50, 20_000).astype(np.float32)
    watts[rng.integers(0, watts.size, 30)] = np.nan
    watts[5000:5900] = np.nan
    start = pd.Timestamp("2026-01-05 00:03:00", tz="UTC")
    found = window_means(Trace(label="a", start=start, period_s=period_s, watts=watts), 600.0)
    begins = start.value // 10**9 + period_s * np.arange(watts.size)
    samples = pd.Series(watts, dtype=np.float64).groupby(begins // 600)
    enough = samples.count() * period_s >= 0.95 * 600
    expected = samples.mean()[enough]
    at = pd.DatetimeIndex(expected.index * 600, dtype="M8[s]").tz_localize("UTC")
    kept = found.dropna()
    assert kept.index.equals(at.as_unit("ns"))
    np.testing.assert_allclose(kept, expected, rtol=1e-12)


def test_days_of_23_and_25_hours_are_whole():
    index = pd.date_range("2026-03-28", "2026-03-31", freq="10min", tz="Europe/Berlin")[:-1]
    windows = pd.DataFrame({"a": 1.0}, index=index.tz_convert("UTC"))
    table = whole_days(windows, timezone="Europe/Berlin", window_s=600.0)
    assert table.groupby("day").size().tolist() == [144, 138, 144]
    night = whole_days(windows, timezone="Europe/Berlin", window_s=600.0, hours=(1, 5))
    assert night.groupby("day").size().tolist() == [24, 24]  # 3 of 4 hours are too few


@pytest.mark.parametrize(
    ("zone", "day", "windows"),
    [
        ("America/Santiago", "2026-09-06", 138),  # from 0:00 on to 1:00
        ("America/Santiago", "2026-04-04", 150),  # from 24:00 back to 23:00
        ("America/Havana", "2026-11-01", 150),  # from 1:00 back to 0:00
    ],
)
def test_days_begin_where_clocks_change_at_midnight(zone, day, windows):
    around = pd.date_range(pd.Timestamp(day) - pd.Timedelta(days=2), periods=6 * DAY, freq="10min")
    table = whole_days(
        pd.DataFrame({"a": 1.0}, index=around.tz_localize("UTC")), timezone=zone, window_s=600.0
    )
    sizes = table.groupby(pd.DatetimeIndex(table["day"]).strftime("%Y-%m-%d")).size()
    assert sizes[day] == windows
    assert set(sizes.drop(day)) == {DAY}


def test_it_agrees_with_the_baseload_of_the_house_where_nothing_unmeasured_is_in_use(tmp_path):
    """A fridge, a television, 30 W that no circuit measures; by the store, in minutes."""
    days, hour = 9, np.arange(9 * 1440) / 60
    watts = {
        "fridge": np.where(hour % 1 < 0.5, 80.0, 2.0),
        "tv": switched(days, (19,), on_w=100.0, lasts_h=3, rest_w=6.0),
    }
    roles = {"mains": 'role = "mains"\nlegs = ["L1"]', "fridge": "", "tv": ""}
    house = made_house(
        tmp_path / "house", {"mains": sum(watts.values()) + 30.0, **watts}, circuits=roles
    )
    parts = house_baseload(house).parts
    left = parts[parts["circuit"] == ""].iloc[0]
    found = panel_balance(house).base_w
    assert found.value == pytest.approx(left["watts_w"]) == pytest.approx(30.0)
    # Of clamps of which nothing is stated, rectangular errors here and normal ones there.
    assert (found.low, found.high) == pytest.approx((left["low_w"], left["high_w"]), abs=0.1)
    assert found.n == days
