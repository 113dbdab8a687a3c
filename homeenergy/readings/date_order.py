"""How the time stamps of a log are written; refuses to guess day-first or month-first."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from datetime import date, datetime
from itertools import pairwise

from homeenergy.errors import HouseError

_DATE = r"(\d{1,4})([-./])(\d{1,2})\2(\d{1,4})"
_TIME = r"(\d{1,2}):(\d{2})(?::(\d{2})(?:([.,])(\d+))?)?( ?[AaPp][Mm])?"
_ZONE = r" ?(?:Z|z|[+-]\d{2}:?\d{2}|[+-]\d{2})"
_STAMP = re.compile(rf"{_DATE}(?:([ T]){_TIME})?({_ZONE})?")
_TIME_OF_DAY = re.compile(rf"{_TIME}")
_NEAR_DAYS = 7

Dates = Callable[[], Iterable[str]]


def is_stamp(text: str) -> bool:
    """Whether a cell is a date with a time of day."""
    found = _STAMP.fullmatch(text.strip())
    return bool(found and found[6])


def is_date(text: str) -> bool:
    """Whether a cell is a date alone."""
    found = _STAMP.fullmatch(text.strip())
    return bool(found and not found[6])


def is_time_of_day(text: str) -> bool:
    """Whether a cell is a time of day alone."""
    return bool(_TIME_OF_DAY.fullmatch(text.strip()))


def time_format_of(stamps: Sequence[str], *, all_dates: Dates) -> tuple[str, bool, str | None]:
    """Format of stamps: ISO 8601 or a pattern.

    Parameters
    ----------
    stamps : sequence of str
        Stamps of some rows in the order of the file; date and time of day joined with a blank.
    all_dates : callable
        Gives all dates of the log in its order; only called when some rows do not decide.

    Returns
    -------
    time_format, zoned, remark
        `zoned` when the stamps carry an offset from UTC.

    Raises
    ------
    HouseError
        If the stamps are written in several ways, or it cannot be told whether the day or the
        month comes first.
    """
    texts = [text.strip() for text in stamps]
    found = [_STAMP.fullmatch(text) for text in texts]
    matches = [match for match in found if match]
    if len(matches) < len(texts) or not matches:
        odd = texts[found.index(None)] if None in found else ""
        raise HouseError(f"{odd!r} is not written like the other times of the log")
    zoned = {bool(match[12]) for match in matches}
    if len(zoned) > 1:
        raise HouseError(
            "some times carry an offset from UTC and some do not",
            fix="All stamps of a log must carry an offset, or none.",
        )
    carries = zoned.pop()
    if all(_is_iso(text) for text in texts):
        return "iso", carries, None
    order, remark = _order(matches, all_dates)
    return _pattern(matches, order) + ("%z" if carries else ""), carries, remark


def _is_iso(text: str) -> bool:
    try:
        datetime.fromisoformat(text)
    except ValueError:
        return False
    return True


def _order(matches: Sequence[re.Match[str]], all_dates: Dates) -> tuple[str, str | None]:
    """Order of year, month and day, as in "dmy"."""
    if all(len(match[1]) == 4 for match in matches):
        return "ymd", None
    decided = _by_size((match[1], match[3]) for match in matches)
    if decided:
        return decided, None
    parts: list[tuple[str, str, str]] = []
    for text in all_dates():
        found = _STAMP.match(text.strip())
        if found and (not parts or parts[-1] != (found[1], found[3], found[4])):
            parts.append((found[1], found[3], found[4]))
    decided = _by_size((first, second) for first, second, _ in parts)
    if decided:
        return decided, None
    broken = {order: _broken_steps(parts, order) for order in ("dmy", "mdy")}
    for order, other in (("dmy", "mdy"), ("mdy", "dmy")):
        if broken[order] == 0 and broken[other] > 0:
            which = "day" if order == "dmy" else "month"
            return order, f"{which} first, because only so the dates follow one another"
    raise _doubt(matches[0])


def _by_size(pairs: Iterable[tuple[str, str]]) -> str | None:
    firsts, seconds = set(), set()
    for first, second in pairs:
        firsts.add(int(first))
        seconds.add(int(second))
    if firsts and max(firsts) > 12 and max(seconds) > 12:
        raise HouseError("some dates have the day first and some the month first")
    if firsts and max(firsts) > 12:
        return "dmy"
    return "mdy" if seconds and max(seconds) > 12 else None


def _broken_steps(parts: Sequence[tuple[str, str, str]], order: str) -> int:
    """Steps between dates that are not small steps ahead."""
    days = [_date(part, order).toordinal() for part in parts]
    return sum(not 0 < after - before <= _NEAR_DAYS for before, after in pairwise(days))


def _date(part: tuple[str, str, str], order: str) -> date:
    first, second, year = (int(text) for text in part)
    day, month = (first, second) if order == "dmy" else (second, first)
    return date(year + 2000 if year < 100 else year, month, day)


def _doubt(match: re.Match[str]) -> HouseError:
    part = (match[1], match[3], match[4])
    readings = " or ".join(f"{_date(part, order):%d %B %Y}" for order in ("dmy", "mdy"))
    patterns = " or ".join(
        f'time_format = "{_pattern([match], order)}"' for order in ("dmy", "mdy")
    )
    return HouseError(
        f"{match[0]!r} can be read as {readings}, and nothing in the log decides it",
        fix=f"Write {patterns} in the [[log]] block, or add a log with a day above 12.",
    )


def _pattern(matches: Sequence[re.Match[str]], order: str) -> str:
    match = max(matches, key=lambda match: len(match[11] or "") + 2 * bool(match[9]))
    year = "%Y" if len(match[1 if order == "ymd" else 4]) == 4 else "%y"
    codes = {"y": year, "m": "%m", "d": "%d"}
    text = match[2].join(codes[part] for part in order)
    if match[6] is None:
        return text
    text += match[5] + ("%I" if match[11] else "%H") + ":%M"
    text += ":%S" if match[8] else ""
    text += f"{match[9]}%f" if match[10] else ""
    if match[11]:
        text += " %p" if match[11].startswith(" ") else "%p"
    return text
