"""A survey as a document: all houses with money and flags, what is unusual, a part a house."""

from __future__ import annotations

import math
from collections.abc import Set
from dataclasses import replace
from datetime import date
from functools import cache
from typing import Any

import pandas as pd

from homeenergy.errors import HouseError
from homeenergy.findings.many import Survey, failure_text
from homeenergy.house.kinds import KINDS
from homeenergy.house.toml_file import read_schedule
from homeenergy.show.document.blocks import Block, Bullets, Document, Heading, Note, Prose, Table
from homeenergy.show.document.spreadsheet import head_in
from homeenergy.show.writeup.rewording import Rewording
from homeenergy.show.writeup.wording import Wording
from homeenergy.words import in_words

MONEY = "cost_per_year"
FIGURES = ("kwh_per_day", "run_kwh", "standby_w", MONEY)
FIRST = ("appliance", "circuit", "kind", "runs")  # on the first page of a sheet, with the figures
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
OF_THE_HOUSE = ("house", "house_name", "start", "end", "timezone", "language", "implausible")
NOTHING = "-"
MOST_JOINED = 3  # parts of one remark


def survey_document(
    survey: Survey, *, written: date | None = None, language: str | None = None
) -> Document:
    """Write a survey up: for `write_document`, as HTML, XLSX or another of its forms.

    Parameters
    ----------
    survey : Survey
    written : date, optional
        Default: today.
    language : str, optional
        Default: that of the houses' write-ups if it is one, else English. Of a message that no
        catalogue holds, that it is in English is said before it.
    """
    words = Wording(language=language or _usual_language(survey.table))
    say = words.say
    survey = _flags_said(survey, words)
    houses = survey.houses()
    flagged = houses[houses["flag"] != ""]
    blocks: list[Block] = [Prose(text=_opening(words, survey, houses))]
    blocks += [
        Note(about=str(row.house_name), text=str(row.flag))
        for row in flagged.itertuples(index=False)
    ]
    blocks += [
        _houses(words, houses),
        Heading(text=say("What appliances use"), new_page=True),
        _appliances(words, survey.summary().reset_index()),
        Heading(text=say("Where to go first")),
        Prose(
            text=say(
                "By the energy a year that appliances surely use above the median of their kind. "
                "Houses with readings that cannot be are not ranked before others: they come last."
            )
        ),
        _visits(words, survey.to_visit()),
        Heading(text=say("Outliers")),
        _plain(
            words,
            survey.unusual(),
            caption=say("More than 3.5 robust standard deviations from the median."),
            sheet=say("outliers"),
        ),
        Heading(text=say("House by house")),
    ]
    for row in houses.itertuples(index=False):
        blocks += _house(words, survey, row)
    return Document(
        title=say("Survey of {number} houses", number=len(houses)),
        blocks=tuple(blocks),
        written=date.today() if written is None else written,
        language=words.language,
        record={"houses": [str(house) for house in houses["house"]]},
    )


def _usual_language(table: pd.DataFrame) -> str:
    """The language of all write-ups, where there is one."""
    named = set(table["language"].dropna()) - {""} if "language" in table else set()
    return str(named.pop()) if len(named) == 1 else "en"


def _flags_said(survey: Survey, words: Wording) -> Survey:
    """What is wrong with houses, and why some failed, in the language of the document."""
    if words.language.startswith("en"):
        return survey
    table = survey.table
    names = set(KINDS)
    for column in ("house_name", "circuit", "appliance"):
        names |= set(table[column].astype(str)) if column in table else set()

    def said(text: str, more: Set[str] = frozenset()) -> str:
        reword = Rewording(words=words, names=frozenset(names | more))
        found = reword(text)
        return words.say("In English: {message}", message=text) if reword.unknown else found

    known = Rewording(words=words, names=frozenset(names))

    @cache
    def listed(text: str) -> str:
        """Remarks that are joined by semicolons, of which some hold one."""
        pieces, found = text.split("; "), []
        while pieces:
            for n in range(min(MOST_JOINED, len(pieces)), 0, -1):
                known.unknown.clear()
                remark = known("; ".join(pieces[:n]))
                if not known.unknown:
                    break
            found.append(remark if not known.unknown else said(pieces[0]))
            pieces = pieces[n:]
        return "; ".join(found)

    for column, in_language in (("implausible", said), ("remarks", listed), ("held_out", listed)):
        if column in table:
            table = table.assign(**{column: table[column].fillna("").map(in_language)})
    failed = survey.failures[["house", "reason"]].astype(str).itertuples(index=False)
    reasons = [
        said(failure_text(house, reason), _circuits_of(house) | {house}) for house, reason in failed
    ]
    return replace(survey, table=table, failures=survey.failures.assign(reason=reasons))


def _circuits_of(folder: str) -> Set[str]:
    """Names of the circuits of a house that failed, as far as they can be read."""
    try:
        return {circuit.name for circuit in read_schedule(folder).circuits}
    except (HouseError, OSError):
        return set()


def _opening(words: Wording, survey: Survey, houses: pd.DataFrame) -> str:
    failed, flagged = len(survey.failures), int((houses["flag"] != "").sum())
    text = words.say(
        "{number} houses, {failed} of which could not be worked out.",
        number=len(houses),
        failed=failed,
    )
    if flagged > failed:
        text += " " + words.say(
            "Houses with readings that cannot be, named first: {number}.", number=flagged - failed
        )
    return text


def _houses(words: Wording, houses: pd.DataFrame) -> Table:
    def money(value: float, currency: str) -> str:
        known = math.isfinite(value) and currency
        return words.amount(value, currency=currency) if known else NOTHING

    feeds_back = bool((houses["fed_back_kwh_per_year"] > 0).any())
    rows: list[tuple[str, ...]] = []
    listed: Any = houses.itertuples(index=False)
    for row in listed:
        known = math.isfinite(row.kwh_per_year)
        rows.append(
            (
                str(row.house_name),
                words.number(row.kwh_per_year, 0) if known else NOTHING,
                *([words.number(row.fed_back_kwh_per_year, 0) if known else NOTHING] * feeds_back),
                money(row.cost_per_year, str(row.currency)),
                str(row.greatest) if known else NOTHING,
                words.say("look first") if row.flag else "",
            )
        )
    fed_back = ("fed back: kWh a year",) * feeds_back
    heads = ("house", "kWh a year", *fed_back, "circuits' cost a year", "greatest load", "flag")
    return Table(
        head=tuple(map(words.say, heads)),
        rows=tuple(rows),
        caption=words.say(
            "All houses, the greatest first; those with a flag last. If the whole year is like "
            "the days measured; kWh from the grid where the mains are logged; cost of the "
            "measured circuits alone, without the rest of the house and standing charges."
        ),
        numeric=frozenset(range(1, 3 + feeds_back)),
        sheet=words.say("houses"),
        data=houses,
    )


def _appliances(words: Wording, summary: pd.DataFrame) -> Block:
    """Median and middle half of each figure in one column."""
    if not len(summary):
        return Prose(text=words.say("No appliance was found."))
    shown = [name for name in FIGURES if name in summary]

    def cell(row: Any, name: str) -> str:
        middle, low, high = (row[f"{name}{end}"] for end in ("", "_q1", "_q3"))
        text = _number(words, middle)
        if not (math.isfinite(middle) and low < high and math.isfinite(low)):
            return text
        half = words.say("{low} to {high}", low=_number(words, low), high=_number(words, high))
        return f"{text} ({half})"

    return Table(
        head=tuple(_head(words, name) for name in ("appliance", "houses", *shown)),
        rows=tuple(
            (str(row["appliance"]), str(row["houses"]), *(cell(row, name) for name in shown))
            for _, row in summary.iterrows()
        ),
        caption=words.say("Medians of the houses; in brackets the middle half of them."),
        numeric=frozenset(range(1, 2 + len(shown))),
        sheet=words.say("appliances"),
        data=summary,
    )


def _visits(words: Wording, visits: pd.DataFrame) -> Block:
    """Houses that surely use more than is usual."""
    beyond = visits[visits["beyond_kwh_per_year"] > 0] if len(visits) else visits
    if not len(beyond):
        return Prose(text=words.say("No house surely uses more than is usual."))
    caption = words.say("Energy beyond the usual.")
    return _plain(words, beyond, caption=caption, sheet=words.say("visits"))


def _head(words: Wording, name: str) -> str:
    """What a column is called in the language of the document."""
    return str(head_in(HEADS.get(name, name), words.language))


def _number(words: Wording, value: float) -> str:
    """Three significant digits; "-" where it is not known."""
    if not math.isfinite(value):
        return NOTHING
    places = max(2 - math.floor(math.log10(abs(value))), 0) if value else 0
    return words.number(float(f"{value:.3g}"), places)


def _plain(words: Wording, table: pd.DataFrame, *, caption: str, sheet: str) -> Block:
    """A table of figures as they are, for people on a page and with its numbers in a workbook."""
    if not len(table):
        return Prose(text=words.say("None."))
    kept = table.drop(columns=[c for c in ("house", "flag") if c in table])
    shown = in_words(kept.rename(columns=HEADS))
    return Table(
        head=tuple(_head(words, str(name)) for name in shown.columns),
        rows=tuple(
            tuple(_number(words, cell) if isinstance(cell, float) else str(cell) for cell in row)
            for row in shown.itertuples(index=False)
        ),
        caption=caption,
        numeric=frozenset(
            i for i, name in enumerate(shown) if pd.api.types.is_numeric_dtype(shown[name])
        ),
        sheet=sheet,
        data=table,
    )


def _house(words: Wording, survey: Survey, row: Any) -> list[Block]:
    """One house: its folder, its flag, its circuits."""
    blocks: list[Block] = [Heading(text=str(row.house_name), level=2)]
    if row.flag:
        blocks.append(Bullets(items=(str(row.flag),)))
    own = survey.table[survey.table["house"] == row.house] if len(survey.table) else survey.table
    if not len(own):
        return blocks
    own = own.sort_values("kwh_per_day", ascending=False)
    figures = [name for name in FIGURES if name in own and (row.currency or name != MONEY)]
    kept = ["appliance", "runs", *figures]
    first = [name for name in (*FIRST, *figures) if name in own]
    table = _plain(words, own[kept], caption="", sheet="")
    if isinstance(table, Table):
        cost = _head(words, MONEY)
        table = Table(
            head=tuple(f"{head} [{row.currency}]" if head == cost else head for head in table.head),
            rows=table.rows,
            numeric=table.numeric,
            sheet=str(row.house_name),
            data=own[first + [c for c in own if c not in (*first, *OF_THE_HOUSE)]],
        )
    return [*blocks, table]
