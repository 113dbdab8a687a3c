"""Read meter_readings.csv, a person's readings of the utility meter."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from homeenergy.errors import HouseError
from homeenergy.house import Schedule
from homeenergy.trust.bench_file import numbers, read_table


def read_meter(schedule: Schedule) -> pd.DataFrame | None:
    """Read the meter_readings.csv of a house.

    Parameters
    ----------
    schedule : Schedule
        Whose folder holds the file. Times without an offset are the house's local time.

    Returns
    -------
    pandas.DataFrame or None
        time (in the house's zone), kwh, line (from 1, with the header), in order of time. None
        where there is no file.

    Raises
    ------
    HouseError
        Naming line and column of what cannot be used; two readings at one time are refused.
    """
    path = schedule.folder / "meter_readings.csv"
    if not path.exists():
        return None
    table = read_table(path, columns=("time", "kwh"))
    table["kwh"] = numbers(table, "kwh", path=path)
    below = table[table["kwh"] < 0]
    if len(below):
        raise HouseError(
            f"the meter reading {below['kwh'].iloc[0]:g} is below zero",
            path=path,
            line=int(below["line"].iloc[0]),
            column="kwh",
            fix="Write what the register shows.",
        )
    table["time"] = [
        _instant(text, int(line), path=path, schedule=schedule)
        for text, line in zip(table["time"], table["line"], strict=True)
    ]
    table = table[["time", "kwh", "line"]].sort_values("time", kind="stable", ignore_index=True)
    twice = np.flatnonzero(table["time"].duplicated())
    if twice.size:
        second = table.iloc[twice[0]]
        first = table.iloc[twice[0] - 1]
        raise HouseError(
            f"two readings at one time, {second['time']:%Y-%m-%d %H:%M}: {first['kwh']:.10g} in "
            f"line {first['line']} and {second['kwh']:.10g}",
            path=path,
            line=int(second["line"]),
            column="time",
            fix="Delete the one that is wrong.",
        )
    return table


def _instant(text: str, line: int, *, path: Path, schedule: Schedule) -> pd.Timestamp:
    try:
        instant = pd.Timestamp(text)
        if instant is pd.NaT:
            raise ValueError("empty")
        if instant.tzinfo is None:
            instant = instant.tz_localize(schedule.timezone, nonexistent="shift_forward")
    except ValueError:
        raise HouseError(
            f"{text!r} is not a time, or the clock showed it twice",
            path=path,
            line=line,
            column="time",
            fix="Write it as 2026-10-18T15:28, or with its offset as 2026-10-18T15:28-06:00.",
        ) from None
    return instant.tz_convert(schedule.timezone)
