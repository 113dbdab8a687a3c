"""What an import has to do: months whose logs or layout changed, and what stays of each."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import asdict, dataclass, field, replace

from homeenergy.errors import HouseError
from homeenergy.house.sources import RECORDED
from homeenergy.readings.logs.own_pace import OwnPace
from homeenergy.readings.logs.read import source_of
from homeenergy.readings.logs.rows import LONGEST_QUIET_NS, Grid, default_hold_ns, make_grid
from homeenergy.readings.store.store import (
    FORMAT,
    LogFile,
    MonthInfo,
    Store,
    month_edges,
    neighbours,
    own_key,
    short_hash,
)
from homeenergy.readings.store.survey import Log, Survey, marks_ends, plain_name
from homeenergy.units import NS_PER_S


@dataclass(frozen=True, slots=True, eq=False)
class Feed:
    """Where readings of a circuit come from: a log, a source in it, and the grid they go to.

    With `silence_ns` they come on change, and hold until a longer step between any rows of the log.
    `late_ns` is how much earlier than noted its rows begin, where their stamps mark ends.
    """

    log: Log
    source: str
    grid: Grid
    silence_ns: int | None = None
    late_ns: int = 0


Span = tuple[int, int]  # instants of the first and the last row [ns]


@dataclass(frozen=True, slots=True, eq=False)
class Month:
    """A month of a circuit that is to be written: its signatures, and what stays of its file."""

    circuit: str
    month: str
    signature: str
    made_as: str
    keep: tuple[Span, ...] = ()


@dataclass(slots=True, eq=False)
class Plan:
    """What an import has to do."""

    feeds: dict[str, list[Feed]]
    write: dict[str, dict[str, Month]] = field(default_factory=dict)  # month -> circuit
    unchanged: list[tuple[str, str]] = field(default_factory=list)
    stale: list[tuple[str, str]] = field(default_factory=list)
    mended: list[tuple[str, str]] = field(default_factory=list)
    lost: list[tuple[str, str]] = field(default_factory=list)


def make_plan(
    survey: Survey, store: Store, *, rebuild: bool, damaged: Collection[tuple[str, str]] = ()
) -> Plan:
    """Compare what each month depends on with what its file in the store was made from.

    Parameters
    ----------
    survey : Survey
    store : Store
    rebuild : bool
        Write all months of the logs that are there.
    damaged : collection of (circuit, month)
        Months that failed their checksums. Others that cannot be read are found here.

    Raises
    ------
    HouseError
        If a month that a vanished log gave in part is now read in another way.
    """
    plan = Plan(feeds=_feeds(survey))
    for circuit, feeds in plan.feeds.items():
        _refuse_silent(circuit, feeds, survey)
    by_month: dict[tuple[int, str], dict[str, list[LogFile]]] = {}
    touching: dict[tuple[int, str, int, str], list[str]] = {}
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
            if feed.silence_ns is not None  # the value of the month before holds on
            for record in feed.log.files.values()
            for spans in record.spans.values()
            for month in spans
            if neighbours(month)[0] in months
        }
        for month in sorted(months):
            layouts, inputs = [], []
            for feed in feeds:
                key = (feed.log.number, feed.source, feed.grid.reach_ns, month)
                if key[:2] not in by_month:
                    by_month[key[:2]] = _by_month(feed, rebuild=rebuild)
                if key not in touching:
                    touching[key] = _touching(feed, month, by_month[key[:2]])
                column = asdict(feed.log.layout.columns[circuit])
                on_change = [] if feed.silence_ns is None else [feed.silence_ns]
                layouts.append([feed.log.reading, column, asdict(feed.grid), *on_change])
                inputs.append(touching[key])
            made_as = short_hash(layouts)
            wanted = Month(
                circuit, month, short_hash([FORMAT, circuit, month, made_as, inputs]), made_as
            )
            info = None if (circuit, month) in damaged else store.info(circuit, month)
            if info is None and store.path(circuit, month).exists():
                plan.mended.append((circuit, month))
            if info is not None and not rebuild:
                if info.signature == wanted.signature:
                    plan.unchanged.append((circuit, month))
                    continue
                wanted = replace(wanted, keep=_kept(wanted, info, feeds, survey))
            plan.write.setdefault(month, {})[circuit] = wanted
        plan.stale += [(circuit, month) for month in _stale(feeds, months)]
        there = set(store.months(circuit)) - months
        plan.lost += [
            (circuit, month)
            for month in sorted(there)
            if (circuit, month) in damaged or store.info(circuit, month) is None
        ]
    return plan


def _by_month(feed: Feed, *, rebuild: bool) -> dict[str, list[LogFile]]:
    """Files of each month that they have rows in, those that are gone as well."""
    found: dict[str, list[LogFile]] = {}
    for record in (*feed.log.files.values(), *(() if rebuild else feed.log.gone.values())):
        for month in record.spans.get(feed.source, ()):
            found.setdefault(month, []).append(record)
    return found


def _touching(feed: Feed, month: str, by_month: dict[str, list[LogFile]]) -> list[str]:
    """Digests of the files with rows that matter for a month."""
    near = [record for m in (month, *neighbours(month)) for record in by_month.get(m, ())]
    return sorted({record.digest for record in near if touches(record, feed, month)})


def _kept(wanted: Month, info: MonthInfo, feeds: list[Feed], survey: Survey) -> tuple[Span, ...]:
    """Spans of a month's file that no log that is there can give any more."""
    spans, gone = [], ""
    for feed in feeds:
        for name, record in feed.log.gone.items():
            if wanted.month in record.spans.get(feed.source, {}):
                spans.append(record.spans[feed.source][wanted.month])
                gone = gone or plain_name(name)
    same = info.made_as in ("", wanted.made_as)
    if not spans and survey.forgot and same:
        return (month_edges(wanted.month),)
    if spans and not same:
        raise HouseError(
            f"is no longer there, or no longer holds all the rows it held, and {wanted.month} of "
            f"circuit {wanted.circuit!r} has to be made again because its layout in house.toml "
            "has changed",
            path=survey.folder / gone,
            fix="Put the earlier file back (under any name that the pattern matches), or import "
            "with --rebuild to make such months from the files that are there.",
        )
    return tuple(spans)


def _feeds(survey: Survey) -> dict[str, list[Feed]]:
    feeds: dict[str, list[Feed]] = {}
    for log in survey.logs:
        for circuit in log.layout.columns:
            source = source_of(log.layout, circuit)
            row_period = log.memory.row_periods_ns.get(source)
            if row_period is None:  # no file holds a row of it
                row_period = round((log.layout.period_s or 1.0) * 1e9)
            stated_s = log.layout.silence_s
            silence_ns = None if stated_s is None else round(stated_s * NS_PER_S)
            own = log.memory.own_paces_ns.get(own_key(log.layout, circuit))
            pace = None if own is None else OwnPace(*own)
            if pace is not None:
                silence_ns = default_hold_ns(row_period) if pace.on_change else None
            ends = marks_ends(log.layout, source)
            late_ns = pace.row_period_ns - row_period if pace is not None and ends else 0
            hold_ns = None if pace is None else pace.hold_ns
            if silence_ns is not None:
                hold_ns = LONGEST_QUIET_NS
            grid = make_grid(
                row_period if pace is None else pace.row_period_ns,
                period_s=log.layout.period_s,
                hold_s=log.layout.hold_s,
                ends=ends,
                learned_hold_ns=hold_ns,
            )
            earlier = feeds.setdefault(circuit, [])
            if earlier:  # one circuit has one period: that of the first log that has it
                grid = replace(grid, period_ns=earlier[0].grid.period_ns)
            earlier.append(Feed(log, source, grid, silence_ns, late_ns))
    return feeds


def _refuse_silent(circuit: str, feeds: list[Feed], survey: Survey) -> None:
    for feed in feeds:
        if feed.log.layout.files.startswith(f"{RECORDED}/"):
            continue  # a sensor that was not heard yet keeps nobody from the others
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
    listed = own if feed.silence_ns is None else record.spans.values()
    return any(
        month in spans
        or (before in spans and spans[before][1] >= low - reach)
        or (after in spans and spans[after][0] < high + reach)
        for spans in listed
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
