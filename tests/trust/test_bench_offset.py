"""What a bench comparison tells of a clamp's offset, where it demands none."""

import re
from math import inf

import numpy as np
import pandas as pd
import pytest

from homeenergy.house.clamp_errors import ClampErrors, clamp_errors
from homeenergy.house.schedule import Clamp, Correction
from homeenergy.house.toml_file import read_schedule
from homeenergy.stats.lines import line_posterior
from homeenergy.trust import Reference, bench_comparison
from tests.accuracy.benches import left_at

GOOD = Reference(accuracy=0.005)


def test_pairs_at_one_load_tell_nothing_of_an_offset():
    """What was known before is left, an even distribution."""
    same = pd.DataFrame(
        {"reference_w": [500.2, 501.1, 499.8, 500.5], "clamp_w": [501, 502, 500, 501]}
    )
    told = bench_comparison(same, references=GOOD, resolution_w=1.6)
    assert told.offset_uncertainty_w is None
    assert told.u_offset == pytest.approx(0.8 / np.sqrt(3) / 501, rel=0.02)
    assert "offset" not in told.clamp_line


@pytest.mark.parametrize("clamp_w", [[60, 61], [60, 61, 60], [60, 60, 60, 60]])
def test_pairs_that_tell_no_line_leave_the_whole_half_step_in_the_multiplier(clamp_w):
    """An offset of half a step of 4 W moves a multiplier found at 60 W by a thirtieth."""
    made = pd.DataFrame({"reference_w": np.array(clamp_w) + 0.1, "clamp_w": clamp_w})
    found = bench_comparison(made, references=GOOD, resolution_w=4.0)
    assert found.u_offset == pytest.approx(2 / np.sqrt(3) / 60, rel=0.02)
    assert found.offset_uncertainty_w is None
    assert found.compared_at_w == pytest.approx(60, rel=0.02)


def test_pairs_on_a_line_without_any_scatter_still_have_their_rounding():
    c = np.array([100.0, 400, 900, 1600])
    made = pd.DataFrame({"reference_w": 1.02 * c, "clamp_w": c})
    found = bench_comparison(made, references=GOOD, resolution_w=3.0)
    assert 0.3 < found.offset_uncertainty_w < 1.5
    assert found.u_offset > 0


def test_an_offset_in_use_beyond_half_a_step_is_known_as_the_line_knows_it():
    """Student's interval of the line about the offset in use; nothing is cut off."""
    rng = np.random.default_rng(53)
    made = drawn(rng, offset_w=5.0)
    told = bench_comparison(
        made, references=GOOD, resolution_w=3.0, stated=0.98, stated_offset_w=5.0
    )
    assert told.offset_w is None
    c, load = made["clamp_w"].to_numpy(), made["reference_w"].to_numpy()
    rounding_w = np.full(7, np.hypot(0.98 / 2, 0.05) / np.sqrt(3))
    own = line_posterior(c, load - 5.0, known_u=rounding_w, scale=load)
    # At rest the clamp reads -5.1 W, of which the multiplier has its share.
    least = own.half(0.0, offset=1.0)
    of_multiplier = 5.1 * (told.multiplier.high - told.multiplier.value)
    assert least <= told.offset_uncertainty_w <= least + of_multiplier
    assert told.u_offset > 0


def test_a_reading_of_nearly_all_or_nothing_offers_no_line():
    """Two pairs that scatter by a third: house.toml takes no uncertainty of 100 % or more."""
    made = pd.DataFrame({"reference_w": [100.0, 160.0], "clamp_w": [100, 100]})
    found = bench_comparison(made, references=GOOD)
    assert found.half_at_load > 1
    assert found.clamp_line == ""


def drawn(rng, *, offset_w, slope=0.98):
    """Seven loads from 30 W on, a reference off by up to its accuracy, whole watts."""
    true_w = np.exp(rng.uniform(np.log(30), np.log(1500), 7))
    reference_w = true_w * (1 + rng.uniform(-0.005, 0.005))
    clamp_w = (true_w - offset_w) / slope * (1 + rng.normal(0, 0.002, 7))
    return pd.DataFrame({"reference_w": reference_w.round(1), "clamp_w": clamp_w.round()})


def test_stated_offset_and_multiplier_hold_the_truth_as_often_as_they_say(draws):
    """700 clamps with offsets anywhere within half a step of 3 W: 95 % each."""
    rng = np.random.default_rng(50)
    offsets, multipliers, widths = [], [], []
    for _ in range(draws(700)):
        offset_w = rng.uniform(-1.5, 1.5)
        found = bench_comparison(drawn(rng, offset_w=offset_w), references=GOOD, resolution_w=3.0)
        used = found.offset_w.value if found.offset_w else 0.0
        if found.offset_uncertainty_w is not None:
            offsets.append(abs(used - offset_w) <= found.offset_uncertainty_w)
            widths.append(found.offset_uncertainty_w)
        multipliers.append(found.multiplier.low <= 0.98 <= found.multiplier.high)
    assert len(offsets) > draws(450)
    draws.check(offsets, 0.93, 0.98)
    draws.check(multipliers, 0.93, 0.975)
    assert np.median(widths) < 1.2


def test_the_line_of_house_toml_states_the_offset_and_is_read_back(tmp_path):
    rng = np.random.default_rng(51)
    found = bench_comparison(drawn(rng, offset_w=0.2), references=GOOD, resolution_w=3.0)
    assert found.offset_w is None
    assert found.offset_uncertainty_w is not None
    written = found.line_for(Clamp(rating_a=50, offset_w=0.4))
    (tmp_path / "house.toml").write_text(
        'timezone = "UTC"\n[supply]\nsystem = "single-phase"\nvolts_v = 230\n'
        f'[[circuit]]\nname = "pump"\n{written}\n'
    )
    clamp = read_schedule(tmp_path).circuits[0].clamp
    assert clamp.offset_w == 0.4
    assert 0 <= clamp.offset_uncertainty_w / found.offset_uncertainty_w - 1 < 0.05
    assert clamp.compared_at_w == pytest.approx(found.compared_at_w, rel=0.05)
    moved = Clamp(corrections=(Correction(value=2.0), Correction(value=1.0)))
    last = f"{clamp.offset_uncertainty_w:g}, compared_at_w = {clamp.compared_at_w:g} }}]"
    assert f"offset_uncertainty_w = {last}" in found.line_for(moved)


def off_at(clamp, power_w):
    """Half width of a corrected reading, from what house.toml states [W]."""
    floor = ClampErrors(
        offset_uncertainty_w=clamp.offset_uncertainty_w,
        compared_at_w=(clamp.compared_at_w or inf,),
    )
    return np.hypot(clamp.uncertainty * power_w, left_at(floor, power_w) * floor.offset_half_w)


def test_what_house_toml_states_holds_at_every_load(tmp_path, draws):
    """400 clamps: steady readings after the correction against the true watts, 95 % at each load.

    The multiplier makes up for an unseen offset where it was found, so the two are not independent.
    """
    rng = np.random.default_rng(52)
    held = []
    for _ in range(draws(400)):
        offset_w = rng.uniform(-1.5, 1.5)
        found = bench_comparison(drawn(rng, offset_w=offset_w), references=GOOD, resolution_w=3.0)
        if found.offset_uncertainty_w is None:
            continue
        (tmp_path / "house.toml").write_text(
            'timezone = "UTC"\n[supply]\nsystem = "single-phase"\n'
            f'[[circuit]]\nname = "pump"\n{found.line_for(Clamp())}\n'
        )
        clamp = read_schedule(tmp_path).circuits[0].clamp
        row = []
        for power_w in (0.0, 40.0, 200.0, 2000.0):
            raw_w = (power_w - offset_w) / 0.98
            read_w = clamp.multiplier * raw_w + clamp.offset_w
            row.append(abs(read_w - power_w) <= off_at(clamp, power_w))
        held.append(row)
    assert len(held) > draws(250)
    draws.check(held, 0.92, 0.99)


def test_pairs_at_the_load_itself_leave_no_offset_in_it():
    """By hand: 60 W compared at 67 W; of an offset of 1 W a tenth is left, at rest nearly all."""
    floor = ClampErrors(resolution_w=2.0, compared_at_w=(67,))
    assert left_at(floor, 60) == pytest.approx(7 / 67)
    assert left_at(floor, 67) == 0
    assert left_at(floor, 134) == pytest.approx(1)
    assert left_at(ClampErrors(resolution_w=2.0), 60) == 1


@pytest.mark.parametrize("stated_w", [0.0, 6.0])
def test_what_is_stated_is_what_a_reading_is_off_by_at_every_load(stated_w):
    """Mean squares of (true slope - slope) c + true offset, by the line's own mean and covariance.

    At the load that is stated the two parts are independent, so they add in squares anywhere.
    """
    c = np.array([100.0, 400, 900, 1600, 500, 200])
    r = 1.02 * c + np.array([0.3, -0.6, 2, -3, 0.5, 0.4])
    made = pd.DataFrame({"reference_w": r + stated_w, "clamp_w": c})
    found = bench_comparison(
        made, references=Reference(accuracy=1e-9), resolution_w=3.0, stated_offset_w=stated_w
    )
    assert found.offset_w is None
    own = line_posterior(
        c,
        r,
        known_u=np.full(6, np.hypot(0.05, 1.02 / 2) / np.sqrt(3)),
        scale=r + stated_w,
        **({"low": -1.53, "high": 1.53} if stated_w == 0 else {}),
    )
    squares = own.squares(offset=0.0, slope=found.multiplier.value)
    floor = ClampErrors(
        offset_uncertainty_w=found.offset_uncertainty_w, compared_at_w=(found.compared_at_w,)
    )
    factor = found.half_at_load / found.multiplier.value
    for clamp_w in (0.0, 50.0, 300.0, 3000.0):
        off = np.array([1.0, clamp_w])
        power_w = found.multiplier.value * clamp_w + stated_w
        half_w = np.hypot(
            factor * (power_w - stated_w), left_at(floor, power_w) * floor.offset_half_w
        )
        # Student's factor with some five degrees of freedom, less where the offset has a limit.
        assert 1.7 < half_w / np.sqrt(off @ squares @ off) < 2.9


def test_one_large_load_among_small_ones_does_not_count_as_exact(draws):
    """400 clamps that scatter by 0.3 %, which only the pair at 1500 W could show.

    Taken as exact there, the slope's 95 % held 78 of 100 times with so good a reference.
    """
    rng = np.random.default_rng(54)
    held = []
    for _ in range(draws(400)):
        true_w = np.array([20, 25, 30, 35, 1500.0]) * np.exp(rng.normal(0, 0.03, 5))
        clamp_w = (true_w - rng.uniform(-1.5, 1.5)) / 0.98 * (1 + rng.normal(0, 0.003, 5))
        made = pd.DataFrame({"reference_w": true_w.round(1), "clamp_w": clamp_w.round()})
        found = bench_comparison(made, references=Reference(accuracy=0.001), resolution_w=3.0)
        held.append(found.multiplier.low <= 0.98 <= found.multiplier.high)
    draws.check(held, 0.93)


def test_a_demanded_offset_is_known_at_every_load_as_the_line_knows_it():
    """From what is stated follows the standard uncertainty of the line, JCGM 100 H.3.5."""
    c = np.array([50, 200, 600, 1500, 2500.0])
    r = 1.01 * c + 6 + [0.1, -0.1, 0.1, 0, -0.1]
    made = pd.DataFrame({"reference_w": r, "clamp_w": c})
    found = bench_comparison(made, references=Reference(accuracy=1e-9), clamp_step_w=0.1)
    rounding_w = np.hypot(0.05, 0.05 * np.median(r / c)) / np.sqrt(3)
    own = line_posterior(c, r, known_u=np.full(5, rounding_w), scale=r)
    floor = ClampErrors(
        offset_uncertainty_w=found.offset_uncertainty_w, compared_at_w=(found.compared_at_w,)
    )
    slope, offset = found.multiplier.value, found.offset_w.value
    for clamp_w in (0.0, 30.0, 600.0, 3000.0):
        power_w = slope * clamp_w + offset
        share = found.half_at_load / slope
        half_w = np.hypot(share * slope * clamp_w, left_at(floor, power_w) * floor.offset_half_w)
        whole_w = (
            clamp_w * own.half(slope + offset / clamp_w, slope=1.0, offset=1 / clamp_w)
            if clamp_w
            else own.half(offset, offset=1.0)
        )
        assert half_w == pytest.approx(whole_w, rel=0.06)


def test_a_demanded_offset_states_how_far_it_is_known():
    c = np.array([50, 200, 600, 1500, 2500.0])
    made = pd.DataFrame({"reference_w": 1.01 * c + 6 + [0.1, -0.1, 0.1, 0, -0.1], "clamp_w": c})
    found = bench_comparison(made, references=GOOD, clamp_step_w=0.1)
    half = (found.offset_w.high - found.offset_w.low) / 2
    of_multiplier = 6 * (found.multiplier.high - found.multiplier.value)
    assert half <= found.offset_uncertainty_w <= half + of_multiplier
    written = float(re.search(r"offset_uncertainty_w = ([\d.]+)", found.clamp_line)[1])
    assert 1 <= written / found.offset_uncertainty_w <= 1.05


@pytest.mark.parametrize("stated_w", [-20.0, 5.0, 20.0])
@pytest.mark.parametrize("accuracy", [0.001, 0.03])
def test_an_offset_in_use_that_is_not_small_beside_the_loads(stated_w, accuracy, draws):
    """100 clamps compared near 60 W; at rest an error of the multiplier counts too.

    Readings at four loads by what is stated, of clamps whose offset is that in use but for half a
    step of 2.8 W.
    """
    rng = np.random.default_rng(58)
    held = []
    for _ in range(draws(100)):
        true_w = 60 * np.exp(rng.normal(0, 0.05, 4))
        offset_w = stated_w + rng.uniform(-1.4, 1.4)
        clamp_w = (true_w * (1 + rng.normal(0, 0.003, 4)) - offset_w) / 0.98
        reference_w = true_w * (1 + rng.uniform(-accuracy, accuracy))
        found = bench_comparison(
            pd.DataFrame({"reference_w": reference_w.round(1), "clamp_w": clamp_w.round()}),
            references=Reference(accuracy=accuracy),
            resolution_w=2.8 / 0.98,
            stated_offset_w=stated_w,
        )
        known = ClampErrors(
            resolution_w=2.8,
            offset_uncertainty_w=found.offset_uncertainty_w,
            compared_at_w=(found.compared_at_w or inf,),
        )
        row = []
        for power_w in (0.0, 20.0, 100.0, 3000.0):
            read_w = found.multiplier.value * (power_w - offset_w) / 0.98 + stated_w
            share = found.half_at_load / found.multiplier.value
            off_w = left_at(known, power_w) * (known.offset_half_w + 0.95 * known.offset_limit_w)
            row.append(abs(read_w - power_w) <= np.hypot(share * power_w, off_w))
        held.append(row)
    draws.check(held, 0.9)


def test_three_pairs_demand_no_offset_and_tell_of_one_within_the_limit():
    """A clamp of 50 A may be 1.5 W off; three pairs in tenths of watts show that it is 1 W."""
    c = np.array([60.0, 500, 1500])
    made = pd.DataFrame({"reference_w": [61.0, 501.1, 1501.0], "clamp_w": c})
    found = bench_comparison(
        made, references=Reference(accuracy=0.001), clamp_step_w=0.1, resolution_w=3.0
    )
    assert found.offset_w is None
    assert 1.0 < found.offset_uncertainty_w < 1.4
    assert found.multiplier.low < 1.0 < found.multiplier.high


def test_without_a_rating_the_pairs_alone_tell_of_the_offset(draws):
    """400 clamps off by up to 4 W, of which nothing is known but their pairs."""
    rng = np.random.default_rng(55)
    held = []
    for _ in range(draws(400)):
        offset_w = rng.uniform(-4, 4)
        found = bench_comparison(drawn(rng, offset_w=offset_w), references=GOOD)
        used = found.offset_w.value if found.offset_w else 0.0
        if found.offset_uncertainty_w is not None:
            held.append(abs(used - offset_w) <= found.offset_uncertainty_w)
    assert len(held) > draws(300)
    draws.check(held, 0.93)


def test_pairs_nearly_at_one_load_tell_nothing_of_the_offset_of_a_clamp_without_rating():
    """By the line alone it would be known to some tens of watts, and so every standby."""
    made = pd.DataFrame(
        {"reference_w": [365.0, 372, 361, 380], "clamp_w": [372.4, 379.6, 368.5, 387.4]}
    )
    found = bench_comparison(made, references=GOOD, clamp_step_w=0.1)
    assert found.offset_uncertainty_w is None
    assert found.compared_at_w is None


def test_an_offset_within_the_limit_is_not_taken_beyond_it(draws):
    """Pairs that scatter by 2 % can show 3 W by chance where half a step is 0.5 W."""
    rng = np.random.default_rng(56)
    taken = []
    for _ in range(draws(300)):
        true_w = np.exp(rng.uniform(np.log(30), np.log(1500), 7))
        clamp_w = true_w / 0.98 * (1 + rng.normal(0, 0.02, 7))
        made = pd.DataFrame({"reference_w": true_w.round(1), "clamp_w": clamp_w.round()})
        taken.append(bench_comparison(made, references=GOOD, resolution_w=1.0).offset_w is not None)
    draws.check(taken, 0.0, 0.02)


def floor(tmp_path, text, *, volts="volts_v = 240"):
    (tmp_path / "house.toml").write_text(
        f'timezone = "UTC"\n[supply]\nsystem = "single-phase"\n{volts}\n'
        f'[[circuit]]\nname = "pump"\nclamp = {{ {text} }}\n'
    )
    schedule = read_schedule(tmp_path)
    return clamp_errors(schedule.circuits[0], schedule.supply)


def test_the_floor_of_a_clamp_by_hand(tmp_path):
    """20 A x 240 V in 4096 steps are 1.17 W, twice that where readings are doubled."""
    plain = floor(tmp_path, "rating_a = 20, multiplier = -2")
    assert plain.resolution_w == pytest.approx(2 * 4800 / 4096)
    assert (plain.offset_limit_w, plain.offset_half_w) == (plain.resolution_w / 2, 0.0)
    stated = floor(tmp_path, "rating_a = 20, offset_uncertainty_w = 0.3")
    assert stated.resolution_w == pytest.approx(4800 / 4096)
    assert (stated.offset_limit_w, stated.offset_half_w) == (0.0, 0.3)
    unknown = floor(tmp_path, "rating_a = 20", volts="")
    assert (unknown.resolution_w, unknown.offset_limit_w, unknown.offset_half_w) == (0, 0, 0)


def test_of_dated_corrections_the_worst_counts_where_all_state_one(tmp_path):
    rows = 'multiplier = [{{ value = 1{} }}, {{ value = 2, from = "2026-05-01"{} }}]'
    both = rows.format(", offset_uncertainty_w = 0.4", ", offset_uncertainty_w = 0.2")
    assert floor(tmp_path, both).offset_uncertainty_w == 0.4
    one = rows.format("", ", offset_uncertainty_w = 0.2")
    assert floor(tmp_path, one).offset_uncertainty_w is None
    assert floor(tmp_path, f"{one}, offset_uncertainty_w = 0.5").offset_uncertainty_w == 0.5
    assert floor(tmp_path, f"{both}, compared_at_w = 300").compared_at_w == (300, 300)


def test_corrections_compared_at_different_loads_leave_the_most_of_an_offset(tmp_path):
    rows = "multiplier = [{ value = 1, compared_at_w = 60 }, "
    rows += '{ value = 2, from = "2026-05-01", compared_at_w = 300 }]'
    dated = floor(tmp_path, rows)
    assert left_at(dated, 0) == 1
    assert left_at(dated, 60) == pytest.approx(0.8)
    assert left_at(dated, 1500) == pytest.approx(24)


def test_a_correction_without_a_load_leaves_all_of_an_offset(tmp_path):
    rows = 'multiplier = [{{ value = 1{} }}, {{ value = 2, from = "2026-05-01"{} }}]'
    assert floor(tmp_path, rows.format("", ", compared_at_w = 300")).compared_at_w == (inf, 300)


@pytest.mark.parametrize("clamp_w", [[700, 1800, 300, 1400, 1200], [60, 200, 800, 2000]])
def test_round_pairs_on_a_line_offer_their_line(clamp_w):
    """A multiplier of two decimals, found but for the last bit of its number."""
    made = pd.DataFrame({"reference_w": 0.99 * np.array(clamp_w), "clamp_w": clamp_w})
    found = bench_comparison(made, references=GOOD)
    assert "multiplier = 0.99," in found.clamp_line or "multiplier = 1," in found.clamp_line
