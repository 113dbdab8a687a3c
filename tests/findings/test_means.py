"""Means of runs and days whose neighbours are alike."""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import f as f_distribution

from homeenergy.estimate import mean_estimate
from homeenergy.findings.means import days_unlike, mean_of_days, mean_of_runs, parts_unlike


def series(rng, n, r):
    """First-order autoregression about 5, in its stationary state, with a variance of 1."""
    x = np.empty(n)
    x[0] = rng.normal()
    for i in range(1, n):
        x[i] = r * x[i - 1] + np.sqrt(1 - r * r) * rng.normal()
    return 5 + x


def quarters(rng, n, *, own, r):
    """Four parts of n days that scatter by 1; the days' own part is like the day before."""
    habit = np.array([-1.0, 0, 2, 1])
    return own * (series(rng, n, r) - 5)[:, None] + habit + rng.normal(size=(n, 4)) + 4.5


@pytest.mark.parametrize("n", [14, 60])
@pytest.mark.parametrize("with_parts", [False, True])
def test_intervals_of_days_that_may_be_alike(n, with_parts):
    """2000 means: days have nothing of their own or something, the one as often as the other.

    A fortnight cannot tell how alike its days are; 95 % is what the two kinds hold together.
    """
    rng = np.random.default_rng(31)
    holds = {True: [], False: []}
    for i in range(2000):
        alike = bool(i % 2)
        own = alike * rng.uniform(0.0, 1.5)
        parts = quarters(rng, n, own=own, r=rng.uniform(0, 0.9))
        found = mean_of_days(parts.mean(axis=1), parts=parts if with_parts else None)
        holds[alike].append(found.low <= 5 <= found.high)
    alike, unlike = np.mean(holds[True]), np.mean(holds[False])
    assert 0.94 <= (alike + unlike) / 2 <= 0.97
    assert 0.9 < alike < unlike < 0.99


def test_runs_of_a_day_count_as_one_where_they_are_alike():
    """Seven days of three runs: each day all its runs are off by the same."""
    off = np.array([0.3, -0.3, 0.2, -0.2, 0.1, -0.1, 0.0])
    found = mean_of_runs(np.repeat(1 + off, 3), np.repeat(np.arange(7), 3))
    more = mean_of_runs(np.repeat(1 + off, 9), np.repeat(np.arange(7), 9))
    t_6 = 2.446912  # 97.5 % point of Student's t with 6 degrees of freedom, from tables
    half = t_6 * np.sqrt(7 / 6 * np.sum((3 * off) ** 2)) / 21
    assert found.value == pytest.approx(1)
    assert found.high - 1 >= half
    assert (more.low, more.high) == pytest.approx((found.low, found.high), rel=1e-6)
    assert (found.n, more.n) == (21, 63)


def test_one_run_a_day_is_a_mean_of_days():
    kwh = 1 + np.array([0.3, -0.3, 0.2, -0.2, 0.1, -0.1, 0.0])
    of_days, found = mean_of_days(kwh), mean_of_runs(kwh, np.arange(7) * 2)
    assert (found.low, found.high) == pytest.approx((of_days.low, of_days.high))


def test_few_days_or_runs():
    assert np.isinf(mean_of_runs(np.array([1.0]), np.array([3])).high)
    assert mean_of_runs(np.array([1.0]), np.array([3])).basis == "one complete run tells no spread"
    assert np.isnan(mean_of_runs(np.empty(0), np.empty(0, np.int64)).value)
    six = mean_of_runs(np.repeat([1.0, 2, 3, 4, 5, 6], 2), np.repeat(np.arange(6), 2))
    assert six.basis == "mean of 12 complete runs, t interval"


def test_independent_days_are_not_widened_without_bound():
    """The price of allowing for days being alike, where they are not, at 14 days: a quarter, and
    less where their parts have nothing in common."""
    rng = np.random.default_rng(32)
    widths = {}
    for n in (14, 60):
        days = [quarters(rng, n, own=0, r=0) for _ in range(400)]
        plain = [mean_estimate(x.mean(axis=1), unit="kWh", basis="").spread for x in days]
        alone = [mean_of_days(x.mean(axis=1)).spread for x in days]
        told = [mean_of_days(x.mean(axis=1), parts=x).spread for x in days]
        widths[n] = np.median(np.divide([alone, told], plain), axis=1)
    assert 1.1 < widths[14][1] < 1.2 < widths[14][0] < 1.3
    assert 1.0 < widths[60][1] < widths[60][0] < 1.12


def eight_runs_a_day(rng, *, days_sd):
    """14 days; each run scatters by 1 about a mean of its day, which is like the day before."""
    day = np.repeat(np.arange(14), 8)
    return 5 + days_sd * (series(rng, 14, 0.6) - 5)[day] + rng.normal(size=day.size), day


@pytest.mark.parametrize(
    ("days_sd", "least", "most", "wider"), [(0.0, 0.94, 0.98, 1.15), (0.8, 0.925, 0.975, 3.5)]
)
def test_runs_of_a_day_tell_whether_days_are_alike(days_sd, least, most, wider):
    """1000 means each. Where days have nothing of their own, hardly wider than plain Student's t;
    one value a day cannot tell that (two fifths, see above)."""
    rng = np.random.default_rng(33)
    drawn = [eight_runs_a_day(rng, days_sd=days_sd) for _ in range(1000)]
    found = [mean_of_runs(kwh, day) for kwh, day in drawn]
    assert least <= np.mean([m.low <= 5 <= m.high for m in found]) <= most
    plain = [
        mean_estimate(kwh.reshape(14, 8).mean(axis=1), unit="kWh", basis="").spread
        for kwh, _ in drawn
    ]
    ratio = np.median([m.spread for m in found] / np.array(plain))
    assert (ratio < wider) if days_sd == 0 else (1.5 < ratio < wider)


def test_probability_that_days_are_unlike():
    """Against the two densities of F, the second integrated numerically over all shares of runs."""
    rng = np.random.default_rng(34)
    for days_sd in (0.0, 0.3, 0.6):
        kwh, day = eight_runs_a_day(rng, days_sd=days_sd)
        by_day = kwh.reshape(14, 8)
        f = 8 * by_day.mean(axis=1).var(ddof=1) / by_day.var(axis=1, ddof=1).mean()
        none = f_distribution.pdf(f, 13, 98)
        some = quad(lambda s, f=f: s * f_distribution.pdf(s * f, 13, 98), 0, 1)[0]
        assert days_unlike(kwh, day) == pytest.approx(none / (none + some), rel=1e-6)


def test_probability_that_days_are_unlike_at_its_ends():
    day = np.repeat(np.arange(14), 3)
    assert days_unlike(day * 1.0, day) == pytest.approx(0, abs=1e-9)
    assert 0.85 < days_unlike(np.tile([1.0, 2, 3], 14), day) < 1
    year = np.repeat(np.arange(365), 3)
    assert days_unlike(np.tile([1.0, 2, 3], 365), year) == 1
    few = np.r_[np.arange(14), 0, 1]  # two days of two runs cannot tell
    assert days_unlike(np.arange(16.0), few) == 0.5


def test_probability_that_parts_of_a_day_are_unlike():
    """Against the densities of F in a two-way analysis of variance, made with effects removed."""
    rng = np.random.default_rng(35)
    parts = quarters(rng, 14, own=0.8, r=0.5)
    rest = parts - parts.mean(axis=0) - parts.mean(axis=1, keepdims=True) + parts.mean()
    f = 4 * parts.mean(axis=1).var(ddof=1) / (np.sum(rest**2) / 39)
    none = f_distribution.pdf(f, 13, 39)
    some = quad(lambda s: s * f_distribution.pdf(s * f, 13, 39), 0, 1)[0]
    assert f > 1
    assert parts_unlike(parts) == pytest.approx(none / (none + some), rel=1e-6)
    holed = np.vstack([parts, [np.nan, 1, 1, 1]])
    assert parts_unlike(holed) == parts_unlike(parts)


def test_days_that_share_one_use_out_are_not_taken_for_independent():
    """One use each day in some quarter: days do not differ, which says nothing of F below 1."""
    rng = np.random.default_rng(36)
    one_use = np.eye(4)[rng.integers(0, 4, 14)]
    usual = np.tile([[1.0, 0, 0, 0], [0, 1, 0, 0], [0, 0, 1, 0], [0, 0, 0, 1]], (4, 1))[:14]
    assert 0.5 < parts_unlike(one_use) < 0.8
    assert parts_unlike(one_use) == pytest.approx(parts_unlike(usual))


def test_few_days_or_days_without_spread_say_nothing_of_their_parts():
    rng = np.random.default_rng(37)
    assert parts_unlike(rng.normal(size=(6, 4))) == 0.5
    assert parts_unlike(np.ones((14, 4))) == 0.5
    assert parts_unlike(np.full((14, 4), np.nan)) == 0.5
