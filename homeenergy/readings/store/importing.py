"""Fill the store of a house from its logs.

Everything is read and checked before anything is written, so an error leaves the store as it was.
A month's file depends only on the logs with rows in or near that month and on their layout; it
carries a signature of these, so an import that is cut short can be run again and an import with
nothing new writes nothing.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa

from homeenergy.errors import HouseError
from homeenergy.house.schedule import Schedule
from homeenergy.house.toml_file import read_schedule
from homeenergy.readings.logs.read import source_of
from homeenergy.readings.logs.rows import Grid, Merge, carry_through, make_grid
from homeenergy.readings.store.grid import Column, Gridded, grid_columns
from homeenergy.readings.store.store import (
    FORMAT,
    LogFile,
    MonthInfo,
    Store,
    month_edges,
    month_slots,
    neighbours,
    save_manifest,
    short_hash,
)
from homeenergy.readings.store.survey import Log, Progress, Survey, marks_ends
from homeenergy.units import NS_PER_S


@dataclass(frozen=True, slots=True, eq=False)
class Feed:
    """Where readings of a circuit come from: a log, a source in it, and the grid they go to."""

    log: Log
    source: str
    grid: Grid


@dataclass(slots=True, eq=False)
class Plan:
    """What an import has to do."""

    feeds: dict[str, list[Feed]]
    write: dict[str, dict[str, str]] = field(default_factory=dict)  # month -> circuit -> signature
    unchanged: list[tuple[str, str]] = field(default_factory=list)
    stale: list[tuple[str, str]] = field(default_factory=list)


def make_plan(survey: Survey, store: Store, *, rebuild: bool) -> Plan:
    """Compare what each month depends on with what its file in the store was made from.

    Raises
    ------
    HouseError
        If a month would have to be written without a log file that once gave part of it.
    """
    plan = Plan(feeds=_feeds(survey))
    inputs: dict[tuple[int, str, int, str], list[str]] = {}
    for circuit, feeds in plan.feeds.items():
        _refuse_silent(circuit, feeds, survey)
    for circuit, feeds in plan.feeds.items():
        months = {
            month
            for feed in feeds
            for record in feed.log.files.values()
            for month in record.spans.get(feed.source, ())
        }
        months |= {
            month
            for feed in feeds
            if feed.log.layout.silence_s is not None  # the value of the month before holds on
            for record in feed.log.files.values()
            for spans in record.spans.values()
            for month in spans
            if neighbours(month)[0] in months
        }
        for month in sorted(months):
            parts = []
            for feed in feeds:
                key = (feed.log.number, feed.source, feed.grid.reach_ns, month)
                if key not in inputs:
                    inputs[key] = sorted(
                        record.digest
                        for record in feed.log.files.values()
                        if touches(record, feed, month)
                    )
                column = asdict(feed.log.layout.columns[circuit])
                parts.append([feed.log.reading, column, asdict(feed.grid), inputs[key]])
            signature = short_hash([FORMAT, circuit, month, parts])
            info = None if rebuild else store.info(circuit, month)
            if info is not None and info.signature == signature:
                plan.unchanged.append((circuit, month))
                continue
            if not rebuild:
                _refuse_loss(circuit, month, feeds, survey)
            plan.write.setdefault(month, {})[circuit] = signature
        plan.stale += [(circuit, month) for month in _stale(feeds, months)]
    return plan


def _feeds(survey: Survey) -> dict[str, list[Feed]]:
    feeds: dict[str, list[Feed]] = {}
    for log in survey.logs:
        for circuit in log.layout.columns:
            source = source_of(log.layout, circuit)
            row_period = log.memory.row_periods_ns.get(source)
            if row_period is None:  # no file holds a row of it
                row_period = round((log.layout.period_s or 1.0) * 1e9)
            grid = make_grid(
                row_period,
                period_s=log.layout.period_s,
                hold_s=log.layout.hold_s,
                ends=marks_ends(log.layout, source),
                on_change=log.layout.silence_s is not None,
            )
            earlier = feeds.setdefault(circuit, [])
            if earlier:  # one circuit has one period: that of the first log that has it
                grid = replace(grid, period_ns=earlier[0].grid.period_ns)
            earlier.append(Feed(log, source, grid))
    return feeds


def _refuse_silent(circuit: str, feeds: list[Feed], survey: Survey) -> None:
    for feed in feeds:
        records = [*feed.log.files.values(), *feed.log.gone.values()]
        if feed.log.layout.layout == "long" and not any(feed.source in r.spans for r in records):
            name = feed.log.layout.columns[circuit].names[0]
            raise HouseError(
                f"`{feed.log.place}.columns.{circuit}`: no row of {feed.log.layout.files} has "
                f"{name!r} in column {feed.log.layout.circuit_column!r}",
                path=survey.folder / "house.toml",
                fix="`homeenergy describe FILE` lists the names that a log contains.",
            )


def touches(record: LogFile, feed: Feed, month: str) -> bool:
    """Whether a file has rows that matter for a month."""
    low, high = month_edges(month)
    reach = feed.grid.reach_ns
    before, after = neighbours(month)
    own = [record.spans.get(feed.source, {})]
    # Where rows come on change, those of other circuits show that the log went on.
    listed = own if feed.log.layout.silence_s is None else record.spans.values()
    return any(
        month in spans
        or (before in spans and spans[before][1] >= low - reach)
        or (after in spans and spans[after][0] < high + reach)
        for spans in listed
    )


def _refuse_loss(circuit: str, month: str, feeds: list[Feed], survey: Survey) -> None:
    for feed in feeds:
        for name, record in feed.log.gone.items():
            if any(month in months for months in record.spans.values()):
                plain, _, changed = name.partition("@")
                what = "no longer holds all the rows it held" if changed else "is no longer there"
                raise HouseError(
                    f"{what}, and {month} of circuit {circuit!r} has to be made again because "
                    "other logs of that month, or its layout, have changed",
                    path=survey.folder / plain,
                    fix="Put the earlier file back (under any name that the pattern matches), or "
                    "import with rebuild to make such months from the files that are there.",
                )


def _stale(feeds: list[Feed], months: set[str]) -> list[str]:
    """Months that files still there once gave, read another way, and no longer give."""
    once: set[str] = set()
    gone: set[str] = set()
    for feed in feeds:
        present = {record.digest for record in feed.log.files.values()}
        for old in feed.log.memory.files.values():
            if old.digest in present:
                once.update(*old.spans.values())
        for record in feed.log.gone.values():
            gone.update(*record.spans.values())
    return sorted(once - months - gone)


def files_to_read_again(plan: Plan) -> dict[int, dict[str, set[str]]]:
    """Known files whose rows are needed for the months to be written: log -> file -> months."""
    needed: dict[int, dict[str, set[str]]] = {}
    for month, circuits in plan.write.items():
        done = set()
        for feed in (feed for circuit in circuits for feed in plan.feeds[circuit]):
            if (feed.log.number, feed.source, feed.grid.reach_ns) in done:
                continue
            done.add((feed.log.number, feed.source, feed.grid.reach_ns))
            for name, record in feed.log.files.items():
                if name not in feed.log.read and touches(record, feed, month):
                    months = needed.setdefault(feed.log.number, {}).setdefault(name, set())
                    months.update((month, *neighbours(month)))
    return needed


_THREADS = 2
_TOGETHER_VALUES = 4_000_000  # values gridded in one go: bounds the memory


@dataclass(frozen=True, slots=True, kw_only=True)
class ImportReport:
    """What an import has done.

    `written`, `unchanged` and `removed` hold (circuit, month) pairs; `rows` counts the rows of
    new files, in a long log those of the circuits of the house. `files_read_again` counts known
    files of which rows were needed once more; `without_rows` names files that hold none.
    """

    files_read: int
    files_known: int
    rows: int
    written: tuple[tuple[str, str], ...]
    unchanged: tuple[tuple[str, str], ...]
    removed: tuple[tuple[str, str], ...] = ()
    files_read_again: int = 0
    without_rows: tuple[str, ...] = ()

    @property
    def months_written(self) -> int:
        """Number of months of circuits that were written."""
        return len(self.written)

    @property
    def months_unchanged(self) -> int:
        """Number of months of circuits that were up to date."""
        return len(self.unchanged)

    def __str__(self) -> str:
        circuits = len({circuit for circuit, _ in (*self.written, *self.unchanged)})
        empty = ""
        if self.without_rows:
            listed = ", ".join(self.without_rows[:5]) + ", ..." * (len(self.without_rows) > 5)
            empty = f" Without rows, and left out: {listed}."
        if not self.written:
            return (
                f"Nothing new: {_count(self.files_known, 'log file')}, "
                f"{_count(circuits, 'circuit')}, all {_count(len(self.unchanged), 'month file')} "
                f"up to date.{empty}"
            )
        read = f"{_count(self.files_read, 'log file')} with {_count(self.rows, 'row')}"
        again = f"{_count(self.files_read_again, 'log file')} again"
        what = [read] * bool(self.files_read) + [again] * bool(self.files_read_again)
        text = (
            f"Read {' and '.join(what) or 'no log file'}; wrote "
            f"{_count(len(self.written), 'month file')} for {_count(circuits, 'circuit')}"
        )
        kept = f", {len(self.unchanged)} were up to date" if self.unchanged else ""
        return f"{text}{kept}.{empty}"

    def to_frame(self) -> pd.DataFrame:
        """One row for each month of a circuit, and what was done with it."""
        rows = [
            {"circuit": circuit, "month": month, "done": done}
            for done in ("written", "unchanged", "removed")
            for circuit, month in getattr(self, done)
        ]
        frame = pd.DataFrame(rows, columns=["circuit", "month", "done"])
        return frame.sort_values(["circuit", "month"], ignore_index=True)


def _count(number: int, what: str) -> str:
    return f"{number:,} {what}{'' if number == 1 else 's'}"


def import_logs(
    folder: str | Path, *, progress: Progress | None = None, rebuild: bool = False
) -> ImportReport:
    """Bring the store of a house up to date with its logs.

    Parameters
    ----------
    folder : path
        The house's folder.
    progress : callable, optional
        Called as ``progress(done, total, text)``; `total` may change when the work goes on to
        its next part (reading [bytes or files], then writing [months of circuits]).
    rebuild : bool
        Write every month again from the logs that are there, even where it looks up to date.
        Months whose logs are all gone are kept.

    Returns
    -------
    ImportReport

    Raises
    ------
    HouseError
        Naming file, line and column; the store is then as it was before.

    Notes
    -----
    Time O(rows). Memory: rows beyond 300 MB wait on disk in the store's folder until their month
    is written; a file above 64 MB is parsed in pieces.
    """
    schedule = read_schedule(folder)
    if not schedule.logs:
        raise HouseError(
            "`log` is missing: house.toml does not describe the logs",
            path=schedule.folder / "house.toml",
            fix="`homeenergy describe FILE` prints the [[log]] block for a log file.",
        )
    store = Store(schedule.folder / "store")
    with store.alone():
        return _import(schedule, store, progress=progress, rebuild=rebuild)


def _import(
    schedule: Schedule, store: Store, *, progress: Progress | None, rebuild: bool
) -> ImportReport:
    store.sweep()
    survey = Survey(schedule, store, progress=progress)
    try:
        survey.read_new()
        files_read = sum(len(log.read) for log in survey.logs)
        plan = make_plan(survey, store, rebuild=rebuild)
        survey.read_also(files_to_read_again(plan))
        save_manifest(store, survey.memories())
        _write(survey, plan, store)
    finally:
        survey.close()
    return ImportReport(
        files_read=files_read,
        files_known=sum(len(log.files) for log in survey.logs),
        rows=survey.rows,
        written=tuple((c, month) for month in sorted(plan.write) for c in plan.write[month]),
        unchanged=tuple(plan.unchanged),
        removed=tuple(plan.stale),
        files_read_again=sum(len(log.read) for log in survey.logs) - files_read,
        without_rows=tuple(survey.without_rows),
    )


def _write(survey: Survey, plan: Plan, store: Store) -> None:
    total = sum(len(circuits) for circuits in plan.write.values())
    done = 0
    with ThreadPoolExecutor(min(_THREADS, pa.cpu_count())) as threads:
        for month in sorted(plan.write):
            waiting: dict[str, list[tuple[Gridded, int, int]]] = defaultdict(list)
            for feed, circuits in _groups(survey, plan, month):
                survey.progress(done, total, f"writing {month}")
                out = _grid(survey, feed, circuits, month)
                ready = []
                for circuit, part in zip(circuits, out, strict=True):
                    waiting[circuit].append(part)
                    if len(waiting[circuit]) == len(plan.feeds[circuit]):
                        signature = plan.write[month][circuit]
                        period = feed.grid.period_ns
                        ready.append((circuit, month, signature, period, waiting.pop(circuit)))
                for _ in threads.map(lambda one: _write_month(store, *one), ready):
                    done += 1
    for circuit, month in plan.stale:
        store.remove(circuit, month)
    survey.progress(total, total, "store up to date")


def _groups(survey: Survey, plan: Plan, month: str) -> Iterator[tuple[Feed, list[str]]]:
    """Circuits that share a feed, so that the work on time is done once."""
    groups: dict[tuple[object, ...], tuple[Feed, list[str]]] = {}
    for circuit in plan.write[month]:
        for feed in plan.feeds[circuit]:
            key = (feed.log.number, feed.source, feed.grid.period_ns)
            groups.setdefault(key, (feed, []))[1].append(circuit)
    for feed, circuits in groups.values():
        rows, _ = survey.pool.counts(feed.log.number, feed.source, month)
        size = max(1, _TOGETHER_VALUES // max(rows, 1))
        for at in range(0, len(circuits), size):
            yield feed, circuits[at : at + size]


def _grid(
    survey: Survey, feed: Feed, circuits: list[str], month: str
) -> list[tuple[Gridded, int, int]]:
    pool, log = survey.pool, feed.log
    times, values = pool.month(
        log.number, feed.source, month, names=circuits, reach_ns=feed.grid.reach_ns
    )
    if log.layout.silence_s is not None:
        times, values = carry_through(
            times,
            values,
            logged_ns=pool.instants(log.number, month),
            silence_ns=round(log.layout.silence_s * NS_PER_S),
            row_period_ns=feed.grid.row_period_ns,
        )
    columns = []
    for circuit, value in zip(circuits, values, strict=True):
        column = log.layout.columns[circuit]
        quantity: Merge = "power"
        if column.quantity in ("energy", "energy_counter"):
            quantity = column.quantity
        scale = 1000.0 if column.unit.startswith("k") else 1.0
        rolls = None if column.rolls_over_at is None else column.rolls_over_at * scale
        columns.append(Column(logged=value, quantity=quantity, rolls_over_at=rolls))
    first, stop = month_slots(month, feed.grid.period_ns)
    if times.size:  # a month just begun holds only so many slots
        stop = min(stop, (int(times.max()) + feed.grid.row_period_ns) // feed.grid.period_ns + 2)
        first = max(first, int(times.min()) // feed.grid.period_ns - 1)
    between = (first, max(first, stop))
    rows, late = pool.counts(log.number, feed.source, month)
    out = grid_columns(times, columns, grid=feed.grid, between=between)
    return [(gridded, rows, late) for gridded in out]


def _write_month(
    store: Store,
    circuit: str,
    month: str,
    signature: str,
    period_ns: int,
    parts: list[tuple[Gridded, int, int]],
) -> None:
    whole = parts[0][0]
    for other, _, _ in parts[1:]:
        whole = _filled(whole, other)
    there = ~np.isnan(whole.watts)
    first = int(np.argmax(there)) if there.any() else 0
    stop = whole.watts.size - int(np.argmax(there[::-1])) if there.any() else 0
    info = MonthInfo(
        circuit=circuit,
        month=month,
        first_slot=whole.first_slot + first,
        samples=stop - first,
        period_ns=period_ns,
        signature=signature,
        rows=sum(rows for _, rows, _ in parts),
        out_of_order=sum(late for _, _, late in parts),
        repeats=sum(part.repeats for part, _, _ in parts),
        resets=sum(part.resets for part, _, _ in parts),
        rejected=sum(part.rejected for part, _, _ in parts),
    )
    store.write(info, whole.watts[first:stop])


def _filled(one: Gridded, other: Gridded) -> Gridded:
    """Fill the missing slots of one log from another."""
    first = min(one.first_slot, other.first_slot)
    stop = max(part.first_slot + part.watts.size for part in (one, other))
    watts = np.full(stop - first, np.nan, dtype=np.float32)
    for part in (other, one):
        at = part.first_slot - first
        here = watts[at : at + part.watts.size]
        np.copyto(here, part.watts, where=~np.isnan(part.watts))
    return replace(one, first_slot=first, watts=watts)
