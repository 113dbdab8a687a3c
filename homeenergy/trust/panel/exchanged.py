"""Two circuits of which each shows from some time on what the other showed before."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from homeenergy.trust.panel.circuit import LEAST_W, Steps

SPLITS = 47  # of the log, at equal times
LEAST = 8  # steps of each circuit on either side
APART = 0.7  # how far the heights of one circuit are, at least, from its own before
ALIKE, UNLIKE = 0.2, 0.5  # ... and at most, with many and with few steps, from the other's
CRITICAL = 1.63  # 1 % by chance
HEIGHTS_W = LEAST_W * np.exp(0.02 * np.arange(400))  # up to 40 kW, in steps of 2 %

Values = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Sides:
    """How many steps of a circuit are on each side of each split, and their distributions.

    `count` has the shape (2, splits), `share`, of steps up to each height, (2, splits, heights).
    """

    count: NDArray[np.int64]
    share: Values


def exchanged(steps: Mapping[str, Steps], *, samples: int) -> Iterator[tuple[str, str, int]]:
    """Pairs of circuits that were exchanged, and the sample from which on they are.

    Notes
    -----
    Own method, for circuits on one leg as well, of which the mains tell nothing. How far apart two
    sets of heights of steps are is the greatest difference of their distribution functions, which
    is below 1.63 ((n + m) / n m)^(1/2) in 99 % of cases where both are of one distribution
    (Kolmogorov-Smirnov; Conover 1999). At the split at which they stand out most, each circuit must
    be far from itself and near the other. Circuits that are alike, or not used on both sides, tell
    nothing. O(steps) and a table of splits by heights for each pair.
    """
    splits = np.linspace(0, samples, SPLITS + 2).astype(np.int64)[1:-1]
    sides = {
        name: _sides(one, splits) for name, one in steps.items() if one.sample.size >= 2 * LEAST
    }
    own = {name: _apart(one, 0, one, 1) for name, one in sides.items()}
    changed = [name for name in sides if own[name].max() > APART]
    for a, b in combinations(changed, 2):
        one, other = sides[a], sides[b]
        apart = np.minimum(own[a], own[b])
        crossed = np.stack([_apart(one, 0, other, 1), _apart(other, 0, one, 1)])
        enough = np.minimum(one.count, other.count).min(axis=0) >= LEAST
        best = int(np.argmax(np.where(enough, apart - crossed.max(axis=0), -np.inf)))
        most = np.stack([_by_chance(one, 0, other, 1), _by_chance(other, 0, one, 1)])
        near = np.all(crossed < np.clip(most, ALIKE, UNLIKE), axis=0)
        if enough[best] and near[best] and apart[best] > APART:
            yield a, b, int(splits[best])


def _sides(steps: Steps, splits: NDArray[np.int64]) -> Sides:
    height = np.searchsorted(HEIGHTS_W, np.abs(steps.watts), side="right")
    piece = np.searchsorted(splits, steps.sample, side="right")
    table = np.zeros((splits.size + 1, HEIGHTS_W.size + 1))
    np.add.at(table, (piece, height), 1.0)
    until = table.cumsum(axis=0).cumsum(axis=1)
    both = np.stack([until[:-1], until[-1] - until[:-1]])
    count = both[:, :, -1]
    return Sides(count.astype(np.int64), both / np.maximum(count, 1)[:, :, None])


def _apart(one: Sides, side: int, other: Sides, its_side: int) -> Values:
    """Greatest difference of two distributions, at each split."""
    difference: Values = np.abs(one.share[side] - other.share[its_side]).max(axis=1)
    return difference


def _by_chance(one: Sides, side: int, other: Sides, its_side: int) -> Values:
    n, m = (np.maximum(count, 1) for count in (one.count[side], other.count[its_side]))
    by: Values = CRITICAL * np.sqrt(2 / n + 2 / m)  # a use has two steps, as high as each other
    return by
