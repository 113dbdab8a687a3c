"""The journal of a source: lines `time,circuit,value` in files that only grow, one a day.

What is written is readable by everybody at once, and lasts once the disk has been asked to hold it
(`sync`). A file of an earlier day is compressed. After a kill or a power cut, what is not a whole
line is cut off the end, and kept in a file of its own.
"""

from __future__ import annotations

import errno
import gzip
import os
import re
import shutil
import threading
from contextlib import suppress
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path

from homeenergy.record.lines import instant_of

HEADER = b"time,circuit,value\n"
MOST_PENDING = 32_000_000  # bytes that wait in memory for the disk; own choice
LARGEST_FILE = 1_000_000_000  # bytes, then the next file of the day; own choice
_TAIL = 4_000_000  # bytes in which a power cut may have left anything else than lines; own choice
_DAY_FILE = re.compile(r"(\d{4}-\d\d-\d\d)(?:_(\d+))?\.csv(?:\.gz)?")
_OF_DISKS = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO, errno.EROFS, errno.ENOENT)
_PIECE = 1 << 22  # bytes handed over at once


Latest = dict[str, tuple[int, float]]  # of each circuit: instant [ms since 1970] and value


class Journal:
    """Files of one source, of which the newest is written to.

    Parameters
    ----------
    folder : Path
        Of the source; made where it is missing.

    Attributes
    ----------
    trouble : str
        Why the disk does not take what is pending; empty where it does.
    synced_bytes : int
        Of the newest file, on disk for certain.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.trouble = ""
        self.synced_bytes = 0
        self.path: Path | None = None
        self._pending = bytearray()
        self._handle = -1
        self._size = 0
        self._torn = False
        self._day = ""
        self._packing: threading.Thread | None = None
        self._packed_before: Path | None = None

    @property
    def pending_bytes(self) -> int:
        """Bytes that wait for the disk."""
        return len(self._pending)

    def recover(self, *, name: str = "", size: int = 0) -> tuple[int, Latest]:
        """Mend what a kill or a power cut left, and look where the journal ends.

        Parameters
        ----------
        name, size
            File and size up to which the last status vouches for it: what comes later in it is
            looked at, else the whole newest file.

        Returns
        -------
        cut_bytes : int
            Bytes at the ends of files that were no whole lines; they are kept in a file NAME.cut.
        latest : dict
            Latest reading of each circuit in what was looked at.
        """
        self.folder.mkdir(parents=True, exist_ok=True)
        for part in self.folder.glob("*.part"):
            part.unlink()
        cut_bytes = sum(_cut_torn(path) for path in plain_files(self.folder))
        newest = self._newest()
        if newest is None:
            return cut_bytes, {}
        return cut_bytes, _latest(newest, size if newest.name == name else 0)

    def cut_to(self, name: str, size: int) -> int:
        """Cut a file back to what a status vouches for, so that the rest can be read again."""
        path = self.folder / name
        if not path.is_file() or path.stat().st_size <= size:
            return 0
        cut = path.stat().st_size - size
        with path.open("r+b") as file:
            file.truncate(size)
            os.fsync(file.fileno())
        return cut

    def add(self, lines: bytes) -> bool:
        """Take in whole lines; False where memory is full because the disk is."""
        if len(self._pending) + len(lines) > MOST_PENDING:
            return False
        self._pending += lines
        return True

    def open(self, day: str) -> bool:
        """Go on with the file of a day, or begin it; False where the disk does not take it.

        A file ends with a whole line: while half of one waits for the disk, it stays open.
        """
        if self.path is not None and self._handle >= 0:
            if day == self._day and self._size < LARGEST_FILE:
                return True
            if self._torn:
                return False
        try:
            path = self._file_of(day)
            self.folder.mkdir(parents=True, exist_ok=True)
            handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o644)
        except OSError as error:
            self._cannot(error)
            return False
        if self._handle >= 0:
            os.close(self._handle)
        self._handle, self.path, self._day = handle, path, day
        self._size = self.synced_bytes = os.fstat(handle).st_size
        if self._size == 0:
            self._pending[:0] = HEADER
        return True

    def write(self) -> None:
        """Hand over what is pending; what the disk does not take stays in memory."""
        if self._handle < 0:
            return
        try:
            while self._pending:
                with memoryview(self._pending) as view:
                    done = os.write(self._handle, view[:_PIECE])
                self._torn = self._pending[done - 1 : done] != b"\n"
                del self._pending[:done]
                self._size += done
            self.trouble = ""
        except OSError as error:
            self._cannot(error)

    def sync(self) -> bool:
        """Write, and wait until the disk holds all; False where it does not."""
        self.write()
        if self._handle < 0 or self._pending:
            return False
        try:
            os.fsync(self._handle)
        except OSError as error:
            self._cannot(error)
            return False
        self.synced_bytes = self._size
        return True

    def close(self) -> int:
        """Sync what is left, and close the file; how many lines the disk did not take."""
        self.sync()
        if self._handle >= 0:
            os.close(self._handle)
            self._handle = -1
        return self._pending.count(b"\n") - self._pending.startswith(HEADER)

    def _cannot(self, error: OSError) -> None:
        """Remember why the disk takes nothing; what is no matter of the disk is an error."""
        if error.errno not in _OF_DISKS:
            raise error
        self.trouble = os.strerror(error.errno)

    def pack(self, *, wait: bool = False) -> None:
        """Compress files of earlier days, in a thread, once for each file that was begun."""
        running = self._packing is not None and self._packing.is_alive()
        if self.path != self._packed_before and not running:
            self._packed_before = self.path
            waiting = [path for path in plain_files(self.folder) if path != self.path]
            self._packing = threading.Thread(target=self._pack, args=(waiting,), daemon=True)
            self._packing.start()
        if wait and self._packing is not None:
            self._packing.join()

    def _file_of(self, day: str) -> Path:
        """File of a day to go on with: a packed or full one is never written to again."""
        number = 1
        while True:
            path = self.folder / (f"{day}.csv" if number == 1 else f"{day}_{number}.csv")
            packed = path.with_name(f"{path.name}.gz").exists()
            full = path.exists() and path.stat().st_size >= LARGEST_FILE
            if not packed and not full:
                return path
            number += 1

    def _newest(self) -> Path | None:
        found = [p for p in self.folder.glob("*.csv*") if _DAY_FILE.fullmatch(p.name)]
        return max(found, key=_order, default=None)

    def _pack(self, paths: list[Path]) -> None:
        for path in paths:
            with suppress(OSError):  # as where the disk is full: the next file begun tries again
                _pack_one(path)


def plain_files(folder: Path) -> list[Path]:
    """Files of a journal that are not packed, the newest last."""
    found = [path for path in folder.glob("*.csv") if _DAY_FILE.fullmatch(path.name)]
    return sorted(found, key=_order)


def _order(path: Path) -> tuple[str, int, bool]:
    found = _DAY_FILE.fullmatch(path.name)
    assert found is not None
    return found[1], int(found[2] or 1), path.suffix == ".csv"


def _pack_one(path: Path) -> None:
    """Compress a file; it goes once the disk holds its packed form, in which all of it is."""
    target = path.with_name(f"{path.name}.gz")
    part = path.with_name(f"{path.name.removesuffix('.csv')}.part")
    if target.exists() and not _same(path, target):  # of another clock: keep both
        path.rename(path.with_name(f"{path.stem}_{path.stat().st_mtime_ns}.csv"))
        return
    if not target.exists():
        try:
            with path.open("rb") as plain, part.open("wb") as raw:
                with gzip.GzipFile(fileobj=raw, mode="wb", compresslevel=6, mtime=0) as packed:
                    shutil.copyfileobj(plain, packed, 1 << 20)
                raw.flush()
                os.fsync(raw.fileno())
            os.replace(part, target)
        finally:
            part.unlink(missing_ok=True)
        folder = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)
    path.unlink()


def _same(plain: Path, packed: Path) -> bool:
    try:
        with plain.open("rb") as one, gzip.open(packed, "rb") as other:
            while piece := one.read(1 << 20):
                if other.read(len(piece)) != piece:
                    return False
            return not other.read(1)
    except (OSError, EOFError):
        return False


def _cut_torn(path: Path) -> int:
    """Cut off what is not whole lines at the end of a file; it is kept next to it.

    Before the last sync all is as written. After it, a kill may have left a part of a line, and a
    power cut zeros.
    """
    size = path.stat().st_size
    with path.open("r+b") as file:
        begin = max(size - _TAIL, 0)
        file.seek(begin)
        tail = file.read()
        zero = tail.find(b"\0")
        keep = tail.rfind(b"\n", 0, zero if zero >= 0 else len(tail)) + 1
        if begin + keep == size:
            return 0
        if rest := tail[keep:].strip(b"\0"):
            with path.with_suffix(".cut").open("ab") as other:
                other.write(rest + b"\n")
        file.truncate(begin + keep)
        os.fsync(file.fileno())
    return size - begin - keep


def _latest(path: Path, begin: int) -> Latest:
    """Latest reading of each circuit in a file, from a byte on."""
    found: dict[bytes, tuple[bytes, bytes]] = {}
    with gzip.open(path, "rb") if path.suffix == ".gz" else path.open("rb") as file:
        if path.suffix != ".gz":
            file.seek(begin)
        for line in file:
            time, _, rest = line.partition(b",")
            circuit, _, value = rest.partition(b",")
            if time != b"time" and (circuit not in found or time >= found[circuit][0]):
                found[circuit] = time, value
    return {
        circuit.decode(): (instant_of(time.decode(), "iso"), float(value))
        for circuit, (time, value) in found.items()
    }


@lru_cache(maxsize=8)
def _minute(minute: int) -> str:
    return datetime.fromtimestamp(60 * minute, UTC).strftime("%Y-%m-%dT%H:%M")


def line_of(time_ms: int, circuit: str, value: float) -> str:
    """Line of one reading, with its end."""
    minute, ms = divmod(time_ms, 60_000)
    return f"{_minute(minute)}:{ms // 1000:02d}.{ms % 1000:03d}Z,{circuit},{value:.10g}\n"


def day_of(time_s: float) -> str:
    """Day in UTC of an instant, as files are called."""
    return datetime.fromtimestamp(time_s, UTC).strftime("%Y-%m-%d")
