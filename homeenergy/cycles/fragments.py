"""Fragments: unbroken stretches of power above a level, made of plateaus."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from homeenergy.cycles import kernels
from homeenergy.cycles.levels import Levels
from homeenergy.cycles.plateaus import Plateaus

# Up to this sample period a single sample is a spike, not a use.
SPIKE_PERIOD_S = 5.0
SECOND_REST_S, SECOND_REST_SHARE, SECOND_REST_RISE = 3600.0, 0.04, 0.5


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
    """Stretches of plateaus above the low level, single-sample spikes left out.

    A hole in the data ends a fragment: what follows it is another.
    """
    a, b, n, sum_w, above = kernels.stretches(
        plateaus.mean_w,
        plateaus.n,
        plateaus.sum_w,
        plateaus.hole_follows,
        levels.low_w,
        levels.on_w,
    )
    if plateaus.period_s <= SPIKE_PERIOD_S:
        kept = n > 1
        a, b, n, sum_w, above = a[kept], b[kept], n[kept], sum_w[kept], above[kept]
    excess_w = sum_w - levels.idle_w * n
    mean_w = sum_w / n
    lone = 1 if plateaus.period_s > SPIKE_PERIOD_S else 2
    return Fragments(
        first_plateau=a,
        stop_plateau=b,
        first=plateaus.first[a],
        stop=plateaus.stop[b - 1],
        n=n,
        excess_wh=excess_w * plateaus.period_s / 3600,
        works=(above >= lone) | ((above > 0) & (mean_w > levels.on_w)),
        period_s=plateaus.period_s,
    )


def above_second_rest(plateaus: Plateaus, levels: Levels) -> Levels:
    """Levels with the low one raised above a second level of rest, if there is one.

    A programme draws something between its parts, but works again within an hour. A level far below
    work that is held for longer, for `SECOND_REST_SHARE` of the time in all, is rest: the heater of
    a crankcase, a lamp left on.
    """
    middle_w = levels.idle_w + SECOND_REST_RISE * (levels.on_w - levels.idle_w)
    between = (plateaus.mean_w > levels.low_w) & (plateaus.mean_w < middle_w)
    _, _, n, sum_w, _ = kernels.stretches(
        between.astype(np.float64), plateaus.n, plateaus.sum_w, plateaus.hole_follows, 0.5, 1.0
    )
    long = n * plateaus.period_s > SECOND_REST_S
    if not n[long].sum() > SECOND_REST_SHARE * plateaus.n.sum():
        return levels
    greatest_w = float((sum_w[long] / n[long]).max())
    return replace(levels, low_w=max(levels.low_w, (greatest_w + middle_w) / 2))


def without_spikes(plateaus: Plateaus) -> NDArray[np.bool_]:
    """Which plateaus are not a single sample that stands far above both its neighbours."""
    if plateaus.period_s > SPIKE_PERIOD_S:
        return np.ones(len(plateaus), bool)
    w = plateaus.mean_w
    around = np.maximum(np.r_[-np.inf, w[:-1]], np.r_[w[1:], -np.inf])
    base = w.min(initial=np.inf)
    return (plateaus.n > 1) | (around - base >= 0.3 * (w - base))


def sums_of(values: NDArray, first: NDArray[np.int64], stop: NDArray[np.int64]) -> NDArray:
    """Sum of values[first:stop] for each pair."""
    upto = np.r_[np.zeros(1, values.dtype), np.cumsum(values)]
    return upto[stop] - upto[first]
