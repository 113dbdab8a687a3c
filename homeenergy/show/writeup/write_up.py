"""The write-up of a house: all its parts in order, to be shown, overwritten and saved."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any

from homeenergy.findings.saving.saving import Saving
from homeenergy.readings.house import House, open_house
from homeenergy.show.document.blocks import (
    Block,
    Document,
    Heading,
    Paper,
    Prose,
    html_blocks,
)
from homeenergy.show.document.files import write_document
from homeenergy.show.writeup.actions import action_blocks, find_actions
from homeenergy.show.writeup.appliances import appliance_blocks, measured_blocks, trust_blocks
from homeenergy.show.writeup.basis import Progress, make_basis, make_record
from homeenergy.show.writeup.ends import (
    front_blocks,
    limit_blocks,
    method_blocks,
    run_blocks,
    summary_blocks,
)

MOST_ROWS = 30  # of a table, in a notebook


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
        By name, in the order in which they are read: front, summary, measured, trust, appliances,
        actions, method, limits, runs.
    record : mapping
        What it rests on.
    """

    title: str
    author: str
    written: date
    paper: Paper
    parts: Mapping[str, tuple[Block, ...]]
    record: Mapping[str, Any]

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
            language="en",
            blocks=tuple(block for part in self.parts.values() for block in part),
            record=self.record,
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
    written: date | None = None,
    paper: Paper | None = None,
    measures: Iterable[Saving] = (),
    progress: Progress | None = None,
) -> WriteUp:
    """Write up what was measured in a house, how far it can be trusted, and what comes of it.

    Parameters
    ----------
    house : House or path
        With its logs imported. Author, client, site and an image come from [write_up] in its
        house.toml.
    written : date, optional
        That the document carries. Default: today.
    paper : "a4" or "letter", optional
        Default: as house.toml says, else as is usual in the house's time zone.
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
    basis = make_basis(house, progress=progress)
    details = house.schedule.write_up
    written = date.today() if written is None else written
    actions = find_actions(basis, measures)
    record = make_record(basis)
    return WriteUp(
        title=details.title or f"{house.name}: what its appliances use, and why",
        author=details.author,
        written=written,
        paper=paper or details.paper or usual_paper(house),
        parts={
            "front": front_blocks(basis, written),
            "summary": summary_blocks(basis, actions),
            "measured": measured_blocks(basis),
            "trust": trust_blocks(basis),
            "appliances": appliance_blocks(basis),
            "actions": action_blocks(actions),
            "method": method_blocks(basis, record),
            "limits": limit_blocks(),
            "runs": run_blocks(basis),
        },
        record=record,
    )


def usual_paper(house: House) -> Paper:
    """Give the usual size of paper in the country of a house."""
    return "letter" if str(house.timezone).startswith(LETTER_ZONES) else "a4"
