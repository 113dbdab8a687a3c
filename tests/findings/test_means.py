"""Means of runs and days whose neighbours are alike."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import f as f_distribution
from scipy.stats import f_oneway

from homeenergy.stats.coverage import coverage_factor
from homeenergy.stats.estimate import mean_estimate
from homeenergy.stats.means import mean_of_days, mean_of_runs, squares_of_parts, squares_of_runs
from tests.accuracy.alike_days import placed


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
def test_intervals_of_days_that_may_be_alike(n, with_parts, draws):
    """2000 means: half of them of days with nothing of their own, half of days with something.

    A fortnight cannot tell how alike its days are: both kinds together hold 95 % and up to 2 more.
    """
    rng = np.random.default_rng(31)
    holds = {True: [], False: []}
    for i in range(draws(2000)):
        alike = bool(i % 2)
        own = alike * rng.uniform(0.0, 1.5)
        parts = quarters(rng, n, own=own, r=rng.uniform(0, 0.9))
        found = mean_of_days(parts.mean(axis=1), parts=parts if with_parts else None)
        holds[alike].append(found.low <= 5 <= found.high)
    draws.check(holds[True] + holds[False], 0.94, 0.98)
    draws.check(holds[True], 0.9, 0.99)
    draws.check(holds[False], 0.9, 0.995)  # the price of the others
    assert np.mean(holds[True]) < np.mean(holds[False])


def test_runs_of_a_day_count_as_one_where_they_are_alike():
    """Seven days of three runs: each day all its runs are off by the same."""
    off = np.array([0.3, -0.3, 0.2, -0.2, 0.1, -0.1, 0.0])
    found = mean_of_runs(np.repeat(1 + off, 3), np.repeat(np.arange(7), 3))
    more = mean_of_runs(np.repeat(1 + off, 9), np.repeat(np.arange(7), 9))
    t_6 = 2.446912  # 97.5 % point of Student's t with 6 degrees of freedom, from tables
    half = t_6 * np.sqrt(7 / 6 * np.sum((3 * off) ** 2)) / 21
    assert found.value == pytest.approx(1)
    assert found.high - 1 >= half
    assert (more.low, more.high) == pytest.approx((found.low, found.high), rel=0.025)
    assert (found.n, more.n) == (21, 63)


def test_one_run_a_day_is_a_mean_of_days():
    kwh = 1 + np.array([0.3, -0.3, 0.2, -0.2, 0.1, -0.1, 0.0])
    of_days, found = mean_of_days(kwh), mean_of_runs(kwh, np.arange(7) * 2)
    assert (found.low, found.high) == pytest.approx((of_days.low, of_days.high))


def test_few_days_or_runs():
    assert np.isinf(mean_of_runs(np.array([1.0]), np.array([3])).high)
    assert mean_of_runs(np.array([1.0]), np.array([3])).basis == "one complete run shows no spread"
    assert np.isnan(mean_of_runs(np.empty(0), np.empty(0, np.int64)).value)
    six = mean_of_runs(np.repeat([1.0, 2, 3, 4, 5, 6], 2), np.repeat(np.arange(6), 2))
    assert six.basis == "mean of 12 complete runs on 6 days, t interval from the spread of days"


def test_days_of_a_week_are_not_relied_on_to_be_independent(draws):
    """Half of what days differ by lasts, with a correlation of 0.6: Student's t holds 83 %."""
    rng = np.random.default_rng(33)
    held = []
    for _ in range(draws(1000)):
        level = rng.normal(size=7)
        for k in range(1, 7):
            level[k] = 0.6 * level[k - 1] + 0.8 * level[k]
        found = mean_of_days(5 + level + rng.normal(size=7))
        held.append(found.low <= 5 <= found.high)
    draws.check(held, 0.95)


def test_independent_days_are_not_widened_without_bound(draws):
    """The price of allowing for days being alike, where they are not: two fifths at 14 days, a
    tenth at 60. That their parts have nothing in common saves little of it: what changes slowly
    shows in no spread between so few days."""
    rng = np.random.default_rng(32)
    widths = {}
    for n in (14, 60):
        days = [quarters(rng, n, own=0, r=0) for _ in range(draws(400))]
        plain = [mean_estimate(x.mean(axis=1), unit="kWh", basis="").spread for x in days]
        alone = [mean_of_days(x.mean(axis=1)).spread for x in days]
        told = [mean_of_days(x.mean(axis=1), parts=x).spread for x in days]
        widths[n] = np.median(np.divide([alone, told], plain), axis=1)
    assert 1.3 < widths[14][1] < widths[14][0] < 1.5
    assert 1.05 < widths[60][1] < widths[60][0] < 1.16


def eight_runs_a_day(rng, *, days_sd):
    """14 days; each run scatters by 1 about a mean of its day, which is like the day before."""
    day = np.repeat(np.arange(14), 8)
    return 5 + days_sd * (series(rng, 14, 0.6) - 5)[day] + rng.normal(size=day.size), day


@pytest.mark.parametrize(
    ("days_sd", "least", "most", "wider"), [(0.0, 0.95, 0.99, 1.4), (0.8, 0.925, 0.975, 3.5)]
)
def test_runs_of_a_day_tell_whether_days_are_alike(days_sd, least, most, wider, draws):
    """1000 means each. Where days have nothing of their own, a third wider than Student's t."""
    rng = np.random.default_rng(33)
    drawn = [eight_runs_a_day(rng, days_sd=days_sd) for _ in range(draws(1000))]
    found = [mean_of_runs(kwh, day) for kwh, day in drawn]
    draws.check([m.low <= 5 <= m.high for m in found], least, most)
    plain = [
        mean_estimate(kwh.reshape(14, 8).mean(axis=1), unit="kWh", basis="").spread
        for kwh, _ in drawn
    ]
    ratio = np.median([m.spread for m in found] / np.array(plain))
    assert (ratio < wider) if days_sd == 0 else (1.5 < ratio < wider)


def test_squares_of_runs_are_those_of_the_analysis_of_variance():
    """F against SciPy's one-way analysis of variance, with days of unlike numbers of runs."""
    rng = np.random.default_rng(34)
    at = np.repeat(np.arange(9), [2, 5, 3, 4, 2, 6, 3, 2, 4])
    kwh = rng.normal(size=at.size) + 0.5 * at
    s = squares_of_runs(kwh, at)
    wanted = f_oneway(*[kwh[at == day] for day in range(9)]).statistic
    f = s.between / s.between_freedom / (s.within / s.within_freedom)
    assert f == pytest.approx(wanted, rel=1e-12)
    few = np.r_[np.arange(14), 0, 1]  # two days of two runs cannot tell
    assert squares_of_runs(np.arange(16.0), few) is None


def test_squares_of_parts_leave_out_what_each_part_has_every_day():
    """A two-way analysis of variance as a regression on days and parts, by least squares."""
    rng = np.random.default_rng(35)
    parts = quarters(rng, 14, own=0.8, r=0.5)
    parts /= parts.std(axis=0, ddof=1)  # all carry as much
    day, part = (x.ravel() for x in np.indices(parts.shape))
    columns = [(part == p) * 1.0 for p in range(4)]
    of_parts = np.linalg.lstsq(np.array(columns).T, parts.ravel(), rcond=None)[1][0]
    columns += [(day == d) * 1.0 for d in range(1, 14)]
    left = np.linalg.lstsq(np.array(columns).T, parts.ravel(), rcond=None)[1][0]
    s = squares_of_parts(parts)
    assert s.between / s.within == pytest.approx((of_parts - left) / left)
    assert (s.between_freedom, s.within_freedom) == pytest.approx((13, 39))
    holed = np.vstack([parts, [np.nan, 1, 1, 1]])
    assert squares_of_parts(holed) == s


def test_days_that_share_one_use_out_are_not_taken_for_independent():
    """One use each day in some quarter: days do not differ, which says no more than F = 1."""
    one_use = np.eye(4)[np.random.default_rng(36).integers(0, 4, 14)]
    s = squares_of_parts(one_use)
    assert s.between / s.between_freedom == pytest.approx(s.within / s.within_freedom)


def test_parts_that_carry_little_hardly_count():
    """Two of four quarters at rest: the textbook analysis of the other two."""
    rng = np.random.default_rng(38)
    two = quarters(rng, 14, own=0.8, r=0.5)[:, :2]
    two /= two.std(axis=0, ddof=1)
    alone = squares_of_parts(two)
    at_rest = squares_of_parts(np.hstack([two, 1e-9 * rng.normal(size=(14, 2))]))
    assert at_rest == pytest.approx(alone, rel=1e-6)
    assert alone.within_freedom == pytest.approx(13)
    evening = np.hstack([two[:, :1], 0.2 * rng.normal(size=(14, 3))])
    assert squares_of_parts(evening) is None


@pytest.mark.parametrize(("where", "least"), [("evening", 0.79), ("hidden", 0.70)])
def test_a_part_of_the_day_that_carries_the_habits_is_not_read_as_independence(where, least, draws):
    """700 fortnights with a lasting part of their own, four fifths of the variance of days.

    Without quarters 82 % of the intervals hold the mean; read as proof, quarters left 64 %.
    """
    rng = np.random.default_rng(39)
    held = []
    for _ in range(draws(700)):
        parts = placed(rng, where, days=14, own=0.5, r=0.8)
        found = mean_of_days(parts.mean(axis=1), parts=parts)
        held.append(found.low <= 5 <= found.high)
    draws.check(held, least)


def test_few_days_or_days_without_spread_say_nothing_of_their_parts():
    rng = np.random.default_rng(37)
    assert squares_of_parts(rng.normal(size=(6, 4))) is None
    assert squares_of_parts(np.ones((14, 4))) is None
    assert squares_of_parts(np.full((14, 4), np.nan)) is None


def test_what_parts_tell_of_the_days_own_share():
    """Against SciPy's densities of F, 1 / (1 - s) times as large with a share s of days in any
    order."""
    from homeenergy.stats.means import _SHARES, Squares, _log_fit_of_noise

    squares = Squares(30.0, 20.0, 13, 39)
    f = (30 / 13) / (20 / 39)
    wanted = (1 - _SHARES) * f_distribution.pdf((1 - _SHARES) * f, 13, 39)
    ratio = np.exp(_log_fit_of_noise(squares, np.ones(_SHARES.size))) / wanted
    assert ratio == pytest.approx(ratio[0], rel=1e-9)
    same = Squares(30.0, 0.0, 13, 39)  # parts of a day are the same
    alike = _log_fit_of_noise(same, np.ones(_SHARES.size))
    assert alike.argmax() == _SHARES.argmax()
    assert np.isfinite(alike).all()


@given(
    scale=st.floats(1e-9, 1e6),
    shift=st.floats(-3, 3),
    days=st.integers(7, 40),
    seed=st.integers(0, 10_000),
)
@settings(max_examples=60)
def test_units_and_a_constant_draw_change_nothing_else(scale, shift, days, seed):
    """An interval goes with its unit, and a steady draw only moves it."""
    rng = np.random.default_rng(seed)
    parts = quarters(rng, days, own=rng.uniform(0, 1), r=rng.uniform(0, 0.9))
    plain = mean_of_days(parts.mean(axis=1), parts=parts)
    moved = (parts + shift) * scale
    found = mean_of_days(moved.mean(axis=1), parts=moved)
    assert found.value == pytest.approx((plain.value + shift) * scale, rel=1e-9)
    assert found.high - found.low == pytest.approx(scale * (plain.high - plain.low), rel=1e-5)


def test_weekends_that_differ_do_not_scatter():
    """By hand: 4 weeks, 2 kWh on weekdays, 3.4 at weekends, and noise of 0.3 kWh each day."""
    weekend = np.arange(28) % 7 > 4
    off = np.random.default_rng(5).normal(size=28)
    for some in (weekend, ~weekend):  # noise that is exactly as large as is said, in each
        off[some] -= off[some].mean()
    off *= 0.3 * np.sqrt(26 / (off @ off))
    kwh = np.where(weekend, 3.4, 2.0) + off
    told, blind = mean_of_days(kwh, weekend=weekend), mean_of_days(kwh)
    of_noise = coverage_factor(26) * 0.3 / np.sqrt(28)
    assert told.value == blind.value == pytest.approx(2.4)
    assert of_noise < told.spread < 1.5 * of_noise
    assert blind.spread > 2 * told.spread


def test_weekends_alike_change_little():
    weekend = np.arange(28) % 7 > 4
    ratios = []
    for seed in range(20):
        kwh = np.random.default_rng(seed).normal(size=28)
        ratios.append(mean_of_days(kwh, weekend=weekend).spread / mean_of_days(kwh).spread)
    assert np.median(ratios) == pytest.approx(1, abs=0.05)
    assert max(ratios) < 1.2


def test_only_weekends_are_days_as_any():
    kwh = np.random.default_rng(3).normal(size=8)
    every = mean_of_days(kwh, weekend=np.ones(8, bool))
    assert every.spread == mean_of_days(kwh).spread


@given(days=st.integers(7, 30), seed=st.integers(0, 10_000))
@settings(max_examples=60)
def test_never_narrower_than_independent_days_and_never_without_end(days, seed):
    rng = np.random.default_rng(seed)
    kwh = rng.choice([0.0, 0.0, 1.0, 40.0], size=days) + rng.uniform(0, 1e-3, days)
    found = mean_of_days(kwh)
    plain = mean_estimate(kwh, unit="kWh", basis="")
    assert plain.spread * (1 - 1e-9) <= found.spread < 8 * plain.spread
