"""Short stretches above their neighbours, and what the mains show of them and of other steps."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from homeenergy.readings.stretches import Flats, Watts

FLOOR_W = 100.0  # least excess of an excursion that only its own circuit can deny
SEEN = 0.5  # of the excess, below which the mains deny it
WITNESS = 0.7  # of a circuit's steps are seen by the mains, if they can be asked
STEPS_ASKED, FEWEST_STEPS = 60, 5

Numbers = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Excursions:
    """Short stretches above (or, with sign -1, below) their neighbours: columns of equal length.

    `back` says whether the power is back where it was. `seen` is which share of the excess the
    mains show at most, `seen_late` the same for mains whose clock is up to two samples off, and
    `shown` the share that they show against both neighbours; NaN without mains.
    """

    flats: Flats
    sign: Numbers
    excess_w: Numbers
    back: NDArray[np.bool_]
    seen: Numbers
    seen_late: Numbers
    shown: Numbers


def _around(values: Watts, at: NDArray[np.int64], reach: Sequence[int]) -> Numbers:
    """Values so many samples from each place, shape (at.size, len(reach)); NaN outside."""
    index = at[:, None] + np.array(reach)
    found = values[np.clip(index, 0, values.size - 1)].astype(np.float64)
    found[(index < 0) | (index >= values.size)] = np.nan
    return found


def testimony(
    mains: Watts, sign: Numbers, flats: Flats, from_left: Numbers, from_right: Numbers
) -> tuple[Numbers, Numbers, Numbers]:
    """Which share of each stretch's height the mains show; see `Excursions`."""
    last = flats.at + flats.size - 1

    def around(at: NDArray[np.int64], reach: Sequence[int]) -> Numbers:
        return sign[:, None] * _around(mains, at, reach)

    during = np.fmax(around(flats.at, (0,)), around(last, (0,)))[:, 0]
    left = (during - around(flats.at, (-1,))[:, 0]) / from_left
    right = (during - around(last, (1,))[:, 0]) / from_right
    wide = np.hstack([around(flats.at, (-2, -1, 0)), around(last, (0, 1, 2))])
    wider = np.hstack([wide, around(flats.at, (-4, -3)), around(last, (3, 4))])
    rise = np.max(wide, axis=1, initial=-np.inf) - np.min(wider, axis=1, initial=np.inf)
    return (
        np.maximum(left, right),
        rise / np.minimum(from_left, from_right),
        np.minimum(left, right),
    )


def lasting_steps(watts: Watts, mains: Watts | None, at: NDArray[np.int64]) -> Numbers:
    """Steps that last two samples or more: watts, share that the mains show exactly then, or about.

    Shape (n, 3): the largest `STEPS_ASKED` of those after samples `at`; shares are NaN without
    mains.
    """
    lasts = np.minimum(watts[at + 1] - watts[at], watts[at + 2] - watts[at]).astype(np.float64)
    if at.size > STEPS_ASKED:
        largest = np.argpartition(lasts, lasts.size - STEPS_ASKED)[-STEPS_ASKED:]
        at, lasts = at[largest], lasts[largest]
    rows = np.column_stack([lasts, np.full((at.size, 2), np.nan)])
    if mains is not None and at.size:
        flats = Flats(at + 1, np.ones(at.size, dtype=np.int64), watts[at + 1])
        rows[:, 1] = (mains[at + 1].astype(np.float64) - mains[at]) / lasts
        rows[:, 2] = testimony(mains, np.ones(at.size), flats, lasts, lasts)[1]
    return rows


def believed(seen: Numbers, late: Numbers, steps: Numbers) -> Numbers:
    """What the mains saw, exactly or about, as far as they see the circuit's steps; else NaN."""
    asked = steps[np.isfinite(steps).all(axis=1)]
    if len(asked) < FEWEST_STEPS:
        return seen
    exact, about = (np.mean(asked[:, k] >= SEEN) for k in (1, 2))
    if exact >= WITNESS:
        return seen
    return late if about >= WITNESS else np.full(seen.size, np.nan)
