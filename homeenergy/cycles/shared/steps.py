"""The levels of a circuit that several loads share, and the short pulses on top of them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d, minimum_filter1d

from homeenergy.cycles.segment.plateaus import segment
from homeenergy.readings.trace import Trace
from homeenergy.units import S_PER_DAY

# What lasts less is a pulse; it says more by its height than by when it falls.
PULSE_S = 16.0
# Slow meters show a step as several levels, each for at most so long. Observed on real plugs.
SLOW_S = 12.0
# What is the same before and after a gap up to this has not changed in it. Own rule.
SAME_GAP_S = 1800.0
# A load that wanders makes levels without end: beyond so many a day the least of them are noise.
MOST_A_DAY = 1000.0
LEAST_STEP_W, LEAST_STEP_SHARE = 5.0, 0.03


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Steps:
    """Levels of a circuit in order of time, and its pulses, as arrays of one entry each.

    `first` and `stop` number samples (half-open); `level_w` is above `floor_w`, the least level
    that lasts [W]. `new` marks a level that a long gap precedes. Of a pulse: `pulse_first`,
    `pulse_stop`, its mean and greatest height above the level, `pulse_w` and `pulse_peak_w` [W].
    """

    period_s: float
    floor_w: float
    noise_w: float
    first: NDArray[np.int64]
    stop: NDArray[np.int64]
    level_w: NDArray[np.float64]
    new: NDArray[np.bool_]
    pulse_first: NDArray[np.int64]
    pulse_stop: NDArray[np.int64]
    pulse_w: NDArray[np.float64]
    pulse_peak_w: NDArray[np.float64]

    @property
    def start_s(self) -> NDArray[np.float64]:
        """When each level begins [s]."""
        return np.asarray(self.first * self.period_s, np.float64)

    @property
    def span_s(self) -> float:
        """From the first sample to the end of the last level [s]."""
        return float(self.stop[-1]) * self.period_s if self.stop.size else 0.0

    @property
    def length_s(self) -> NDArray[np.float64]:
        """How long each level lasts [s]."""
        return np.asarray((self.stop - self.first) * self.period_s, np.float64)

    @property
    def jump_w(self) -> NDArray[np.float64]:
        """From the level before to each [W]; NaN after a long gap."""
        jump = np.diff(self.level_w, prepend=0.0)
        return np.where(self.new, np.nan, jump)


def find_steps(trace: Trace) -> Steps:
    """Levels and pulses of a trace without samples in doubt. O(samples)."""
    watts = trace.watts.astype(np.float64)
    level, pulse = _without_pulses(watts, trace.period_s)
    plain = Trace(
        label="", start=trace.start, period_s=trace.period_s, watts=level.astype(np.float32)
    )
    days = max(trace.covered_s / S_PER_DAY, 0.25)
    found = segment(plain, fine=False)
    while len(found) > MOST_A_DAY * days:
        found = segment(plain, fine=False, noise_w=2 * found.settings["noise_w"])
    new = np.r_[True, found.hole_follows]
    levels = _without_ends(found.first, found.stop, found.mean_w, new, trace.period_s)
    levels = _steps_at_once(*levels, trace.period_s)
    first, stop, level_w, new = levels
    new = new & ~_goes_on(first, stop, level_w, trace.period_s)
    floor_w = _floor_w(level_w, stop - first)
    edges = np.flatnonzero(np.diff(np.r_[0, pulse.astype(np.int8), 0]))
    pulse_first, pulse_stop = edges[::2], edges[1::2]
    above = np.r_[np.where(pulse, watts - level, 0.0), 0.0]
    excess = np.cumsum(np.r_[0.0, above])
    height = (excess[pulse_stop] - excess[pulse_first]) / np.maximum(pulse_stop - pulse_first, 1)
    peak = np.maximum.reduceat(above, edges)[::2] if edges.size else np.empty(0)
    return Steps(
        period_s=trace.period_s,
        floor_w=floor_w,
        noise_w=found.settings["noise_w"],
        first=first,
        stop=stop,
        level_w=level_w - floor_w,
        new=new,
        pulse_first=pulse_first,
        pulse_stop=pulse_stop,
        pulse_w=height,
        pulse_peak_w=peak,
    )


def _without_pulses(
    watts: NDArray[np.float64], period_s: float
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Watts with pulses cut off by a morphological opening, and where they were."""
    # A pulse fills part of a sample at each of its ends.
    n = math.ceil(PULSE_S / period_s) + 2
    if period_s > PULSE_S / 1.5:
        return watts, np.zeros(watts.size, bool)
    missing = np.isnan(watts)
    low = minimum_filter1d(np.where(missing, np.inf, watts), n, mode="nearest")
    # The origin turns the window round, so that the second filter undoes the first.
    opened = maximum_filter1d(
        np.where(np.isinf(low), -np.inf, low), n, mode="nearest", origin=-1 if n % 2 == 0 else 0
    )
    opened = np.minimum(np.where(np.isfinite(opened), opened, watts), watts)
    differences = np.abs(np.diff(watts))
    seen = differences[np.isfinite(differences)]
    step = float(np.median(seen)) if seen.size else 0.0
    limit = np.maximum(LEAST_STEP_W + 6 * step, 0.1 * opened)
    pulse = ~missing & (watts - opened > limit)
    return np.where(pulse, opened, watts), pulse


Levels = tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64], NDArray[np.bool_]]
"""First and last sample, watts, and whether a gap precedes, of each level."""


def _without_ends(
    first: NDArray[np.int64],
    stop: NDArray[np.int64],
    level_w: NDArray[np.float64],
    new: NDArray[np.bool_],
    period_s: float,
) -> Levels:
    """Levels but for short ones at the ends of gaps, where a reading may be held or cut off."""
    after = np.r_[new[1:], True]
    short = ((stop - first) * period_s <= SLOW_S) & (new | after)
    if short.all():
        return first, stop, level_w, new
    kept = np.flatnonzero(~short)
    # A gap precedes where one precedes any level that was left out on the way.
    gaps = np.cumsum(new)
    return first[kept], stop[kept], level_w[kept], np.diff(gaps[kept], prepend=0) > 0


def _goes_on(
    first: NDArray[np.int64],
    stop: NDArray[np.int64],
    level_w: NDArray[np.float64],
    period_s: float,
) -> NDArray[np.bool_]:
    """Whether a level is above all rest, and after a short gap about what was before it.

    That a load went off and on again while nobody looked would be the greater coincidence.
    """
    before = np.r_[np.nan, level_w[:-1]]
    gap_s = np.r_[np.inf, (first[1:] - stop[:-1]) * period_s]
    room = np.maximum(LEAST_STEP_W, 2 * LEAST_STEP_SHARE * np.abs(level_w))
    return np.asarray((gap_s <= SAME_GAP_S) & (np.abs(level_w - before) <= room))


def _steps_at_once(
    first: NDArray[np.int64],
    stop: NDArray[np.int64],
    level_w: NDArray[np.float64],
    new: NDArray[np.bool_],
    period_s: float,
) -> Levels:
    """Steps that show as several, each short and on the way, made one.

    A slow meter makes them so, and a step within a sample.
    """
    if first.size < 3:
        return first, stop, level_w, new
    before, after = np.diff(level_w)[:-1], np.diff(level_w)[1:]
    short = (stop - first)[1:-1] * period_s <= max(SLOW_S, period_s)
    between = short & (before * after > 0) & ~new[1:-1] & ~new[2:]
    keep = np.r_[True, ~between, True]
    owner = np.flatnonzero(keep)
    lo, hi = first[owner], stop[owner]
    middle = (hi[:-1] + lo[1:]) // 2
    joined = (owner[1:] - owner[:-1]) > 1
    hi[:-1] = np.where(joined, middle, hi[:-1])
    lo[1:] = np.where(joined, middle, lo[1:])
    return lo, hi, level_w[owner], new[owner]


def _floor_w(level_w: NDArray[np.float64], n: NDArray[np.int64]) -> float:
    """Level below which the circuit is for a hundredth of the time [W]; not below zero."""
    if not level_w.size:
        return 0.0
    order = np.argsort(level_w)
    at = np.searchsorted(np.cumsum(n[order]), 0.01 * n.sum())
    return max(float(level_w[order][min(at, order.size - 1)]), 0.0)
