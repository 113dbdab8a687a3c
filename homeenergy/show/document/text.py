"""Blocks as lines of text for a terminal or a pipe: no colours, no frames."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from textwrap import wrap

from homeenergy.show.document.blocks import (
    Block,
    Bullets,
    Cell,
    Code,
    Facts,
    Heading,
    Note,
    Prose,
    Table,
    Together,
    flat,
    paragraphs,
)

NAME_WIDTH = 22  # of the names of rows, where the other columns leave no more
HEAD_WIDTHS = (16, 10)  # to which a head may widen a narrow column, the first if all then fits
GAP = "  "
NUMBER = re.compile(r"-?[\d,]+(\.\d+)?|-")


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
