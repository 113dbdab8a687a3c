"""From the readings of an energy counter to the power between them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from homeenergy.readings.rows import Values
from homeenergy.units import NS_PER_S, S_PER_H

# Common practice, no source: what no household circuit carries, and what any may carry.
ABSURD_W = 100_000.0
ALWAYS_W = 3_000.0
SLIGHT_FALL = 0.01  # of the reading: a counter that jitters; a reset falls farther
TIMES_MET = 3.0  # the largest power met, times this, is still believed after a reset

_Instants = NDArray[np.int64]
_Wh = NDArray[np.float64]


def counter_power(
    times_ns: _Instants,
    counter_wh: Values,
    *,
    hold_ns: int,
    rolls_over_at: float | None = None,
) -> tuple[_Instants, NDArray[np.float64], _Instants, _Instants]:
    """Mean power between one reading of a counter and the next.

    Parameters
    ----------
    times_ns : shape (n,), int64
        Ascending, all different.
    counter_wh : shape (n,)
        Readings [Wh]; NaN rows are passed over, since the counter goes on without them.
    hold_ns : int
        Readings farther apart leave the time between them missing.
    rolls_over_at : float, optional
        Where the counter begins again at 0 [Wh]. Without it, a counter that goes down was reset,
        and counts from 0.

    Returns
    -------
    times_ns, power_w, resets_ns, rejected_ns
        The power holds from its instant to the next one; NaN where it is not known. `resets_ns`
        are the instants of the steps down that were understood; `rejected_ns` those of readings
        that were not believed, and the beginnings of intervals that need an absurd power.

    Notes
    -----
    Own rules. A fall of less than 1 % of the reading is jitter: the highest reading counts until
    the counter passes it. Low readings, all alike, between two that follow one another are no
    readings (a logger that had no answer writes 0). A farther fall is a reset only if what was
    counted since needs at most three times the largest power met elsewhere, or 3 kW.
    """
    there = ~np.isnan(counter_wh)
    times, counter = times_ns[there], counter_wh[there].astype(np.float64)
    rejected = times[:0]
    down = np.diff(counter) < 0
    limit_w = ABSURD_W
    if down.any():
        limit_w = _believed_w(times, counter, down)
        low = _no_answer(times, counter, limit_w)
        rejected = times[low]
        times, counter = times[~low], counter[~low]
        down, jitter = _falls(counter)
        rejected = np.r_[rejected, times[1:][jitter]]
        counter = _highest_so_far(counter, down)
    if times.size == 0:
        return times, counter, times, times
    step_ns, step_wh = np.diff(times), np.diff(counter)
    begun_again = counter[1:] if rolls_over_at is None else step_wh + rolls_over_at
    power = np.where(down, begun_again, step_wh) * (S_PER_H * NS_PER_S) / step_ns
    absurd = np.abs(power) > np.where(down, limit_w, ABSURD_W)
    power[absurd | (step_ns > hold_ns)] = np.nan
    rejected = np.sort(np.r_[rejected, times[:-1][absurd]])
    return times, np.append(power, np.nan), times[1:][down & ~absurd], rejected


def _believed_w(times_ns: _Instants, counter_wh: _Wh, down: NDArray[np.bool_]) -> float:
    """Power that is believed after a fall; steps next to a fall do not vouch for it."""
    power = np.diff(counter_wh) * (S_PER_H * NS_PER_S) / np.diff(times_ns)
    plain = ~down
    plain[1:] &= ~down[:-1]
    plain &= power <= ABSURD_W
    met = float(power[plain].max()) if plain.any() else 0.0
    return min(max(TIMES_MET * met, ALWAYS_W), ABSURD_W)


def _no_answer(times_ns: _Instants, counter_wh: _Wh, limit_w: float) -> NDArray[np.bool_]:
    """Which readings are a low stretch, all alike, after which the counter goes on as before.

    It comes back to above the reading before the stretch, faster than it can have counted.
    """
    first = np.flatnonzero(np.r_[True, counter_wh[1:] != counter_wh[:-1]])
    last = np.r_[first[1:], counter_wh.size] - 1
    value = counter_wh[first]
    low = np.zeros(first.size, dtype=bool)
    if first.size > 2:
        before, here, after = value[:-2], value[1:-1], value[2:]
        back_at = times_ns[first[2:]]
        w_ns_per_wh = S_PER_H * NS_PER_S
        rise_w = (after - here) * w_ns_per_wh / (back_at - times_ns[last[1:-1]])
        across_w = (after - before) * w_ns_per_wh / (back_at - times_ns[last[:-2]])
        falls = here < before * (1 - SLIGHT_FALL)
        low[1:-1] = falls & (after >= before) & (rise_w > limit_w) & (across_w <= limit_w)
    return np.repeat(low, last - first + 1)


def _falls(counter_wh: _Wh) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Which steps are falls of a counter that began again, and which are jitter."""
    before, after = counter_wh[:-1], counter_wh[1:]
    slight = (after < before) & (after >= before * (1 - SLIGHT_FALL))
    return (after < before) & ~slight, slight


def _highest_so_far(counter_wh: _Wh, down: NDArray[np.bool_]) -> _Wh:
    """Readings that never fall but where the counter began again."""
    pieces = np.split(counter_wh, np.flatnonzero(down) + 1)
    return np.concatenate([np.maximum.accumulate(piece) for piece in pieces])
