"""The highest loads of a circuit's log, in one pass over it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.readings.trace import Trace
from homeenergy.units import NS_PER_S, S_PER_H

BLOCK_S = 60.0
COVERED = 0.95
# A top that is cut off: many readings within half a per cent of the greatest, few just below.
TOP, NEXT = 0.995, 0.95


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LoggedLoad:
    """What the log of a circuit shows of its highest loads.

    Attributes
    ----------
    greatest_w : float
        Greatest reading, without its sign [W]; 0 without readings.
    at_top, below_top, greatest_n : int
        Readings within 0.5 % of the greatest, between that and 5 % below it, and equal to it.
    blocks_w : numpy.ndarray, shape (n,)
        Mean of each minute, or of each sample that is longer; NaN where anything is missing [W].
    block_s : float
        Length of a block [s].
    start : pandas.Timestamp or None
        Where the first block begins.
    """

    greatest_w: float
    at_top: int
    below_top: int
    greatest_n: int
    blocks_w: NDArray[np.float64]
    block_s: float
    start: pd.Timestamp | None

    @property
    def first_block(self) -> int:
        """Number of the first block since 1970."""
        assert self.start is not None
        return self.start.value // round(self.block_s * NS_PER_S)

    def hours_w(self, hours: int) -> NDArray[np.float64]:
        """Mean of so many hours from each block on [W]; NaN with less than 95 % of them there."""
        n = max(1, round(hours * S_PER_H / self.block_s))
        if self.blocks_w.size < n:
            return np.empty(0)
        there = np.isfinite(self.blocks_w)
        sums = np.r_[0.0, np.cumsum(np.where(there, self.blocks_w, 0.0))]
        counts = np.r_[0, np.cumsum(there)]
        seen = counts[n:] - counts[:-n]
        means = np.full(seen.size, np.nan)
        return np.divide(sums[n:] - sums[:-n], seen, out=means, where=seen >= COVERED * n)


def logged_load(months: Iterable[Trace]) -> LoggedLoad:
    """Sum up the highest loads of a circuit in one pass over its months.

    Parameters
    ----------
    months : iterable of Trace
        In order, with the same period. O(samples); a mean a minute is kept.
    """
    top = _Top()
    pieces: list[tuple[int, NDArray[np.float64]]] = []
    block_ns = 0
    for trace in months:
        if not len(trace):
            continue
        size = max(1, round(BLOCK_S / trace.period_s))
        block_ns = size * trace.period_ns
        pieces.append(_block_means(trace, size))
        top.take(np.abs(trace.watts))
    first = pieces[0][0] if pieces else 0
    blocks_w = np.full(pieces[-1][0] + pieces[-1][1].size - first if pieces else 0, np.nan)
    for at, means in pieces:
        blocks_w[at - first : at - first + means.size] = means
    return LoggedLoad(
        greatest_w=top.greatest_w,
        at_top=top.at_top,
        below_top=top.below_top,
        greatest_n=top.greatest_n,
        blocks_w=blocks_w,
        block_s=block_ns / NS_PER_S if pieces else BLOCK_S,
        start=pd.Timestamp(first * block_ns, unit="ns", tz="UTC") if pieces else None,
    )


@dataclass(slots=True)
class _Top:
    """The greatest reading so far, and how many are near it."""

    greatest_w: float = 0.0
    at_top: int = 0
    below_top: int = 0
    greatest_n: int = 0

    def take(self, size_w: NDArray[np.float32]) -> None:
        highest_w = float(np.fmax.reduce(size_w, initial=0.0))
        if highest_w > self.greatest_w:
            # Counts of earlier months hold only if the top has hardly moved.
            if highest_w * TOP > self.greatest_w:
                self.below_top = self.at_top if highest_w * NEXT < self.greatest_w else 0
                self.at_top = 0
            self.greatest_w, self.greatest_n = highest_w, 0
        near = size_w[size_w >= NEXT * self.greatest_w]
        at_top = int(np.count_nonzero(near >= TOP * self.greatest_w))
        self.at_top += at_top
        self.greatest_n += int(np.count_nonzero(near == np.float32(self.greatest_w)))
        self.below_top += near.size - at_top


def _block_means(trace: Trace, size: int) -> tuple[int, NDArray[np.float64]]:
    """Number of the first block since 1970, and means; NaN where a sample is missing."""
    slot = trace.start.value // trace.period_ns
    first = slot // size
    before = slot - first * size
    after = -(before + len(trace)) % size
    if before or after:
        watts = np.pad(trace.watts, (before, after), constant_values=np.nan)
    else:
        watts = trace.watts
    return first, np.asarray(watts.reshape(-1, size).mean(axis=1, dtype=np.float64))
