"""How good the readings of a circuit are: coverage, gaps, samples in doubt, negative readings."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.readings.doubt import HELD, LONE, REASONS, STUCK, Doubts
from homeenergy.readings.store.store import MonthInfo
from homeenergy.readings.trace import Trace
from homeenergy.units import NS_PER_S

NEGATIVE_W = 5.0


def circuit_quality(
    circuit: str, infos: Sequence[MonthInfo], months: Iterable[Trace], *, doubts: Doubts
) -> dict[str, Any]:
    """Sum up the readings of one circuit.

    Parameters
    ----------
    circuit : str
    infos : sequence of MonthInfo
        What its months say of themselves.
    months : iterable of Trace
        Its samples, one month at a time.
    doubts : Doubts
        Its samples in doubt.

    Returns
    -------
    dict
        circuit; period_s; first, last (instants at which the samples begin and end); coverage
        (share of the time between them that has samples); gaps (stretches without);
        longest_gap_s; rows, repeats (rows that shared an instant with another), conflicts
        (instants with different values), out_of_order,
        resets, rejected (as logged); doubted (samples in doubt), doubt (how many for which reason,
        see `homeenergy.readings.doubt.REASONS`); spikes (lone or held); stuck_s (longest stretch
        stuck at one value); negative_share (of the samples; see `count_negative`).
    """
    found = _Found()
    for trace in months:
        found.take(trace)
    period_ns = infos[0].period_ns if infos else NS_PER_S
    slots = 0
    if found.first is not None and found.last is not None:
        slots = int((found.last - found.first).value) // period_ns
    counts = doubts.counts()
    counted = ("rows", "repeats", "conflicts", "out_of_order", "resets", "rejected")
    return {
        "circuit": circuit,
        "period_s": period_ns / NS_PER_S,
        "first": found.first,
        "last": found.last,
        "coverage": found.present / slots if slots else float("nan"),
        "gaps": found.gaps,
        "longest_gap_s": found.longest * period_ns / NS_PER_S,
        **{name: sum(getattr(info, name) for info in infos) for name in counted},
        "doubted": sum(counts.values()),
        "doubt": ", ".join(f"{number} {reason}" for reason, number in counts.items()),
        "spikes": sum(counts.get(REASONS[flag], 0) for flag in (LONE, HELD)),
        "stuck_s": doubts.longest(STUCK) * period_ns / NS_PER_S,
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
        self.negative += count_negative(trace.sure().watts)


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
