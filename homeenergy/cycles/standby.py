"""Standby: what an appliance draws between its runs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.stats import linregress
from scipy.stats import t as student_t

from homeenergy.cycles.plateaus import Plateaus
from homeenergy.cycles.rest import find_rest, means_at_rest
from homeenergy.cycles.rounding import rounding_limit_w
from homeenergy.estimate import Estimate, joined_half
from homeenergy.house.clamp_floor import UNKNOWN_FLOOR, ClampFloor
from homeenergy.readings.trace import Trace
from homeenergy.units import S_PER_H

# No clamp in a panel tells less than this from nothing. Common practice, no source.
LEAST_BOUND_W = 1.0
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
    rounding_w : float
        Limit of an even error as large as that which rounding to this step leaves in the mean of
        the readings at rest [W].
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
    rounding_w: float
    slope_w_per_h: float
    stable: bool | None

    @property
    def rounding_half_w(self) -> float:
        """Half width at 95 % of what rounding leaves in the mean of the readings at rest [W]."""
        return joined_half(0.0, self.rounding_w)

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
        rounding_w=0.0,
        slope_w_per_h=nan,
        stable=None,
    )


def idle_standby(
    pieces: list[Trace],
    plateaus: Plateaus,
    first: NDArray[np.int64],
    stop: NDArray[np.int64],
    *,
    on_w: float,
    floor: ClampFloor = UNKNOWN_FLOOR,
) -> Standby:
    """Standby from the plateaus outside the runs [first, stop).

    What counts as rest is said in `homeenergy.cycles.rest`. The mean and not the median is taken:
    meters with coarse steps flicker about the true value.

    The interval combines the spread between hours (eighths of less than eight hours; Student's t)
    with what rounding of the readings leaves in their mean (`rounding_limit_w`; see `joined_half`)
    and the offset of the clamp, as far as `floor` knows it, which noise does not average out. An
    interval that reaches to zero is told as an upper bound, as is less than half a step: readings
    may be cut off rather than rounded.
    """
    rest = find_rest(plateaus, first, stop, on_w=on_w)
    if not rest.first.size:
        return never_at_rest()
    step_w = plateaus.settings["step_w"]
    hour, block_w, block_n = means_at_rest(pieces, rest)
    value = float(np.average(block_w, weights=block_n))
    hours = float(block_n.sum()) * plateaus.period_s / S_PER_H
    left = floor.left_at(value)
    rounding_w = rounding_limit_w(pieces, rest, step_w=step_w)
    even_w, normal_w = (rounding_w, left * floor.even_w), left * floor.normal_w
    if block_w.size > 1:
        spread_w = student_t.ppf(0.975, block_w.size - 1) * _weighted_spread(block_w, block_n)
        half = joined_half(np.hypot(spread_w / np.sqrt(block_w.size), normal_w), *even_w)
    else:
        half = float("inf")
    least_w = max(floor.resolution_w, step_w / 2)
    resolved = abs(value) > half and abs(value) >= least_w and value != 0
    bound = (
        max(abs(value) + half, step_w, LEAST_BOUND_W, floor.resolution_w)
        if np.isfinite(half)
        else np.inf
    )
    basis = f"mean of {hours:.1f} h at rest"
    if floor.normal_w:
        basis += f", by a clamp whose offset is known to {floor.normal_w:.2g} W"
    if not floor.normal_w and floor.resolution_w > step_w:
        basis += f", by a clamp that resolves {floor.resolution_w:.2g} W"
    elif step_w:
        basis += f", readings in steps of {step_w:g} W"
    if not resolved:
        basis = f"below what these readings can tell, over {hours:.1f} h at rest"
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
            systematic=joined_half(normal_w, *even_w) if resolved else 0.0,
        ),
        levels=rest.levels if len(rest.levels) > 1 else ((value, 1.0),),
        hours=hours,
        measured_w=value,
        step_w=step_w,
        rounding_w=rounding_w,
        slope_w_per_h=slope,
        stable=bool(abs(slope) < limit) if block_w.size > 2 else None,
    )


def _weighted_spread(block_w: NDArray[np.float64], block_n: NDArray[np.int64]) -> float:
    """Standard deviation between blocks, those with little rest counting less."""
    mean_w = np.average(block_w, weights=block_n)
    spread2 = np.average((block_w - mean_w) ** 2, weights=block_n)
    return float(np.sqrt(spread2 * block_w.size / (block_w.size - 1)))
