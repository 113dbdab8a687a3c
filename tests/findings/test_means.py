"""Means of runs and days whose neighbours are alike."""

import numpy as np
import pytest

from homeenergy.estimate import mean_estimate
from homeenergy.findings.means import mean_of_days, mean_of_runs


def series(rng, n, r):
    """First-order autoregression about 5, in its stationary state, with a variance of 1."""
    x = np.empty(n)
    x[0] = rng.normal()
    for i in range(1, n):
        x[i] = r * x[i - 1] + np.sqrt(1 - r * r) * rng.normal()
    return 5 + x


@pytest.mark.parametrize(
    ("n", "r", "least", "most"),
    [(14, 0.0, 0.94, 0.985), (14, 0.6, 0.92, 0.97), (60, 0.3, 0.93, 0.975), (60, 0.6, 0.93, 0.97)],
)
def test_intervals_of_days_that_are_alike(n, r, least, most):
    """1500 means each; 14 days cannot tell well how alike they are, and the interval says so."""
    rng = np.random.default_rng(31)
    found = [mean_of_days(series(rng, n, r)) for _ in range(1500)]
    assert least <= np.mean([m.low <= 5 <= m.high for m in found]) <= most


def test_runs_of_a_day_count_as_one_where_they_are_alike():
    """Seven days of three runs: each day all its runs are off by the same."""
    off = np.array([0.3, -0.3, 0.2, -0.2, 0.1, -0.1, 0.0])
    found = mean_of_runs(np.repeat(1 + off, 3), np.repeat(np.arange(7), 3))
    t_6 = 2.446912  # 97.5 % point of Student's t with 6 degrees of freedom, from tables
    half = t_6 * np.sqrt(7 / 6 * np.sum((3 * off) ** 2)) / 21
    assert found.value == pytest.approx(1)
    assert found.high - 1 == pytest.approx(half, rel=1e-6)
    assert found.n == 21


def test_one_run_a_day_is_a_plain_mean():
    kwh = 1 + np.array([0.3, -0.3, 0.2, -0.2, 0.1, -0.1, 0.0])
    plain = mean_estimate(kwh, unit="kWh", basis="")
    found = mean_of_runs(kwh, np.arange(7) * 2)
    assert (found.low, found.high) == pytest.approx((plain.low, plain.high))


def test_few_days_or_runs():
    assert np.isinf(mean_of_runs(np.array([1.0]), np.array([3])).high)
    assert mean_of_runs(np.array([1.0]), np.array([3])).basis == "one complete run tells no spread"
    assert np.isnan(mean_of_runs(np.empty(0), np.empty(0, np.int64)).value)
    six = mean_of_runs(np.repeat([1.0, 2, 3, 4, 5, 6], 2), np.repeat(np.arange(6), 2))
    assert six.basis == "mean of 12 complete runs, t interval"


def test_independent_days_are_not_widened_without_bound():
    """The price of allowing for days being alike, where they are not: two fifths at 14 days."""
    rng = np.random.default_rng(32)
    widths = {}
    for n in (14, 60):
        days = [series(rng, n, 0.0) for _ in range(400)]
        plain = np.array([mean_estimate(x, unit="kWh", basis="").spread for x in days])
        widths[n] = np.median([mean_of_days(x).spread for x in days] / plain)
    assert 1.1 < widths[14] < 1.45
    assert 1.0 < widths[60] < 1.12
