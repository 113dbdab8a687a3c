"""What earlier imports have read: each log file, its content and the months it touches."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from homeenergy.house import LogLayout
from homeenergy.readings.store import Store

NAME = "imported.json"
_FORMAT = 1

Spans = dict[str, dict[str, tuple[int, int]]]  # source -> month -> first and last instant [ns]


@dataclass(slots=True, kw_only=True)
class LogFile:
    """One log file as it was read: `reading` stands for the part of the layout that matters."""

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
    for name in ("files", "period_s", "hold_s"):
        del fields[name]
    columns = layout.columns
    if layout.layout == "long":
        fields["columns"] = sorted((name, str(column.names[0])) for name, column in columns.items())
    else:
        fields["columns"] = sorted(
            {column.quantity == "energy_counter" for column in columns.values()}
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
