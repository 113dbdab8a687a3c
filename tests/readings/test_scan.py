"""One pass over samples finds what plain loops over them find."""

import itertools

import numpy as np
import pytest

from homeenergy.readings.scan import BORNE_OUT, CODES, Ordinary, scan

LONGEST, SOME_W, LASTING_W = 3, 20, 100


def stretches(watts):
    cuts = [0, *(k for k in range(1, watts.size) if watts[k] != watts[k - 1]), watts.size]
    return [(a, b) for a, b in itertools.pairwise(cuts) if not np.isnan(watts[a])]


def above(one, *others):
    return all(one > other + SOME_W for other in others)


@pytest.mark.parametrize("seed", range(40))
def test_it_finds_what_plain_loops_find(seed):
    rng = np.random.default_rng(seed)
    levels = [0, 0.5, 2, 15, 80, 81, 300, -90, -200, CODES[0], np.nan]
    watts = rng.choice(levels, 200).repeat(rng.choice([1, 1, 2, 5], 200)).astype("f4")
    ordinary = Ordinary.of((1.0,), 250.0)
    found = scan(watts, ordinary, longest=LONGEST, some_w=SOME_W, lasting_w=LASTING_W)
    n, runs = watts.size, stretches(watts)
    assert found.samples == np.isfinite(watts).sum()
    assert (found.least_w, found.greatest_w) == (np.nanmin(watts), np.nanmax(watts))
    short = [
        (a, b - a)
        for a, b in runs
        for sign in (1, -1)
        if a and b < n and b - a <= LONGEST
        if above(sign * watts[a], sign * watts[a - 1], sign * watts[b], 0)
    ]
    assert list(zip(found.short.at, found.short.size, strict=True)) == sorted(short)
    pairs = [
        k
        for k in range(1, n - 2)
        for sign in (1, -1)
        if all(
            above(sign * watts[j], sign * watts[k - 1], sign * watts[k + 2], 0) for j in (k, k + 1)
        )
    ]
    assert found.pairs.tolist() == pairs
    lasting = [
        k
        for k in range(n - 2)
        if watts[k + 1] - watts[k] >= LASTING_W and watts[k + 2] - watts[k] >= LASTING_W
    ]
    assert found.lasting.tolist() == lasting
    live = [(a, b) for a, b in runs if watts[a] != 0]
    assert found.live == len(live)
    assert list(zip(found.long.at, found.long.size, strict=True)) == [
        (a, b - a) for a, b in live if b - a > 1
    ]
    steps = np.abs(np.diff([watts[a] for a, _ in live]))
    assert found.steps_w.tolist() == steps[steps > 0].tolist()
    assert found.least_step_w == steps[steps > 0].min()
    assert ordinary.levels.sum() == len(live)
    for row, sign in zip(ordinary.borne_out, (1, -1), strict=True):
        size = sign * watts
        both = [min(size[b - 1], size[b]) for _, b in runs if b < n and size[b - 1] != 0]
        both = [one for one in both if 0 < one <= 250]
        both += [one for a, b in runs if b - a > LONGEST for one in [size[a]] * BORNE_OUT]
        plain = sorted((one for one in both if one > 0 and one not in CODES), reverse=True)
        assert row.tolist() == (plain + [0] * BORNE_OUT)[:BORNE_OUT]
