"""A survey of many houses as aligned columns for a terminal."""

from __future__ import annotations

import math
from textwrap import wrap
from typing import TYPE_CHECKING

import pandas as pd

from homeenergy.estimate import decimals, number_text
from homeenergy.findings.between_houses import LEAST_HOUSES
from homeenergy.show.columns import Column, column_lines

if TYPE_CHECKING:
    from homeenergy.findings.many_houses import Survey

HEADINGS = {
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
        columns += [_middle(summary, name) for name in HEADINGS]
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
    return _column(HEADINGS[name], cells)


def _column(heading: tuple[str, str], cells: list[str]) -> Column:
    return Column(heading=heading, cells=tuple(cells))


def _plain(value: object) -> str:
    number = float(value)  # type: ignore[arg-type]
    return number_text(number, decimals(math.nan, math.nan, value=number))
