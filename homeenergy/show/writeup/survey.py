"""A survey as a document: all houses with money and flags, what is unusual, a part a house."""

from __future__ import annotations

import math
from datetime import date
from typing import Any

import pandas as pd

from homeenergy.findings.many import Survey
from homeenergy.show.document.blocks import Block, Bullets, Document, Heading, Note, Prose, Table
from homeenergy.show.writeup.basis import amount
from homeenergy.words import in_words

FIGURES = ("kwh_per_day", "run_kwh", "standby_w", "cost_per_year")
HEADS = {
    "house_name": "house",
    "kwh_per_day": "kWh a day",
    "run_kwh": "kWh a run",
    "standby_w": "standby [W]",
    "cost_per_year": "cost a year",
    "beyond_kwh_per_year": "kWh a year beyond the usual",
    "most": "most of it",
    "most_kwh_per_year": "of which kWh a year",
}
# What is the same in every row of a house, and stands in the list of all.
OF_THE_HOUSE = ("house", "house_name", "start", "end", "implausible")
NOTHING = "-"


def survey_document(survey: Survey, *, written: date | None = None) -> Document:
    """Write a survey up: for `write_document`, as HTML, XLSX or another of its forms.

    Parameters
    ----------
    survey : Survey
    written : date, optional
        Default: today.
    """
    houses = survey.houses()
    flagged = houses[houses["flag"] != ""]
    blocks: list[Block] = [Prose(text=_opening(survey, houses))]
    blocks += [
        Note(about=str(row.house_name), text=str(row.flag))
        for row in flagged.itertuples(index=False)
    ]
    blocks += [
        _houses(houses),
        Heading(text="What appliances use", new_page=True),
        _appliances(survey.summary().reset_index()),
        Heading(text="Where to go first"),
        Prose(
            text="By the energy a year that appliances surely use above the median of their kind. "
            "Houses with readings that cannot be are not ranked before others: they come last."
        ),
        _visits(survey.to_visit()),
        Heading(text="Outliers"),
        _plain(
            survey.unusual(),
            caption="More than 3.5 robust standard deviations from the median.",
            sheet="outliers",
        ),
        Heading(text="House by house"),
    ]
    for row in houses.itertuples(index=False):
        blocks += _house(survey, row)
    return Document(
        title=f"Survey of {len(houses)} houses",
        blocks=tuple(blocks),
        written=date.today() if written is None else written,
        record={"houses": [str(house) for house in houses["house"]]},
    )


def _opening(survey: Survey, houses: pd.DataFrame) -> str:
    failed, flagged = len(survey.failures), int((houses["flag"] != "").sum())
    text = f"{len(houses)} houses, {failed} of which could not be worked out."
    if flagged > failed:
        text += f" {flagged - failed} hold readings that cannot be, and are named first."
    return text


def _houses(houses: pd.DataFrame) -> Table:
    def money(value: float, currency: str) -> str:
        return amount(value, currency) if math.isfinite(value) and currency else NOTHING

    rows: list[tuple[str, ...]] = []
    listed: Any = houses.itertuples(index=False)
    for row in listed:
        known = math.isfinite(row.kwh_per_year)
        rows.append(
            (
                str(row.house_name),
                f"{row.kwh_per_year:,.0f}" if known else NOTHING,
                money(row.cost_per_year, str(row.currency)),
                str(row.greatest) if known else NOTHING,
                "look first" if row.flag else "",
            )
        )
    return Table(
        head=("house", "kWh a year", "circuits' cost a year", "greatest load", "flag"),
        rows=tuple(rows),
        caption="All houses, the greatest first; those with a flag last. If the whole year is like "
        "the days measured; kWh of the mains where they are logged; cost of the measured circuits "
        "alone, without the rest of the house and standing charges.",
        numeric=frozenset({1, 2}),
        sheet="houses",
        data=houses,
    )


def _appliances(summary: pd.DataFrame) -> Block:
    """Median and middle half of each figure in one column."""
    if not len(summary):
        return Prose(text="No appliance was found.")
    shown = [name for name in FIGURES if name in summary]

    def cell(row: Any, name: str) -> str:
        middle, low, high = (row[f"{name}{end}"] for end in ("", "_q1", "_q3"))
        if not math.isfinite(middle):
            return NOTHING
        half = low < high and math.isfinite(low)
        return f"{_number(middle)} ({_number(low)} to {_number(high)})" if half else _number(middle)

    return Table(
        head=("appliance", "houses", *(HEADS[name] for name in shown)),
        rows=tuple(
            (str(row["appliance"]), str(row["houses"]), *(cell(row, name) for name in shown))
            for _, row in summary.iterrows()
        ),
        caption="Medians of the houses; in brackets the middle half of them.",
        numeric=frozenset(range(1, 2 + len(shown))),
        sheet="appliances",
        data=summary,
    )


def _visits(visits: pd.DataFrame) -> Block:
    """Houses that surely use more than is usual."""
    beyond = visits[visits["beyond_kwh_per_year"] > 0] if len(visits) else visits
    if not len(beyond):
        return Prose(text="No house surely uses more than is usual.")
    return _plain(beyond, caption="Energy beyond the usual.", sheet="visits")


def _number(value: float) -> str:
    """Three significant digits; "-" where it is not known."""
    return f"{float(f'{value:.3g}'):,.15g}" if math.isfinite(value) else NOTHING


def _plain(table: pd.DataFrame, *, caption: str, sheet: str) -> Block:
    """A table of figures as they are, for people on a page and with its numbers in a workbook."""
    if not len(table):
        return Prose(text="None.")
    kept = table.drop(columns=[c for c in ("house", "flag") if c in table])
    shown = in_words(kept.rename(columns=HEADS))
    return Table(
        head=tuple(map(str, shown.columns)),
        rows=tuple(
            tuple(_number(cell) if isinstance(cell, float) else str(cell) for cell in row)
            for row in shown.itertuples(index=False)
        ),
        caption=caption,
        numeric=frozenset(
            i for i, name in enumerate(shown) if pd.api.types.is_numeric_dtype(shown[name])
        ),
        sheet=sheet,
        data=table,
    )


def _house(survey: Survey, row: Any) -> list[Block]:
    """One house: its folder, its flag, its circuits."""
    blocks: list[Block] = [Heading(text=str(row.house_name), level=2)]
    if row.flag:
        blocks.append(Bullets(items=(str(row.flag),)))
    own = survey.table[survey.table["house"] == row.house] if len(survey.table) else survey.table
    if not len(own):
        return blocks
    own = own.sort_values("kwh_per_day", ascending=False)
    kept = ["appliance", "runs", *(name for name in FIGURES if name in own)]
    table = _plain(own[kept], caption="", sheet="")
    if isinstance(table, Table):
        table = Table(
            head=tuple(
                f"{head} [{row.currency}]" if head == HEADS["cost_per_year"] else head
                for head in table.head
            ),
            rows=table.rows,
            numeric=table.numeric,
            sheet=str(row.house_name),
            data=own.drop(columns=[name for name in OF_THE_HOUSE if name in own]),
        )
    return [*blocks, table]
