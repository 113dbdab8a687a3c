"""What is found in a house, as blocks: of which days, what the mains carry, and the table."""

from __future__ import annotations

from homeenergy.findings.appliance.columns import Column, Place, columns_for
from homeenergy.findings.appliance.record import UNKNOWN, ApplianceFinding, estimate_text
from homeenergy.findings.appliance.table import Findings
from homeenergy.show.document.blocks import Cell, Table
from homeenergy.stats.estimate import Estimate


def heading_text(findings: Findings) -> str:
    """Name of the house and the local days that the findings cover."""
    start, end = (t.tz_convert(findings.timezone) for t in (findings.start, findings.end))
    return f"{findings.house_name}, {start:%Y-%m-%d %H:%M} to {end:%Y-%m-%d %H:%M} local time"


def mains_text(findings: Findings) -> str:
    """Say what the mains carry, and how much of it no circuit accounts for; empty without them."""
    if findings.mains_kwh_per_day is None:
        return ""
    text = f"Mains: {estimate_text(findings.mains_kwh_per_day)} a day"
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
