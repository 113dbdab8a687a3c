"""Fill the store of a house from its logs.

Everything is read and checked before anything is written, so an error leaves the store as it was.
A month's file depends only on the logs with rows in or near that month and on their layout; it
carries a signature of these, so an import that is cut short can be run again and an import with
nothing new writes nothing. Where a log of a month is no longer there, the month keeps what it gave.
"""

from __future__ import annotations

import warnings
from collections import defaultdict
from collections.abc import Collection, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import nullcontext, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
from numpy.typing import NDArray

from homeenergy.errors import HouseError, HouseWarning
from homeenergy.house.layouts import LogLayout
from homeenergy.house.log_columns import scale_of
from homeenergy.house.schedule import Schedule, other_units
from homeenergy.house.toml_file import read_schedule
from homeenergy.readings.logs.rows import (
    DIFFERS,
    ROUNDED,
    Grid,
    Merge,
    Values,
    carry_through,
)
from homeenergy.readings.store.as_left import as_left, logs_state, note_as_left
from homeenergy.readings.store.grid import Column, Gridded, grid_columns
from homeenergy.readings.store.places import refuse_stray_dates
from homeenergy.readings.store.plan import Feed, Month, Plan, files_to_read_again, make_plan
from homeenergy.readings.store.store import (
    MonthInfo,
    Store,
    month_slots,
    save_manifest,
)
from homeenergy.readings.store.survey import Progress, Survey, plain_name

_THREADS = 2
_TOGETHER_VALUES = 4_000_000  # values gridded in one go: bounds the memory


@dataclass(frozen=True, slots=True, kw_only=True)
class ImportReport:
    """What an import has done.

    `written`, `unchanged`, `removed`, `mended` and `lost` hold (circuit, month) pairs: `mended`
    months were damaged and made again, `lost` ones cannot be, since their logs are gone. `rows`
    counts the rows of new files, in a long log those of the circuits of the house.
    `files_read_again` counts known files of which rows were needed once more. `without_rows` names
    files that hold none, `unfinished` those whose last line is still being written, `footers` those
    that end with lines that are no readings, `torn` those of which lines have too few or too many
    cells, `uneven` those with rows at no regular interval and
    the grid on which they are kept, and `gone` those that are no longer there, or no longer hold
    all their rows, whose readings stay.
    """

    files_read: int
    files_known: int
    rows: int
    written: tuple[tuple[str, str], ...]
    unchanged: tuple[tuple[str, str], ...]
    removed: tuple[tuple[str, str], ...] = ()
    files_read_again: int = 0
    without_rows: tuple[str, ...] = ()
    unfinished: tuple[str, ...] = ()
    footers: tuple[str, ...] = ()
    torn: tuple[str, ...] = ()
    uneven: tuple[str, ...] = ()
    gone: tuple[str, ...] = ()
    mended: tuple[tuple[str, str], ...] = ()
    lost: tuple[tuple[str, str], ...] = ()

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
        if not self.written:
            return self._with_remarks(
                f"Nothing new: {_count(self.files_known, 'log file')}, "
                f"{_count(circuits, 'circuit')}, all {_count(len(self.unchanged), 'month file')} "
                "up to date."
            )
        read = f"{_count(self.files_read, 'log file')} with {_count(self.rows, 'row')}"
        again = f"{_count(self.files_read_again, 'log file')} again"
        what = [read] * bool(self.files_read) + [again] * bool(self.files_read_again)
        text = (
            f"Read {' and '.join(what) or 'no log file'}; wrote "
            f"{_count(len(self.written), 'month file')} for {_count(circuits, 'circuit')}"
        )
        kept = f", {len(self.unchanged)} were up to date" if self.unchanged else ""
        return self._with_remarks(f"{text}{kept}.")

    def _with_remarks(self, text: str) -> str:
        remarks = {
            "Without rows, and left out": self.without_rows,
            "Still being written, so its last line waits": self.unfinished,
            "Lines at the end that are no readings, and are left out": self.footers,
            "Too few or too many cells, or the head again, passed over": self.torn,
            "Rows at no regular interval, kept as means": self.uneven,
            "No longer there, or no longer whole; the readings stay": self.gone,
            "Damaged, and made again": [f"{c} {month}" for c, month in self.mended],
            "Damaged, and the logs to make it again are gone": [f"{c} {m}" for c, m in self.lost],
        }
        for remark, names in remarks.items():
            if names:
                more = f" and {len(names) - 5} more" if len(names) > 5 else ""
                text += f" {remark}: {', '.join(names[:5])}{more}."
        return text

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
    folder: str | Path,
    *,
    progress: Progress | None = None,
    rebuild: bool = False,
    verify: bool = False,
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
    verify : bool
        Read every month of the store and compare its checksums; one that is damaged is made again
        from its logs. Without it, what is damaged is noticed where it is read.

    Returns
    -------
    ImportReport

    Raises
    ------
    HouseError
        Naming file, line and column; the store is then as it was before.

    Notes
    -----
    Time O(rows); where neither logs nor store have changed, that of looking at their sizes and
    times. Memory: rows beyond 300 MB wait on disk in the store's folder until their month
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
        state = logs_state(schedule)
        if not rebuild and not verify and (left := as_left(store, state)) is not None:
            files, months = left
            return ImportReport(
                files_read=0, files_known=files, rows=0, written=(), unchanged=months
            )
        damaged = _damaged(schedule, store, progress) if verify else set()
        report = _import(schedule, store, progress=progress, rebuild=rebuild, damaged=damaged)
        told = (
            report.without_rows,
            report.unfinished,
            report.footers,
            report.torn,
            report.gone,
            report.lost,
        )
        if state is not None and not any(told):
            up_to_date = sorted({*report.unchanged, *report.written})
            note_as_left(store, state, files_known=report.files_known, months=up_to_date)
        return report


def _damaged(schedule: Schedule, store: Store, progress: Progress | None) -> set[tuple[str, str]]:
    names = [*(circuit.name for circuit in schedule.circuits), *other_units(schedule.logs)]
    months = [(name, month) for name in names for month in store.months(name)]
    found = set()
    with ThreadPoolExecutor(min(_THREADS, pa.cpu_count())) as threads:
        sound = threads.map(lambda one: store.is_sound(*one), months)
        for done, (one, good) in enumerate(zip(months, sound, strict=True)):
            if progress is not None:
                progress(done, len(months), "verifying the store")
            if not good:
                found.add(one)
    return found


def mending_store(folder: Path) -> Store:
    """Store of a house, in which a month that is damaged is made again when it is read."""

    def mend(circuit: str, month: str) -> None:
        schedule = read_schedule(folder)
        store = Store(folder / "store")
        with store.alone():
            report = _import(schedule, store, damaged={(circuit, month)})
        if (circuit, month) in report.mended:
            warnings.warn(
                f"{store.path(circuit, month)} was damaged; it was made again from its logs",
                HouseWarning,
                stacklevel=2,
            )

    return Store(folder / "store", mend=mend)


def _import(schedule: Schedule, store: Store, **how: Any) -> ImportReport:
    """Import, and once more where a log was packed or replaced after it was found."""
    try:
        return _import_once(schedule, store, **how)
    except FileNotFoundError:
        return _import_once(schedule, store, **how)


def _import_once(
    schedule: Schedule,
    store: Store,
    *,
    progress: Progress | None = None,
    rebuild: bool = False,
    damaged: Collection[tuple[str, str]] = (),
) -> ImportReport:
    store.sweep()
    survey = Survey(schedule, store, progress=progress)
    try:
        survey.read_new()
        refuse_stray_dates(survey)
        files_read = sum(len(log.read) for log in survey.logs)
        plan = make_plan(survey, store, rebuild=rebuild, damaged=damaged)
        if rebuild:
            _forget_rewritten(plan, survey)
        survey.read_also(files_to_read_again(plan))
        with nullcontext() if plan.write else suppress(OSError):  # the folder may be read-only
            save_manifest(store, survey.memories())
        _write(survey, plan, store)
    finally:
        survey.close()
    return ImportReport(
        files_read=files_read,
        files_known=sum(len(log.files) for log in survey.logs),
        rows=survey.rows,
        written=tuple((c, month) for month in sorted(plan.write) for c in plan.write[month]),
        unchanged=tuple(sorted(plan.unchanged)),
        removed=tuple(plan.stale),
        files_read_again=sum(len(log.read) for log in survey.logs) - files_read,
        without_rows=tuple(survey.without_rows),
        unfinished=tuple(survey.unfinished),
        footers=tuple(survey.footers),
        torn=tuple(survey.torn),
        uneven=tuple(survey.uneven),
        gone=tuple(sorted({plain_name(name) for log in survey.logs for name in log.gone})),
        mended=tuple(plan.mended),
        lost=tuple(plan.lost),
    )


def _forget_rewritten(plan: Plan, survey: Survey) -> None:
    """Forget what files that are gone gave to months that are made without them."""
    made = {
        (feed.log.number, feed.source, month)
        for month, circuits in plan.write.items()
        for circuit in circuits
        for feed in plan.feeds[circuit]
    }
    for log in survey.logs:
        for name, record in list(log.gone.items()):
            spans = {
                source: {
                    m: span for m, span in months.items() if (log.number, source, m) not in made
                }
                for source, months in record.spans.items()
            }
            if spans == record.spans:
                continue
            # Another digest: the file, if it comes back, has to be read again.
            log.gone[name] = replace(record, spans=spans, digest=f"{record.digest}, in part")
            if not any(spans.values()):
                del log.gone[name]


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
                        wanted = plan.write[month][circuit]
                        paces = {other.grid.row_period_ns for other in plan.feeds[circuit]}
                        same_pace = len(paces) == 1
                        ready.append((wanted, feed.grid, same_pace, waiting.pop(circuit)))
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
            grid = feed.grid
            key = (feed.log.number, feed.source, grid.period_ns, grid.row_period_ns, grid.hold_ns)
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
    times = times - feed.late_ns if feed.late_ns else times
    there = [~np.isnan(value) for value in values]
    if _empty_is_news(log.layout):
        whole = list(range(len(values)))
    else:
        whole = [at for at, known in enumerate(there) if known.all()]
    out: dict[int, Gridded] = {}
    if whole:
        own = _gridded(survey, feed, month, times, {circuits[at]: values[at] for at in whole})
        out = dict(zip(whole, own, strict=True))
    for at, known in enumerate(there):
        if at not in out:  # an empty cell is a row that this column does not have
            column = {circuits[at]: values[at][known]}
            (out[at],) = _gridded(survey, feed, month, times[known], column)
    rows, late = pool.counts(log.number, feed.source, month)
    return [(out[at], rows, late) for at in range(len(values))]


def _empty_is_news(layout: LogLayout) -> bool:
    """Whether a row without a value says that it is not known from then on.

    So it is where each row tells of one circuit, in a log whose values hold for long.
    """
    held = layout.hold_s is not None or layout.silence_s is not None
    return held and (layout.layout == "long" or len(layout.columns) == 1)


def _gridded(
    survey: Survey,
    feed: Feed,
    month: str,
    times: NDArray[np.int64],
    readings: dict[str, Values],
) -> list[Gridded]:
    """Bring readings of circuits that share their instants on to the grid of a month."""
    log, grid, values = feed.log, feed.grid, list(readings.values())
    if feed.silence_ns is not None:
        times, values = carry_through(
            times,
            values,
            logged_ns=survey.pool.instants(log.number, month),
            silence_ns=feed.silence_ns,
            row_period_ns=grid.row_period_ns,
        )
    columns = []
    for circuit, value in zip(readings, values, strict=True):
        column = log.layout.columns[circuit]
        quantity: Merge = "power"
        if column.quantity in ("energy", "energy_counter"):
            quantity = column.quantity
        rolls = column.rolls_over_at
        rolls = None if rolls is None else rolls * scale_of(column.unit)
        columns.append(Column(logged=value, quantity=quantity, rolls_over_at=rolls))
    first, stop = month_slots(month, grid.period_ns)
    if times.size:  # a month just begun holds only so many slots
        stop = min(stop, (int(times.max()) + grid.row_period_ns) // grid.period_ns + 2)
        first = max(first, int(times.min()) // grid.period_ns - 1)
    return grid_columns(times, columns, grid=grid, between=(first, max(first, stop)))


def _write_month(
    store: Store,
    wanted: Month,
    grid: Grid,
    same_pace: bool,
    parts: list[tuple[Gridded, int, int]],
) -> None:
    period_ns = grid.period_ns
    whole = parts[0][0]
    conflicts = 0
    for other, _, _ in parts[1:]:
        conflicts += _differing(whole, other) if same_pace else 0
        whole = _filled(whole, other)
    kept = 0
    if wanted.keep:
        whole, kept = _with_kept(whole, wanted, store, period_ns)
    there = ~np.isnan(whole.watts)
    first = int(np.argmax(there)) if there.any() else 0
    stop = whole.watts.size - int(np.argmax(there[::-1])) if there.any() else 0
    info = MonthInfo(
        circuit=wanted.circuit,
        month=wanted.month,
        first_slot=whole.first_slot + first,
        samples=stop - first,
        period_ns=period_ns,
        signature=wanted.signature,
        made_as=wanted.made_as,
        rows=sum(rows for _, rows, _ in parts) + kept,
        out_of_order=sum(late for _, _, late in parts),
        repeats=sum(part.repeats for part, _, _ in parts),
        conflicts=sum(part.conflicts for part, _, _ in parts) + conflicts,
        resets=sum(part.resets for part, _, _ in parts),
        rejected=sum(part.rejected for part, _, _ in parts),
        missed_wh=sum(part.missed_wh for part, _, _ in parts),
    )
    store.write(info, whole.watts[first:stop])


def _with_kept(whole: Gridded, wanted: Month, store: Store, period_ns: int) -> tuple[Gridded, int]:
    """Take from the month's file what only logs that are gone gave; also count it in samples.

    The first and the last sample of a stretch lack the rows of the log next to it, so where the
    file has them they come from there.
    """
    info = store.info(wanted.circuit, wanted.month)
    if info is None or info.period_ns != period_ns:
        return whole, 0
    stored = np.empty(info.samples, dtype=np.float32)
    store.read_into(info, stored)
    slots = info.first_slot + np.arange(info.samples)
    mine = np.zeros(info.samples, dtype=bool)
    for low, high in wanted.keep:
        mine |= (slots >= low // period_ns) & (slots <= high // period_ns)
    stored[~mine] = np.nan
    there = np.pad(~np.isnan(whole.watts), 1)
    edge = there[1:-1] & ~(there[:-2] & there[2:])
    at = whole.first_slot + np.flatnonzero(edge) - info.first_slot
    at = at[(at >= 0) & (at < info.samples)]
    at = at[~np.isnan(stored[at])]
    watts = whole.watts.copy()
    watts[info.first_slot + at - whole.first_slot] = np.nan
    missing = int(np.count_nonzero(~np.isnan(watts)))
    filled = _filled(
        replace(whole, watts=watts), replace(whole, first_slot=info.first_slot, watts=stored)
    )
    return filled, int(np.count_nonzero(~np.isnan(filled.watts))) - missing


def _differing(one: Gridded, other: Gridded) -> int:
    """In how many slots two logs of a circuit give different values.

    Own rule: one is neither between the other's values of the slot and those next to it, since
    clocks may differ by less than a slot, nor within the tolerance of `rows.conflicting`.
    """
    first = max(one.first_slot, other.first_slot)
    stop = min(part.first_slot + part.watts.size for part in (one, other))
    if stop - first < 3:
        return 0
    a, b = (
        part.watts[first - part.first_slot : stop - part.first_slot].astype(np.float64)
        for part in (one, other)
    )
    around = np.lib.stride_tricks.sliding_window_view(b, 3)
    size = np.maximum(np.abs(a[1:-1]), np.abs(b[1:-1]))
    slack = np.maximum(ROUNDED, DIFFERS * size)  # a comparison with NaN is false
    off = (a[1:-1] > around.max(axis=1) + slack) | (a[1:-1] < around.min(axis=1) - slack)
    return int(np.count_nonzero(off))


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
