"""How often a logger writes, found from the instants of its rows."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from homeenergy.units import NS_PER_S

_MS = 1_000_000
_ENOUGH = 500_000  # steps, evenly picked from longer logs


def find_period_ns(times_ns: NDArray[np.int64]) -> int | None:
    """Step between rows that occurs most often [ns].

    Parameters
    ----------
    times_ns : numpy.ndarray, shape (n,), int64
        Instants of the rows, in any order.

    Returns
    -------
    int or None
        None where fewer than two different instants are there.

    Notes
    -----
    Own method: the most frequent step, in whole milliseconds; where jitter spreads the steps so
    that no single one has a quarter of them, the median of the densest tenth-of-an-octave of
    steps. A result within 5 % of whole seconds becomes whole seconds. O(n log n).
    """
    times = np.asarray(times_ns, dtype=np.int64)
    steps = np.diff(times)
    if steps.size and steps.min() < 0:
        steps = np.diff(np.sort(times))
    steps = steps[steps > 0]
    if steps.size == 0:
        return None
    steps = steps[:: max(steps.size // _ENOUGH, 1)]
    values, counts = np.unique(np.maximum((steps + _MS // 2) // _MS, 1), return_counts=True)
    best = int(np.argmax(counts))
    if counts[best] * 4 >= steps.size:
        return _whole_seconds(int(values[best]) * _MS)
    octaves = np.log2(steps.astype(np.float64))
    bins = np.floor(octaves * 10).astype(np.int64)
    low = int(bins.min())
    number = np.bincount(bins - low, minlength=int(bins.max()) - low + 2)
    pairs = number[:-1] + number[1:]  # two bins at a time, so that no edge splits a peak
    first = int(np.argmax(pairs)) + low
    dense = steps[(bins == first) | (bins == first + 1)]
    return _whole_seconds(int(np.median(dense)))


def _whole_seconds(period_ns: int) -> int:
    seconds = round(period_ns / NS_PER_S)
    if seconds and abs(period_ns - seconds * NS_PER_S) <= 0.05 * period_ns:
        return seconds * NS_PER_S
    return max(round(period_ns / _MS), 1) * _MS


def default_hold_ns(row_period_ns: int) -> int:
    """Longest step across which a value is held where none is stated: 30 s or 2.5 periods."""
    return max(30 * NS_PER_S, row_period_ns * 5 // 2)
