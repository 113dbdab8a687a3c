"""Time columns of a log to nanoseconds: ISO 8601, a stated pattern, or seconds since 1970."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from homeenergy.errors import HouseError
from homeenergy.units import NS_PER_S

_OFFSET = re.compile(r"(?:[Zz]|[+-]\d{2}(?::?\d{2})?)\s*$")
_EPOCH_NS = {"epoch_s": NS_PER_S, "epoch_ms": 1_000_000, "epoch_us": 1000, "epoch_ns": 1}
_EARLIEST_NS = 631_152_000 * NS_PER_S  # 1990
_LATEST_NS = 4_102_444_800 * NS_PER_S  # 2100


@dataclass(frozen=True, slots=True, eq=False)
class Stamps:
    """Time stamps of rows [ns]; `zoned` when they are UTC already, else they are local."""

    ns: NDArray[np.int64]
    zoned: bool


class BadStamp(ValueError):  # noqa: N818 - carries a row, and is always turned into a HouseError
    """A stamp that cannot be read, and the row in which it stands."""

    def __init__(self, row: int, text: str, why: str, fix: str | None = None) -> None:
        super().__init__(why)
        self.row, self.text, self.why, self.fix = row, text, why, fix


def carries_offset(text: str) -> bool:
    """Whether an ISO 8601 stamp ends with an offset from UTC."""
    return bool(_OFFSET.search(text.strip()[10:]))  # after the date, which has hyphens too


def arrow_type(time_format: str, first_stamp: str, number: int) -> pa.DataType:
    """Type as which a CSV's time column is best read."""
    if number > 1 or "%" in time_format:
        return pa.string()
    if time_format == "iso":
        return pa.timestamp("ns", "UTC" if carries_offset(first_stamp) else None)
    return pa.int64() if time_format == "epoch_ns" else pa.float64()


def read_stamps(columns: list[pa.ChunkedArray], time_format: str) -> Stamps:
    """Time columns of a table as nanoseconds.

    Parameters
    ----------
    columns : list of pyarrow.ChunkedArray
        One, or date and time of day.
    time_format : str
        As in house.toml.

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
        stamps = _from_text(columns, time_format)
    elif time_format in _EPOCH_NS:
        stamps = Stamps(_from_epoch(columns[0], time_format), True)
    else:
        raise BadStamp(0, str(columns[0][0]), f"is of type {kind}, not a time ({time_format})")
    _check_range(stamps.ns, columns, time_format)
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
    # A float64 tells a microsecond of our century, not a nanosecond.
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
            "Is it another unit (epoch_s, epoch_ms, epoch_us, epoch_ns) or pattern?",
        )


def _from_text(columns: list[pa.ChunkedArray], time_format: str) -> Stamps:
    parts = [pc.utf8_trim_whitespace(column.cast(pa.string())) for column in columns]
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
    return _from_distinct(joined, time_format)


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


def _parse(texts: list[str], pattern: str, codes: NDArray[np.intp]) -> pd.DatetimeIndex:
    try:
        return pd.DatetimeIndex(pd.to_datetime(texts, format=pattern, exact=True)).as_unit("ns")
    except (ValueError, OverflowError):
        for code, text in enumerate(texts):
            try:
                pd.to_datetime([text], format=pattern, exact=True)
            except (ValueError, OverflowError):
                row = int(np.argmax(codes == code))
                raise BadStamp(row, text, f"does not fit time_format = {pattern!r}") from None
        raise


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


def _from_distinct(texts: pa.ChunkedArray, time_format: str) -> Stamps:
    codes, values = _coded(texts)
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
        pattern = "ISO8601"
    else:
        zoned, pattern = ["%z" in time_format.lower()], time_format
    if not zoned[0]:
        return Stamps(_parse(values, pattern, codes).asi8[codes], False)
    try:
        instants = pd.to_datetime(values, format=pattern, utc=True)
    except (ValueError, OverflowError):
        for code, value in enumerate(values):
            try:
                pd.to_datetime([value], format=pattern, utc=True)
            except (ValueError, OverflowError):
                row = int(np.argmax(codes == code))
                raise BadStamp(row, value, f"does not fit time_format = {time_format!r}") from None
        raise
    return Stamps(pd.DatetimeIndex(instants).as_unit("ns").asi8[codes], True)


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
