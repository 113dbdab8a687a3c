"""Look at log files and propose how they are laid out."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import tzinfo
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from homeenergy.errors import HouseError
from homeenergy.house.layouts import LogColumn, LogLayout, layout_toml
from homeenergy.house.zones import read_zone
from homeenergy.readings.logs.columns import circuit_names, meaning, odd_cells, unit_in_name
from homeenergy.readings.logs.read import read_log
from homeenergy.readings.logs.rows import find_period_ns, has_pace
from homeenergy.readings.logs.sample import TextSample, number, sample_text
from homeenergy.readings.logs.tables import NoRowsError, open_text, skip_lines
from homeenergy.readings.logs.times import is_date, is_stamp, is_time_of_day, time_format_of
from homeenergy.units import NS_PER_S

_DAY_S = 86_400.0
LEAST_MARK_S = 60.0  # a shorter period next to midnight is chance, and matters little


def pace_remark(times_ns: NDArray[np.int64]) -> str | None:
    """Say how often a row comes and from when on."""
    period = find_period_ns(times_ns)
    if period is None:
        return None
    first = pd.Timestamp(int(times_ns.min()), unit="ns", tz="UTC")
    pace = (
        f"a row every {period / NS_PER_S:g} s"
        if has_pace(times_ns, period)
        else "rows have no regular interval: state period_s, the length of a sample, and hold_s, "
        "the longest step across which a value still holds"
    )
    return f"{pace}; the first is of {first:%d %B %Y %H:%M:%S} UTC"


def time_marks(times_ns: NDArray[np.int64], zone: tzinfo) -> tuple[bool, str]:
    """Whether stamps mark the ends of their periods, and a remark that says why.

    Parameters
    ----------
    times_ns : numpy.ndarray, shape (n,), int64
        Instants of the rows as stamped.
    zone : tzinfo
        Zone in which the days of the log begin.

    Notes
    -----
    Own rule: exports begin with a day. The first row is stamped with midnight where stamps mark
    starts, and one period later where they mark ends.
    """
    period = find_period_ns(times_ns)
    period_s = 0.0 if period is None else period / NS_PER_S
    edges = [pd.Timestamp(int(ns), unit="ns", tz=zone) for ns in (times_ns.min(), times_ns.max())]
    first_s, last_s = ((edge - edge.normalize()).total_seconds() for edge in edges)
    stamps = f"the first row is stamped {edges[0]:%H:%M:%S} and the last {edges[1]:%H:%M:%S}"
    if period_s >= LEAST_MARK_S and first_s == period_s:
        return True, (
            f"{stamps}: taken to mark the end of a row's period, since the first row comes "
            "one period after midnight; check time_marks"
        )
    if period_s >= LEAST_MARK_S and first_s == 0 and last_s == _DAY_S - period_s:
        return False, f"{stamps}: they mark the start of a row's period"
    return False, (
        "stamps are taken to mark the start of a row's period; if they mark its end, write "
        'time_marks = "end"'
    )


_EPOCHS = (("epoch_s", 1.0), ("epoch_ms", 1e3), ("epoch_us", 1e6), ("epoch_ns", 1e9))
_EPOCH_RANGE_S = (946_684_800.0, 2_524_608_000.0)  # 2000 to 2050
_LONG_NAMES = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class Description:
    """A proposed layout, what was seen, and what a person should check.

    `labels` holds the log's own name of each circuit.
    """

    layout: LogLayout
    labels: dict[str, str]
    remarks: tuple[str, ...]

    def toml(self) -> str:
        """Give the layout as a [[log]] block of house.toml, remarks as comments above it."""
        return layout_toml(self.layout, remarks=self.remarks)

    def __str__(self) -> str:
        return self.toml()


@dataclass(slots=True)
class _Table:
    """A sample of any log as texts: what the guesses below look at."""

    path: Path
    names: list[str | int]
    rows: Sequence[tuple[str, ...]]
    head: int
    decimal: str
    thousands: str = ""
    units: tuple[str, ...] | None = None

    def cells(self, name: str | int, *, head: bool = False) -> list[str]:
        at = self.names.index(name)
        return [row[at].strip() for row in (self.rows[: self.head] if head else self.rows)]

    def number(self, cell: str) -> float | None:
        return number(cell, decimal=self.decimal, thousands=self.thousands)

    def filled(self, name: str | int) -> list[str]:
        return [cell for cell in self.cells(name) if cell]


def describe(
    paths: str | Path | Sequence[str | Path], *, timezone: str | None = None
) -> Description:
    """Propose how log files are laid out, from some of their rows.

    Parameters
    ----------
    paths : path or sequence of paths
        Files of one layout: CSV, plain or gzipped, or Parquet.
    timezone : str, optional
        Zone of stamps that do not carry their own offset, such as "Europe/Berlin".

    Returns
    -------
    Description

    Raises
    ------
    HouseError
        If a file is no table, if no column holds times, if files are laid out differently, or if
        it is not clear whether dates have the day or the month first.
    """
    listed = [paths] if isinstance(paths, str | Path) else list(paths)
    if not listed:
        raise HouseError("no log file was given")
    files = [Path(path) for path in listed]
    for path in files:
        if not path.is_file():
            raise HouseError("there is no such file", path=path)
    if timezone is not None:
        try:
            read_zone(timezone)
        except ValueError as error:
            raise HouseError(str(error)) from None
    parquet = _is_parquet(files[0])
    first = _parquet(files[0], timezone) if parquet else _csv(files[0], files[1:], timezone)
    base, table, remarks = first
    described = _columns(base, table, remarks)
    described = replace(
        described, layout=replace(described.layout, files="logs/*" + _suffix(files[0]))
    )
    return _with_pace(described, table.path, timezone)


def _is_parquet(path: Path) -> bool:
    with path.open("rb") as file:
        return file.read(4) == b"PAR1" or path.suffix == ".parquet"


def _suffix(path: Path) -> str:
    return "".join(path.suffixes[-2:]) if path.suffix == ".gz" else path.suffix


def _csv(
    path: Path, others: Sequence[Path], timezone: str | None
) -> tuple[LogLayout, _Table, list[str]]:
    samples, empty = _with_rows([path, *others])
    sample, remarks = samples[0], [f"{one.name} holds no rows and is left out" for one in empty]
    for other in samples[1:]:
        _refuse_other_layout(sample, other)
        if other.thousands and not sample.thousands:
            sample = replace(
                sample,
                decimal=other.decimal,
                thousands=other.thousands,
                remarks=(*sample.remarks, *other.remarks),
            )
    numbered: list[str | int] = list(range(1, len(sample.rows[0]) + 1))
    names: list[str | int] = list(sample.header) if sample.header else numbered
    repeated = sorted({str(name) for name in names if names.count(name) > 1})
    if repeated:
        raise HouseError(
            f"has more than one column called {repeated[0]!r}", path=sample.path, line=1
        )
    table = _Table(
        sample.path, names, sample.rows, sample.head, sample.decimal, sample.thousands, sample.units
    )
    base = LogLayout(
        files="",
        columns={},
        delimiter=sample.delimiter,
        decimal=sample.decimal,
        thousands=sample.thousands,
        encoding=sample.encoding,
        header=sample.header is not None,
        lines_above_header=sample.lines_above,
        lines_below_header=sample.lines_below,
    )
    remarks += sample.remarks
    if sample.header is None:
        remarks.append("no header: columns are numbered from 1")
    files = [one.path for one in samples]
    return _csv_times(base, table, files, timezone, remarks), table, remarks


def _with_rows(files: Sequence[Path]) -> tuple[list[TextSample], list[Path]]:
    """Samples of the files that hold rows, and the files that hold none, unless all are such."""
    samples, empty = [], []
    for path in files:
        try:
            samples.append(sample_text(path))
        except NoRowsError:
            if len(files) == 1:
                raise
            empty.append(path)
    return (samples, empty) if samples else _with_rows(files[:1])


def _refuse_other_layout(one: TextSample, other: TextSample) -> None:
    for what in ("header", "delimiter", "encoding", "lines_above", "lines_below"):
        if getattr(one, what) != getattr(other, what):
            place = what.replace("_", " ")
            said = f"other {place} its header" if place != what else f"another {what}"
            raise HouseError(
                f"has {said} than {one.path.name}",
                path=other.path,
                fix="Describe files of different layouts one by one; each gets a [[log]] block.",
            )


def _csv_times(
    base: LogLayout, table: _Table, files: list[Path], timezone: str | None, remarks: list[str]
) -> LogLayout:
    columns = _time_columns(table)
    if len(columns) == 1 and _epoch(table, columns[0]):
        return replace(base, time_columns=columns, time_format=_epoch(table, columns[0]) or "")
    stamps = [" ".join(parts) for parts in zip(*(table.cells(c) for c in columns), strict=True)]
    at = table.names.index(columns[0])
    try:
        time_format, zoned, remark = time_format_of(
            stamps, all_dates=lambda: _all_cells(files, base, at)
        )
    except HouseError as error:
        raise HouseError(error.what, path=table.path, column=columns[0], fix=error.fix) from None
    if remark:
        remarks.append(remark)
    if not zoned:
        remarks.append(
            f"the times carry no offset from UTC; they are taken as {timezone}"
            if timezone
            else "the times carry no offset from UTC; they are taken as UTC: check time_zone"
        )
    zone = timezone if timezone and not zoned else "UTC"
    return replace(base, time_columns=columns, time_format=time_format, time_zone=zone)


def _all_cells(files: list[Path], base: LogLayout, at: int) -> Iterator[str]:
    for path in files:
        with open_text(path, base.encoding) as text:
            skip_lines(text, base.lines_above_header)
            reader = csv.reader(text, delimiter=base.delimiter)
            for number_, row in enumerate(reader):
                if (number_ or not base.header) and len(row) > at:
                    yield row[at]


def _time_columns(table: _Table) -> tuple[str | int, ...]:
    """Columns that hold the time: one, or date and time of day."""
    dates, clocks = [], []
    for name in table.names:
        cells = table.filled(name)[:200]
        if cells and all(is_stamp(cell) for cell in cells):
            return (name,)
        if cells and all(is_date(cell) for cell in cells):
            dates.append(name)
        if cells and all(is_time_of_day(cell) for cell in cells):
            clocks.append(name)
    if dates and clocks:
        return (dates[0], clocks[0])
    for name in table.names:
        if _epoch(table, name):
            return (name,)
    if dates:
        return (dates[0],)
    listed = ", ".join(map(repr, table.names[:20]))
    raise HouseError(
        f"no column holds times; its columns are {listed}",
        path=table.path,
        fix="If times are written in an unusual way, write the [[log]] block by hand.",
    )


def _epoch(table: _Table, name: str | int) -> str | None:
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


def _parquet(path: Path, timezone: str | None) -> tuple[LogLayout, _Table, list[str]]:
    try:
        file = pq.ParquetFile(path)
        head = next(file.iter_batches(batch_size=2000), None)
    except (pa.ArrowException, OSError) as error:
        raise HouseError(
            f"is not a Parquet file that can be read ({str(error).splitlines()[0]})", path=path
        ) from None
    if head is None or not head.num_rows:
        raise NoRowsError("has no rows", path=path)
    base = LogLayout(files="", columns={}, format="parquet")
    remarks: list[str] = []
    texts = [["" if v is None else str(v) for v in column.to_pylist()] for column in head.columns]
    table = _Table(
        path, list(head.schema.names), list(zip(*texts, strict=True)), head.num_rows, "."
    )
    stamps = [field for field in head.schema if pa.types.is_timestamp(field.type)]
    if stamps:
        if stamps[0].type.tz is None:
            taken = timezone or "UTC: check time_zone"
            remarks.append(f"the times carry no offset from UTC; they are taken as {taken}")
            base = replace(base, time_zone=timezone or "UTC")
        return replace(base, time_columns=(stamps[0].name,)), table, remarks
    return _csv_times(base, table, [], timezone, remarks), table, remarks


def _columns(base: LogLayout, table: _Table, remarks: list[str]) -> Description:
    """Find the columns that hold readings, and what they mean."""
    others = [name for name in table.names if name not in base.time_columns]
    numbers: list[str | int] = []
    texts: list[str | int] = []
    missing: set[str] = set()
    for name in others:
        cells = table.filled(name)
        values = [table.number(cell) for cell in cells]
        odd = odd_cells(cells, values)
        if odd.total() * 2 > len(cells):
            texts.append(name)
        elif any(value is not None and value == value for value in values):
            numbers.append(name)
            missing |= set(odd)
            remarks += [
                f"column {name!r}: {cell!r} is not a number, and occurs in {times} of the "
                f"{len(cells)} rows looked at: taken as missing"
                for cell, times in odd.items()
            ]
        else:
            remarks.append(f"column {name!r} is empty in the rows looked at, and left out")
    base = replace(base, missing=tuple(sorted(missing)))
    if not numbers:
        raise HouseError("no column holds numbers", path=table.path)
    if texts and len(set(table.cells(texts[0]))) <= _LONG_NAMES and len(numbers) <= 2:
        return _long(base, table, texts[0], numbers, remarks)
    remarks += [f"column {name!r} holds texts, and is left out" for name in texts]
    return _wide(base, table, numbers, remarks)


def _values(table: _Table, name: str | int, rows: Sequence[int] | None = None) -> list[float]:
    cells = table.cells(name)
    chosen = cells if rows is None else [cells[row] for row in rows]
    read = [table.number(cell) for cell in chosen]
    return [np.nan if value is None else value for value in read]


def _named(table: _Table, name: str | int) -> str:
    """Name of a column, with the unit that a line of units gives it."""
    unit = table.units[table.names.index(name)] if table.units else ""
    spelled = unit_in_name(unit)[1] if unit else None
    return f"{name} [{spelled}]" if spelled and unit_in_name(str(name))[1] is None else str(name)


def _wide(
    base: LogLayout, table: _Table, numbers: list[str | int], remarks: list[str]
) -> Description:
    kept = []
    for name in numbers:
        unit = unit_in_name(_named(table, name))[1]
        if "reactive" in str(name).lower():
            remarks.append(f"column {name!r} is left out: reactive power is not watts")
        elif unit in ("V", "A"):
            remarks.append(
                f"column {name!r} is left out: volts and amps give watts only with a stated "
                'power factor, as in fan = { volts = "V", amps = "A", power_factor = 0.9 }'
            )
        else:
            kept.append(name)
    circuits = circuit_names(
        unit_in_name(str(name))[0] if base.header else f"circuit_{name}" for name in kept
    )
    columns, labels = {}, {}
    for circuit, name in zip(circuits, kept, strict=True):
        quantity, unit = meaning(_named(table, name), _values(table, name), remarks)
        columns[circuit] = LogColumn(names=(name,), quantity=quantity, unit=unit)
        labels[circuit] = unit_in_name(str(name))[0] if base.header else f"Column {name}"
    layout = replace(base, columns=columns)
    return Description(layout=layout, labels=labels, remarks=tuple(remarks))


def _long(
    base: LogLayout,
    table: _Table,
    who: str | int,
    numbers: list[str | int],
    remarks: list[str],
) -> Description:
    value = numbers[0]
    remarks += [f"column {name!r} is left out" for name in numbers[1:]]
    names = table.cells(who)
    distinct = sorted(set(filter(None, names)))
    columns, labels = {}, {}
    hints: list[str] = []
    for circuit, name in zip(circuit_names(distinct), distinct, strict=True):
        rows = [row for row, other in enumerate(names) if other == name]
        own: list[str] = []
        quantity, unit = meaning(_named(table, value), _values(table, value, rows), own)
        hints += [f"circuit {name!r}: {hint}" for hint in own]
        columns[circuit] = LogColumn(names=(name,), quantity=quantity, unit=unit)
        labels[circuit] = name
    if {(column.quantity, column.unit) for column in columns.values()} == {("power", "W")}:
        hints = []
        meaning(_named(table, value), _values(table, value), hints)
    remarks += hints
    layout = replace(base, layout="long", circuit_column=who, value_column=value, columns=columns)
    return Description(layout=layout, labels=labels, remarks=tuple(remarks))


def _with_pace(described: Description, path: Path, timezone: str | None) -> Description:
    """Read a first piece as described: this checks the proposal and finds pace and marks."""
    if not described.layout.columns:
        return described
    layout, remarks = described.layout, list(described.remarks)
    rows = next(read_log(path, layout))
    pace = pace_remark(rows.times_ns[:200_000])
    if pace:
        remarks.append(pace)
    if any(column.quantity != "energy_counter" for column in layout.columns.values()):
        ends, remark = time_marks(rows.times_ns, read_zone(timezone or layout.time_zone))
        remarks.append(remark)
        layout = replace(layout, time_marks="end" if ends else "start")
    return replace(described, layout=layout, remarks=tuple(remarks))
