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


@dataclass(frozen=True, slots=True, eq=False)
class Cut:
    """Samples cut where their value changes.

    `begins` says of each sample, and of the end, whether a stretch begins there, `edges` where;
    `watts` are the stretches' values.
    """

    samples: Watts
    begins: NDArray[np.bool_]
    edges: NDArray[np.int64]
    watts: Watts

    @classmethod
    def of(cls, watts: Watts) -> Cut:
        """Cut samples."""
        begins = np.ones(watts.size + 1, dtype=bool)
        np.not_equal(watts[1:], watts[:-1], out=begins[1:-1])  # NaN differs from NaN
        edges = np.flatnonzero(begins)
        every = edges.size == begins.size
        return cls(watts, begins, edges, watts if every else watts.take(edges[:-1]))

    def sizes(self, which: NDArray[np.int64]) -> NDArray[np.int64]:
        """Samples of some stretches."""
        return self.edges[which + 1] - self.edges[which]

    def some(self, which: NDArray[np.int64]) -> Flats:
        """Some of the stretches, by number."""
        return Flats(self.edges[which], self.sizes(which), self.watts[which])


NO_FLATS = Flats(np.empty(0, np.int64), np.empty(0, np.int64), np.empty(0))


def longer(cut: Cut) -> Flats:
    """Stretches of more than one sample that are not of zeros."""
    here, after = cut.begins[:-1], cut.begins[1:]
    at = np.flatnonzero(here & ~after)
    size = np.flatnonzero(after & ~here) + 1 - at
    watts = cut.samples[at]
    live = np.flatnonzero(np.abs(watts) > 0)
    return Flats(at[live], size[live], watts[live])


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
