"""Which months of the store must be written, told from what each month depends on."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field, replace

from homeenergy.errors import HouseError
from homeenergy.readings.logs import source_of
from homeenergy.readings.manifest import LogFile, short_hash
from homeenergy.readings.months import month_edges, neighbours
from homeenergy.readings.rows import Grid, make_grid
from homeenergy.readings.store import FORMAT, Store
from homeenergy.readings.survey import Log, Survey, marks_ends


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
                fix="`homeenergy describe FILE` lists the names that stand in a log.",
            )


def touches(record: LogFile, feed: Feed, month: str) -> bool:
    """Whether a file has rows that matter for a month."""
    low, high = month_edges(month)
    reach = feed.grid.reach_ns
    before, after = neighbours(month)
    spans = record.spans.get(feed.source, {})
    return (
        month in spans
        or (before in spans and spans[before][1] >= low - reach)
        or (after in spans and spans[after][0] < high + reach)
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
