"""Numbers in cells of text, with marks between their thousands or units after them."""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from homeenergy.house.log_columns import scale_of, spelled_unit

# A mark, and how else it is spelled: spaces that do not break a line, a curled apostrophe.
MARKS = {",": ",", ".": ".", " ": " \u00a0\u202f\u2009", "'": "'\u2019"}
# Groups of three digits after one to three that do not begin with 0, so that 0.234 is none.
_GROUPED = re.compile(
    r"[+-]?[1-9]\d{0,2}(?P<mark>[.,' \u00a0\u202f\u2009\u2019])\d{3}(?:(?P=mark)\d{3})*"
    r"(?:(?!(?P=mark))(?P<decimal>[.,])\d*)?"
)


# A number, however it is marked, and letters or a sign after it.
_WITH_UNIT = re.compile(
    r"([+-]?[\d.,][\d.,' \u00a0\u202f\u2009\u2019]*?(?:[eE][+-]?\d+)?)\s*"
    r"([^\W\d_][^\d]*|[°º℃℉%€$£][^\d]*)"
)


def split_unit(cell: str) -> tuple[str, str]:
    """Number and unit of a cell such as 120 W; the cell as it is and "" where there is no unit."""
    found = _WITH_UNIT.fullmatch(cell.strip())
    return (found[1], found[2].strip()) if found else (cell, "")


# In brackets, with a dash before it, or with a hyphen or a dash after it.
_OTHER_MINUS = (
    r"^\s*(?:\(\s*([\d.,][^()]*?)\s*\)|[\x{2212}\x{2013}\x{2012}]\s*([\d.,].*?)"
    r"|([\d.,][^-\x{2212}\x{2013}]*?)\s*[-\x{2212}\x{2013}])\s*$"
)
_NEGATIVE = re.compile(_OTHER_MINUS.replace("x{", "u").replace("}", ""))


def with_hyphen(cell: str) -> str:
    """A negative number with a hyphen before it, however it is written; else the cell."""
    found = _NEGATIVE.match(cell)
    return "-" + next(filter(None, found.groups())) if found else cell


def with_hyphens(column: pa.ChunkedArray) -> pa.ChunkedArray:
    """Cells of which negative numbers have a hyphen before them, as by `with_hyphen`."""
    return pc.replace_substring_regex(column.cast(pa.string()), _OTHER_MINUS, r"-\1\2\3")


def without_prefix(unit: str) -> tuple[str, float]:
    """Part a unit into what it is of, and how many of these: kW into W and 1000."""
    unit = spelled_unit(unit)
    if len(unit) > 1 and unit[0] in "kK":
        return unit[1:], 1000.0
    scale = scale_of(unit)
    return (unit, scale) if scale == 1 else (unit[1:], scale)


def split_units(
    column: pa.ChunkedArray,
) -> tuple[pa.ChunkedArray, list[str | None], NDArray[np.int64]]:
    """Numbers of a column of cells with their units, the different units, and each row's.

    A row without a unit has -1.
    """
    coded = column.cast(pa.string()).combine_chunks().dictionary_encode()
    coded = coded.combine_chunks() if isinstance(coded, pa.ChunkedArray) else coded
    parts = [split_unit(cell) for cell in coded.dictionary.to_pylist()]
    units: list[str | None] = list(dict.fromkeys(unit for _, unit in parts if unit))
    plain = pa.array([number for number, _ in parts], pa.string()).take(coded.indices)
    of_cell = np.array([units.index(unit) if unit else -1 for _, unit in parts] or [-1])
    which = of_cell[coded.indices.fill_null(0).to_numpy(zero_copy_only=False)]
    return pa.chunked_array([plain]), units, which


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
    marks, point = MARKS.get(thousands, ""), re.escape(decimal)
    # Each mark by itself, or "1 234'567" would pass. RE2 knows no backward reference.
    parted = [rf"[1-9]\d{{0,2}}(?:{re.escape(one)}\d{{3}})+" for one in marks]
    whole = "|".join([*parted, r"\d+"])
    pattern = rf"^[+-]?(?:(?:{whole})(?:{point}\d*)?|{point}\d+)(?:[eE][+-]?\d+)?$"
    fits = pc.fill_null(pc.match_substring_regex(texts, pattern), True)
    row = pc.index(fits, False).as_py()
    if row >= 0:
        raise BadNumberError(row, texts[row].as_py())
    plain = pc.replace_substring_regex(texts, f"[{re.escape(marks)}]", "") if marks else texts
    if decimal != ".":
        plain = pc.replace_substring(plain, decimal, ".")
    return plain.cast(pa.float64())
