"""Rows as they were logged, brought into order: sorted, repeats merged, jitter taken out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from homeenergy.units import NS_PER_S, S_PER_H

_Instants = NDArray[np.int64]
_MS = 1_000_000
_ENOUGH = 500_000  # steps, evenly picked from longer logs
# Common practice, no source.
USUAL_S = (1, 2, 3, 5, 6, 8, 10, 12, 15, 20, 30, 60, 120, 180, 240, 300, 600, 900, 1800, 3600)
PACE_OFF = 0.05  # of the period
LONG_SHARE = 0.25  # of the time, in steps across which power is not held
LONG_ENERGY_SHARE = 0.5
_LEAST_STEPS = 20  # that can be no exceptions
MOST_TIMES = 10
NEAR_ROWS = 10  # of one pass over an instant
ROUNDED, DIFFERS = 0.51, 0.002
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
    steps = _one_if_alike(_steps(times_ns))
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


def _one_if_alike(steps: NDArray[np.int64]) -> NDArray[np.int64]:
    """One of steps that are all the same: it tells as much as all of them."""
    return steps[:1] if steps.size and steps.min() == steps.max() else steps


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
    steps = _one_if_alike(_steps(times_ns)).astype(np.float64)
    if steps.size == 0:
        return True
    times_met = np.maximum(np.round(steps / period_ns), 1)
    near = np.abs(steps - times_met * period_ns) <= max(PACE_OFF * period_ns, _MS)
    once = float(np.mean(near & (times_met == 1)))
    alike = float(np.mean((steps >= period_ns / JITTERY) & (steps <= period_ns * JITTERY)))
    multiples = float(np.mean(near & (times_met <= MOST_TIMES)))
    return (once >= 0.25 and multiples >= 0.5) or alike >= 0.6


def uneven_pace_ns(times_ns: NDArray[np.int64]) -> int | None:
    """Quickest usual step of a logger that writes at no regular interval, yet never seldom [ns].

    So it is where a logger's pace changes, or wanders: a value holds across every usual step, and
    means of the quickest one lose nothing.

    Returns
    -------
    int or None
        In whole seconds, one at least; None where rows are few, or longer steps than
        `default_hold_ns` of it are no exceptions.

    Notes
    -----
    Own rule. The step that a tenth of the steps do not exceed; longer ones than its hold are one of
    a hundred at most, with less than a quarter of the time unless they are few.
    """
    steps = _steps(times_ns)
    if steps.size < _LEAST_STEPS:
        return None
    quick = float(np.quantile(steps, 0.1, method="inverted_cdf"))
    period_ns = max(int(quick) // NS_PER_S, 1) * NS_PER_S
    long = steps > default_hold_ns(period_ns)
    number, time_ns = int(np.count_nonzero(long)), float(steps.sum())
    rare = number < _LEAST_STEPS or float(steps[long].sum()) <= LONG_SHARE * time_ns
    return period_ns if rare and number <= 0.01 * steps.size else None


def long_steps_recur(times_ns: NDArray[np.int64], hold_ns: int, *, share: float) -> bool:
    """Whether much of the time lies in steps too long to hold, and these are no exceptions.

    So it is where a logger writes more seldom while little is used, or a row for each watt-hour:
    what is left then is not like what is missing. Own rule: the share of the time that is given,
    in at least 20 steps and one of a hundred.
    """
    steps = _steps(times_ns).astype(np.float64)
    long = steps > hold_ns
    number = int(np.count_nonzero(long))
    if number < _LEAST_STEPS or number <= 0.01 * steps.size:
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


LONGEST_QUIET_NS = 31 * 86_400 * NS_PER_S  # own choice: the store looks one month back


def carry_through(
    times_ns: NDArray[np.int64],
    columns: Sequence[Values],
    *,
    logged_ns: NDArray[np.int64],
    silence_ns: int,
    row_period_ns: int,
) -> tuple[NDArray[np.int64], list[Values]]:
    """Let the values of a log that writes on change hold while the log is seen to go on.

    Parameters
    ----------
    times_ns : numpy.ndarray, shape (n,), int64
        Instants of the rows of some circuits.
    columns : sequence of arrays, shape (n,)
        NaN = a row that says that the value is not known.
    logged_ns : numpy.ndarray, shape (m,), int64
        Instants of all rows of the log, in ascending order.
    silence_ns : int
        A longer step between any two rows of the log is a gap.
    row_period_ns : int
        How long a row holds at the beginning of a gap.

    Returns
    -------
    times_ns, columns
        With a missing row where a gap begins and after the last row of the log, and with the
        value from before it where a gap ends: a logger that writes changes would have written one.
    """
    if times_ns.size == 0:
        return times_ns, list(columns)
    times, values, _ = in_order(times_ns, columns)
    silent = np.flatnonzero(np.diff(logged_ns) > silence_ns)
    begins = np.append(logged_ns[silent], logged_ns[-1]) + row_period_ns
    ends = logged_ns[silent + 1]
    ends = ends[~np.isin(ends, times)]
    began = begins[begins > times[0]]
    stamps = np.concatenate([times, began, ends[ends > times[0]]])
    at = np.searchsorted(times, stamps[times.size + began.size :], side="right") - 1
    out = [np.concatenate([v, np.full(began.size, np.nan, v.dtype), v[at]]) for v in values]
    order = np.argsort(stamps, kind="stable")
    return stamps[order], [value[order] for value in out]


Merge = Literal["power", "energy", "energy_counter"]
Values = NDArray[np.floating[Any]]

BLOCK_SLOTS, REACH_SLOTS = 128, 384  # the phase of a clock is constant; a row matters so far
JITTER = 0.2  # of a period
_FEW = 8  # rows that cannot show a constant phase: chance would do
SAME_PHASE = 0.05  # of a period
LAST_NS = int(np.iinfo(np.int64).max)  # no row follows
_CARRY = 0.3  # a phase in the last 30 % of a slot belongs to the next slot


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """Which slots, and how rows are held on them. Slots count from the Unix epoch.

    `row_period_ns` is how often the logger wrote; `period_ns` is the length of a slot. With
    `ends`, instants are the ends of what the rows tell of, less `row_period_ns`. `stated_hold` says
    that the hold was stated by a person, and so counts for energies too.
    """

    period_ns: int
    row_period_ns: int
    hold_ns: int
    ends: bool = False
    stated_hold: bool = False

    @property
    def energy_hold_ns(self) -> int:
        """Longest step over which the energy of a row is spread."""
        return self.hold_ns if self.stated_hold else self.row_period_ns * 3 // 2

    @property
    def reach_ns(self) -> int:
        """How far a row outside a stretch of time can matter for the slots in it."""
        return self.hold_ns + REACH_SLOTS * self.period_ns + 2 * self.row_period_ns


def make_grid(
    row_period_ns: int,
    *,
    period_s: float | None,
    hold_s: float | None,
    ends: bool = False,
    learned_hold_ns: int | None = None,
) -> Grid:
    """Grid for rows that come every `row_period_ns`; what is stated wins over what was found.

    Where rows come on change, `LONGEST_QUIET_NS` is the hold: each holds until the next one, and
    `carry_through` ends it in gaps.
    """
    period = row_period_ns if period_s is None else round(period_s * 1e9)
    found = default_hold_ns(row_period_ns) if learned_hold_ns is None else learned_hold_ns
    hold = found if hold_s is None else round(hold_s * 1e9)
    return Grid(
        period_ns=period,
        row_period_ns=row_period_ns,
        hold_ns=hold,
        ends=ends,
        stated_hold=hold_s is not None,
    )


def in_order(
    times_ns: NDArray[np.int64], columns: Sequence[Values]
) -> tuple[NDArray[np.int64], list[Values], int]:
    """Sort rows by time; also count the rows that came later than a row of a later instant."""
    if times_ns.size < 2 or bool(np.all(times_ns[1:] >= times_ns[:-1])):
        return times_ns, list(columns), 0
    late = int(np.count_nonzero(times_ns < np.maximum.accumulate(times_ns)))
    order = np.argsort(times_ns, kind="stable")
    return times_ns[order], [values[order] for values in columns], late


def conflicting(times_ns: NDArray[np.int64], columns: Sequence[Values]) -> list[NDArray[np.int64]]:
    """Instants at which a log, read in its order, comes back to give another value, by column.

    Own rule. Rows that share an instant and were logged one after the other are what a clock of
    whole seconds makes of a quick logger, and equal ones are repeats. Values differ that are more
    than half a unit, for rounding, and 0.2 % apart. O(n log n) where rows are out of order, else
    O(n).
    """
    nothing = [np.empty(0, dtype=np.int64)] * len(columns)
    if times_ns.size < 2 or bool(np.all(times_ns[1:] >= times_ns[:-1])):
        return nothing
    order = np.argsort(times_ns, kind="stable")
    times = times_ns[order]
    same = times[1:] == times[:-1]
    back = np.r_[True, ~same | (np.diff(order) > NEAR_ROWS)]
    begins = np.flatnonzero(back)
    again = np.flatnonzero(times[begins[1:]] == times[begins[:-1]])
    if not again.size:
        return nothing
    one, other = begins[again], begins[again + 1]
    out = []
    for values in columns:
        a, b = (values[order[at]].astype(np.float64) for at in (one, other))
        off = np.abs(a - b) > np.maximum(ROUNDED, DIFFERS * np.maximum(np.abs(a), np.abs(b)))
        out.append(np.unique(times[other[off]]))
    return out


def merge_instants(
    times_ns: NDArray[np.int64],
    columns: Sequence[Values],
    *,
    merges: Sequence[Merge],
    exact: bool,
) -> tuple[NDArray[np.int64], list[Values], int]:
    """Make one row of the rows that share an instant.

    Parameters
    ----------
    times_ns : shape (n,)
        In ascending order.
    columns : sequence of arrays, shape (n,)
    merges : sequence of {"power", "energy", "energy_counter"}
        One for each column. Power is averaged, of a counter the highest reading is kept.
    exact : bool
        True for rows logged at one instant: energies are averaged, equal ones taken for a repeat.
        False for rows of different instants that belong to one slot: energies add up.

    Returns
    -------
    times_ns, columns, merged
        `merged` is the number of rows that vanished.
    """
    new = np.r_[True, times_ns[1:] != times_ns[:-1]] if times_ns.size else np.ones(0, dtype=bool)
    merged = int(times_ns.size - np.count_nonzero(new))
    if not merged:
        return times_ns, list(columns), 0
    first = np.flatnonzero(new)
    size = np.diff(np.r_[first, times_ns.size])
    shared = np.repeat(size > 1, size)
    group = np.repeat(np.arange(first.size), size)[shared]
    out = []
    for values, merge in zip(columns, merges, strict=True):
        kept = values[first].copy()
        met = np.flatnonzero(size > 1)
        kept[met] = _merge(group, values[shared], groups=first.size, merge=merge, exact=exact)[met]
        out.append(kept)
    return times_ns[first], out, merged


def _merge(
    group: NDArray[np.intp], values: Values, *, groups: int, merge: Merge, exact: bool
) -> Values:
    there = ~np.isnan(values)
    group, values = group[there], values[there].astype(np.float64)
    order = np.lexsort((values, group))
    group, values = group[order], values[order]
    if exact and merge == "energy" and group.size:
        differs = np.r_[True, (group[1:] != group[:-1]) | (values[1:] != values[:-1])]
        group, values = group[differs], values[differs]
    number = np.bincount(group, minlength=groups).astype(np.float64)
    if merge == "energy_counter":
        out = np.full(groups, np.nan)
        out[group] = values  # ascending inside a group, so the highest is written last
    else:
        out = np.bincount(group, weights=values, minlength=groups).astype(np.float64)
        if merge == "power" or exact:
            with np.errstate(invalid="ignore", divide="ignore"):
                out = out / number
    out[number == 0] = np.nan
    return out


def snap(times_ns: _Instants, period_ns: int) -> tuple[_Instants, _Instants]:
    """Take the jitter out of the instants of a logger that writes once a slot.

    A lone spike or an edge would be smeared over two slots if its row sat a little off the grid.
    So where a stretch (`BLOCK_SLOTS` slots) holds about one row a slot, and at least 90 % of them
    lie within `JITTER` of a period of a constant phase, the phase is removed and those rows move
    to the start of a slot. A stretch of few rows has the phase of the one before it, or after it,
    if that fits.

    Parameters
    ----------
    times_ns : shape (n,), int64
        In ascending order.
    period_ns : int

    Returns
    -------
    times_ns, until_ns : shape (n,), int64
        When each row begins, ascending, and when the next one does: for the last row of a stretch
        whose neighbour moves by another phase, its own length after it begins, so that no row
        grows or shrinks where phases differ. `times_ns` is the same array where nothing had to
        move.
    """
    slot, rest = np.divmod(times_ns, period_ns)
    if times_ns.size == 0 or not rest.any():
        return times_ns, np.append(times_ns[1:], LAST_NS)
    block = slot // BLOCK_SLOTS
    first = np.flatnonzero(np.r_[True, block[1:] != block[:-1]])
    size = np.diff(np.r_[first, times_ns.size])
    phase = _phases(rest * (2 * np.pi / period_ns), first)
    # At least half of the steps within the stretch are one slot long.
    once = np.append(np.abs(np.diff(times_ns) - period_ns) * 2 < period_ns, False)
    once[first[1:] - 1] = False
    paced = (np.add.reduceat(once.astype(np.int64), first) * 2 >= size - 1) & (size > 1)
    fits = np.add.reduceat(_near(times_ns, phase, size, period_ns), first) >= 0.9 * size
    regular = paced & fits & (size >= _FEW)
    for few in np.flatnonzero(~regular & (size < _FEW)):
        for other in (few - 1, few + 1):
            if not 0 <= other < size.size or abs(block[first[other]] - block[first[few]]) != 1:
                continue
            rows = times_ns[first[few] : first[few] + size[few]]
            if regular[other] and _near(rows, phase[[other]], size[[few]], period_ns).all():
                phase[few], regular[few] = phase[other], True
                break
    phase = np.where(regular, phase, 0.0)
    row_phase = np.repeat(phase, size)
    moved = times_ns - np.round(row_phase * period_ns).astype(np.int64)
    nearest = np.floor_divide(moved + period_ns // 2, period_ns) * period_ns
    near = np.abs(moved - nearest) <= JITTER * period_ns
    snapped = np.where(np.repeat(regular, size) & near, nearest, moved)
    snapped = np.maximum.accumulate(snapped)
    until = np.append(snapped[1:], LAST_NS)
    apart = np.abs(np.diff(phase))
    # A clock that drifts past the end of a slot has the same phase on either side.
    apart = np.where(regular[1:] & regular[:-1], np.minimum(apart, 1 - apart), apart)
    last = first[1:][apart > SAME_PHASE] - 1
    until[last] = snapped[last] + times_ns[last + 1] - times_ns[last]
    return snapped, until


def _phases(angle: NDArray[np.float64], first: NDArray[np.intp]) -> NDArray[np.float64]:
    """Circular mean of each stretch [periods]; where it is pulled away, too few rows are near."""
    sin, cos = (np.add.reduceat(part, first) for part in (np.sin(angle), np.cos(angle)))
    phase = np.mod(np.round(np.arctan2(sin, cos) / (2 * np.pi), 9), 1.0)
    return np.where(phase >= 1 - _CARRY, phase - 1, phase)


def _near(
    times_ns: _Instants, phase: NDArray[np.float64], size: NDArray[np.intp], period_ns: int
) -> NDArray[np.int64]:
    """Which rows lie near the phase of their stretch."""
    moved = times_ns - np.repeat(np.round(phase * period_ns).astype(np.int64), size)
    off = np.abs(moved - np.floor_divide(moved + period_ns // 2, period_ns) * period_ns)
    return (off <= JITTER * period_ns).astype(np.int64)


# Common practice, no source: what no household circuit carries, and what any may carry.
ABSURD_W = 100_000.0
ALWAYS_W = 3_000.0
# A counter that falls by more than so many of its steps, and is below for so many readings, has
# gone on from there: it is no wrong reading, after which it goes on as before.
JITTER_STEPS, LASTING_FALL = 3.0, 3
SLIGHT_FALL = 0.01  # of the reading: a counter that jitters; a reset falls farther
TIMES_MET = 3.0  # the largest power met, times this, is still believed after a reset

_Wh = NDArray[np.float64]


def counter_power(
    times_ns: _Instants,
    counter_wh: Values,
    *,
    hold_ns: int,
    rolls_over_at: float | None = None,
) -> tuple[_Instants, NDArray[np.float64], _Instants, _Instants, _Wh]:
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
    times_ns, power_w, resets_ns, rejected_ns, missed_wh
        The power holds from its instant to the next one; NaN where it is not known. `resets_ns`
        are the instants of the steps down that were understood; `rejected_ns` those of readings
        that were not believed, and the beginnings of intervals that need an absurd power.
        `missed_wh` is what was counted from each instant to the next where that is too far away:
        when it was used is not known; after a reset it is the least that was used.

    Notes
    -----
    Own rules. A fall of less than 1 % of the reading is jitter: the highest reading counts until
    the counter passes it. Where it is below by more than three of its steps for three readings or
    more, what was used meanwhile is not known. Low readings, all alike, between two that follow one
    another are no readings (a logger that had no answer writes 0). A farther fall is a reset only
    if what was counted since needs at most three times the largest power met elsewhere, or 3 kW.
    """
    there = ~np.isnan(counter_wh)
    times, counter = times_ns[there], counter_wh[there].astype(np.float64)
    rejected = times[:0]
    down = np.diff(counter) < 0
    limit_w = ABSURD_W
    deep = np.zeros(max(times.size - 1, 0), dtype=np.bool_)
    if down.any():
        limit_w = _believed_w(times, counter, down)
        low = _no_answer(times, counter, limit_w)
        rejected = times[low]
        times, counter = times[~low], counter[~low]
        down, jitter = _falls(counter)
        rejected = np.r_[rejected, times[1:][jitter]]
        highest = _highest_so_far(counter, down)
        deep = _far_below(counter, highest)
        counter = highest
    if times.size == 0:
        return times, counter, times, times, counter
    step_ns, step_wh = np.diff(times), np.diff(counter)
    begun_again = counter[1:] if rolls_over_at is None else step_wh + rolls_over_at
    counted_wh = np.where(down, begun_again, step_wh)
    power = counted_wh * (S_PER_H * NS_PER_S) / step_ns
    absurd = np.abs(power) > np.where(down, limit_w, ABSURD_W)
    far = step_ns > hold_ns
    power[absurd | deep | far] = np.nan
    rejected = np.sort(np.r_[rejected, times[:-1][absurd]])
    missed_wh = np.append(np.where(far & ~absurd & ~deep, counted_wh, 0.0), 0.0)
    return times, np.append(power, np.nan), times[1:][down & ~absurd], rejected, missed_wh


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


def _far_below(counter_wh: _Wh, highest_wh: _Wh) -> NDArray[np.bool_]:
    """Which steps lie in lasting stretches below the highest reading, by more than last digits."""
    rises = np.diff(counter_wh)
    rises = rises[rises > 0]
    below = highest_wh - counter_wh
    far = np.zeros(max(counter_wh.size - 1, 0), dtype=np.bool_)
    if not rises.size or below.max(initial=0.0) <= JITTER_STEPS * rises.min():
        return far
    edges = np.flatnonzero(np.diff(np.r_[False, below > 0, False]))
    for first, stop in edges.reshape(-1, 2):
        deep = below[first:stop].max() > JITTER_STEPS * rises.min()
        if deep and stop - first >= LASTING_FALL:
            far[first - 1 : stop] = True  # from the last reading before to the first that passes it
    return far
