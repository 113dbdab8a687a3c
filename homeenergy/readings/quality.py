"""How good the readings of a circuit are: coverage, gaps, spikes, stuck and negative readings."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.readings.store.store import MonthInfo
from homeenergy.readings.trace import Trace
from homeenergy.units import NS_PER_S

NEGATIVE_W = 5.0
SPIKE_FLOOR_W = 100.0
SPIKE_NOISES = 20.0
SPIKE_RETURN = 0.03
SPIKE_PERIOD_S = 10.0  # in longer samples a lone high one may well be a kettle
STUCK_SAMPLES = 30
STUCK_PERCENTILE = 99.5
STUCK_TIMES = 10.0
STUCK_STEPS = 20.0
STUCK_HABIT = 3
STUCK_SHARE = 0.02


def circuit_quality(
    circuit: str, infos: Sequence[MonthInfo], months: Iterable[Trace]
) -> dict[str, Any]:
    """Sum up the readings of one circuit.

    Parameters
    ----------
    circuit : str
    infos : sequence of MonthInfo
        What its months say of themselves.
    months : iterable of Trace
        Its samples, one month at a time.

    Returns
    -------
    dict
        circuit; period_s; first, last (instants at which the samples begin and end); coverage
        (share of the time between them that has samples); gaps (stretches without);
        longest_gap_s; rows, repeats (rows that shared an instant with another), out_of_order,
        resets, rejected (as logged); spikes (see `count_spikes`; NaN for
        periods above 10 s, where a lone high sample may well be a use); stuck_s (see
        `longest_stuck`); negative_share (of the samples; see
        `count_negative`).
    """
    found = _Found()
    for trace in months:
        found.take(trace)
    period_ns = infos[0].period_ns if infos else NS_PER_S
    slots = 0
    if found.first is not None and found.last is not None:
        slots = int((found.last - found.first).value) // period_ns
    counted = ("rows", "repeats", "out_of_order", "resets", "rejected")
    return {
        "circuit": circuit,
        "period_s": period_ns / NS_PER_S,
        "first": found.first,
        "last": found.last,
        "coverage": found.present / slots if slots else float("nan"),
        "gaps": found.gaps,
        "longest_gap_s": found.longest * period_ns / NS_PER_S,
        **{name: sum(getattr(info, name) for info in infos) for name in counted},
        "spikes": found.spikes if period_ns <= SPIKE_PERIOD_S * NS_PER_S else float("nan"),
        "stuck_s": found.stuck * period_ns / NS_PER_S,
        "negative_share": found.negative / found.present if found.present else float("nan"),
    }


@dataclass(slots=True)
class _Found:
    """Counts over the months so far [samples]."""

    first: pd.Timestamp | None = None
    last: pd.Timestamp | None = None
    present: int = 0
    gaps: int = 0
    longest: int = 0
    spikes: int = 0
    stuck: int = 0
    negative: int = 0

    def take(self, trace: Trace) -> None:
        watts = trace.watts
        missing = _run_lengths(np.isnan(watts))
        if self.last is not None and trace.start > self.last:
            between = int((trace.start - self.last).value) // trace.period_ns
            missing = np.append(missing, between)
        self.first = trace.start if self.first is None else self.first
        self.last = trace.end
        self.gaps += missing.size
        self.longest = max(self.longest, int(missing.max(initial=0)))
        self.present += int(np.count_nonzero(~np.isnan(watts)))
        self.negative += count_negative(watts)
        self.stuck = max(self.stuck, longest_stuck(watts))
        if trace.period_s <= SPIKE_PERIOD_S:
            self.spikes += count_spikes(watts)


def _run_lengths(flags: NDArray[np.bool_]) -> NDArray[np.intp]:
    edges = np.flatnonzero(np.diff(np.r_[False, flags, False].astype(np.int8)))
    return edges[1::2] - edges[::2]


def count_negative(watts: NDArray[np.float32]) -> int:
    """Count samples farther below zero than the noise of the readings.

    Notes
    -----
    Own rule: three times the noise, but no more than 5 W, since a load that varies is not noise.
    The noise is estimated from the differences between neighbours: nine in ten are below 1.645
    times the root of 2 standard deviations of a normal distribution.
    """
    steps = np.abs(np.diff(watts))
    steps = steps[np.isfinite(steps)]
    noise_w = float(np.percentile(steps, 90)) / (1.645 * np.sqrt(2)) if steps.size else 0.0
    return int(np.count_nonzero(watts < -min(3 * noise_w, NEGATIVE_W)))


def count_spikes(watts: NDArray[np.float32]) -> int:
    """Count single samples far above both neighbours.

    Parameters
    ----------
    watts : numpy.ndarray, shape (n,)

    Returns
    -------
    int

    Notes
    -----
    Own rule: the sample is more than three times its higher neighbour and 100 W above it, and the
    power is back where it was: the neighbours differ by no more than 3 % of the spike, or by four
    typical steps (their 90th percentile, 5 W at the most). So the inrush of a compressor, which
    runs on at a higher level, is not counted.
    """
    if watts.size < 3:
        return 0
    left, here, right = watts[:-2], watts[1:-1], watts[2:]
    higher = np.maximum(left, right)
    excess = here - higher
    # NaN compares as False, so a sample next to a gap is never counted.
    alone = np.flatnonzero((excess > SPIKE_FLOOR_W) & (here > 3 * higher))
    if alone.size == 0:
        return 0
    steps = np.abs(np.diff(watts))
    steps = steps[np.isfinite(steps)]
    noise = min(float(np.percentile(steps, 90)), SPIKE_FLOOR_W / SPIKE_NOISES)
    change = np.abs(right[alone] - left[alone])
    back = change <= np.maximum(4 * noise, SPIKE_RETURN * excess[alone])
    return int(np.count_nonzero(back))


def longest_stuck(watts: NDArray[np.float32]) -> int:
    """Length of the longest stretch of one repeated value that a live circuit would not show.

    Parameters
    ----------
    watts : numpy.ndarray, shape (n,)

    Returns
    -------
    int
        Samples; 0 where there is none.

    Notes
    -----
    Own rule. A stretch of equal readings counts if it is at least 30 samples long; ten times as
    long as all but one in two hundred of the circuit's stretches of equal non-zero readings; its
    value is not one at which the circuit rests (2 % of the samples, or more than three long
    stretches); and at least 20 steps of the readings' resolution: a steady load of a few watts in
    whole watts repeats itself for hours, and nothing is stuck.
    """
    if watts.size < STUCK_SAMPLES:
        return 0
    new = np.flatnonzero(np.r_[True, watts[1:] != watts[:-1]])  # NaN differs from NaN
    lengths, values = np.diff(np.r_[new, watts.size]), watts[new]
    live = (values != 0) & ~np.isnan(values)
    lengths, values = lengths[live], values[live]
    long = lengths >= STUCK_SAMPLES
    if not long.any():
        return 0
    long &= lengths >= STUCK_TIMES * np.percentile(lengths, STUCK_PERCENTILE)
    long &= np.abs(values) >= STUCK_STEPS * _resolution(values)
    levels, which = np.unique(values, return_inverse=True)
    often = lengths >= STUCK_SAMPLES
    number = np.bincount(which[often], minlength=levels.size)
    share = np.bincount(which[often], weights=lengths[often], minlength=levels.size) / watts.size
    long &= (number[which] <= STUCK_HABIT) & (share[which] <= STUCK_SHARE)
    return int(lengths[long].max(initial=0))


def _resolution(values: NDArray[np.float32]) -> float:
    """Smallest step between different readings, a rounding error of float32 aside."""
    steps = np.diff(np.unique(values).astype(np.float64))
    steps = steps[steps > 1e-3]
    return float(steps.min()) if steps.size else 0.0
