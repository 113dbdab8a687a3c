"""From rows at any instants to mean power on a regular grid, with the energy kept.

The rule, for every kind of log:

* Slots are whole multiples of the period since the Unix epoch.
* Rows are sorted; rows of one instant become one (see `rows.merge_instants`); a logger's jitter of
  less than a fifth of a period is taken out (see `rows.snap`).
* Power: a row holds until the next row, if that is at most the hold away. If it is farther, the
  row holds for one row period. So each row's energy is its value times its own length.
* Energy of a row's period: its mean power holds until the next row, if that is at most 1.5 periods
  away, or up to the stated hold; else for one period.
* Energy counter: between two readings at most the hold apart the power is constant. After a
  reset the counter starts from 0, or rolls over where that is stated. An interval that would
  need more than 100 kW is missing. What was counted between readings farther apart is kept as a
  sum (`missed_wh`), since when it was used is not known.
* Where stamps mark the end, a row covers the time since the row before it, if that is at most the
  hold away, else one row period.
* A missing value (NaN) ends the hold of the row before it.
* A row's energy goes to the slots that it overlaps, in proportion. A slot at the edge of a stretch
  that is covered by half or more counts as covered and holds what is known of its energy; one
  covered by less is missing, and its energy goes to the next slot of the same stretch. So the
  energy of the grid is the sum over the rows, to rounding.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.errors import HouseWarning
from homeenergy.readings.logs.rows import (
    LAST_NS,
    LONG_SHARE,
    Grid,
    Merge,
    Values,
    conflicting,
    counter_power,
    default_hold_ns,
    find_period_ns,
    has_pace,
    in_order,
    long_steps_recur,
    make_grid,
    merge_instants,
    snap,
    uneven_pace_ns,
)
from homeenergy.units import NS_PER_S

_AROUND = 4  # slots on either side of those wanted, on which the edges of stretches depend

_Instants = NDArray[np.int64]
_Part = tuple[NDArray[np.int64], NDArray[np.intp], NDArray[np.float64]]


def mean_of_slot(
    start: _Instants,
    end: _Instants,
    power_w: Values,
    period_ns: int,
    *,
    between: tuple[int, int],
) -> NDArray[np.float32]:
    """Mean power of each slot, by the rule of this module.

    Parameters
    ----------
    start, end : shape (n,), int64
        From when till when each row holds; `start` ascends.
    power_w : shape (n,)
        [W]; NaN = missing.
    period_ns : int
        Length of a slot.
    between : (int, int)
        Slots [first, stop) are wanted.

    Returns
    -------
    numpy.ndarray, shape (stop - first,), float32
    """
    first, number = between[0] - _AROUND, between[1] - between[0] + 2 * _AROUND
    start = np.maximum(start, first * period_ns)
    end = np.minimum(end, (first + number) * period_ns)
    there = ~np.isnan(power_w) & (end > start)
    start, end, power = start[there], end[there], power_w[there].astype(np.float64)
    energy, covered = np.zeros(number), np.zeros(number)
    parts = _parts(start, end, period_ns)
    for slot, row, ns in [*parts, _whole_slots(start, end, period_ns)]:
        energy += np.bincount(slot - first, weights=power[row] * ns, minlength=number)
        covered += np.bincount(slot - first, weights=ns, minlength=number)
    low = (covered > 0) & (covered * 2 < period_ns)
    if low.any():
        energy += _moved(start, end, power, parts, period_ns, covered=covered, low=low, first=first)
        energy[low] = 0.0
    out = np.where((covered > 0) & ~low, energy / period_ns, np.nan).astype(np.float32)
    return out[_AROUND : number - _AROUND]


def _parts(start: _Instants, end: _Instants, period_ns: int) -> list[_Part]:
    """Rows cut at the edges of slots: (slot, row, length) of the first part and of the last."""
    head, tail = start // period_ns, (end - 1) // period_ns
    rows = np.arange(start.size)
    later = np.flatnonzero(head < tail)
    return [
        (head, rows, (np.minimum(end, (head + 1) * period_ns) - start).astype(np.float64)),
        (tail[later], later, (end - tail * period_ns)[later].astype(np.float64)),
    ]


def _whole_slots(start: _Instants, end: _Instants, period_ns: int) -> _Part:
    """Slots that lie between the first and the last of a row, as in `_parts`."""
    head, tail = start // period_ns, (end - 1) // period_ns
    whole = np.maximum(tail - head - 1, 0)
    row = np.repeat(np.arange(head.size), whole)
    slot = head[row] + 1 + np.arange(row.size) - np.repeat(np.cumsum(whole) - whole, whole)
    return slot, row, np.full(row.size, float(period_ns))


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
    conflicts: int
    resets: int
    rejected: int
    missed_wh: float


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
    logged, merged, rows, values = _one_row_an_instant(times_ns, columns, grid)
    differing = conflicting(times_ns, [column.logged for column in columns])
    if between is None:
        counters = all(column.quantity == "energy_counter" for column in columns)
        between = _span(rows.times_ns, grid, last_ns=1 if counters else grid.row_period_ns)
    edges = between[0] * grid.period_ns, between[1] * grid.period_ns
    repeats = _inside(logged, edges) - _inside(merged, edges)
    out = []
    held: dict[int, _Held] = {}
    for column, value, twice in zip(columns, values, differing, strict=True):
        resets = rejected = _NONE
        missed_wh = 0.0
        if column.quantity == "energy_counter":
            spans, value, resets, rejected, missed = _of_counter(rows.times_ns, value, column, grid)
            low, high = np.searchsorted(spans.start, edges)
            missed_wh = float(missed[low:high].sum())
            mine = _Held(spans, grid, between)
        else:
            hold_ns = grid.energy_hold_ns if column.quantity == "energy" else grid.hold_ns
            if hold_ns not in held:
                held[hold_ns] = _Held(_spans(rows, grid, hold_ns), grid, between)
            mine = held[hold_ns]
        if column.quantity == "energy":
            value = value * (_W_NS_PER_WH / np.maximum(mine.spans.end - mine.spans.start, 1))
        out.append(
            Gridded(
                first_slot=between[0],
                watts=mine.watts(value),
                repeats=repeats,
                conflicts=_inside(twice, edges),
                resets=_inside(resets, edges),
                rejected=_inside(rejected, edges),
                missed_wh=missed_wh,
            )
        )
    return out


@dataclass(frozen=True, slots=True, eq=False)
class _Rows:
    """Instants at which rows begin, and those at which the next one does."""

    times_ns: _Instants
    until_ns: _Instants


@dataclass(frozen=True, slots=True, eq=False)
class _Spans:
    """From when till when rows hold."""

    start: _Instants
    end: _Instants


class _Held:
    """Brings the values of rows that hold for some spans on to the grid.

    The work on time is done once for all columns that share their spans.
    """

    def __init__(self, spans: _Spans, grid: Grid, between: tuple[int, int]) -> None:
        self.spans, self.period_ns, self.between = spans, grid.period_ns, between
        self.row_of_slot: NDArray[np.intp] | _Run | None = None
        if not np.any(spans.start % grid.period_ns) and not np.any(spans.end % grid.period_ns):
            self.row_of_slot = _row_of_slot(spans, grid.period_ns, between)

    def watts(self, power_w: Values) -> NDArray[np.float32]:
        if self.row_of_slot is not None:
            return _take(power_w, self.row_of_slot)
        start, end = self.spans.start, self.spans.end
        return mean_of_slot(start, end, power_w, self.period_ns, between=self.between)


def _spans(rows: _Rows, grid: Grid, hold_ns: int) -> _Spans:
    """How long rows hold of which each has a length of its own (power, energy of a period)."""
    times, until, period = rows.times_ns, rows.until_ns, grid.row_period_ns
    following = np.append(times[1:], LAST_NS)
    if not grid.ends:
        near = until - times <= hold_ns
        near[-1:] = False
        return _Spans(times, np.where(near, until, np.minimum(times + period, following)))
    # Where stamps mark the end a row reaches back: to the stamp before it, or one period.
    stamps = times + period
    begins = times.copy()
    step = until[:-1] - times[:-1]
    begins[1:] = np.where(step <= hold_ns, stamps[1:] - step, np.maximum(times[1:], stamps[:-1]))
    return _Spans(begins, stamps)


def _one_row_an_instant(
    times_ns: _Instants, columns: Sequence[Column], grid: Grid
) -> tuple[_Instants, _Instants, _Rows, list[Values]]:
    """Instants as logged and merged, both in order; then rows and values on which to work."""
    merges: list[Merge] = [column.quantity for column in columns]
    logged, values, _ = in_order(times_ns, [column.logged for column in columns])
    merged, values, _ = merge_instants(logged, values, merges=merges, exact=True)
    snapped, until = snap(merged, grid.period_ns)
    if snapped is merged:
        return logged, merged, _Rows(merged, until), values
    times, values, _ = merge_instants(snapped, values, merges=merges, exact=False)
    last = np.flatnonzero(np.append(snapped[1:] != snapped[:-1], True))
    return logged, merged, _Rows(times, until[last]), values


def _of_counter(
    times_ns: _Instants, values: Values, column: Column, grid: Grid
) -> tuple[_Spans, Values, _Instants, _Instants, Values]:
    """Spans between the readings of a counter, power in them, resets, and what was left out."""
    rows, power_w, resets, rejected, missed_wh = counter_power(
        times_ns, values, hold_ns=grid.hold_ns, rolls_over_at=column.rolls_over_at
    )
    # After the last reading nothing is known.
    end = np.append(rows[1:], rows[-1:] + grid.period_ns)
    return _Spans(rows, end), power_w, resets, rejected, missed_wh


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
    spans: _Spans, period_ns: int, between: tuple[int, int]
) -> NDArray[np.intp] | _Run:
    """Which row fills each slot, -1 for none, where every row begins and ends with a slot."""
    first, stop = between
    slots, reach = spans.start // period_ns, (spans.end - spans.start) // period_ns
    if slots.size and slots[-1] - slots[0] + 1 == slots.size and np.all(reach == 1):
        lo, hi = np.searchsorted(slots, [first, stop])
        return _Run(int(lo), int(hi), int(slots[lo] - first) if hi > lo else 0, stop - first)
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
        found = uneven_pace_ns(times) if period_s is None else None
        if period_s is None and found is None:
            raise ValueError(
                "the index has no regular interval (does the logger write when power changes?): "
                "give period_s, the length of a sample, and hold_s, the longest step across which "
                "a value is held"
            )
        if found is not None:
            held = hold_s or default_hold_ns(found) / NS_PER_S
            warnings.warn(
                f"the index has no regular interval: kept as means of {found / NS_PER_S:g} s, each "
                f"value held for up to {held:g} s (period_s, hold_s)",
                HouseWarning,
                stacklevel=3,
            )
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
