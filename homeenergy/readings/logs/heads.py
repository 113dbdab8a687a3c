"""Head lines that come again in the middle of a log, where its logger began anew."""

from __future__ import annotations

import codecs
import io
from collections.abc import Sequence
from pathlib import Path

import pyarrow as pa
import pyarrow.compute as pc

from homeenergy.errors import HouseError
from homeenergy.house.layouts import LogLayout

ONE_HEAD = "It is another head: cut the file in front of that line, so that each part has one."
_BUFFER_BYTES = 1 << 20


def between_heads(
    stream: pa.NativeFile, layout: LogLayout
) -> tuple[list[tuple[int, int]], list[str]]:
    """Cut a CSV where its head line comes again; give what lies between [bytes], and those lines.

    The first part begins as the file does. Lines below a head (of units) go with it.
    """
    if not layout.header or "\n".encode(layout.encoding) != b"\n":
        return [], []
    parts: list[tuple[int, int]] = []
    heads: list[str] = []
    head = b""
    at = begin = below = 0
    file = io.BufferedReader(stream, _BUFFER_BYTES)
    for number, line in enumerate(iter(lambda: file.readline(_BUFFER_BYTES), b"")):
        text = line.rstrip(b"\r\n")
        if number == layout.lines_above_header:
            head = text.removeprefix(codecs.BOM_UTF8)
        elif below:
            below -= 1
            begin = at + len(line)
        elif head and text == head:
            parts.append((begin, at))
            heads.append(text.decode(layout.encoding, errors="replace"))
            below, begin = layout.lines_below_header, at + len(line)
        at += len(line)
    parts.append((begin, at))
    return ([part for part in parts if part[1] > part[0]], heads) if heads else ([], [])


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
