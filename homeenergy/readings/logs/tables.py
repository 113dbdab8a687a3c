"""Read log files into Arrow tables: CSV, plain or gzipped, and Parquet."""

from __future__ import annotations

import codecs
import csv
import gzip
import io
import re
import zlib
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import IO, Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pa_csv
import pyarrow.parquet as pq

from homeenergy.errors import HouseError
from homeenergy.house.layouts import LogLayout
from homeenergy.house.limits import Limits
from homeenergy.readings.logs.heads import between_heads, is_head, without_heads
from homeenergy.readings.logs.time_formats import is_date, is_stamp

MISSING = ("", "NaN", "nan", "NAN", "NA", "N/A", "n/a", "null", "NULL", "None", "-", "?")
STATES = {"on": "1", "off": "0", "true": "1", "false": "0"}
ABOUT_STATES = (
    "A state is 1, 0, on, off, true or false. Whether a load runs while a contact is open, only "
    "you can know: write 1 and 0 in place of other words; state those that mean nothing as missing."
)
# Lines of another number of cells are passed over up to so many of a file, and so many of its rows.
MOST_TORN, MOST_TORN_SHARE = 10_000, 0.01
WHOLE_FILE_BYTES = 64_000_000  # larger files are read in pieces
PIECE_BYTES = 8_000_000
PARQUET_ROWS = 2_000_000
LONGEST_LINE = 1 << 20  # bytes of a line that may still be being written
csv.field_size_limit(16_000_000)  # of a quoted cell of many lines; lines have a limit of their own
_TRUNCATED = (EOFError, OSError, zlib.error)
_WITHOUT_ROWS = "Export it again, or take it out of the folder."

Types = dict[str | int, pa.DataType]


class NoRowsError(HouseError):
    """A log without rows: a day on which nothing was logged. Among other logs it is skipped."""


def is_gzip(path: Path) -> bool:
    """Whether the file begins as a gzip file does."""
    with path.open("rb") as file:
        return file.read(2) == b"\x1f\x8b"


def text_encoding(encoding: str) -> str:
    """Name the encoding that also passes over a byte order mark at the start of UTF-8."""
    return "utf-8-sig" if codecs.lookup(encoding).name == "utf-8" else encoding


class _Lines(io.TextIOWrapper):
    """Text of which no line is longer than it may be."""

    def __init__(self, file: IO[bytes], path: Path, encoding: str, most: int) -> None:
        super().__init__(file, encoding=encoding, newline="", errors="strict")
        self.path, self.most, self.read_lines = path, most, 0

    def readline(self, size: int = -1, /) -> str:  # type: ignore[override]  # noqa: ARG002
        line = super().readline(self.most + 1)
        self.read_lines += 1
        if len(line) > self.most:
            raise HouseError(
                f"is longer than {self.most:,} letters",
                path=self.path,
                line=self.read_lines,
                fix="Is it a CSV? If so, raise line_letters in [limits] of house.toml.",
            )
        return line


def open_text(path: Path, encoding: str, *, limits: Limits | None = None) -> io.TextIOBase:
    """Open a log as text, gzipped or not; a line beyond its limit is refused when it is met."""
    opener: Any = gzip.open if is_gzip(path) else open
    most = (limits or Limits()).line_letters
    return _Lines(opener(path, "rb"), path, text_encoding(encoding), most)


def skip_lines(file: io.TextIOBase, number: int) -> None:
    """Pass over lines at the top of a log."""
    for _ in range(number):
        file.readline()


def first_rows(path: Path, layout: LogLayout, number: int) -> list[list[str]]:
    """First rows of a CSV as texts, from its header on."""
    try:
        with open_text(path, layout.encoding, limits=layout.limits) as file:
            skip_lines(file, layout.lines_above_header)
            reader = csv.reader(file, delimiter=layout.delimiter)
            return [row for row, _ in zip(reader, range(number), strict=False)]
    except UnicodeError as error:
        raise wrong_encoding(path, layout.encoding, error) from None
    except (*_TRUNCATED, csv.Error) as error:
        raise _damaged(path, error) from None


def unfinished_line_at(path: Path, layout: LogLayout) -> int | None:
    """Where the last line of a CSV begins [bytes] that is still being written; None if none is.

    A last line without its end counts where it has as many cells as the header and its values are
    numbers, since many programs leave the last end of line out. Else it waits for the rest.
    """
    if layout.format != "csv" or "\n".encode(layout.encoding) != b"\n" or is_gzip(path):
        return None
    size = path.stat().st_size
    with path.open("rb") as file:
        file.seek(max(size - LONGEST_LINE, 0))
        end = file.read()
    at = max(end.rfind(b"\n"), end.rfind(b"\r")) + 1
    if not 0 < at < len(end):
        return None
    begins = size - len(end) + at
    try:
        cells = next(csv.reader([end[at:].decode(layout.encoding)], delimiter=layout.delimiter))
        names = csv_columns(path, layout)
    except (UnicodeError, csv.Error, StopIteration):
        return begins
    if len(cells) != len(names):
        return begins
    last = cells[-1].strip()
    # Only the last cell can be cut; whether it is a number matters where it is one of those read.
    of_values = {layout.value_column, *(n for c in layout.columns.values() for n in c.names)}
    if names[-1] not in of_values or last in (*MISSING, *layout.missing):
        return None
    return begins if last[-1:] in "eE+-" else None


def wrong_encoding(path: Path, encoding: str, error: Exception) -> HouseError:
    """Say of a log that it is not text of the encoding that is stated, and where."""
    line = _undecoded_line(path, encoding)
    return HouseError(
        f"is not {encoding} text" if line else f"is not {encoding} text ({error})",
        path=path,
        line=line,
        fix='State the encoding of the log, for example encoding = "cp1252" (of many programs on '
        'Windows) or "utf-16". If it is that line alone, correct it.',
    )


def _undecoded_line(path: Path, encoding: str) -> int | None:
    """Line that is not of an encoding; None where it is all or lines cannot be told."""
    if "\n".encode(encoding) != b"\n":
        return None
    opener: Any = gzip.open if is_gzip(path) else open
    with opener(path, "rb") as file:
        for number, line in enumerate(iter(lambda: file.readline(LONGEST_LINE), b""), start=1):
            try:
                line.decode(encoding)
            except UnicodeError:
                return number
    return None


def _too_large(path: Path, layout: LogLayout) -> HouseError:
    return HouseError(
        f"holds more than {layout.limits.log_gb:g} GB",
        path=path,
        fix="If that is right, raise log_gb in [limits] of house.toml.",
    )


def _damaged(path: Path, error: Exception) -> HouseError:
    what = "is a gzip file that is cut short or damaged" if is_gzip(path) else "cannot be read"
    return HouseError(f"{what} ({error})", path=path, fix="Copy or export it again.")


def csv_columns(path: Path, layout: LogLayout) -> list[str | int]:
    """Names of a CSV's columns, or their numbers from 1 where it has no header."""
    if path.stat().st_size == 0:
        raise NoRowsError("is empty", path=path, fix=_WITHOUT_ROWS)
    rows = first_rows(path, layout, 2 + layout.lines_below_header)
    if not rows:
        raise NoRowsError("is empty", path=path, fix=_WITHOUT_ROWS)
    if layout.header:
        # Rows may end with a delimiter, and the header without.
        more = len(rows[-1]) == len(rows[0]) + 1 and not rows[-1][-1]
        return [*(name.strip() for name in rows[0]), *[""] * more]
    return list(range(1, len(rows[0]) + 1))


def check_columns(
    path: Path, names: Sequence[str | int], needed: Sequence[str | int], layout: LogLayout
) -> None:
    """Refuse a log in which a needed column is missing or occurs twice."""
    for name in needed:
        number = list(names).count(name)
        if number == 1:
            continue
        if number > 1:
            raise HouseError(
                f"has {number} columns called {name!r}",
                path=path,
                line=layout.lines_above_header + 1,
                fix="Give the columns different names in the log, or set header = false.",
            )
        listed = ", ".join(map(repr, names[:30]))
        fix = None
        if layout.format == "csv" and len(names) == 1:
            fix = (
                f"Only one column was found: is {layout.delimiter!r} the right delimiter? Where "
                "the header is not the first line, state lines_above_header."
            )
        raise HouseError(
            f"has no column {name!r}; its columns are {listed}",
            path=path,
            line=layout.lines_above_header + 1,
            fix=fix,
        )


def read_tables(
    path: Path, layout: LogLayout, types: Types, *, torn: list[str]
) -> Iterator[pa.Table]:
    """Read the columns named in `types` in pieces of bounded size.

    Parameters
    ----------
    path : Path
    layout : LogLayout
    types : dict
        Arrow type of each needed column of a CSV; of a Parquet file only the names are used.
    torn : list of str
        Takes the lines of a CSV that are passed over: those that have another number of cells than
        the header, as a power cut or a full disk leaves them, where they are few; and head lines
        that come again.

    Yields
    ------
    pyarrow.Table
        Columns in the order of `types`, named "0", "1", ... in that order.

    Raises
    ------
    HouseError
        For a file that cannot be read; `pyarrow.ArrowInvalid` for a cell that does not fit.
    """
    pieces = (
        _parquet(path, layout, types)
        if layout.format == "parquet"
        else _csv(path, layout, types, torn)
    )
    empty = True
    for piece in pieces:
        table = without_totals(_without_blank_rows(piece), layout)
        if layout.header and layout.format == "csv":
            table = without_heads(table, next(iter(types)), torn)
        if table.num_rows:
            empty = False
            yield table
    if empty:
        what = "has a header but no rows" if layout.header else "has no rows"
        raise NoRowsError(what, path=path, fix=_WITHOUT_ROWS)


def _without_blank_rows(table: pa.Table) -> pa.Table:
    """Rows but those of which no needed cell is filled, as spreadsheets leave them between days."""
    if not table.num_rows or not table.column(0).null_count:
        return table
    filled = np.zeros(table.num_rows, dtype=bool)
    for column in table.columns:
        filled |= column.is_valid().to_numpy()
    return table.filter(pa.array(filled))


def is_no_row(
    row: list[str], names: list[str | int], needed: Sequence[str | int], layout: LogLayout
) -> bool:
    """Whether a line is left out: a total, a head once more, or one without a needed cell."""
    return (
        is_total(row, names, layout)
        or is_head(row, names)
        or all(row[names.index(name)] in (*MISSING, *layout.missing) for name in needed)
    )


def too_many_torn(torn: int, rows: int) -> bool:
    """Whether so many lines have another number of cells that the layout must be wrong."""
    return torn > MOST_TORN_SHARE * rows


def _csv(path: Path, layout: LogLayout, types: Types, torn: list[str]) -> Iterator[pa.Table]:
    def pass_over(row: pa_csv.InvalidRow) -> str:
        text = row.text or ""
        torn.append(text)
        # An open quote swallows what follows.
        passed = "\n" not in text and len(text) <= layout.limits.line_letters
        return "skip" if passed and len(torn) <= MOST_TORN else "error"

    names = csv_columns(path, layout)
    check_columns(path, names, list(types), layout)
    position = {name: f"c{names.index(name)}" for name in types}
    options: dict[str, Any] = {
        "parse_options": pa_csv.ParseOptions(
            delimiter=layout.delimiter, newlines_in_values=False, invalid_row_handler=pass_over
        ),
        "convert_options": pa_csv.ConvertOptions(
            column_types={position[name]: kind for name, kind in types.items()},
            include_columns=list(position.values()),
            null_values=[*MISSING, *layout.missing],
            strings_can_be_null=True,
            decimal_point=layout.decimal,
        ),
    }
    encoding = "utf8" if codecs.lookup(layout.encoding).name in ("utf-8", "utf-8-sig") else None
    reading = pa_csv.ReadOptions(
        column_names=[f"c{number}" for number in range(len(names))],
        skip_rows=layout.lines_before_rows,
        encoding=encoding or layout.encoding,
        block_size=PIECE_BYTES,
    )
    numbered = [str(number) for number in range(len(types))]
    done = 0
    try:
        file, size = _opened(path, layout)
        with file:
            try:
                stream = file.get_stream(0, size) if file.seekable() else file
                for table in _parsed(stream, path, layout, reading, options):
                    done += table.num_rows
                    yield table.rename_columns(numbered)
                _refuse_many(torn, done)
                return
            except pa.ArrowInvalid as error:
                if "Empty CSV" in str(error):
                    return
                if not file.seekable():  # unpacked piece by piece
                    raise
                parts, heads = between_heads(file.get_stream(0, size), layout)
                if not heads:
                    raise
            torn[:] = heads
            rows = 0
            for number, (begin, stop) in enumerate(parts):
                reading.skip_rows = 0 if number else layout.lines_before_rows
                part = file.get_stream(begin, stop - begin)
                for table in _parsed(part, path, layout, reading, options):
                    known = min(max(done - rows, 0), table.num_rows)  # of the first try
                    rows += table.num_rows
                    yield table.slice(known).rename_columns(numbered)
            _refuse_many(torn[len(heads) :], rows)
    except UnicodeError as error:
        raise wrong_encoding(path, layout.encoding, error) from None
    except _TRUNCATED as error:
        raise _damaged(path, error) from None


def _parsed(
    stream: pa.NativeFile,
    path: Path,
    layout: LogLayout,
    reading: pa_csv.ReadOptions,
    options: dict[str, Any],
) -> Iterator[pa.Table]:
    """Rows of a CSV: all at once, or piece by piece where they are many."""
    if path.stat().st_size < WHOLE_FILE_BYTES and not is_gzip(path):
        reading.block_size = max(1 << 20, min(path.stat().st_size // 4, PIECE_BYTES))
        yield pa_csv.read_csv(stream, reading, **options)
        return
    unpacked = 0
    for batch in pa_csv.open_csv(stream, reading, **options):
        unpacked += batch.nbytes
        if unpacked > layout.limits.log_gb * 1e9:
            raise _too_large(path, layout)
        yield pa.Table.from_batches([batch])


def _refuse_many(torn: list[str], rows: int) -> None:
    if torn and too_many_torn(len(torn), rows):
        raise pa.ArrowInvalid("another number of columns")


def _opened(path: Path, layout: LogLayout) -> tuple[pa.NativeFile, int]:
    """Open a CSV; also count its bytes up to lines at its end that hold no reading.

    What unpacks to more than a large file is no file of which parts can be read.
    """
    if is_gzip(path):
        with gzip.open(path) as file:
            whole = file.read(WHOLE_FILE_BYTES + 1)
        if len(whole) > WHOLE_FILE_BYTES:  # how much more, nobody knows
            return pa.input_stream(str(path), compression="gzip"), 0
        footer, _ = _footer(path, layout, whole[-_FOOTER_BYTES:])
        return pa.BufferReader(whole), len(whole) - len(footer)
    stop = unfinished_line_at(path, layout)
    footer, _ = footer_of(path, layout)
    return pa.OSFile(str(path)), (path.stat().st_size if stop is None else stop) - len(footer)


def has_words_for_stamps(layout: LogLayout) -> bool:
    """Whether stamps hold names of months or days."""
    return any(code in layout.time_format for code in ("%b", "%B", "%a", "%A"))


def is_no_time(cell: str, *, worded: bool, timed: bool = False) -> bool:
    """Whether what stands for a time is empty, or holds a word, as "Total" or "2 March total".

    `worded` stamps hold words themselves; among `timed` ones, of times of day, neither is a date
    alone nor what holds no digit.
    """
    cell = cell.strip()
    if not cell or is_stamp(cell):
        return not cell
    if timed and (is_date(cell) or not any(letter.isdigit() for letter in cell)):
        return True
    if cell[0].isdigit() and not timed:
        return False
    if not _WORD.search(cell):
        return False
    return not (worded and any(letter.isdigit() for letter in cell))


def is_total(row: list[str], names: list[str | int], layout: LogLayout) -> bool:
    """Whether a row is one of those that `totals_between` leaves out."""
    if not layout.totals_between:
        return False
    cell = row[names.index(layout.time_columns[0])]
    return is_no_time(cell, worded=has_words_for_stamps(layout), timed=_are_timed(layout))


def _are_timed(layout: LogLayout) -> bool:
    """Whether each stamp of a log holds a time of day."""
    hours = any(code in layout.time_format for code in ("%H", "%I"))
    return len(layout.time_columns) == 1 and (layout.time_format == "iso" or hours)


def without_totals(table: pa.Table, layout: LogLayout) -> pa.Table:
    """Rows that have a time in their first column, which holds texts."""
    if not layout.totals_between:
        return table
    stamps = pc.fill_null(table.column(0), "")
    worded, timed = has_words_for_stamps(layout), _are_timed(layout)
    usual = _USUAL_STAMP if timed and not worded else r"^\s*\d"
    odd = np.flatnonzero(~pc.match_substring_regex(stamps, usual).to_numpy())
    kept = np.ones(table.num_rows, dtype=bool)
    cells = stamps.take(pa.array(odd)).to_pylist()
    kept[odd] = [not is_no_time(cell, worded=worded, timed=timed) for cell in cells]
    return table.filter(pa.array(kept))


_USUAL_STAMP = r"^\s*\d[\d./-]+[ T]\d{1,2}[:.]\d\d[^\pL]*[Z]?$"
_MOST_FOOTER = 20  # lines
_FOOTER_BYTES = 16_000
_WORD = re.compile(r"[^\W\d_]{2,}")


def footer_of(path: Path, layout: LogLayout) -> tuple[bytes, list[str]]:
    """Lines at the end of a CSV that cannot be readings, such as totals.

    Returns
    -------
    footer, lines
        Its bytes, before a last line that is still being written, and its lines that are not
        blank. Both are empty where the file ends with a reading.

    Notes
    -----
    Own rule. Such a line has no time: its time is empty, or a word. What begins like a time is a
    reading, if a bad one.
    """
    if layout.format != "csv" or is_gzip(path) or path.stat().st_size == 0:
        return b"", []
    stop = unfinished_line_at(path, layout)
    stop = path.stat().st_size if stop is None else stop
    with path.open("rb") as file:
        file.seek(max(stop - _FOOTER_BYTES, 0))
        end = file.read(stop - file.tell())
    return _footer(path, layout, end)


def _footer(path: Path, layout: LogLayout, end: bytes) -> tuple[bytes, list[str]]:
    if "\n".encode(layout.encoding) != b"\n":
        return b"", []
    names = csv_columns(path, layout)
    if layout.time_columns[0] not in names:
        return b"", []
    at = names.index(layout.time_columns[0])
    lines = end.splitlines(keepends=True)
    first = len(lines)
    worded = has_words_for_stamps(layout)
    while first > 1 and len(lines) - first < _MOST_FOOTER:
        text = lines[first - 1].decode(layout.encoding, errors="replace").strip()
        # A cell is a few letters long; of a line without end nothing is made.
        cells = next(csv.reader([text[:_FOOTER_BYTES]], delimiter=layout.delimiter), []) or [""]
        if not is_no_time(cells[at] if at < len(cells) else cells[0], worded=worded):
            break
        first -= 1
    else:  # nothing but such lines: the layout is wrong, which shows when they are read
        return b"", []
    told = [line.decode(layout.encoding, errors="replace").strip() for line in lines[first:]]
    if not any(told):
        return b"", []  # blank lines are passed over anyway
    return b"".join(lines[first:]), [line for line in told if line.strip(f"{layout.delimiter} ")]


def _parquet(path: Path, layout: LogLayout, types: Types) -> Iterator[pa.Table]:
    try:
        file = pq.ParquetFile(path)
    except (pa.ArrowException, OSError) as error:
        raise HouseError(
            f"is not a Parquet file that can be read ({str(error).splitlines()[0]})",
            path=path,
            fix='Copy or export it again; a CSV needs format = "csv".',
        ) from None
    names = list(file.schema_arrow.names)
    check_columns(path, names, list(types), layout)
    wanted = [str(name) for name in types]
    try:
        for batch in file.iter_batches(batch_size=PARQUET_ROWS, columns=wanted):
            table = pa.Table.from_batches([batch]).select(wanted)
            yield table.rename_columns([str(number) for number in range(len(wanted))])
    except (pa.ArrowException, OSError) as error:
        raise HouseError(
            f"is a damaged Parquet file ({str(error).splitlines()[0]})",
            path=path,
            fix="Copy or export it again.",
        ) from None
