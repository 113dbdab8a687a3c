"""A document as blocks: headings, prose, lists, numbered figures and tables.

Texts are what they say: no character of theirs is ever read as markup.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any, Literal

import pandas as pd

Paper = Literal["a4", "letter"]
# Version of pandoc's own form of a document, and the empty attributes of a piece of it.
PANDOC_API = [1, 23, 1]
NO_ATTRIBUTES: list[Any] = ["", [], []]
# Letters of the narrowest and of the widest column, between two, and of a full line of a table.
NARROWEST, WIDEST, BETWEEN, FULL = 4, 34, 4, 100


@dataclass(frozen=True, slots=True, kw_only=True)
class Heading:
    """A heading; `level` 1 begins a part. `new_page` starts it on a page of its own."""

    text: str
    level: int = 1
    new_page: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Prose:
    """Paragraphs, which an empty line parts."""

    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """Lines of a name and what it stands for: client, site, dates."""

    rows: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Bullets:
    """A list of short texts."""

    items: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A figure: PNG or JPEG, its caption, and what it shows in words for who cannot see it."""

    image: bytes
    caption: str
    alternative: str
    width_share: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Grid:
    """A table of texts. Without a caption it is not numbered.

    `numeric` are the columns that are aligned to the right; `data` is what stands behind the
    texts, for a spreadsheet, under the name `sheet`.
    """

    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    caption: str = ""
    numeric: frozenset[int] = frozenset()
    sheet: str = ""
    data: pd.DataFrame | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Together:
    """Blocks that stay on one page."""

    blocks: tuple[Heading | Prose | Facts | Bullets | Picture | Grid, ...]


Block = Heading | Prose | Facts | Bullets | Picture | Grid | Together


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
        if isinstance(block, Picture):
            figures += 1
            yield f"Figure {figures}. {block.caption}"
        elif isinstance(block, Grid) and block.caption:
            tables += 1
            yield f"Table {tables}. {block.caption}"


def pandoc_form(
    document: Document, pictures: Sequence[str], *, widths: bool = False
) -> dict[str, Any]:
    """Give the document in pandoc's own form (its JSON), so that no text needs to be escaped.

    Parameters
    ----------
    document : Document
    pictures : sequence of str
        File of each picture, in order.
    widths : bool
        Whether to say how wide the columns of tables are, for a format that does not fit them to
        what they hold.
    """
    meta = {
        "title": _node("MetaInlines", _inlines(document.title)),
        "author": _node("MetaInlines", _inlines(document.author)),
        "lang": _node("MetaString", document.language),
    }
    numbers, files = captions(document.blocks), iter(pictures)
    blocks = _nodes(document.blocks, captions=numbers, files=files, widths=widths)
    return {"pandoc-api-version": PANDOC_API, "meta": meta, "blocks": blocks}


def _nodes(
    blocks: Iterable[Block], *, captions: Iterator[str], files: Iterator[str], widths: bool
) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = []
    for block in blocks:
        if isinstance(block, Heading):
            classes = ["new-page"] if block.new_page else []
            found += _page_break() if block.new_page else []
            found.append(_node("Header", [block.level, ["", classes, []], _inlines(block.text)]))
        elif isinstance(block, Prose):
            found += [_node("Para", _inlines(part)) for part in _paragraphs(block.text)]
        elif isinstance(block, Facts):
            found.append(_node("Para", _facts(block)))
        elif isinstance(block, Bullets):
            items = [[_node("Plain", _inlines(item))] for item in block.items]
            found.append(_node("BulletList", items))
        elif isinstance(block, Picture):
            found.append(_figure(block, next(captions), next(files)))
        elif isinstance(block, Grid):
            caption = next(captions) if block.caption else ""
            found.append(_table(block, caption, widths=column_shares(block) if widths else None))
        else:
            inner = _nodes(block.blocks, captions=captions, files=files, widths=widths)
            found.append(_node("RawBlock", ["typst", "#block(breakable: false)["]))
            found.append(_node("Div", [["", ["together"], []], inner]))
            found.append(_node("RawBlock", ["typst", "]"]))
    return found


def _node(kind: str, content: object) -> dict[str, Any]:
    return {"t": kind, "c": content}


def _inlines(text: str) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = []
    for word in text.split():
        if found:
            found.append({"t": "Space"})
        found.append(_node("Str", word))
    return found


def _page_break() -> list[dict[str, Any]]:
    """Begin a new page where there are pages; HTML has it from the style of the heading."""
    return [
        _node("RawBlock", ["typst", "#pagebreak(weak: true)"]),
        _node("RawBlock", ["openxml", '<w:p><w:r><w:br w:type="page"/></w:r></w:p>']),
    ]


def _facts(facts: Facts) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = []
    for name, text in facts.rows:
        found += [{"t": "LineBreak"}] if found else []
        found += [_node("Strong", _inlines(f"{name}:")), {"t": "Space"}, *_inlines(text)]
    return found


def _paragraphs(text: str) -> list[str]:
    return [part for part in text.split("\n\n") if part.strip()]


def _figure(picture: Picture, caption: str, file: str) -> dict[str, Any]:
    width = ["", [], [["width", f"{100 * picture.width_share:g}%"]]]
    image = _node("Image", [width, _inlines(picture.alternative), [file, ""]])
    under = [None, [_node("Plain", _inlines(caption))]]
    return _node("Figure", [NO_ATTRIBUTES, under, [_node("Plain", [image])]])


def column_shares(grid: Grid) -> list[float]:
    """Share of the width of a page that each column needs, by the longest text in it."""
    columns = zip(grid.head, *grid.rows, strict=True)
    longest = [max(map(len, texts), default=0) for texts in columns]
    wide = [min(max(letters, NARROWEST), WIDEST) + BETWEEN for letters in longest]
    return [one / max(sum(wide), FULL) for one in wide]


def _table(grid: Grid, caption: str, *, widths: list[float] | None) -> dict[str, Any]:
    align = ["AlignRight" if i in grid.numeric else "AlignLeft" for i in range(len(grid.head))]
    fit: list[dict[str, Any]] = [{"t": "ColWidthDefault"}] * len(align)
    if widths is not None:
        fit = [_node("ColWidth", share) for share in widths]
    columns = [[{"t": side}, width] for side, width in zip(align, fit, strict=True)]

    def row(texts: Sequence[str]) -> list[Any]:
        default = {"t": "AlignDefault"}
        cells = [[NO_ATTRIBUTES, default, 1, 1, [_node("Plain", _inlines(text))]] for text in texts]
        return [NO_ATTRIBUTES, cells]

    over = [None, [_node("Plain", _inlines(caption))] if caption else []]
    head = [NO_ATTRIBUTES, [row(grid.head)] if any(grid.head) else []]
    body = [NO_ATTRIBUTES, 0, [], [row(texts) for texts in grid.rows]]
    return _node("Table", [NO_ATTRIBUTES, over, columns, head, [body], [NO_ATTRIBUTES, []]])
