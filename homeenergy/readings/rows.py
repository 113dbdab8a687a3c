"""Rows as they were logged, brought into order: sorted, repeats merged, jitter taken out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from homeenergy.readings.period import default_hold_ns

Merge = Literal["power", "energy", "energy_counter"]
Values = NDArray[np.floating[Any]]

BLOCK_SLOTS = 128  # stretch within which the phase of a logger's clock counts as constant
JITTER = 0.2  # of a period
_FEW = 8  # rows that cannot show a constant phase: chance would do
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
        return self.hold_ns + 3 * BLOCK_SLOTS * self.period_ns + 2 * self.row_period_ns


def make_grid(
    row_period_ns: int, *, period_s: float | None, hold_s: float | None, ends: bool = False
) -> Grid:
    """Grid for rows that come every `row_period_ns`; what is stated wins over what was found."""
    period = row_period_ns if period_s is None else round(period_s * 1e9)
    hold = default_hold_ns(row_period_ns) if hold_s is None else round(hold_s * 1e9)
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


def snap(times_ns: NDArray[np.int64], period_ns: int) -> NDArray[np.int64]:
    """Take the jitter out of the instants of a logger that writes once a slot.

    A lone spike or an edge would be smeared over two slots if its row sat a little off the grid.
    So where a stretch (`BLOCK_SLOTS` slots) holds about one row a slot, and at least 90 % of them
    lie within `JITTER` of a period of a constant phase, the phase is removed and those rows move
    to the start of a slot.

    Parameters
    ----------
    times_ns : shape (n,), int64
        In ascending order.
    period_ns : int

    Returns
    -------
    numpy.ndarray, shape (n,), int64
        Ascending; the same array where nothing had to move.
    """
    slot, rest = np.divmod(times_ns, period_ns)
    if times_ns.size == 0 or not rest.any():
        return times_ns
    block = slot // BLOCK_SLOTS
    first = np.flatnonzero(np.r_[True, block[1:] != block[:-1]])
    size = np.diff(np.r_[first, times_ns.size])
    angle = rest * (2 * np.pi / period_ns)
    # The circular mean is enough: where it is pulled away, the 90 % test below fails.
    mean_sin, mean_cos = (
        np.add.reduceat(np.sin(angle), first),
        np.add.reduceat(np.cos(angle), first),
    )
    phase = np.mod(np.arctan2(mean_sin, mean_cos) / (2 * np.pi), 1.0)
    phase = np.where(phase >= 1 - _CARRY, phase - 1, phase)
    moved = times_ns - np.repeat(np.round(phase * period_ns).astype(np.int64), size)
    nearest = np.floor_divide(moved + period_ns // 2, period_ns) * period_ns
    near = np.abs(moved - nearest) <= JITTER * period_ns
    spanned = np.r_[slot[first[1:] - 1], slot[-1]] - slot[first] + 1
    regular = np.add.reduceat(near.astype(np.int64), first) >= 0.9 * size
    regular &= (size >= _FEW) & (size >= spanned / 2) & (size <= spanned * 3 / 2)
    regular_row = np.repeat(regular, size)
    out = np.where(regular_row, np.where(near, nearest, moved), times_ns)
    ascending: NDArray[np.int64] = np.maximum.accumulate(out)
    return ascending


def begin_after_the_row_before(
    times_ns: NDArray[np.int64], grid: Grid, *, hold_ns: int
) -> tuple[NDArray[np.int64], NDArray[np.intp]]:
    """Instants at which the time begins of which rows tell that are stamped with its end.

    It begins at the stamp of the row before, if that is at most the hold away; else one row period
    before the stamp.

    Returns
    -------
    times_ns, at
        `at` are the places of `numpy.insert` at which the values need a missing one: the stamps
        where nothing follows at once. `times_ns` has them already.
    """
    stamps = times_ns + grid.row_period_ns
    step = np.diff(stamps)
    if not step.size or np.all(step == grid.row_period_ns):
        return times_ns, np.empty(0, dtype=np.intp)
    near = step <= hold_ns
    begins = times_ns.copy()
    begins[1:] = np.where(near, stamps[:-1], np.maximum(times_ns[1:], stamps[:-1]))
    open_end = np.append(~near & (begins[1:] > stamps[:-1]), True)
    at = np.flatnonzero(open_end) + 1
    return np.insert(begins, at, stamps[open_end]), at
