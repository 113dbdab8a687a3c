"""Findings as a table of blocks for people, and as JSON for programs."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd

from homeenergy.findings.appliance.columns import Column, Place, columns_for
from homeenergy.findings.appliance.record import UNKNOWN, ApplianceFinding, estimate_text
from homeenergy.findings.appliance.table import Findings, warning_lines
from homeenergy.findings.comparison.comparison import Comparison
from homeenergy.show.document.blocks import Block, Bullets, Cell, Table
from homeenergy.stats.estimate import Estimate, number_text

ESTIMATE = ("value", "low", "high", "level", "unit", "n", "basis", "resolved")
HALVES = ("spread", "systematic")  # the two parts of half its interval


def heading_text(findings: Findings) -> str:
    """Name of the house and the local days that the findings cover."""
    start, end = (t.tz_convert(findings.timezone) for t in (findings.start, findings.end))
    return f"{findings.house_name}, {start:%Y-%m-%d %H:%M} to {end:%Y-%m-%d %H:%M} local time"


def warning_blocks(findings: Findings) -> list[Block]:
    """What a reader must see before any figure: readings that cannot be."""
    lines = warning_lines(findings)
    return [Bullets(items=tuple(lines))] if lines else []


def mains_text(findings: Findings) -> str:
    """Say what the mains carry, and how much of it no circuit accounts for; empty without them."""
    if findings.mains_kwh_per_day is None:
        return ""
    mains, fed_back = findings.mains_kwh_per_day, findings.fed_back_kwh_per_day
    text = f"Mains: {estimate_text(mains)} a day"
    if fed_back:
        drawn = number_text(mains.value + fed_back, 1)
        text += f" ({drawn} drawn, {number_text(fed_back, 1)} fed back)"
    rest = findings.unmeasured_kwh_per_day
    return text if rest is None else f"{text}; unmeasured: {estimate_text(rest)} a day"


def findings_table(
    findings: Findings,
    *,
    place: Place,
    caption: str = "",
    sheet: str = "",
    unknown: str = UNKNOWN,
) -> Table:
    """One row an appliance, with the columns of one output.

    Parameters
    ----------
    findings : Findings
    place : str
        Which output, as in `Column.places`.
    caption, sheet : str
        As in `Table`.
    unknown : str
        What is shown for a value that is not known.
    """
    rows, currency = findings.appliances, findings.currency
    columns = columns_for(place, rows, currency=currency)
    return Table(
        head=tuple(column.heading for column in columns),
        units=tuple(column.unit_text(currency) for column in columns),
        rows=tuple(tuple(_cell(column, one, unknown) for column in columns) for one in rows),
        caption=caption,
        numeric=frozenset(i for i, column in enumerate(columns) if column.kind != "text"),
        sheet=sheet,
        data=findings.to_frame() if sheet else None,
    )


def _cell(column: Column, finding: ApplianceFinding, unknown: str) -> str | Cell:
    text, interval = column.texts(finding)
    text = unknown if text == UNKNOWN else text
    if column.kind != "estimate":
        return text
    value: Estimate | None = column.value(finding)
    return Cell(text, interval, "" if value is None else value.basis)


def findings_record(findings: Findings) -> dict[str, Any]:
    """Give the findings as what JSON can hold; a number that is not known is None.

    Parameters
    ----------
    findings : Findings

    Returns
    -------
    dict
        Instants are ISO 8601 in UTC. Every estimate is a dict of value, low, high, level, unit,
        n, basis, resolved, and the half widths `spread` (between runs, days or hours) and
        `systematic` (common to all of them: the clamp), which make up its interval. Where the
        standby is below the resolution, `standby_resolved` is False, its value None, and its
        high the bound. `kind_sure` is how often a kind that nobody stated is right, 1 where
        house.toml says it.
    """
    return {
        "house": findings.house_name,
        "timezone": findings.timezone,
        "currency": findings.currency,
        "start": _instant(findings.start),
        "end": _instant(findings.end),
        "mains_kwh_per_day": _estimate(findings.mains_kwh_per_day),
        "fed_back_kwh_per_day": findings.fed_back_kwh_per_day,
        "unmeasured_kwh_per_day": _estimate(findings.unmeasured_kwh_per_day),
        "appliances": [_appliance(finding) for finding in findings.appliances],
        "notable": [
            {
                "what": one.what,
                "circuit": one.circuit,
                "start": _instant(one.start),
                "end": _instant(one.end),
                "sentence": one.sentence,
                "next_step": one.next_step,
            }
            for one in findings.notable
        ],
    }


def comparison_record(found: Comparison) -> dict[str, Any]:
    """Give a comparison as what JSON can hold; see `findings_record` for its estimates."""
    return {
        "sentence": found.sentence,
        "names": [found.name_a, found.name_b],
        "per": found.per,
        "a_kwh": _estimate(found.a),
        "b_kwh": _estimate(found.b),
        "difference_kwh": _estimate(found.difference),
        "ratio": _estimate(found.ratio),
        "p": _plain(found.p),
        "correction": found.correction,
        "differs": found.differs,
        "method": found.method,
        "runs_per_week": _plain(found.weekly),
        "cost_per_year": _estimate(found.cost_per_year),
        "share_worth_seeing": found.worth_seeing,
        "needed_to_see_it": found.needed,
        "remarks": list(found.remarks),
    }


def _appliance(finding: ApplianceFinding) -> dict[str, Any]:
    record: dict[str, Any] = {}
    for column in columns_for("json"):
        value = column.value(finding)
        record |= {column.name: _plain(value)} | column.flag(value)
    return record


def _estimate(estimate: Estimate | None) -> dict[str, Any] | None:
    if estimate is None:
        return None
    record = {name: _plain(getattr(estimate, name)) for name in (*ESTIMATE, *HALVES)}
    return record if estimate.resolved else record | {"value": None}


def _plain(value: Any) -> Any:
    if value is None or isinstance(value, str):
        return value
    if isinstance(value, Estimate):
        return _estimate(value)
    if isinstance(value, tuple):
        return list(value)
    if isinstance(value, bool | np.bool_):
        return bool(value)
    number = float(value)
    if not math.isfinite(number):
        return None
    return int(number) if isinstance(value, int | np.integer) else number


def _instant(instant: pd.Timestamp) -> str:
    return instant.tz_convert("UTC").isoformat().replace("+00:00", "Z")
