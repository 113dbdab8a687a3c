"""Head lines that come again in the middle of a log, where its logger began anew."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

import pyarrow as pa
import pyarrow.compute as pc

from homeenergy.errors import HouseError
from homeenergy.house.layouts import LogLayout

ONE_HEAD = "It is another head: cut the file in front of that line, so that each part has one."
_BYTE_ORDER_MARK = b"\xef\xbb\xbf"


def between_heads(whole: pa.Buffer, layout: LogLayout) -> tuple[list[pa.Buffer], list[str]]:
    """Cut a CSV where its head line comes again; give what lies between, and those lines.

    The first part begins as the file does. Lines below a head (of units) go with it.
    """
    if not layout.header or "\n".encode(layout.encoding) != b"\n":
        return [], []
    view = memoryview(whole)
    ends = re.finditer(rb"\n", view)
    at = 0
    for _ in range(layout.lines_above_header):
        at = next(ends).end()
    found = re.compile(rb"[^\r\n]*").match(view, at)
    line = found[0].removeprefix(_BYTE_ORDER_MARK) if found else b""
    if not line:
        return [], []
    below = rb"(?:\n[^\n]*){%d}" % layout.lines_below_header
    again = re.compile(rb"(?<=\n)" + re.escape(line) + rb"\r?" + below + rb"(?:\n|\Z)")
    parts, begin, lines = [], 0, []
    for one in again.finditer(view, at + len(line)):
        parts.append(whole.slice(begin, one.start() - begin))
        lines.append(line.decode(layout.encoding, errors="replace"))
        begin = one.end()
    parts.append(whole.slice(begin))
    return ([part for part in parts if part.size], lines) if lines else ([], [])


def without_heads(table: pa.Table, name: str | int, lines: list[str]) -> pa.Table:
    """Rows of texts but those that hold the head `name` in their first column; take down which."""
    if not all(pa.types.is_string(column.type) for column in table.columns):
        return table  # elsewhere a head does not fit
    same = pc.fill_null(pc.equal(pc.utf8_trim_whitespace(table.column(0)), str(name)), False)
    if pc.any(same).as_py():
        heads = table.filter(same).to_pylist()
        lines += [", ".join(str(cell) for cell in row.values()) for row in heads]
        table = table.filter(pc.invert(same))
    return table


def is_head(row: Sequence[str], names: Sequence[str | int]) -> bool:
    """Whether a line is the head line once more."""
    return [cell.strip() for cell in row] == list(names)


def other_head(
    row: Sequence[str], names: Sequence[str | int], *, path: Path, line: int
) -> HouseError | None:
    """What is wrong with a line that names the columns in another order, or some others."""
    cells = [cell.strip() for cell in row]
    same = set(cells) & set(names)
    if len(same) * 2 < len(names) or len(set(cells)) < len(cells):
        return None
    what = f"in which {', '.join(repr(cell) for cell in cells if cell not in same)} are new"
    if set(cells) == set(names):
        what = f"with its columns in another order: {', '.join(cells)}"
    return HouseError(f"is another head line, {what}", path=path, line=line, fix=ONE_HEAD)
