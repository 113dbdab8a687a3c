"""Which marks the numbers of a text log are written with: before decimals, between thousands."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from homeenergy.errors import HouseError
from homeenergy.readings.thousands import grouped

NUMBER = re.compile(r"[+-]?\d+(?:([.,])\d+)?(?:[eE][+-]?\d+)?|[+-]?([.,])\d+")
_ROWS = 20_000
_STATE = 'State decimal = "," or decimal = "." after checking which columns matter.'


def is_number(cell: str) -> bool:
    """Whether a cell is a number, however it is marked."""
    return bool(NUMBER.fullmatch(cell.strip())) or grouped(cell) is not None


@dataclass(slots=True)
class _Seen:
    """What cells say about marks.

    `decimals` counts marks that can only be decimal, `thousands` those that can only stand between
    thousands; `either` holds numbers such as 1,234 that may be meant either way, by mark; `mixed`
    the marks of columns in which such numbers stand beside whole ones below 1000, and no others.
    """

    decimals: Counter[str] = field(default_factory=Counter)
    thousands: Counter[str] = field(default_factory=Counter)
    either: dict[str, str] = field(default_factory=dict)
    mixed: set[str] = field(default_factory=set)


def number_marks(
    rows: Sequence[tuple[str, ...]], *, delimiter: str, path: Path
) -> tuple[str, str, list[str]]:
    """Decimal mark, mark between thousands ("" for none), and what a person should check.

    Raises
    ------
    HouseError
        If it cannot be told whether 1,234 is a thousand and more or little more than one.
    """
    seen = _Seen()
    for column in zip(*rows[:_ROWS], strict=True):
        _look(column, seen)
    between = set(seen.thousands)
    if not between and seen.decimals["."] and "," in seen.either and not seen.decimals[","]:
        between = {","}  # a decimal point stands elsewhere
    if between:
        return _with_thousands(between, seen, path)
    comma = seen.decimals[","] or ("," in seen.either)
    point = seen.decimals["."] or ("." in seen.either)
    if comma and point and delimiter != ",":
        raise _two_decimals(path)
    mark = "," if comma and (delimiter != "," or "," in seen.either) else "."
    if not seen.decimals[mark] and mark in seen.either:
        if mark in seen.mixed or delimiter == mark:
            raise _unclear(seen.either[mark], mark, path)
        return mark, "", [*_comma(mark), _three_decimals(seen.either[mark], mark)]
    return ("." if delimiter == "," else mark), "", _comma(mark) if delimiter != "," else []


def _comma(mark: str) -> list[str]:
    return ["decimal comma"] if mark == "," else []


def _three_decimals(cell: str, mark: str) -> str:
    return (
        f"every number has three digits after its {mark!r}, as {cell!r}: taken as decimals; if "
        f'they are thousands, write thousands = "{mark}"'
    )


def _look(column: Sequence[str], seen: _Seen) -> None:
    cells = [cell.strip() for cell in column if cell.strip()]
    if 2 * sum(map(is_number, cells)) < len(cells):
        return  # names, times
    own = _Seen()
    for cell in cells:
        _look_at(cell, own)
    seen.decimals += own.decimals
    seen.thousands += own.thousands
    seen.either |= own.either
    plain = [cell for cell in cells if cell.lstrip("+-").isdecimal()]
    if plain and all(len(cell.lstrip("+-")) <= 3 for cell in plain):
        seen.mixed |= {mark for mark in own.either if not own.decimals[mark]}
    elif plain:  # 1234 without a mark: those that stand in this column are decimal
        seen.decimals += Counter(own.either.keys() - own.thousands.keys())


def _look_at(cell: str, seen: _Seen) -> None:
    parts = grouped(cell)
    if parts is None:
        found = NUMBER.fullmatch(cell)
        if found and (found[1] or found[2]):
            seen.decimals[found[1] or found[2]] += 1
        return
    mark, decimal, times = parts
    if decimal:
        seen.decimals[decimal] += 1
    if decimal or times > 1 or mark not in ".,":
        seen.thousands[mark] += 1
    else:
        seen.either.setdefault(mark, cell)


def _with_thousands(between: set[str], seen: _Seen, path: Path) -> tuple[str, str, list[str]]:
    if len(between) > 1:
        listed = " and with ".join(map(repr, sorted(between)))
        raise HouseError(f"numbers have their thousands parted with {listed}", path=path)
    (mark,) = between
    decimals = {decimal for decimal, times in seen.decimals.items() if times}
    decimals |= seen.either.keys() - {mark}
    if mark in decimals:
        raise HouseError(
            f"in numbers {mark!r} stands between thousands, and before decimals",
            path=path,
            fix="Export the log again without marks between thousands.",
        )
    if len(decimals) > 1:
        raise _two_decimals(path)
    decimal = decimals.pop() if decimals else "," if mark == "." else "."
    remark = f"numbers have {mark!r} between their thousands, and {decimal!r} before decimals"
    return decimal, mark, [remark]


def _two_decimals(path: Path) -> HouseError:
    return HouseError(
        "numbers are written with a decimal comma and with a decimal point", path=path, fix=_STATE
    )


def _unclear(cell: str, mark: str, path: Path) -> HouseError:
    large, small = cell.replace(mark, ""), cell.replace(mark, ".")
    return HouseError(
        f"it cannot be told whether {cell!r} means {large} or {small}",
        path=path,
        fix=f'Write the [[log]] block by hand, with thousands = "{mark}" or decimal = "{mark}".',
    )
