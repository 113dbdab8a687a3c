"""Pieces of power above rest, and what joins them into runs whatever the appliance.

Which of the other breaks lie inside a run is decided in `homeenergy.cycles.runs.partition`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from homeenergy.cycles.runs.levels import (
    LONE_PIECE_S,
    LONE_S,
    SPIKE_PERIOD_S,
    Levels,
    is_lone,
    is_moment,
    lone_spikes,
)
from homeenergy.cycles.segment import kernels
from homeenergy.cycles.segment.plateaus import Plateaus


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fragments:
    """Stretches above a level, one entry each, in order.

    `first_plateau` and `stop_plateau` number plateaus, `first` and `stop` samples (half-open).
    `excess_wh` is the energy above idle. `works` says whether the working level was reached.
    """

    first_plateau: NDArray[np.int64]
    stop_plateau: NDArray[np.int64]
    first: NDArray[np.int64]
    stop: NDArray[np.int64]
    n: NDArray[np.int64]
    excess_wh: NDArray[np.float64]
    works: NDArray[np.bool_]
    period_s: float

    def __len__(self) -> int:
        return self.first.size

    @property
    def duration_s(self) -> NDArray[np.floating]:
        """Length of each fragment [s]."""
        return (self.stop - self.first) * self.period_s

    @property
    def pause_s(self) -> NDArray[np.floating]:
        """Time from the end of each fragment to the start of the next [s], shape (m - 1,)."""
        return (self.first[1:] - self.stop[:-1]) * self.period_s


def find_fragments(plateaus: Plateaus, levels: Levels) -> Fragments:
    """Stretches of plateaus above the low level, lone spikes left out.

    A gap in the data ends a fragment: what follows it is another. Of seconds, one sample with none
    near it is a spike whatever else there is.
    """
    a, b, n, sum_w, above = kernels.stretches(
        plateaus.mean_w,
        plateaus.n,
        plateaus.sum_w,
        plateaus.hole_follows,
        levels.low_w,
        levels.on_w,
    )
    coarse = plateaus.period_s > SPIKE_PERIOD_S
    spike = lone_spikes(plateaus, a, b, n, apart_s=LONE_PIECE_S)
    if not coarse:
        spike |= (n == 1) & is_lone(plateaus, a, b, apart_s=LONE_PIECE_S)
    kept = ~(spike | _spikes_among_pieces(plateaus, a, b, spike))
    a, b, n, sum_w, above = a[kept], b[kept], n[kept], sum_w[kept], above[kept]
    excess_w = sum_w - levels.idle_w * n
    mean_w = sum_w / n
    fewest = 1 if coarse else 2
    return Fragments(
        first_plateau=a,
        stop_plateau=b,
        first=plateaus.first[a],
        stop=plateaus.stop[b - 1],
        n=n,
        excess_wh=excess_w * plateaus.period_s / 3600,
        works=(above >= fewest) | ((above > 0) & (mean_w > levels.on_w)),
        period_s=plateaus.period_s,
    )


def _spikes_among_pieces(
    plateaus: Plateaus,
    first: NDArray[np.int64],
    stop: NDArray[np.int64],
    spike: NDArray[np.bool_],
) -> NDArray[np.bool_]:
    """Which moments near other pieces are spikes too, for no more are there than come anywhere.

    Spikes come at random: as many an hour as stand alone (`spike`, with nothing near them) are
    expected near other pieces. Where that is most of the moments there, they are no pulses.
    """
    near = is_moment(plateaus, first, stop) & ~spike
    near &= is_lone(plateaus, first, stop, apart_s=LONE_S)
    if not (near.any() and spike.any()):
        return np.zeros_like(near)
    begin = np.r_[plateaus.first[first], plateaus.stop[-1]]
    end = np.r_[plateaus.first[0], plateaus.stop[stop - 1]]
    between_s = (begin - end) * plateaus.period_s
    far_s = float(np.maximum(between_s - 2 * LONE_PIECE_S, 0).sum())
    near_s = float(np.clip(between_s - 2 * LONE_S, 0, 2 * (LONE_PIECE_S - LONE_S)).sum())
    expected = spike.sum() * near_s / max(far_s, plateaus.period_s)
    return near & (near.sum() < 2 * expected)


def sums_of(values: NDArray, first: NDArray[np.int64], stop: NDArray[np.int64]) -> NDArray:
    """Sum of values[first:stop] for each pair."""
    upto = np.r_[np.zeros(1, values.dtype), np.cumsum(values)]
    return upto[stop] - upto[first]


# A false start or the rhythm of a magnetron: inside a run even of what switches itself.
SHORT_S = 40.0
# Something that runs on through a gap in the data does so for no longer.
LONGEST_HOLE_S = 3600.0


def join_short(fragments: Fragments, *, short_s: float = SHORT_S) -> NDArray[np.bool_]:
    """Join across breaks of `short_s` or a lost sample; shape (m - 1,)."""
    period_s = fragments.period_s
    return fragments.pause_s <= (max(short_s, 1.5 * period_s) if period_s < SHORT_S else 0.0)


def join_across_holes(fragments: Fragments, joins: NDArray[np.bool_], *, up_to_usual: bool) -> None:
    """Join what is on at both edges of a gap in the data, if it can have been on all the while.

    The level must be similar, and the gap no longer than an hour; with `up_to_usual`, no longer
    than the usual pause of the appliance, because it must have paused in a longer one.
    """
    hole = fragments.stop_plateau[:-1] == fragments.first_plateau[1:]
    if not hole.any():
        return
    level_w = fragments.excess_wh / fragments.n
    near = np.minimum(level_w[1:], level_w[:-1]) >= 0.7 * np.maximum(level_w[1:], level_w[:-1])
    pauses_s = fragments.pause_s[~hole]
    usual_s = float(np.median(pauses_s)) if up_to_usual and pauses_s.size else LONGEST_HOLE_S
    joins |= hole & near & (fragments.pause_s <= min(usual_s, LONGEST_HOLE_S))


def groups(joins: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Half-open ranges of fragments that are joined, shape (m, 2).

    `joins[i]` links fragments i and i + 1.
    """
    bounds = np.r_[0, np.flatnonzero(~joins) + 1, joins.size + 1]
    return np.c_[bounds[:-1], bounds[1:]]


def merged(fragments: Fragments, joins: NDArray[np.bool_]) -> Fragments:
    """Fragments of which those that are linked count as one."""
    begin, end = groups(joins).T
    return replace(
        fragments,
        first_plateau=fragments.first_plateau[begin],
        stop_plateau=fragments.stop_plateau[end - 1],
        first=fragments.first[begin],
        stop=fragments.stop[end - 1],
        n=sums_of(fragments.n, begin, end),
        excess_wh=sums_of(fragments.excess_wh, begin, end),
        works=sums_of(fragments.works.astype(np.int64), begin, end) > 0,
    )
