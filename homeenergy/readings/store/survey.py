"""Which log files are new, changed, known or gone, and reading those that must be read."""

from __future__ import annotations

import re
import shutil
from collections import defaultdict
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from homeenergy.errors import HouseError
from homeenergy.house.layouts import LogLayout
from homeenergy.house.log_columns import scale_of
from homeenergy.house.schedule import Schedule
from homeenergy.readings.logs.own_pace import own_paces
from homeenergy.readings.logs.read import COUNTERS, Rows, read_log
from homeenergy.readings.logs.rows import (
    ABSURD_W,
    LONG_ENERGY_SHARE,
    LONG_SHARE,
    PACE_OFF,
    Values,
    default_hold_ns,
    find_period_ns,
    has_pace,
    long_steps_recur,
    uneven_pace_ns,
)
from homeenergy.readings.logs.tables import NoRowsError, footer_of, unfinished_line_at
from homeenergy.readings.store.store import (
    LogFile,
    LogMemory,
    Store,
    file_digest,
    load_manifest,
    log_keys,
    month_edges,
    neighbours,
    own_key,
    reading_of,
    split_months,
)
from homeenergy.units import NS_PER_S, S_PER_H

LIMIT_BYTES = 300_000_000
_LOOKED_AT = 3  # files that may show how often a logger writes
FINEST = 5000  # samples between two rows; own choice
FEW_STEPS = 50  # which say nothing against a period that is stated; own choice

Key = tuple[int, str, str]  # number of the [[log]], source, month


class Chunk:
    """Rows of one file, source and month, in the order of the file."""

    def __init__(self, times_ns: NDArray[np.int64], columns: dict[str, Values], late: int) -> None:
        self.late = late
        self.rows = times_ns.size
        self.nbytes = times_ns.nbytes + sum(values.nbytes for values in columns.values())
        self._held: tuple[NDArray[np.int64], dict[str, Values]] | None = (times_ns, columns)
        self._path: Path | None = None

    def spill(self, path: Path) -> None:
        """Move the rows to a file."""
        assert self._held is not None
        times, columns = self._held
        table = pa.table([times, *columns.values()], names=["", *columns])
        with pa.OSFile(str(path), "wb") as sink, pa.ipc.new_file(sink, table.schema) as writer:
            writer.write_table(table)
        self._held, self._path = None, path

    def read(self, names: Sequence[str]) -> tuple[NDArray[np.int64], list[Values]]:
        """Instants and the values of some circuits."""
        if self._held is not None:
            times, columns = self._held
            return times, [columns[name] for name in names]
        with pa.memory_map(str(self._path)) as source:
            table = pa.ipc.open_file(source).read_all()
            return table.column("").to_numpy(), [table.column(name).to_numpy() for name in names]

    @property
    def in_memory(self) -> bool:
        """Whether the rows are not on disk."""
        return self._held is not None


class Pool:
    """All rows read in one import, by log, source and month.

    Parameters
    ----------
    folder : Path
        Where rows go that do not fit; made when needed.
    limit_bytes : int
        Rows kept in memory at the most.
    """

    def __init__(self, folder: Path, *, limit_bytes: int = LIMIT_BYTES) -> None:
        self.folder, self.limit_bytes = folder, limit_bytes
        self.chunks: dict[Key, list[Chunk]] = defaultdict(list)
        self._bytes = self._spilled = 0
        self._instants: tuple[tuple[int, str], NDArray[np.int64]] = (
            (-1, ""),
            np.empty(0, np.int64),
        )

    def add(
        self, log: int, rows: Rows, *, only: set[str] | None = None
    ) -> dict[str, tuple[int, int]]:
        """Take in rows, of some months only if stated.

        Returns
        -------
        dict
            First and last instant in each month that the rows touch.
        """
        spans = {}
        for month, part in split_months(rows.times_ns):
            times = rows.times_ns[part]
            spans[month] = (int(times.min()), int(times.max()))
            if only is not None and month not in only:
                continue
            late = 0
            if np.any(times[1:] < times[:-1]):
                late = int(np.count_nonzero(times < np.maximum.accumulate(times)))
            columns = {name: values[part] for name, values in rows.columns.items()}
            chunk = Chunk(times, columns, late)
            self.chunks[log, rows.source, month].append(chunk)
            self._bytes += chunk.nbytes
        if self._bytes > self.limit_bytes:
            self._spill()
        return spans

    def _spill(self) -> None:
        self.folder.mkdir(parents=True, exist_ok=True)
        for chunks in self.chunks.values():
            for chunk in chunks:
                if chunk.in_memory:
                    chunk.spill(self.folder / f"{self._spilled}.arrow")
                    self._spilled += 1
        self._bytes = 0

    def month(
        self, log: int, source: str, month: str, *, names: Sequence[str], reach_ns: int
    ) -> tuple[NDArray[np.int64], list[Values]]:
        """Rows of a month and those at most `reach_ns` away from it."""
        low, high = month_edges(month)
        before, after = neighbours(month)
        times: list[NDArray[np.int64]] = []
        columns: list[list[Values]] = [[] for _ in names]
        for key in (before, month, after):
            for chunk in self.chunks.get((log, source, key), ()):
                stamps, values = chunk.read(names)
                if key != month:
                    near = np.flatnonzero((stamps >= low - reach_ns) & (stamps < high + reach_ns))
                    stamps, values = stamps[near], [value[near] for value in values]
                if stamps.size:
                    times.append(stamps)
                    for column, value in zip(columns, values, strict=True):
                        column.append(value)
        if len(times) == 1:
            return times[0], [column[0] for column in columns]
        if not times:
            return np.empty(0, dtype=np.int64), [np.empty(0) for _ in names]
        return np.concatenate(times), [np.concatenate(column) for column in columns]

    def instants(self, log: int, month: str) -> NDArray[np.int64]:
        """Instants of all rows of a log in a month and its neighbours, in ascending order."""
        months = (month, *neighbours(month))
        if self._instants[0] != (log, month):
            times = [
                chunk.read([])[0]
                for (number, _, key), chunks in self.chunks.items()
                if number == log and key in months
                for chunk in chunks
            ]
            self._instants = ((log, month), np.unique(np.concatenate(times)))
        return self._instants[1]

    def counts(self, log: int, source: str, month: str) -> tuple[int, int]:
        """Rows of a month, and how many of them were out of order."""
        chunks = self.chunks.get((log, source, month), ())
        return sum(chunk.rows for chunk in chunks), sum(chunk.late for chunk in chunks)

    def close(self) -> None:
        """Forget all rows and delete what is on disk."""
        self.chunks.clear()
        shutil.rmtree(self.folder, ignore_errors=True)


Progress = Callable[[int, int, str], None]


def _silent(*_: object) -> None:
    """Report no progress."""


@dataclass(slots=True, eq=False)
class Log:
    """One [[log]] of house.toml with what is known of its files."""

    number: int
    key: str
    layout: LogLayout
    reading: str
    memory: LogMemory
    files: dict[str, LogFile] = field(default_factory=dict)  # there now
    gone: dict[str, LogFile] = field(default_factory=dict)  # read once, no longer there
    read: set[str] = field(default_factory=set)  # whose rows are in the pool

    @property
    def place(self) -> str:
        """Key of house.toml, for messages."""
        return f"log[{self.number + 1}]"


class Survey:
    """All logs of a house, and the rows read from them in this import."""

    def __init__(self, schedule: Schedule, store: Store, *, progress: Progress | None) -> None:
        self.folder = schedule.folder
        self.longest_gap_years = schedule.limits.gap_years
        self.pool = Pool(store.spill_folder())
        self.threads = ThreadPoolExecutor(1)  # hashes a file while it is read
        self.progress: Progress = progress or _silent
        self.rows = 0
        self.without_rows: list[str] = []
        self.uneven: list[str] = []  # rows at no regular interval, and the grid they are kept on
        self.unfinished: list[str] = []  # whose last line waits for its end
        self.footers: list[str] = []  # lines at their end are no readings
        self.torn: list[str] = []  # lines have another number of cells
        memories = load_manifest(store)
        self.forgot = not memories  # as where the manifest was damaged
        self.logs = [
            Log(number, key, layout, reading_of(layout), memories.get(key, LogMemory()))
            for number, (layout, key) in enumerate(
                zip(schedule.logs, log_keys(schedule.logs), strict=True)
            )
        ]

    def close(self) -> None:
        """Let go of all rows."""
        self.threads.shutdown()
        self.pool.close()

    def memories(self) -> dict[str, LogMemory]:
        """What the next import shall know."""
        return {
            log.key: LogMemory(
                files={**log.gone, **log.files},
                row_periods_ns=log.memory.row_periods_ns,
                own_paces_ns=log.memory.own_paces_ns,
            )
            for log in self.logs
        }

    def read_new(self) -> None:
        """Look at every file, and read those that are new or have changed."""
        waiting = [(log, path) for log in self.logs for path in self._look(log)]
        total = sum(path.stat().st_size for _, path in waiting)
        done = 0
        for log, path in waiting:
            name = path.relative_to(self.folder).as_posix()
            self.progress(done, total, f"reading {name}")
            try:
                self._read(log, path, log.files[name])
            except NoRowsError as error:
                self._pass_over(log, name, error)
            done += path.stat().st_size
        self.progress(total, total, "all logs read")
        for log in self.logs:
            _find_gone(log)

    def read_also(self, needed: dict[int, dict[str, set[str]]]) -> None:
        """Read known files again, of which the rows of some months are needed."""
        files = [(log, name) for log in self.logs for name in sorted(needed.get(log.number, {}))]
        for done, (log, name) in enumerate(files):
            self.progress(done, len(files), f"reading {name} again")
            months = needed[log.number][name]
            for rows in read_log(self.folder / name, log.layout):
                self.pool.add(log.number, self._begun(log, rows, name), only=months)
            log.read.add(name)

    def _look(self, log: Log) -> list[Path]:
        """Fill `log.files`; give the files that must be read."""
        memory, new = log.memory, []
        paths = sorted(p for p in self.folder.glob(log.layout.files) if p.is_file())
        if not paths and not memory.files:
            raise HouseError(
                f"`{log.place}.files`: no file matches {log.layout.files!r}",
                path=self.folder / "house.toml",
                fix=f"The pattern is looked up from {self.folder}.",
            )
        if not any(old.reading == log.reading for old in memory.files.values()):
            memory.row_periods_ns.clear()
            memory.own_paces_ns.clear()
        by_content = {old.digest: old for old in memory.files.values()}
        sizes = {old.size for old in memory.files.values()}
        for path in paths:
            _refuse_link_to_other(path)
            name, state = path.relative_to(self.folder).as_posix(), _state(path)
            old = memory.files.get(name)
            same = old and all(getattr(old, key) == value for key, value in state.items())
            digest = old.digest if old and same else ""
            if not digest and state["size"] in sizes:
                digest = file_digest(path)  # else the content is new for certain
            known = by_content.get(digest)
            if known and known.reading == log.reading:
                record = replace(known, **state)
            else:
                record = LogFile(**state, digest=digest, reading=log.reading)
                new.append(path)
            log.files[name] = record
        return new

    def _read(self, log: Log, path: Path, record: LogFile) -> None:
        name = path.relative_to(self.folder).as_posix()
        digest = None if record.digest else self.threads.submit(file_digest, path)
        if unfinished_line_at(path, log.layout) is not None:
            self.unfinished.append(name)
        if lines := footer_of(path, log.layout)[1]:
            self.footers.append(f"{name} ({lines[0][:40]!r})")
        torn: list[str] = []
        for rows in read_log(path, log.layout, torn=torn):
            spans = record.spans.setdefault(rows.source, {})
            for month, (low, high) in self.pool.add(
                log.number, self._begun(log, rows, name)
            ).items():
                was = spans.get(month, (low, high))
                spans[month] = (min(low, was[0]), max(high, was[1]))
            record.rows += rows.times_ns.size
            self.rows += rows.times_ns.size
        if torn:
            self.torn.append(f"{name} ({len(torn)}, such as {torn[0][:60]!r})")
        if digest is not None:
            record.digest = digest.result()
        if any(getattr(record, key) != value for key, value in _state(path).items()):
            # Written to while it was read: the next import reads it again.
            record.digest = f"{record.digest}, being written"
            record.ctime_ns = 0
        log.read.add(name)

    def _pass_over(self, log: Log, name: str, error: NoRowsError) -> None:
        """Leave out a file without rows, unless it is the only one of its [[log]]."""
        del log.files[name]
        if not log.files and not log.memory.files:
            raise error
        self.without_rows.append(name)

    def _telling(self, log: Log, rows: Rows) -> Rows:
        """Rows that show how often the logger writes: of a large file where these are too few."""
        if log.layout.period_s is not None or find_period_ns(rows.times_ns) is not None:
            return rows
        own = log.layout.columns.get(rows.source)  # with a file for each circuit, look into its own
        of_it = [name for name in log.files if own is None or own.is_in(self.folder / name)]
        by_size = sorted(of_it, key=lambda name: -log.files[name].size)
        for name in by_size[:_LOOKED_AT]:
            for other in read_log(self.folder / name, log.layout):
                if other.source == rows.source and find_period_ns(other.times_ns) is not None:
                    return other
        return rows

    def _begun(self, log: Log, rows: Rows, name: str) -> Rows:
        """Rows with the instants at which their periods begin."""
        periods = log.memory.row_periods_ns
        if rows.source not in periods:
            telling = self._telling(log, rows)
            periods[rows.source] = _row_period_ns(log, telling, self.folder / name)
            found = find_period_ns(telling.times_ns)
            if log.layout.period_s is None and found and not has_pace(telling.times_ns, found):
                self.uneven.append(f"{name} ({periods[rows.source] / NS_PER_S:g} s)")
        _learn_own_paces(log, rows, periods[rows.source])
        _refuse_far_finer(log, periods[rows.source], self.folder / name)
        if log.layout.hold_s is None and log.layout.silence_s is None:
            _refuse_long_steps(log, rows, periods[rows.source], self.folder / name)
        _refuse_past_rolling(log, rows, self.folder / name)
        if not marks_ends(log.layout, rows.source):
            return rows
        return replace(rows, times_ns=rows.times_ns - periods[rows.source])


def _state(path: Path) -> dict[str, Any]:
    """What tells without reading it that a file is as it was."""
    stat = path.stat()
    return {
        "size": stat.st_size,
        "mtime_ns": stat.st_mtime_ns,
        "ctime_ns": stat.st_ctime_ns,
        "inode": stat.st_ino,
    }


def _row_period_ns(log: Log, rows: Rows, path: Path) -> int:
    """How often the logger writes; what cannot be inferred must be stated."""
    layout = log.layout
    column = rows.source if layout.layout == "long" else None
    stated = round((layout.period_s or 0) * NS_PER_S)
    found = find_period_ns(rows.times_ns)
    if found is None and not stated:
        raise HouseError(
            "holds fewer than two different times, so its period cannot be found",
            path=path,
            column=column,
            fix=f"State period_s in `{log.place}` of house.toml.",
        )
    if found is not None and not has_pace(rows.times_ns, found):
        own = own_paces(rows, layout, table_ns=None).values()
        if quickest := min((one.row_period_ns for one in own), default=0):
            return quickest
        spread = any(layout.columns[name].quantity == "energy" for name in rows.columns)
        quick = None if spread else uneven_pace_ns(rows.times_ns)
        if quick is None and not (stated and (layout.hold_s or layout.silence_s)):
            raise HouseError(
                "its rows have no regular interval, as where a logger writes when power changes",
                path=path,
                column=column,
                fix=f"State in `{log.place}` of house.toml: period_s, the length of a sample (such "
                "as 10), and hold_s, the longest step across which a value still holds.",
            )
        found = None if stated else quick
    # What is stated counts, unless the logger clearly writes at another pace than the grid.
    powers = all("energy" not in layout.columns[name].quantity for name in rows.columns)
    held = layout.hold_s is not None or layout.silence_s is not None
    unclear = powers and held and not _is_clear(rows.times_ns, found)
    near = found is None or unclear or stated / 2 <= found <= stated * 2
    period = stated if stated and near else found or stated
    for name in rows.columns:
        if layout.columns[name].quantity == "energy":
            _refuse_absurd(log, rows, name, period, path)
    return period


def _learn_own_paces(log: Log, rows: Rows, table_ns: int) -> None:
    """Remember the paces of columns with empty cells, unless it is stated how long values hold.

    Once files are gone it is too late: what they gave could not be made again in another way.
    """
    known = log.memory.own_paces_ns
    stated = log.layout.hold_s is not None or log.layout.silence_s is not None
    if stated or set(log.memory.files) - set(log.files):
        return
    keys = {name: own_key(log.layout, name) for name in rows.columns}
    if set(keys.values()) <= set(known):
        return
    for name, own in own_paces(rows, log.layout, table_ns=table_ns).items():
        known.setdefault(keys[name], (own.row_period_ns, own.hold_ns))


def _refuse_link_to_other(path: Path) -> None:
    """Refuse a link from the logs to what is no log by its name, before any of it is read."""
    if path.is_symlink() and path.resolve().suffix.lower() != path.suffix.lower():
        raise HouseError(
            "is a link to a file whose name is not that of such a log",
            path=path,
            fix="Take it away, or put the log itself there.",
        )


def _refuse_far_finer(log: Log, period_ns: int, path: Path) -> None:
    """Refuse samples that are far shorter than the steps between rows."""
    stated_s = log.layout.period_s
    if stated_s is not None and period_ns > FINEST * stated_s * NS_PER_S:
        every_s = period_ns / NS_PER_S
        raise HouseError(
            f"has rows {every_s:g} s apart, {every_s / stated_s:.0f} times the {stated_s:g} s that "
            "are stated",
            path=path,
            fix=f"State period_s = {every_s:g} in `{log.place}` of house.toml.",
        )


def _is_clear(times_ns: NDArray[np.int64], found_ns: int | None) -> bool:
    """Whether most steps between many rows are of a period, so that it counts for what is stated.

    Else how long a last row lasts would depend on which file is read first.
    """
    steps = np.diff(np.unique(times_ns))
    if found_ns is None or steps.size < FEW_STEPS:
        return False
    return bool(np.mean(np.abs(steps - found_ns) <= PACE_OFF * found_ns) >= 0.5)


def _refuse_long_steps(log: Log, rows: Rows, period_ns: int, path: Path) -> None:
    """Refuse to leave out much of the time unasked: it may be the time in which little is used."""
    quantities = {log.layout.columns[name].quantity for name in rows.columns}
    if "energy" in quantities:
        hold_ns, share = period_ns * 3 // 2, LONG_ENERGY_SHARE
        why = "a row is written for each watt-hour"
    else:
        hold_ns, share = default_hold_ns(period_ns), LONG_SHARE
        why = "a logger writes less often while little changes"
    if not long_steps_recur(rows.times_ns, hold_ns, share=share):
        return
    seconds = hold_ns / NS_PER_S
    raise HouseError(
        f"more than {share:.0%} of its time lies between rows more than {seconds:g} s apart, as "
        f"where {why}",
        path=path,
        column=rows.source if log.layout.layout == "long" else None,
        fix=f"State hold_s in `{log.place}` of house.toml: the longest step across which a value "
        f"still holds, or the energy of a row is spread. hold_s = {seconds:g} leaves longer "
        "steps missing.",
    )


def _refuse_absurd(log: Log, rows: Rows, name: str, period_ns: int, path: Path) -> None:
    """Refuse the readings of a counter that house.toml takes for the energy of each row."""
    energy = np.abs(rows.columns[name])
    used = energy[energy > 0]
    usual_w = float(np.median(used)) * S_PER_H * NS_PER_S / period_ns if used.size else 0.0
    if usual_w > ABSURD_W:
        raise HouseError(
            f"as the energy of each row's period its readings mean {usual_w / 1000:,.0f} kW",
            path=path,
            column=log.layout.columns[name].names[0],
            fix='Are they those of a counter? Then state quantity = "energy_counter" for '
            f"{name!r} in `{log.place}` of house.toml. Else check its unit.",
        )


def _refuse_past_rolling(log: Log, rows: Rows, path: Path) -> None:
    """Refuse a counter that passes the reading at which it is said to begin again."""
    for name, values in rows.columns.items():
        column = log.layout.columns[name]
        if column.rolls_over_at is None:
            continue
        highest = float(np.max(values, initial=0.0, where=~np.isnan(values)))
        highest /= scale_of(column.unit)
        if highest > column.rolls_over_at:
            raise HouseError(
                f"reads {highest:g} {column.unit}, above rolls_over_at = {column.rolls_over_at:g}",
                path=path,
                column=column.names[0],
                fix=f"Correct rolls_over_at of {name!r} in `{log.place}` of house.toml.",
            )


def marks_ends(layout: LogLayout, source: str) -> bool:
    """Whether rows are stamped with the end of what they tell of (a counter never is)."""
    if source in layout.columns:  # a long log, or one with a file for each circuit
        counter = layout.columns[source].quantity == "energy_counter"
    else:
        counter = source == COUNTERS
    return layout.time_marks == "end" and not counter


def plain_name(name: str) -> str:
    """Name of a file, of which an earlier content is remembered as name@digest."""
    return re.sub("@[0-9a-f]{8}$", "", name)


def _find_gone(log: Log) -> None:
    """Remember files that are no longer there, or no longer hold the rows they held.

    A file that was packed is there under its name with .gz.
    """
    present = {record.digest for record in log.files.values()}
    for name, old in log.memory.files.items():
        if old.digest in present:
            continue
        plain = plain_name(name)
        now = log.files.get(plain) or log.files.get(f"{plain}.gz")
        if now is None:
            log.gone[name] = old
        elif now.reading == old.reading and not _covers(now, old):
            log.gone[f"{plain}@{old.digest[:8]}"] = old


def _covers(now: LogFile, old: LogFile) -> bool:
    for source, months in old.spans.items():
        for month, (low, high) in months.items():
            here = now.spans.get(source, {}).get(month)
            if here is None or here[0] > low or here[1] < high:
                return False
    return True
