"""Which columns of a log hold its times, and how they are written."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np

from homeenergy.errors import HouseError
from homeenergy.house.layouts import LogLayout
from homeenergy.readings.logs.heads import ONE_HEAD
from homeenergy.readings.logs.roles import Table, times_across
from homeenergy.readings.logs.tables import is_no_time, open_text, skip_lines
from homeenergy.readings.logs.time_formats import (
    END_OF_DAY,
    is_date,
    is_stamp,
    is_time_of_day,
    region_of,
    start_of,
    time_format_of,
)
from homeenergy.units import H_PER_DAY

_EPOCHS = (("epoch_s", 1.0), ("epoch_ms", 1e3), ("epoch_us", 1e6), ("epoch_ns", 1e9))
NO_OFFSET = "the times carry no offset from UTC"
_DAYS = (36_526, 54_789)  # 2000 to 2050 in days since 1900
_EPOCH_RANGE_S = (946_684_800.0, 2_524_608_000.0)  # 2000 to 2050
_CHECKED = 200
_DAY_PARTS = 3


def csv_times(
    base: LogLayout, table: Table, files: list[Path], timezone: str | None, remarks: list[str]
) -> LogLayout:
    """Add to a layout which columns hold the times, and how these are written.

    Raises
    ------
    HouseError
        If no column holds times, or it is not clear how.
    """
    columns = _time_columns(table)
    if len(columns) == 1 and _epoch(table, columns[0]):
        table.in_utc = True
        return replace(base, time_columns=columns, time_format=_epoch(table, columns[0]) or "")
    starts = ([start_of(cell) for cell in table.cells(name)] for name in columns)
    stamps = [" ".join(parts) for parts in zip(*starts, strict=True)]
    if any(map(is_stamp, stamps[:_CHECKED])):  # a day alone is its midnight
        stamps = [stamp for stamp in stamps if not is_date(stamp)]
    if _has_half_a_clock(stamps[: table.head]):
        raise HouseError(
            "times of day go from 12 back to 1 on one date, so they lack a.m. and p.m.",
            path=table.path,
            column=columns[-1],
            fix="Export the log with times from 0 to 24 h, or with AM and PM.",
        )
    at = table.names.index(columns[0])
    try:
        time_format, zoned, remark = time_format_of(
            stamps, all_dates=lambda: _all_cells(files, base, at)
        )
    except HouseError as error:
        odd = [
            n
            for n, text in enumerate(stamps[: table.head])
            if not (is_stamp(text) or is_date(text))
        ]
        line = base.lines_before_rows + odd[0] + 1 if odd and len(odd) < table.head else None
        fix = error.fix
        if odd and stamps[odd[0]] in table.names:
            fix = ONE_HEAD
        raise HouseError(
            error.what, path=table.path, line=line, column=columns[0], fix=fix
        ) from None
    if remark:
        remarks.append(remark)
    heads = [str(table.heads[n - 1] if table.heads and isinstance(n, int) else n) for n in columns]
    table.ends = any(map(END_OF_DAY.search, stamps)) or any(
        word.casefold() in _ENDS for head in heads for word in _WORDS.findall(head)
    )
    table.in_utc = zoned and all(_UTC.search(stamp) for stamp in stamps[:_CHECKED])
    told = None if zoned else region_of(time_format) or _zone_in_head(table, columns)
    if told is not None:
        where = "as stands behind them" if region_of(time_format) else "by their head"
        remarks.append(f"the times are in {told} {where}")
        return replace(base, time_columns=columns, time_format=time_format, time_zone=told)
    if not zoned:
        remarks.append(
            f"{NO_OFFSET}; they are taken as {timezone}"
            if timezone
            else f"{NO_OFFSET}; they are taken as UTC: check time_zone"
        )
    named = time_format.endswith("%Z")  # what CET is depends on where
    zone = timezone if timezone and (named or not zoned) else "UTC"
    return replace(base, time_columns=columns, time_format=time_format, time_zone=zone)


_HALF = {*range(1, 13)}
_HOUR = re.compile(r"(.*[ T])?(\d{1,2}):\d{2}")


def _has_half_a_clock(stamps: Sequence[str]) -> bool:
    """Whether times are those of a clock with twelve hours, of which the half is not told."""
    if any(letter in "AaPp" for stamp in stamps[:1] for letter in stamp):
        return False
    found = [hour for stamp in stamps if (hour := _HOUR.match(stamp))]
    parts = [(hour[1], int(hour[2])) for hour in found]
    met = {hour for _, hour in parts}
    if not met <= _HALF or len(met) < len(_HALF) - 1:
        return False
    return any(
        one == other and {before, after} == {min(_HALF), max(_HALF)}
        for (one, before), (other, after) in pairwise(parts)
    )


_WORDS = re.compile(r"[^\W\d_]+")
_ENDS = {"end", "ending", "ends", "until", "ende", "bis", "fin", "hasta", "fine", "einde", "tot"}
_UTC = re.compile(r"(?:Z|UTC|GMT|[+-]00(?::?00)?)\s*$", re.IGNORECASE)
_ZONE_IN_HEAD = re.compile(
    r"\b(?:UTC|GMT)\b\s*(?:([+-])\s*(\d{1,2})(?::?(\d{2}))?)?", re.IGNORECASE
)


def _zone_in_head(table: Table, columns: tuple[str | int, ...]) -> str | None:
    """UTC, or its offset, where the head of the times says so."""
    for name in columns:
        at = table.names.index(name)
        head = (
            table.heads[at] if table.heads else f"{name} {table.units[at] if table.units else ''}"
        )
        found = _ZONE_IN_HEAD.search(head.replace("_", " "))
        if found:
            sign, hours, minutes = found.groups()
            return "UTC" if not sign else f"UTC{sign}{int(hours):02d}:{minutes or '00'}"
    return None


def _all_cells(files: list[Path], base: LogLayout, at: int) -> Iterator[str]:
    for path in files:
        with open_text(path, base.encoding) as text:
            skip_lines(text, base.lines_above_header)
            reader = csv.reader(text, delimiter=base.delimiter)
            for number_, row in enumerate(reader):
                if (number_ or not base.header) and len(row) > at:
                    if base.totals_between and is_no_time(row[at], worded=False):
                        continue
                    yield row[at]


def _time_columns(table: Table) -> tuple[str | int, ...]:
    """Columns that hold the time: one, or date and time of day."""
    stamps, dates, clocks = [], [], []
    for name in table.names:
        cells = table.filled(name)[:200]
        times = bool(cells) and all(is_stamp(cell) or is_date(cell) for cell in cells)
        if times and 2 * sum(map(is_stamp, cells)) > len(cells):
            stamps.append(name)
        if cells and all(is_date(cell) for cell in cells):
            dates.append(name)
        if cells and all(is_time_of_day(cell) for cell in cells):
            clocks.append(name)
    if stamps:  # not the one that holds when an export began
        return (max(stamps, key=lambda name: len(set(table.cells(name)))),)
    if dates and clocks:
        return (dates[0], clocks[0])
    for name in table.names:
        if _epoch(table, name):
            return (name,)
    if parts := _parts_of_time(table):
        return parts
    if dates:
        return (dates[0],)
    columns = ", ".join(map(repr, table.names[:20]))
    if sum(map(is_time_of_day, [*map(str, table.names), *table.rows[0]])) >= H_PER_DAY - 1:
        raise times_across(table)
    if clocks:
        raise HouseError(
            f"{clocks[0]!r} holds times of day, and no column their dates",
            path=table.path,
            fix="Export the log with dates. `homeenergy new` reads them in names of files, too, as "
            "in 2026-03-29.csv.",
        )
    for name in table.names:
        if _counts_days(table, name):
            raise HouseError(
                f"{name!r} seems to hold days since 1900, as spreadsheets count them",
                path=table.path,
                fix="Give the column the format of a date and time, and export it again.",
            )
    raise HouseError(
        f"no column holds times; its columns are {columns}",
        path=table.path,
        fix="If lines of totals or remarks stand between the rows, delete them. If times are "
        "written in an unusual way, write the [[log]] block by hand, or export them as "
        "2026-03-29 14:05.",
    )


_PART_NAMES = (
    {"year", "jahr", "année", "annee", "jaar", "año"},
    {"month", "monat", "mois", "maand", "mes"},
    {"day", "tag", "jour", "dag", "día", "dia"},
    {"hour", "stunde", "heure", "uur", "hora"},
    {"minute", "minuut", "minuto", "min"},
    {"second", "sekunde", "seconde", "segundo", "sec"},
)


def _parts_of_time(table: Table) -> tuple[str | int, ...]:
    """Columns called year, month, day, hour and perhaps minute and second, if there are such."""
    found: list[str | int] = []
    for words in _PART_NAMES:
        named = [name for name in table.names if str(name).strip().casefold() in words]
        if len(named) != 1:
            break
        found += named
    rows = zip(*(table.cells(name)[:_CHECKED] for name in found), strict=True)
    whole = len(found) > _DAY_PARTS and all(is_stamp(" ".join(row)) for row in rows)
    return tuple(found) if whole else ()


def _counts_days(table: Table, name: str | int) -> bool:
    """Whether a column holds days since 1900 with a time of day as a fraction, of 2000 to 2050."""
    values = table.values(name)
    steps = np.diff(values[: table.head])
    return bool(
        np.all((values >= _DAYS[0]) & (values < _DAYS[1]))
        and np.all((steps > 0) & (steps < 1))
        and table.head > 1
    )


def _epoch(table: Table, name: str | int) -> str | None:
    """Unit of a column that counts from 1970: it never goes far back and lies in our time."""
    cells = table.cells(name, head=True)[:500]
    values = [table.number(cell) for cell in cells]
    if not values or any(value is None or value != value for value in values):
        return None
    found = np.array(values, dtype=np.float64)
    for epoch, per_s in _EPOCHS:
        low, high = _EPOCH_RANGE_S
        if found.min() >= low * per_s and found.max() < high * per_s:
            rising = np.count_nonzero(np.diff(found) >= 0) >= 0.9 * (found.size - 1)
            return epoch if rising else None
    return None
