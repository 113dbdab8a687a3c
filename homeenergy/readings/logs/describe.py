"""Look at log files and propose how they are laid out."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from homeenergy.errors import HouseError
from homeenergy.house.layouts import LogLayout
from homeenergy.house.zones import read_zone
from homeenergy.readings.logs.clock_days import read_clock_changes
from homeenergy.readings.logs.columns import read_head, unit_in_name
from homeenergy.readings.logs.own_pace import OwnPace, is_full, own_pace_remark, own_paces
from homeenergy.readings.logs.pace import (
    MOSTLY_NEW,
    Pace,
    Source,
    find_pace,
    has_clear_pace,
    pace_of_lone,
    pace_remark,
    rounding_remark,
    time_marks,
)
from homeenergy.readings.logs.propose import Description, propose
from homeenergy.readings.logs.read import Rows, read_log, source_of
from homeenergy.readings.logs.roles import Table, listed
from homeenergy.readings.logs.rows import find_period_ns
from homeenergy.readings.logs.sample import TextSample, encoding_of_all, sample_text
from homeenergy.readings.logs.tables import (
    NoRowsError,
    footer_of,
    is_no_time,
)
from homeenergy.readings.logs.time_columns import NO_OFFSET, csv_times
from homeenergy.readings.logs.time_formats import (
    is_date,
    is_stamp,
)
from homeenergy.readings.logs.times import BadStamp, ClockError, read_stamps, standard_time
from homeenergy.readings.logs.totals import without_totals
from homeenergy.units import NS_PER_S


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
    (described,) = without_totals([describe_files(files, timezone=timezone)])
    return described


def describe_files(files: Sequence[Path], *, timezone: str | None) -> Description:
    """Describe files that are there, see `describe`."""
    parquet = _is_parquet(files[0])
    base, table, remarks = (
        _parquet(_no_stub(files), timezone) if parquet else _csv(files[0], files[1:], timezone)
    )
    table.hours = _hours(table, base)
    units = {unit_in_name(path.stem) for path in files}
    if units != {""} and len(units) == 1:
        (table.file_unit,) = units
        remarks.append(f"heads without a unit: {table.file_unit}, as the names of files say")
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
        kept = tuple(r for r in described.remarks if not r.startswith(NO_OFFSET))
        layout = replace(layout, time_zone=fixed)
        described = replace(described, layout=layout, remarks=(remark, *kept))
        return _with_pace(described, table, files, fixed, sparse=sparse)


def _hours(table: Table, base: LogLayout) -> NDArray[np.float64] | None:
    """When each row of a sample was logged [h]."""
    texts = [pa.chunked_array([pa.array(table.cells(name))]) for name in base.time_columns]
    try:
        return read_stamps(texts, base.time_format, read_zone(base.time_zone)).ns / (
            3600.0 * NS_PER_S
        )
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
    looked_at = _spread([path, *others], _LOOKED_AT)
    main = _no_stub(looked_at)
    samples, empty = _with_rows([main, *(one for one in looked_at if one != main)])
    samples = _in_one_encoding(samples, [path, *others])
    sample, remarks = samples[0], [f"{one.name} holds no rows and is left out" for one in empty]
    for other in samples[1:]:
        _refuse_other_layout(sample, other)
        sample = replace(sample, other_minus=sample.other_minus or other.other_minus)
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
    # A first day may rise all along, as a counter does, and its lamps may be off: look further.
    later = looked_at[looked_at.index(main) :]
    rows = [
        row
        for other in samples[1:]
        if other.path in later
        for row in other.rows[:_OF_OTHERS]
        if not totals & {cell.strip() for cell in row}
    ]
    table = Table(
        sample.path,
        names,
        (*sample.rows, *rows),
        sample.head,
        sample.decimal,
        sample.thousands,
        sample.units,
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
        other_minus=sample.other_minus,
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
    return csv_times(base, table, files, timezone, remarks), table, remarks


def _totals_between(sample: TextSample) -> set[str]:
    """What stands in place of a time in rows among those that have one.

    A word is in two rows at least, with those at the end of the file. A day alone stands for its
    midnight where other full hours are there and no midnight is.
    """
    for at, column in enumerate(zip(*sample.rows, strict=True)):
        cells = [cell.strip() for cell in column]
        # To ask each cell whether it is a time takes long: those of one shape are alike.
        alike: dict[str, list[str]] = {}
        for cell in dict.fromkeys(cells):
            alike.setdefault(cell.translate(_DIGITS), []).append(cell)
        stamps = {
            cell for some in alike.values() if any(map(is_stamp, some[:_ASKED])) for cell in some
        }
        if not stamps and all(map(_is_plain_number, alike)):
            continue
        timed = 2 * sum(cell in stamps for cell in cells) > len(cells)
        hours = {
            "".join(found.groups("")).lower() for found in map(_FULL_HOUR.search, stamps) if found
        }
        midnights = timed and bool(hours) and not hours & _MIDNIGHTS
        words = {
            cell
            for cell in set(cells) - stamps
            if (is_no_time(cell, worded=False, timed=timed) if timed else _is_word(cell))
            and not (midnights and is_date(cell))
        }
        words -= set(sample.header or ())  # heads once more, perhaps in another order
        odd = [cell for cell in cells if cell in words]
        times = [cell for cell in cells if cell and cell not in words]
        last = sum(
            at < len(row) and is_no_time(row[at], worded=False, timed=timed)
            for row in sample.footer
        )
        enough = len(odd) + last > 1 or any(map(is_date, odd))
        few = odd and enough and len(odd) <= _MOST_TOTALS * len(times)
        if few and all(cell in stamps or is_date(cell) for cell in times[:_CHECKED]):
            return words
    return set()


def _is_plain_number(cell: str) -> bool:
    return not cell or cell.replace(".", "", 1).removeprefix("-").isdecimal()


def _is_word(cell: str) -> bool:
    """Whether a cell is a word in place of a time."""
    return bool(cell) and is_no_time(cell, worded=False) and not is_date(cell)


def _combined_heads(sample: TextSample) -> tuple[str, ...] | None:
    """Heads of columns that one line of heads does not tell apart; None where it does.

    A second line may name what the first, whose cells may be merged, only groups.
    """
    if sample.header is None:
        return None
    below = sample.units or ()
    told = [cell for cell in below if cell]
    second = 2 * len(told) > len(below) and not all(map(_is_unit, told))
    if not second and len(set(sample.header)) == len(sample.header):
        return None
    heads, group = [], ""
    for at, upper in enumerate(sample.header):
        group = upper or (group if second else "")
        heads.append(f"{group} {below[at]}".strip() if second else group)
    return tuple(heads)


def _is_unit(cell: str) -> bool:
    """Whether a cell below a head is a unit alone, rather than another head."""
    return any(head.unit and not head.label for head in map(read_head, (cell, f"[{cell}]")))


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


_FULL_HOUR = re.compile(r"(?<![:.\d])(\d{1,2})[:.]00(?:[:.]0+)*(?![:.\d])(?:\s*([Aa])[Mm])?")
_MIDNIGHTS = {"0", "00", "24", "12a"}
_MOST_TOTALS = 0.1  # of the rows with a time; own choice
_CHECKED = 200
_ASKED = 5
_DIGITS = str.maketrans("123456789", "000000000")
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
            remarks.append(f"{NO_OFFSET}; they are taken as {taken}")
            base = replace(base, time_zone=timezone or "UTC")
        return replace(base, time_columns=(stamps[0].name,)), table, remarks
    return csv_times(base, table, [], timezone, remarks), table, remarks


_LOOKED_AT, _READ = 8, 12  # files of a layout
_OF_OTHERS = 100  # rows of each file but the first
_MOST_READ_BYTES = 100_000_000
_FIRST_ROWS = 200_000
_MOST_ROWS = 2_000_000  # that tell the pace; all are read, and so checked
_MOST_CELLS = 20_000_000  # that are kept of all circuits


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
    whole: list[Rows] = []
    torn: list[str] = []
    seen: list[int] = []
    edges: list[int] = []
    end_ns, later_ns = np.iinfo(np.int64).min, 0
    for number, path in enumerate(_spread(files, _READ)):
        if number and read + path.stat().st_size > _MOST_READ_BYTES:
            break
        read += path.stat().st_size
        seen.append(files.index(path))
        passed_over = number > 0 and seen[-1] > seen[-2] + 1
        try:
            for rows in read_log(path, layout if number == 0 else few, torn=torn):
                if number == 0:
                    if sum(map(_cells, whole)) < _MOST_CELLS:
                        whole.append(rows)
                    own = own_paces(rows, layout, table_ns=find_period_ns(rows.times_ns)) | own
                    told = all(name in own or is_full(v) for name, v in rows.columns.items())
                    if any(pace.on_change for pace in own.values()):
                        told &= any(map(is_full, rows.columns.values()))
                    sparse = sparse and not (told and has_clear_pace(rows.times_ns))
                first = rows.times_ns[:_FIRST_ROWS].copy() if first is None else first
                edges += (int(rows.times_ns.min()), int(rows.times_ns.max()))
                if kept >= _MOST_ROWS:
                    continue
                kept += rows.times_ns.size
                if passed_over:  # files that are not read are no gap
                    passed_over = False
                    step = find_period_ns(rows.times_ns) or 0
                    later_ns = end_ns + step - int(rows.times_ns.min())
                times_ns = rows.times_ns + later_ns
                end_ns = max(end_ns, int(times_ns.max()))
                part = Source(times_ns=times_ns, readings=next(iter(rows.columns.values())))
                parts.setdefault(rows.source, []).append(part)
        except NoRowsError:
            continue
        except HouseError as error:
            if first is None or isinstance(error, ClockError):
                raise
            remarks.insert(0, f"will be refused as it is: {' '.join(str(error).split())}")
    if first is None:
        raise NoRowsError("has no rows", path=files[0])
    span_ns = min(edges), max(edges)
    read_clock_changes([p for at, p in enumerate(files) if at not in seen], few, edges_ns=span_ns)
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
    remarks += filter(None, (pace_remark(first), rounding_remark(first)))
    sources = [_joined(parts.pop(name)) for name in list(parts)]
    found = Pace()  # where each column has one of its own
    if set(own) != set(layout.columns) or any(pace.on_change for pace in own.values()):
        found = find_pace(sources, sparse=sparse or _on_change(layout, sources))
    remarks += found.remarks
    if found.hold_s is None and found.silence_s is None:
        remarks += [own_pace_remark(name, pace) for name, pace in own.items()]
    if found.period_s is None:
        found = pace_of_lone(sources)
        remarks += found.remarks
    layout = replace(
        layout, period_s=found.period_s, hold_s=found.hold_s, silence_s=found.silence_s
    )
    if any(column.quantity != "energy_counter" for column in layout.columns.values()):
        zone = read_zone(timezone or layout.time_zone)
        ends, remark = time_marks(first, zone, in_utc=table.in_utc, ends=table.ends)
        remarks.append(remark)
        layout = replace(layout, time_marks="end" if ends else "start")
    return replace(
        described,
        layout=layout,
        remarks=tuple(remarks),
        sources=sources,
        span_ns=span_ns,
        rows=_of_each_source(whole),
        on_change=found.on_change,
    )


def _joined(parts: Sequence[Source]) -> Source:
    return Source(
        times_ns=np.concatenate([part.times_ns for part in parts]),
        readings=np.concatenate([part.readings for part in parts]),
    )


def _cells(rows: Rows) -> int:
    return rows.times_ns.size * len(rows.columns)


def _of_each_source(pieces: Sequence[Rows]) -> list[Rows]:
    """Pieces of a file put together; each column is let go of then, since it may be large."""
    by_source: dict[str, list[Rows]] = {}
    for piece in pieces:
        by_source.setdefault(piece.source, []).append(piece)
    return [
        Rows(
            source=source,
            times_ns=np.concatenate([one.times_ns for one in some]),
            columns={
                name: np.concatenate([one.columns.pop(name) for one in some])
                for name in list(some[0].columns)
            },
        )
        for source, some in by_source.items()
    ]


def _one_of_each_source(layout: LogLayout) -> LogLayout:
    one: dict[str, str] = {}
    for circuit in layout.columns:
        one.setdefault(source_of(layout, circuit), circuit)
    return replace(layout, columns={c: layout.columns[c] for c in one.values()})


def _no_stub(files: Sequence[Path]) -> Path:
    """The first file that is no mere beginning: a first day of few rows does not tell what is."""
    sizes = [path.stat().st_size for path in files]
    return next(path for path, size in zip(files, sizes, strict=True) if 10 * size >= max(sizes))


def _spread(files: Sequence[Path], most: int) -> list[Path]:
    """The first file, the last, and some between them."""
    at = np.unique(np.linspace(0, len(files) - 1, min(most, len(files))).round().astype(int))
    return [files[number] for number in at]
