"""Hours without power: off at the wall is an event, and no level at which an appliance rests."""

from __future__ import annotations

from weakref import WeakKeyDictionary

import numpy as np
from numpy.typing import NDArray

from homeenergy.cycles.runs.levels import (
    NOTHING_W,
    QUIET_N,
    QUIET_S,
    QUIET_W,
    RARE_SHARE,
    quiet_levels,
    wanders_w,
    without_spikes,
)
from homeenergy.cycles.segment import kernels
from homeenergy.cycles.segment.plateaus import Plateaus, some, within
from homeenergy.units import S_PER_DAY

# What it draws else is clear of nothing at so many steps of the readings, or times their noise, and
# watts; a share of it is nothing, for clamps are off by watts, not what a quiet draw may wander.
LEAST_POWERED_STEPS, LEAST_POWERED_W, NOTHING_SHARE = 1.5, 1.0, 0.05

# Levels, rest and the table of runs ask the same of the same plateaus.
_told: WeakKeyDictionary[Plateaus, NDArray[np.bool_]] = WeakKeyDictionary()


def without_power(plateaus: Plateaus) -> NDArray[np.bool_]:
    """Which plateaus lie in stretches without power that are events.

    Whoever draws nothing between uses does so again and again. What draws nothing at most once for
    each day with power, and no more often than it rises from the level that it holds for most of
    the quiet time else, rests at that level: five minutes or more of nothing are then off at the
    wall, however long. Of a shorter log, so is a single stretch that is rare. Own rule.
    """
    if (off := _told.get(plateaus)) is None:
        off = _told[plateaus] = _without_power(plateaus)
    return off


def _without_power(plateaus: Plateaus) -> NDArray[np.bool_]:
    none = np.zeros(len(plateaus), bool)
    quiet = quiet_levels(some(plateaus, np.abs(plateaus.mean_w) > NOTHING_W))
    if not quiet:
        return none
    usual = int(np.argmax(quiet.n))
    usual_w = quiet.mean_w[usual]
    least_w = max(plateaus.settings["step_w"], plateaus.settings["noise_w"])
    if usual_w < max(LEAST_POWERED_W, LEAST_POWERED_STEPS * least_w):
        return none
    most_w = max(NOTHING_W, min(NOTHING_SHARE * usual_w, QUIET_W))
    off, stretches = nothing_for_long(plateaus, most_w=most_w)
    if not stretches:
        return none
    powered = some(plateaus, ~off)
    powered_s, off_s = (float(n.sum()) * plateaus.period_s for n in (powered.n, plateaus.n[off]))
    rare = stretches == 1 and off_s < RARE_SHARE * (powered_s + off_s)
    at_rest = np.abs(quiet.mean_w) > most_w
    most = quiet.n[usual] > quiet.n[at_rest].sum() / 2
    if not (most and (powered_s >= stretches * S_PER_DAY or rare)):
        return none
    above_w = quiet.top_w[usual] + wanders_w(quiet.top_w[usual], powered)
    kept = some(powered, without_spikes(powered, above_w=above_w))
    first, *_ = kernels.stretches(
        kept.mean_w, kept.n, kept.sum_w, kept.hole_follows, above_w, above_w
    )
    return off if first.size >= stretches else none


def nothing_for_long(
    plateaus: Plateaus, among: NDArray[np.bool_] | None = None, *, most_w: float = NOTHING_W
) -> tuple[NDArray[np.bool_], int]:
    """Which plateaus (`among` some) lie in quiet stretches of nothing, and how many these are."""
    nothing = np.abs(plateaus.mean_w) <= most_w
    if among is not None:
        nothing &= among
    begin, end, n, _, _ = kernels.stretches(
        nothing.astype(np.float64), plateaus.n, plateaus.sum_w, plateaus.hole_follows, 0.5, 1.0
    )
    long = n >= max(QUIET_S / plateaus.period_s, QUIET_N)
    return within(begin[long], end[long], len(plateaus)), int(long.sum())
