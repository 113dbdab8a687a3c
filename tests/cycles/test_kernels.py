"""The compiled inner loops against the simplest right method."""

from itertools import combinations

import numpy as np
import pytest
import ruptures
from hypothesis import given, settings
from hypothesis import strategies as st

from homeenergy.cycles.segment import kernels
from homeenergy.cycles.segment.atoms import TILE, compress, merge_alike
from homeenergy.cycles.segment.kernels import weighted_quantile
from homeenergy.cycles.segment.levels import count_levels

from .ruptures_cost import WeightedL2


def cost(n, sums, squares, ends, penalty):
    """Sum of squares about the means of the segments, plus the penalty of each change."""
    total, first = penalty * (len(ends) - 1), 0
    for stop in ends:
        w, s, q = n[first:stop].sum(), sums[first:stop].sum(), squares[first:stop].sum()
        total += q - s * s / w
        first = stop
    return total


def brute_force(n, sums, squares, penalty, min_n):
    """Least cost over every segmentation whose segments hold at least `min_n` samples.

    One segment for all is always allowed, for traces shorter than that.
    """
    m = n.size
    best = cost(n, sums, squares, [m], penalty)
    for changes in range(1, m):
        for inner in combinations(range(1, m), changes):
            ends = [*inner, m]
            if np.add.reduceat(n, [0, *inner]).min() >= min_n:
                best = min(best, cost(n, sums, squares, ends, penalty))
    return best


def atoms_of(values, weights=None):
    """Atoms of `weights` samples each with the given means and no spread inside."""
    x = np.asarray(values, float)
    n = np.ones(x.size) if weights is None else np.asarray(weights, float)
    return n, n * x, n * x * x


def test_the_smallest_case_that_needs_delayed_pruning():
    n, sums, squares = atoms_of([0, 1, 0, 0, 1])
    ends = kernels.optimal_changes(n, sums, squares, 0.1, 2)
    assert cost(n, sums, squares, ends, 0.1) == pytest.approx(
        brute_force(n, sums, squares, 0.1, 2), abs=1e-12
    )
    assert np.diff(np.r_[0, ends]).min() >= 2


@given(
    values=st.lists(st.integers(0, 6), min_size=1, max_size=10),
    min_n=st.integers(1, 3),
    penalty=st.sampled_from([0.1, 0.5, 1.0, 4.0, 20.0]),
    data=st.data(),
)
@settings(max_examples=150)
def test_no_segmentation_costs_less(values, min_n, penalty, data):
    weights = data.draw(st.lists(st.integers(1, 4), min_size=len(values), max_size=len(values)))
    n, sums, squares = atoms_of(values, weights)
    ends = kernels.optimal_changes(n, sums, squares, penalty, min_n)
    assert cost(n, sums, squares, ends, penalty) == pytest.approx(
        brute_force(n, sums, squares, penalty, min_n), abs=1e-9
    )
    if len(ends) > 1:
        assert np.add.reduceat(n, np.r_[0, ends[:-1]]).min() >= min_n


@pytest.mark.parametrize("min_n", [1, 2, 3])
@pytest.mark.parametrize("seed", range(4))
def test_twelve_random_atoms_with_spread_inside(seed, min_n):
    rng = np.random.default_rng(seed)
    n = rng.integers(1, 5, 12).astype(float)
    sums = n * rng.choice([0.0, 3.0, 10.0], 12) + rng.normal(0, 1, 12)
    squares = sums**2 / n + rng.uniform(0, 2, 12)
    for penalty in (0.3, 3.0, 30.0):
        ends = kernels.optimal_changes(n, sums, squares, penalty, min_n)
        assert cost(n, sums, squares, ends, penalty) == pytest.approx(
            brute_force(n, sums, squares, penalty, min_n), rel=1e-9
        )


@pytest.mark.parametrize("min_n", [1, 2, 5])
@pytest.mark.parametrize("seed", range(3))
def test_single_samples_never_cost_more_than_general_change_point_searches(seed, min_n):
    rng = np.random.default_rng(100 + seed)
    x = rng.choice([0.0, 5.0, 20.0], 30).repeat(rng.integers(1, 25, 30)) + rng.normal(0, 1, 1)
    x = x + rng.normal(0, 1, x.size)
    n, sums, squares = atoms_of(x)
    penalty = 3 * np.log(x.size)
    ours = cost(
        n, sums, squares, kernels.optimal_changes(n, sums, squares, penalty, min_n), penalty
    )
    searches = (
        ruptures.Pelt(model="l2", jump=1, min_size=min_n),
        ruptures.KernelCPD(kernel="linear", min_size=min_n),
    )
    for search in searches:
        theirs = cost(n, sums, squares, search.fit_predict(x[:, None], pen=penalty), penalty)
        assert ours <= theirs + 1e-6


@pytest.mark.parametrize("seed", range(3))
def test_weighted_atoms_never_cost_more_than_a_plain_weighted_search(seed):
    rng = np.random.default_rng(200 + seed)
    n = rng.integers(1, 60, 150).astype(float)
    sums = n * rng.choice([1.0, 60.0, 2000.0], 25).repeat(6) + rng.normal(0, 5, 150)
    squares = sums**2 / n + n * rng.uniform(0.5, 1.5, 150)
    penalty = 40.0
    plain = ruptures.Pelt(custom_cost=WeightedL2(), min_size=1, jump=1)
    theirs = plain.fit(np.c_[n, sums, squares]).predict(pen=penalty)
    ours = kernels.optimal_changes(n, sums, squares, penalty, 1)
    assert cost(n, sums, squares, ours, penalty) <= cost(n, sums, squares, theirs, penalty) + 1e-6
    assert list(ours) == theirs


def test_compressed_atoms_keep_every_sum_and_no_level_change():
    rng = np.random.default_rng(3)
    watts = np.repeat([2.0, 130.0, 2.0, 1500.0], [5000, 300, 7000, 77]).astype(np.float32)
    watts += rng.normal(0, 0.3, watts.size).astype(np.float32)
    watts[6000:6010] = np.nan
    out = np.empty((watts.size, 7))
    made = compress(watts, 0, 1.0, out)
    atoms = out[:made]
    seen = watts[~np.isnan(watts)].astype(float)
    assert made < watts.size / 20
    assert atoms[:, 2].sum() == seen.size
    assert atoms[:, 3].sum() == pytest.approx(seen.sum(), rel=1e-12)
    assert atoms[:, 4].sum() == pytest.approx((seen**2).sum(), rel=1e-12)
    assert (atoms[:, 6] - atoms[:, 5]).max() < 10


def test_merging_keeps_every_sum():
    rng = np.random.default_rng(4)
    watts = (rng.choice([0.0, 50.0], 40).repeat(32) + rng.normal(0, 1, 1280)).astype(np.float32)
    out = np.empty((watts.size, 7))
    made = compress(watts, 0, 1e-9, out)
    atoms = out[:made]
    left = merge_alike(atoms, made, 30.0, 60)
    assert left < made / 4
    assert atoms[:left, 2].sum() == watts.size
    assert atoms[:left, 3].sum() == pytest.approx(watts.astype(float).sum(), rel=1e-9)
    assert atoms[0, 0] == 0
    assert atoms[left - 1, 1] == watts.size
    assert (atoms[1:left, 0] == atoms[: left - 1, 1]).all()


@given(
    values=st.lists(st.floats(-1e6, 1e6, width=32), min_size=1, max_size=60),
    share=st.floats(0.01, 1.0),
    data=st.data(),
)
@settings(max_examples=200)
def test_a_weighted_quantile_is_what_sorting_gives(values, share, data):
    weights = data.draw(st.lists(st.integers(0, 9), min_size=len(values), max_size=len(values)))
    x, w = np.array(values), np.array(weights)
    target = max(1, round(share * w.sum()))
    order = np.argsort(x, kind="stable")
    at = np.searchsorted(np.cumsum(w[order]), target)
    if w.sum() == 0:
        assert np.isnan(weighted_quantile(x, w, target))
    else:
        assert weighted_quantile(x, w, target) == x[order][at]


def test_a_weighted_quantile_of_nothing_is_missing_and_beyond_all_the_greatest():
    assert np.isnan(weighted_quantile(np.empty(0), np.empty(0), 1.0))
    assert weighted_quantile(np.array([3.0, -1.0, 2.0]), np.ones(3), 3.5) == 3.0


def plainly_compressed(watts, tau):
    """Atoms of samples, (first, stop, sum), by the definition: a node is whole if both halves are
    whole, are both there or both missing, and cost less than `tau` to join."""
    n, found, pos = watts.size, [], 0

    def whole(first, length):
        if length == 1:
            return True
        half = length // 2
        if not (whole(first, half) and whole(first + half, half)):
            return False
        a, b = (watts[i : i + half].astype(float) for i in (first, first + half))
        ca, cb = np.isfinite(a).sum(), np.isfinite(b).sum()
        if not ca or not cb:
            return ca == cb
        d = np.nansum(a) / ca - np.nansum(b) / cb
        return d * d * ca * cb / (ca + cb) < tau

    while pos < n:
        length = 1
        while pos % (2 * length) == 0 and pos + 2 * length <= n and whole(pos, 2 * length):
            length *= 2
        piece = watts[pos : pos + length].astype(float)
        if np.isfinite(piece).any():
            found.append((pos, pos + length, np.nansum(piece)))
        pos += length
    return np.array(found)


@pytest.mark.parametrize("missing", [0.0, 0.002])
@pytest.mark.parametrize("noise_w", [0.0, 0.5])
def test_tiles_give_the_atoms_of_one_tree(noise_w, missing):
    rng = np.random.default_rng(5)
    n = 9 * TILE + 77
    watts = np.full(n, 5.0) + rng.normal(0, noise_w, n)
    for at, length, more in ((100, 30, 80.0), (3 * TILE, 2 * TILE, 9.0), (7 * TILE + 5, 1, 900.0)):
        watts[at : at + length] += more
    watts[rng.random(n) < missing] = np.nan
    watts[5 * TILE : 6 * TILE + 20] = np.nan if missing else 5.0
    watts = watts.astype(np.float32)
    out = np.empty((n, 7))
    made = compress(watts, 0, 2.0, out)
    expected = plainly_compressed(watts, 2.0)
    assert out[:made, [0, 1]].tolist() == expected[:, :2].tolist()
    assert out[:made, 3] == pytest.approx(expected[:, 2], rel=1e-12)


def test_atoms_of_a_segment_are_joined_with_every_sum():
    rng = np.random.default_rng(6)
    atoms = rng.uniform(1, 9, (6, 7))
    out = np.empty((2, 7))
    kernels.join_atoms(atoms, np.array([2, 6]), out)
    for row, part in zip(out, (atoms[:2], atoms[2:]), strict=True):
        expected = [part[0, 0], part[-1, 1], *part[:, 2:5].sum(axis=0)]
        assert row.tolist() == pytest.approx([*expected, part[:, 5].min(), part[:, 6].max()])


def test_sums_within_a_reach_are_those_of_the_samples():
    watts = np.repeat([5.0, 80.0, 0.0, 40.0], [3, 4, 0, 6])
    first, stop = np.array([0, 3, 9]), np.array([3, 7, 15])
    excess = np.array([15.0, 320.0, 240.0])
    reach = np.array([1.0, 2.5, 5.0, 8.0, 30.0])
    out = np.empty((2, reach.size))
    kernels.sums_within(first, stop, excess, np.array([0, 1]), reach, out)
    samples = np.r_[watts[:7], 0.0, 0.0, watts[7:], np.zeros(40)]
    for row, at in zip(out, (0, 3), strict=True):
        upto = np.r_[0.0, np.cumsum(samples[at:])]
        assert row == pytest.approx(np.interp(reach, np.arange(upto.size), upto))


def test_stretches_end_at_low_plateaus_and_at_holes():
    mean = np.array([1.0, 50.0, 90.0, 1.0, 60.0, 70.0, 2.0, 55.0])
    n = np.array([9, 2, 3, 9, 4, 5, 9, 6])
    holes = np.zeros(7, bool)
    holes[4] = True
    first, stop, held, total, above = kernels.stretches(mean, n, mean * n, holes, 10.0, 58.0)
    assert first.tolist() == [1, 4, 5, 7]
    assert stop.tolist() == [3, 5, 6, 8]
    assert held.tolist() == [5, 4, 5, 6]
    assert total.tolist() == [370.0, 240.0, 350.0, 330.0]
    assert above.tolist() == [3, 4, 5, 0]


@pytest.mark.parametrize("cut", [0, 1, 500, 501, 999, 1000])
def test_levels_are_counted_alike_in_pieces(cut):
    rng = np.random.default_rng(7)
    watts = rng.choice([1.0, 2.0, 80.0, np.nan], 1000).astype(np.float32)
    levels = np.zeros(kernels.LEVEL_BINS, np.int64)
    steps = np.zeros((256, kernels.STEP_BINS), np.int64)
    kernels.count_levels(watts.view(np.uint32), watts, np.nan, levels, steps)
    found = count_levels([watts[:cut], watts[cut:]])
    assert (found.levels == levels).all()
    assert (found.steps == steps).all()
