"""From rows at any instants to mean power on a regular grid, with the energy kept.

The rule, for every kind of log:

* Slots are whole multiples of the period since the Unix epoch.
* Rows are sorted; rows of one instant become one (see `rows.merge_instants`); a logger's jitter of
  less than a fifth of a period is taken out (see `rows.snap`).
* Power: a row holds until the next row, if that is at most the hold away. If it is farther, the
  row holds to the end of its own slot only.
* Energy of a row's period: its mean power holds until the next row, if that is at most 1.5 periods
  away, or up to the stated hold; else for one period.
* Energy counter: between two readings at most the hold apart the power is constant. After a
  reset the counter starts from 0, or rolls over where that is stated. An interval that would
  need more than 100 kW is missing.
* Where stamps mark the end, a row covers the time since the row before it, if that is at most the
  hold away, else of one row period.
* A missing value (NaN) ends the hold of the row before it.
* Where a stretch of held power begins or ends inside a slot, its first or last value is taken for
  the whole of that slot. So no slot is covered in part, and the energy of the grid is the sum of
  power times duration over the rows, to rounding. Of energies and counters nothing is taken for
  more than was logged: such a slot holds what is known of its energy where half of it or more is
  covered, and gives it to the next slot of the stretch and is missing where less is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.readings.logs.rows import (
    LONG_SHARE,
    Grid,
    Merge,
    Values,
    begin_after_the_row_before,
    counter_power,
    default_hold_ns,
    find_period_ns,
    has_pace,
    in_order,
    long_steps_recur,
    make_grid,
    merge_instants,
    snap,
)
from homeenergy.units import NS_PER_S

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


_W_NS_PER_WH = 3600.0 * NS_PER_S
_NONE = np.empty(0, dtype=np.int64)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Column:
    """The values of one circuit [W or Wh], row by row, and what they mean."""

    logged: Values
    quantity: Merge = "power"
    rolls_over_at: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Gridded:
    """Slots [first_slot, first_slot + n) of one circuit, and what was met on the way."""

    first_slot: int
    watts: NDArray[np.float32]
    repeats: int
    resets: int
    rejected: int


def grid_columns(
    times_ns: NDArray[np.int64],
    columns: Sequence[Column],
    *,
    grid: Grid,
    between: tuple[int, int] | None = None,
) -> list[Gridded]:
    """Bring columns that share their instants on to the grid.

    Parameters
    ----------
    times_ns : numpy.ndarray, shape (n,), int64
        Instants, UTC, in any order.
    columns : sequence of Column
        Each with n values; NaN = missing.
    grid : Grid
    between : (int, int), optional
        Only slots [first, stop) are wanted. Default: all that the rows cover.

    Returns
    -------
    list of Gridded
        One for each column, all with the same slots.

    Notes
    -----
    O(n + slots), vectorised, except for sorting rows that are out of order. The work on time is
    shared by all columns.
    """
    logged, merged, times, values = _one_row_an_instant(times_ns, columns, grid)
    if between is None:
        energies = any(column.quantity == "energy" for column in columns)
        between = _span(times, grid, last_ns=grid.row_period_ns if energies else 1)
    edges = between[0] * grid.period_ns, between[1] * grid.period_ns
    repeats = _inside(logged, edges) - _inside(merged, edges)
    out = []
    shared: dict[tuple[int, int, bool], NDArray[np.intp] | _Run] = {}
    begun: dict[int, _Begun] = {}
    for column, value in zip(columns, values, strict=True):
        limit_ns = grid.energy_hold_ns if column.quantity == "energy" else grid.hold_ns
        if limit_ns not in begun:
            begun[limit_ns] = _begin(times, grid, limit_ns)
        rows = begun[limit_ns]
        value = np.insert(value, rows.at, np.nan) if rows.at.size else value
        row_times, power_w, hold_ns, alone_ns, resets, rejected = _as_power(
            rows.times_ns, value, column, grid
        )
        if rows.aligned:
            key = (hold_ns, alone_ns, row_times is rows.times_ns)
            if key not in shared or row_times is not rows.times_ns:
                shared[key] = _row_of_slot(row_times, grid.period_ns, hold_ns, alone_ns, between)
            watts = _take(power_w, shared[key])
        else:
            watts = mean_of_slot(
                row_times,
                power_w,
                grid.period_ns,
                hold_ns,
                alone_ns,
                between=between,
                widen=column.quantity == "power",
            )
        out.append(
            Gridded(
                first_slot=between[0],
                watts=watts,
                repeats=repeats,
                resets=_inside(resets, edges),
                rejected=_inside(rejected, edges),
            )
        )
    return out


@dataclass(frozen=True, slots=True, eq=False)
class _Begun:
    """Instants at which rows begin, where to insert missing values, whether all begin slots."""

    times_ns: NDArray[np.int64]
    at: NDArray[np.intp]
    aligned: bool


def _begin(times_ns: NDArray[np.int64], grid: Grid, hold_ns: int) -> _Begun:
    at = np.empty(0, dtype=np.intp)
    if grid.ends:
        times_ns, at = begin_after_the_row_before(times_ns, grid, hold_ns=hold_ns)
    return _Begun(times_ns, at, not np.any(times_ns % grid.period_ns))


def _one_row_an_instant(
    times_ns: NDArray[np.int64], columns: Sequence[Column], grid: Grid
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64], list[Values]]:
    """Instants as logged and merged, both in order; then instants and values on which to work."""
    merges: list[Merge] = [column.quantity for column in columns]
    logged, values, _ = in_order(times_ns, [column.logged for column in columns])
    merged, values, _ = merge_instants(logged, values, merges=merges, exact=True)
    snapped = snap(merged, grid.period_ns)
    if snapped is merged:
        return logged, merged, merged, values
    times, values, _ = merge_instants(snapped, values, merges=merges, exact=False)
    return logged, merged, times, values


def _as_power(
    times_ns: NDArray[np.int64], values: Values, column: Column, grid: Grid
) -> tuple[NDArray[np.int64], Values, int, int, NDArray[np.int64], NDArray[np.int64]]:
    """Rows as (instants, watts, hold, how long a lone row lasts, resets, rejected)."""
    if column.quantity == "power":
        return times_ns, values, grid.hold_ns, 0, _NONE, _NONE
    if column.quantity == "energy":
        period = grid.row_period_ns
        hold = grid.energy_hold_ns
        step = np.diff(times_ns, append=times_ns[-1:] + period) if times_ns.size else times_ns
        lasts = np.where(step <= hold, step, period)
        return times_ns, values * (_W_NS_PER_WH / lasts), hold, period, _NONE, _NONE
    rows, power_w, resets, rejected = counter_power(
        times_ns, values, hold_ns=grid.hold_ns, rolls_over_at=column.rolls_over_at
    )
    return rows, power_w, grid.hold_ns, 0, resets, rejected


def _inside(ascending_ns: NDArray[np.int64], edges_ns: tuple[int, int]) -> int:
    low, high = np.searchsorted(ascending_ns, edges_ns)
    return int(high - low)


def _span(times_ns: NDArray[np.int64], grid: Grid, *, last_ns: int) -> tuple[int, int]:
    if times_ns.size == 0:
        return 0, 0
    end_ns = int(times_ns[-1]) + last_ns
    return int(times_ns[0]) // grid.period_ns, -(-end_ns // grid.period_ns)


@dataclass(frozen=True, slots=True)
class _Run:
    """Rows [first, stop) fill as many slots one by one, from slot `at` of `slots`."""

    first: int
    stop: int
    at: int
    slots: int


def _row_of_slot(
    times_ns: NDArray[np.int64],
    period_ns: int,
    hold_ns: int,
    alone_ns: int,
    between: tuple[int, int],
) -> NDArray[np.intp] | _Run:
    """Which row fills each slot, -1 for none, where every row begins with a slot."""
    first, stop = between
    slots = times_ns // period_ns
    lo, hi = np.searchsorted(slots, [first, stop])
    alone = max(1, -(-alone_ns // period_ns))
    if slots.size and alone == 1 and slots[-1] - slots[0] + 1 == slots.size:
        return _Run(int(lo), int(hi), int(slots[lo] - first) if hi > lo else 0, stop - first)
    step = np.diff(slots, append=slots[-1:] + alone)
    reach = np.where(step * period_ns <= hold_ns, step, np.minimum(step, alone))
    if reach.size:
        reach[-1] = alone
    row = np.repeat(np.arange(slots.size), reach)
    offset = np.arange(row.size) - np.repeat(np.cumsum(reach) - reach, reach)
    position = slots[row] + offset - first
    inside = (position >= 0) & (position < stop - first)
    index = np.full(stop - first, -1, dtype=np.intp)
    index[position[inside]] = row[inside]
    return index


def _take(power_w: Values, index: NDArray[np.intp] | _Run) -> NDArray[np.float32]:
    if isinstance(index, _Run):
        run = np.full(index.slots, np.nan, dtype=np.float32)
        run[index.at : index.at + index.stop - index.first] = power_w[index.first : index.stop]
        return run
    padded = np.append(power_w.astype(np.float32), np.float32(np.nan))  # -1 is the last: missing
    taken: NDArray[np.float32] = padded[index]
    return taken


def series_on_grid(
    series: pd.Series, *, period_s: float | None = None, hold_s: float | None = None
) -> tuple[int, int, NDArray[np.float32]]:
    """Start [ns since 1970], period [ns] and samples [W] of `Trace.from_series`.

    If all steps are whole multiples of the period, samples keep their values and instants, and the
    grid starts at the first instant. Otherwise slots are whole multiples of the period since the
    Unix epoch and the energy is kept by the rule of this module.
    """
    times = _nanoseconds(series.index)
    for what, value in (("period_s", period_s), ("hold_s", hold_s)):
        if value is not None and not value > 0:
            raise ValueError(f"{what} must be positive, got {value!r}")
    found = find_period_ns(times)
    if found is None and period_s is None:
        raise ValueError("fewer than two different instants: give period_s")
    if found is not None and not has_pace(times, found):
        if period_s is None:
            raise ValueError(
                "the index has no regular interval (does the logger write when power changes?): "
                "give period_s, the length of a sample, and hold_s, the longest step across which "
                "a value is held"
            )
        found = None
    if (
        found
        and hold_s is None
        and long_steps_recur(times, default_hold_ns(found), share=LONG_SHARE)
    ):
        raise ValueError(
            f"more than {LONG_SHARE:.0%} of the time lies between rows more than "
            f"{default_hold_ns(found) / NS_PER_S:g} s apart: give hold_s, the longest step across "
            "which a value is held; that many seconds leave longer steps missing"
        )
    values = series.to_numpy(dtype=np.float64, na_value=np.nan)
    wanted = found if period_s is None else round(period_s * NS_PER_S)
    if found and found == wanted and bool(np.all(np.diff(times) == found)):  # the fast case
        return int(times[0]), found, values.astype(np.float32)
    grid = make_grid(found or round((period_s or 0) * 1e9), period_s=period_s, hold_s=hold_s)
    origin = int(times.min()) % grid.period_ns if times.size else 0
    if np.any((times - origin) % grid.period_ns):
        origin = 0
    (out,) = grid_columns(times - origin, [Column(logged=values)], grid=grid)
    return out.first_slot * grid.period_ns + origin, grid.period_ns, out.watts


def _nanoseconds(index: pd.Index) -> NDArray[np.int64]:
    if not isinstance(index, pd.DatetimeIndex) or index.tz is None:
        raise ValueError(
            "the series needs a time-zone-aware DatetimeIndex; use "
            'series.tz_localize("Europe/Berlin") or the zone in which it was logged'
        )
    if index.hasnans:
        raise ValueError("the index of the series holds NaT: drop those rows first")
    times: NDArray[np.int64] = index.as_unit("ns").asi8
    return times
