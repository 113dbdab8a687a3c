"""Read what a person typed: bench.csv, clamps against a reference, and meter_readings.csv."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from homeenergy.errors import HouseError
from homeenergy.house.schedule import Schedule

COLUMNS = ("circuit", "reference_w", "clamp_w")


def read_bench(schedule: Schedule) -> pd.DataFrame | None:
    """Read the bench.csv of a house.

    Parameters
    ----------
    schedule : Schedule
        Whose folder holds the file, and whose circuits it may name.

    Returns
    -------
    pandas.DataFrame or None
        circuit, reference_w, clamp_w, `reference` (name of the meter) and `accuracy` (share) where
        the file has them, and `line`, counted from 1 with the header. None where there is no file.

    Raises
    ------
    HouseError
        Naming line and column of what cannot be used.
    """
    path = schedule.folder / "bench.csv"
    if not path.exists():
        return None
    table = read_table(path, columns=COLUMNS)
    names = {circuit.name for circuit in schedule.circuits}
    for line, circuit in zip(table["line"], table["circuit"], strict=True):
        if circuit not in names:
            raise HouseError(
                f"there is no circuit {circuit!r}",
                path=path,
                line=int(line),
                column="circuit",
                fix=f"Circuits: {', '.join(sorted(names))}.",
            )
    for column in COLUMNS[1:]:
        table[column] = numbers(table, column, path=path)
    if "accuracy" in table:
        table["accuracy"] = numbers(table, "accuracy", path=path)
        bad = table[~table["accuracy"].between(0, 0.5)]
        if len(bad):
            raise HouseError(
                f"an accuracy of {bad['accuracy'].iloc[0]:g} cannot be meant",
                path=path,
                line=int(bad["line"].iloc[0]),
                column="accuracy",
                fix="Write it as a share: 0.01 for a reference meter good to 1 %.",
            )
    return table


def read_table(path: Path, *, columns: tuple[str, ...]) -> pd.DataFrame:
    """Read a small CSV as texts, with the line of each row; the named columns must be there."""
    try:
        table = pd.read_csv(
            path, dtype=str, keep_default_na=False, skip_blank_lines=False, encoding="utf-8-sig"
        )
    except (pd.errors.ParserError, pd.errors.EmptyDataError, UnicodeDecodeError) as error:
        raise HouseError(
            f"cannot be read as CSV ({error})",
            path=path,
            fix=f"Its first line must be {','.join(columns)}; or take the file away.",
        ) from None
    if not isinstance(table.index, pd.RangeIndex):  # else the first cells would be left out
        raise HouseError(
            "has more cells than the first line",
            path=path,
            line=2,
            fix="Write numbers with a decimal point, and no comma at the end of a line.",
        )
    table.columns = table.columns.str.strip()
    missing = [column for column in columns if column not in table]
    if missing:
        raise HouseError(
            f"has no column {', '.join(missing)}",
            path=path,
            line=1,
            fix=f"The first line must be {','.join(columns)}.",
        )
    table["line"] = np.arange(2, len(table) + 2)
    table = table.apply(lambda cells: cells.str.strip() if cells.name != "line" else cells)
    return table[(table[list(columns)] != "").any(axis=1)].reset_index(drop=True)


def numbers(table: pd.DataFrame, column: str, *, path: Path) -> pd.Series:
    """Turn a column of texts into numbers, and refuse what is none."""
    values = pd.to_numeric(table[column], errors="coerce")
    bad = ~np.isfinite(values.to_numpy(dtype=np.float64))
    if bad.any():
        row = table[bad].iloc[0]
        raise HouseError(
            f"{row[column]!r} is not a number",
            path=path,
            line=int(row["line"]),
            column=column,
            fix="Write plain numbers with a decimal point.",
        )
    return values


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
    times = [
        _instant(text, int(line), path=path, schedule=schedule)
        for text, line in zip(table["time"], table["line"], strict=True)
    ]
    table["time"] = pd.DatetimeIndex(times, tz=schedule.timezone)
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
