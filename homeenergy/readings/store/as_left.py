"""Whether anything has changed since the last import, from the state of files alone."""

from __future__ import annotations

import fnmatch
import json
import os
import re
from collections.abc import Iterator, Sequence
from contextlib import suppress

from homeenergy.house.schedule import Schedule
from homeenergy.readings.store.store import FORMAT, NAME, Store, file_digest, short_hash

_NOTE = "as_left.json"
_MONTH = re.compile(r"\d{4}-\d{2}\.parquet")
_WILD = re.compile(r"[*?\[]")
State = tuple[str, int, int, int, int]


def logs_state(schedule: Schedule) -> str | None:
    """Hash of house.toml and of the size and times of all files where logs are.

    None where a pattern of files does not begin with a folder of its own.
    """
    files: list[State] = []
    for pattern in sorted({layout.files for layout in schedule.logs}):
        first, slash, _ = pattern.partition("/")
        if _WILD.search(first) and slash:
            return None
        deep = bool(slash)
        folder = schedule.folder / first if slash else schedule.folder
        match = None if slash else pattern
        try:
            files += sorted(_states(str(folder), deep=deep, match=match))
        except OSError:
            return None
    return short_hash([FORMAT, file_digest(schedule.folder / "house.toml"), files])


def _states(folder: str, *, deep: bool, match: str | None = None) -> Iterator[State]:
    with os.scandir(folder) as entries:
        for entry in entries:
            if entry.is_dir():
                if deep:
                    yield from _states(entry.path, deep=True)
            elif match is None or fnmatch.fnmatchcase(entry.name, match):
                stat = entry.stat()
                times = (stat.st_mtime_ns, stat.st_ctime_ns)
                yield (entry.path, stat.st_size, *times, stat.st_ino)


def _store_state(store: Store) -> str:
    files = [
        one
        for one in _states(str(store.folder), deep=True)
        if (name := os.path.basename(one[0])) == NAME or _MONTH.fullmatch(name)
    ]
    return short_hash(sorted(files))


def note_as_left(
    store: Store, logs: str, *, files_known: int, months: Sequence[tuple[str, str]]
) -> None:
    """Note how an import has left logs and store.

    Parameters
    ----------
    store : Store
    logs : str
        `logs_state` before the logs were read, so that what was written since counts as new.
    files_known : int
    months : sequence of (circuit, month)
        That are up to date.
    """
    note = {"logs": logs, "store": _store_state(store), "files": files_known, "months": months}
    with suppress(OSError):  # the folder may be read-only
        store.write_text(_NOTE, json.dumps(note))


def as_left(store: Store, logs: str | None) -> tuple[int, tuple[tuple[str, str], ...]] | None:
    """Number of log files and months that are up to date; None where anything has changed."""
    text = store.read_text(_NOTE)
    try:
        note = json.loads(text) if text and logs else {}
        if note.get("logs") != logs or note.get("store") != _store_state(store):
            return None
        return int(note["files"]), tuple((circuit, month) for circuit, month in note["months"])
    except (ValueError, KeyError, TypeError, AttributeError, OSError):
        return None
