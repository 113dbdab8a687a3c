"""Read one log file as its layout says: instants in UTC and each circuit's values."""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from homeenergy.errors import HouseError
from homeenergy.house.layouts import LogLayout
from homeenergy.house.log_columns import UNITS, LogColumn
from homeenergy.house.zones import read_zone
from homeenergy.readings.logs.digits import MARKS, BadNumberError, grouped, numbers, split_units
from homeenergy.readings.logs.heads import other_head
from homeenergy.readings.logs.rows import Values
from homeenergy.readings.logs.tables import (
    ABOUT_STATES,
    MISSING,
    STATES,
    NoRowsError,
    Types,
    check_columns,
    csv_columns,
    first_rows,
    is_no_row,
    open_text,
    read_tables,
    skip_lines,
    too_many_torn,
    wrong_encoding,
)
from homeenergy.readings.logs.times import (
    LEAST_YEAR,
    MOST_YEAR,
    BadStamp,
    Stamps,
    arrow_type,
    carries_offset,
    local_to_utc,
    mixed_zones,
    near_change,
    read_stamps,
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


LARGEST_READING = 1e15  # far below what a sample can hold; own choice
ALL = "*"  # the source whose instants are those of every row
COUNTERS = "*counters"
_NUMBERS = (pa.types.is_floating, pa.types.is_integer, pa.types.is_decimal, pa.types.is_null)


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """Rows of circuits that share their instants, in the order of the file.

    `source` is a circuit in a long log or one with a file for each circuit, else `ALL`, or
    `COUNTERS` where stamps mark the ends of periods, since a counter's reading is of its own
    instant all the same.
    """

    source: str
    times_ns: NDArray[np.int64]
    columns: dict[str, Values]


def source_of(layout: LogLayout, circuit: str) -> str:
    """Name the source of a circuit's rows, see `Rows`."""
    if layout.layout == "long" or layout.columns[circuit].files is not None:
        return circuit
    counter = layout.columns[circuit].quantity == "energy_counter"
    return COUNTERS if counter and layout.time_marks == "end" else ALL


def read_log(path: Path, layout: LogLayout, *, torn: list[str] | None = None) -> Iterator[Rows]:
    """Read a log file piece by piece.

    Parameters
    ----------
    path : Path
    layout : LogLayout
    torn : list of str, optional
        Takes the lines of a CSV that are passed over (`tables.read_tables`).

    Yields
    ------
    Rows
        Power in W (float32), energy and counters in Wh (float64); NaN = missing. Stamps as
        logged: a period's end is not yet moved to its beginning.

    Raises
    ------
    HouseError
        Naming file, line and column.
    """
    types = _types(path, layout)
    zone = read_zone(layout.time_zone)
    done = 0
    held: pa.Table | None = None
    try:
        for piece in read_tables(path, layout, types, torn=[] if torn is None else torn):
            table = piece if held is None else pa.concat_tables([held, piece])
            held = None
            if _waits(table, layout, zone):
                held = table
                continue
            rows = _rows(path, layout, table, list(types), zone=zone, done=done)
            yield from _with_lines(path, layout, rows)
            done += table.num_rows
        if held is not None:
            rows = _rows(path, layout, held, list(types), zone=zone, done=done)
            yield from _with_lines(path, layout, rows)
    except pa.ArrowInvalid as error:
        raise find_bad_cell(path, layout, types, error) from None


def _with_lines(path: Path, layout: LogLayout, rows: Iterator[Rows]) -> Iterator[Rows]:
    """Rows; an error names the line of the file in place of the number of the row."""
    try:
        yield from rows
    except HouseError as error:
        if error.line is None or layout.format != "csv":
            raise
        line = line_of_row(path, layout, error.line - layout.lines_before_rows)
        raise type(error)(
            error.what, path=path, line=line, column=error.column, fix=error.fix
        ) from None


def line_of_row(path: Path, layout: LogLayout, row: int) -> int:
    """Line of a CSV that holds a row, which are counted from 1; torn and blank lines hold none."""
    names, needed = csv_columns(path, layout), list(_types(path, layout))
    width = len(names)
    with open_text(path, layout.encoding, limits=layout.limits) as file:
        skip_lines(file, layout.lines_before_rows)
        reader = csv.reader(file, delimiter=layout.delimiter)
        whole = (
            reader.line_num
            for cells in reader
            if len(cells) == width and not is_no_row(cells, names, needed, layout)
        )
        at = next(islice(whole, row - 1, None), row)
    return layout.lines_before_rows + at


def _types(path: Path, layout: LogLayout) -> Types:
    """Needed columns of a file, time first, and as what they are read."""
    names: list[str | int] = list(layout.time_columns)
    values: Types = {}
    as_text = layout.thousands or layout.units_in_cells or _has_states(layout)
    numeric = pa.string() if as_text else pa.float64()
    if layout.layout == "long":
        assert layout.circuit_column is not None
        assert layout.value_column is not None
        values[layout.circuit_column] = pa.dictionary(pa.int32(), pa.string())
        values[layout.value_column] = numeric
        if layout.unit_column is not None:
            values[layout.unit_column] = pa.dictionary(pa.int32(), pa.string())
        values |= dict.fromkeys(layout.only, pa.dictionary(pa.int32(), pa.string()))
    else:
        for column in layout.columns.values():
            if column.is_in(path):
                values |= dict.fromkeys(column.needed, numeric)
        if not values:
            raise NoRowsError(
                "belongs to no circuit of its [[log]]",
                path=path,
                fix="Add a line with its name to [log.columns], or take it out of the folder.",
            )
    if layout.format == "parquet":
        return {name: pa.null() for name in [*names, *values]}
    found = csv_columns(path, layout)
    check_columns(path, found, [*names, *values], layout)
    above = int(layout.header) + layout.lines_below_header
    rows = first_rows(path, layout, above + 1)[above:]
    at = found.index(names[0])
    stamp = rows[0][at] if rows and at < len(rows[0]) else ""
    kind = arrow_type(layout.time_format, stamp, len(names))
    if layout.totals_between:
        kind = pa.string()
    return {**dict.fromkeys(names, kind), **values}


def _waits(table: pa.Table, layout: LogLayout, zone: tzinfo) -> bool:
    """Whether the next piece is needed to distinguish the two passes of a repeated hour."""
    if isinstance(zone, timezone):
        return False
    last = [table.column(number).slice(table.num_rows - 1) for number in range(_times(layout))]
    try:
        stamps = read_stamps(last, layout.time_format)
    except BadStamp:
        return False
    return not stamps.zoned and near_change(int(stamps.ns[0]), zone)


def _times(layout: LogLayout) -> int:
    return len(layout.time_columns)


def _rows(
    path: Path,
    layout: LogLayout,
    table: pa.Table,
    names: list[str | int],
    *,
    zone: tzinfo,
    done: int,
) -> Iterator[Rows]:
    count = _times(layout)
    first_line = done + 1 + (layout.lines_before_rows if layout.format == "csv" else 0)
    try:
        stamps = read_stamps([table.column(number) for number in range(count)], layout.time_format)
    except BadStamp as bad:
        line = bad.row + first_line
        raise stamp_error(bad, path=path, line=line, column=layout.time_columns[0]) from None
    position = {name: number for number, name in enumerate(names)}
    cells = _Numbers(path, layout, table, position, first_line)
    if layout.layout == "long":
        yield from _long(path, layout, cells, stamps, zone=zone)
        return
    times = _utc(stamps, zone, path=path, lines=None, first_line=first_line, layout=layout)
    sources: dict[str, dict[str, Values]] = {}
    for circuit, column in layout.columns.items():
        if column.is_in(path):
            value = _quantity(column, [cells.of(column, name) for name in column.needed])
            sources.setdefault(source_of(layout, circuit), {})[circuit] = value
    for source, columns in sources.items():
        yield Rows(source, times, columns)


def _long(
    path: Path, layout: LogLayout, cells: _Numbers, stamps: Stamps, *, zone: tzinfo
) -> Iterator[Rows]:
    assert layout.circuit_column is not None
    assert layout.value_column is not None
    names, codes = cells.texts(layout.circuit_column)
    values, units, unit_codes = cells.with_units(layout.value_column)
    if layout.unit_column is not None:
        units, unit_codes = cells.texts(layout.unit_column)
    any_units = layout.unit_column is not None or layout.units_in_cells
    wanted = np.ones(codes.size, dtype=bool)
    for name, text in layout.only.items():
        texts, text_codes = cells.texts(name)
        wanted &= np.isin(text_codes, [code for code, one in enumerate(texts) if one == text])
    for circuit, column in layout.columns.items():
        mine = [code for code, name in enumerate(names) if name == str(column.names[0])]
        chosen = np.isin(codes, mine) & wanted
        rows = np.flatnonzero(chosen) if mine else np.empty(0, dtype=np.int64)
        if any_units:
            scale = _scales(units, column)[unit_codes[rows]]
            rows, scale = rows[scale > 0], scale[scale > 0]
        if rows.size:
            own = Stamps(stamps.ns[rows], stamps.zoned)
            times = _utc(
                own, zone, path=path, lines=rows, first_line=cells.first_line, layout=layout
            )
            own_values = values[rows] * scale if any_units else values[rows]
            if column.quantity == "state":
                cells.refuse_no_states(own_values, rows, layout.value_column)
            yield Rows(circuit, times, {circuit: _quantity(column, [own_values])})


def _scales(units: list[str | None], column: LogColumn) -> NDArray[np.float64]:
    """By what readings of each unit are multiplied to be of the column's; 0: another quantity.

    The last is that of readings without a unit, which are taken to be of the column's.
    """
    allowed = {unit.casefold(): unit for unit in UNITS[column.quantity] or (column.unit,)}
    found = [allowed.get((unit or column.unit).casefold()) for unit in units]
    own = 1000.0 if column.unit.startswith("k") else 1.0
    scales = [0.0 if u is None else (1000.0 if u.startswith("k") else 1.0) / own for u in found]
    return np.array([*scales, 1.0])


def _utc(
    stamps: Stamps,
    zone: tzinfo,
    *,
    path: Path,
    lines: NDArray[np.intp] | None,
    first_line: int,
    layout: LogLayout,
) -> NDArray[np.int64]:
    if stamps.zoned or zone is UTC:
        return stamps.ns
    if isinstance(zone, timezone):
        offset = zone.utcoffset(None) or timedelta(0)
        return stamps.ns - round(offset.total_seconds()) * 1_000_000_000
    try:
        return local_to_utc(stamps.ns, zone)
    except HouseError as error:
        row = error.line or 0
        raise type(error)(
            error.what,
            path=path,
            line=first_line + (row if lines is None else int(lines[row])),
            column=layout.time_columns[0],
            fix=error.fix,
        ) from None


@dataclass(frozen=True, slots=True, eq=False)
class _Numbers:
    """The columns of numbers of a table, with a place to name when one is not a number."""

    path: Path
    layout: LogLayout
    table: pa.Table
    position: dict[str | int, int]
    first_line: int

    def of(self, column: LogColumn, name: str | int) -> NDArray[np.float64]:
        """Readings of one of a circuit's columns, in its unit."""
        values, units, codes = self.with_units(name)
        if column.quantity == "state":
            self.refuse_no_states(values, np.arange(values.size), name)
        if not units or name == column.factor_column:
            return values
        single = column.quantity == "volts_and_amps"
        scale = np.ones(values.size) if single else _scales(units, column)[codes]
        other = ((scale == 0) | (codes < 0)) & (np.nan_to_num(values) != 0)
        if other.any():
            row = int(np.argmax(other))
            unit = units[codes[row]] if codes[row] >= 0 else None
            raise HouseError(
                f"{values[row]:g} has {f'the unit {unit!r}' if unit else 'no unit'}, unlike others",
                path=self.path,
                line=self.first_line + row,
                column=name,
                fix=f"Known are {', '.join(UNITS[column.quantity] or (column.unit,))}.",
            )
        return values * scale

    def refuse_no_states(
        self, values: NDArray[np.float64], rows: NDArray[np.intp], name: str | int
    ) -> None:
        """Refuse readings of a circuit's states, in some rows, that are neither on nor off."""
        other = ~np.isin(values, (0.0, 1.0)) & ~np.isnan(values)
        if other.any():
            at = int(np.argmax(other))
            line = self.first_line + int(rows[at])
            raise _no_state(f"{values[at]:g}", self.path, line, name)

    def with_units(
        self, name: str | int
    ) -> tuple[NDArray[np.float64], list[str | None], NDArray[np.int64]]:
        """Numbers of a column, the units in its cells, and which each row has; -1 for none."""
        column = self.table.column(self.position[name])
        if not self.layout.units_in_cells:
            return self._floats(column, name), [], np.empty(0, dtype=np.int64)
        plain, units, codes = split_units(column)
        return self._floats(plain, name), units, codes

    def _floats(self, column: pa.ChunkedArray, name: str | int) -> NDArray[np.float64]:
        if _has_states(self.layout):
            column = _states_as_numbers(column)
        if self.layout.thousands or self.layout.units_in_cells or _has_states(self.layout):
            column = self._without_marks(column, name)
        kind = column.type
        if not any(known(kind) for known in _NUMBERS):
            raise HouseError(
                f"holds values of type {kind}, not numbers", path=self.path, column=name
            )
        if kind != pa.float64():
            column = column.cast(pa.float64())
        values: NDArray[np.float64] = column.to_numpy()
        beyond = np.abs(values) > LARGEST_READING
        if beyond.any():
            row = int(np.argmax(beyond))
            what = "is not a finite number"
            if np.isfinite(values[row]):
                what = f"{values[row]:g} is more than any reading can be"
            raise HouseError(what, path=self.path, line=self.first_line + row, column=name)
        return values

    def texts(self, name: str | int) -> tuple[list[str | None], NDArray[np.int64]]:
        """Different texts of a column, and which of them each row has; -1 for none."""
        column = self.table.column(self.position[name])
        if not pa.types.is_dictionary(column.type):
            column = column.cast(pa.string()).dictionary_encode()
        column = column.unify_dictionaries().combine_chunks()
        coded = column.chunk(0) if isinstance(column, pa.ChunkedArray) else column
        names = [None if text is None else text.strip() for text in coded.dictionary.to_pylist()]
        return names, coded.indices.fill_null(-1).to_numpy(zero_copy_only=False)

    def _without_marks(self, column: pa.ChunkedArray, name: str | int) -> pa.ChunkedArray:
        layout = self.layout
        missing = [*MISSING, *layout.missing]
        marks = {"thousands": layout.thousands, "decimal": layout.decimal}
        try:
            return numbers(column, missing=missing, **marks)
        except BadNumberError as bad:
            line = self.first_line + bad.row
            if all(column.quantity == "state" for column in layout.columns.values()):
                raise _no_state(repr(bad.cell), self.path, line, name) from None
            raise not_a_number(self.path, line, name, bad.cell, layout) from None


def _no_state(what: str, path: Path, line: int, name: str | int) -> HouseError:
    return HouseError(f"{what} is no state", path=path, line=line, column=name, fix=ABOUT_STATES)


def _has_states(layout: LogLayout) -> bool:
    return any(column.quantity == "state" for column in layout.columns.values())


def _states_as_numbers(column: pa.ChunkedArray) -> pa.ChunkedArray:
    """Write on and off as 1 and 0; other texts stay."""
    coded = column.cast(pa.string()).combine_chunks().dictionary_encode()
    coded = coded.combine_chunks() if isinstance(coded, pa.ChunkedArray) else coded
    texts = [None if text is None else text.strip() for text in coded.dictionary.to_pylist()]
    plain = [text if text is None else STATES.get(text.lower(), text) for text in texts]
    return pa.chunked_array([pa.array(plain, pa.string()).take(coded.indices)])


def _quantity(column: LogColumn, values: list[NDArray[np.float64]]) -> Values:
    """W as float32, or Wh as float64; where one of several columns is missing, all is."""
    if column.factor_column is not None:
        *values, factors = values
        factor: Any = np.abs(factors)  # its sign distinguishes a leading from a lagging current
    else:
        factor = column.power_factor or 1.0
    if column.quantity == "volts_and_amps":
        scaled: NDArray[np.float64] = values[0] * values[1] * factor
    elif column.quantity == "apparent_power":
        scaled = np.sum(values, axis=0) * factor
    else:
        scaled = values[0] if len(values) == 1 else np.sum(values, axis=0)
    if column.unit.startswith("k") and column.quantity != "other":
        scaled = scaled * 1000.0
    if column.unit == "F":
        scaled = (scaled - 32.0) / 1.8
    return scaled if column.quantity.startswith("energy") else scaled.astype(np.float32)
