"""Time-weighted mean power of slots, from rows that begin and end inside them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from homeenergy.readings.rows import Values

_AROUND = 4  # slots on either side of those wanted, on which the edges of stretches depend

_Instants = NDArray[np.int64]
_Part = tuple[NDArray[np.int64], NDArray[np.intp], NDArray[np.float64]]


def mean_of_slot(
    times_ns: _Instants,
    power_w: Values,
    period_ns: int,
    hold_ns: int,
    alone_ns: int,
    *,
    between: tuple[int, int],
    widen: bool,
) -> NDArray[np.float32]:
    """Mean power of each slot.

    Parameters
    ----------
    times_ns : shape (n,), int64
        Ascending.
    power_w : shape (n,)
        What holds from each instant on [W]; NaN = missing.
    period_ns, hold_ns, alone_ns : int
        Length of a slot, how far a row holds at most, and how long one lasts that is followed by
        none within that.
    between : (int, int)
        Slots [first, stop) are wanted.
    widen : bool
        Take the first and last value of a stretch for the whole of their slots. Else the sum of
        power times duration is kept: a slot at the edge of a stretch that is covered by half or
        more counts as covered and holds what is known of its energy; one covered by less is
        missing, and its energy goes to the next slot of the same stretch.

    Returns
    -------
    numpy.ndarray, shape (stop - first,), float32
    """
    start, end, power = _held(times_ns, power_w, period_ns, hold_ns, alone_ns, widen=widen)
    around = 0 if widen else _AROUND
    first, number = between[0] - around, between[1] - between[0] + 2 * around
    parts = _parts(start, end, period_ns)
    energy, covered = np.zeros(number), np.zeros(number)
    for slot, row, ns in parts:
        inside = (slot >= first) & (slot < first + number)
        at, row, ns = slot[inside] - first, row[inside], ns[inside]
        energy += np.bincount(at, weights=power[row] * ns, minlength=number)
        covered += np.bincount(at, weights=ns, minlength=number)
    at, row = _whole_slots(start, end, period_ns, first=first, number=number)
    energy[at], covered[at] = power[row] * period_ns, period_ns
    if not widen and start.size:
        low = (covered > 0) & (covered * 2 < period_ns)
        energy += _moved(start, end, power, parts, period_ns, covered=covered, low=low, first=first)
        covered = np.where((covered > 0) & ~low, float(period_ns), 0.0)
        energy[low] = 0.0
    with np.errstate(invalid="ignore", divide="ignore"):
        out = (energy / covered).astype(np.float32)  # 0/0 is NaN: missing
    return out[around : number - around]


def _parts(start: _Instants, end: _Instants, period_ns: int) -> list[_Part]:
    """Rows cut at the edges of slots: (slot, row, length) of the first part and of the last."""
    head, tail = start // period_ns, (end - 1) // period_ns
    rows = np.arange(start.size)
    later = np.flatnonzero(head < tail)
    return [
        (head, rows, (np.minimum(end, (head + 1) * period_ns) - start).astype(np.float64)),
        (tail[later], later, (end - tail * period_ns)[later].astype(np.float64)),
    ]


def _whole_slots(
    start: _Instants, end: _Instants, period_ns: int, *, first: int, number: int
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Slots, counted from `first`, that lie between the first and the last of a row; the row."""
    head, tail = start // period_ns, (end - 1) // period_ns
    whole = np.maximum(tail - head - 1, 0)
    row = np.repeat(np.arange(head.size), whole)
    at = head[row] + 1 + np.arange(row.size) - np.repeat(np.cumsum(whole) - whole, whole) - first
    inside = (at >= 0) & (at < number)
    return at[inside], row[inside]


def _moved(
    start: _Instants,
    end: _Instants,
    power_w: NDArray[np.float64],
    parts: list[_Part],
    period_ns: int,
    *,
    covered: NDArray[np.float64],
    low: NDArray[np.bool_],
    first: int,
) -> NDArray[np.float64]:
    """Energy that goes from slots hardly covered to the next slot of the same stretch.

    `low` is changed: a slot that has to keep its energy, since a stretch lies in no other, or in
    one other of the kind that is covered less, is no longer low.
    """
    number = low.size
    begins = np.r_[True, end[:-1] < start[1:]]
    stretch = np.cumsum(begins) - 1
    edge = {
        "head": start[begins] // period_ns - first,
        "tail": (end[np.r_[begins[1:], True]] - 1) // period_ns - first,
    }
    head, tail = edge["head"], edge["tail"]
    near = (head >= 0) & (tail < number)
    low[head[near & (head == tail)]] = False
    two = np.flatnonzero(near & (tail == head + 1))
    two = two[low[head[two]] & low[tail[two]]]
    more = covered[head[two]] >= covered[tail[two]]
    low[np.where(more, head[two], tail[two])] = False
    moved = np.zeros(number)
    for name, to in (("head", 1), ("tail", -1)):
        slot = edge[name]
        goes = (slot >= 0) & (slot < number)
        goes[goes] = low[slot[goes]]
        for at, row, ns in parts:
            mine = goes[stretch[row]] & (at - first == slot[stretch[row]])
            target = at[mine] - first + to
            inside = (target >= 0) & (target < number)
            joules = (power_w[row] * ns)[mine][inside]
            moved += np.bincount(target[inside], weights=joules, minlength=number)
    return moved


def _held(
    times_ns: _Instants,
    power_w: Values,
    period_ns: int,
    hold_ns: int,
    alone_ns: int,
    *,
    widen: bool,
) -> tuple[_Instants, _Instants, NDArray[np.float64]]:
    """From when till when each row holds that has a value; stretches may be widened to slots."""
    there = ~np.isnan(power_w)
    following = np.append(times_ns[1:], np.iinfo(np.int64).max)
    same_slot = following // period_ns == times_ns // period_ns
    held = (same_slot & widen) | (following - times_ns <= hold_ns)
    alone = times_ns + max(alone_ns, 1)
    end = np.where(held, following, np.minimum(alone, following))[there]
    start, power = times_ns[there], power_w[there].astype(np.float64)
    if start.size == 0 or not widen:
        return start, end, power
    next_start = np.append(start[1:], np.iinfo(np.int64).max)
    widened = -(-end // period_ns) * period_ns
    end = np.where(end < next_start, np.minimum(widened, next_start), end)
    fresh = np.r_[True, end[:-1] < start[1:]]
    start = np.where(fresh, start // period_ns * period_ns, start)
    return start, end, power
