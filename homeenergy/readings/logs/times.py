"""Time columns of a log to nanoseconds: ISO 8601, a stated pattern, or seconds since 1970."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from functools import cache
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from homeenergy.errors import HouseError
from homeenergy.readings.logs.calendar_words import FOREIGN, short_months
from homeenergy.readings.logs.time_formats import END_OF_DAY, is_date, start_of
from homeenergy.units import NS_PER_S

_DAY_NS = 86400 * NS_PER_S
_WINTER_S = 1_767_225_600  # 1 January 2026


@dataclass(frozen=True, slots=True)
class ClockChange:
    """A clock put forward or back: local times [from, till) exist never or twice."""

    from_ns: int
    till_ns: int
    before_ns: int  # offset from UTC before the change
    after_ns: int

    @property
    def back(self) -> bool:
        """Whether the clock is put back, so that the times exist twice."""
        return self.after_ns < self.before_ns


def _offset_ns(utc_s: int, zone: tzinfo) -> int:
    offset = (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=utc_s)).astimezone(zone)
    delta = offset.utcoffset()
    return 0 if delta is None else round(delta.total_seconds()) * NS_PER_S


def clock_changes(first_ns: int, last_ns: int, zone: tzinfo) -> tuple[int, list[ClockChange]]:
    """Offset at the beginning and all clock changes near local times [first, last].

    Found by looking at every day and halving: O(days).
    """
    low = first_ns // NS_PER_S - 2 * 86400
    high = last_ns // NS_PER_S + 2 * 86400
    start = offset = _offset_ns(low, zone)
    changes = []
    for day in range(low, high, 86400):
        after = _offset_ns(day + 86400, zone)
        if after == offset:
            continue
        before_s, after_s = day, day + 86400
        while after_s - before_s > 1:
            middle = (before_s + after_s) // 2
            if _offset_ns(middle, zone) == offset:
                before_s = middle
            else:
                after_s = middle
        edges = sorted((after_s * NS_PER_S + offset, after_s * NS_PER_S + after))
        changes.append(ClockChange(edges[0], edges[1], offset, after))
        offset = after
    return start, changes


def local_to_utc(local_ns: NDArray[np.int64], zone: tzinfo) -> NDArray[np.int64]:
    """Instants of local times, the doubtful hour resolved by the order of the rows.

    Parameters
    ----------
    local_ns : numpy.ndarray, shape (n,), int64
        Local clock readings as nanoseconds since 1970-01-01 00:00 on that clock, in the order in
        which one circuit's rows were logged.
    zone : datetime.tzinfo

    Returns
    -------
    numpy.ndarray, shape (n,), int64
        UTC [ns].

    Raises
    ------
    HouseError
        If a time does not exist in the zone, or if the rows do not show whether a time of the
        repeated hour was logged before or after the clock was put back. `line` is then the
        index of the row, for the caller to turn into a place in a file.
    """
    if local_ns.size == 0:
        return local_ns
    start, changes = clock_changes(int(local_ns.min()), int(local_ns.max()), zone)
    offset = np.full(local_ns.size, start, dtype=np.int64)
    for change in changes:
        offset[local_ns >= change.till_ns] = change.after_ns
        doubtful = (local_ns >= change.from_ns) & (local_ns < change.till_ns)
        if not doubtful.any():
            continue
        if not change.back:
            row = int(np.argmax(doubtful))
            raise ClockError(
                f"{_text(local_ns[row])} does not exist in the time zone {zone}: the clock was "
                "put forward then",
                line=row,
                fix="A logger whose clock is never changed keeps a fixed offset; write for "
                f'example time_zone = "{_fixed(change.before_ns)}".',
            )
        offset[doubtful] = _repeated(local_ns, doubtful, change, zone)
    utc: NDArray[np.int64] = local_ns - offset
    return utc


def _repeated(
    local_ns: NDArray[np.int64], doubtful: NDArray[np.bool_], change: ClockChange, zone: tzinfo
) -> NDArray[np.int64]:
    """Offsets of the rows in the hour that the clock showed twice."""
    rows = np.flatnonzero(doubtful)
    steps = np.diff(local_ns[max(rows[0] - 50, 0) : rows[-1] + 50])
    step = int(np.median(steps[steps > 0])) if np.any(steps > 0) else 0
    out = np.empty(rows.size, dtype=np.int64)
    runs = np.split(np.arange(rows.size), np.flatnonzero(np.diff(rows) != 1) + 1)
    for run in runs:
        second = _second_pass(local_ns, rows[run], change, step)
        if second is None:
            row = int(rows[run[0]])
            raise ClockError(
                f"{_text(local_ns[row])} exists twice in the time zone {zone}, and the order of "
                "the rows does not show which of the two is meant",
                line=row,
                fix="If the logger's clock is never changed, write its fixed offset, for example "
                f'time_zone = "{_fixed(change.after_ns)}"; else take these rows out of the log.',
            )
        out[run] = np.where(second, change.after_ns, change.before_ns)
    return out


def _second_pass(
    local_ns: NDArray[np.int64], rows: NDArray[np.intp], change: ClockChange, step_ns: int
) -> NDArray[np.bool_] | None:
    """Which of these neighbouring rows came after the change; None if that is not known."""
    width = change.till_ns - change.from_ns
    steps = np.diff(local_ns[rows])
    back = steps <= step_ns - width * 3 // 4
    forward = steps >= max(width * 3 // 4, step_ns * 3 // 2)
    if back.any():
        # A late row may lead back to the first pass for a moment, so jumps both ways are counted.
        forward &= np.cumsum(back) > 0
        level = np.r_[0, np.cumsum(back.astype(int) - forward.astype(int))]
        return level == 1 if level.min() >= 0 and level.max() <= 1 else None
    near = 10 * max(step_ns, NS_PER_S)
    before = local_ns[rows[0] - 1] if rows[0] > 0 else None
    after = local_ns[rows[-1] + 1] if rows[-1] + 1 < local_ns.size else None
    follows = before is not None and 0 <= local_ns[rows[0]] - before <= near
    leads = after is not None and 0 <= after - local_ns[rows[-1]] <= near
    if follows == leads:
        return None
    return np.full(rows.size, leads)


def _text(local_ns: int) -> str:
    return str(np.datetime64(int(local_ns) // NS_PER_S, "s")).replace("T", " ")


def _fixed(offset_ns: int) -> str:
    minutes = offset_ns // NS_PER_S // 60
    return f"UTC{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"


def standard_time(region: str) -> str:
    """Offset from UTC of a region's clock when it is not put forward, as in UTC+01:00."""
    zone = ZoneInfo(region)
    return _fixed(min(_offset_ns(_WINTER_S + half, zone) for half in (0, 182 * 86_400)))


class ClockError(HouseError):
    """Times that the clock of a region never showed, or an hour that is not there twice."""


def near_change(last_local_ns: int, zone: tzinfo) -> bool:
    """Whether a log cut after this row might part the rows of a repeated hour."""
    _, changes = clock_changes(last_local_ns - _DAY_NS, last_local_ns + _DAY_NS, zone)
    margin = 2 * 3600 * NS_PER_S
    return any(
        change.back and change.from_ns - margin <= last_local_ns <= change.till_ns + margin
        for change in changes
    )


_OFFSET = re.compile(r"(?:[Zz]|[+-]\d{2}(?::?\d{2})?)\s*$")
_EPOCH_NS = {"epoch_s": NS_PER_S, "epoch_ms": 1_000_000, "epoch_us": 1000, "epoch_ns": 1}
LEAST_YEAR, MOST_YEAR = 1990, 2099
_FEW_ROWS = 3
_ROUNDED_NS = 1000 * NS_PER_S  # no logger has rows at multiples of it alone; own choice
_EARLIEST_NS = 631_152_000 * NS_PER_S  # 1990
_LATEST_NS = 4_102_444_800 * NS_PER_S  # 2100


@dataclass(frozen=True, slots=True, eq=False)
class Stamps:
    """Time stamps of rows [ns]; `zoned` when they are UTC already, else they are local."""

    ns: NDArray[np.int64]
    zoned: bool


class BadStamp(ValueError):  # noqa: N818 - carries a row, and is always turned into a HouseError
    """A stamp that cannot be read, and its row."""

    def __init__(self, row: int, text: str, why: str, fix: str | None = None) -> None:
        super().__init__(why)
        self.row, self.text, self.why, self.fix = row, text, why, fix


def carries_offset(text: str) -> bool:
    """Whether an ISO 8601 stamp ends with an offset from UTC."""
    return bool(_OFFSET.search(text.strip()[10:]))  # after the date, which has hyphens too


def arrow_type(time_format: str, first_stamp: str, number: int) -> pa.DataType:
    """Type as which a CSV's time column is best read."""
    if number > 1 or "%" in time_format or start_of(first_stamp).strip() != first_stamp:
        return pa.string()
    if time_format == "iso":
        return pa.timestamp("ns", "UTC" if carries_offset(first_stamp) else None)
    return pa.int64() if time_format == "epoch_ns" else pa.float64()


def read_stamps(columns: list[pa.ChunkedArray], time_format: str, zone: tzinfo = UTC) -> Stamps:
    """Time columns of a table as nanoseconds.

    Parameters
    ----------
    columns : list of pyarrow.ChunkedArray
        One, or date and time of day.
    time_format : str
        As in house.toml.
    zone : tzinfo
        Where names of zones, such as CET, are used.

    Raises
    ------
    BadStamp
        For the first row that cannot be read.
    """
    for column in columns:
        if column.null_count:
            row = int(np.argmax(column.is_null().to_numpy()))
            raise BadStamp(row, "", "the time is missing")
    kind = columns[0].type
    if pa.types.is_timestamp(kind):
        ns = columns[0].cast(pa.timestamp("ns", kind.tz)).to_numpy()
        stamps = Stamps(ns.astype("M8[ns]").view(np.int64), kind.tz is not None)
    elif pa.types.is_string(kind) or pa.types.is_large_string(kind) or len(columns) > 1:
        stamps = _from_text(columns, time_format, zone)
    elif time_format in _EPOCH_NS:
        stamps = Stamps(_from_epoch(columns[0], time_format), True)
    else:
        raise BadStamp(0, str(columns[0][0]), f"is of type {kind}, not a time ({time_format})")
    _check_range(stamps.ns, columns, time_format)
    if time_format in _EPOCH_NS:
        _check_rounded(stamps.ns, columns)
    return stamps


def _from_epoch(column: pa.ChunkedArray, time_format: str) -> NDArray[np.int64]:
    unit_ns = _EPOCH_NS[time_format]
    values = column.to_numpy()
    if values.dtype.kind in "iu":
        limit = np.iinfo(np.int64).max // unit_ns
        bad = np.abs(values.astype(np.float64)) > limit
        if bad.any():
            row = int(np.argmax(bad))
            raise BadStamp(row, str(values[row]), f"lies far outside 1990 to 2100 as {time_format}")
        whole: NDArray[np.int64] = values.astype(np.int64) * unit_ns
        return whole
    bad = ~(np.abs(values) * unit_ns < 9e18)
    if bad.any():
        row = int(np.argmax(bad))
        raise BadStamp(row, str(values[row]), f"lies far outside 1990 to 2100 as {time_format}")
    # A float64 resolves a microsecond of our century, not a nanosecond.
    micro: NDArray[np.int64] = np.round(values * (unit_ns / 1000)).astype(np.int64) * 1000
    return micro


def _check_range(ns: NDArray[np.int64], columns: list[pa.ChunkedArray], time_format: str) -> None:
    if ns.size and (ns.min() < _EARLIEST_NS or ns.max() >= _LATEST_NS):
        row = int(np.argmax((ns < _EARLIEST_NS) | (ns >= _LATEST_NS)))
        text = " ".join(str(column[row]) for column in columns)
        raise BadStamp(
            row,
            text,
            f"lies outside 1990 to 2100 when read as time_format = {time_format!r}",
            "Take rows of a clock that was not set out of the log; or is it another unit (epoch_s, "
            "epoch_ms, epoch_us, epoch_ns) or pattern?",
        )


def _check_rounded(ns: NDArray[np.int64], columns: list[pa.ChunkedArray]) -> None:
    """Refuse instants of which a spreadsheet kept so few digits that rows share them."""
    if ns.size < _FEW_ROWS or ns[0] % _ROUNDED_NS or np.any(ns % _ROUNDED_NS):
        return
    if 2 * np.count_nonzero(ns[1:] == ns[:-1]) >= ns.size - 1:
        raise BadStamp(
            1,
            str(columns[0][1]),
            "is the time of many rows, as where a spreadsheet has rounded it (1.79E+09)",
            "Export the log again, or from where it was not opened in a spreadsheet; in one, "
            "format the column as a whole number before it is saved.",
        )


def _from_text(columns: list[pa.ChunkedArray], time_format: str, zone: tzinfo) -> Stamps:
    parts = [
        _spelled(pc.utf8_trim_whitespace(column.cast(pa.string())), time_format)
        for column in columns
    ]
    if "%p" in time_format:
        parts = [pc.replace_substring_regex(part, r"([AaPp])\.\s?[Mm]\.", r"\1m") for part in parts]
    patterns = time_format.split(" ")
    joined = parts[0] if len(parts) == 1 else None
    if "%" in time_format and "%z" not in time_format.lower():
        if len(parts) == 1 and len(patterns) == 2:
            halves = _halves(parts[0])
            parts = halves if halves is not None else parts
        if len(parts) == len(patterns) == 2 and _date_and_time(patterns):
            try:
                ns = _date(parts[0], patterns[0]) + _time_of_day(parts[1], patterns[1])
            except BadStamp as bad:
                whole = " ".join(str(part[bad.row]) for part in parts)
                why = f"does not fit time_format = {time_format!r}"
                raise BadStamp(bad.row, whole, why) from None
            return Stamps(ns, False)
    if joined is None:
        joined = pc.binary_join_element_wise(*parts, " ")
    return _from_distinct(joined, time_format, zone)


def _spelled(texts: pa.ChunkedArray, time_format: str) -> pa.ChunkedArray:
    """Starts of periods, where cells hold both ends, and months in English."""
    first = str(texts[0]) if len(texts) else ""
    starts = start_of(first) != first and "%a" not in time_format.lower()
    foreign = "%b" in time_format and pc.any(pc.match_substring_regex(texts, FOREIGN)).as_py()
    if not starts and not foreign:
        return texts
    codes, values = _coded(texts)
    values = [start_of(value).strip() for value in values] if starts else values
    values = [*map(short_months, values)] if foreign else values
    return pa.chunked_array([pa.array(values).take(pa.array(codes))])


def _halves(texts: pa.ChunkedArray) -> list[pa.ChunkedArray] | None:
    """Text before and after the one blank; None where not every row has exactly one."""
    split = pc.split_pattern(texts, " ", max_splits=1)
    if pc.min(pc.list_value_length(split)).as_py() != 2:
        return None
    return [pc.list_element(split, 0), pc.list_element(split, 1)]


def _date_and_time(patterns: list[str]) -> bool:
    time_codes = set("HIMSfpTR")
    codes = [set(re.findall(r"%-?([A-Za-z])", pattern)) for pattern in patterns]
    return not codes[0] & time_codes and bool(codes[1]) and codes[1] <= time_codes


def _coded(texts: pa.ChunkedArray) -> tuple[NDArray[np.intp], list[str]]:
    coded = texts.combine_chunks().dictionary_encode()
    if isinstance(coded, pa.ChunkedArray):
        coded = coded.combine_chunks()
    return coded.indices.to_numpy(zero_copy_only=False).astype(
        np.intp
    ), coded.dictionary.to_pylist()


def _parse(
    texts: list[str], time_format: str, codes: NDArray[np.intp], *, utc: bool = False
) -> pd.DatetimeIndex:
    pattern = "ISO8601" if time_format == "iso" else time_format
    try:
        return pd.DatetimeIndex(pd.to_datetime(texts, format=pattern, utc=utc)).as_unit("ns")
    except (ValueError, OverflowError):
        ends = [bool(END_OF_DAY.search(text)) for text in texts]
        if any(ends):  # 24:00 is the beginning of the next day
            begins = [END_OF_DAY.sub("00", text) for text in texts]
            days = pd.to_timedelta(np.array(ends, dtype=np.int64), unit="D").as_unit("ns")
            return _parse(begins, time_format, codes, utc=utc) + days
        alone = [is_date(text) for text in texts]
        midnight = _midnight(pattern)
        if midnight and any(alone) and not all(alone):
            texts = [
                f"{text} {midnight}" if bare else text
                for text, bare in zip(texts, alone, strict=True)
            ]
            return _parse(texts, time_format, codes, utc=utc)
        for code, text in enumerate(texts):
            try:
                pd.to_datetime([text], format=pattern, utc=utc)
            except (ValueError, OverflowError):
                row = int(np.argmax(codes == code))
                raise BadStamp(row, text, f"does not fit time_format = {time_format!r}") from None
        raise


def _midnight(pattern: str) -> str:
    """Midnight as a pattern of a date and a time of day, with a blank between, has it."""
    parts = pattern.split(" ")
    day = len(parts) == 2 and _date_and_time(parts)
    return datetime(2000, 1, 1).strftime(parts[1]) if day else ""


def _date(texts: pa.ChunkedArray, pattern: str) -> NDArray[np.int64]:
    codes, values = _coded(texts)
    days: NDArray[np.int64] = _parse(values, pattern, codes).asi8[codes]
    return days


def _time_of_day(texts: pa.ChunkedArray, pattern: str) -> NDArray[np.int64]:
    codes, values = _coded(texts)
    try:
        dated = _parse(["2000-01-01 " + value for value in values], "%Y-%m-%d " + pattern, codes)
    except BadStamp as bad:
        raise BadStamp(bad.row, bad.text[11:], f"does not fit time_format = {pattern!r}") from None
    inside: NDArray[np.int64] = (dated.asi8 - pd.Timestamp("2000-01-01").as_unit("ns").value)[codes]
    return inside


def _from_distinct(texts: pa.ChunkedArray, time_format: str, zone: tzinfo) -> Stamps:
    codes, values = _coded(texts)
    if "%Z" in time_format:
        values = [
            _with_offset(value, zone, row=int(np.argmax(codes == code)))
            for code, value in enumerate(values)
        ]
        time_format = time_format.replace("%Z", "%z")
    if time_format in _EPOCH_NS:
        numbers = pd.to_numeric(pd.Series(values), errors="coerce")
        if numbers.isna().any():
            code = int(np.argmax(numbers.isna().to_numpy()))
            raise BadStamp(int(np.argmax(codes == code)), values[code], f"is not {time_format}")
        return Stamps(_from_epoch(pa.chunked_array([pa.array(numbers)]), time_format)[codes], True)
    if time_format == "iso":
        zoned = [carries_offset(value) for value in values]
        if any(zoned) != all(zoned):
            code = zoned.index(not zoned[int(codes[0])])
            row = int(np.argmax(codes == code))
            raise mixed_zones(row, values[code], zoned[code])
        utc = zoned[0]
    else:
        utc = "%z" in time_format.lower()
    return Stamps(_parse(values, time_format, codes, utc=utc).asi8[codes], utc)


# RFC 5322, 4.3 [h].
_SHORT_NAMES = {"UT": 0, "UTC": 0, "GMT": 0, "Z": 0, "EST": -5, "EDT": -4, "CST": -6, "CDT": -5}
_SHORT_NAMES |= {"MST": -7, "MDT": -6, "PST": -8, "PDT": -7}


@cache
def _offsets_by_name(zone: tzinfo) -> dict[str, str]:
    """What short names stand for: those of a zone, as CET in Berlin, and those of RFC 5322."""
    found = {name: f"{hours:+03d}00" for name, hours in _SHORT_NAMES.items()}
    for year in range(LEAST_YEAR, LEAST_YEAR + 50):
        for month in (1, 7):
            at = datetime(year, month, 1, tzinfo=UTC).astimezone(zone)
            found[at.tzname() or ""] = f"{at:%z}"
    return found


def _with_offset(text: str, zone: tzinfo, *, row: int) -> str:
    """A stamp with an offset in place of the short name of a zone behind it."""
    name = text[len(text.rstrip("ABCDEFGHIJKLMNOPQRSTUVWXYZ")) :]
    offset = _offsets_by_name(zone).get(name)
    if offset is None:
        raise BadStamp(
            row,
            text,
            f"ends with {name!r}, which is no name of a time in {zone}",
            'State the region in which it is used, as in time_zone = "Europe/Berlin", or export '
            "times with offsets.",
        )
    return text[: len(text) - len(name)] + offset


def mixed_zones(row: int, text: str, zoned: bool) -> BadStamp:
    """Build the error for a log in which only some stamps carry an offset."""
    return BadStamp(
        row,
        text,
        f"{'carries' if zoned else 'does not carry'} an offset from UTC, unlike the rows before it",
        "All stamps of a log must carry an offset, or none.",
    )


def stamp_error(bad: BadStamp, *, path: object, line: int | None, column: str | int) -> HouseError:
    """Turn a bad stamp into the error a person sees."""
    text = f"{bad.text!r} " if bad.text else ""
    return HouseError(
        f"{text}{bad.why}",
        path=path,  # type: ignore[arg-type]
        line=line,
        column=column,
        fix=bad.fix,
    )
