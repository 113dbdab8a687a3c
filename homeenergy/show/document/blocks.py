"""A document as blocks: headings, prose, lists, notes, numbered figures and tables.

Texts are what they say: no character of theirs is ever read as markup. Blocks are rendered as lines
of text and as HTML here, as files in `files`.
"""

from __future__ import annotations

import re
from base64 import b64encode
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from html import escape
from textwrap import wrap
from typing import Any, Literal

import pandas as pd

from homeenergy.catalogue import translated

Paper = Literal["a4", "letter"]
NAME_WIDTH = 22  # of the names of rows, where the other columns leave no more
HEAD_WIDTHS = (16, 10)  # to which a head may widen a narrow column, the first if all then fits
GAP = "  "
NUMBER = re.compile(r"-?[\d,]+(\.\d+)?|-")
JPEG = b"\xff\xd8"  # first bytes of such a file
STYLE = """
:root { color-scheme: light; }
body { font: 16px/1.5 system-ui, "DejaVu Sans", sans-serif; color: #1a1a1a; background: #fff;
       max-width: 62rem; margin: 2rem auto; padding: 0 1rem; }
h1 { font-size: 1.7rem; margin-bottom: 0.2rem; }
h1 + p { margin-bottom: 0; }
h1 + p + p { margin-top: 0; }
h2 { font-size: 1.25rem; margin-top: 2.2rem; border-top: 1px solid #ccc; padding-top: 1rem; }
.table { overflow-x: auto; }
table { border-collapse: collapse; font-variant-numeric: tabular-nums; font-size: 0.92rem; }
caption { text-align: left; padding-bottom: 0.5rem; color: #444; }
caption div { max-width: min(60rem, 100vw - 2rem); }
th, td { padding: 0.3rem 0.5rem; text-align: right; vertical-align: top;
         border-bottom: 1px solid #ddd; white-space: nowrap; }
thead th { border-bottom: 2px solid #444; vertical-align: bottom; white-space: normal; }
.words { text-align: left; white-space: normal; min-width: 6.5rem; }
.unit { font-weight: normal; white-space: nowrap; }
td small { color: #555; display: block; }
figure { margin: 1rem 0; }
img { max-width: 100%; height: auto; }
aside { border: 2px solid #444; padding: 0.6rem 1rem; margin-top: 2.5rem; }
@media print {
  body { max-width: none; margin: 0; font-size: 10.5pt; }
  h2 { break-after: avoid; margin-top: 0.8rem; padding-top: 0.4rem; }
  section, figure, tr { break-inside: avoid; }
  .table { overflow: visible; }
  img { max-height: 7.8cm; width: auto; }
  th, td { padding: 0.15rem 0.35rem; font-size: 8.5pt; }
}
"""


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
    colour : str
        Of headings, such as "#0072B2"; empty for black.
    sheets : tuple of Table
        Tables that only a spreadsheet holds, after those of `blocks`: lists of runs.
    """

    title: str
    blocks: tuple[Block, ...]
    written: date
    author: str = ""
    language: str = "en"
    paper: Paper = "a4"
    record: Mapping[str, Any] = field(default_factory=dict)
    colour: str = ""
    sheets: tuple[Table, ...] = ()


def flat(blocks: Iterable[Block]) -> Iterator[Block]:
    """Give all blocks, and those that stay together one by one."""
    for block in blocks:
        if isinstance(block, Together):
            yield from block.blocks
        else:
            yield block


def captions(blocks: Iterable[Block], *, language: str = "en") -> Iterator[str]:
    """Give the caption, with its number, of each figure and table that has one."""
    figures = tables = 0
    for block in flat(blocks):
        if isinstance(block, Picture) and block.caption:
            figures += 1
            number = translated("Figure {number}.", language).format(number=figures)
            yield f"{number} {block.caption}"
        elif isinstance(block, Table) and block.caption:
            tables += 1
            number = translated("Table {number}.", language).format(number=tables)
            yield f"{number} {block.caption}"


def paragraphs(text: str) -> list[str]:
    """Give the paragraphs of a text, which empty lines separate."""
    return [part for part in text.split("\n\n") if part.strip()]


def text_lines(blocks: Iterable[Block], *, width: int) -> list[str]:
    """Lay blocks out as lines of at most `width` characters.

    Parameters
    ----------
    blocks : iterable of blocks
        Of a picture its words are given.
    width : int
        Characters in a line. Columns of a table that do not fit go to a further table below, with
        the names of its rows again: no cell is cut, and a single column wider than the line stays
        whole, as does `Code`.

    Returns
    -------
    list of str
    """
    lines: list[str] = []
    after: Block | None = None
    for block in flat(blocks):
        close = isinstance(after, Heading) and not isinstance(block, Table)
        inner = _lines(block, width)
        if inner:
            lines += [""] if lines and not close else []
            lines += inner
            after = block
    return lines


def _lines(block: Block, width: int) -> list[str]:
    if isinstance(block, Heading):
        return wrap(block.text, width)
    if isinstance(block, Prose):
        return [line for p in paragraphs(block.text) for line in ("", *wrap(p, width))][1:]
    if isinstance(block, Note):
        return wrap(f"{block.about}. {block.text}" if block.about else block.text, width)
    if isinstance(block, Code):
        return block.text.split("\n")
    if isinstance(block, Facts):
        return [line for name, text in block.rows for line in wrap(f"{name}: {text}", width)]
    if isinstance(block, Bullets):
        return [
            line
            for number, item in enumerate(block.items, start=1)
            for line in _item(item, block.mark.replace("1", str(number)) + " ", width)
        ]
    if isinstance(block, Table):
        return _table(block, width)
    return [] if isinstance(block, Together) else wrap(block.alternative, width)


def _item(item: str | Sequence[Prose | Code | Bullets], lead: str, width: int) -> list[str]:
    """Lines of one item of a list, indented below its mark."""
    blocks = (Prose(text=item),) if isinstance(item, str) else item
    lines = [line for block in blocks for line in _lines(block, width - len(lead))]
    return [(" " * len(lead) if i else lead) + line for i, line in enumerate(lines)]


def _table(table: Table, width: int) -> list[str]:
    names = [str(first) for first, *_ in table.rows]
    for head_width in HEAD_WIDTHS:
        columns = _columns(table, head_width)
        left = width - sum(len(GAP) + len(column[0]) for column in columns)
        if left >= min(max(map(len, [table.head[0], *names])), NAME_WIDTH):
            break
    wrapped = [wrap(name, max(left, NAME_WIDTH)) or [""] for name in names]
    name_width = max(len(line) for name in [[table.head[0]], *wrapped] for line in name)
    lines: list[str] = []
    for block in _that_fit(columns, width - name_width):
        lines += [""] if lines else []
        lines += _block_lines(table.head[0].ljust(name_width), block, wrapped)
    return lines


def _that_fit(columns: Sequence[list[str]], width: int) -> list[list[list[str]]]:
    blocks: list[list[list[str]]] = [[]]
    used = 0
    for column in columns:
        needed = len(GAP) + len(column[0])
        if blocks[-1] and used + needed > width:
            blocks.append([])
            used = 0
        blocks[-1].append(column)
        used += needed
    return blocks


def _block_lines(head: str, columns: list[list[str]], names: list[list[str]]) -> list[str]:
    """Heads, a rule and rows; the heads of shorter columns stand at the bottom."""
    blank = " " * len(head)
    heads = max([len(column) for column in columns], default=len(names) + 1) - len(names)
    columns = [[" " * len(c[0])] * (heads + len(names) - len(c)) + c for c in columns]
    firsts = [*[blank] * (heads - 1), head, *(name[0].ljust(len(head)) for name in names)]
    lines = [GAP.join(cells).rstrip() for cells in zip(firsts, *columns, strict=True)]
    rule = "-" * max(map(len, lines))
    rows = [[line, *name[1:]] for line, name in zip(lines[heads:], names, strict=True)]
    return [*lines[:heads], rule, *(line for row in rows for line in row)]


def _columns(table: Table, head_width: int) -> list[list[str]]:
    """Lines of each column but the first: head, unit and a cell for each row, of one width."""
    columns = []
    units = table.units or ("",) * len(table.head)
    for i in range(1, len(table.head)):
        cells = [row[i] for row in table.rows]
        measured = any(isinstance(cell, Cell) for cell in cells)
        texts = _points_below_one_another(cells) if measured else [str(cell) for cell in cells]
        parts = (table.head[i], units[i])
        longest_word = max([len(word) for part in parts for word in part.split()], default=0)
        room = max([longest_word, min(head_width, max(map(len, parts))), *map(len, texts)])
        lines = [line for part in parts for line in wrap(part, room)] or [""]
        lines += texts
        wide = max(map(len, lines))
        right = i in table.numeric and not measured
        columns.append([line.rjust(wide) if right else line.ljust(wide) for line in lines])
    return columns


def _points_below_one_another(cells: Sequence[str | Cell]) -> list[str]:
    """Values with their decimal points below one another, each followed by its interval."""
    values = [cell.text if isinstance(cell, Cell) else cell for cell in cells]
    numbers = [text for text in values if NUMBER.fullmatch(text)]
    before = max([len(text.split(".")[0]) for text in numbers], default=0)
    after = max([len(text) - len(text.split(".")[0]) for text in numbers], default=0)
    texts = []
    for value, cell in zip(values, cells, strict=True):
        whole = value.split(".")[0]
        text = f"{whole:>{before}}{value[len(whole) :]:<{after}}"
        if not NUMBER.fullmatch(value):
            text = value.rjust(before + after)
        interval = cell.interval if isinstance(cell, Cell) else ""
        texts.append(f"{text} ({interval})" if interval else text)
    return texts


def html_page(title: str, blocks: Iterable[Block]) -> str:
    """Write a whole page: its title as the first heading, then the blocks."""
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{escape(title)}</title>
<style>{STYLE}</style>
</head>
<body>
<h1>{escape(title)}</h1>
{html_blocks(blocks)}
</body>
</html>
"""


def html_blocks(blocks: Iterable[Block], *, most_rows: int | None = None) -> str:
    """Write blocks as HTML, their headings from level 2 on.

    Parameters
    ----------
    blocks : iterable of blocks
    most_rows : int, optional
        Of a table; how many more there are is said below it. Default: all.
    """
    return "\n".join(_html(block, most_rows) for block in blocks)


def _html(block: Block, most_rows: int | None) -> str:
    if isinstance(block, Heading):
        return f"<h{block.level + 1}>{escape(block.text)}</h{block.level + 1}>"
    if isinstance(block, Prose):
        return "".join(f"<p>{_words(part)}</p>" for part in paragraphs(block.text))
    if isinstance(block, Note):
        about = f"<strong>{escape(block.about)}.</strong> " if block.about else ""
        return f"<aside><p>{about}{_words(block.text)}</p></aside>"
    if isinstance(block, Code):
        return f"<pre>{escape(block.text)}</pre>"
    if isinstance(block, Facts):
        lines = (f"<b>{escape(name)}:</b> {escape(text)}" for name, text in block.rows)
        return "<p>" + "<br>".join(lines) + "</p>"
    if isinstance(block, Bullets):
        tag = "ol" if block.mark == "1." else "ul"
        items = (_words(i) if isinstance(i, str) else html_blocks(i) for i in block.items)
        return f"<{tag}>" + "".join(f"<li>{item}</li>" for item in items) + f"</{tag}>"
    if isinstance(block, Picture):
        return _figure(block)
    if isinstance(block, Table):
        return _html_table(block, most_rows)
    return f"<section>\n{html_blocks(block.blocks, most_rows=most_rows)}\n</section>"


def _words(text: str) -> str:
    """Text as HTML; what stands between backticks is a command or a line to write."""
    return re.sub(r"`([^`]+)`", r"<code>\1</code>", escape(text))


def _figure(picture: Picture) -> str:
    kind = "jpeg" if picture.image.startswith(JPEG) else "png"
    data = b64encode(picture.image).decode("ascii")
    caption = f"<figcaption>{escape(picture.caption)}</figcaption>" if picture.caption else ""
    return (
        f'<figure><img style="max-width:100%" src="data:image/{kind};base64,{data}" '
        f'alt="{escape(picture.alternative)}">{caption}</figure>'
    )


def _html_table(table: Table, most_rows: int | None) -> str:
    side = ["" if i in table.numeric else ' class="words"' for i in range(len(table.head))]
    units = table.units or ("",) * len(table.head)
    heads = "".join(
        f'<th scope="col"{words}>{escape(head)}'
        + (f' <span class="unit">[{escape(unit)}]</span></th>' if unit else "</th>")
        for head, unit, words in zip(table.head, units, side, strict=True)
    )
    rows = table.rows[:most_rows]
    body = "\n".join(
        f'<tr><th scope="row"{side[0]}>{escape(str(first))}</th>'
        + "".join(_cell(cell, words) for cell, words in zip(cells, side[1:], strict=True))
        + "</tr>"
        for first, *cells in rows
    )
    more = len(table.rows) - len(rows)
    caption = f"<caption><div>{escape(table.caption)}</div></caption>" if table.caption else ""
    return (
        f'<div class="table"><table>\n{caption}\n<thead><tr>{heads}</tr></thead>\n'
        f"<tbody>\n{body}\n</tbody>\n</table></div>"
        + (f"<p>and {more} more rows</p>" if more else "")
    )


def _cell(cell: str | Cell, words: str) -> str:
    if isinstance(cell, str):
        return f"<td{words}>{escape(cell)}</td>"
    ends = escape(cell.interval).replace(", only", ",<br>only")
    below = f"<small>{ends}</small>" if cell.interval else ""
    return f'<td{words} title="{escape(cell.basis)}">{escape(cell.text)}{below}</td>'
