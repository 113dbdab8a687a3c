"""Read bench.csv, a person's pairs of reference and clamp readings."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from homeenergy.errors import HouseError
from homeenergy.house import Schedule

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
        raise HouseError(f"cannot be read as CSV ({error})", path=path) from None
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
