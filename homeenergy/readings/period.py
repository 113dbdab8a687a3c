"""How often a logger writes, found from the instants of its rows."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from homeenergy.units import NS_PER_S

_MS = 1_000_000
_ENOUGH = 500_000  # steps, evenly picked from longer logs
# Common practice, no source.
USUAL_S = (1, 2, 3, 5, 6, 8, 10, 12, 15, 20, 30, 60, 120, 180, 240, 300, 600, 900, 1800, 3600)
PACE_OFF = 0.05  # of the period
LONG_SHARE = 0.25  # of the time, in steps across which power is not held
LONG_ENERGY_SHARE = 0.5
MOST_TIMES = 10
JITTERY = 1.5


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
    that no single one has a quarter of them, the median of the steps around the densest
    tenth-of-an-octave, and a pace loggers are usually set to where one is within 3 %. A result
    within 5 % of whole seconds becomes whole seconds. O(n log n).
    """
    steps = _steps(times_ns)
    if steps.size == 0:
        return None
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
    middle = float(np.median(dense))
    for _ in range(3):  # the densest steps need not be those in the middle
        middle = float(np.median(steps[np.abs(steps - middle) <= middle / 3]))
    return _usual(_whole_seconds(int(middle)))


def _usual(period_ns: int) -> int:
    """Pace that people set a logger to, where one is within 3 %."""
    usual = min((s * NS_PER_S for s in USUAL_S), key=lambda ns: abs(ns - period_ns))
    return usual if abs(usual - period_ns) <= 0.03 * period_ns else period_ns


def _steps(times_ns: NDArray[np.int64]) -> NDArray[np.int64]:
    times = np.asarray(times_ns, dtype=np.int64)
    steps = np.diff(times)
    if steps.size and steps.min() < 0:
        steps = np.diff(np.sort(times))
    steps = steps[steps > 0]
    return steps[:: max(steps.size // _ENOUGH, 1)]


def has_pace(times_ns: NDArray[np.int64], period_ns: int) -> bool:
    """Whether a logger clearly writes every `period_ns`, rather than when something changes.

    Parameters
    ----------
    times_ns : numpy.ndarray, shape (n,), int64
        Instants of the rows, in any order.
    period_ns : int
        As found by `find_period_ns`.

    Returns
    -------
    bool

    Notes
    -----
    Own rule. A quarter of the steps are within 5 % of the period, and half within that of one of
    its first ten multiples (rows are lost, or come late); or three in five steps are between two
    thirds and one and a half of it (jitter). Steps of one millisecond more or less count as equal.
    """
    steps = _steps(times_ns).astype(np.float64)
    if steps.size == 0:
        return True
    times_met = np.maximum(np.round(steps / period_ns), 1)
    near = np.abs(steps - times_met * period_ns) <= max(PACE_OFF * period_ns, _MS)
    once = float(np.mean(near & (times_met == 1)))
    alike = float(np.mean((steps >= period_ns / JITTERY) & (steps <= period_ns * JITTERY)))
    multiples = float(np.mean(near & (times_met <= MOST_TIMES)))
    return (once >= 0.25 and multiples >= 0.5) or alike >= 0.6


def long_steps_recur(times_ns: NDArray[np.int64], hold_ns: int, *, share: float) -> bool:
    """Whether much of the time lies in steps too long to hold, and these are no exceptions.

    So it is where a logger writes more seldom while little is used, or a row for each watt-hour:
    what is left then is not like what is missing. Own rule: the share of the time that is given,
    in at least 20 steps and one of a hundred.
    """
    steps = _steps(times_ns).astype(np.float64)
    long = steps > hold_ns
    number = int(np.count_nonzero(long))
    if number < 20 or number <= 0.01 * steps.size:
        return False
    return bool(steps[long].sum() > share * steps.sum())


def _whole_seconds(period_ns: int) -> int:
    seconds = round(period_ns / NS_PER_S)
    if seconds and abs(period_ns - seconds * NS_PER_S) <= 0.05 * period_ns:
        return seconds * NS_PER_S
    return max(round(period_ns / _MS), 1) * _MS


def default_hold_ns(row_period_ns: int) -> int:
    """Longest step across which a value is held where none is stated: 30 s or 2.5 periods."""
    return max(30 * NS_PER_S, row_period_ns * 5 // 2)
