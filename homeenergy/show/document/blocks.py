"""A document as blocks: headings, prose, lists, notes, numbered figures and tables.

Texts are what they say: no character of theirs is ever read as markup. Blocks are rendered as lines
of text (`text`), as HTML (`html`), and as files (`files`).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any, Literal

import pandas as pd

Paper = Literal["a4", "letter"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Heading:
    """A heading; `level` 1 begins a part. `new_page` starts it on a page of its own."""

    text: str
    level: int = 1
    new_page: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Prose:
    """Paragraphs, separated by empty lines."""

    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """A paragraph that must not be missed, and what it is about."""

    text: str
    about: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Code:
    """Text to copy: its lines stay whole."""

    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """Lines of a name and its value: client, site, dates."""

    rows: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Bullets:
    """A list of short texts, or of blocks; with the mark "1." they are numbered."""

    items: tuple[str | tuple[Prose | Code | Bullets, ...], ...]
    mark: str = "-"


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A figure: PNG or JPEG, its caption, and what it shows in words for who cannot see it."""

    image: bytes
    alternative: str
    caption: str = ""
    width_share: float = 1.0


@dataclass(frozen=True, slots=True)
class Cell:
    """A measured value in a table: its text, its interval, and how it was obtained."""

    text: str
    interval: str = ""
    basis: str = ""

    def __str__(self) -> str:
        return f"{self.text} ({self.interval})" if self.interval else self.text


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Table:
    """A table; its first column names the rows. Without a caption it is not numbered.

    `units` stand with the heads; `numeric` are the columns that are aligned to the right; `data` is
    the numbers behind the texts, for a spreadsheet, under the name `sheet`.
    """

    head: tuple[str, ...]
    rows: tuple[tuple[str | Cell, ...], ...]
    units: tuple[str, ...] = ()
    caption: str = ""
    numeric: frozenset[int] = frozenset()
    sheet: str = ""
    data: pd.DataFrame | None = None

    @property
    def labels(self) -> tuple[str, ...]:
        """Heads with their units: "standby [W]"."""
        units = self.units or ("",) * len(self.head)
        return tuple(f"{h} [{u}]" if u else h for h, u in zip(self.head, units, strict=True))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Together:
    """Blocks that stay on one page."""

    blocks: tuple[Heading | Prose | Note | Code | Facts | Bullets | Picture | Table, ...]


Block = Heading | Prose | Note | Code | Facts | Bullets | Picture | Table | Together


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Document:
    """A whole document.

    Attributes
    ----------
    title, author, language : str
        `language` as in "en" or "en-US".
    written : date
    paper : "a4" or "letter"
    blocks : tuple
        In the order in which they are read.
    record : mapping
        What the document rests on, for a later check; kept inside each file.
    """

    title: str
    blocks: tuple[Block, ...]
    written: date
    author: str = ""
    language: str = "en"
    paper: Paper = "a4"
    record: Mapping[str, Any] = field(default_factory=dict)


def flat(blocks: Iterable[Block]) -> Iterator[Block]:
    """Give all blocks, and those that stay together one by one."""
    for block in blocks:
        if isinstance(block, Together):
            yield from block.blocks
        else:
            yield block


def captions(blocks: Iterable[Block]) -> Iterator[str]:
    """Give the caption, with its number, of each figure and table that has one."""
    figures = tables = 0
    for block in flat(blocks):
        if isinstance(block, Picture) and block.caption:
            figures += 1
            yield f"Figure {figures}. {block.caption}"
        elif isinstance(block, Table) and block.caption:
            tables += 1
            yield f"Table {tables}. {block.caption}"


def paragraphs(text: str) -> list[str]:
    """Give the paragraphs of a text, which empty lines separate."""
    return [part for part in text.split("\n\n") if part.strip()]
