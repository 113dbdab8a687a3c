"""Where in the logs an instant is, and dates that lie years from all others."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import numpy as np

from homeenergy.errors import HouseError
from homeenergy.house.layouts import LogLayout
from homeenergy.house.schedule import Schedule
from homeenergy.readings.logs.read import line_of_row, read_log, source_of
from homeenergy.readings.store.store import LogFile, Store, load_manifest, log_keys
from homeenergy.readings.store.survey import Survey
from homeenergy.units import DAYS_PER_YEAR, NS_PER_S, S_PER_DAY

_YEAR_NS = DAYS_PER_YEAR * S_PER_DAY * NS_PER_S


def refuse_stray_dates(survey: Survey) -> None:
    """Refuse logs with a hole of years, naming the row on the side that holds less.

    Raises
    ------
    HouseError
        With file and line.
    """
    spans = sorted(
        (low, high, log.number, name)
        for log in survey.logs
        for name, record in log.files.items()
        for months in record.spans.values()
        for low, high in months.values()
    )
    until = spans[0][1] if spans else 0
    for at, ((_, high, *_), (low, *_)) in enumerate(pairwise(spans)):
        until = max(until, high)
        if low - until <= survey.longest_gap_years * _YEAR_NS:
            continue
        before, after = spans[: at + 1], spans[at + 1 :]
        few = min(after, before, key=_lasts_ns)
        first, last, number, name = few[0]
        log = next(log for log in survey.logs if log.number == number)
        text = str(np.datetime64(first, "ns").astype("M8[s]")).replace("T", " ")
        others = "those after it" if few is before else "those before it"
        raise HouseError(
            f"a row is dated {text} UTC, {(low - until) / _YEAR_NS:.1f} years from {others}",
            path=survey.folder / name,
            line=line_between(survey.folder / name, log.layout, first, last),
            fix="Correct the date or take the row out. Where both are right, raise gap_years in "
            "[limits] of house.toml.",
        )


def _lasts_ns(spans: list[tuple[int, int, int, str]]) -> int:
    return sum(high - low for low, high, *_ in spans)


def line_between(path: Path, layout: LogLayout, first_ns: int, last_ns: int) -> int | None:
    """Line of the first row between two instants; None where none can be named.

    That is of a file that is not plain text, or whose rows of several circuits are mixed.
    """
    if layout.layout == "long" or not path.name.endswith((".csv", ".txt", ".tsv")):
        return None
    read = 0
    torn: list[str] = []
    for rows in read_log(path, layout, torn=torn):
        inside = (rows.times_ns >= first_ns) & (rows.times_ns <= last_ns)
        if inside.any():
            row = read + int(np.argmax(inside)) + 1
            return line_of_row(path, layout, row) if torn else layout.lines_before_rows + row
        read += rows.times_ns.size
    return None


def place_of(schedule: Schedule, store: Store, circuit: str, instant_ns: int) -> str:
    """File and line of a circuit's first row from an instant on: "logs/a.csv, line 7"; or ""."""
    for layout, name, record, reach in _files(schedule, store, circuit):
        low, high = instant_ns - reach // 2, instant_ns + reach
        spans = record.spans[source_of(layout, circuit)].values()
        if any(a <= high and b >= low for a, b in spans):
            try:
                line = line_between(schedule.folder / name, layout, low, high)
            except (HouseError, OSError):
                return name
            return name if line is None else f"{name}, line {line}"
    return ""


def overlapping(schedule: Schedule, store: Store, circuit: str) -> list[str]:
    """Log files of a circuit of which one goes on where another already was."""
    spans = sorted(
        (low, high, name)
        for layout, name, record, _ in _files(schedule, store, circuit)
        for low, high in record.spans[source_of(layout, circuit)].values()
    )
    found: dict[str, None] = {}
    for (_, until, one), (begins, _, other) in pairwise(spans):
        if begins < until and one != other:
            found |= {one: None, other: None}
    return list(found)


def _files(
    schedule: Schedule, store: Store, circuit: str
) -> list[tuple[LogLayout, str, LogFile, int]]:
    """Files with rows of a circuit, and how far apart their rows are [ns]."""
    memories = load_manifest(store)
    out = []
    for layout, key in zip(schedule.logs, log_keys(schedule.logs), strict=True):
        if circuit not in layout.columns or key not in memories:
            continue
        source = source_of(layout, circuit)
        reach = memories[key].row_periods_ns.get(source, NS_PER_S)
        out += [
            (layout, name, record, reach)
            for name, record in memories[key].files.items()
            if source in record.spans
        ]
    return out
