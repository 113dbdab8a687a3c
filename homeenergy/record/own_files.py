"""Files that a person keeps, and to which lines are added: meter_readings.csv and bench.csv."""

from __future__ import annotations

import csv
import io
import os
from contextlib import suppress
from datetime import date, datetime
from pathlib import Path

from homeenergy.errors import HouseError
from homeenergy.house.schedule import Schedule
from homeenergy.house.sources import Source

BENCH_COLUMNS = ("circuit", "reference_w", "clamp_w")


class MeterReadings:
    """Appends the first reading of each local day to the meter_readings.csv of a house.

    Parameters
    ----------
    schedule : Schedule
    source : Source
        Its `meter` is in kWh; telegrams and pulses give Wh.
    """

    def __init__(self, schedule: Schedule, source: Source) -> None:
        self.path = schedule.folder / "meter_readings.csv"
        self._zone = schedule.timezone
        self._to_kwh = 0.001 if source.lines in ("telegram", "pulses") else 1.0
        self._day = _last_day(self.path)

    def take(self, value: float, time_ms: int) -> None:
        """Write a reading down if it is the first of its day; days only go forward."""
        at = datetime.fromtimestamp(time_ms / 1000, self._zone)
        if self._day is not None and at.date() <= self._day:
            return
        line = f"{at.isoformat(timespec='seconds')},{value * self._to_kwh:.3f}"
        with suppress(OSError):  # the disk is full: the next reading is tried
            _append(self.path, line, head="time,kwh")
            self._day = at.date()


def _last_day(path: Path) -> date | None:
    """Day of the last line of a file of meter readings."""
    if not path.exists():
        return None
    for line in reversed(path.read_text(encoding="utf-8-sig").splitlines()):
        try:
            return datetime.fromisoformat(line.split(",")[0].strip()).date()
        except ValueError:
            continue
    return None


def append_row(path: Path, row: dict[str, str]) -> str:
    """Add a row to bench.csv, under the columns that it has; it is on disk when this returns."""
    text = path.read_text(encoding="utf-8-sig") if path.exists() else ""
    head = next(csv.reader(io.StringIO(text)), None) or list(BENCH_COLUMNS)
    names = [name.strip() for name in head]
    if missing := [name for name in BENCH_COLUMNS if name not in names]:
        raise HouseError(f"has no column {', '.join(missing)}", path=path, line=1)
    line = ",".join(row.get(name, "") for name in names)
    _append(path, line, head=",".join(names))
    return line


def _append(path: Path, line: str, *, head: str) -> None:
    """Add a line to a file, which begins with its head; it is on disk when this returns."""
    with path.open("a+b") as file:
        size = file.seek(0, os.SEEK_END)
        file.seek(max(size - 1, 0))
        whole = file.read(1) in (b"\n", b"")
        begin = ("" if size else f"{head}\n") + ("" if whole else "\n")
        file.write(f"{begin}{line}\n".encode())
        file.flush()
        os.fsync(file.fileno())
