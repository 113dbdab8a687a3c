"""Spreadsheets, archives, databases and JSON as text files, and what other files are."""

from __future__ import annotations

import bz2
import csv
import json
import lzma
import re
import sqlite3
import zipfile
from collections.abc import Iterator, Sequence
from contextlib import closing
from datetime import date, datetime, time, timedelta
from pathlib import Path, PurePosixPath
from typing import IO, Any

import pyarrow as pa
import pyarrow.parquet as pq

from homeenergy.errors import HouseError
from homeenergy.readings.logs.records import list_of_records, rows_of

SHEETS = (".xlsx", ".xls", ".xlsm", ".xlsb", ".ods")
JSON = (".json", ".jsonl", ".ndjson")
_LEAST_RECORDS = 2
_LONGEST_RECORD = 1 << 20  # letters
MOST_LIST_BYTES = 300_000_000  # of JSON that is not a record a line, and so is read whole
MOST_BYTES = 20_000_000_000  # of what an archive holds
_OTHERS = (
    (b"%PDF", "a PDF document"),
    (b"\x89PNG", "a picture"),
    (b"\xff\xd8\xff", "a picture"),
    (b"GIF8", "a picture"),
    (b"7z\xbc\xaf", "a 7z archive"),
    (b"Rar!", "a RAR archive"),
    (b"\x7fELF", "a program"),
    (b"{\\rtf", "a text document of a word processor"),
    (b"<!DOCTYPE", "a web page"),
    (b"<html", "a web page"),
    (b"<table", "a web page"),
)
_COMPRESSED = {b"BZh": "bz2", b"\xfd7zXZ": "xz", b"\x28\xb5\x2f\xfd": "zstd"}
COMPRESSED = (".bz2", ".xz", ".zst")
_DATABASE, DATABASES = b"SQLite format 3", (".db", ".sqlite", ".sqlite3")
_ARROW, ARROW = b"ARROW1", (".feather", ".arrow", ".ipc")
# Cells that a spreadsheet shall not turn into numbers or dates.
_FORMULA, _FORMULAS = re.compile(rb'(^|[,;\t|])"?="+([^"]*)"+', re.MULTILINE), 2


def is_packed(path: Path) -> bool:
    """Whether a file is a spreadsheet, an archive, a database, JSON, or has cells as ="12"."""
    with path.open("rb") as file:
        start = file.read(1 << 16)
    return (
        start.startswith((b"PK\x03\x04", _DATABASE, _ARROW, *_COMPRESSED))
        or len(_FORMULA.findall(start)) >= _FORMULAS
        or (start.startswith(b"\xd0\xcf\x11\xe0") and path.suffix.lower() in SHEETS)
        or _is_json(path)
    )


def _is_json(path: Path) -> bool:
    """Whether a file is JSON by its name, or holds a record a line whatever its name."""
    with path.open("rb") as file:
        line = file.readline(_LONGEST_RECORD).strip()
    if path.suffix.lower() in JSON:
        return line[:1] in (b"{", b"[")
    try:
        return line[:1] == b"{" and isinstance(json.loads(line), dict)
    except ValueError:
        return False


def refuse_other(path: Path) -> None:
    """Refuse a file that is plainly no table, and say what it is.

    Raises
    ------
    HouseError
    """
    with path.open("rb") as file:
        start = file.read(4096)
    what = next((what for begin, what in _OTHERS if start.startswith(begin)), None)
    text_bytes = start.startswith((b"\xff\xfe", b"\xfe\xff", b"PAR1", b"\x1f\x8b"))
    if what is None and b"\x00" in start and not text_bytes:
        what = "not text"
    if what is not None:
        raise HouseError(
            f"is {what}, not a log",
            path=path,
            fix="Export the log as CSV, a spreadsheet or Parquet.",
        )


def unpack(path: Path, into: Path) -> list[Path]:
    """Write what a spreadsheet or an archive holds as files.

    Parameters
    ----------
    path : Path
        A spreadsheet (each sheet becomes a CSV), JSON that holds a list of records or a record a
        line, an SQLite database of one table, an Arrow file (which becomes Parquet), a .zip or a
        compressed file (what is packed in it is unpacked too), or text with cells as ="12".
    into : Path
        Folder in which the files are made.

    Returns
    -------
    list of Path

    Raises
    ------
    HouseError
        If it is damaged, locked with a password, holds nothing, or more than 20 GB.
    """
    if path.suffix.lower() in SHEETS:
        return _sheets(path, into)
    if _is_json(path):
        return _records_as_csv(path, into)
    with path.open("rb") as file:
        start = file.read(1 << 16)
    into.mkdir(parents=True, exist_ok=True)
    for begin, kind in _COMPRESSED.items():
        if start.startswith(begin):
            return _decompressed(path, into, kind)
    if start.startswith(_DATABASE):
        return [_table_as_csv(path, into)]
    if start.startswith(_ARROW):
        return [_as_parquet(path, into)]
    if _FORMULA.search(start):
        return [_without_formulas(path, into)]
    try:
        with zipfile.ZipFile(path) as packed:
            names = {PurePosixPath(info.filename).parts[0] for info in packed.infolist()}
            if names & {"xl", "[Content_Types].xml", "mimetype"}:
                return _sheets(path, into)
            return _members(path, packed, into)
    except (zipfile.BadZipFile, RuntimeError, NotImplementedError, EOFError) as error:
        raise HouseError(
            f"cannot be unpacked ({error})", path=path, fix="Unpack it, and give the files in it."
        ) from None


def _decompressed(path: Path, into: Path, kind: str) -> list[Path]:
    """The one file that is compressed."""
    name = path.stem if path.suffix.lower() in COMPRESSED else path.name
    target = into / (name if "." in name else f"{name}.csv")
    try:
        with _opened(path, kind) as source, target.open("wb") as out:
            while piece := source.read(1 << 20):
                out.write(piece)
                if out.tell() > MOST_BYTES:
                    raise HouseError(
                        f"holds more than {MOST_BYTES / 1e9:g} GB",
                        path=path,
                        fix="Unpack it, and give the file in it.",
                    )
    except (lzma.LZMAError, EOFError, OSError, pa.ArrowException) as error:
        raise HouseError(
            f"cannot be unpacked ({error})", path=path, fix="Unpack it, and give the file in it."
        ) from None
    if not is_packed(target):
        return [target]
    made = unpack(target, target.with_name(target.name + "_unpacked"))
    target.unlink()
    return made


def _opened(path: Path, kind: str) -> IO[bytes]:
    if kind == "zstd":
        return pa.CompressedInputStream(pa.OSFile(str(path)), kind)
    return lzma.open(path) if kind == "xz" else bz2.open(path)


def _table_as_csv(path: Path, into: Path) -> Path:
    """The one table of a database that holds rows."""
    fix = "Export the table with the readings as CSV, joined with the names of its circuits."
    try:
        with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)) as base:
            names = base.execute(
                "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%'"
            )
            quoted = ['"{}"'.format(name.replace('"', '""')) for (name,) in names.fetchall()]
            tables = [t for t in quoted if base.execute(f"SELECT 1 FROM {t} LIMIT 1").fetchone()]
            if len(tables) != 1:
                what = f"holds several tables: {', '.join(tables)}" if tables else "holds no rows"
                raise HouseError(f"is a database that {what}", path=path, fix=fix)
            rows = base.execute(f"SELECT * FROM {tables[0]}")
            target = into / f"{path.stem}.csv"
            with target.open("w", encoding="utf-8", newline="") as file:
                out = csv.writer(file, lineterminator="\n")
                out.writerow([one[0] for one in rows.description])
                out.writerows(rows)
    except sqlite3.Error as error:
        raise HouseError(
            f"is a database that cannot be read ({error})", path=path, fix=fix
        ) from None
    return target


def _as_parquet(path: Path, into: Path) -> Path:
    """An Arrow file as Parquet, a batch after the other."""
    target = into / f"{path.stem}.parquet"
    try:
        with pa.memory_map(str(path)) as source:
            batches = pa.ipc.open_file(source)
            with pq.ParquetWriter(target, batches.schema) as out:
                for number in range(batches.num_record_batches):
                    out.write_batch(batches.get_batch(number))
    except (pa.ArrowException, OSError) as error:
        raise HouseError(
            f"cannot be read ({error})", path=path, fix="Export the log as CSV or Parquet."
        ) from None
    return target


def _without_formulas(path: Path, into: Path) -> Path:
    """Text with cells as "12" where it has ="12"."""
    target = into / (path.name if path.suffix else f"{path.name}.csv")
    with path.open("rb") as source, target.open("wb") as out:
        for line in source:
            out.write(_FORMULA.sub(rb'\1"\2"', line))
    return target


def _members(path: Path, packed: zipfile.ZipFile, into: Path) -> list[Path]:
    members = [info for info in packed.infolist() if _is_wanted(info)]
    if sum(info.file_size for info in members) > MOST_BYTES:
        raise HouseError(
            f"holds more than {MOST_BYTES / 1e9:g} GB",
            path=path,
            fix="Unpack it, and give the files in it.",
        )
    made: list[Path] = []
    for info in members:
        parts = [part for part in PurePosixPath(info.filename).parts if part not in ("/", "..")]
        target = into.joinpath(*parts)
        target.parent.mkdir(parents=True, exist_ok=True)
        with packed.open(info) as source, target.open("wb") as file:
            while piece := source.read(1 << 20):
                file.write(piece)
        if is_packed(target):
            made += unpack(target, target.with_name(target.name + "_unpacked"))
            target.unlink()
        else:
            made.append(target)
    if not made:
        raise HouseError("is an archive that holds no files", path=path)
    return made


def _is_wanted(info: zipfile.ZipInfo) -> bool:
    parts = PurePosixPath(info.filename.replace("\\", "/")).parts
    hidden = any(part.startswith((".", "__MACOSX")) for part in parts)
    return bool(parts) and not info.is_dir() and not hidden and info.file_size > 0


def _sheets(path: Path, into: Path) -> list[Path]:
    from python_calamine import CalamineError, CalamineWorkbook

    try:
        book = CalamineWorkbook.from_path(path)
        sheets = [
            (name, book.get_sheet_by_name(name).to_python(skip_empty_area=True))
            for name in book.sheet_names
        ]
    except (CalamineError, ValueError, OSError) as error:
        raise HouseError(
            f"is a spreadsheet that cannot be read ({error})",
            path=path,
            fix="Save it again without a password, or save its sheets as CSV.",
        ) from None
    filled = [(name, _texts(rows)) for name, rows in sheets if len(rows) > 1]
    if not filled:
        raise HouseError("is a spreadsheet without rows", path=path)
    made = []
    for name, texts in filled:
        title = path.stem if len(filled) == 1 else f"{path.stem} {name}"
        target = into / f"{title.replace('/', '-')}.csv"
        target.parent.mkdir(parents=True, exist_ok=True)
        with target.open("w", encoding="utf-8", newline="") as file:
            csv.writer(file, lineterminator="\n").writerows(texts)
        made.append(target)
    return made


def _records_as_csv(path: Path, into: Path) -> list[Path]:
    """Records of JSON as a CSV: a column for each name, of records in records "outer.inner"."""
    names: dict[str, None] = {}
    number = 0
    for number, record in enumerate(_records(path), start=1):  # noqa: B007
        names.update(dict.fromkeys(record))
    if number < _LEAST_RECORDS:
        raise _no_records(path, "holds no list of records")
    target = into / f"{path.stem}.csv"
    target.parent.mkdir(parents=True, exist_ok=True)
    with target.open("w", encoding="utf-8", newline="") as file:
        rows = csv.DictWriter(file, list(names), restval="", lineterminator="\n")
        rows.writeheader()
        rows.writerows(_records(path))
    return [target]


def _records(path: Path) -> Iterator[dict[str, Any]]:
    with path.open(encoding="utf-8-sig", errors="strict") as file:
        try:
            first = json.loads(file.readline(_LONGEST_RECORD))
        except ValueError:
            first = None
        if isinstance(first, dict) and (list_of_records(first) is None or _is_record(file)):
            file.seek(0)
            yield from _records_by_line(path, file)
            return
    if path.stat().st_size > MOST_LIST_BYTES:
        raise _no_records(path, f"holds more than {MOST_LIST_BYTES / 1e6:g} MB in one value")
    try:
        found = list_of_records(json.loads(path.read_text(encoding="utf-8-sig")))
    except (ValueError, RecursionError) as error:
        raise _no_records(path, f"is no JSON ({error})") from None
    if found is None:
        raise _no_records(path, "holds no list of records")
    for one in found:
        yield from rows_of(one)


def _is_record(file: Iterator[str]) -> bool:
    """Whether the next line is a record as well."""
    try:
        return isinstance(json.loads(next(file, "")), dict)
    except ValueError:
        return False


def _records_by_line(path: Path, file: Iterator[str]) -> Iterator[dict[str, Any]]:
    """Records of a line each; a last one may still be being written."""
    for number, line in enumerate(file, start=1):
        if not line.strip():
            continue
        try:
            record = json.loads(line)
        except (ValueError, RecursionError):
            record = None
            if not line.endswith("\n"):
                return
        if not isinstance(record, dict):
            raise HouseError(
                f"{line.strip()[:60]!r} is no record",
                path=path,
                line=number,
                fix="Each line must hold a record, as in the first. Correct or delete the line.",
            )
        yield from rows_of(record)


def _no_records(path: Path, what: str) -> HouseError:
    return HouseError(
        what,
        path=path,
        fix="Export the log as CSV, or as JSON with a record a line: a time, and named readings.",
    )


def _texts(rows: Sequence[Sequence[Any]]) -> list[list[str]]:
    """Cells as a CSV has them; a column of instants keeps its midnights as instants."""
    width = max(len(row) for row in rows)
    timed = [
        any(isinstance(row[at], datetime) for row in rows if at < len(row)) for at in range(width)
    ]
    texts = [[_text(cell, timed[at]) for at, cell in enumerate(row)] for row in rows]
    return [row for row in texts if any(row)]


def _text(cell: Any, timed: bool) -> str:
    if isinstance(cell, bool):
        return str(cell)
    if isinstance(cell, float):
        return f"{int(cell)}" if cell == int(cell) and abs(cell) < 1e15 else repr(round(cell, 9))
    if isinstance(cell, datetime):
        whole = cell + timedelta(microseconds=500_000 if cell.microsecond > 999_000 else 0)
        near = whole.microsecond < 1000 or cell.microsecond > 999_000
        return f"{whole:%Y-%m-%d %H:%M:%S}" if near else cell.isoformat(" ", "milliseconds")
    if isinstance(cell, date):
        return f"{cell:%Y-%m-%d} 00:00:00" if timed else f"{cell:%Y-%m-%d}"
    if isinstance(cell, time):
        return f"{cell:%H:%M:%S}"
    if isinstance(cell, timedelta):  # a time of day in a cell that is formatted as a length
        seconds = round(cell.total_seconds())
        return f"{seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"
    return "" if cell is None else " ".join(str(cell).splitlines())
