"""Read one log file as its layout says: instants in UTC and each circuit's values."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, timedelta, timezone, tzinfo
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from homeenergy.errors import HouseError
from homeenergy.house.layouts import LogLayout
from homeenergy.house.log_columns import UNITS, LogColumn, scale_of, unit_of
from homeenergy.house.zones import read_zone
from homeenergy.readings.logs.bad_cells import find_bad_cell, not_a_number
from homeenergy.readings.logs.digits import BadNumberError, numbers, split_units, with_hyphens
from homeenergy.readings.logs.labels import meant_by
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
)
from homeenergy.readings.logs.times import (
    BadStamp,
    Stamps,
    arrow_type,
    local_to_utc,
    near_change,
    read_stamps,
    stamp_error,
)

LARGEST_READING = 1e15  # far below what a sample can hold; own choice
FACTOR_MOST = 1.05  # a power factor above, but for rounding, is in percent or another thing
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
    numeric = pa.string() if _are_texts(layout) else pa.float64()
    if layout.layout == "long":
        assert layout.circuit_column is not None
        assert layout.value_column is not None
        values[layout.circuit_column] = pa.dictionary(pa.int32(), pa.string())
        values[layout.value_column] = numeric
        if layout.unit_column is not None:
            values[layout.unit_column] = pa.dictionary(pa.int32(), pa.string())
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
    values |= dict.fromkeys(layout.only, pa.dictionary(pa.int32(), pa.string()))
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
        stamps = read_stamps(last, layout.time_format, zone)
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
        of_times = [table.column(number) for number in range(count)]
        stamps = read_stamps(of_times, layout.time_format, zone)
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
    wanted = cells.wanted()
    for circuit, column in layout.columns.items():
        if column.is_in(path):
            value = _quantity(column, [cells.of(column, name) for name in column.needed])
            if layout.only:
                value = np.where(wanted, value, np.nan).astype(value.dtype)
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
    wanted = cells.wanted()
    listed = {str(column.names[0]) for column in layout.columns.values()}
    for circuit, column in layout.columns.items():
        mine = meant_by(str(column.names[0]), names, listed)
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
    own = scale_of(column.unit)
    if not UNITS[column.quantity]:  # any unit, which all readings have
        same = [(unit or column.unit).casefold() == column.unit.casefold() for unit in units]
        return np.array([*map(float, same), 1.0])
    found = [unit_of(unit or column.unit, column.quantity) for unit in units]
    return np.array([*(0.0 if unit is None else scale_of(unit) / own for unit in found), 1.0])


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
        if name == column.factor_column:
            self.refuse_no_factors(values, column)
            return values
        if not units:
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

    def refuse_no_factors(self, values: NDArray[np.float64], column: LogColumn) -> None:
        """Refuse power factors above what one can be, as those in percent are."""
        most = FACTOR_MOST * (100 if column.factor_unit == "%" else 1)
        above = np.abs(np.nan_to_num(values)) > most
        if above.any():
            row = int(np.argmax(above))
            raise HouseError(
                f"{values[row]:g} is no power factor",
                path=self.path,
                line=self.first_line + row,
                column=column.factor_column,
                fix='If it is in percent, write power_factor_unit = "%".',
            )

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
        if self.layout.other_minus:
            column = with_hyphens(column)
        if not self.layout.units_in_cells:
            return self._floats(column, name), [], np.empty(0, dtype=np.int64)
        plain, units, codes = split_units(column)
        return self._floats(plain, name), units, codes

    def _floats(self, column: pa.ChunkedArray, name: str | int) -> NDArray[np.float64]:
        if _has_states(self.layout):
            column = _states_as_numbers(column)
        if _are_texts(self.layout):
            column = self._without_marks(column, name)
        kind = column.type
        if not any(known(kind) for known in _NUMBERS):
            raise HouseError(
                f"holds values of type {kind}, not numbers", path=self.path, column=name
            )
        if kind != pa.float64():
            column = column.cast(pa.float64())
        values: NDArray[np.float64] = column.to_numpy()
        ends = np.fmin.reduce(values, initial=0.0), np.fmax.reduce(values, initial=0.0)
        if max(-ends[0], ends[1]) > LARGEST_READING:
            row = int(np.argmax(np.abs(values) > LARGEST_READING))
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

    def wanted(self) -> NDArray[np.bool_]:
        """Which rows have the texts without which they are left out."""
        found = np.ones(self.table.num_rows, dtype=bool)
        for name, text in self.layout.only.items():
            texts, codes = self.texts(name)
            found &= np.isin(codes, [code for code, one in enumerate(texts) if one == text])
        return found

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


def _are_texts(layout: LogLayout) -> bool:
    """Whether the cells of a CSV are more than plain numbers."""
    marked = layout.thousands or layout.units_in_cells or layout.other_minus
    return bool(marked) or _has_states(layout)


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
        share = 0.01 if column.factor_unit == "%" else 1.0
        factor: Any = np.abs(factors) * share  # its sign: a leading or a lagging current
    else:
        factor = column.power_factor or 1.0
    if column.quantity == "volts_and_amps":
        volts = values[0] if column.volts_v is None else column.volts_v
        scaled: NDArray[np.float64] = volts * values[-1] * factor
    elif column.quantity == "apparent_power":
        scaled = np.sum(values, axis=0) * factor
    else:
        scaled = values[0] if len(values) == 1 else np.sum(values, axis=0)
    if column.quantity != "other" and (scale := scale_of(column.unit)) != 1:
        scaled = scaled * scale
    if column.unit == "F":
        scaled = (scaled - 32.0) / 1.8
    return scaled if column.quantity.startswith("energy") else scaled.astype(np.float32)
