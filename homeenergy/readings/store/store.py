"""The local store: one Parquet file per circuit and month, each written in one stroke."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import IO, Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from homeenergy.errors import HouseError
from homeenergy.house.layouts import LogLayout

try:
    import fcntl
except ImportError:  # not on Windows, where nothing prevents two imports at once
    fcntl = None  # type: ignore[assignment]

FORMAT = 1
_KEY = b"homeenergy"
_TEMP = ".tmp"
LONGEST_WAIT_S = 300.0  # for an import by another process
# Measured on 2.7 million samples: splitting the bytes of each float and LZ4 read about as fast as
# no compression (7 ms) at a quarter of the size for whole watts; dictionaries and zstd were slower.
FLOATS = {
    "compression": "lz4",
    "use_dictionary": False,
    "column_encoding": "BYTE_STREAM_SPLIT",
    "write_statistics": False,
    "write_batch_size": 65536,
    "data_page_size": 1 << 20,
}


@contextmanager
def replace_whole(path: Path) -> Iterator[Path]:
    """Give a temporary path to write to; it takes the place of `path` in one stroke."""
    temporary = path.with_name(f"{path.name}.{os.getpid()}{_TEMP}")
    yield temporary
    os.replace(temporary, path)


@dataclass(frozen=True, slots=True, kw_only=True)
class MonthInfo:
    """What a month's file says of itself.

    `signature` stands for everything the samples depend on. The counts are of rows as logged:
    rows in the month, rows that shared an instant, rows out of order, counter resets, counter
    intervals rejected as absurd.
    """

    circuit: str
    month: str
    first_slot: int
    samples: int
    period_ns: int
    signature: str
    rows: int = 0
    repeats: int = 0
    out_of_order: int = 0
    resets: int = 0
    rejected: int = 0


class Store:
    """The folder `store` of a house."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def path(self, circuit: str, month: str) -> Path:
        """File of a circuit's month."""
        return self.folder / circuit / f"{month}.parquet"

    def overview_path(self, circuit: str, month: str) -> Path:
        """File of what is worked out from a circuit's month (see `pyramid`); safe to delete."""
        return self.folder / ".overview" / circuit / f"{month}.bins"

    def months(self, circuit: str) -> list[str]:
        """Months of a circuit that are there, in order."""
        return sorted(path.stem for path in (self.folder / circuit).glob("????-??.parquet"))

    def info(self, circuit: str, month: str) -> MonthInfo | None:
        """Read what a month's file says of itself; None if it is not there or was damaged."""
        try:
            metadata = pq.read_metadata(self.path(circuit, month)).metadata or {}
            fields = json.loads(metadata[_KEY])
            return MonthInfo(**fields["month"]) if fields["format"] == FORMAT else None
        except (OSError, pa.ArrowException, KeyError, TypeError, ValueError):
            return None

    def known(self, circuit: str, month: str) -> MonthInfo:
        """As `info`, but a file that cannot be read is an error."""
        info = self.info(circuit, month)
        if info is None:
            raise HouseError(
                "this month of the store cannot be read",
                path=self.path(circuit, month),
                fix="Run `homeenergy import` on the house again; it is then made again.",
            )
        return info

    def read_into(self, circuit: str, month: str, out: NDArray[np.float32]) -> None:
        """Fill `out` with the month's samples."""
        at = 0
        try:
            with pq.ParquetFile(self.path(circuit, month), memory_map=True) as file:
                for chunk in file.read(use_threads=False).column("watts").chunks:
                    values = chunk.to_numpy(zero_copy_only=False)
                    out[at : at + values.size] = values
                    at += values.size
        except (OSError, pa.ArrowException, ValueError) as error:
            raise self._unreadable(circuit, month, error) from None

    def read_part(self, info: MonthInfo, first: int, stop: int) -> NDArray[np.float32]:
        """Samples [first, stop) of a month, without reading all of it."""
        parts = []
        try:
            with pq.ParquetFile(self.path(info.circuit, info.month), memory_map=True) as file:
                at = 0
                for group in range(file.metadata.num_row_groups):
                    rows = file.metadata.row_group(group).num_rows
                    if first < at + rows and at < stop:
                        column = file.read_row_group(group, use_threads=False).column("watts")
                        parts.append(column.to_numpy()[max(first - at, 0) : stop - at])
                    at += rows
        except (OSError, pa.ArrowException, ValueError) as error:
            raise self._unreadable(info.circuit, info.month, error) from None
        return np.concatenate(parts) if parts else np.empty(0, dtype=np.float32)

    def _unreadable(self, circuit: str, month: str, error: Exception) -> HouseError:
        return HouseError(
            f"this month of the store cannot be read ({error})",
            path=self.path(circuit, month),
            fix="Delete the file and run `homeenergy import` on the house again.",
        )

    def write(self, info: MonthInfo, watts: NDArray[np.float32]) -> None:
        """Write a month so that either the old file or the whole new one is there."""
        path = self.path(info.circuit, info.month)
        path.parent.mkdir(parents=True, exist_ok=True)
        note = json.dumps({"format": FORMAT, "month": asdict(info)}, sort_keys=True)
        schema = pa.schema([pa.field("watts", pa.float32())], metadata={_KEY: note.encode()})
        table = pa.Table.from_arrays([pa.array(watts)], schema=schema)
        with replace_whole(path) as temporary:
            pq.write_table(table, temporary, **FLOATS)

    def remove(self, circuit: str, month: str) -> None:
        """Delete a month, and what was worked out from it."""
        self.path(circuit, month).unlink(missing_ok=True)
        self.overview_path(circuit, month).unlink(missing_ok=True)

    def write_text(self, name: str, text: str) -> None:
        """Write a text file of the store in one stroke."""
        self.folder.mkdir(parents=True, exist_ok=True)
        with replace_whole(self.folder / name) as temporary:
            temporary.write_text(text, encoding="utf-8")

    def read_text(self, name: str) -> str | None:
        """Read a text file of the store; None if it is not there."""
        path = self.folder / name
        return path.read_text(encoding="utf-8") if path.exists() else None

    @contextmanager
    def alone(self) -> Iterator[None]:
        """Let only one import work on the store; the lock ends with the process.

        An import by another process is waited for: two notebooks may open the same house.
        """
        self.folder.mkdir(parents=True, exist_ok=True)
        with (self.folder / ".lock").open("a+") as lock:
            if fcntl is not None:
                until = time.monotonic() + LONGEST_WAIT_S
                while not _locked(lock):
                    lock.seek(0)
                    if lock.read() == str(os.getpid()) or time.monotonic() > until:
                        raise HouseError(
                            "another import of this house is running",
                            path=self.folder,
                            fix="Wait until it has ended.",
                        )
                    time.sleep(0.1)
                lock.truncate(0)
                lock.write(str(os.getpid()))
                lock.flush()
            yield

    def spill_folder(self) -> Path:
        """Folder for rows that wait on disk during an import."""
        return self.folder / f".rows.{os.getpid()}{_TEMP}"

    def leftovers(self) -> Iterator[Path]:
        """Temporary files and folders of imports that were cut short."""
        if self.folder.exists():
            yield from self.folder.glob(f".rows.*{_TEMP}")
            yield from self.folder.glob(f"*.*{_TEMP}")
            yield from self.folder.glob(f"*/*.parquet.*{_TEMP}")
            yield from self.folder.glob(f".overview/*/*{_TEMP}")

    def sweep(self) -> None:
        """Delete what imports that were cut short have left behind."""
        for path in list(self.leftovers()):
            if path.is_dir():
                shutil.rmtree(path, ignore_errors=True)
            else:
                path.unlink(missing_ok=True)


def _locked(lock: IO[str]) -> bool:
    """Take the lock, if nobody else has it."""
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


def month_of(ns: int) -> str:
    """Month in which an instant (UTC, ns) lies."""
    return str(np.datetime64(ns, "ns").astype("M8[M]"))


def month_edges(month: str) -> tuple[int, int]:
    """First instant of a month and of the next one [ns]."""
    first = np.datetime64(month, "M")
    edges = np.array([first, first + 1]).astype("M8[ns]").view(np.int64)
    return int(edges[0]), int(edges[1])


def neighbours(month: str) -> tuple[str, str]:
    """Give the month before and the month after."""
    here = np.datetime64(month, "M")
    return str(here - 1), str(here + 1)


def month_slots(month: str, period_ns: int) -> tuple[int, int]:
    """Slots [first, stop) that begin in a month, counted from the Unix epoch."""
    low, high = month_edges(month)
    return -(-low // period_ns), -(-high // period_ns)


def split_months(times_ns: NDArray[np.int64]) -> Iterator[tuple[str, slice | NDArray[np.intp]]]:
    """Rows of each month, as a slice where the rows are in order."""
    if times_ns.size == 0:
        return
    low, high = int(times_ns.min()), int(times_ns.max())
    first, last = np.datetime64(month_of(low), "M"), np.datetime64(month_of(high), "M")
    if first == last:
        yield str(first), slice(0, times_ns.size)
        return
    ascending = bool(np.all(times_ns[1:] >= times_ns[:-1]))
    for month in np.arange(first, last + 1):
        edges = month_edges(str(month))
        if ascending:
            start, stop = (int(at) for at in np.searchsorted(times_ns, edges))
            if stop > start:
                yield str(month), slice(start, stop)
        else:
            rows = np.flatnonzero((times_ns >= edges[0]) & (times_ns < edges[1]))
            if rows.size:
                yield str(month), rows


NAME = "imported.json"
_FORMAT = 1

Spans = dict[str, dict[str, tuple[int, int]]]  # source -> month -> first and last instant [ns]


@dataclass(slots=True, kw_only=True)
class LogFile:
    """One log file as it was read: `reading` is the part of the layout that matters."""

    size: int
    mtime_ns: int
    digest: str
    reading: str
    rows: int = 0
    spans: Spans = field(default_factory=dict)


@dataclass(slots=True, kw_only=True)
class LogMemory:
    """What is remembered of one [[log]]: its files, and each source's period once it was found."""

    files: dict[str, LogFile] = field(default_factory=dict)
    row_periods_ns: dict[str, int] = field(default_factory=dict)


def load_manifest(store: Store) -> dict[str, LogMemory]:
    """Read what is remembered; nothing where the file is missing or cannot be read."""
    text = store.read_text(NAME)
    try:
        whole = json.loads(text) if text else {}
        if whole.get("format") != _FORMAT:
            return {}
        return {key: _memory(value) for key, value in whole["logs"].items()}
    except (ValueError, KeyError, TypeError, AttributeError):
        return {}


def _memory(value: dict[str, Any]) -> LogMemory:
    files = {}
    for path, entry in value["files"].items():
        spans = {
            source: {month: (int(a), int(b)) for month, (a, b) in months.items()}
            for source, months in entry["spans"].items()
        }
        files[path] = LogFile(**{**entry, "spans": spans})
    return LogMemory(files=files, row_periods_ns=dict(value["row_periods_ns"]))


def save_manifest(store: Store, memories: dict[str, LogMemory]) -> None:
    """Write what is remembered, in one stroke."""
    logs = {key: asdict(memory) for key, memory in memories.items()}
    store.write_text(NAME, json.dumps({"format": _FORMAT, "logs": logs}, indent=1, sort_keys=True))


def log_keys(layouts: tuple[LogLayout, ...]) -> list[str]:
    """Name each [[log]] so that it is known again: its pattern, and its number among equal ones."""
    seen: dict[str, int] = {}
    keys = []
    for layout in layouts:
        seen[layout.files] = seen.get(layout.files, 0) + 1
        keys.append(f"{layout.files}#{seen[layout.files]}")
    return keys


def reading_of(layout: LogLayout) -> str:
    """Hash of all that decides which rows a file holds at which instants."""
    fields = {name: getattr(layout, name) for name in layout.__slots__}
    for name in ("files", "period_s", "hold_s", "silence_s"):
        del fields[name]
    columns = layout.columns
    if layout.layout == "long":
        fields["columns"] = sorted((name, str(column.names[0])) for name, column in columns.items())
    else:
        fields["columns"] = sorted(
            {
                (column.quantity == "energy_counter", column.files and f"{column.files} {name}")
                for name, column in columns.items()
            },
            key=str,
        )
    return short_hash(fields)


def short_hash(value: Any) -> str:
    """Hash of plain data."""
    text = json.dumps(value, sort_keys=True, default=str)
    return hashlib.blake2b(text.encode(), digest_size=16).hexdigest()


def file_digest(path: Path) -> str:
    """Hash of a file's content."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, lambda: hashlib.blake2b(digest_size=16)).hexdigest()


def house_hashes(folder: str | Path) -> dict[str, str]:
    """SHA-256 of house.toml, of every CSV next to it and of every month of the store.

    Parameters
    ----------
    folder : path
        The house's folder, imported.

    Returns
    -------
    dict of str to str
        Path relative to the folder ("house.toml", "store/fridge/2026-03.parquet"), in order, and
        its hash. The same logs give the same bytes in the store, so the same hashes; the logs
        themselves are not read again.
    """
    root = Path(folder)
    files = [root / "house.toml", *root.glob("*.csv")]
    files += root.glob("store/*/????-??.parquet")
    return {
        path.relative_to(root).as_posix(): _sha256(path) for path in sorted(files) if path.is_file()
    }


def house_fingerprint(folder: str | Path) -> str:
    """One hash for all of `house_hashes`."""
    return hashlib.sha256(json.dumps(house_hashes(folder)).encode()).hexdigest()


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
