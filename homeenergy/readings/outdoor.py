"""Read outdoor.csv, temperatures that a person exported from a weather station or a service."""

from __future__ import annotations

import csv
from datetime import tzinfo
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.errors import HouseError
from homeenergy.house.zones import read_zone
from homeenergy.readings.house import House
from homeenergy.readings.logs.times import carries_offset

FILE_NAME = "outdoor.csv"
MISSING = ("", "nan", "na", "n/a", "null", "none", "-", "?")
# Beyond every temperature measured near the ground: -89.2 deg C (Vostok) to 56.7 (Death Valley).
COLDEST_C, WARMEST_C = -90.0, 60.0
# No place on earth is so warm on the mean of a log: these are degrees Fahrenheit.
WARMEST_MEAN_C = 45.0
SHOW_TIMES = "Write it as 2026-10-18T15:00, or with its offset as 2026-10-18T15:00-06:00."


def read_outdoor(house: House | Path | str, *, timezone: tzinfo | str | None = None) -> pd.Series:
    """Read the outdoor temperatures of a house.

    Parameters
    ----------
    house : House, or path of its folder or of the file
    timezone : zone or its name, optional
        Of times that carry no offset. Default: the house's; UTC where only a path is given.

    Returns
    -------
    pandas.Series
        Named celsius [deg C], on an ascending index of UTC instants; cells left empty are left
        out. A header `fahrenheit` in place of `celsius` is converted. Further columns are ignored.

    Raises
    ------
    HouseError
        Where there is no file, or naming file, line and column of what cannot be used.

    Examples
    --------
    >>> from homeenergy import open_house
    >>> from homeenergy.readings import read_outdoor
    >>> outdoor = read_outdoor(open_house("sample_data/canal_flat"))
    >>> len(outdoor), float(outdoor.iloc[0])
    (2160, 2.6)
    """
    path, zone = _place(house, timezone)
    if not path.is_file():
        raise HouseError(
            "there is no file of outdoor temperatures",
            path=path,
            fix=f"Put {FILE_NAME} into the folder of the house, its first line time,celsius.",
        )
    rows, unit = _rows(path)
    times = _instants([time for _, time, _ in rows], [n for n, _, _ in rows], path, zone)
    celsius = np.array([_celsius(text, n, unit, path) for n, _, text in rows])
    series = pd.Series(celsius, index=times, name="celsius", dtype=np.float64)
    lines = pd.Series([n for n, _, _ in rows], index=times)
    there = series.notna().to_numpy()
    series, lines = series[there], lines[there]
    if not len(series):
        raise HouseError("holds no temperature", path=path, fix="Export it again.")
    if series.mean() > WARMEST_MEAN_C:
        raise HouseError(
            f"the mean of all temperatures is {series.mean():.0f} degrees, too warm for Celsius",
            path=path,
            column=unit,
            fix="If they are degrees Fahrenheit, call the column fahrenheit.",
        )
    return _once(series.sort_index(kind="stable"), lines.sort_index(kind="stable"), path)


def _place(house: House | Path | str, timezone: tzinfo | str | None) -> tuple[Path, tzinfo]:
    if isinstance(house, House):
        path, zone = house.path / FILE_NAME, timezone or house.timezone
    else:
        path, zone = Path(house), timezone or "UTC"
        path = path / FILE_NAME if path.is_dir() else path
    return path, read_zone(zone) if isinstance(zone, str) else zone


def _rows(path: Path) -> tuple[list[tuple[int, str, str]], str]:
    """Line, time and temperature of each row as texts, and the unit in the header."""
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            first = file.readline()
            delimiter = next((mark for mark in (";", "\t") if mark in first), ",")
            header = [name.strip().lower() for name in first.rstrip("\r\n").split(delimiter)]
            unit = next((name for name in ("celsius", "fahrenheit") if name in header), None)
            if unit is None or "time" not in header:
                raise HouseError(
                    f"has no column {'celsius' if unit is None else 'time'}",
                    path=path,
                    line=1,
                    fix="The first line must be time,celsius (or time,fahrenheit).",
                )
            at, value = header.index("time"), header.index(unit)
            rows = []
            reader = csv.reader(file, delimiter=delimiter)
            for cells in reader:
                if not any(cell.strip() for cell in cells):
                    continue
                if len(cells) <= max(at, value) or any(map(str.strip, cells[len(header) :])):
                    raise HouseError(
                        f"has {len(cells)} cells where the header has {len(header)}",
                        path=path,
                        line=reader.line_num + 1,
                        fix="Complete the row, or delete it; write numbers with a decimal point.",
                    )
                text = cells[value].strip()
                text = text.replace(",", ".") if delimiter != "," else text
                rows.append((reader.line_num + 1, cells[at].strip(), text))
    except (UnicodeDecodeError, csv.Error) as error:
        raise HouseError(f"cannot be read as CSV ({error})", path=path) from None
    return rows, unit


def _celsius(text: str, line: int, unit: str, path: Path) -> float:
    if text.lower() in MISSING:
        return float("nan")
    try:
        value = float(text)
    except ValueError:
        raise HouseError(
            f"{text!r} is not a number",
            path=path,
            line=line,
            column=unit,
            fix="Write plain numbers with a decimal point; leave the cell empty where none is.",
        ) from None
    celsius = (value - 32) / 1.8 if unit == "fahrenheit" else value
    if not COLDEST_C <= celsius <= WARMEST_C:
        raise HouseError(
            f"{value:g} degrees {unit.capitalize()} cannot be an outdoor temperature",
            path=path,
            line=line,
            column=unit,
            fix="Leave the cell empty where the sensor failed. Degrees Fahrenheit belong under "
            "a header fahrenheit.",
        )
    return celsius


def _instants(texts: list[str], lines: list[int], path: Path, zone: tzinfo) -> pd.DatetimeIndex:
    """Times as instants in UTC; those without an offset are local."""
    if not texts:
        raise HouseError("has a header but no rows", path=path, fix="Export it again.")
    zoned = np.array([carries_offset(text) for text in texts])
    if zoned.any() and not zoned.all():
        first = int(np.flatnonzero(zoned != zoned[0])[0])
        raise HouseError(
            f"{texts[first]!r} and the rows before it differ in whether they carry an offset",
            path=path,
            line=lines[first],
            column="time",
            fix="Write all times with their offset from UTC, or none.",
        )
    parsed = pd.to_datetime(pd.Series(texts), format="ISO8601", errors="coerce", utc=True)
    bad = np.flatnonzero(parsed.isna().to_numpy())
    if bad.size:
        raise _bad_time(texts, lines, path, int(bad[0]), "is not a time")
    stamps = pd.DatetimeIndex(parsed).as_unit("ns")
    if zoned.all():
        return stamps
    local = stamps.tz_localize(None)
    try:
        # The order shows which of two equal hours is meant.
        return local.tz_localize(zone, ambiguous="infer").tz_convert("UTC")
    except ValueError:
        pass
    found = local.tz_localize(zone, ambiguous="NaT", nonexistent="NaT")
    bad = np.flatnonzero(found.isna())
    if not bad.size:
        return found.tz_convert("UTC")
    raise _bad_time(
        texts, lines, path, int(bad[0]), "does not exist, or exists twice, where clocks change"
    )


def _bad_time(texts: list[str], lines: list[int], path: Path, at: int, why: str) -> HouseError:
    return HouseError(
        f"{texts[at]!r} {why}", path=path, line=lines[at], column="time", fix=SHOW_TIMES
    )


def _once(series: pd.Series, lines: pd.Series, path: Path) -> pd.Series:
    """One temperature for each instant; two that differ are refused."""
    times: NDArray[np.int64] = pd.DatetimeIndex(series.index).as_unit("ns").asi8
    same = np.r_[False, np.diff(times) == 0]
    differs = same & np.r_[False, np.diff(series.to_numpy()) != 0]
    if differs.any():
        at = int(np.flatnonzero(differs)[0])
        raise HouseError(
            f"two temperatures at one time, {series.index[at]:%Y-%m-%d %H:%M} UTC: "
            f"{series.iloc[at - 1]:g} in line {lines.iloc[at - 1]} and {series.iloc[at]:g} here",
            path=path,
            line=int(lines.iloc[at]),
            column="time",
            fix="Delete the one that is wrong.",
        )
    return series[~same]
