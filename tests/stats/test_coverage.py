"""Half-widths that hold a share of a distribution, against draws and numerical convolution."""

from math import inf, nan

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm
from scipy.stats import t as student_t

from homeenergy.stats.coverage import (
    NORMAL,
    coverage_factor,
    half_of_sum,
    half_width,
    normal_and_rectangular,
)


@pytest.mark.parametrize(("half", "limit"), [(0.1, 1.0), (1.0, 1.0), (1.0, 0.3), (2.0, 0.001)])
def test_against_a_numerical_convolution(half, limit):
    """The density of a sum is the integral of the product of both (JCGM 100:2008, G.1.4)."""
    u, found = half / NORMAL, half_of_sum(half, limit)
    share = quad(lambda at: norm.cdf((found - at) / u) - norm.cdf((-found - at) / u), -limit, limit)
    assert share[0] / (2 * limit) == pytest.approx(0.95, abs=1e-9)


@pytest.mark.parametrize("limits", [(0.9, 1.0, 0.3), (1.0, 1.0)])
def test_several_limits_against_draws(limits):
    """JCGM 101:2008, 7: propagation of distributions by Monte Carlo, and the central limit."""
    rng = np.random.default_rng(8)
    drawn = rng.normal(0, 0.2 / NORMAL, 400_000)
    drawn += sum(rng.uniform(-limit, limit, drawn.size) for limit in limits)
    assert half_of_sum(0.2, *limits) == pytest.approx(np.quantile(np.abs(drawn), 0.95), rel=0.03)


def test_the_ends():
    """Alone, 95 % of a rectangular distribution; without limits, what was given."""
    assert half_of_sum(0.0, 2.0) == pytest.approx(1.9)
    assert half_of_sum(0.0, 2.0, level=0.5) == pytest.approx(1.0)
    assert half_of_sum(1.3) == half_of_sum(1.3, 0.0) == 1.3
    assert half_of_sum(inf, 1.0) == half_of_sum(1.0, inf) == inf
    assert np.isnan(half_of_sum(nan, 1.0))
    assert half_of_sum(1.0, 1.0) < np.hypot(1.0, NORMAL / np.sqrt(3))


def test_narrow_limits_count_by_their_variance():
    wide = half_of_sum(1.0, 1e-2)
    assert wide == pytest.approx(np.hypot(1.0, NORMAL * 1e-2 / np.sqrt(3)), rel=1e-8)
    both = [half_of_sum(NORMAL, limit) for limit in (0.9999e-3, 1.0001e-3)]
    assert both[0] < both[1]
    assert both[0] == pytest.approx(both[1], rel=1e-9)


def test_factors():
    """JCGM 100:2008, table G.2."""
    assert coverage_factor() == pytest.approx(1.96, abs=0.001)
    assert coverage_factor(5) == pytest.approx(2.57, abs=0.005)
    assert coverage_factor(16, level=0.99) == pytest.approx(2.92, abs=0.005)
    assert coverage_factor(7.4) == pytest.approx(student_t.ppf(0.975, 7.4), rel=1e-12)


def test_a_half_width_about_another_point_than_the_middle():
    half = half_width(lambda h: norm.cdf(h - 0.5) - norm.cdf(-h - 0.5), most=10.0)
    assert norm.cdf(half - 0.5) - norm.cdf(-half - 0.5) == pytest.approx(0.95, abs=1e-12)


def test_the_distribution_function_of_arrays():
    x = np.linspace(-3, 3, 7)
    np.testing.assert_allclose(normal_and_rectangular(x, u=1.0), norm.cdf(x))
    both = normal_and_rectangular(x, u=np.full(7, 0.5), limit=1.0)
    expected = [quad(lambda at, x=x: norm.cdf((x - at) / 0.5) / 2, -1, 1)[0] for x in x]
    np.testing.assert_allclose(both, expected, atol=1e-10)
