"""Bench comparisons: multipliers, what is known of them, and what is said."""

import re

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

from homeenergy.errors import HouseError
from homeenergy.house.toml_file import read_schedule
from homeenergy.trust.bench import Reference, bench_comparison
from homeenergy.trust.typed_readings import read_bench

GOOD = Reference(accuracy=0.002)


def pairs(reference_w, clamp_w, **more):
    return pd.DataFrame({"reference_w": reference_w, "clamp_w": clamp_w, **more})


def test_365_watts_read_as_372_5_are_about_2_per_cent_high():
    """Common practice, no source."""
    made = pairs([365, 366, 364, 365], [372.5, 373.6, 371.4, 372.5])
    found = bench_comparison(made, references=GOOD, clamp_step_w=0.1)
    assert found.multiplier.value == pytest.approx(365 / 372.5, rel=1e-4)
    assert not found.agrees
    assert "set its multiplier to 0.9799" in found.verdict
    assert "2.1% high" in found.verdict
    one = bench_comparison(pairs([365], [372.5]), references=GOOD)
    assert np.isinf(one.multiplier.high)
    assert "2.1% high, by one pair only" in one.verdict


def test_a_clamp_that_sees_the_conductor_twice_reads_twice():
    found = bench_comparison(pairs([500, 800, 1200], [1003, 1598, 2402]), references=GOOD)
    assert found.multiplier.value == pytest.approx(0.5, abs=0.001)
    assert "passes through it twice" in found.verdict


def test_half_and_backwards_are_told():
    half = bench_comparison(pairs([500, 800, 1200], [250, 401, 599]), references=GOOD)
    assert "half of the load" in half.verdict
    back = bench_comparison(pairs([500, 800, 1200], [-501, -799, -1200]), references=GOOD)
    assert back.multiplier.value == pytest.approx(-1, abs=0.002)
    assert "backwards" in back.verdict


def test_a_small_difference_is_within_what_both_can_know():
    poor = Reference(accuracy=0.02, step_w=1)
    made = pairs([500, 800, 1200, 1500], [505, 807, 1213, 1514])
    found = bench_comparison(made, references=poor, circuit="kettle")
    assert found.agrees
    assert found.verdict.startswith("kettle: leave the multiplier at 1")
    # The accuracy of the reference rules, and no number of pairs takes it away.
    many = bench_comparison(pd.concat([made] * 25), references=poor)
    assert many.u_reference == pytest.approx(0.02 / np.sqrt(3), rel=0.02)
    # 95 % of a uniform error lies within 95 % of its limits.
    half = (many.multiplier.high - many.multiplier.low) / 2
    assert half == pytest.approx(0.95 * 0.02 * many.multiplier.value, rel=0.02)


def test_parts_of_the_uncertainty_by_hand():
    """Four pairs, all different: what scatters, rounding, and the reference."""
    clamp_w = np.array([999.0, 1002.0, 1001.0, 1004.0])
    made = pairs([1000.0, 1001.0, 999.0, 1002.0], clamp_w)
    found = bench_comparison(made, references=Reference(accuracy=0.01, step_w=1), clamp_step_w=1)
    one = np.hypot(0.5, 0.5) / np.sqrt(3) / 1000
    spread = np.std(made["reference_w"] / clamp_w, ddof=1)
    assert found.u_rounding == pytest.approx(one / 2, rel=0.01)
    assert found.u_reference == pytest.approx(0.01 / np.sqrt(3), rel=0.01)
    assert np.hypot(found.u_scatter, found.u_rounding) == pytest.approx(spread / 2, rel=0.05)
    rng = np.random.default_rng(2)
    drawn = rng.uniform(-0.01, 0.01, 400_000) + spread / 2 * rng.standard_t(3, 400_000)
    half = np.quantile(np.abs(drawn), 0.95)
    assert found.multiplier.high - found.multiplier.value == pytest.approx(half, rel=0.03)


def test_rounding_of_equal_readings_is_not_averaged_out():
    """A lamp of 60.4 W is 60 W on a display of whole watts, however often it is read."""
    for n in (4, 30):
        made = pairs([60.4] * n, [60.0] * n)
        found = bench_comparison(made, references=Reference(accuracy=1e-6))
        assert found.multiplier.low < 1.0 < found.multiplier.high
        assert found.u_rounding == pytest.approx(0.5 / np.sqrt(3) / 60, rel=0.02)


def test_a_clamp_that_reads_the_same_at_any_load_is_no_reason_to_stop():
    made = pairs([60.0, 100.0, 500.0, 2000.0], [50.0] * 4)
    found = bench_comparison(made, references=GOOD, resolution_w=3.0)
    assert found.multiplier.high - found.multiplier.low > 1


def test_references_that_err_apart_tell_no_offset():
    """One meter at small loads, another at large ones: 2 % between them looks like an offset."""
    loads = np.array([30.0, 1000, 40, 1500, 60, 2000])
    made = pairs(loads * np.tile([1.0, 1.02], 3), loads)
    made["reference"] = ["a", "b"] * 3
    two = {name: Reference(accuracy=0.02) for name in "ab"}
    apart = bench_comparison(made, references=two, correlation=0, resolution_w=3.0)
    assert apart.offset_w is None
    assert apart.offset_uncertainty_w is None
    alike = bench_comparison(made, references=two, correlation=1, resolution_w=3.0)
    assert alike.offset_w is not None or alike.offset_uncertainty_w is not None


def test_references_that_agree_with_each_other_are_not_independent():
    made = pairs([982, 983, 982, 983], [1000] * 4, reference=["a", "b", "a", "b"])
    both = {"a": Reference(accuracy=0.02), "b": Reference(accuracy=0.02)}
    alike = bench_comparison(made, references=both)
    apart = bench_comparison(made, references=both, correlation=0)
    single = bench_comparison(made, references=both["a"])
    assert alike.u_reference == pytest.approx(single.u_reference, rel=0.01)
    assert apart.u_reference == pytest.approx(alike.u_reference / np.sqrt(2), rel=0.01)
    assert alike.agrees
    assert not apart.agrees


def test_an_offset_is_taken_where_the_data_demand_it():
    c = np.array([50, 200, 600, 1500, 2500.0])
    with_offset = bench_comparison(pairs(1.01 * c + 6, c), references=GOOD, clamp_step_w=0.1)
    assert with_offset.offset_w is not None
    assert with_offset.offset_w.value == pytest.approx(6, abs=0.1)
    assert with_offset.multiplier.value == pytest.approx(1.01, abs=1e-3)
    assert "offset" in with_offset.verdict
    without = bench_comparison(pairs(1.01 * c, c), references=GOOD, clamp_step_w=0.1)
    assert without.offset_w is None


def simulated(rng, *, accuracy, truth=0.97):
    """A clamp with relative scatter and whole watts; a reference off by up to its accuracy."""
    true_w = rng.uniform(60, 2500, 6)
    reference_w = true_w * (1 + rng.uniform(-accuracy, accuracy))
    clamp_w = true_w / truth * (1 + rng.normal(0, 0.004, 6))
    return pairs(np.round(reference_w, 1), np.round(clamp_w))


@pytest.mark.parametrize("accuracy", [0.0, 0.005])
def test_the_interval_covers_the_truth_as_often_as_it_says(accuracy, draws):
    rng = np.random.default_rng(20)
    reference = Reference(accuracy=accuracy)
    covered = []
    for _ in range(draws(400)):
        made = simulated(rng, accuracy=accuracy)
        m = bench_comparison(made, references=reference, resolution_w=1.0).multiplier
        covered.append(m.low <= 0.97 <= m.high)
    # 400 draws at 95 % lie within 92 and 98 % nearly always; offsets taken by chance cost some.
    draws.check(covered, 0.92, 0.985)


@pytest.mark.parametrize(
    ("reference_w", "clamp_w", "match"),
    [
        ([], [], "there are no pairs of oven"),
        ([0], [3], "no pair of oven tells of a multiplier: 3 W beside a reference of 0 W is at r"),
        ([-500], [500], "500 W beside a reference of -500 W is far from .* a sign"),
        ([500, 400], [0, 0], "no pair of oven tells of a multiplier: 0 W beside"),
        ([500, 500], [500, -500], "some loads positive and some negative"),
        ([500, np.nan], [500, 500], "line 2: a pair of oven is not made of two numbers"),
    ],
)
def test_pairs_that_tell_nothing_are_refused(reference_w, clamp_w, match):
    with pytest.raises(HouseError, match=match):
        bench_comparison(pairs(reference_w, clamp_w), references=GOOD, circuit="oven")


def test_a_load_that_is_the_offset_in_use_alone_is_left_out():
    made = pairs([500, 3, 800], [500, 1, 800])
    found = bench_comparison(made, references=GOOD, stated_offset_w=4.0)
    (odd,) = found.odd
    assert (odd.reference_w, odd.at_rest, found.multiplier.n) == (3.0, True, 2)


@pytest.mark.parametrize(("load", "read"), [(0, 3), (700, 0), (-500, 500)])
def test_a_pair_of_nothing_is_named_and_the_others_are_used(load, read):
    found = bench_comparison(pairs([load, 500, 800], [read, 502, 799]), references=GOOD)
    clean = bench_comparison(pairs([500, 800], [502, 799]), references=GOOD)
    (odd,) = found.odd
    assert f"{read} W beside a reference of {load} W" in odd.text
    assert found.multiplier.value == clean.multiplier.value


def test_a_reference_without_accuracy_is_refused():
    made = pairs([500], [500], reference=["a"])
    with pytest.raises(ValueError, match="no accuracy is stated for reference 'a'"):
        bench_comparison(made, references={"b": GOOD})


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("circuit,reference_w\nkettle,5\n", "bench.csv, line 1: has no column clamp_w"),
        ("circuit,reference_w,clamp_w\nkettl,5,5\n", "line 2, column 'circuit': there is no circ"),
        ("circuit,reference_w,clamp_w\nkettle,5,5\nkettle,5,x\n", "line 3, .* 'x' is not a number"),
        ("circuit,reference_w,clamp_w,accuracy\nkettle,5,5,2\n", "accuracy of 2 cannot be meant"),
        ("circuit,reference_w,clamp_w\nkettle,5,5,5\n", "line 2: has more cells than the first"),
        ("", "cannot be read as CSV"),
    ],
)
def test_a_bad_bench_file_is_refused_by_line(tmp_path, text, match):
    (tmp_path / "house.toml").write_text('timezone = "UTC"\n[[circuit]]\nname = "kettle"\n')
    schedule = read_schedule(tmp_path)
    assert read_bench(schedule) is None
    (tmp_path / "bench.csv").write_text(text)
    with pytest.raises(HouseError, match=match):
        read_bench(schedule)


def test_the_line_to_write_in_house_toml():
    """Where the multiplier stays, its uncertainty holds 95 % of what the true one may be."""
    high = pairs([365, 366, 364, 365], [372.5, 373.6, 371.4, 372.5])
    found = bench_comparison(high, references=GOOD, clamp_step_w=0.1)
    words = re.fullmatch(r"clamp = { multiplier = 0.9799, uncertainty = (.*) }", found.clamp_line)
    half = (found.multiplier.high - found.multiplier.low) / 2
    assert half / 0.9799 <= float(words[1]) < 1.1 * half / 0.9799
    near = pairs([500, 800, 1200, 1500], [501, 801, 1202, 1502])
    found = bench_comparison(near, references=Reference(accuracy=0.01))
    words = re.match(r"clamp = { multiplier = 1, uncertainty = ([\d.]+),", found.clamp_line)
    assert found.agrees
    u, m = float(words[1]), found.multiplier
    true = norm(m.value, found.half_at_load / 1.959964)
    assert 0.95 <= true.cdf(1 + u) - true.cdf(1 - u) < 0.97
    assert bench_comparison(high[:1], references=GOOD).clamp_line == ""
