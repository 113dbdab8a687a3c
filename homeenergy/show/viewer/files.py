"""Files of a view: its picture as PNG, and its readings as CSV."""

from __future__ import annotations

import os
import re
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from homeenergy.errors import HouseError
from homeenergy.readings.house import House
from homeenergy.readings.store.overview import WIDTHS
from homeenergy.units import NS_PER_S

MOST_ROWS = 1_000_000
PICTURE_DPI = 200


def file_stem(house: House, start_ns: int, end_ns: int) -> str:
    """Name for files of a span: the house, and from when to when in local time."""
    edges = (
        f"{pd.Timestamp(at, unit='ns', tz='UTC').tz_convert(house.timezone):%Y-%m-%d_%H%M%S}"
        for at in (start_ns, end_ns)
    )
    name = re.sub(r"\W+", "_", house.name).strip("_").lower() or "house"
    return "_".join((name, *edges))


def save_picture(figure: Figure, folder: str | Path, *, stem: str) -> Path:
    """Write a figure as PNG in a folder, which is made if it is not there; give its path."""
    path = _folder(folder) / f"{stem}.png"
    figure.savefig(path, dpi=PICTURE_DPI)
    return path


def save_readings(
    house: House,
    circuits: Sequence[str],
    folder: str | Path,
    *,
    start_ns: int,
    end_ns: int,
    most_rows: int = MOST_ROWS,
) -> tuple[Path, float]:
    """Write the readings of circuits between two instants as CSV.

    Parameters
    ----------
    house : House
    circuits : sequence of str
        Those without readings are left out.
    folder : path
        Made if it is not there.
    start_ns, end_ns : int
        UTC, ns since 1970.
    most_rows : int
        Above so many rows, means of 60 or of 3600 samples are written instead of each sample.

    Returns
    -------
    path, period_s : Path, float
        The file, and how much time one row covers [s].

    Notes
    -----
    Columns: `time`, the local time with its offset from UTC at which a row begins; and a column
    `<circuit>_w` for each circuit, empty where nothing was logged. A circuit with a period of its
    own longer than the shortest one has a row only where its samples begin.
    """
    there = [name for name in circuits if house.has_readings(name)]
    if not there:
        raise HouseError("there are no readings to save", fix="Choose a circuit that has some.")
    period_ns = min(house.overview.period_ns(name) for name in there)
    samples = max((end_ns - start_ns) // period_ns, 1)
    width = next((w for w in (1, *WIDTHS) if samples // w <= most_rows), None)
    if width is None:
        raise HouseError(
            f"{samples:,} samples are too many for one file", fix="Select a shorter span."
        )
    columns = {f"{n}_w": _mean_w(house, n, start_ns, end_ns, width) for n in there}
    table = pd.DataFrame(columns)
    local = pd.DatetimeIndex(table.index.to_numpy(np.int64).view("M8[ns]")).tz_localize("UTC")
    table.index = pd.Index([t.isoformat() for t in local.tz_convert(house.timezone)], name="time")
    path = _folder(folder) / f"{file_stem(house, start_ns, end_ns)}.csv"
    temporary = path.with_name(f"{path.name}.part")
    table.to_csv(temporary, float_format="%.6g", encoding="utf-8")
    os.replace(temporary, path)
    return path, width * period_ns / NS_PER_S


def _mean_w(house: House, name: str, start_ns: int, end_ns: int, width: int) -> pd.Series:
    """Means of stretches of `width` samples, by the instant [ns] at which they begin."""
    overview = house.overview
    step_ns = overview.period_ns(name) * width
    first, stop = -(-start_ns // step_ns), -(-end_ns // step_ns)
    if width == 1:
        watts: np.ndarray = overview.samples(name, first, stop)
    else:
        watts = overview.bins(name, WIDTHS.index(width), first, stop).mean_w
    return pd.Series(watts, index=np.arange(first, max(stop, first), dtype=np.int64) * step_ns)


def _folder(folder: str | Path) -> Path:
    path = Path(folder).expanduser()
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise HouseError(
            f"this folder cannot be created ({error.strerror})", path=path, fix="Name another one."
        ) from None
    return path
