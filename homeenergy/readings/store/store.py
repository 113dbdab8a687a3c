"""The local store: one Parquet file per circuit and month, each written in one stroke."""

from __future__ import annotations

import hashlib
import json
import os
import re
import shutil
import threading
import zlib
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, suppress
from dataclasses import asdict, dataclass, field
from functools import wraps
from pathlib import Path
from typing import Any, ParamSpec, TypeVar

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from homeenergy.errors import HouseError
from homeenergy.files import TEMPORARY, alone, replacing, write_text
from homeenergy.house.layouts import LogLayout

FORMAT = 3
_READABLE = (1, FORMAT)  # 1 had no checksums, and another rule for the edges of holes
_KEY = b"homeenergy"
_MONTH_FILE = re.compile(r".{4}-..\.parquet")
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
    "write_page_checksum": True,
}
_CHANGED = "its logs have changed meanwhile"
VERIFIED = {"memory_map": True, "page_checksum_verification": True}


class DamagedMonthError(HouseError):
    """A month file whose content is not what was written."""


class RewrittenMonthError(DamagedMonthError):
    """A month file that is another one than it was when its note was read."""


_Given = ParamSpec("_Given")
_Read = TypeVar("_Read")
TRIES = 5  # of reading months that are written at the same moment; own choice


def anew_if_rewritten(read: Callable[_Given, _Read]) -> Callable[_Given, _Read]:
    """Let what reads months begin anew where one of them was written meanwhile."""

    @wraps(read)
    def tried(*given: _Given.args, **named: _Given.kwargs) -> _Read:
        for _ in range(TRIES - 1):
            with suppress(RewrittenMonthError):
                return read(*given, **named)
        return read(*given, **named)

    return tried


def sum_of_words(*arrays: NDArray[Any]) -> int:
    """Sum of all 32-bit words: with the checksums of pages, it notices damage between them too."""
    return sum(int(np.sum(one.view(np.uint32), dtype=np.uint64)) for one in arrays)


@dataclass(frozen=True, slots=True, kw_only=True)
class MonthInfo:
    """What a month's file says of itself.

    `signature` stands for everything the samples depend on, `made_as` for the layout alone, and
    `words` is the `sum_of_words` of the samples. The counts are of rows as logged: rows in the
    month, rows that shared an instant, instants with different values, rows out of order, counter
    resets, counter intervals rejected as absurd; `missed_wh` is what counters counted while nothing
    was logged [Wh].
    """

    circuit: str
    month: str
    first_slot: int
    samples: int
    period_ns: int
    signature: str
    made_as: str = ""
    words: int | None = None
    rows: int = 0
    repeats: int = 0
    conflicts: int = 0
    out_of_order: int = 0
    resets: int = 0
    rejected: int = 0
    missed_wh: float = 0.0


MOST_KEPT_BYTES = 11_000_000  # a month at 1 s
# Months that this process wrote last, by path: the state of the file then, and its samples.
_written: dict[Path, tuple[tuple[int, ...] | None, NDArray[np.float32]]] = {}


class Store:
    """The folder `store` of a house.

    `mend` is called with circuit and month where a file is damaged, and then it is read again.
    """

    def __init__(self, folder: Path, *, mend: Callable[[str, str], None] | None = None) -> None:
        self.folder, self.mend = folder, mend
        # The sum of the mains that was last asked as a witness, and what it was made from.
        self.kept_mains: tuple[tuple[object, ...], NDArray[np.float32]] | None = None
        # Samples in doubt by circuit, and what they were found from.
        self.kept_doubts: dict[str, tuple[list[Any], Any]] = {}
        # What files said of themselves, with their state then.
        self._infos: dict[tuple[str, str], tuple[tuple[int, ...], MonthInfo]] = {}
        self._last = threading.local()

    def path(self, circuit: str, month: str) -> Path:
        """File of a circuit's month."""
        return self.folder.joinpath(circuit, f"{month}.parquet")

    def overview_path(self, circuit: str, month: str) -> Path:
        """File of what is worked out from a circuit's month (see `bins`); safe to delete."""
        return self.folder.joinpath(".overview", circuit, f"{month}.bins")

    def doubts_path(self, circuit: str) -> Path:
        """File of a circuit's samples in doubt (see `quality`); safe to delete."""
        return self.folder.joinpath(".overview", circuit, "doubts.kept")

    def facts_path(self, circuit: str) -> Path:
        """File of what the log of a circuit is like (see `log_facts`); safe to delete."""
        return self.folder.joinpath(".overview", circuit, "facts.kept")

    def months(self, circuit: str) -> list[str]:
        """Months of a circuit that are there, in order."""
        try:
            names = os.listdir(os.path.join(self.folder, circuit))
        except (FileNotFoundError, NotADirectoryError):
            return []
        return sorted(name[: len("2026-03")] for name in names if _MONTH_FILE.fullmatch(name))

    def info(self, circuit: str, month: str) -> MonthInfo | None:
        """Read what a month's file says of itself; None if it is not there or was damaged."""
        try:
            whole = pq.read_metadata(self.path(circuit, month))
            note = json.loads((whole.metadata or {})[_KEY])
            info = MonthInfo(**note["month"])
            sound = note["format"] == 1 or note["check"] == _check(note["month"])
        except (OSError, pa.ArrowException, KeyError, TypeError, ValueError):
            return None
        sound &= note["format"] in _READABLE and info.samples == whole.num_rows
        return info if sound and (info.circuit, info.month) == (circuit, month) else None

    def known(self, circuit: str, month: str) -> MonthInfo:
        """As `info`, read once; but a file that cannot be read, or mended, is an error."""
        state = _state(self.path(circuit, month))
        before = self._infos.get((circuit, month))
        if before is not None and before[0] == state:
            return before[1]
        info = self.info(circuit, month)
        if info is not None and state is not None:
            self._infos[circuit, month] = state, info
        if info is None and self.mend is not None:
            self.mend(circuit, month)
            info = self.info(circuit, month)
        if info is None:
            raise self._damaged(circuit, month, "it does not say what it holds")
        return info

    def read_into(self, info: MonthInfo, out: NDArray[np.float32], *, keep: bool = True) -> None:
        """Fill `out` with all samples of a month, verified.

        With `keep`, what a thread has read last is kept, as whatever is asked of a circuit is asked
        month after month more than once.

        Raises
        ------
        DamagedMonthError
        """
        key = info.circuit, info.month, info.signature, info.words
        kept = getattr(self._last, "read", None)
        if kept is not None and kept[0] == key and info.words is not None:
            out[:] = kept[1]
            return
        path = self.path(info.circuit, info.month)
        state, watts = _written.get(path, (None, out))
        if state is not None and state == _state(path) and info.words == sum_of_words(watts):
            out[:] = watts
        else:
            self._read_or_mend(info, out)
        if keep and out.nbytes <= MOST_KEPT_BYTES:
            self._last.read = key, out.copy()

    def _read_or_mend(self, info: MonthInfo, out: NDArray[np.float32]) -> None:
        try:
            self._read_into(info, out)
        except DamagedMonthError:
            self._refuse_rewritten(info)
            if self.mend is None:
                raise
            self.mend(info.circuit, info.month)
            self._read_into(self._same(info), out)

    def _read_into(self, info: MonthInfo, out: NDArray[np.float32]) -> None:
        at = 0
        try:
            with pq.ParquetFile(self.path(info.circuit, info.month), **VERIFIED) as file:
                for chunk in file.read(use_threads=False).column("watts").chunks:
                    values = chunk.to_numpy(zero_copy_only=False)
                    out[at : at + values.size] = values
                    at += values.size
        except (OSError, pa.ArrowException, KeyError, ValueError, MemoryError) as error:
            raise self._damaged(info.circuit, info.month, error) from None
        if at != info.samples or info.words not in (None, sum_of_words(out)):
            raise self._damaged(info.circuit, info.month, "its samples are not those written")

    def read_part(self, info: MonthInfo, first: int, stop: int) -> NDArray[np.float32]:
        """Samples [first, stop) of a month, without reading all of it; pages are verified."""
        try:
            return self._read_part(info, first, stop)
        except DamagedMonthError:
            self._refuse_rewritten(info)
            if self.mend is None:
                raise
            self.mend(info.circuit, info.month)
            return self._read_part(self._same(info), first, stop)

    def _read_part(self, info: MonthInfo, first: int, stop: int) -> NDArray[np.float32]:
        parts, at = [], 0
        try:
            with pq.ParquetFile(self.path(info.circuit, info.month), **VERIFIED) as file:
                for group in range(file.metadata.num_row_groups):
                    rows = file.metadata.row_group(group).num_rows
                    if first < at + rows and at < stop:
                        column = file.read_row_group(group, use_threads=False).column("watts")
                        parts.append(column.to_numpy()[max(first - at, 0) : stop - at])
                    at += rows
        except (OSError, pa.ArrowException, KeyError, ValueError, MemoryError) as error:
            raise self._damaged(info.circuit, info.month, error) from None
        part = np.concatenate(parts) if parts else np.empty(0, dtype=np.float32)
        whole = at == info.samples and part.size == max(min(stop, at) - first, 0)
        if part.dtype != np.float32 or not whole:
            raise self._damaged(info.circuit, info.month, "its samples are not those written")
        return part

    def is_sound(self, circuit: str, month: str) -> bool:
        """Whether a month's file holds what was written, to the last bit."""
        info = self.info(circuit, month)
        if info is None:
            return False
        try:
            self._read_into(info, np.empty(info.samples, dtype=np.float32))
        except DamagedMonthError:
            return False
        return True

    def _same(self, info: MonthInfo) -> MonthInfo:
        """What a mended file says of itself; its place and length must be those of before."""
        now = self.info(info.circuit, info.month)
        if now is None or (now.first_slot, now.samples) != (info.first_slot, info.samples):
            raise self._damaged(info.circuit, info.month, _CHANGED, error=RewrittenMonthError)
        return now

    def _refuse_rewritten(self, info: MonthInfo) -> None:
        """Refuse to go on with a note that is no longer that of the file."""
        if self.info(info.circuit, info.month) not in (None, info):
            raise self._damaged(info.circuit, info.month, _CHANGED, error=RewrittenMonthError)

    def _damaged(
        self,
        circuit: str,
        month: str,
        why: object,
        *,
        error: type[DamagedMonthError] = DamagedMonthError,
    ) -> DamagedMonthError:
        return error(
            f"this month of the store is damaged ({str(why).splitlines()[0]})",
            path=self.path(circuit, month),
            fix="`homeenergy import --verify` makes it again from its logs, if they are there.",
        )

    def write(self, info: MonthInfo, watts: NDArray[np.float32]) -> None:
        """Write a month so that either the old file or the whole new one is there."""
        path = self.path(info.circuit, info.month)
        path.parent.mkdir(parents=True, exist_ok=True)
        month = {name: getattr(info, name) for name in info.__slots__}
        if not info.missed_wh:
            del month["missed_wh"]
        month["words"] = sum_of_words(watts)
        note = {"format": FORMAT, "month": month, "check": _check(month)}
        text = json.dumps(note, sort_keys=True)
        schema = pa.schema([pa.field("watts", pa.float32())], metadata={_KEY: text.encode()})
        table = pa.Table.from_arrays([pa.array(watts)], schema=schema)
        # A month that a power cut has spoiled fails its checksums and is made again.
        with replacing(path, lasting=False) as temporary:
            pq.write_table(table, temporary, **FLOATS)
        _written.pop(path, None)
        _written[path] = _state(path), watts
        for oldest in [*_written]:
            if sum(held.nbytes for _, held in [*_written.values()]) <= MOST_KEPT_BYTES:
                break
            _written.pop(oldest, None)

    def remove(self, circuit: str, month: str) -> None:
        """Delete a month, and what was worked out from it."""
        self.path(circuit, month).unlink(missing_ok=True)
        self.overview_path(circuit, month).unlink(missing_ok=True)

    def write_text(self, name: str, text: str) -> None:
        """Write a text file of the store in one stroke; nothing where it says so already."""
        if self.read_text(name) != text:
            self.folder.mkdir(parents=True, exist_ok=True)
            write_text(self.folder / name, text, lasting=False)

    def read_text(self, name: str) -> str | None:
        """Read a text file of the store; None if it is not there, or is no text."""
        try:
            return (self.folder / name).read_text(encoding="utf-8")
        except (FileNotFoundError, UnicodeDecodeError):
            return None

    def alone(self) -> AbstractContextManager[None]:
        """Let only one import work on the store.

        An import by another process is waited for: two notebooks may open the same house.
        """
        if not self.folder.exists():
            self.folder.mkdir(parents=True, exist_ok=True)
        return alone(
            self.folder / ".lock",
            longest_wait_s=LONGEST_WAIT_S,
            busy="another import of this house is running",
            reading_only=True,
        )

    def spill_folder(self) -> Path:
        """Folder for rows that wait on disk during an import."""
        return self.folder / f".rows.{os.getpid()}{TEMPORARY}"

    def leftovers(self) -> Iterator[Path]:
        """Temporary files and folders of imports that were cut short."""
        if self.folder.exists():
            yield from self.folder.glob(f".rows.*{TEMPORARY}")
            yield from self.folder.glob(f"*.*{TEMPORARY}")
            yield from self.folder.glob(f"*/*.parquet.*{TEMPORARY}")
            yield from self.folder.glob(f".overview/*/*{TEMPORARY}")

    def sweep(self) -> None:
        """Delete what imports that were cut short have left behind."""
        for path in list(self.leftovers()):
            if path.is_dir():
                shutil.rmtree(path, ignore_errors=True)
            else:
                with suppress(OSError):  # the folder may be read-only
                    path.unlink()


def _state(path: Path) -> tuple[int, ...] | None:
    """What differs once a file was written to; None where it is not there."""
    try:
        stat = path.stat()
    except OSError:
        return None
    return stat.st_mtime_ns, stat.st_ctime_ns, stat.st_size, stat.st_ino


def _check(value: dict[str, Any]) -> int:
    """Checksum of plain data."""
    return zlib.crc32(json.dumps(value, sort_keys=True).encode())


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
    months = np.arange(first, last + 1)
    if not ascending and months.size > 3:  # few of many years, perhaps
        months = np.unique(times_ns.view("M8[ns]").astype("M8[M]"))
    for month in months:
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
    """One log file as it was read: `reading` is the part of the layout that matters.

    No program can set `ctime_ns`, the instant at which a file was last changed in any way (on
    Windows: made). Where it, or any other of the first four, differs, the content is compared.
    """

    size: int
    mtime_ns: int
    ctime_ns: int = 0
    inode: int = 0
    digest: str
    reading: str
    rows: int = 0
    spans: Spans = field(default_factory=dict)


@dataclass(slots=True, kw_only=True)
class LogMemory:
    """What is remembered of one [[log]]: its files, and each source's period once it was found.

    `own_paces_ns` are row period and hold of columns with empty cells, by `own_key`.
    """

    files: dict[str, LogFile] = field(default_factory=dict)
    row_periods_ns: dict[str, int] = field(default_factory=dict)
    own_paces_ns: dict[str, tuple[int, int]] = field(default_factory=dict)


def load_manifest(store: Store) -> dict[str, LogMemory]:
    """Read what is remembered; nothing where the file is missing or cannot be read."""
    text = store.read_text(NAME)
    try:
        whole = json.loads(text) if text else {}
        if whole.get("format") != _FORMAT:
            return {}
        if whole.get("check", _check(whole["logs"])) != _check(whole["logs"]):
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
    own = {
        key: (int(period), int(hold))
        for key, (period, hold) in value.get("own_paces_ns", {}).items()
    }
    return LogMemory(files=files, row_periods_ns=dict(value["row_periods_ns"]), own_paces_ns=own)


def save_manifest(store: Store, memories: dict[str, LogMemory]) -> None:
    """Write what is remembered, in one stroke."""
    logs = {key: asdict(memory) for key, memory in memories.items()}
    whole = {"format": _FORMAT, "logs": logs, "check": _check(logs)}
    store.write_text(NAME, json.dumps(whole, indent=1, sort_keys=True))


def log_keys(layouts: tuple[LogLayout, ...]) -> list[str]:
    """Name each [[log]] so that it is known again: its pattern, and its number among equal ones."""
    seen: dict[str, int] = {}
    keys = []
    for layout in layouts:
        seen[layout.files] = seen.get(layout.files, 0) + 1
        keys.append(f"{layout.files}#{seen[layout.files]}")
    return keys


def own_key(layout: LogLayout, circuit: str) -> str:
    """Name of the column of a circuit, or of its columns, in `LogMemory.own_paces_ns`."""
    column = layout.columns[circuit]
    return json.dumps([column.files, *column.needed])


def reading_of(layout: LogLayout) -> str:
    """Hash of all that decides which rows a file holds at which instants."""
    fields = {name: getattr(layout, name) for name in layout.__slots__}
    for name in ("files", "period_s", "hold_s", "silence_s", "limits"):
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
    """Hash of a file's content, of a kind that most processors have instructions for."""
    return _sha256(path)[:32]


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
