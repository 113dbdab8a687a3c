"""Changes of daily energy: known ones, none at all, and what may be mistaken for one."""

import numpy as np
import pandas as pd
import pytest

from homeenergy.errors import HouseError
from homeenergy.findings import before_after, find_changes
from homeenergy.findings.before_after import LEAST_EACH_SIDE, steps
from homeenergy.findings.several_changes import _best_partition
from homeenergy.house.clamp_errors import ClampErrors

from .weather_days import at_celsius, correlated, energy, weather

START = pd.Timestamp("2026-01-01")


def days(kwh):
    return pd.Series(kwh, index=pd.date_range(START, periods=len(kwh), tz="UTC"))


def planted(seed, *, n=90, split=50, size=-2.0, r=0.4, level=12.0):
    rng = np.random.default_rng(seed)
    return days(level + correlated(rng, n, r) + size * (np.arange(n) >= split))


def test_a_planted_change_is_found():
    change = before_after(planted(1))
    assert change.found
    assert change.shown
    assert change.earliest <= START + pd.Timedelta(days=50) <= change.latest
    assert change.size_kwh.low <= -2.0 <= change.size_kwh.high
    assert change.chance <= 0.01
    assert change.weekday
    text = change.sentence
    assert "less than before at the same weekday" in text
    assert "By chance, a change this large appears somewhere in" in text
    assert "chosen for its change" in change.size_kwh.basis


def test_a_given_day_equals_means_when_nothing_else_is_taken_out():
    kwh = planted(2)
    change = before_after(kwh, at="2026-02-20", weekday=False)
    before, after = kwh[:50].mean(), kwh[50:].mean()
    assert change.before_kwh.value == pytest.approx(before)
    assert change.after_kwh.value == pytest.approx(after)
    assert change.size_kwh.value == pytest.approx(after - before)
    assert change.share.value == pytest.approx(after / before - 1)
    assert (change.at, change.earliest, change.latest) == (START + pd.Timedelta(days=50),) * 3
    assert change.to_frame().loc[0, "size_kwh"] == change.size_kwh.value
    assert "| difference |" in change.to_markdown()


def test_share_is_a_fraction_of_before_with_the_interval_of_a_ratio():
    """Delta method by simulation: independent days, so that means of halves are known."""
    kwh = planted(3, r=0.0, size=-4.0)
    change = before_after(kwh, at="2026-02-20", weekday=False)
    rng = np.random.default_rng(4)
    a = rng.normal(change.before_kwh.value, 1 / np.sqrt(50), 200_000)
    b = rng.normal(change.after_kwh.value, 1 / np.sqrt(40), 200_000)
    low, high = np.quantile(b / a - 1, [0.025, 0.975])
    half = (change.share.high - change.share.low) / 2
    assert half == pytest.approx((high - low) / 2, rel=0.25)  # scatter, not 1, is estimated


def test_no_change_is_said_so():
    change = before_after(planted(5, size=0.0))
    assert not change.shown
    assert change.sentence.startswith("No significant change")
    assert "days like these would show is about" in change.sentence
    assert change.smallest_kwh > (change.size_kwh.high - change.size_kwh.low) / 2


def test_weather_that_turns_is_no_change_once_it_is_taken_out():
    rng = np.random.default_rng(6)
    celsius = weather(rng, 120)
    kwh = energy(celsius, correlated(rng, 120, 0.3), heating=0.8)
    blind = before_after(kwh)
    seeing = before_after(kwh, outdoor=celsius)
    assert blind.chance < 0.1
    assert "a change of season may look like a change" in " ".join(blind.remarks)
    assert abs(blind.size_kwh.value) > 3
    assert not seeing.shown
    assert abs(seeing.size_kwh.value) < 1.5


def test_a_change_hidden_by_the_season_is_seen():
    """Insulation in spring: the raw means say the opposite of less."""
    rng = np.random.default_rng(7)
    celsius = weather(rng, 160, start="2025-07-15")  # summer into winter
    kwh = energy(celsius, correlated(rng, 160, 0.3), heating=0.8)
    kwh.iloc[90:] -= 3.0
    change = before_after(kwh, outdoor=celsius)
    assert kwh[90:].mean() > kwh[:90].mean()
    assert change.shown
    assert change.earliest <= kwh.index[90].tz_localize(None) <= change.latest
    assert change.size_kwh.high < 0
    assert "at the same weather and weekday" in change.sentence


def test_less_for_each_degree_is_told_from_less_at_all_times():
    rng = np.random.default_rng(8)
    celsius = weather(rng, 365)
    noise = 0.7 * correlated(rng, 365, 0.2)
    less = np.where(np.arange(365) < 200, 0.9, 0.45)
    kwh = pd.Series(8 + less * np.maximum(14 - celsius, 0) + noise, index=celsius.index)
    change = before_after(kwh, at=kwh.index[200], outdoor=celsius)
    assert change.responds
    cold, warm = at_celsius(change, 0.0), at_celsius(change, 20.0)
    assert cold.size_kwh.low <= -14 * 0.45 <= cold.size_kwh.high
    assert warm.size_kwh.low <= 0 <= warm.size_kwh.high


def test_weekdays_are_taken_out():
    rng = np.random.default_rng(9)
    n = 70
    weekend = (np.arange(n) + 3) % 7 >= 5  # 1 January 2026 is a Thursday
    kwh = days(10 + 0.4 * rng.normal(size=n) + 6.0 * weekend - 1.0 * (np.arange(n) >= 37))
    change = before_after(kwh)
    assert abs((change.at - START).days - 37) <= 1
    assert change.size_kwh.low <= -1.0 <= change.size_kwh.high
    rough = before_after(kwh, weekday=False)
    assert rough.size_kwh.high - rough.size_kwh.low > 2 * (
        change.size_kwh.high - change.size_kwh.low
    )


def test_steps_equal_a_regression_for_each_day():
    rng = np.random.default_rng(10)
    design = np.c_[np.ones(40), rng.normal(size=(40, 2))]
    values = rng.normal(size=(40, 3))
    found = steps(design, values, least=5)
    for row, split in enumerate(found.splits):
        step = (np.arange(40) >= split).astype(float)
        wide = np.c_[design, step]
        for column in range(3):
            y = values[:, column]
            c, left, _, _ = np.linalg.lstsq(wide, y)
            null = np.linalg.lstsq(design, y)[1][0]
            assert found.sizes[row, column] == pytest.approx(c[-1])
            assert found.f[row, column] == pytest.approx((null - left[0]) / left[0] * 36)


def test_missing_days_are_time_that_passed():
    kwh = planted(12).drop(planted(12).index[20:30])
    change = before_after(kwh, at="2026-02-20")
    assert change.regression.n == 80
    assert change.regression.position[-1] - change.regression.position[0] == 89
    assert change.size_kwh.low <= -2.0 <= change.size_kwh.high


def test_coverage_and_false_alarms_are_about_as_stated(draws):
    """Days autocorrelated by 0.4 under changing weather, with a change and without one."""
    covered, alarms = [], []
    for seed in range(draws(120)):
        rng = np.random.default_rng(500 + seed)
        celsius = weather(rng, 90)
        kwh = energy(celsius, correlated(rng, 90, 0.4), heating=0.6, below=16.0)
        alarms.append(before_after(kwh, outdoor=celsius).chance <= 0.05)
        kwh.iloc[45:] -= 2.0
        size = before_after(kwh, at=kwh.index[45], outdoor=celsius).size_kwh
        covered.append(size.low <= -2.0 <= size.high)
    # At 95 % fewer than 88 % of 120, and at 5 % more than 12 %, come by chance in 1 of 400 tests.
    draws.check(covered, 0.88)
    draws.check(alarms, 0.0, 0.12)


def test_absence_and_return_are_two_changes():
    kwh = planted(13, n=120, split=200)
    kwh.iloc[60:72] -= 8.0
    found = find_changes(kwh)
    assert [(c.at - START).days for c in found.changes] == [60, 72]
    assert found.stretches["days"].tolist() == [60, 12, 48]
    assert found.stretches["kwh_per_day"].iloc[1] == pytest.approx(kwh[60:72].mean())
    assert len(found.to_frame()) == 2


def test_a_season_without_temperatures_is_no_change():
    rng = np.random.default_rng(5)
    told = []
    for first in range(0, 360, 30):
        day = first + np.arange(120)
        level = np.clip(10 + 12 * np.cos(2 * np.pi * day / 365) + rng.normal(0, 1, 120), 0, None)
        told.append(
            find_changes(pd.Series(level, pd.date_range("2026-01-01", periods=120))).changes
        )
    assert sum(map(bool, told)) <= 2


def test_changes_under_weather():
    rng = np.random.default_rng(14)
    celsius = weather(rng, 240)
    kwh = energy(celsius, correlated(rng, 240, 0.3), heating=0.8)
    kwh.iloc[150:] += 4.0
    found = find_changes(kwh, outdoor=celsius)
    assert [(c.at - START).days for c in found.changes] == [150]
    assert found.changes[0].size_kwh.low <= 4.0 <= found.changes[0].size_kwh.high


@pytest.mark.parametrize("seed", range(5))
def test_partition_equals_ruptures(seed):
    import ruptures

    rng = np.random.default_rng(seed)
    values = rng.normal(size=150) + np.repeat(rng.normal(0, 1.5, 6), 25)
    search = ruptures.KernelCPD(kernel="linear", min_size=LEAST_EACH_SIDE).fit(values[:, None])
    assert _best_partition(values, 12.0) == search.predict(pen=12.0)[:-1]


def test_no_changes_are_said_so():
    found = find_changes(planted(15, size=0.0))
    assert found.changes == ()
    assert found.sentence == "No significant change."
    assert len(found.to_frame()) == 0
    assert len(found.stretches) == 1


def test_days_that_are_all_alike():
    still = before_after(days(np.full(40, 0.3)))
    assert still.sentence == "No change: every day takes the same energy."
    assert not still.shown
    assert find_changes(days(np.full(40, 0.3))).changes == ()
    step = before_after(days(np.repeat([3.0, 5.0], 20)))
    assert step.shown
    assert (step.at - START).days == 20
    assert step.size_kwh.value == pytest.approx(2.0)


def test_the_clamp_widens_energies_and_not_the_share():
    change = before_after(planted(1))
    wide = before_after(planted(1), clamp=ClampErrors(uncertainty=0.1))
    assert (wide.share.low, wide.share.high) == (change.share.low, change.share.high)
    assert wide.before_kwh.systematic == pytest.approx(0.1 * change.before_kwh.value)
    half = (change.size_kwh.high - change.size_kwh.low) / 2
    wanted = np.hypot(half, 0.1 * change.size_kwh.value)
    assert (wide.size_kwh.high - wide.size_kwh.low) / 2 == pytest.approx(wanted)


def test_an_offset_is_a_greater_part_of_the_smaller_energy():
    """(after + o) / (before + o), with the offset put into both days' energies by hand."""
    change = before_after(planted(1))
    floor = ClampErrors(offset_uncertainty_w=0.5, compared_at_w=(500.0,))
    wide = before_after(planted(1), clamp=floor)
    before, after = change.before_kwh.value, change.after_kwh.value
    off_kwh = 0.0005 * 24
    with_it = (after + off_kwh) / (before + off_kwh) - after / before
    assert wide.share.systematic == pytest.approx(abs(with_it), rel=0.02)
    assert wide.share.value == change.share.value


def test_bad_input():
    with pytest.raises(HouseError, match="only 8 whole days"):
        before_after(planted(1)[:8])
    with pytest.raises(HouseError, match=r"2 whole days before 2026-01-03 and 88 from then on"):
        before_after(planted(1), at="2026-01-03")
    with pytest.raises(HouseError, match=r"90 whole days before 2027-05-01 and 0"):
        before_after(planted(1), at="2027-05-01")


def test_a_day_that_was_given_stays_the_day_where_the_log_has_a_gap():
    kwh = planted(1)
    gap = kwh.drop(kwh.index[30:45])
    change = before_after(gap, at=kwh.index[33])
    assert change.at == kwh.index[33].tz_localize(None)
    assert change.earliest == change.latest == change.at
    assert f"From {change.at.day} {change.at:%B %Y} on" in change.sentence
    assert (change.days["day"] < change.at).sum() == 30
    with pytest.raises(ValueError, match="in order"):
        before_after(planted(1)[::-1])


def test_weather_that_changes_with_the_day_given_is_not_told_from_a_change():
    rng = np.random.default_rng(4)
    days = pd.date_range("2026-01-01", periods=40, tz="UTC")
    warm = np.arange(40) >= 20
    noise = rng.normal(0, 3, 40) * np.where(warm, 0.2, 1)
    celsius = np.where(warm, 14.0, 2.0) + noise
    kwh = 10 + np.maximum(11 - celsius, 0) + rng.normal(0, 0.5, 40)
    with pytest.raises(HouseError, match="outdoor temperature passed"):
        before_after(pd.Series(kwh, days), at=days[20], outdoor=pd.Series(celsius, days))


@pytest.mark.parametrize("seed", [3, 5, 7])
def test_heating_and_cooling_that_meet_do_not_end_in_an_error(seed):
    rng = np.random.default_rng(seed)
    days = pd.date_range("2026-01-12", periods=35, tz="UTC")
    celsius = rng.normal(4, 3, 35)
    kwh = 1 + 0.05 * np.abs(celsius - 4) + rng.normal(0, 0.02, 35)
    assert not before_after(pd.Series(kwh, days), outdoor=pd.Series(celsius, days)).shown
