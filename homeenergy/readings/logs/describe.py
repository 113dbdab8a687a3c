"""Look at log files and propose how they are laid out."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from homeenergy.errors import HouseError
from homeenergy.house.layouts import LogLayout
from homeenergy.house.zones import read_zone
from homeenergy.readings.logs.columns import read_head
from homeenergy.readings.logs.heads import ONE_HEAD
from homeenergy.readings.logs.own_pace import OwnPace, column_pace, is_full, own_pace_remark
from homeenergy.readings.logs.pace import (
    MOSTLY_NEW,
    Pace,
    Source,
    find_pace,
    has_clear_pace,
    pace_remark,
    time_marks,
)
from homeenergy.readings.logs.propose import Description, propose
from homeenergy.readings.logs.read import Rows, read_log, source_of
from homeenergy.readings.logs.roles import Table, listed, times_across
from homeenergy.readings.logs.rows import find_period_ns
from homeenergy.readings.logs.sample import TextSample, encoding_of_all, sample_text
from homeenergy.readings.logs.tables import (
    NoRowsError,
    footer_of,
    is_no_time,
    open_text,
    skip_lines,
)
from homeenergy.readings.logs.time_formats import (
    END_OF_DAY,
    is_date,
    is_stamp,
    is_time_of_day,
    start_of,
    time_format_of,
)
from homeenergy.readings.logs.times import BadStamp, ClockError, read_stamps, standard_time
from homeenergy.units import H_PER_DAY, NS_PER_S

_EPOCHS = (("epoch_s", 1.0), ("epoch_ms", 1e3), ("epoch_us", 1e6), ("epoch_ns", 1e9))
_NO_OFFSET = "the times carry no offset from UTC"
_DAYS = (36_526, 54_789)  # 2000 to 2050 in days since 1900
_EPOCH_RANGE_S = (946_684_800.0, 2_524_608_000.0)  # 2000 to 2050


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
    given = [paths] if isinstance(paths, str | Path) else list(paths)
    if not given:
        raise HouseError("no log file was given")
    files = [Path(path) for path in given]
    for path in files:
        if not path.is_file():
            raise HouseError("there is no such file", path=path)
    if timezone is not None:
        try:
            read_zone(timezone)
        except ValueError as error:
            raise HouseError(str(error)) from None
    return describe_files(files, timezone=timezone)


def describe_files(files: Sequence[Path], *, timezone: str | None) -> Description:
    """Describe files that are there, see `describe`."""
    parquet = _is_parquet(files[0])
    base, table, remarks = (
        _parquet(files[0], timezone) if parquet else _csv(files[0], files[1:], timezone)
    )
    table.hours = _hours(table, base)
    described = propose(base, table, remarks)
    layout = replace(described.layout, files="logs/*" + file_suffix(files[0]))
    sparse = _is_sparse(table, layout)
    described = replace(described, layout=layout)
    try:
        return _with_pace(described, table, files, timezone, sparse=sparse)
    except ClockError:
        fixed = standard_time(layout.time_zone)
        remark = (
            f"the times are not those of a clock that is put forward and back: taken as {fixed} "
            "all year, check time_zone"
        )
        kept = tuple(r for r in described.remarks if not r.startswith(_NO_OFFSET))
        layout = replace(layout, time_zone=fixed)
        described = replace(described, layout=layout, remarks=(remark, *kept))
        return _with_pace(described, table, files, fixed, sparse=sparse)


def _hours(table: Table, base: LogLayout) -> NDArray[np.float64] | None:
    """When each row of a sample was logged [h]."""
    texts = [pa.chunked_array([pa.array(table.cells(name))]) for name in base.time_columns]
    try:
        return read_stamps(texts, base.time_format).ns / (3600.0 * NS_PER_S)
    except (BadStamp, ValueError):
        return None


def _is_sparse(table: Table, layout: LogLayout) -> bool:
    """Whether rows name only what has changed, so that most of their cells are empty.

    A word in a cell, such as OFF, is none that is left out since nothing has changed.
    """
    names = [name for column in layout.columns.values() for name in column.needed]
    if layout.layout == "long" or len(names) < 2:
        return False
    missing = np.array([[not cell for cell in table.cells(name)] for name in names])
    return bool(np.mean(missing.sum(axis=0) >= len(names) / 2) >= 0.5) and not missing.all(1).any()


def _on_change(layout: LogLayout, sources: Sequence[Source]) -> bool:
    """Whether a log of states has a row where one changes, whatever its pace."""
    if any(column.quantity != "state" for column in layout.columns.values()):
        return False
    return float(np.median([one.in_order().changes for one in sources])) >= MOSTLY_NEW


def _is_parquet(path: Path) -> bool:
    with path.open("rb") as file:
        return file.read(4) == b"PAR1" or path.suffix == ".parquet"


def file_suffix(path: Path) -> str:
    """Ending of a file's name, with the one before .gz."""
    return "".join(path.suffixes[-2:]) if path.suffix == ".gz" else path.suffix


def _csv(
    path: Path, others: Sequence[Path], timezone: str | None
) -> tuple[LogLayout, Table, list[str]]:
    samples, empty = _with_rows(_spread([path, *others], _LOOKED_AT))
    samples = _in_one_encoding(samples, [path, *others])
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
    totals = _totals_between(sample)
    if totals:
        kept = [row for row in sample.rows if not totals & {cell.strip() for cell in row}]
        lost = sum(bool(totals & {c.strip() for c in row}) for row in sample.rows[: sample.head])
        sample = replace(sample, rows=tuple(kept), head=sample.head - lost)
        some = listed(sorted(totals))
        remarks.append(f"rows with {some} in place of a time are left out (totals_between)")
    heads = _combined_heads(sample)
    if heads is not None:
        names = numbered
        remarks.append("heads are in two lines, or repeat: columns are numbered from 1")
    table = Table(
        sample.path, names, sample.rows, sample.head, sample.decimal, sample.thousands, sample.units
    )
    table.units_in_cells = sample.units_in_cells
    table.heads = heads
    base = LogLayout(
        files="",
        columns={},
        delimiter=sample.delimiter,
        decimal=sample.decimal,
        thousands=sample.thousands,
        units_in_cells=sample.units_in_cells,
        encoding=sample.encoding,
        header=sample.header is not None and heads is None,
        lines_above_header=sample.lines_above + (0 if heads is None else 1 + sample.lines_below),
        lines_below_header=sample.lines_below if heads is None else 0,
        totals_between=bool(totals),
    )
    remarks += sample.remarks
    if sample.header is None:
        remarks.append("no header: columns are numbered from 1")
    files = [one for one in (path, *others) if one not in empty]
    return _csv_times(base, table, files, timezone, remarks), table, remarks


def _totals_between(sample: TextSample) -> set[str]:
    """What stands in place of a time in rows among those that have one, if in two at least."""
    for column in zip(*sample.rows, strict=True):
        cells = [cell.strip() for cell in column if cell.strip()]
        words = {
            cell
            for cell in cells
            if is_no_time(cell, worded=False) and not (is_stamp(cell) or is_date(cell))
        }
        words -= set(sample.header or ())  # heads once more, perhaps in another order
        times = [cell for cell in cells if cell not in words]
        few = 2 <= len(cells) - len(times) <= _MOST_TOTALS * len(times)
        if few and all(is_stamp(cell) or is_date(cell) for cell in times[:_CHECKED]):
            return words
    return set()


def _combined_heads(sample: TextSample) -> tuple[str, ...] | None:
    """Heads of columns that one line of heads does not tell apart; None where it does.

    A second line may name what the first, whose cells may be merged, only groups.
    """
    if sample.header is None:
        return None
    below = sample.units or ()
    told = [cell for cell in below if cell]
    second = 2 * len(told) > len(below) and not all(
        read_head(cell).unit or read_head(f"[{cell}]").unit for cell in told
    )
    if not second and len(set(sample.header)) == len(sample.header):
        return None
    heads, group = [], ""
    for at, upper in enumerate(sample.header):
        group = upper or (group if second else "")
        heads.append(f"{group} {below[at]}".strip() if second else group)
    return tuple(heads)


def _with_rows(files: Sequence[Path]) -> tuple[list[TextSample], list[Path]]:
    """Samples of the files that hold rows, and the files that hold none, unless all are such."""
    samples: list[TextSample] = []
    empty: list[Path] = []
    for path in files:
        try:
            samples.append(sample_text(path, brief=bool(samples)))
        except NoRowsError:
            if len(files) == 1:
                raise
            empty.append(path)
    return (samples, empty) if samples else _with_rows(files[:1])


def _in_one_encoding(samples: list[TextSample], files: Sequence[Path]) -> list[TextSample]:
    """Samples with the encoding of the first file of a family that has letters beyond ASCII."""
    if not any(one.plain for one in samples):
        return samples
    told = next((one.encoding for one in samples if not one.plain), None)
    encoding = told or encoding_of_all(files)
    if encoding == "utf-8":
        return samples
    return [
        sample_text(one.path, brief=number > 0, known=encoding) if one.plain else one
        for number, one in enumerate(samples)
    ]


_MOST_TOTALS = 0.1  # of the rows with a time; own choice
_CHECKED = 200
_SAME = ("header", "delimiter", "encoding", "lines_above", "lines_below")


def _refuse_other_layout(one: TextSample, other: TextSample) -> None:
    for what in (*_SAME, "units_in_cells"):
        if getattr(one, what) != getattr(other, what):
            place = what.replace("_", " ")
            said = f"other {place} its header" if "lines" in what else f"another {place}"
            said = "units in its cells, or none, other" if what == "units_in_cells" else said
            raise HouseError(
                f"has {said} than {one.path.name}",
                path=other.path,
                fix="Describe files of different layouts one by one; each gets a [[log]] block.",
            )


def _csv_times(
    base: LogLayout, table: Table, files: list[Path], timezone: str | None, remarks: list[str]
) -> LogLayout:
    columns = _time_columns(table)
    if len(columns) == 1 and _epoch(table, columns[0]):
        table.in_utc = True
        return replace(base, time_columns=columns, time_format=_epoch(table, columns[0]) or "")
    starts = ([start_of(cell) for cell in table.cells(name)] for name in columns)
    stamps = [" ".join(parts) for parts in zip(*starts, strict=True)]
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
    told = None if zoned else _zone_in_head(table, columns)
    if told is not None:
        remarks.append(f"the times are in {told} by their head")
        return replace(base, time_columns=columns, time_format=time_format, time_zone=told)
    if not zoned:
        remarks.append(
            f"{_NO_OFFSET}; they are taken as {timezone}"
            if timezone
            else f"{_NO_OFFSET}; they are taken as UTC: check time_zone"
        )
    zone = timezone if timezone and not zoned else "UTC"
    return replace(base, time_columns=columns, time_format=time_format, time_zone=zone)


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
                    if base.totals_between and not row[at].strip()[:1].isdigit():
                        continue
                    yield row[at]


def _time_columns(table: Table) -> tuple[str | int, ...]:
    """Columns that hold the time: one, or date and time of day."""
    stamps, dates, clocks = [], [], []
    for name in table.names:
        cells = table.filled(name)[:200]
        if cells and all(is_stamp(cell) for cell in cells):
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
    if dates:
        return (dates[0],)
    columns = ", ".join(map(repr, table.names[:20]))
    if sum(map(is_time_of_day, [*map(str, table.names), *table.rows[0]])) >= H_PER_DAY - 1:
        raise times_across(table)
    if clocks:
        raise HouseError(
            f"{clocks[0]!r} holds times of day, and no column their dates",
            path=table.path,
            fix="Export the log with dates. A date in the name of a file is not read.",
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
        fix="Names of months are read in English alone: export the log with months as numbers. Of "
        "zones only UTC and GMT are read by name: export others as offsets. If times are written "
        "in another unusual way, write the [[log]] block by hand.",
    )


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


def _parquet(path: Path, timezone: str | None) -> tuple[LogLayout, Table, list[str]]:
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
    table = Table(path, list(head.schema.names), list(zip(*texts, strict=True)), head.num_rows, ".")
    stamps = [field for field in head.schema if pa.types.is_timestamp(field.type)]
    if stamps:
        if stamps[0].type.tz is None:
            taken = timezone or "UTC: check time_zone"
            remarks.append(f"{_NO_OFFSET}; they are taken as {taken}")
            base = replace(base, time_zone=timezone or "UTC")
        return replace(base, time_columns=(stamps[0].name,)), table, remarks
    return _csv_times(base, table, [], timezone, remarks), table, remarks


_LOOKED_AT, _READ = 8, 12  # files of a layout
_MOST_READ_BYTES = 100_000_000
_FIRST_ROWS = 200_000
_MOST_ROWS = 10_000_000  # that tell the pace; all are read, and so checked


def _with_pace(
    described: Description,
    table: Table,
    files: Sequence[Path],
    timezone: str | None,
    *,
    sparse: bool,
) -> Description:
    """Read files as described: this checks the proposal and finds pace and marks."""
    layout, remarks = described.layout, list(described.remarks)
    parts: dict[str, list[Source]] = {}
    own: dict[str, OwnPace] = {}
    # The pace needs the instants alone: of a wide log one column besides is enough.
    few = layout if layout.layout == "long" else _one_of_each_source(layout)
    first, read, kept = None, 0, 0
    torn: list[str] = []
    for number, path in enumerate(_spread(files, _READ)):
        if number and read + path.stat().st_size > _MOST_READ_BYTES:
            break
        read += path.stat().st_size
        try:
            for rows in read_log(path, layout if number == 0 else few, torn=torn):
                if number == 0:
                    own = _own_paces(layout, rows) | own
                    told = all(name in own or is_full(v) for name, v in rows.columns.items())
                    sparse = sparse and not (told and has_clear_pace(rows.times_ns))
                first = rows.times_ns[:_FIRST_ROWS].copy() if first is None else first
                if kept >= _MOST_ROWS:
                    continue
                kept += rows.times_ns.size
                part = Source(times_ns=rows.times_ns, readings=next(iter(rows.columns.values())))
                parts.setdefault(rows.source, []).append(part)
        except NoRowsError:
            continue
        except HouseError as error:
            if first is None:
                raise
            remarks.insert(0, f"will be refused as it is: {' '.join(str(error).split())}")
    if first is None:
        raise NoRowsError("has no rows", path=files[0])
    footers = {
        line: path.name for path in _spread(files, _READ) for line in footer_of(path, layout)[1]
    }
    if footers:
        lines = ", ".join(f"{line[:40]!r}" for line in list(footers)[:4])
        remarks.append(f"lines at the end of a file that hold no reading are left out: {lines}")
    if torn:
        remarks.append(
            "lines with too few or too many cells, and heads that come again, are passed over: "
            f"{len(torn)}, such as {torn[0][:60]!r}"
        )
    pace = pace_remark(first)
    if pace:
        remarks.append(pace)
    sources = [
        Source(
            times_ns=np.concatenate([part.times_ns for part in some]),
            readings=np.concatenate([part.readings for part in some]),
        )
        for some in parts.values()
    ]
    found = Pace()  # where each column has one of its own
    if set(own) != set(layout.columns) or any(pace.on_change for pace in own.values()):
        found = find_pace(sources, sparse=sparse or _on_change(layout, sources))
    remarks += found.remarks
    if found.hold_s is None and found.silence_s is None:
        remarks += [own_pace_remark(name, pace) for name, pace in own.items()]
    layout = replace(
        layout, period_s=found.period_s, hold_s=found.hold_s, silence_s=found.silence_s
    )
    if any(column.quantity != "energy_counter" for column in layout.columns.values()):
        zone = read_zone(timezone or layout.time_zone)
        ends, remark = time_marks(first, zone, in_utc=table.in_utc, ends=table.ends)
        remarks.append(remark)
        layout = replace(layout, time_marks="end" if ends else "start")
    return replace(
        described, layout=layout, remarks=tuple(remarks), sources=sources, on_change=found.on_change
    )


def _own_paces(layout: LogLayout, rows: Rows) -> dict[str, OwnPace]:
    """Paces of the columns that have empty cells."""
    table_ns = find_period_ns(rows.times_ns)
    found = {name: column_pace(rows, layout, name, table_ns=table_ns) for name in rows.columns}
    return {name: pace for name, pace in found.items() if pace is not None}


def _one_of_each_source(layout: LogLayout) -> LogLayout:
    one: dict[str, str] = {}
    for circuit in layout.columns:
        one.setdefault(source_of(layout, circuit), circuit)
    return replace(layout, columns={c: layout.columns[c] for c in one.values()})


def _spread(files: Sequence[Path], most: int) -> list[Path]:
    """The first file, the last, and some between them."""
    at = np.unique(np.linspace(0, len(files) - 1, min(most, len(files))).round().astype(int))
    return [files[number] for number in at]
