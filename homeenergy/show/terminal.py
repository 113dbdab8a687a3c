"""A comparison for the terminal: the sentence, and the figures behind it."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite
from textwrap import wrap
from typing import TYPE_CHECKING

import pandas as pd

from homeenergy.findings.appliance.table import notes, shared_remarks
from homeenergy.findings.appliance.wording import (
    COUNTED,
    UNKNOWN,
    estimate_text,
    interval_text,
    is_bound,
    percent_text,
    shown,
    value_text,
)
from homeenergy.findings.cost.mean_price import paid_prices
from homeenergy.findings.many.between import LEAST_HOUSES
from homeenergy.stats.estimate import decimals, number_text
from homeenergy.units import S_PER_DAY, S_PER_H

if TYPE_CHECKING:
    from homeenergy.findings import Findings
    from homeenergy.findings.appliance.appliance import ApplianceFinding
    from homeenergy.findings.comparison.comparison import Comparison
    from homeenergy.findings.many.survey import Survey
    from homeenergy.trust.check import HouseCheck


LONGEST_NAME = 22
GAP = "  "


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One column: lines of its heading, and a cell for each row, all aligned to the right."""

    heading: tuple[str, ...]
    cells: tuple[str, ...]
    left: bool = False

    @property
    def width(self) -> int:
        """Characters that the widest cell or heading line takes."""
        return max(map(len, (*self.heading, *self.cells)), default=0)


def column_lines(
    heading: str, names: Sequence[str], columns: Sequence[Column], *, width: int
) -> list[str]:
    """Lay columns out beside the names of their rows.

    Parameters
    ----------
    heading : str
        Over the names.
    names : sequence of str
        One for each row; long ones go on to a further line.
    columns : sequence of Column
    width : int
        Characters in a line. Columns that do not fit go to a further block below, with the names
        repeated. A single column wider than the line is not cut.

    Returns
    -------
    list of str
        An empty line before each block.
    """
    wrapped = [wrap(name, LONGEST_NAME) or [""] for name in names]
    name_width = max(len(heading), *(len(line) for name in wrapped for line in name))
    lines = []
    for block in _blocks(columns, width - name_width):
        lines += ["", *_block_lines(heading, block, wrapped, name_width)]
    return lines


def _blocks(columns: Sequence[Column], width: int) -> list[list[Column]]:
    blocks: list[list[Column]] = [[]]
    used = 0
    for column in columns:
        needed = len(GAP) + column.width
        if blocks[-1] and used + needed > width:
            blocks.append([])
            used = 0
        blocks[-1].append(column)
        used += needed
    return blocks


def _block_lines(
    heading: str, block: list[Column], names: list[list[str]], name_width: int
) -> list[str]:
    def line(name: str, texts: Sequence[str]) -> str:
        cells = [
            text.ljust(column.width) if column.left else text.rjust(column.width)
            for text, column in zip(texts, block, strict=True)
        ]
        return GAP.join([name.ljust(name_width), *cells]).rstrip()

    lines = [
        line(name, [column.heading[i] for column in block]) for i, name in enumerate(("", heading))
    ]
    lines.append("-" * max(map(len, lines)))
    for i, name in enumerate(names):
        lines.append(line(name[0], [column.cells[i] for column in block]))
        lines += name[1:]
    lines[2] = "-" * max(map(len, lines))
    return lines


def findings_lines(findings: Findings, *, width: int = 100) -> list[str]:
    """Lay the findings out as text of at most `width` characters.

    Parameters
    ----------
    findings : Findings
    width : int
        Characters in a line. Columns that do not fit go to a further block below, with the names
        repeated; a number is never cut.

    Returns
    -------
    list of str
        Heading, blocks of columns, remarks.
    """
    rows = findings.appliances
    lines = wrap(heading_text(findings), width)
    if findings.mains_kwh_per_day is not None:
        lines += wrap(mains_text(findings), width)
    if not rows:
        return [*lines, "", "No circuit has readings in this time."]
    names = [row.appliance or row.circuit for row in rows]
    lines += column_lines("appliance", names, _columns(findings), width=width)
    return [
        *lines,
        *_remark_lines(rows, width),
        "",
        *wrap(f"In brackets: 95 % intervals. {' '.join(notes(findings))}", width),
    ]


def heading_text(findings: Findings) -> str:
    """Name of the house and the local days that the findings cover."""
    start, end = (t.tz_convert(findings.timezone) for t in (findings.start, findings.end))
    return f"{findings.house_name}, {start:%Y-%m-%d %H:%M} to {end:%Y-%m-%d %H:%M} local time"


def mains_text(findings: Findings) -> str:
    """Say what the mains carry, and how much of it no circuit accounts for."""
    text = f"Mains: {estimate_text(findings.mains_kwh_per_day)} a day"
    rest = findings.unmeasured_kwh_per_day
    return text if rest is None else f"{text}; on no measured circuit: {estimate_text(rest)} a day"


def _columns(findings: Findings) -> list[Column]:
    rows = findings.appliances
    columns = [
        Column(heading=("complete", "runs"), cells=tuple(f"{row.runs:,}" for row in rows)),
        _estimate_column(("per run", "kWh"), rows, "run_kwh"),
        _estimate_column(("energy", "kWh/day"), rows, "kwh_per_day"),
        _estimate_column(("standby", "W"), rows, "standby_w"),
        Column(heading=("idle", "% kWh"), cells=_percents([row.idle_share for row in rows])),
        Column(heading=("on", "% time"), cells=_percents([row.duty_cycle for row in rows])),
    ]
    if findings.currency is not None:
        heading = ("cost", f"{findings.currency}/year")
        columns.append(_estimate_column(heading, rows, "cost_per_year"))
        prices = paid_prices(rows)
        if prices is not None:
            paid = tuple(f"{price:.3f}" if isfinite(price) else "-" for price in prices)
            columns.append(Column(heading=("paid", f"{findings.currency}/kWh"), cells=paid))
    return columns


def _percents(shares: Sequence[float]) -> tuple[str, ...]:
    known = (percent_text(share).removesuffix(" %") for share in shares)
    return tuple("-" if text == UNKNOWN else text for text in known)


def _estimate_column(
    heading: tuple[str, str], rows: Sequence[ApplianceFinding], name: str
) -> Column:
    """Values with their decimal points below one another, each followed by its interval."""
    estimates = [shown(row, name) for row in rows]
    values = [value_text(estimate) for estimate in estimates]
    values = ["-" if text in ("", UNKNOWN) else text for text in values]
    plain = [
        text
        for text, estimate in zip(values, estimates, strict=True)
        if estimate is None or not is_bound(estimate)
    ]
    before = max([len(text.split(".")[0]) for text in plain], default=0)
    after = max([len(text) - len(text.split(".")[0]) for text in plain], default=0)
    before = max(before, max(map(len, heading)) - after)
    cells = []
    for value, estimate in zip(values, estimates, strict=True):
        interval = interval_text(estimate, of=COUNTED.get(name, ""))
        if estimate is not None and is_bound(estimate):
            cells.append(value.rjust(before + after))
            continue
        whole = value.split(".")[0]
        text = f"{whole:>{before}}{value[len(whole) :]:<{after}}"
        cells.append(f"{text} ({interval})" if interval else text)
    width = max(map(len, cells))
    head = tuple(line.rjust(before + after).ljust(width) for line in heading)
    return Column(heading=head, cells=tuple(cell.ljust(width) for cell in cells), left=True)


def _remark_lines(rows: Sequence[ApplianceFinding], width: int) -> list[str]:
    lines: list[str] = []
    for names, remark in shared_remarks(rows):
        lines += wrap(f"{names}: {remark}", width, subsequent_indent="    ")
    return ["", "Remarks", *lines] if lines else []


def finding_sentence(finding: ApplianceFinding) -> str:
    """Say in words what an appliance uses, for an alternative text or a heading."""
    per_day = estimate_text(shown(finding, "kwh_per_day"), of="days")
    parts = [
        f"{finding.appliance}: {per_day} per day",
        f"{finding.runs:,} complete run{'' if finding.runs == 1 else 's'}",
    ]
    if finding.runs:
        parts.append(f"{estimate_text(shown(finding, 'run_kwh'), of='runs')} per run")
    parts.append(f"standby {estimate_text(finding.standby_w)}")
    return ", ".join(parts) + "."


HEADINGS = {
    "wrong": "Contradicts house.toml",
    "doubtful": "Needs a look",
    "note": "Worth knowing",
}
CAUTION = (
    "Work inside a panel belongs to a licensed electrician where local codes say so. Service "
    "conductors stay live with the main breaker off. Never open the secondary of a current "
    "transformer with a current output while its circuit carries load. These findings prompt a "
    "look; they never prove that wiring is safe."
)


def check_lines(check: HouseCheck, *, width: int = 100) -> list[str]:
    """Lay a check out as text of at most `width` characters; lines of house.toml stay whole.

    Parameters
    ----------
    check : HouseCheck
    width : int
        Characters in a line.

    Returns
    -------
    list of str
    """
    lines = [check.house_name]
    if check.balance is not None:
        base = estimate_text(check.balance.base_w)
        lines += wrap(f"Baseload that no circuit accounts for: {base}", width)
    if not check.contradicts:
        lines += ["", *wrap(f"Nothing contradicts house.toml. {compared_with(check)}", width)]
    for weight, heading in HEADINGS.items():
        concerns = [c for c in check.concerns if c.weight == weight]
        if not concerns:
            continue
        lines += ["", heading]
        for number, concern in enumerate(concerns, start=1):
            lead = f"{number}. "
            indent = " " * len(lead)
            lines += wrap(lead + concern.what, width, subsequent_indent=indent)
            lines += wrap(
                f"-> {concern.do}", width, initial_indent=indent, subsequent_indent=indent + "   "
            )
            if concern.line:  # in one piece, so that it can be copied
                lines.append(f"{indent}   {concern.line}")
    return [*lines, "", *wrap(CAUTION, width)]


def compared_with(check: HouseCheck) -> str:
    """Say what the circuits could be compared with, without which nothing could contradict."""
    had = {
        "a reference meter (bench.csv)": bool(check.bench),
        "the mains": check.balance is not None,
        "the utility meter": check.meter is not None,
    }
    seen = [name for name, there in had.items() if there]
    return (
        f"Compared with: {', '.join(seen)}." if seen else "But there was nothing to compare with."
    )


SURVEY_HEADINGS = {
    "run_kwh": ("per run", "kWh"),
    "kwh_per_day": ("per day", "kWh"),
    "standby_w": ("standby", "W"),
    "duty_cycle": ("in runs", "% of time"),
}
FIRST_TO_VISIT = 5
MOST_UNUSUAL = 10
UNTOLD = "?"


def survey_lines(survey: Survey, *, width: int = 100) -> list[str]:
    """Lay a survey out as text of at most `width` characters.

    Parameters
    ----------
    survey : Survey
    width : int
        Characters in a line.

    Returns
    -------
    list of str
    """
    houses = survey.table["house"].nunique() if len(survey.table) else 0
    kept = f", {survey.unchanged} of them as before" if survey.unchanged else ""
    lines = [f"{houses} {'house' if houses == 1 else 'houses'} worked out{kept}"]
    summary = survey.summary()
    if len(summary):
        columns = [_column(("", "houses"), [f"{n}" for n in summary["houses"]])]
        columns += [_middle(summary, name) for name in SURVEY_HEADINGS]
        lines += column_lines("appliance", list(summary.index), columns, width=width)
        note = f"Medians of the houses; in brackets, from {LEAST_HOUSES} on, the middle half."
        if summary["standby_unresolved"].any():
            note += f" {UNTOLD} = less than the clamps of these houses can tell."
        lines += ["", *wrap(note, width)]
    visits = survey.to_visit()
    visits = visits[visits["beyond_kwh_per_year"] > 0] if len(visits) else visits
    if len(visits):
        lines += ["", "Visit first (kWh a year beyond what is usual, and most of it)"]
        for row in visits.head(FIRST_TO_VISIT).itertuples():
            lines += wrap(
                f"{row.house_name}: {row.beyond_kwh_per_year:.0f}, "
                f"{row.most} {row.most_kwh_per_year:.0f} ({row.house})",
                width,
                subsequent_indent="  ",
            )
    odd = survey.unusual()
    if len(odd):
        lines += ["", "Far from the others"]
        for row in odd.head(MOST_UNUSUAL).itertuples():
            lines += wrap(
                f"{row.house_name}, {row.appliance}: {_plain(row.value)} {row.figure}, "
                f"usual {_plain(row.usual)}",
                width,
                subsequent_indent="  ",
            )
        if len(odd) > MOST_UNUSUAL:
            lines.append(f"and {len(odd) - MOST_UNUSUAL} more")
    if len(survey.failures):
        lines += ["", "Not worked on"]
        for row in survey.failures.itertuples():
            reason = " ".join(str(row.reason).split())
            lines += wrap(f"{row.house}: {reason}", width, subsequent_indent="  ")
    return lines


def _middle(summary: pd.DataFrame, name: str) -> Column:
    times = 100.0 if name == "duty_cycle" else 1.0
    cells = []
    for _, row in summary.iterrows():
        value, low, high = (times * float(row[part]) for part in (name, f"{name}_q1", f"{name}_q3"))
        if not math.isfinite(value):
            cells.append(UNTOLD if name == "standby_w" and row["standby_unresolved"] else "")
            continue
        places = decimals(low, high, value=value, unit="W" if name == "standby_w" else "")
        ends = [number_text(end, places) if math.isfinite(end) else UNTOLD for end in (low, high)]
        few = row["houses"] < LEAST_HOUSES
        cells.append(number_text(value, places) + ("" if few else f" ({ends[0]}–{ends[1]})"))
    return _column(SURVEY_HEADINGS[name], cells)


def _column(heading: tuple[str, str], cells: list[str]) -> Column:
    return Column(heading=heading, cells=tuple(cells))


def _plain(value: object) -> str:
    number = float(value)  # type: ignore[arg-type]
    return number_text(number, decimals(math.nan, math.nan, value=number))


COUNTS = {
    "gaps": ("", "gaps"),
    "repeats": ("repeated", "rows"),
    "out_of_order": ("late", "rows"),
    "resets": ("counter", "resets"),
    "spikes": ("lone", "spikes"),
}


def quality_lines(quality: pd.DataFrame, *, width: int = 100) -> list[str]:
    """Lay out what `House.quality` tells as text of at most `width` characters.

    Parameters
    ----------
    quality : pandas.DataFrame
        One row a circuit, the circuits as index.
    width : int
        Characters in a line; columns that do not fit go to a further block below.

    Returns
    -------
    list of str
    """
    if not len(quality):
        return ["No circuit has readings."]
    columns = [
        _quality_column(("one sample", "s"), [f"{period_s:g}" for period_s in quality["period_s"]]),
        _quality_column(("covered", "%"), [_percent(share) for share in quality["coverage"]]),
        _quality_column(
            ("longest", "gap"), [duration_text(gap_s) for gap_s in quality["longest_gap_s"]]
        ),
    ]
    columns += [
        _quality_column(heading, [_count(count) for count in quality[name]])
        for name, heading in COUNTS.items()
    ]
    columns += [
        _quality_column(
            ("longest", "stuck"), [duration_text(stuck_s) for stuck_s in quality["stuck_s"]]
        ),
        _quality_column(
            ("negative", "% of time"), [_percent(share) for share in quality["negative_share"]]
        ),
    ]
    names = [str(name) for name in quality.index]
    return column_lines("circuit", names, columns, width=width)[1:]


def _quality_column(heading: tuple[str, str], cells: list[str]) -> Column:
    return Column(heading=heading, cells=tuple(cells))


def _count(count: float) -> str:
    """Write a count; what could not be counted at this period is a dash."""
    return f"{int(count):,}" if math.isfinite(count) else "-"


def _percent(share: float) -> str:
    return number_text(100 * share, 2) if math.isfinite(share) else "-"


def duration_text(duration_s: float) -> str:
    """Write a duration in the unit that suits it: "45 s", "12 min", "3.5 h", "2.1 days"."""
    if not math.isfinite(duration_s):
        return "-"
    if duration_s == 0:
        return "none"
    if duration_s < 120:
        return f"{duration_s:g} s"
    if duration_s < 2 * S_PER_H:
        return f"{duration_s / 60:.0f} min"
    if duration_s < 2 * S_PER_DAY:
        return f"{duration_s / S_PER_H:.1f} h"
    return f"{duration_s / S_PER_DAY:.1f} days"


def comparison_table(found: Comparison, *, width: int = 100) -> list[str]:
    """Lines of text, at most `width` columns wide.

    Parameters
    ----------
    found : Comparison
    width : int
        Columns of the terminal.
    """
    per = found.per
    rows = [
        ("", f"{per}s", f"kWh per {per}", "95 % interval"),
        (found.name_a, f"{found.a.n:,}", value_text(found.a), interval_text(found.a)),
        (found.name_b, f"{found.b.n:,}", value_text(found.b), interval_text(found.b)),
        ("difference", "", value_text(found.difference), interval_text(found.difference)),
        ("ratio", "", value_text(found.ratio), interval_text(found.ratio)),
    ]
    wide = [max(len(row[k]) for row in rows) for k in range(4)]
    wide[0] = min(wide[0], max(width - sum(wide[1:]) - 6, 10))
    lines = [*textwrap.wrap(found.sentence, width), ""]
    for name, *cells in rows:
        parts = textwrap.wrap(name, wide[0]) or [""]
        lines += parts[:-1]
        numbers = "  ".join(cell.rjust(w) for cell, w in zip(cells, wide[1:], strict=True))
        lines.append(f"{parts[-1]:<{wide[0]}}  {numbers}".rstrip())
    note = f" ({found.correction})" if found.correction else ""
    lines += ["", *textwrap.wrap(f"Method: {found.method}; p = {found.p:.2g}{note}.", width)]
    for remark in found.remarks:
        lines += textwrap.wrap(remark, width)
    return lines
