"""Comparisons: the right method, intervals that hold, plain words, and refusals."""

import numpy as np
import pytest

from homeenergy.errors import HouseError
from homeenergy.findings import compare
from homeenergy.findings.comparison.comparison import Worth
from homeenergy.findings.comparison.times import holm
from homeenergy.house.clamp_errors import ClampErrors
from homeenergy.stats.differences import runs_needed, two_means
from homeenergy.stats.means import mean_of_days

COTTON, QUICK = [0.81, 0.78, 0.85, 0.80], [0.31, 0.29, 0.34, 0.30]


def test_the_sentence_says_how_much_more_and_what_it_is_worth():
    worth = Worth(currency="USD", price_per_kwh=0.15)
    found = compare(COTTON, QUICK, names=("cotton", "quick"), worth=worth, weekly=5)
    assert found.differs
    # By hand: 0.5 kWh x 0.15 x 5 x 365 / 7.
    assert found.cost_per_year.value == pytest.approx(19.55, abs=0.01)
    assert found.sentence == (
        "cotton uses 0.500 kWh more per run than quick (0.454 to 0.546), "
        "19.6 USD a year at 5 runs a week (17.8 to 21.3)."
    )
    turned = compare(QUICK, COTTON, names=("quick", "cotton, white"), worth=worth, weekly=5)
    assert turned.sentence == (
        "quick uses 0.500 kWh less per run than cotton, white (0.454 to 0.546), "
        "19.6 USD a year at 5 runs a week (17.8 to 21.3)."
    )
    assert turned.difference.value == -found.difference.value
    assert turned.ratio.low == pytest.approx(1 / found.ratio.high)


def test_no_difference_is_said_to_be_none_and_how_many_runs_would_show_one():
    a, b = [0.81, 0.48, 0.85, 0.80], [0.31, 0.99, 0.34, 0.90]
    found = compare(a, b, names=("cotton", "quick"))
    assert not found.differs
    spread = np.sqrt((np.var(a, ddof=1) + np.var(b, ddof=1)) / 2)
    assert found.needed == runs_needed(0.1 * np.mean(b), spread)
    assert found.sentence.startswith("cotton and quick: no significant difference")
    assert "about 310 more runs of each would be needed to detect one of 10 %" in found.sentence
    assert found.needed - 4 == pytest.approx(310, abs=10)


def test_where_many_runs_show_nothing_a_difference_would_have_shown():
    rng = np.random.default_rng(1)
    a, b = rng.normal(0.5, 0.02, 80), rng.normal(0.5, 0.02, 80)
    assert "one of 10 % would very likely have shown." in compare(a, b).sentence


@pytest.mark.parametrize(
    ("day_a", "day_b", "method"),
    [
        (None, None, "values taken as independent"),
        (range(0, 40, 2), range(1, 41, 2), "Welch"),
        (range(20), range(20), "mean of the differences of 20 days"),
        (np.arange(20) // 2, 10 + np.arange(20) // 2, "studentised bootstrap over days"),
        (np.arange(20) // 5, np.arange(20) // 5, "t interval from the spread of days"),
        (np.arange(20) // 10, np.arange(20) // 10, "runs taken as independent, being on so few"),
    ],
)
def test_the_method_follows_the_days_and_is_recorded(day_a, day_b, method):
    rng = np.random.default_rng(3)
    a, b = rng.normal(1, 0.1, 20), rng.normal(0.9, 0.1, 20)
    given = {} if day_a is None else {"day_a": list(day_a), "day_b": list(day_b)}
    assert method in compare(a, b, **given).method


def test_what_both_sides_share_on_a_day_cancels():
    """Guests raise both loads; day by day the difference stays."""
    rng = np.random.default_rng(4)
    guests = rng.normal(0, 1, 30)
    a, b = 5 + guests + rng.normal(0, 0.1, 30), 4.9 + guests + rng.normal(0, 0.1, 30)
    by_day = compare(a, b, day_a=range(30), day_b=range(30), per="day")
    alone = compare(a, b, per="day")
    assert by_day.differs
    assert not alone.differs
    assert by_day.difference.spread < alone.difference.spread / 4
    # The ratio gains as much.
    width = by_day.ratio.high - by_day.ratio.low
    assert width < (alone.ratio.high - alone.ratio.low) / 4


def clamps(a, b, *, same=False):
    """Two clamps known to such shares, or one."""
    names = ("washer", "washer" if same else "dryer")
    return tuple(ClampErrors(name=n, uncertainty=u) for n, u in zip(names, (a, b), strict=True))


def test_the_same_clamp_cancels_in_the_ratio_and_stays_apart_in_the_difference():
    plain = compare(COTTON, QUICK)
    same = compare(COTTON, QUICK, clamps=clamps(0.04, 0.04, same=True))
    assert same.ratio.high == plain.ratio.high
    assert same.difference.systematic == pytest.approx(0.04 * 0.5)
    assert same.difference.spread == pytest.approx(plain.difference.spread)
    two = compare(COTTON, QUICK, clamps=clamps(0.04, 0.03))
    assert two.ratio.systematic == pytest.approx(0.05 * two.ratio.value)
    assert two.difference.systematic == pytest.approx(np.hypot(0.04 * 0.81, 0.03 * 0.31), rel=1e-3)
    assert not two.remarks
    (remark,) = compare(COTTON, QUICK, clamps=clamps(0.04, None)).remarks
    assert "not stated" in remark


def test_a_difference_within_the_error_of_two_clamps_is_none():
    a, b = [1.000, 1.001, 0.999, 1.0005], [0.985, 0.986, 0.984, 0.9855]
    assert compare(a, b).differs
    assert "alone" not in compare(a, b).to_markdown()
    found = compare(a, b, clamps=clamps(0.02, 0.02))
    assert not found.differs
    # However small p is, it knows nothing of clamps.
    assert "by their spread alone, without what the clamps may be off" in found.to_markdown()


def test_runs_that_cost_more_for_their_hours_are_priced_as_they_were_paid():
    worth = Worth(currency="EUR", a=(0.1, 0.1, 0.11, 0.1), b=(0.2, 0.2, 0.21, 0.2))
    found = compare(COTTON, QUICK, names=("cotton", "quick"), worth=worth, weekly=7)
    assert found.cost_per_year.value == pytest.approx(-0.1 * 365)
    assert "EUR a year the other way, as its hours are more expensive or cheaper," in found.sentence


def test_values_that_are_missing_are_left_out():
    found = compare([*COTTON, np.nan], QUICK, day_a=[1, 3, 5, 7, 9], day_b=[2, 4, 6, 8])
    assert found.a.n == 4


def test_too_few_values_or_days_for_them_are_refused():
    with pytest.raises(HouseError, match=r"cotton: 2 runs with readings; .* at least 3"):
        compare(COTTON[:2], QUICK, names=("cotton", "quick"))
    with pytest.raises(ValueError, match="4 values but 2 days"):
        compare(COTTON, QUICK, day_a=[1, 2], day_b=[1, 2, 3, 4])
    with pytest.raises(ValueError, match="one side only"):
        compare(COTTON, QUICK, day_a=[1, 2, 3, 4])


def test_alike_values_have_a_difference_without_spread():
    found = compare([2.0] * 4, [1.0] * 5)
    assert (found.difference.low, found.difference.high) == (1.0, 1.0)
    assert (found.ratio.low, found.ratio.high) == (2.0, 2.0)
    assert not compare([1.0] * 4, [1.0] * 4).differs


def test_runs_that_are_all_alike_leave_nothing_to_chance():
    day = np.repeat(np.arange(20), 2)
    a, b = np.full(40, 1.1), np.full(40, 2.2)
    apart = compare(a, b, day_a=day, day_b=day)
    assert "bootstrap" in apart.method
    assert apart.differs
    assert apart.p == 0
    same = compare(a, a, day_a=day, day_b=day)
    assert not same.differs
    assert same.p == 1


def test_a_ratio_to_what_may_be_nothing_has_no_ends():
    found = compare([1.0, 1.2, 0.9], [0.1, -0.2, 0.3])
    assert np.isinf([found.ratio.low, found.ratio.high]).all()


def test_markdown_holds_sentence_figures_and_method():
    text = compare(COTTON, QUICK, names=("cotton | white", "quick")).to_markdown()
    assert text.splitlines()[0].startswith("cotton | white uses 0.500 kWh more")
    assert "| cotton \\| white | 4 | 0.810 | 0.763–0.857 |" in text
    assert "Welch's t interval, 5.5 degrees of freedom" in text


def test_holm_by_hand():
    # 0.01 x 4, 0.02 x 3, 0.03 x 2, then no less than that.
    np.testing.assert_allclose(holm([0.04, 0.01, 0.03, 0.02]), [0.06, 0.04, 0.06, 0.06])
    assert holm([0.9, 0.8]).tolist() == [1.0, 1.0]


def runs_on_days(rng, *, apart):
    """Two programmes whose runs of one day are alike: energies, days."""
    off = rng.normal(0, 0.1, 60)
    if apart:
        mixed = rng.permutation(60)
        days = np.sort(mixed[:15]), np.sort(mixed[15:33])
    else:
        days = np.arange(0, 60, 3), np.arange(0, 60, 3)
    day_a, day_b = (np.repeat(day, rng.poisson(2, day.size) + 1) for day in days)
    a = 1.0 + off[day_a] + rng.exponential(0.08, day_a.size) - 0.08
    b = 0.8 + 0.6 * off[day_b] + rng.normal(0, 0.05, day_b.size)
    return a, b, day_a, day_b


@pytest.mark.parametrize("apart", [True, False])
def test_intervals_hold_the_truth_where_runs_of_a_day_are_alike(apart, draws):
    """Of 600 simulated pairs 95 % or some more; taken as independent, far fewer."""
    rng = np.random.default_rng(7)
    held, ratios, plain = [], [], []
    for _ in range(draws(600)):
        a, b, day_a, day_b = runs_on_days(rng, apart=apart)
        found = two_means(a, b, day_a=day_a, day_b=day_b)
        assert found.method == "bootstrap over days"
        held.append(found.difference.low <= 0.2 <= found.difference.high)
        ratios.append(found.ratio.low <= 1.25 <= found.ratio.high)
        alone = two_means(a, b).difference
        plain.append(alone.low <= 0.2 <= alone.high)
    draws.check(held, 0.93, 0.99)
    draws.check(ratios, 0.93, 0.99)
    if apart:
        draws.check(plain, 0.0, 0.9)
        assert np.mean(plain) < np.mean(held)


def test_p_is_evenly_spread_where_there_is_no_difference(draws):
    rng = np.random.default_rng(8)
    p = []
    for _ in range(draws(400)):
        day = np.repeat(np.arange(0, 40, 2), 2)
        a, b = (rng.normal(0, 0.1, 40)[day] + rng.normal(1, 0.05, day.size) for _ in range(2))
        p.append(two_means(a, b, day_a=day, day_b=day).p)
    draws.check(np.array(p) < 0.05, 0.02, 0.08)
    draws.check(np.array(p) < 0.5, 0.42, 0.58)


def test_means_of_days_are_as_wide_as_anywhere_else():
    rng = np.random.default_rng(3)
    warm = np.repeat([0.4, 0.9, 0.5, 0.8], 5) + rng.normal(0, 0.05, 20)
    day = np.arange(20)
    found = compare(warm, warm[::-1] + 0.1, day_a=day, day_b=day, per="day")
    expected = mean_of_days(warm)
    assert (found.a.low, found.a.high) == pytest.approx((expected.low, expected.high))
    assert "widened" in found.a.basis
    plain = compare(warm, warm[::-1] + 0.1, per="day").a
    assert plain.high - plain.low < 0.7 * (found.a.high - found.a.low)
