"""A quantile of days counts days, however many values each has, and whichever are missing."""

import numpy as np
import pytest

from homeenergy.stats.means import quantile_of_days

N, LEVEL_W, BETWEEN_W, WITHIN_W = 28, 60.0, 8.0, 6.0
SHARE = 0.05
TRUTH_W = LEVEL_W - 1.644854 * WITHIN_W  # 5 % quantile of a normal distribution, from tables


def nights(rng, *, r=0.0, values=72):
    """Levels of days that follow a first-order autoregression, and values that scatter by night."""
    level = np.empty(N)
    level[0] = rng.normal()
    for day in range(1, N):
        level[day] = r * level[day - 1] + np.sqrt(1 - r**2) * rng.normal()
    each = LEVEL_W + BETWEEN_W * level[:, None] + WITHIN_W * rng.normal(size=(N, values))
    return each.ravel(), np.repeat(np.arange(N), values)


def held(draw, number):
    """Which intervals hold the mean over days of the quantile of a day."""
    rng = np.random.default_rng(17)
    inside = []
    for _ in range(number):
        values, day = draw(rng)
        found = quantile_of_days(values, day, share=SHARE, unit="W", basis="")
        inside.append(found.low <= TRUTH_W <= found.high)
    return np.array(inside)


def ordinary(rng):
    return nights(rng)


def autocorrelated(rng):
    return nights(rng, r=0.6)


def week_away(rng):
    """Seven days all of whose minutes are quiet, three times as many as of other days."""
    values, day = nights(rng, values=216)
    away = (day >= 10) & (day < 17)
    few = np.tile(np.arange(216) < 72, N)
    return values[away | few], day[away | few]


def week_missing(rng):
    values, day = nights(rng)
    values[(day >= 10) & (day < 17)] = np.nan
    return values, day


@pytest.mark.parametrize("draw", [ordinary, autocorrelated, week_away, week_missing])
def test_intervals_hold_as_often_as_they_say(draw, draws):
    """600 houses: 95 %, or more where nights are independent, which a month cannot show."""
    draws.check(held(draw, draws(600)), 0.93, 0.99)


def test_a_day_counts_once_whatever_its_values():
    values = np.r_[np.full(10, 5.0), np.full(1000, 7.0), np.full(20, 9.0)]
    day = np.repeat([0, 1, 2], [10, 1000, 20])
    found = quantile_of_days(values, day, share=0.5, unit="W", basis="level")
    assert (found.value, found.n, found.unit) == (7.0, 3, "W")
    some = quantile_of_days(values, day, share=0.5, unit="W", basis="level", least=15)
    assert (some.value, some.n) == (8.0, 2)
    shuffled = np.random.default_rng(1).permutation(values.size)
    again = quantile_of_days(values[shuffled], day[shuffled], share=0.5, unit="W", basis="level")
    assert (again.value, again.low, again.high) == (found.value, found.low, found.high)


def test_nothing_seen_tells_nothing():
    found = quantile_of_days(np.full(5, np.nan), np.arange(5), share=0.05, unit="W", basis="level")
    assert np.isnan([found.value, found.low, found.high]).all()
    assert found.n == 0
    one = quantile_of_days(np.ones(5), np.zeros(5, int), share=0.05, unit="W", basis="level")
    assert (one.value, one.low, one.high) == (1.0, -np.inf, np.inf)
