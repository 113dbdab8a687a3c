"""Writing files whole or not at all, and by one program at a time."""

from __future__ import annotations

import errno
import os
import secrets
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO

from homeenergy.errors import HouseError

try:
    import fcntl
except ImportError:  # on Windows
    fcntl = None  # type: ignore[assignment]
    import msvcrt

TEMPORARY = ".tmp"
_LONGEST_NAME = 150  # letters kept of a file's name in that of its temporary file
_POLL_S = 0.01
_CANNOT_WRITE = (errno.EACCES, errno.EPERM, errno.EROFS)
_held: set[str] = set()  # locks of this process
_guard = threading.Lock()


@contextmanager
def replacing(path: str | Path, *, lasting: bool = True) -> Iterator[Path]:
    """Give a temporary path next to a file; what is written there takes its place in one step.

    Parameters
    ----------
    path : path
        File to write. A link stays one: the file that it names is written. What is no file, such
        as a pipe, is written to directly.
    lasting : bool
        Wait until the disk holds it, so that a power cut leaves the old file or the new one. False
        for what can be made again.

    Raises
    ------
    OSError
        Naming the file, as where the disk is full. The old file is then as it was.
    """
    target = Path(os.path.realpath(path))
    if target.exists() and not target.is_file():
        yield Path(path)
        return
    unique = f"{os.getpid()}.{secrets.token_hex(4)}"
    temporary = target.with_name(f"{target.name[:_LONGEST_NAME]}.{unique}{TEMPORARY}")
    try:
        yield temporary
        if target.exists():
            temporary.chmod(target.stat().st_mode & 0o777)
        if lasting:
            _on_disk(temporary)
        os.replace(temporary, target)
        if lasting:
            _on_disk(target.parent)
    except BaseException as error:
        with suppress(OSError):  # a read-only file system says so even of a file that is not there
            temporary.unlink(missing_ok=True)
        if isinstance(error, OSError) and error.filename in (None, str(temporary)):
            # As the parts are copied, a subclass such as PermissionError stays what it is.
            raise OSError(error.errno, _reason(error), str(path)) from None
        raise


def _reason(error: OSError) -> str:
    return os.strerror(error.errno) if error.errno else str(error)


def _on_disk(path: Path) -> None:
    """Wait until the disk holds a file, or the names in a folder."""
    if path.is_dir():
        with suppress(OSError):  # Windows opens no folder, and some network folders cannot wait
            handle = os.open(path, os.O_RDONLY)
            try:
                os.fsync(handle)
            finally:
                os.close(handle)
        return
    with path.open("r+b") as file:
        os.fsync(file.fileno())


def write_bytes(path: str | Path, content: bytes, *, lasting: bool = True) -> None:
    """Write a file in one step; see `replacing`."""
    with replacing(path, lasting=lasting) as temporary, temporary.open("wb") as file:
        file.write(content)


def write_text(path: str | Path, text: str, *, lasting: bool = True) -> None:
    """Write a file as UTF-8 in one step, ends of lines as they are; see `replacing`."""
    write_bytes(path, text.encode(), lasting=lasting)


@contextmanager
def alone(
    lock: Path, *, longest_wait_s: float, busy: str, reading_only: bool = False
) -> Iterator[None]:
    """Let one program at a time do what the block does. The lock ends with the process.

    Parameters
    ----------
    lock : Path
        File that stands for the lock. It is made, and stays.
    longest_wait_s : float
        How long to wait for another program, or thread of this one.
    busy : str
        What to say where that was not enough.
    reading_only : bool
        Go on without the lock where the folder cannot be written to.

    Raises
    ------
    HouseError
        If another program holds the lock for longer, or this thread does.
    """
    try:
        file = lock.open("a+b")
    except OSError as error:
        if not (reading_only and error.errno in _CANNOT_WRITE):
            raise
        yield
        return
    name, until = os.path.realpath(lock), time.monotonic() + longest_wait_s
    me = f"{name} {threading.get_ident()}"
    if me in _held:
        file.close()
        raise HouseError(busy, path=lock.parent, fix="Wait until it has ended.")
    with file:
        while not _taken(file):
            if time.monotonic() > until:
                raise HouseError(busy, path=lock.parent, fix="Wait until it has ended.")
            time.sleep(_POLL_S)
        with _guard:
            _held.add(me)
        try:
            yield
        finally:
            with _guard:
                _held.discard(me)
            _give_back(file)


def _taken(file: IO[bytes]) -> bool:
    """Take the lock, if nobody else has it."""
    try:
        if fcntl is not None:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        else:
            file.seek(0)
            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
    except OSError:
        return False
    return True


def _give_back(file: IO[bytes]) -> None:
    if fcntl is not None:
        fcntl.flock(file, fcntl.LOCK_UN)
    else:
        file.seek(0)
        msvcrt.locking(file.fileno(), msvcrt.LK_UNLCK, 1)
