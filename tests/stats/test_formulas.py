"""Formulas of shared/methods.md, worked out plainly from their text, against the code."""

import math

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.stats import chi2
from scipy.stats import t as student_t

from homeenergy.findings.loads.idle import NONE_SEEN
from homeenergy.stats.estimate import decimals
from homeenergy.stats.means import mean_of_days, mean_of_runs

CELLS = 48  # on each axis of share and correlation; the code has 20


def half_width_of_mixture(days, *, within=None, cells=CELLS):
    """Half-width of a mean of days by matrices, for every share and correlation (section 3)."""
    n = days.size
    far = np.abs(np.subtract.outer(np.arange(n), np.arange(n)))
    middles = (np.arange(cells) + 0.5) / cells
    spike = 0.5 if n >= 14 else 1 / (1 + cells**2)  # under two weeks, no weight of its own
    pairs = [(0.0, 0.0, spike)]
    for s in middles:
        pairs += [(s, np.sin(m * np.arcsin(0.98)), (1 - spike) / cells**2) for m in middles]
    log_weight, centre, scale = [], [], []
    one = np.ones(n)
    for s, r, prior in pairs:
        v = (1 - s) * np.eye(n) + s * r**far
        inverse = np.linalg.inv(v)
        precision = one @ inverse @ one
        m = one @ inverse @ days / precision
        q = (days - m) @ inverse @ (days - m)
        log = np.log(prior) - 0.5 * np.linalg.slogdet(v)[1] - 0.5 * np.log(precision)
        log -= 0.5 * (n - 1) * np.log(q)
        if within is not None:
            ratio, a, b = within
            noise = (1 - s) * q / np.sum((days - days.mean()) ** 2)
            log += a * np.log(noise) - (a + b) * np.log1p(noise * ratio)
        log_weight.append(log)
        centre.append(m - days.mean())
        scale.append(np.sqrt(q / (n - 1) / precision))
    weight = np.exp(np.array(log_weight) - max(log_weight))
    weight, centre, scale = weight / weight.sum(), np.array(centre), np.array(scale)

    def short(half):
        upper = student_t.cdf((half - centre) / scale, n - 1)
        lower = student_t.cdf((-half - centre) / scale, n - 1)
        return float(weight @ (upper - lower)) - 0.95

    plain = student_t.ppf(0.975, n - 1) * days.std(ddof=1) / np.sqrt(n)
    return max(plain, brentq(short, 1e-6 * plain, 50 * plain))


@pytest.mark.parametrize(("n", "r"), [(10, 0.0), (14, 0.8), (30, 0.5)])
def test_mean_of_autocorrelated_days(n, r):
    rng = np.random.default_rng(n)
    days = rng.normal(8.0, 1.0, n)
    for i in range(1, n):
        days[i] = 8 + r * (days[i - 1] - 8) + np.sqrt(1 - r**2) * (days[i] - 8)
    found = mean_of_days(days)
    assert found.value == pytest.approx(days.mean())
    assert (found.high - found.low) / 2 == pytest.approx(half_width_of_mixture(days), rel=0.01)


def test_half_a_year_on_and_half_a_year_off_has_an_interval():
    """Days so far from independent that their likelihood vanishes beside that of others."""
    found = mean_of_days(np.repeat([1.0, 0.0], [183, 182]))
    assert found.value == pytest.approx(183 / 365)
    assert found.high - found.low > 2 * (2 * 1.96 * 0.5 / math.sqrt(365))


def test_mean_of_runs_of_correlated_days():
    """The day is the unit; the F of runs between and within days adds to the weight of a share."""
    rng = np.random.default_rng(3)
    level = np.repeat(rng.normal(0, 0.2, 5), 4)  # of four days each
    day = np.repeat(np.arange(20), 3)
    runs = 1.0 + level[day] + rng.normal(0, 0.1, day.size)
    of_day = runs.reshape(20, 3)
    between = 3 * np.sum((of_day.mean(axis=1) - runs.mean()) ** 2)
    within = np.sum((of_day - of_day.mean(axis=1, keepdims=True)) ** 2)
    sums = (of_day - runs.mean()).sum(axis=1)
    found = mean_of_runs(runs, day)
    for cells, rel in ((20, 1e-6), (CELLS, 0.08)):  # where F is large, few cells hold the weight
        half = half_width_of_mixture(sums, within=(between / within, 19 / 2, 20), cells=cells)
        assert (found.high - found.low) / 2 == pytest.approx(half * 20 / 60, rel=rel)


def test_upper_end_where_nothing_happened_is_that_of_poisson():
    """Two-sided: half the 0.975 quantile of chi-squared with two degrees of freedom."""
    none_seen = chi2.ppf(0.975, 2) / 2
    assert none_seen == pytest.approx(NONE_SEEN)


@pytest.mark.parametrize(
    ("value", "half", "unit", "places"),
    [
        (908.83, 0.9, "W", 0),
        (95.31, 0.12, "W", 1),
        (2.304, 0.061, "W", 2),
        (0.4312, 0.0004, "W", 2),
        (908.83, 0.9, "kWh", 2),
        (908.83, 30.0, "W", 0),
        (math.nan, math.nan, "W", 0),
    ],
)
def test_watts_have_three_digits_at_most(value, half, unit, places):
    assert decimals(value - half, value + half, value=value, unit=unit) == places
