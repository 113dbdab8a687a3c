"""Numbers with marks between their thousands, as in 1,234.5: how they look, and their value."""

from __future__ import annotations

import re
from collections.abc import Sequence

import pyarrow as pa
import pyarrow.compute as pc

# A mark, and how else it is spelled: spaces that do not break a line, a curled apostrophe.
MARKS = {",": ",", ".": ".", " ": " \u00a0\u202f\u2009", "'": "'\u2019"}
# Groups of three digits after one to three that do not begin with 0, so that 0.234 is none.
_GROUPED = re.compile(
    r"[+-]?[1-9]\d{0,2}(?P<mark>[.,' \u00a0\u202f\u2009\u2019])\d{3}(?:(?P=mark)\d{3})*"
    r"(?:(?!(?P=mark))(?P<decimal>[.,])\d*)?"
)


class BadNumberError(Exception):
    """A cell that is no number, by its row in the column."""

    def __init__(self, row: int, cell: str) -> None:
        super().__init__(cell)
        self.row, self.cell = row, cell


def grouped(cell: str) -> tuple[str, str | None, int] | None:
    """Mark between thousands, decimal mark if any, and how often the first stands there.

    None where the cell cannot have marks between its thousands. A single comma or point, as in
    1,234, may as well be a decimal mark.
    """
    found = _GROUPED.fullmatch(cell.strip())
    if found is None:
        return None
    mark = next(mark for mark, spelled in MARKS.items() if found["mark"] in spelled)
    return mark, found["decimal"], cell.count(found["mark"])


def plain_number(cell: str, *, thousands: str, decimal: str) -> str:
    """Take the marks out of a number, if they part it in threes; else give it as it is."""
    found = grouped(cell)
    if found is None or found[0] != thousands or found[1] not in (None, decimal):
        return cell
    for mark in MARKS[thousands]:
        cell = cell.replace(mark, "")
    return cell


def numbers(
    column: pa.ChunkedArray, *, thousands: str, decimal: str, missing: Sequence[str]
) -> pa.ChunkedArray:
    """Values of a column of texts (float64; null stays null).

    Marks between thousands must part a number in threes, so that 12,34 or 0,512 are refused and
    never taken for 1234 or 512; numbers without marks are read too.

    Raises
    ------
    BadNumberError
        For the first cell that is no such number.
    """
    texts = pc.utf8_trim_whitespace(column.cast(pa.string()))
    texts = pc.if_else(pc.is_in(texts, value_set=pa.array(missing)), None, texts)
    mark, point = f"[{re.escape(MARKS[thousands])}]", re.escape(decimal)
    # Each mark by itself, or "1 234'567" would pass. RE2 knows no backward reference.
    whole = "|".join(rf"[1-9]\d{{0,2}}(?:{re.escape(one)}\d{{3}})+" for one in MARKS[thousands])
    pattern = rf"^[+-]?(?:(?:{whole}|\d+)(?:{point}\d*)?|{point}\d+)(?:[eE][+-]?\d+)?$"
    fits = pc.fill_null(pc.match_substring_regex(texts, pattern), True)
    row = pc.index(fits, False).as_py()
    if row >= 0:
        raise BadNumberError(row, texts[row].as_py())
    plain = pc.replace_substring_regex(texts, mark, "")
    if decimal != ".":
        plain = pc.replace_substring(plain, decimal, ".")
    return plain.cast(pa.float64())
