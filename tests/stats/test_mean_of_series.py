"""Means of series whose neighbours are correlated, from their slow waves."""

import numpy as np
import pytest
from scipy.fft import dct
from scipy.stats import t as student_t

from homeenergy.stats.estimate import mean_estimate
from homeenergy.stats.means import mean_of_series


def half(found):
    return found.high - found.value


@pytest.mark.parametrize(("n", "waves"), [(4, 2), (20, 2), (28, 3), (60, 6), (365, 20)])
def test_interval_is_that_of_the_first_terms_of_the_cosine_transform(n, waves):
    x = np.random.default_rng(n).gamma(2, 3, n)
    found = mean_of_series(x, unit="W", basis="mean of days")
    terms = dct(x, type=2, norm="ortho")[1 : waves + 1]
    by_hand = student_t.ppf(0.975, waves) * np.sqrt(np.mean(terms**2) / n)
    assert found.value == pytest.approx(x.mean(), rel=1e-12)
    assert half(found) == pytest.approx(by_hand, rel=1e-9)
    assert found.low == pytest.approx(found.value - by_hand, rel=1e-9)
    assert (found.n, found.unit) == (n, "W")
    assert found.basis == f"mean of days, t interval from its {waves} slowest waves"


@pytest.mark.parametrize("x", [[1.0, 3.0], [2.0, 5.0, 1.0]])
def test_with_all_terms_it_is_students_interval(x):
    plain = mean_estimate(x, unit="W", basis="")
    found = mean_of_series(np.array(x), unit="W")
    assert (found.low, found.high) == pytest.approx((plain.low, plain.high), rel=1e-12)


def test_missing_values_and_few_of_them():
    x = np.array([4.0, np.nan, 6.0, 5.0, np.nan])
    assert mean_of_series(x, unit="W") == mean_of_series(x[[0, 2, 3]], unit="W")
    one = mean_of_series(np.array([7.0, np.nan]), unit="W")
    assert (one.value, one.low, one.high, one.n) == (7.0, -np.inf, np.inf, 1)
    none = mean_of_series(np.array([np.nan]), unit="W")
    assert none.n == 0
    assert np.isnan([none.value, none.low, none.high]).all()


def test_order_and_shift_and_scale():
    x = np.random.default_rng(4).normal(size=40)
    width = half(mean_of_series(x, unit="W"))
    assert half(mean_of_series(x[::-1], unit="W")) == pytest.approx(width)
    assert half(mean_of_series(3 * x + 100, unit="W")) == pytest.approx(3 * width)
    rising = half(mean_of_series(np.sort(x), unit="W"))
    assert rising > 2 * width  # a drift leaves the mean of what comes uncertain


@pytest.mark.parametrize(("correlation", "least", "most"), [(0.0, 0.93, 0.97), (0.6, 0.92, 0.95)])
def test_share_of_intervals_that_hold_the_mean_of_four_weeks(correlation, least, most, draws):
    rng = np.random.default_rng(61)
    holds = []
    for _ in range(draws(4000)):
        x = rng.normal(size=28)
        for day in range(1, 28):
            x[day] = correlation * x[day - 1] + np.sqrt(1 - correlation**2) * x[day]
        found = mean_of_series(x, unit="W")
        holds.append(found.low <= 0 <= found.high)
    draws.check(holds, least, most)
