"""Stretches of one value in a row of samples."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Watts = NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class Flats:
    """Stretches of one value: where each begins, its samples and its value [W]."""

    at: NDArray[np.int64]
    size: NDArray[np.int64]
    watts: NDArray

    def some(self, which: NDArray) -> Flats:
        """Those that are asked for."""
        return Flats(self.at[which], self.size[which], self.watts[which])

    def plus(self, other: Flats) -> Flats:
        """Those of two."""
        return Flats(
            np.r_[self.at, other.at], np.r_[self.size, other.size], np.r_[self.watts, other.watts]
        )


NO_FLATS = Flats(np.empty(0, np.int64), np.empty(0, np.int64), np.empty(0))


def cut(watts: Watts) -> Flats:
    """Cut samples where their value changes; NaN differs from NaN."""
    begins = np.ones(watts.size + 1, dtype=bool)
    np.not_equal(watts[1:], watts[:-1], out=begins[1:-1])
    edges = np.flatnonzero(begins)
    return Flats(edges[:-1], np.diff(edges), watts[edges[:-1]])


def moved(flats: Flats, first: int) -> Flats:
    """Count stretches of a month from 1970, `first` being its first sample."""
    return Flats(flats.at + first, flats.size, flats.watts)


def joined(flats: Flats) -> Flats:
    """Put stretches together that a month's end parts."""
    if flats.size.size < 2:
        return flats
    goes_on = (flats.at[1:] == flats.at[:-1] + flats.size[:-1]) & (
        flats.watts[1:] == flats.watts[:-1]
    )
    begins = np.flatnonzero(np.r_[True, ~goes_on])
    return Flats(flats.at[begins], np.add.reduceat(flats.size, begins), flats.watts[begins])
