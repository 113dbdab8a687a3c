"""The error budget of an estimate: published examples, laws of the algebra, draws."""

import pickle
from dataclasses import replace
from math import atan2, cos, hypot, inf, isnan, nan, sin, sqrt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from homeenergy.stats.coverage import NORMAL, coverage_factor, half_of_sum
from homeenergy.stats.estimate import Estimate, measured
from homeenergy.stats.parts import Parts, Source, part
from homeenergy.stats.propagation import combine, correlated


def exact(value, unit="W"):
    return measured(value, unit=unit, basis="")


def with_u(value, u, source, *, freedom=inf, unit="W"):
    """An estimate of one part, from its standard uncertainty."""
    return exact(value, unit).with_part(source, coverage_factor(freedom) * u, freedom=freedom)


# JCGM 100:2008 ---------------------------------------------------------------------------------


def test_gum_h1_end_gauge():
    """JCGM 100:2008, H.1, table H.1: calibration of an end gauge of 50 mm."""
    standard = with_u(50.000623e6, 25, "length of the standard", freedom=18, unit="nm")
    apart = exact(215, "nm")
    for source, u, freedom in (
        ("repeated observations", 5.8, 24),
        ("random effects of comparator", 3.9, 5),
        ("systematic effects of comparator", 6.7, 8),
    ):
        apart = apart.with_part(source, coverage_factor(freedom) * u, freedom=freedom)
    expansion = exact(11.5e-6, "1/K").with_part("expansion of the standard", 2e-6, rectangular=True)
    deviation = with_u(-0.1, 0.41, "temperature of the test bed", unit="K")
    unlike = exact(0, "1/K").with_part(
        "difference of expansion", 1e-6, rectangular=True, freedom=50
    )
    warmer = exact(0, "K").with_part("difference of temperature", 0.05, rectangular=True, freedom=2)
    length = combine(
        lambda ls, d, a, t, da, dt: ls + d - ls * (da * t + a * dt),
        unit="nm",
        basis="H.1",
        ls=standard,
        d=apart,
        a=expansion,
        t=deviation,
        da=unlike,
        dt=warmer,
    )
    assert length.value == pytest.approx(50.000838e6, abs=1)
    table = length.budget().set_index("source")["standard_uncertainty"]
    printed = {
        "length of the standard": "25",
        "repeated observations": "5.8",
        "random effects of comparator": "3.9",
        "systematic effects of comparator": "6.7",
        "expansion of the standard": "0.0",
        "temperature of the test bed": "0.0",
        "difference of expansion": "2.9",
        "difference of temperature": "16.6",
        "combined": "32",
    }
    for source, text in printed.items():
        places = len(text.partition(".")[2])
        assert f"{table[source]:.{places}f}" == text, source
    assert int(length.effective_freedom) == 16
    factor = coverage_factor(int(length.effective_freedom), level=0.99)  # G.6.4
    assert factor * length.standard_uncertainty == pytest.approx(93, abs=1)
    comparison = length.parts
    three = [n for n in comparison if "observations" in n.name or "comparator" in n.name]
    u = hypot(*(comparison[n].standard_uncertainty() for n in three))
    assert f"{u:.1f}" == "9.7"


def readings():
    """JCGM 100:2008, table H.2: volts, milliamperes, radians, read five times together."""
    table = [
        [5.007, 4.994, 5.005, 4.990, 4.999],
        np.array([19.663, 19.639, 19.640, 19.685, 19.678]) / 1000,
        [1.0456, 1.0438, 1.0468, 1.0428, 1.0433],
    ]
    means = correlated(
        np.mean(table, axis=1),
        np.cov(table) / 5,  # 5.2.3
        units=("V", "A", "rad"),
        basis="mean of readings",
        n=5,
        source="scatter of readings",
        freedom=4,
    )
    return dict(zip(("volts", "amps", "angle"), means, strict=True))


def correlation(a, b):
    """Of the errors of two estimates, from the variances of their sum and difference."""
    ua, ub = a.standard_uncertainty, b.standard_uncertainty
    both = (a.scaled(1 / ua, unit="") + b.scaled(1 / ub, unit="")).standard_uncertainty
    return both**2 / 2 - 1


def test_gum_h2_means_and_correlations():
    """JCGM 100:2008, H.2, table H.2."""
    read = readings()
    printed = {
        "volts": (4.9990, 0.0032),
        "amps": (0.0196610, 0.0000095),
        "angle": (1.04446, 7.5e-4),
    }
    for name, (value, u) in printed.items():
        assert read[name].value == pytest.approx(value, rel=1e-6)
        assert read[name].standard_uncertainty == pytest.approx(u, rel=0.01)
        assert read[name].effective_freedom == pytest.approx(4)
    assert correlation(read["volts"], read["amps"]) == pytest.approx(-0.36, abs=0.005)
    assert correlation(read["volts"], read["angle"]) == pytest.approx(0.86, abs=0.005)
    assert correlation(read["amps"], read["angle"]) == pytest.approx(-0.65, abs=0.005)


def test_gum_h2_resistance_reactance_impedance():
    """JCGM 100:2008, H.2, table H.3: R, X and Z, with their correlations."""
    read = readings()
    found = {
        "R": combine(
            lambda volts, amps, angle: volts / amps * cos(angle), unit="ohm", basis="", **read
        ),
        "X": combine(
            lambda volts, amps, angle: volts / amps * sin(angle), unit="ohm", basis="", **read
        ),
    }
    found["Z"] = read["volts"].over(read["amps"], unit="ohm")
    printed = {"R": (127.732, 0.071), "X": (219.847, 0.296), "Z": (254.260, 0.236)}
    for name, (value, u) in printed.items():
        assert found[name].value == pytest.approx(value, abs=5e-4)
        assert found[name].standard_uncertainty == pytest.approx(u, abs=5.1e-4)
    assert correlation(found["R"], found["X"]) == pytest.approx(-0.588, abs=5e-4)
    assert correlation(found["R"], found["Z"]) == pytest.approx(-0.485, abs=5e-4)
    assert correlation(found["X"], found["Z"]) == pytest.approx(0.993, abs=5e-4)
    # A function of results is one of the readings again: the angle comes back as it was.
    angle = combine(lambda R, X: atan2(X, R), unit="rad", basis="", R=found["R"], X=found["X"])
    assert angle.value == pytest.approx(read["angle"].value, rel=1e-12)
    assert angle.standard_uncertainty == pytest.approx(read["angle"].standard_uncertainty, rel=1e-5)


# Clamps ----------------------------------------------------------------------------------------


def run(kwh, scatter, *, clamp="clamp fridge", share=0.02, offset=0.0, unit="kWh"):
    own = exact(kwh, unit).with_part(Source("scatter of runs", str(kwh)), scatter, observed=True)
    with_ratio = own.with_part(f"{clamp}: ratio", share * kwh)
    return (
        with_ratio.with_part(f"{clamp}: offset", offset, rectangular=True) if offset else with_ratio
    )


def test_two_readings_of_one_clamp_add_their_errors_and_those_of_two_clamps_do_not():
    one = run(1.0, 0.0) + run(3.0, 0.0)
    two = run(1.0, 0.0) + run(3.0, 0.0, clamp="clamp oven")
    assert one.high - one.value == pytest.approx(0.02 * 4.0)
    assert two.high - two.value == pytest.approx(hypot(0.02, 0.06))


def test_a_ratio_of_two_runs_of_one_clamp_is_free_of_its_ratio_error():
    plain = run(2.0, 0.10, share=0.0) / run(1.0, 0.05, share=0.0)
    known = run(2.0, 0.10, share=0.2) / run(1.0, 0.05, share=0.2)
    assert (known.low, known.high) == pytest.approx((plain.low, plain.high), rel=1e-12)
    assert known.systematic == pytest.approx(0.0, abs=1e-12)
    unlike = run(2.0, 0.10, share=0.2) / run(1.0, 0.05, share=0.2, clamp="clamp oven")
    assert unlike.high > plain.high + 0.3


def test_offsets_of_one_clamp_cancel_in_a_difference_over_as_many_hours():
    wash = run(1.2, 0.01, share=0.0, offset=0.05)
    quick = run(0.7, 0.01, share=0.0, offset=0.05)
    less = wash - quick
    assert less.high - less.value == pytest.approx(hypot(0.01, 0.01))
    longer = wash - run(0.7, 0.01, share=0.0, offset=0.02)
    assert longer.systematic == pytest.approx(0.95 * 0.03)


def test_a_saved_share_counts_each_error_once():
    """Half of a reading is known as well as the reading; the whole less its half likewise."""
    whole = run(4.0, 0.3, offset=0.1)
    left = whole - 0.5 * whole
    assert (left.low, left.high) == pytest.approx((whole.low / 2, whole.high / 2))


# Distributions ---------------------------------------------------------------------------------


def test_a_rectangular_error_alone_and_with_a_normal_one():
    alone = exact(5.0).with_part("step", 2.0, rectangular=True)
    assert alone.high - 5 == pytest.approx(0.95 * 2)
    assert alone.standard_uncertainty == pytest.approx(2 / sqrt(3))
    both = alone.with_part("noise", 1.0)
    assert both.high - 5 == pytest.approx(half_of_sum(1.0, 2.0))
    order = exact(5.0).with_part("noise", 1.0).with_part("step", 2.0, rectangular=True)
    assert (order.low, order.high) == (both.low, both.high)


def test_a_product_and_a_ratio_against_draws():
    """JCGM 101:2008, 7: propagation of distributions by Monte Carlo."""
    rng = np.random.default_rng(3)
    watts = exact(100.0).with_part("noise", 4.0).with_part("step", 3.0, rectangular=True)
    hours = exact(2.0, "h").with_part("clock", 0.06).with_part("noise", -0.03)
    noise, step, clock = (
        rng.normal(0, 1 / NORMAL, 1_000_000),
        rng.uniform(-1, 1, 1_000_000),
        rng.normal(0, 1 / NORMAL, 1_000_000),
    )
    drawn_w, drawn_h = 100 + 4 * noise + 3 * step, 2 + 0.06 * clock - 0.03 * noise
    for found, drawn in ((watts * hours, drawn_w * drawn_h), (watts / hours, drawn_w / drawn_h)):
        low, high = np.quantile(drawn, [0.025, 0.975])
        assert found.low == pytest.approx(low, abs=0.02 * (high - low))
        assert found.high == pytest.approx(high, abs=0.02 * (high - low))
    assert (watts * hours).unit == "W h"
    assert (watts / hours).unit == "W/h"


def test_each_half_width_keeps_its_own_factor():
    """Three runs of one programme do not widen what fifty days say of another thing."""
    few = measured(1.0, 0.4, unit="", basis="", source="few", freedom=2)
    many = measured(1.0, 0.3, unit="", basis="", source="many", freedom=49)
    both = few + many
    assert both.high - 2 == pytest.approx(0.5)
    u = 0.4 / coverage_factor(2), 0.3 / coverage_factor(49)
    assert both.standard_uncertainty == pytest.approx(hypot(*u))
    expected = (u[0] ** 2 + u[1] ** 2) ** 2 / (u[0] ** 4 / 2 + u[1] ** 4 / 49)
    assert both.effective_freedom == pytest.approx(expected)


def test_unequal_halves_lie_on_their_side():
    skew = Estimate(value=1.0, low=0.9, high=1.5, unit="", n=9, basis="bootstrap")
    plain = measured(3.0, 0.3, unit="", basis="")
    less = plain - skew
    assert less.low == pytest.approx(2 - hypot(0.3, 0.5))
    assert less.high == pytest.approx(2 + hypot(0.3, 0.1))
    assert (-skew).low == -1.5
    assert (3 * skew).high == pytest.approx(4.5)


# Ratios ----------------------------------------------------------------------------------------


def fieller(a, b, var_a, var_b, cov, factor):
    """Fieller (1954), J. R. Stat. Soc. B 16, 175-185: the roots of his quadratic."""
    squared = b * b - factor**2 * var_b
    middle = a * b - factor**2 * cov
    root = sqrt(middle**2 - squared * (a * a - factor**2 * var_a))
    return (middle - root) / squared, (middle + root) / squared


@pytest.mark.parametrize("cov", [0.0, 0.015, -0.01])
@pytest.mark.parametrize("value", [3.0, 0.1, -2.0])
def test_fieller_in_closed_form(value, cov):
    covariance = np.array([[0.04, cov], [cov, 0.01]])
    a, b = correlated(
        np.array([value, 1.0]), covariance, units=("", ""), basis="", n=9, source="x", freedom=8
    )
    found = a / b
    expected = fieller(value, 1.0, 0.04, 0.01, cov, coverage_factor(8))
    assert (found.low, found.high) == pytest.approx(expected, rel=1e-10)
    assert correlation(a, b) == pytest.approx(cov / 0.02, abs=1e-9)


def test_fieller_of_unequal_halves():
    """Donner & Zou 2012: each end takes the half-widths that lie towards it."""
    above = Estimate(value=4.0, low=3.5, high=5.0, unit="", n=9, basis="")
    below = Estimate(value=2.0, low=1.7, high=2.1, unit="", n=9, basis="")
    found = above / below
    low = fieller(4.0, 2.0, 0.5**2, 0.1**2, 0.0, 1.0)[0]
    high = fieller(4.0, 2.0, 1.0**2, 0.3**2, 0.0, 1.0)[1]
    assert (found.low, found.high) == pytest.approx((low, high), rel=1e-10)
    again = found.with_part("nothing", 0.0)
    assert (again.low, again.high) == pytest.approx((low, high), rel=1e-10)


def test_a_ratio_to_what_may_be_nothing_has_no_upper_end():
    above = measured(10.0, 1.0, unit="kWh", basis="")
    below = measured(1.0, 2.0, unit="kW", basis="")
    found = above.over(below, unit="h", positive=True)
    # (10 - r)^2 = 1 + 4 r^2 at the lower end
    assert found.low == pytest.approx((sqrt(397) - 10) / 3)
    assert found.high == inf
    assert (above / below).low == -inf
    assert (above / below).unit == "kWh/kW"
    assert above.over(measured(1.0, inf, unit="kW", basis=""), unit="h", positive=True).low == 0.0
    assert isnan((above / exact(0.0)).value)


def test_a_ratio_with_an_exact_side():
    a = measured(4.0, 1.0, unit="W", basis="")
    assert (a / exact(2.0)).high == pytest.approx(2.5)
    assert (exact(2.0) / exact(4.0)).low == 0.5


# Bounds and what is not known --------------------------------------------------------------------


def bound(high, unit="W"):
    return Estimate(
        value=high / 2, low=0.0, high=high, unit=unit, n=9, basis="bound", resolved=False
    )


def test_bounds():
    both = bound(1.0) + bound(2.0)
    assert (both.low, both.value, both.high, both.resolved) == (0.0, 1.5, 3.0, False)
    known = bound(1.0) + measured(10.0, 0.0, unit="W", basis="")
    assert known.resolved
    assert (known.low, known.high) == pytest.approx((10.5 - 0.475, 10.5 + 0.475))
    assert bound(1.0).scaled(3.0).high == 3.0
    assert isnan(bound(1.0).spread)
    apart = bound(3.0) - bound(2.0)
    assert (apart.low, apart.high, apart.resolved) == (-2.0, 3.0, True)
    wait = measured(6.0, 1.0, unit="Wh", basis="") / bound(2.0)
    assert (wait.low, wait.high) == (2.5, inf)
    assert isnan(wait.value)
    rare = bound(2.0) / measured(2.0, 1.0, unit="W", basis="")
    assert (rare.low, rare.high, rare.resolved) == (0.0, 2.0, False)


def test_what_is_open_or_unknown_stays_so():
    one_run = measured(2.0, inf, unit="kWh", basis="")
    for found in (one_run + 1.0, one_run - exact(1.0, "kWh"), one_run * exact(2.0, "")):
        assert (found.low, found.high) == (-inf, inf)
    assert (one_run - one_run).value == 0.0
    unknown = measured(nan, unit="kWh", basis="")
    for found in (unknown + 1.0, unknown - one_run, unknown / one_run, unknown.with_part("x", 1.0)):
        assert isnan(found.value)
        assert isnan(found.low)
        assert isnan(found.high)


def test_what_does_not_go_together_is_refused():
    with pytest.raises(ValueError, match="'W' and 'kWh' do not add"):
        exact(1.0) + exact(1.0, "kWh")
    with pytest.raises(ValueError, match=r"0\.95 and 0\.5"):
        exact(1.0) + measured(1.0, unit="W", basis="", level=0.5)


# Laws --------------------------------------------------------------------------------------------

SOURCES = ("clamp a: ratio", "clamp a: offset", "scatter", "step")
sizes = st.floats(-100, 100).map(lambda x: round(x, 3))


@st.composite
def estimates(draw):
    found = exact(draw(sizes))
    for name in draw(st.lists(st.sampled_from(SOURCES), unique=True)):
        found = found.with_part(name, draw(sizes), rectangular=name in ("clamp a: offset", "step"))
    return found


def ends(estimate):
    return pytest.approx((estimate.value, estimate.low, estimate.high), rel=1e-9, abs=1e-9)


def figures(estimate):
    return estimate.value, estimate.low, estimate.high


@given(estimates(), estimates(), estimates())
def test_sums_may_be_taken_in_any_order(a, b, c):
    assert figures((a + b) + c) == ends(a + (b + c))
    assert figures(a + b) == ends(b + a)
    assert figures(a - b) == ends(-(b - a))
    assert figures(a * b) == ends(b * a)


@given(estimates(), st.floats(-10, 10).map(lambda x: round(x, 3)))
def test_scaling(a, factor):
    assert figures(factor * (a + a)) == ends((2 * factor) * a)
    assert figures(a * exact(factor, "")) == ends(factor * a)


@given(estimates())
def test_what_is_taken_from_itself_is_nothing(a):
    assert figures(a - a) == (0.0, 0.0, 0.0)
    assert (a - (a + 1)).high < 0
    if a.value:
        assert figures(a / a) == pytest.approx((1.0, 1.0, 1.0))


@given(estimates(), estimates())
def test_a_ratio_holds_where_the_difference_is_not_told_from_nothing(a, b):
    shares = [{s: p.effect / e.value for s, p in e.parts.items()} for e in (a, b) if e.value]
    cancels = len(shares) == 2 and set(shares[0].items()) & set(shares[1].items())
    if b.low <= 0 <= b.high or cancels:
        return
    ratio = a / b
    for end in (ratio.low, ratio.high):
        off = a - end * b
        half = off.high - off.value
        assert abs(off.value) == pytest.approx(half, rel=1e-6, abs=1e-6 * (1 + abs(a.value)))


# The table ---------------------------------------------------------------------------------------


def test_the_budget_as_a_table():
    found = run(2.0, 0.1, offset=0.05).with_part("rounding of fridge", -0.01, rectangular=True)
    table = found.budget().set_index("source")
    assert list(table.index[:2]) == ["scatter of runs", "clamp fridge: offset"]
    assert table.loc["scatter of runs", "type"] == "A"
    assert table.loc["clamp fridge: ratio", "distribution"] == "normal"
    assert table.loc["rounding of fridge", "half_width"] == -0.01
    shares = table["share_of_variance"]
    assert shares.drop("combined").sum() == pytest.approx(1.0)
    u = table["standard_uncertainty"]
    assert np.linalg.norm(u.drop("combined")) == pytest.approx(u["combined"])


def test_of_several_cases_the_widest_counts():
    """A clamp whose corrections were found at two loads leaves one of two errors, and not both."""
    at_60, at_2000 = (Source("clamp: offset", case=f"{w} W") for w in (60, 2000))
    one = exact(1.0).with_part(at_60, -0.3).with_part(at_2000, 0.2)
    assert (one.low, one.high) == pytest.approx((0.7, 1.3))
    two = one + exact(1.0).with_part(at_60, 0.25).with_part(at_2000, 0.2)
    assert two.high == pytest.approx(2.4)
    assert list(two.budget()["half_width"]) == pytest.approx([0.4, 0.4])


def test_spread_and_what_is_common():
    found = run(2.0, 0.1, offset=0.05)
    assert found.spread == pytest.approx(0.1)
    assert found.systematic == pytest.approx(half_of_sum(0.04, 0.05))
    assert found.high - 2 == pytest.approx(half_of_sum(hypot(0.1, 0.04), 0.05))
    parts = found.parts
    assert parts["clamp fridge: ratio"].effect == pytest.approx(0.04)
    with pytest.raises(KeyError, match="0 sources are called 'clamp'"):
        parts["clamp"]


def test_it_can_be_sent_to_another_process():
    found = run(2.0, 0.1, offset=0.05)
    again = pickle.loads(pickle.dumps(found))
    assert again == found
    assert figures(again - found) == (0.0, 0.0, 0.0)
    assert hash(again) == hash(found)


def test_a_clamp_of_another_house_is_another_clamp():
    here, there = run(2.0, 0.0), run(2.0, 0.0)
    renamed = {s._replace(key="other house"): one for s, one in there.parts.items()}
    other = exact(2.0, "kWh").with_parts(Parts(renamed))
    assert (here - there).high == pytest.approx(0.0)
    assert (here - other).high == pytest.approx(hypot(0.04, 0.04))


def test_ends_where_the_quantity_can_be():
    found = measured(0.1, 0.3, unit="kWh", basis="").within(least=0.0)
    assert (found.low, found.high) == pytest.approx((0.0, 0.4))
    assert found.scaled(2.0).low == 0.0
    assert found.with_part("more", 0.4).high == pytest.approx(0.6)


def test_a_normal_part_holds_its_level():
    rng = np.random.default_rng(5)
    off = norm.rvs(scale=0.5 / NORMAL, size=200_000, random_state=rng)
    found = measured(0.0, 0.5, unit="", basis="")
    assert np.mean((off >= found.low) & (off <= found.high)) == pytest.approx(0.95, abs=0.002)
    assert Parts({"x": part(0.5)}).half(above=True) == 0.5


def test_parts_are_those_of_the_interval_however_it_is_moved():
    found = run(2.0, 0.1, offset=0.05)
    assert set(replace(found, unit="MWh").parts) == set(found.parts)
    wider = replace(found, low=1.0, high=4.0)
    assert (wider.parts.half(above=False), wider.parts.half(above=True)) == (1.0, 2.0)
    other = exact(1.0, "kWh").with_part("offset", 0.3)
    assert (wider + other).high - 3.0 == pytest.approx(hypot(2.0, 0.3))
    moved = replace(found, value=2.05)
    assert moved.parts.half(above=True) == pytest.approx(found.high - 2.05)
