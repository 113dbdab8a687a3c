"""What is wrong with a cell of a log, where, and what to do about it."""

from __future__ import annotations

import csv
import json
import math
from datetime import datetime
from pathlib import Path

import pyarrow as pa

from homeenergy.errors import HouseError
from homeenergy.house.layouts import LogLayout
from homeenergy.readings.logs.digits import MARKS, grouped, with_hyphen
from homeenergy.readings.logs.heads import other_head
from homeenergy.readings.logs.tables import (
    MISSING,
    Types,
    csv_columns,
    is_no_row,
    open_text,
    skip_lines,
    too_many_torn,
    wrong_encoding,
)
from homeenergy.readings.logs.times import (
    LEAST_YEAR,
    MOST_YEAR,
    BadStamp,
    carries_offset,
    mixed_zones,
    stamp_error,
)

_SECOND_HEADING = (
    "If this is a second line of headings, such as units, state how many lines follow the header "
    "before the readings: lines_below_header = 1."
)


def toml_text(text: str) -> str:
    """Write a text as TOML."""
    return json.dumps(text, ensure_ascii=False)


def find_bad_cell(path: Path, layout: LogLayout, types: Types, error: Exception) -> HouseError:
    """Walk through a CSV slowly, after fast reading failed, and say what is wrong where.

    Parameters
    ----------
    path : Path
    layout : LogLayout
    types : dict
        Needed columns and as what they were to be read.
    error : Exception
        What fast reading said; used where the walk finds nothing.
    """
    reason = str(error).splitlines()[0]
    if layout.format == "parquet":
        return HouseError(f"cannot be read ({reason})", path=path)
    found = None
    try:
        found = _first_bad_cell(path, layout, types)
    except UnicodeError as undecoded:
        return wrong_encoding(path, layout.encoding, undecoded)
    except csv.Error as broken:
        reason = f"a quote is not closed, or {broken}"
    return found or HouseError(f"cannot be read ({reason})", path=path)


def _first_bad_cell(path: Path, layout: LogLayout, types: Types) -> HouseError | None:
    names = csv_columns(path, layout)
    position = {name: names.index(name) for name in types}
    zoned: bool | None = None
    torn, rows, first_torn = 0, 0, None
    with open_text(path, layout.encoding, limits=layout.limits) as file:
        skip_lines(file, layout.lines_above_header)
        reader = csv.reader(file, delimiter=layout.delimiter)
        for row in reader:
            line = layout.lines_above_header + reader.line_num
            if line <= layout.lines_before_rows or not row:
                continue
            if len(row) != len(names):
                if any("\n" in cell for cell in row):  # an open quote swallows what follows
                    return _wrong_width(path, line, len(row), len(names), layout)
                torn += 1
                first_torn = first_torn or _wrong_width(path, line, len(row), len(names), layout)
                continue
            if is_no_row(row, names, list(types), layout):
                continue
            if other := other_head(row, names, path=path, line=line):
                return other
            rows += 1
            for name, kind in types.items():
                cell = row[position[name]]
                if pa.types.is_floating(kind) or pa.types.is_integer(kind):
                    if cell in layout.missing or _is_number(cell, layout.decimal):
                        continue
                    return not_a_number(path, line, name, cell, layout)
                elif pa.types.is_timestamp(kind):
                    if not _is_iso(cell):
                        return _not_iso(path, line, name, cell, layout)
                    if not LEAST_YEAR <= int(cell.strip()[:4]) <= MOST_YEAR:
                        bad = BadStamp(0, cell, f"lies outside {LEAST_YEAR} to {MOST_YEAR}")
                        return stamp_error(bad, path=path, line=line, column=name)
                    has = carries_offset(cell)
                    if zoned is not None and has != zoned:
                        bad = mixed_zones(0, cell, has)
                        return stamp_error(bad, path=path, line=line, column=name)
                    zoned = has
    return first_torn if too_many_torn(torn, rows) else None


def _is_number(cell: str, decimal: str) -> bool:
    text = cell.strip()
    if cell in MISSING or text in MISSING:
        return True
    if (decimal == "," and "." in text) or "_" in text or not text.isascii():
        return False
    try:
        return math.isfinite(float(text.replace(decimal, ".")))
    except ValueError:
        return False


def _is_iso(cell: str) -> bool:
    try:
        datetime.fromisoformat(cell.strip())
    except ValueError:
        return False
    return len(cell.strip()) >= 10 and cell.strip()[4] == "-"


def _wrong_width(path: Path, line: int, found: int, expected: int, layout: LogLayout) -> HouseError:
    fix = "Was the file cut off while it was written? Copy or export it again."
    if layout.decimal == layout.delimiter:
        fix = "The decimal mark and the delimiter are the same: state another delimiter."
    return HouseError(f"has {found} columns, expected {expected}", path=path, line=line, fix=fix)


def not_a_number(
    path: Path, line: int, name: str | int, cell: str, layout: LogLayout
) -> HouseError:
    """Say of a cell that it is no number, and what that may come from."""
    other = "," if layout.decimal == "." else "."
    fix = (
        f"Empty cells and {', '.join(MISSING[1:6])} count as missing; what else does is stated, "
        f"as in missing = [{toml_text(cell)}]."
    )
    if about := _about_thousands(cell, layout):
        fix = about
    elif with_hyphen(cell.strip()) != cell.strip():
        fix = "If it is a negative number, write other_minus = true."
    elif other in cell and _is_number(cell, other):
        fix = f'If {other!r} is the decimal mark, write decimal = "{other}".'
    elif _second_heading(line, layout):
        fix = _SECOND_HEADING
    return HouseError(f"{cell!r} is not a number", path=path, line=line, column=name, fix=fix)


def _about_thousands(cell: str, layout: LogLayout) -> str | None:
    """What to do about a cell that has, or may have, marks between its thousands."""
    stated = layout.thousands
    if stated:
        if not any(mark in cell for mark in MARKS[stated]):
            return None
        return (
            f"thousands = {toml_text(stated)} groups digits in threes, as in 1{stated}234; if "
            f"{stated!r} is the decimal mark, write decimal = {toml_text(stated)} instead."
        )
    found = grouped(cell)
    if found is None:
        return None
    mark, decimal, times = found
    also = f" and decimal = {toml_text(decimal)}" if decimal not in (None, layout.decimal) else ""
    fix = f"If {mark!r} stands between its thousands, write thousands = {toml_text(mark)}{also}."
    if decimal is None and times == 1 and mark in ".,":
        fix += f" If it is the decimal mark, write decimal = {toml_text(mark)}."
    return fix


def _second_heading(line: int, layout: LogLayout) -> bool:
    return layout.header and line == layout.lines_before_rows + 1


def _not_iso(path: Path, line: int, name: str | int, cell: str, layout: LogLayout) -> HouseError:
    what = f"{cell!r} is not an ISO 8601 time" if cell.strip() else "the time is missing"
    fix = 'Write its pattern, for example time_format = "%d.%m.%Y %H:%M:%S".'
    if _second_heading(line, layout) and not any(c.isdigit() for c in cell):
        fix = _SECOND_HEADING
    return HouseError(what, path=path, line=line, column=name, fix=fix)
