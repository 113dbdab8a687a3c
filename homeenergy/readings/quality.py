"""How good the readings of a circuit are: coverage, gaps, spikes, stuck and negative readings."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.readings.store import MonthInfo
from homeenergy.readings.trace import Trace
from homeenergy.units import NS_PER_S

SPIKE_FLOOR_W = 100.0
SPIKE_NOISES = 20.0
STUCK_SAMPLES = 30
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
        resets, rejected (as logged); spikes (see `count_spikes`); stuck_s (see
        `longest_stuck`); negative_share (of the samples).
    """
    present = gaps = spikes = negative = stuck = longest = 0
    first: pd.Timestamp | None = None
    last: pd.Timestamp | None = None
    period_ns = infos[0].period_ns if infos else NS_PER_S
    for trace in months:
        watts = trace.watts
        there = ~np.isnan(watts)
        if last is not None and trace.start > last:
            gaps += 1
            longest = max(longest, int((trace.start - last).value) // period_ns)
        first = trace.start if first is None else first
        last = trace.end
        runs = _run_lengths(~there)
        gaps += runs.size
        longest = max(longest, int(runs.max(initial=0)))
        present += int(np.count_nonzero(there))
        negative += int(np.count_nonzero(watts < 0))
        spikes += count_spikes(watts)
        stuck = max(stuck, longest_stuck(watts))
    span = 0 if first is None or last is None else int((last - first).value) // period_ns
    return {
        "circuit": circuit,
        "period_s": period_ns / NS_PER_S,
        "first": first,
        "last": last,
        "coverage": present / span if span else float("nan"),
        "gaps": gaps,
        "longest_gap_s": longest * period_ns / NS_PER_S,
        "rows": sum(info.rows for info in infos),
        "repeats": sum(info.repeats for info in infos),
        "out_of_order": sum(info.out_of_order for info in infos),
        "resets": sum(info.resets for info in infos),
        "rejected": sum(info.rejected for info in infos),
        "spikes": spikes,
        "stuck_s": stuck * period_ns / NS_PER_S,
        "negative_share": negative / present if present else float("nan"),
    }


def _run_lengths(flags: NDArray[np.bool_]) -> NDArray[np.intp]:
    edges = np.flatnonzero(np.diff(np.r_[False, flags, False].astype(np.int8)))
    return edges[1::2] - edges[::2]


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
    Own rule: the sample stands above the higher of its neighbours by more than 100 W, 20 times
    the typical step between samples (their 90th percentile), and three times the higher neighbour
    itself. A kettle that is caught by one sample of a coarse log is counted too; and the inrush of
    a compressor is not, since the power stays up behind it, if a third of the inrush remains.
    """
    if watts.size < 3:
        return 0
    left, here, right = watts[:-2], watts[1:-1], watts[2:]
    higher = np.maximum(left, right)
    steps = np.abs(np.diff(watts))
    steps = steps[np.isfinite(steps)]
    typical = float(np.percentile(steps, 90)) if steps.size else 0.0
    excess = here - higher
    limit = max(SPIKE_FLOOR_W, SPIKE_NOISES * min(typical, SPIKE_FLOOR_W))
    return int(np.count_nonzero((excess > limit) & (here > 3 * higher)))


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
    Own rule. A stretch counts if it is at least 30 samples long, its value is not zero, and this
    value makes up stretches of the kind for less than 2 % of the samples: a value that comes back
    again and again (an idle level in whole watts) is the circuit's habit, not a stuck logger.
    """
    if watts.size < STUCK_SAMPLES:
        return 0
    new = np.flatnonzero(np.r_[True, watts[1:] != watts[:-1]])  # NaN differs from NaN
    lengths = np.diff(np.r_[new, watts.size])
    values = watts[new]
    long = (lengths >= STUCK_SAMPLES) & (values != 0)
    if not long.any():
        return 0
    levels, which = np.unique(values[long], return_inverse=True)
    share = np.bincount(which, weights=lengths[long], minlength=levels.size)
    times = np.bincount(which, minlength=levels.size)
    habit = (share > STUCK_SHARE * watts.size) | (times > 3)
    rare = ~habit[which]
    return int(lengths[long][rare].max(initial=0))
