"""The write-up of a house: all its parts in order, to be shown, overwritten and saved."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any, Literal

from homeenergy.findings.appliance.house import NothingBelievedError
from homeenergy.findings.benchmark import read_benchmark
from homeenergy.findings.billed import FILE_NAME as BILLS
from homeenergy.findings.billed import billed_year, read_bills
from homeenergy.findings.house_year import house_year
from homeenergy.findings.saving.advice import find_advice
from homeenergy.findings.saving.look_into import look_into
from homeenergy.findings.saving.measures import measure_actions
from homeenergy.findings.saving.one_degree import one_degree
from homeenergy.findings.saving.saving import Saving
from homeenergy.readings.house import House, open_house
from homeenergy.show.document.blocks import (
    Block,
    Document,
    Heading,
    Paper,
    Prose,
    Table,
    html_blocks,
)
from homeenergy.show.document.files import write_document
from homeenergy.show.writeup.actions import action_blocks
from homeenergy.show.writeup.appliances import appliance_blocks, measured_blocks, trust_blocks
from homeenergy.show.writeup.basis import HEX_DIGITS, Basis, Progress, make_basis, make_record
from homeenergy.show.writeup.client import Told
from homeenergy.show.writeup.client_advice import advice_part, assumed_part, trust_part
from homeenergy.show.writeup.client_bill import bill_part
from homeenergy.show.writeup.client_loads import change_part, load_parts
from homeenergy.show.writeup.client_page_one import page_one
from homeenergy.show.writeup.ends import (
    front_blocks,
    front_facts,
    limit_blocks,
    method_blocks,
    photo_blocks,
    run_sheets,
    signed_blocks,
    summary_blocks,
)
from homeenergy.show.writeup.nothing_left import nothing_left
from homeenergy.show.writeup.rewording import rewording
from homeenergy.show.writeup.wording import Wording, usual_language

MOST_ROWS = 30  # of a table, in a notebook
Edition = Literal["client", "technical"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ShownPart:
    """Blocks that a notebook shows as HTML; texts stay as they were typed."""

    blocks: tuple[Block, ...]

    def __repr__(self) -> str:
        return f"ShownPart({len(self.blocks)} blocks)"

    def _repr_html_(self) -> str:
        return html_blocks(self.blocks, most_rows=MOST_ROWS)


# Where people write letters on US Letter: the zones of the United States and of Canada.
LETTER_ZONES = ("America/", "US/", "Canada/", "Pacific/Honolulu")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WriteUp:
    """A document about a house, in parts.

    Attributes
    ----------
    title, author : str
    written : date
    paper : "a4" or "letter"
    parts : mapping of str to tuple of blocks
        By name, in the order in which they are read. The client's edition: front, summary (page
        one), loads, bill, trust, actions, assumptions. The technical file: front, summary,
        measured, trust, appliances, actions, method, limits.
    record : mapping
        What it rests on.
    language : str
    sheets : tuple of Table
        What only a spreadsheet holds: every run.
    """

    title: str
    author: str
    written: date
    paper: Paper
    parts: Mapping[str, tuple[Block, ...]]
    record: Mapping[str, Any]
    language: str = "en"
    colour: str = ""
    sheets: tuple[Table, ...] = ()

    def part(self, name: str) -> ShownPart:
        """Give one part, as a notebook shows it."""
        return ShownPart(blocks=self._blocks(name))

    def saying(self, **texts: str) -> WriteUp:
        """Give the write-up with own words in place of the first prose of some parts.

        Parameters
        ----------
        **texts : str
            By the name of the part; an empty line parts paragraphs. An empty text leaves the part
            as it is.
        """
        parts = dict(self.parts)
        for name, text in texts.items():
            blocks = list(self._blocks(name))
            if not text.strip():
                continue
            at = next((i for i, b in enumerate(blocks) if isinstance(b, Prose)), None)
            if at is None:
                blocks.insert(1 if isinstance(blocks[0], Heading) else 0, Prose(text=text))
            else:
                blocks[at] = Prose(text=text)
            parts[name] = tuple(blocks)
        return replace(self, parts=parts)

    def without(self, *names: str) -> WriteUp:
        """Give the write-up without some parts."""
        for name in names:
            self._blocks(name)
        return replace(self, parts={k: v for k, v in self.parts.items() if k not in names})

    def document(self) -> Document:
        """All parts as one document."""
        return Document(
            title=self.title,
            author=self.author,
            written=self.written,
            paper=self.paper,
            language=self.language,
            blocks=tuple(block for part in self.parts.values() for block in part),
            record=self.record,
            colour=self.colour,
            sheets=self.sheets,
        )

    def save(self, path: str | Path) -> Path:
        """Write it as .html, .pdf, .docx or .xlsx, see `write_document`."""
        return write_document(self.document(), path)

    def _blocks(self, name: str) -> tuple[Block, ...]:
        if name not in self.parts:
            raise ValueError(f"there is no part {name!r}; parts: {', '.join(self.parts)}")
        return self.parts[name]


def write_up(
    house: House | str | Path,
    *,
    edition: Edition = "client",
    written: date | None = None,
    paper: Paper | None = None,
    language: str | None = None,
    measures: Iterable[Saving] = (),
    progress: Progress | None = None,
) -> WriteUp:
    """Write up what was measured in a house, how far it can be trusted, and what comes of it.

    Parameters
    ----------
    house : House or path
        With its logs imported. Author, client, site and an image come from [write_up] in its
        house.toml.
    edition : "client" or "technical"
        What a client reads: page one, the loads that matter, how far to trust it, what to do. Or
        all there is.
    written : date, optional
        That the document carries. Default: today.
    paper : "a4" or "letter", optional
        Default: as house.toml says, else as is usual in the house's time zone.
    language : str, optional
        "en-US", "en-GB", "de", "nl", "fr". Default: as house.toml says, else English.
    measures : iterable of Saving
        Further measures to weigh, from `homeenergy.findings`: `replace_unit`, `change_lamps`. What
        is found automatically (switching off, another programme, other hours) is considered
        anyway.
    progress : callable, optional
        Called with (done, of how many, name of the circuit).

    Returns
    -------
    WriteUp
        Whole whatever is missing: what could not be said is named.

    Raises
    ------
    HouseError
        If no circuit has readings.

    Notes
    -----
    Where there are readings and none of them can be believed (a wrong unit of the whole log), the
    document says that and what to set right, and of energy only what the utility meter counted.

    Examples
    --------
    >>> import homeenergy as he
    >>> from homeenergy.show import write_up
    >>> report = he.import_logs("sample_data/canal_flat")
    >>> document = write_up("sample_data/canal_flat")
    >>> document.title, document.paper
    ('Canal flat: what its appliances use, and why', 'a4')
    """
    if not isinstance(house, House):
        house = open_house(house)
    details = house.schedule.write_up
    written = date.today() if written is None else written
    words = Wording(
        language=language or details.language or usual_language(str(house.timezone)),
        currency=None if house.tariff is None else house.tariff.currency,
    )
    sheets: tuple[Table, ...] = ()
    try:
        basis = make_basis(house, progress=progress)
    except NothingBelievedError as error:
        record = make_record(house, (), error.implausible)
        parts = nothing_left(house, words, error.implausible, written=written)
    else:
        record = make_record(basis.house, basis.measured, basis.findings.implausible)
        told = _told(basis, words, measures)
        of_edition = _client if edition == "client" else _technical
        parts, sheets = of_edition(told, written, record), run_sheets(basis, words)
    return WriteUp(
        title=details.title
        or words.say("{house}: what its appliances use, and why", house=house.name),
        author=details.author,
        written=written,
        paper=paper or details.paper or usual_paper(house),
        parts=parts,
        record=record | {"edition": edition},
        language=words.language,
        colour=details.colour,
        sheets=sheets,
    )


def _told(basis: Basis, words: Wording, measures: Iterable[Saving]) -> Told:
    """Work out what there is to say."""
    house = basis.house
    year = house_year(house, basis.findings)
    details = house.schedule.write_up
    given, unsaid = measure_actions(house, basis.measured)
    degrees = [one for f in basis.measured for one in one_degree(f, outdoor=basis.outdoor)]
    advice = find_advice(
        house,
        basis.measured,
        year,
        measures=[*given, *measures, *degrees],
        floor=details.least_saving,
    )
    advice = replace(advice, unsaid=unsaid)
    bills = house.path / BILLS
    return Told(
        billed_year=billed_year(read_bills(bills)) if bills.is_file() else None,
        basis=basis,
        year=year,
        advice=advice,
        looks=look_into(
            house,
            year,
            floor=advice.floor,
            outdoor=basis.outdoor,
            notable=basis.findings.notable,
        ),
        words=words,
        benchmark=read_benchmark(house.path / details.benchmark) if details.benchmark else None,
    )


def _client(told: Told, written: date, record: Mapping[str, Any]) -> dict[str, tuple[Block, ...]]:
    found = told.basis.findings
    assumed = (*assumed_part(told, record), *signed_blocks(told), *photo_blocks(told))
    parts = {
        "front": front_facts(
            told.basis.house, told.words, start=found.start, end=found.end, written=written
        ),
        "summary": page_one(told),
        "loads": (*load_parts(told), *change_part(told)),
        "bill": bill_part(told),
        "trust": trust_part(told),
        "actions": advice_part(told),
        "assumptions": assumed,
    }
    details = told.basis.house.schedule.write_up
    return {
        name: _with_words(blocks, getattr(details, f"words_{name}", ""))
        for name, blocks in parts.items()
    }


def _with_words(blocks: tuple[Block, ...], text: str) -> tuple[Block, ...]:
    """Own words at the beginning of a part, below its heading."""
    if not text.strip():
        return blocks
    at = 1 if blocks and isinstance(blocks[0], Heading) else 0
    return (*blocks[:at], Prose(text=text), *blocks[at:])


def _technical(
    told: Told, written: date, record: Mapping[str, Any]
) -> dict[str, tuple[Block, ...]]:
    advice = told.advice
    versions = (f"{name} {version}" for name, version in record["versions"].items())
    said = rewording(
        told.words,
        told.basis.house,
        findings=told.basis.measured,
        also=(*versions, record["fingerprint"][:HEX_DIGITS], *record["overruled"]),
    )
    basis = replace(told.basis, reword=said)
    parts = {
        "front": front_blocks(basis, written),
        "summary": summary_blocks(basis, advice),
        "measured": measured_blocks(basis),
        "trust": trust_blocks(basis),
        "appliances": appliance_blocks(basis),
        "actions": action_blocks(advice),
        "method": method_blocks(basis, record),
        "limits": limit_blocks(),
    }
    return parts if said is None else said.parts(parts)


def usual_paper(house: House) -> Paper:
    """Give the usual size of paper in the country of a house."""
    return "letter" if str(house.timezone).startswith(LETTER_ZONES) else "a4"
