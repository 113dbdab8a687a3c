"""Which of many files of a log hold the hour in which clocks are changed."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from datetime import timezone
from pathlib import Path

import pyarrow as pa

from homeenergy.errors import HouseError
from homeenergy.house.layouts import LogLayout
from homeenergy.house.zones import read_zone
from homeenergy.readings.logs.read import read_log
from homeenergy.readings.logs.tables import csv_columns, first_rows
from homeenergy.readings.logs.times import BadStamp, ClockError, clock_changes, read_stamps


def read_clock_changes(
    files: Sequence[Path], layout: LogLayout, *, edges_ns: tuple[int, int]
) -> None:
    """Read those of many files that show whether the clock of a log is put forward and back.

    Parameters
    ----------
    files : sequence of Path
        Of a CSV log, in the order of time; where they are not, some may be missed.
    layout : LogLayout
    edges_ns : (int, int)
        First and last instant of the log, within a day or so.

    Raises
    ------
    ClockError
        If the clock is not that of the layout's zone.

    Notes
    -----
    Of each change, the first rows of some files are read to find it: O(log files).
    """
    for path in _of_clock_changes(files, layout, edges_ns=edges_ns):
        try:
            for _ in read_log(path, layout):
                pass
        except ClockError:
            raise
        except HouseError:  # said when it is imported
            continue


def _of_clock_changes(
    files: Sequence[Path], layout: LogLayout, *, edges_ns: tuple[int, int]
) -> list[Path]:
    """Files in which the clock of a zone is changed."""
    zone = read_zone(layout.time_zone)
    if layout.format != "csv" or isinstance(zone, timezone):
        return []
    _, changes = clock_changes(*edges_ns, zone)
    found: set[Path] = set()
    try:
        for change in changes:
            stop = bisect_right(files, change.till_ns, key=lambda one: _begins_ns(one, layout))
            start = bisect_right(files, change.from_ns, key=lambda one: _begins_ns(one, layout))
            found |= {*files[max(start - 1, 0) : stop]}
    except (BadStamp, HouseError, IndexError, ValueError):
        return []
    return sorted(found)


def _begins_ns(path: Path, layout: LogLayout) -> int:
    """First instant of a file, as the clock shows it."""
    names = csv_columns(path, layout)
    above = int(layout.header) + layout.lines_below_header
    row = first_rows(path, layout, above + 1)[above]
    cells = [row[names.index(name)] for name in layout.time_columns]
    texts = [pa.chunked_array([pa.array([cell])]) for cell in cells]
    return int(read_stamps(texts, layout.time_format, read_zone(layout.time_zone)).ns[0])
