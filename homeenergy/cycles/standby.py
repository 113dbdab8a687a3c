"""Standby: what an appliance draws between its runs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.stats import linregress, norm
from scipy.stats import t as student_t

from homeenergy.cycles.fragments import SPIKE_PERIOD_S
from homeenergy.cycles.plateaus import Plateaus
from homeenergy.estimate import Estimate
from homeenergy.units import S_PER_H

# No clamp in a panel tells less than this from nothing. Common practice, no source.
LEAST_BOUND_W = 1.0
# Draw often settles for some minutes after a run (a fan, a "finished" display): left out.
SETTLE_S = 300.0
# A level that holds less of the idle time is another small load, not the appliance at rest.
LEAST_SHARE = 0.04
# A level is taken for a tail of runs if it follows one for this share of its time.
TAIL_SHARE = 0.7
# IEC 62301:2011, 5.3.2 (from memory): power is stable if its slope on time is less than 10 mW/h up
# to 1 W, and less than 1 % of it per hour above.
STABLE_W_PER_H, STABLE_SHARE_PER_H = 0.010, 0.01


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Standby:
    """Draw between runs.

    Attributes
    ----------
    draw_w : Estimate
        Mean draw at rest [W]; not resolved where the readings cannot tell it from nothing.
    levels : tuple of (float, float)
        Idle levels [W] and their shares of the idle time, the most frequent first.
    hours : float
        Idle time behind it [h].
    measured_w : float
        The plain mean of the readings at rest [W], for energy sums; NaN if never at rest.
    step_w : float
        Smallest step of the readings [W]; 0 where none shows.
    slope_w_per_h : float
        Regression of the means of hours on time [W/h].
    stable : bool or None
        Whether the slope is within the limits of IEC 62301:2011; None with too few hours.
    """

    draw_w: Estimate
    levels: tuple[tuple[float, float], ...]
    hours: float
    measured_w: float
    step_w: float
    slope_w_per_h: float
    stable: bool | None

    def to_frame(self) -> pd.DataFrame:
        """One row an idle level: level_w, share."""
        return pd.DataFrame(self.levels, columns=["level_w", "share"])


def never_at_rest() -> Standby:
    """What can be said of an appliance that was never seen at rest."""
    nan = float("nan")
    return Standby(
        draw_w=Estimate(
            value=nan, low=nan, high=nan, unit="W", n=0, basis="never seen at rest in these data"
        ),
        levels=(),
        hours=0.0,
        measured_w=nan,
        step_w=0.0,
        slope_w_per_h=nan,
        stable=None,
    )


def idle_standby(
    plateaus: Plateaus,
    first: NDArray[np.int64],
    stop: NDArray[np.int64],
    *,
    resolution_w: float = 0.0,
) -> Standby:
    """Standby from the plateaus outside the runs [first, stop).

    Single-sample spikes, what settles within `SETTLE_S` after a run, and levels that hold less
    than `LEAST_SHARE` of the idle time are left out. The mean and not the median is taken: meters
    with coarse steps flicker about the true value.

    The interval combines, as JCGM 100:2008 5.1.2 does, the spread between hours (eighths of less
    than eight hours; Student's t) with the rounding of the readings (F.2.2.1: step / sqrt 12).
    Noise averages rounding out, but the offset of a clamp is of the same size and unknown, so it
    stays in. An interval that reaches to zero is told as an upper bound.
    """
    step_w = plateaus.settings["step_w"]
    idle, tail = _idle_plateaus(plateaus, first, stop)
    if not idle.any():
        return never_at_rest()
    levels, kept = _levels(plateaus, np.flatnonzero(idle), tail, step_w=step_w)
    n = plateaus.n[kept].astype(np.float64)
    value = float(plateaus.sum_w[kept].sum() / n.sum())
    hours = float(n.sum()) * plateaus.period_s / S_PER_H
    hour, block_w = _block_means(plateaus, kept, block_h=min(1.0, hours / 8))
    rounding_w = step_w / np.sqrt(12)
    if block_w.size > 1:
        spread_w = student_t.ppf(0.975, block_w.size - 1) * block_w.std(ddof=1)
        half = float(np.hypot(spread_w / np.sqrt(block_w.size), norm.ppf(0.975) * rounding_w))
    else:
        half = float("inf")
    resolved = abs(value) > half and abs(value) >= resolution_w and value != 0
    least_w = step_w or LEAST_BOUND_W
    bound = max(abs(value) + half, least_w, resolution_w) if np.isfinite(half) else np.inf
    basis = f"mean of {hours:.1f} h at rest, readings in steps of {step_w:g} W"
    if not resolved:
        basis = f"below what these readings can tell: less than {bound:.2g} W over {hours:.1f} h"
    slope = float(linregress(hour, block_w).slope) if np.ptp(hour) > 0 else float("nan")
    limit = max(STABLE_W_PER_H, STABLE_SHARE_PER_H * abs(value))
    return Standby(
        draw_w=Estimate(
            value=value if resolved or not np.isfinite(bound) else bound / 2,
            low=value - half if resolved else 0.0,
            high=value + half if resolved else bound,
            unit="W",
            n=int(block_w.size),
            basis=basis,
            resolved=resolved,
        ),
        levels=levels,
        hours=hours,
        measured_w=value,
        step_w=step_w,
        slope_w_per_h=slope,
        stable=bool(abs(slope) < limit) if block_w.size > 2 else None,
    )


def _idle_plateaus(
    plateaus: Plateaus, first: NDArray[np.int64], stop: NDArray[np.int64]
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Which plateaus lie outside runs, and which begin within `SETTLE_S` after one."""
    lasting = (plateaus.n > 1) | (plateaus.period_s > SPIKE_PERIOD_S)
    if not first.size:
        return lasting, np.zeros(len(plateaus), bool)
    settle_n = round(SETTLE_S / plateaus.period_s)
    before = np.searchsorted(first, plateaus.first, side="right") - 1
    end = np.where(before >= 0, stop[np.maximum(before, 0)], -settle_n)
    tail = plateaus.first < end + settle_n
    short = plateaus.stop - plateaus.first < 2 * settle_n
    return lasting & (plateaus.first >= end) & ~(tail & short), tail


def _levels(
    plateaus: Plateaus, idle: NDArray[np.int64], tail: NDArray[np.bool_], *, step_w: float
) -> tuple[tuple[tuple[float, float], ...], NDArray[np.int64]]:
    """Levels with their shares, and the plateaus that stand at one of them.

    Plateaus belong to different levels where sorted neighbours are further apart than noise, a step
    and a half of the readings and a tenth of the level. A higher level that follows runs,
    mostly, is a "finished" display and not rest.
    """
    order = idle[np.argsort(plateaus.mean_w[idle], kind="stable")]
    w = plateaus.mean_w[order]
    apart = np.diff(w) > np.maximum(
        max(1.5 * step_w, plateaus.settings["noise_w"]), 0.1 * np.abs(w[1:])
    )
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


def _block_means(
    plateaus: Plateaus, kept: NDArray[np.int64], *, block_h: float
) -> tuple[NDArray[np.floating], NDArray[np.floating]]:
    """Hours since the start, and mean power [W], of every block of time with some rest in it."""
    per_block = max(block_h * S_PER_H / plateaus.period_s, 1.0)
    a, b = plateaus.first[kept] / per_block, plateaus.stop[kept] / per_block
    pieces = np.maximum(np.ceil(b).astype(np.int64) - np.floor(a).astype(np.int64), 1)
    which = np.repeat(np.arange(kept.size), pieces)
    block = np.floor(a).astype(np.int64)[which] + (
        np.arange(which.size) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    )
    weight = np.minimum(block + 1, b[which]) - np.maximum(block, a[which])
    total = np.bincount(block, weights=weight)
    mean = np.bincount(block, weights=weight * plateaus.mean_w[kept][which])
    used = np.flatnonzero(total > 0)
    return used * per_block * plateaus.period_s / S_PER_H, mean[used] / total[used]
