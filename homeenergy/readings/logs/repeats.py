"""Whether two exports hold the same circuits, as one that was corrected does."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from homeenergy.errors import HouseError
from homeenergy.readings.logs.labels import same_name
from homeenergy.readings.logs.propose import Description
from homeenergy.readings.logs.read import Rows, read_log
from homeenergy.readings.logs.rows import Values

_SAME = 0.95  # share of the readings at the same instants; own choice
_MOST_FILES = 40

Export = tuple[Sequence[Path], Description]


def repeat(one: Export, other: Export) -> bool:
    """Whether two exports overlap with the same readings of any circuit that both name.

    Two loads do not read the same to the last digit while they vary; so one export repeats the
    other, though some of its columns were corrected.
    """
    mine, theirs = list(_series(one)), list(_series(other))
    return any(
        _same(times, values, at, others)
        for name, times, values in mine
        for named, at, others in theirs
        if named == name
    )


def _series(one: Export) -> Iterator[tuple[str, NDArray[np.int64], Values]]:
    """Instants and readings of each circuit of some files, by its label."""
    files, described = one
    for rows in described.rows if len(files) == 1 else _rows(files[:_MOST_FILES], described):
        for circuit, values in rows.columns.items():
            yield same_name(described.labels[circuit]), rows.times_ns, values


def _rows(files: Sequence[Path], described: Description) -> Iterator[Rows]:
    for path in files:
        try:
            yield from read_log(path, described.layout)
        except HouseError:  # said where it is described, or imported
            continue


def _same(
    times_ns: NDArray[np.int64],
    values: Values,
    at_ns: NDArray[np.int64],
    others: Values,
) -> bool:
    _, at, to = np.intersect1d(times_ns, at_ns, return_indices=True)
    seen = np.isfinite(values[at]) & np.isfinite(others[to])
    mine, theirs = values[at][seen], others[to][seen]
    moves = (np.diff(mine) != 0) | (np.diff(theirs) != 0)  # any two ovens are mostly at 0
    return bool(moves.any()) and float(np.mean((mine == theirs)[1:][moves])) >= _SAME
