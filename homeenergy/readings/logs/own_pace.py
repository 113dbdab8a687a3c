"""The pace of a column of its own, an empty cell being a row that this column does not have."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from homeenergy.house.layouts import LogLayout
from homeenergy.readings.logs.pace import BY_CHANCE, FEW_LONG, MOSTLY_NEW, Source, longest_step_s
from homeenergy.readings.logs.read import Rows
from homeenergy.readings.logs.rows import (
    JITTERY,
    LONG_SHARE,
    LONGEST_QUIET_NS,
    Values,
    default_hold_ns,
    find_period_ns,
    has_pace,
    long_steps_recur,
)
from homeenergy.units import NS_PER_S

FEW_READINGS, FEWEST_READINGS = 20, 5
FEW_EMPTY = 0.01  # of the cells


@dataclass(frozen=True, slots=True)
class OwnPace:
    """How often a column has a reading, and how long one holds [ns]."""

    row_period_ns: int
    hold_ns: int

    @property
    def on_change(self) -> bool:
        """Whether a reading holds until the next one, as long as the table goes on."""
        return self.hold_ns == LONGEST_QUIET_NS


def find_own_pace(
    times_ns: NDArray[np.int64],
    values: Values,
    *,
    table_ns: int | None,
    spread: bool,
    changes: bool = False,
) -> OwnPace | None:
    """Learn the pace of a column with empty cells from its own readings.

    Parameters
    ----------
    times_ns : numpy.ndarray, shape (n,), int64
        Instants of the rows of the table.
    values : numpy.ndarray, shape (n,)
        Of the column; NaN = empty.
    table_ns : int or None
        How often the table has a row; None where it has no pace.
    spread : bool
        Whether a reading is the energy of its own period.
    changes : bool
        Whether other columns of the table surely come on change.

    Returns
    -------
    OwnPace or None
        None where few cells are empty, or too few are not.

    Notes
    -----
    Own rules. They come on change where none repeats the one before it, though of readings in any
    order so many would that none is a chance of one in a thousand; and where none does, they come
    at no pace of their own, and those of another column do. Where its readings come at a pace,
    one holds for as long as by default; and where cells are empty by chance, across as many as
    chance leaves empty in a row once in a thousand steps; longer steps are one of a hundred at
    most. Where they come at none, and in nine of ten with another value, they come on change; of
    five to twenty readings half are beyond the default. Else one holds across the longest usual
    step (`pace.find_pace`).
    """
    there = ~np.isnan(values)
    if not there.any() or is_full(values):
        return None
    own = Source(times_ns=times_ns[there], readings=values[there]).in_order()
    few = own.times_ns.size < FEWEST_READINGS
    on_change = not spread and table_ns is not None and own.changes == 1.0
    if on_change and (own.surely_changes or (few and changes)):
        return OwnPace(table_ns or 0, LONGEST_QUIET_NS)
    period = find_period_ns(own.times_ns)
    if few or period is None:
        return None
    if own.times_ns.size >= FEW_READINGS and has_pace(own.times_ns, period):
        hold = max(default_hold_ns(period), _hold_by_chance_ns(own.times_ns, period))
        if spread or np.mean(np.diff(own.times_ns) > hold) <= FEW_LONG:
            return OwnPace(period, hold)
    if spread or table_ns is None:
        return None
    if on_change and changes:
        return OwnPace(table_ns, LONGEST_QUIET_NS)
    usual = default_hold_ns(table_ns)
    if own.times_ns.size < FEW_READINGS:
        if np.mean(np.diff(own.times_ns) > usual) < 0.5:
            return None
    elif not long_steps_recur(own.times_ns, usual, share=LONG_SHARE):
        return OwnPace(table_ns, usual)
    if own.changes >= MOSTLY_NEW:
        return OwnPace(table_ns, LONGEST_QUIET_NS)
    longest_ns = round(longest_step_s(np.diff(own.times_ns)) * NS_PER_S)
    return OwnPace(table_ns, max(longest_ns, usual))


def own_paces(rows: Rows, layout: LogLayout, *, table_ns: int | None) -> dict[str, OwnPace]:
    """Paces of the columns of a table that have empty cells, by circuit (`find_own_pace`)."""

    def of(changes: bool) -> dict[str, OwnPace]:
        found = {
            name: find_own_pace(
                rows.times_ns,
                values,
                table_ns=table_ns,
                spread=layout.columns[name].quantity == "energy",
                changes=changes,
            )
            for name, values in rows.columns.items()
        }
        return {name: pace for name, pace in found.items() if pace is not None}

    first = of(False)
    return of(True) if any(pace.on_change for pace in first.values()) else first


def is_full(values: Values) -> bool:
    """Whether hardly a cell of a column is empty."""
    return bool(np.isnan(values).mean() < FEW_EMPTY)


def own_pace_remark(name: str, pace: OwnPace) -> str:
    """Say what is made of a column's empty cells."""
    if pace.on_change:
        return f"{name} has empty cells: its value holds until the next one while the log goes on"
    return (
        f"{name} has empty cells: a reading every {pace.row_period_ns / NS_PER_S:g} s, each held "
        f"for up to {pace.hold_ns / NS_PER_S:g} s"
    )


def _hold_by_chance_ns(times_ns: NDArray[np.int64], period_ns: int) -> int:
    """Step that chance exceeds once in a thousand, where each reading may be missing."""
    steps = np.diff(times_ns)
    lost = float(np.mean(steps[steps > 0] > JITTERY * period_ns))
    periods = 1 + np.ceil(np.log(BY_CHANCE) / np.log(lost)) if 0 < lost < 1 else 1
    return round(float(periods) * period_ns)
