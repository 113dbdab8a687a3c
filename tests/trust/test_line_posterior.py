"""What pairs tell of a line whose scatter is not known."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.optimize import brentq
from scipy.stats import t as student_t

from homeenergy.stats.lines import line_posterior

LOADS = np.array([40.0, 90, 300, 700, 1500])


def drawn(rng, *, scatter=0.01, n=6, offset=0.0):
    x = rng.uniform(50, 1500, n)
    return x, (0.98 * x + offset) * (1 + rng.normal(0, scatter, n))


def fitted(x, y):
    """Weighted line with offset by NumPy: slope, offset and their standard uncertainties."""
    line, covariance = np.polyfit(x, y, 1, w=1 / y, cov=True)
    return *line, *np.sqrt(np.diag(covariance))


@pytest.mark.parametrize("n", [3, 4, 6, 12])
def test_where_nothing_is_known_beside_the_scatter_it_is_students(n):
    """Weighted regression by NumPy, Student's t by SciPy."""
    x, y = drawn(np.random.default_rng(n), n=n)
    found = line_posterior(x, y, known_u=0.0, scale=y)
    slope, offset, slope_u, offset_u = fitted(x, y)
    factor = student_t.ppf(0.975, n - 2)
    assert found.mean == pytest.approx([offset, slope], rel=1e-5)
    assert found.half(slope, slope=1.0) == pytest.approx(factor * slope_u, rel=1e-3)
    assert found.half(offset, offset=1.0) == pytest.approx(factor * offset_u, rel=5e-3)
    assert found.below(0.0) == pytest.approx(student_t.cdf(-offset / offset_u, n - 2), abs=0.01)


@pytest.mark.parametrize("n", [2, 3, 6, 50])
def test_through_the_origin_it_is_students_too(n):
    """Of pairs of equal relative scatter the slope is the mean of their ratios, nearly."""
    rng = np.random.default_rng(n)
    x = rng.uniform(50, 1500, n)
    ratio = 1 + rng.normal(0, 0.01, n)
    found = line_posterior(x, ratio * x, known_u=0.0, scale=x, low=0.0, high=0.0)
    half = student_t.ppf(0.975, n - 1) * ratio.std(ddof=1) / np.sqrt(n)
    assert found.mean == pytest.approx([0.0, ratio.mean()], rel=1e-9)
    assert found.half(ratio.mean(), slope=1.0) == pytest.approx(half, rel=1e-3)
    assert found.scatter == pytest.approx(ratio.std(ddof=1), rel=1e-5)


def by_brute_force(x, y, *, known_u, scale, low, high):
    """Density of scatter, offset and slope on a plain grid; offset and slope as columns."""
    log_scatter = np.linspace(np.log(1e-6), np.log(10), 120)
    offset = np.linspace(low, high, 101)
    slope = np.linspace(0.95, 1.03, 641)
    total = np.zeros((offset.size, slope.size))
    for s in np.exp(log_scatter):
        variance = known_u**2 + (s * scale) ** 2
        prior = np.sqrt(np.sum((s * scale) ** 4 / variance**2))
        off = y[:, None, None] - offset[:, None] - x[:, None, None] * slope
        square = (off**2 / variance[:, None, None]).sum(axis=0)
        total += prior * np.exp(-square / 2) / np.sqrt(variance).prod()
    total[[0, -1]] /= 2
    return offset, slope, total / total.sum()


def half_about(values, share, about):
    apart = np.abs(values - about)
    order = np.argsort(apart)
    return np.interp(0.95, np.cumsum(share[order]), apart[order])


@pytest.mark.parametrize("stated", [0.0, 0.7])
def test_rounding_scatter_and_a_limited_offset_against_a_plain_grid(stated):
    """Bayes' rule worked out without any algebra."""
    rng = np.random.default_rng(4)
    y = (0.99 * LOADS + 0.8 - stated) * (1 + rng.normal(0, 0.003, LOADS.size))
    known = {"known_u": np.full(5, 0.3), "scale": y, "low": -1.5 - stated, "high": 1.5 - stated}
    offset, slope, share = by_brute_force(LOADS, y, **known)
    found = line_posterior(LOADS, y, **known)
    expected = half_about(offset, share.sum(axis=1), 0.0)
    assert found.half(0.0, offset=1.0) == pytest.approx(expected, abs=0.03)
    expected = half_about(slope, share.sum(axis=0), 0.99)
    assert found.half(0.99, slope=1.0) == pytest.approx(expected, abs=1e-4)
    at_300 = (slope + offset[:, None] / 300).ravel()
    expected = half_about(at_300, share.ravel(), 0.99)
    assert found.half(0.99, slope=1.0, offset=1 / 300.0) == pytest.approx(expected, abs=1e-4)


def test_errors_beside_are_added_as_they_are_distributed():
    """Normal in squares; even by integration over its values."""
    x, y = drawn(np.random.default_rng(7), n=40)
    found = line_posterior(x, y, known_u=0.0, scale=y, low=0.0, high=0.0)
    about = found.mean[1]
    alone = found.half(about, slope=1.0)
    u = alone / student_t.ppf(0.975, 39)
    together = found.half(about, normal_u=2 * u, slope=1.0)
    assert together == pytest.approx(1.96 * np.sqrt(5) * u, rel=0.01)

    def short(half):
        inside = quad(lambda e: student_t.cdf((half - e) / u, 39), -4 * u, 4 * u)[0] / (8 * u)
        return inside - 0.975

    assert found.half(about, rectangular=4 * u, slope=1.0) == pytest.approx(
        brentq(short, 0, 9 * u), rel=1e-3
    )


@pytest.mark.parametrize("offset_u", [1e-7, 1e-3, 10.0])
def test_an_offset_is_known_at_any_scale(offset_u):
    """Far narrower than the limit the pairs tell; far wider, 95 % of an even distribution."""
    x = np.array([100.0, 200, 300, 400, 500])
    y = x + offset_u * np.array([0.3, -0.3, 0.2, -0.4, 0.2])
    found = line_posterior(x, y, known_u=offset_u, scale=y, low=-1.5, high=1.5)
    free = line_posterior(x, y, known_u=offset_u, scale=y)
    known = free.half(0.0, offset=1.0)
    assert found.half(0.0, offset=1.0) == pytest.approx(known if known < 0.5 else 1.425, rel=0.02)


def test_rounding_does_not_hide_all_scatter():
    """Exact pairs in whole watts: wider than rounding alone, and less than twice."""
    x = np.full(4, 1000.0)
    found = line_posterior(x, x, known_u=0.4, scale=x, low=0.0, high=0.0)
    alone = 1.96 * 0.4 / 1000 / 2
    assert 1.1 * alone < found.half(1.0, slope=1.0) < 2 * alone


@given(
    st.integers(0, 10_000),
    st.floats(0.01, 100),
    st.sampled_from([-1.0, 1.0]),
    st.permutations(range(5)),
)
@settings(max_examples=40)
def test_units_sign_and_order_do_not_matter(seed, unit, sign, order):
    rng = np.random.default_rng(seed)
    y = LOADS * (1 + rng.normal(0, 0.01, 5)) + rng.uniform(-1, 1)
    one = line_posterior(LOADS, y, known_u=0.3, scale=y, low=-2.0, high=2.0)
    x, z = sign * unit * LOADS[list(order)], unit * y[list(order)]
    two = line_posterior(x, z, known_u=0.3 * unit, scale=z, low=-2.0 * unit, high=2.0 * unit)
    assert two.mean == pytest.approx(one.mean * [unit, sign], rel=1e-5, abs=1e-5 * unit)
    assert two.half(sign, slope=1.0) == pytest.approx(one.half(1.0, slope=1.0), rel=2e-3)
    assert two.half(0.0, offset=1.0) == pytest.approx(unit * one.half(0.0, offset=1.0), rel=2e-3)


@pytest.mark.parametrize("scatter", [0.0005, 0.003, 0.02])
def test_intervals_hold_the_truth_as_often_as_they_say(scatter, draws):
    """600 sets of pairs at small and large loads, rounded, of any scatter."""
    rng = np.random.default_rng(11)
    held = []
    for _ in range(draws(600)):
        offset = rng.uniform(-1.5, 1.5)
        x = LOADS * rng.uniform(0.9, 1.1, 5)
        y = np.round((0.98 * x + offset) * (1 + rng.normal(0, scatter, 5)))
        found = line_posterior(x, y, known_u=0.29, scale=y, low=-1.5, high=1.5)
        slope = found.mean[1]
        held.append(
            (
                abs(slope - 0.98) <= found.half(slope, slope=1.0),
                abs(found.mean[0] - offset) <= found.half(found.mean[0], offset=1.0),
            )
        )
    draws.check(held, 0.92)


def test_too_few_pairs_are_refused():
    one = np.array([100.0])
    with pytest.raises(ValueError, match="1 pairs are too few for a line"):
        line_posterior(one, one, known_u=0.1, scale=one, low=0.0, high=0.0)
    two, same = np.array([100.0, 200.0]), np.full(5, 100.0)
    with pytest.raises(ValueError, match="2 pairs are too few for a line with an offset"):
        line_posterior(two, two, known_u=0.1, scale=two)
    with pytest.raises(ValueError, match="5 pairs are too few for a line with an offset"):
        line_posterior(same, same, known_u=0.1, scale=same)
