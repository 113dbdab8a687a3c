"""Write the logs of a simulated house: wide daily files, or long monthly ones."""

from __future__ import annotations

import gzip
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from homeenergy.simulate.build import SimulatedHouse
from homeenergy.units import NS_PER_S


def write_gzip(path: Path, text: str) -> None:
    """Write compressed text whose bytes depend on nothing but the text."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("wb") as raw, gzip.GzipFile("", "wb", 9, raw, mtime=0) as packed:
        packed.write(text.encode("utf-8"))


def write_wide(house: SimulatedHouse, folder: Path, *, csv_dates: tuple[str, ...]) -> None:
    """One file a local day, a row a sample, a column a circuit.

    The days in `csv_dates` are CSV with local times that do not tell summer from winter time; the
    others are Parquet with seconds since 1970. Empty cells are missing readings.
    """
    values, present = _table(house)
    rows = house.rows
    stamp_s = house.calendar.start.value // NS_PER_S + rows * house.plan.period_s
    days = np.searchsorted(house.calendar.midnights_s, rows * house.plan.period_s, side="right")
    date = pd.Timestamp(house.plan.start)
    for day in range(1, house.calendar.days + 1):
        name = (date + pd.Timedelta(days=day - 1)).strftime("%Y-%m-%d")
        of_day = days == day
        part = {c: values[c][rows[of_day]] for c in values}
        there = {c: present[c][rows[of_day]] for c in present}
        if name in csv_dates:
            _wide_csv(folder / f"{name}.csv.gz", stamp_s[of_day], part, there, house)
        else:
            _wide_parquet(folder / f"{name}.parquet", stamp_s[of_day], part, there)


def _table(
    house: SimulatedHouse,
) -> tuple[dict[str, NDArray[np.int64]], dict[str, NDArray[np.bool_]]]:
    """Whole watts of every circuit, and for those with holes of their own which are there."""
    values = {c: np.round(w).astype(np.int64) for c, w in house.readings_w.items()}
    present: dict[str, NDArray[np.bool_]] = {}
    for circuit, lo, hi in house.missing:
        keep = present.setdefault(circuit, np.ones(values[circuit].size, dtype=bool))
        keep[lo:hi] = False
    return values, present


def _wide_csv(
    path: Path,
    stamp_s: NDArray[np.int64],
    part: dict[str, NDArray[np.int64]],
    there: dict[str, NDArray[np.bool_]],
    house: SimulatedHouse,
) -> None:
    local = _local(stamp_s, house.plan.timezone)
    frame = pd.DataFrame({"time": local.strftime("%Y-%m-%d %H:%M:%S")} | part)
    for circuit, keep in there.items():
        frame[circuit] = frame[circuit].astype("Int32").where(pd.Series(keep))
    write_gzip(path, frame.to_csv(index=False, lineterminator="\n"))


def _wide_parquet(
    path: Path,
    stamp_s: NDArray[np.int64],
    part: dict[str, NDArray[np.int64]],
    there: dict[str, NDArray[np.bool_]],
) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    columns = {"time": pa.array(stamp_s, type=pa.int64())}
    for circuit, watts in part.items():
        mask = ~there[circuit] if circuit in there else None
        columns[circuit] = pa.array(watts.astype(np.int32), mask=mask)
    pq.write_table(
        pa.table(columns),
        path,
        compression="zstd",
        compression_level=19,
        use_dictionary=[c for c in columns if c != "time"],
        column_encoding={"time": "DELTA_BINARY_PACKED"},
        write_statistics=False,
    )


def write_long(house: SimulatedHouse, folder: Path) -> None:
    """One file a local month: a row per instant and circuit, semicolons, kW with decimal commas.

    The stamp is the local time at which the period of the row ends.
    """
    plan = house.plan
    values, present = _table(house)
    stamp_s = house.calendar.start.value // NS_PER_S + (house.rows + 1) * plan.period_s
    local = _local(stamp_s, plan.timezone)
    text = local.strftime("%d.%m.%Y %H:%M:%S").to_numpy()
    month = local.strftime("%Y-%m").to_numpy()
    names = list(values)
    table = np.stack([values[c][house.rows] for c in names], axis=1)
    there = np.ones(table.shape, dtype=bool)
    for circuit, keep in present.items():
        there[:, names.index(circuit)] = keep[house.rows]
    for one in np.unique(month):
        of_month = np.flatnonzero(month == one)
        lines = ["tijd;groep;kW"]
        for row in of_month:
            lines += [
                f"{text[row]};{name};{_kilowatts(watts)}"
                for name, watts, ok in zip(names, table[row].tolist(), there[row], strict=True)
                if ok
            ]
        write_gzip(folder / f"{one}.csv.gz", "\n".join(lines) + "\n")


def _kilowatts(watts: int) -> str:
    sign = "-" if watts < 0 else ""
    return f"{sign}{abs(watts) // 1000},{abs(watts) % 1000:03d}"


def _local(stamp_s: NDArray[np.int64], timezone: str) -> pd.DatetimeIndex:
    instants = pd.DatetimeIndex((stamp_s * NS_PER_S).view("M8[ns]")).tz_localize("UTC")
    return instants.tz_convert(timezone).tz_localize(None)
