"""Stretches of one value in a row of samples."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
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

    `edges` says where each stretch begins, and where the last ends; `watts` are their values.
    """

    samples: Watts
    edges: NDArray[np.int64]
    watts: Watts

    @classmethod
    def of(cls, watts: Watts) -> Cut:
        """Cut samples."""
        begins = np.ones(watts.size + 1, dtype=bool)
        np.not_equal(watts[1:], watts[:-1], out=begins[1:-1])  # NaN differs from NaN
        edges = np.flatnonzero(begins)
        every = edges.size == begins.size
        return cls(watts, edges, watts if every else watts.take(edges[:-1]))

    def sizes(self, which: NDArray[np.int64]) -> NDArray[np.int64]:
        """Samples of some stretches."""
        return self.edges[which + 1] - self.edges[which]

    def some(self, which: NDArray[np.int64]) -> Flats:
        """Some of the stretches, by number."""
        return Flats(self.edges[which], self.sizes(which), self.watts[which])


NO_FLATS = Flats(np.empty(0, np.int64), np.empty(0, np.int64), np.empty(0))


@njit(cache=True, nogil=True)
def live_stretches(
    watts: Watts,
    bits: NDArray[np.uint32],
    levels: NDArray[np.int64],
    least_step_w: float,
    at: NDArray[np.int64],
    size: NDArray[np.int64],
    steps_w: NDArray[np.float32],
) -> tuple[int, int, int]:  # pragma: no cover - compiled
    """Stretches of more than one sample and not of zeros, and steps between all not of zeros.

    `bits` are `watts` as whole numbers; the upper half of each stretch's (sign, exponent and seven
    bits of the fraction) is counted in `levels`. Written are `at` and `size` of the longer
    stretches, and `steps_w` above `least_step_w`. Returns how many of each, and of all stretches.
    """
    long, steps, live = 0, 0, 0
    last = np.float32(0)
    begin = 0
    for i in range(1, watts.size + 1):
        value = watts[begin]
        if i < watts.size and watts[i] == value:
            continue
        if abs(value) > 0:  # NaN is not
            levels[bits[begin] >> 16] += 1
            if live:
                step = abs(value - last)
                if step > least_step_w:
                    steps_w[steps] = step
                    steps += 1
            last = value
            live += 1
            if i - begin > 1:
                at[long] = begin
                size[long] = i - begin
                long += 1
        begin = i
    return long, steps, live


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
