"""Rest: which of the time between runs shows what an appliance draws while it does nothing.

Left out are single-sample spikes, what settles soon after a run, samples that a run shares, other
small loads (levels that hold little of the time) and a display that goes on after runs.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from homeenergy.cycles import kernels
from homeenergy.cycles.fragments import SPIKE_PERIOD_S
from homeenergy.cycles.levels import IDLE_ELECTRONICS_W
from homeenergy.cycles.plateaus import Plateaus
from homeenergy.readings.trace import Trace
from homeenergy.units import S_PER_H

# Draw often settles for some minutes after a run (a fan, a "finished" display), but not for longer
# than this share of the usual time between runs.
SETTLE_S, SETTLE_SHARE = 300.0, 0.25
# A level that holds less of the idle time is another small load, not the appliance at rest.
LEAST_SHARE = 0.04
# What holds less than this is on its way between two levels.
LEAST_LINK_SHARE = 0.002
# A level is taken for a tail of runs if it follows one for this share of its time.
TAIL_SHARE = 0.7
# A level from which this share of the runs begin is one of rest.
LEAD_SHARE = 0.15


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rest:
    """Stretches of rest as sample ranges [first, stop), and the levels at which they stand.

    `levels` holds (level [W], share of the time at rest), the most frequent first; `sign` is -1
    where the plateaus are those of a trace whose sign was turned.
    """

    first: NDArray[np.int64]
    stop: NDArray[np.int64]
    levels: tuple[tuple[float, float], ...]
    period_s: float
    length: int
    sign: int


def find_rest(
    plateaus: Plateaus, first: NDArray[np.int64], stop: NDArray[np.int64], *, on_w: float
) -> Rest:
    """Rest outside the runs [first, stop) of samples; power of work (`on_w`) is none."""
    idle, tail = _idle_plateaus(plateaus, first, stop)
    idle &= ~(plateaus.mean_w > on_w)
    lead = np.isin(plateaus.stop, first)
    levels, kept = _levels(plateaus, np.flatnonzero(idle), tail, lead)
    begin, end = plateaus.first[kept], plateaus.stop[kept]
    if plateaus.period_s > SPIKE_PERIOD_S and first.size:
        # A long sample beside a run is shared with it.
        begin = begin + np.isin(begin, stop)
        end = end - np.isin(end, first)
    some = end > begin
    return Rest(
        first=begin[some],
        stop=end[some],
        levels=levels,
        period_s=plateaus.period_s,
        length=plateaus.length,
        sign=-1 if plateaus.settings["backwards"] else 1,
    )


def means_at_rest(
    pieces: list[Trace], rest: Rest
) -> tuple[NDArray[np.floating], NDArray[np.float64], NDArray[np.int64]]:
    """Hours since the start, mean power [W] and samples of each block of time with some rest.

    A block is an hour, or an eighth of less than eight hours. One pass over the samples.
    """
    rest_h = float((rest.stop - rest.first).sum()) * rest.period_s / S_PER_H
    block_n = max(round(min(1.0, rest_h / 8) * S_PER_H / rest.period_s), 1)
    sums = np.zeros(rest.length // block_n + 1)
    counts = np.zeros(sums.size, np.int64)
    origin = 0
    for piece in pieces:
        kernels.sum_by_block(piece.watts, origin, rest.first, rest.stop, block_n, sums, counts)
        origin += len(piece)
    used = np.flatnonzero(counts)
    hours = used * block_n * rest.period_s / S_PER_H
    return hours, rest.sign * sums[used] / counts[used], counts[used]


def _idle_plateaus(
    plateaus: Plateaus, first: NDArray[np.int64], stop: NDArray[np.int64]
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Which plateaus lie outside runs, and which begin soon after one."""
    lasting = (plateaus.n > 1) | (plateaus.period_s > SPIKE_PERIOD_S)
    # Power that flows the other way is no rest.
    lasting &= plateaus.mean_w > min(plateaus.usual_w, 0.0) - IDLE_ELECTRONICS_W
    if not first.size:
        return lasting, np.zeros(len(plateaus), bool)
    between_n = np.median(first[1:] - stop[:-1]) if first.size > 1 else np.inf
    settle_n = min(SETTLE_S / plateaus.period_s, SETTLE_SHARE * between_n)
    before = np.searchsorted(first, plateaus.first, side="right") - 1
    end = np.where(before >= 0, stop[np.maximum(before, 0)], -np.inf)
    tail = plateaus.first < end + settle_n
    short = plateaus.stop - plateaus.first < 2 * settle_n
    return lasting & (plateaus.first >= end) & ~(tail & short), tail


def _levels(
    plateaus: Plateaus,
    idle: NDArray[np.int64],
    tail: NDArray[np.bool_],
    lead: NDArray[np.bool_],
) -> tuple[tuple[tuple[float, float], ...], NDArray[np.int64]]:
    """Levels with their shares, and the plateaus that stand at one of them.

    Plateaus belong to different levels where sorted neighbours are further apart than noise, a step
    and a half of the readings and a tenth of the level. A higher level that follows runs, mostly,
    is a "finished" display and not rest, unless runs begin from it as well (`lead`).
    """
    if not idle.size:
        return (), idle
    order = idle[np.argsort(plateaus.mean_w[idle], kind="stable")]
    # The noise at rest, which can be much less than at work.
    flicker_w = np.sqrt(np.average(plateaus.std_w[order] ** 2, weights=plateaus.n[order]))
    least_w = max(1.5 * plateaus.settings["step_w"], 2 * float(flicker_w), 1e-6)
    at = ((plateaus.mean_w[order] - plateaus.mean_w[order[0]]) / least_w).astype(np.int64)
    _, at = np.unique(at, return_inverse=True)
    held = np.bincount(at, weights=plateaus.n[order])
    order = order[(held >= LEAST_LINK_SHARE * held.sum())[at]]
    w = plateaus.mean_w[order]
    apart = np.diff(w) > np.maximum(least_w, 0.1 * np.abs(w[1:]))
    groups = np.split(order, np.flatnonzero(apart) + 1)
    groups.sort(key=lambda g: -int(plateaus.n[g].sum()))
    least_n = LEAST_SHARE * plateaus.n[order].sum()
    main_w = plateaus.mean_w[groups[0]].max()
    chosen = groups[:1] + [
        g
        for g in groups[1:]
        if plateaus.n[g].sum() >= least_n
        and (
            plateaus.mean_w[g].max() < main_w
            or lead[g].sum() >= LEAD_SHARE * lead.sum() > 0
            or _tail_share(plateaus, np.sort(g), tail) < TAIL_SHARE
        )
    ]
    kept = np.concatenate(chosen)
    levels = tuple(
        (
            float(plateaus.sum_w[g].sum() / plateaus.n[g].sum()),
            float(plateaus.n[g].sum() / plateaus.n[kept].sum()),
        )
        for g in chosen
    )
    return levels, np.sort(kept)


def _tail_share(plateaus: Plateaus, level: NDArray[np.int64], tail: NDArray[np.bool_]) -> float:
    """Share of the time at a level that follows a run without a break."""
    heads = np.r_[True, np.diff(level) > 1]
    follows = tail[level[heads]][np.cumsum(heads) - 1]
    return float(plateaus.n[level][follows].sum() / plateaus.n[level].sum())
