"""The findings as aligned columns that fit a terminal."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite
from textwrap import wrap
from typing import TYPE_CHECKING

from homeenergy.findings.mean_price import paid_prices
from homeenergy.findings.wording import (
    COUNTED,
    UNKNOWN,
    estimate_text,
    interval_text,
    is_bound,
    notes,
    percent_text,
    shared_remarks,
    shown,
    value_text,
)
from homeenergy.show.columns import Column, column_lines

if TYPE_CHECKING:
    from homeenergy.findings import ApplianceFinding, Findings


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
