"""How the times of a log are written: ISO 8601, or a pattern found from its stamps."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from datetime import date, datetime
from itertools import pairwise

from homeenergy.errors import HouseError
from homeenergy.readings.logs.calendar_words import (
    names_foreign_month,
    plain_words,
    short_months,
)

_DATE = r"(\d{1,4})([-./])(\d{1,2})\2(\d{1,4})"
_TIME = r"(\d{1,2}):(\d{2})(?::(\d{2})(?:([.,])(\d+))?)?( ?[AaPp][Mm])?"
_POINTED = re.compile(r"(?<=\d[ T])(\d{1,2})\.(\d{2})(?:\.(\d{2}))?$")  # 14.05.30 after a date
_DOTTED_HALF = re.compile(r"\b([AaPp])\.\s?[Mm]\.")
_ZONE = r" ?(?:Z|z|UTC|GMT|[+-]\d{2}:?\d{2}|[+-]\d{2})"
_NAMED_ZONE = re.compile(r"(?:UTC|GMT)$")
END_OF_DAY = re.compile(r"(?<![\d:])24(?=:00(?::00)?(?![\d:]))")  # ISO 8601:2004, 4.2.3
_STAMP = re.compile(rf"{_DATE}(?:([ T]){_TIME})?({_ZONE})?")
_TIME_OF_DAY = re.compile(rf"{_TIME}")
_CLOCK = r"\d{1,2}:\d{2}"
# Both ends of a period. A hyphen without blanks may belong to an offset from UTC.
_SPAN = re.compile(
    rf"(.*{_CLOCK}.*?)(?:\s*–\s*|\s+(?:-|to|until|bis|tot|à|a)\s+).*{_CLOCK}.*", re.IGNORECASE
)
_NEAR_DAYS = 7
_MONTHS = "January February March April May June July August September October November December"
_WEEKDAYS = "Monday Tuesday Wednesday Thursday Friday Saturday Sunday"
_SHORT_MONTH, _SHORT_DAY = (  # May is short
    re.compile(rf"\b(?:{'|'.join(name[:3] for name in names.split())})\b", re.IGNORECASE)
    for names in (_MONTHS, _WEEKDAYS)
)
_LONG_MONTH, _LONG_DAY = (
    re.compile(rf"\b(?:{names.replace(' May', '').replace(' ', '|')})\b", re.IGNORECASE)
    for names in (_MONTHS, _WEEKDAYS)
)
_COMPACT = re.compile(
    r"((?:19|20)\d{2}[01]\d[0-3]\d)([ T]?)([0-2]\d[0-5]\d)"
    rf"(?:([0-5]\d)(?:([.,])\d+)?)?({_ZONE})?"
)
_IN_COLUMNS = re.compile(r"(?:19|20)\d{2}(?: \d{1,2}){3,5}")  # year, month, day, hour, ...
_NAME_OF_ZONE = re.compile(
    r"(?P<stamp>.*[\dZ](?:\s?[AaPp][Mm])?)(?P<name>\s?(?:\[[\w/+-]+\]|[A-Z]\w+(?:/[\w+-]+)+|[A-Z]{3,5}|Uhr|uur))"
)
_DIRECTIVES = re.compile(r"(?:%[A-Za-z]|[ ,./:-]|T(?=%H))+")

Dates = Callable[[], Iterable[str]]


def start_of(text: str) -> str:
    """The start of a cell that holds both ends of a row's period, as 00:00 - 00:15; else all.

    Days of the week are left out (see `plain_words`).
    """
    found = _SPAN.fullmatch(text.strip())
    return plain_words(found[1] if found else text)


def plain_half(text: str) -> str:
    """A time with am or pm in place of a.m. or p. m."""
    return _DOTTED_HALF.sub(r"\1m", text)


def without_zone(text: str) -> tuple[str, str]:
    """A stamp, and the name of a zone behind it with what is between: CET, [Europe/Berlin]."""
    found = _NAME_OF_ZONE.fullmatch(text)
    if found is None or _SHORT_MONTH.search(found["name"]) or _SHORT_DAY.search(found["name"]):
        return text, ""
    return found["stamp"], found["name"]


def region_of(time_format: str) -> str | None:
    """Region that stands behind every stamp, as Europe/Berlin; None where there is none."""
    name = without_zone(re.sub(r"%[A-Za-z]", "0", time_format))[1].strip(" []")
    return name if "/" in name else None


def _usual(text: str) -> str:
    """A stamp without the name of a zone, its time of day written with colons and am or pm."""
    text, _ = without_zone(plain_half(start_of(text).strip()))
    return _POINTED.sub(_with_colons, text)


def _with_colons(found: re.Match[str]) -> str:
    return ":".join(part for part in found.groups() if part)


def _zone_behind(names: Sequence[str]) -> str:
    """Pattern of the names of zones behind stamps: a region as it is, or %Z for short names."""
    if len(set(names)) == 1 and ("/" in names[0] or names[0].strip() in ("Uhr", "uur")):
        return names[0]
    gaps = {name[: len(name) - len(name.lstrip())] for name in names}
    if len(gaps) > 1 or any("/" in name or not name for name in names):
        raise HouseError(
            f"times end with zones that are written in several ways: {sorted(set(names))[:4]}",
            fix="All stamps of a log must carry an offset, or none.",
        )
    return gaps.pop() + "%Z"


def is_stamp(text: str) -> bool:
    """Whether a cell is a date with a time of day."""
    text = _usual(text)
    found = _STAMP.fullmatch(text.strip())
    return bool(found[6]) if found else "%M" in (worded_pattern(text) or "")


def is_date(text: str) -> bool:
    """Whether a cell is a date alone."""
    text = start_of(text)
    found = _STAMP.fullmatch(text.strip())
    return not found[6] if found else "%M" not in (worded_pattern(text) or "%M")


def worded_pattern(text: str) -> str | None:
    """Pattern of a stamp that names a month, or of digits alone; None where it is neither.

    A month in another language than English is read as `short_months` gives it. Of two numbers
    besides the month and the time, the one of four digits is the year; where both are shorter, the
    day comes first.
    """
    text = text.strip()
    text = short_months(text) if names_foreign_month(text) else text
    compact = _COMPACT.fullmatch(text)
    if compact:
        seconds = ("%S" if compact[4] else "") + (f"{compact[5]}%f" if compact[5] else "")
        zone = _zone_pattern(compact[6]) if compact[6] else ""
        return f"%Y%m%d{compact[2]}%H%M{seconds}{zone}"
    if _IN_COLUMNS.fullmatch(text):
        return " ".join(["%Y", "%m", "%d", "%H", "%M", "%S"][: len(text.split())])
    full, met = _LONG_MONTH.subn("%B", text)
    if not met:
        full, met = _SHORT_MONTH.subn("%b", text)
    if met != 1:
        return None
    found = _TIME_OF_DAY.search(full)
    if found:
        after = full[found.end() :]
        after = _zone_pattern(after) if re.fullmatch(_ZONE, after) else after
        full = full[: found.start()] + _clock_pattern(found, 0) + after
    full = _SHORT_DAY.sub("%a", _LONG_DAY.sub("%A", full))
    full = re.sub(r"\b\d{4}\b", "%Y", full, count=1)
    full = re.sub(r"\b\d{1,2}\b", "%d", full, count=1)
    full = full if "%Y" in full else re.sub(r"\b\d{2}\b", "%y", full, count=1)
    whole = all(full.count(code) == 1 for code in ("%d", "%Y" if "%Y" in full else "%y"))
    return full if whole and _DIRECTIVES.fullmatch(full) else None


def _pattern_of_all(texts: Sequence[str]) -> str | None:
    """The one pattern of stamps with month names; May is short among long months."""
    if any(map(names_foreign_month, texts)):
        texts = [*map(short_months, texts)]
    long = any(_LONG_MONTH.search(text) for text in texts)
    patterns = set()
    for text in texts:
        pattern = worded_pattern(text)
        if pattern is None:
            return None
        is_may = long and re.search(r"\bmay\b", text, re.IGNORECASE)
        patterns.add(pattern.replace("%b", "%B") if is_may else pattern)
    same = {pattern.replace(".%f", "") for pattern in patterns}
    return max(patterns, key=len) if len(same) == 1 else None


def is_time_of_day(text: str) -> bool:
    """Whether a cell is a time of day alone."""
    return bool(_TIME_OF_DAY.fullmatch(start_of(text).strip()))


def time_format_of(
    stamps: Sequence[str], *, all_dates: Dates, iso: bool = True
) -> tuple[str, bool, str | None]:
    """Format of stamps: ISO 8601 or a pattern.

    Parameters
    ----------
    stamps : sequence of str
        Stamps of some rows in the order of the file; date and time of day joined with a blank.
    all_dates : callable
        Gives all dates of the log in its order; only called when some rows do not decide.
    iso : bool
        Whether ISO 8601 needs no pattern.

    Returns
    -------
    time_format, zoned, remark
        `zoned` when the stamps carry an offset from UTC.

    Raises
    ------
    HouseError
        If the stamps are written in several ways, or it is not clear whether the day or the
        month comes first.
    """
    whole = [plain_half(text.strip()) for text in stamps]
    named = [without_zone(text)[1] for text in whole]
    if any(name.strip() not in ("", "UTC", "GMT") for name in named):
        plain, _, remark = time_format_of(
            [without_zone(text)[0] for text in whole], all_dates=all_dates, iso=False
        )
        behind = _zone_behind(named)
        return plain + behind, "%z" in f"{plain}{behind}".lower(), remark
    texts = [_POINTED.sub(_with_colons, text) for text in whole]
    if texts != whole:
        plain, carries, remark = time_format_of(texts, all_dates=all_dates, iso=False)
        return plain.replace(":", "."), carries, remark
    found = [_STAMP.fullmatch(text) for text in texts]
    matches = [match for match in found if match]
    worded = None if matches or not texts else _pattern_of_all(texts)
    if worded:
        return worded, worded.lower().endswith("%z"), None
    if len(matches) < len(texts) or not matches:
        odd = texts[found.index(None)] if None in found else ""
        raise HouseError(
            f"{odd!r} is not written like the other times of the log",
            fix="If it is a line of totals, or a remark, delete the line.",
        )
    zoned = {bool(match[12]) for match in matches}
    if len(zoned) > 1:
        raise HouseError(
            "some times carry an offset from UTC and some do not",
            fix="All stamps of a log must carry an offset, or none.",
        )
    carries = zoned.pop()
    if iso and all(_is_iso(text) for text in texts):
        return "iso", carries, None
    order, remark = _order(matches, all_dates)
    zone = _zone_pattern(matches[0][12]) if carries else ""
    return _pattern(matches, order) + zone, carries, remark


def _zone_pattern(text: str) -> str:
    """Pattern of an offset from UTC at the end of a stamp, or of UTC in letters."""
    return " " * text.startswith(" ") + ("%Z" if _NAMED_ZONE.search(text) else "%z")


def _is_iso(text: str) -> bool:
    if END_OF_DAY.search(text) or "," in text:
        return False
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
    if all(match[2] == "." for match in matches):  # common practice, no source
        return "dmy", "day first, as where dates are written with points; check time_format"
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
    days = [_ordered_date(part, order).toordinal() for part in parts]
    return sum(not 0 < after - before <= _NEAR_DAYS for before, after in pairwise(days))


def _ordered_date(part: tuple[str, str, str], order: str) -> date:
    first, second, year = (int(text) for text in part)
    day, month = (first, second) if order == "dmy" else (second, first)
    return date(year + 2000 if year < 100 else year, month, day)


def _doubt(match: re.Match[str]) -> HouseError:
    part = (match[1], match[3], match[4])
    readings = " or ".join(f"{_ordered_date(part, order):%d %B %Y}" for order in ("dmy", "mdy"))
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
    return text + match[5] + _clock_pattern(match, 5)


def _clock_pattern(match: re.Match[str], before: int) -> str:
    """Pattern of a time of day, whose groups follow so many others."""
    second, mark, fraction, half = (match[before + number] for number in (3, 4, 5, 6))
    text = ("%I" if half else "%H") + ":%M" + (":%S" if second else "")
    text += f"{mark}%f" if fraction else ""
    return text + half.lower().replace("am", "%p").replace("pm", "%p") if half else text
