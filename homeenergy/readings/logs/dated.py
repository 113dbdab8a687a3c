"""Files with times of day alone, whose names say of which day they are."""

from __future__ import annotations

import gzip
import re
from datetime import date, datetime, time, timedelta
from pathlib import Path, PurePosixPath

from homeenergy.readings.logs.sample import first_lines
from homeenergy.readings.logs.tables import is_gzip
from homeenergy.readings.logs.time_formats import is_date, is_stamp, is_time_of_day

_YEAR_FIRST = re.compile(r"(?<!\d)((?:19|20)\d{2})([-_./]?)(\d{2})\2(\d{2})(?!\d)")
_DAY_FIRST = re.compile(r"(?<!\d)(\d{1,2})\.(\d{1,2})\.((?:19|20)\d{2})(?!\d)")
_CELLS = re.compile(r"[,;\t|]")
_HALF = re.compile(r"(\d+):(\d+)(?::(\d+))?.*?([AaPp])?[Mm]?")
_FEWEST_ROWS = 2
_NEXT_DAY = timedelta(hours=12)  # by which the time falls at midnight, but at no clock change


def day_in_name(place: PurePosixPath) -> date | None:
    """The one day that a file's name, or its folders with it, tells; None for none or several."""
    for text in (place.name, str(place)):
        days = {(int(y), int(m), int(d)) for y, _, m, d in _YEAR_FIRST.findall(text)}
        days |= {(int(y), int(m), int(d)) for d, m, y in _DAY_FIRST.findall(text)}
        if len(days) == 1:
            try:
                return date(*days.pop())
            except ValueError:
                return None
    return None


def with_dates(path: Path, place: PurePosixPath, into: Path) -> Path | None:
    """Write a file of times of day anew, with the day that its name tells before them.

    Parameters
    ----------
    path : Path
    place : PurePosixPath
        Where it is, seen from the folder it comes from.
    into : Path
        Folder in which it is made.

    Returns
    -------
    Path or None
        None where the file holds dates, or no times, or its name tells no day.

    Notes
    -----
    Own rule: where the time falls by more than 12 h, the next day has begun.
    """
    day = day_in_name(place)
    lines = [] if day is None else first_lines(path)
    rows = [line for line in lines if any(map(is_time_of_day, _cells(line)))]
    if day is None or len(rows) < _FEWEST_ROWS or any(map(_is_dated, lines)):
        return None
    at = [is_time_of_day(cell) for cell in _cells(rows[0])].index(True)
    mark = _CELLS.search(rows[0])
    if mark is None:
        return None
    target = into / (place.stem if is_gzip(path) else place.name)
    target.parent.mkdir(parents=True, exist_ok=True)
    with (
        gzip.open(path, "rb") if is_gzip(path) else path.open("rb") as source,
        target.open("wb") as out,
    ):
        above: list[bytes] = []
        before: datetime | None = None
        for line in source:
            cells = _cells(line.decode("latin-1"))
            if len(cells) <= at or not is_time_of_day(cells[at]):
                above.append(line)
                continue
            now = datetime.combine(day, _clock(cells[at]))
            while before is not None and before - now > _NEXT_DAY:
                now += timedelta(days=1)
            heads = [n for n, one in enumerate(above) if one.count(mark[0].encode())]
            for number, one in enumerate(above):
                first = "date" if before is None and [number] == heads[-1:] else ""
                out.write(f"{first}{mark[0]}".encode() + one if number in heads else one)
            above, before = [], now
            out.write(f"{now:%Y-%m-%d}{mark[0]}".encode() + line)
        out.writelines(above)
    return target


def _cells(line: str) -> list[str]:
    return [cell.strip(' "\ufeff\r\n') for cell in _CELLS.split(line)]


def _is_dated(line: str) -> bool:
    return any(is_stamp(cell) or is_date(cell) for cell in _cells(line))


def _clock(cell: str) -> time:
    """A time of day, to the second."""
    found = _HALF.match(cell)
    assert found is not None
    hour, minute, second = (int(part or 0) for part in found.groups()[:3])
    if found[4]:
        hour = hour % 12 + 12 * (found[4] in "Pp")
    return time(hour % 24, minute, second)
