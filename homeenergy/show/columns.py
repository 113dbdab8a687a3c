"""Aligned columns of text that fit a terminal, with no number ever cut."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from textwrap import wrap

LONGEST_NAME = 22
GAP = "  "


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One column: lines of its heading, and a cell for each row, all aligned to the right."""

    heading: tuple[str, ...]
    cells: tuple[str, ...]
    left: bool = False

    @property
    def width(self) -> int:
        """Characters that the widest cell or heading line takes."""
        return max(map(len, (*self.heading, *self.cells)), default=0)


def column_lines(
    heading: str, names: Sequence[str], columns: Sequence[Column], *, width: int
) -> list[str]:
    """Lay columns out beside the names of their rows.

    Parameters
    ----------
    heading : str
        Over the names.
    names : sequence of str
        One for each row; long ones go on to a further line.
    columns : sequence of Column
    width : int
        Characters in a line. Columns that do not fit go to a further block below, with the names
        repeated. A single column wider than the line is not cut.

    Returns
    -------
    list of str
        An empty line before each block.
    """
    wrapped = [wrap(name, LONGEST_NAME) or [""] for name in names]
    name_width = max(len(heading), *(len(line) for name in wrapped for line in name))
    lines = []
    for block in _blocks(columns, width - name_width):
        lines += ["", *_block_lines(heading, block, wrapped, name_width)]
    return lines


def _blocks(columns: Sequence[Column], width: int) -> list[list[Column]]:
    blocks: list[list[Column]] = [[]]
    used = 0
    for column in columns:
        needed = len(GAP) + column.width
        if blocks[-1] and used + needed > width:
            blocks.append([])
            used = 0
        blocks[-1].append(column)
        used += needed
    return blocks


def _block_lines(
    heading: str, block: list[Column], names: list[list[str]], name_width: int
) -> list[str]:
    def line(name: str, texts: Sequence[str]) -> str:
        cells = [
            text.ljust(column.width) if column.left else text.rjust(column.width)
            for text, column in zip(texts, block, strict=True)
        ]
        return GAP.join([name.ljust(name_width), *cells]).rstrip()

    lines = [
        line(name, [column.heading[i] for column in block]) for i, name in enumerate(("", heading))
    ]
    lines.append("-" * max(map(len, lines)))
    for i, name in enumerate(names):
        lines.append(line(name[0], [column.cells[i] for column in block]))
        lines += name[1:]
    lines[2] = "-" * max(map(len, lines))
    return lines
