"""Half width of the interval of a normal error and one that is even within limits."""

import numpy as np
import pytest

from homeenergy.stats.estimate import joined_half


@pytest.mark.parametrize(("half", "limit"), [(0.1, 1.0), (1.0, 1.0), (1.0, 0.3), (2.0, 0.001)])
def test_against_sums_that_are_drawn(half, limit):
    rng = np.random.default_rng(7)
    n = 400_000
    drawn = rng.normal(0, half / 1.959964, n) + rng.uniform(-limit, limit, n)
    assert joined_half(half, limit) == pytest.approx(np.quantile(np.abs(drawn), 0.95), rel=0.01)


def test_several_limits_against_sums_that_are_drawn():
    rng = np.random.default_rng(8)
    n = 400_000
    drawn = rng.normal(0, 0.2 / 1.959964, n) + rng.uniform(-1, 1, n) + rng.uniform(-0.9, 0.9, n)
    drawn += rng.uniform(-0.3, 0.3, n)
    expected = np.quantile(np.abs(drawn), 0.95)
    assert joined_half(0.2, 0.9, 1.0, 0.3) == pytest.approx(expected, rel=0.03)
    assert joined_half(0.0, 1.0, 1.0) == pytest.approx(2 - 0.1**0.5 * 2**0.5, rel=0.05)


def test_the_ends():
    """Alone, 95 % of an even distribution; without limits, or without an end, what was given."""
    assert joined_half(0.0, 2.0) == pytest.approx(1.9)
    assert joined_half(1.3, 0.0) == 1.3
    assert joined_half(float("inf"), 1.0) == float("inf")
    assert np.isnan(joined_half(float("nan"), 1.0))
    assert joined_half(1.0, 1.0) < np.hypot(1.0, 1.959964 / np.sqrt(3))
