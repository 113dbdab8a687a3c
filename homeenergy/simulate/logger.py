"""What a logger does to a stream of rows: holes, repeats, rows out of order, lone spikes."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from homeenergy.simulate.shapes import Watts


def written_rows(
    n: int,
    gaps: Sequence[tuple[int, int]],
    *,
    dropped: int,
    repeated: int,
    late: int,
    keep_order: tuple[int, int],
    rng: np.random.Generator,
) -> NDArray[np.int64]:
    """Which sample stands in each row of the log, in the order in which the rows were written.

    Parameters
    ----------
    n : int
        Number of samples.
    gaps : sequence of (int, int)
        Samples [first, stop) that were never written.
    dropped, repeated, late : int
        How many single rows are missing, written twice, or written after their successor.
    keep_order : (int, int)
        Samples [first, stop) among which no row is late or repeated.
    rng : numpy.random.Generator
        Source of the accidents.
    """
    keep = np.ones(n, dtype=bool)
    for first, stop in gaps:
        keep[first:stop] = False
    keep[rng.choice(n, dropped, replace=False)] = False
    rows = np.flatnonzero(keep).astype(np.int64)

    def strict(sample: int) -> bool:
        return keep_order[0] - 5 <= sample < keep_order[1] + 5

    for at in rng.choice(rows.size - 1, late, replace=False):
        if not strict(rows[at]):
            rows[at : at + 2] = rows[at : at + 2][::-1].copy()
    twice = [at for at in rng.choice(rows.size, repeated, replace=False) if not strict(rows[at])]
    twice_at = np.sort(np.array(twice, dtype=np.int64))
    return np.insert(rows, twice_at + 1, rows[twice_at])


def add_spikes(
    reading_w: Watts, *, count: int, largest_w: float, rng: np.random.Generator
) -> NDArray[np.int64]:
    """Put lone wrong samples into readings, in place; returns which."""
    where = np.sort(rng.choice(reading_w.size, count, replace=False))
    reading_w[where] = np.round(rng.uniform(0.3, 1.0, count) * largest_w)
    return np.asarray(where, dtype=np.int64)
