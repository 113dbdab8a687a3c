"""Whether two exports hold the same circuits: once more, or as energies of longer periods."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from homeenergy.errors import HouseError
from homeenergy.readings.logs.labels import same_name
from homeenergy.readings.logs.propose import Description
from homeenergy.readings.logs.read import Rows, read_log
from homeenergy.readings.logs.rows import Values
from homeenergy.units import NS_PER_S, S_PER_H

_SAME = 0.95  # share of the readings at the same instants; own choice
_MOST_FILES = 40
_FEWEST, _OFF, _AGREE = 4, 0.03, 0.9  # periods with energy, how far it is off, in how many; own
_PERIODS = 50  # that are looked at; own choice
_GAP = 2.5  # times the usual step, beyond which a reading does not last

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


def in_longer_periods(one: Export, other: Export) -> bool:
    """Whether an export holds energies of what another holds in shorter periods, or as power.

    Of most circuits that both name and that draw, the energies of some fifty times are those of the
    other, with stamps at the beginning of a period or at its end.
    """
    coarse, fine = _energies(one), _energies(other)
    asked = [name for name in coarse.keys() & fine.keys() if coarse[name].moves]
    agree = sum(_agree(coarse[name], fine[name]) for name in asked)
    return 2 * agree > len(asked)


@dataclass(frozen=True, slots=True)
class _Energy:
    """Instants, and what was counted until each [Wh]; how long a row lasts."""

    times_ns: NDArray[np.int64]
    counted_wh: NDArray[np.float64]
    step_ns: float

    @property
    def moves(self) -> bool:
        """Whether enough periods hold energy."""
        return int(np.count_nonzero(np.diff(self.counted_wh) > 0)) >= _FEWEST


def _energies(one: Export) -> dict[str, _Energy]:
    parts: dict[str, list[tuple[NDArray[np.int64], Values]]] = {}
    for name, times_ns, values in _series(one):
        parts.setdefault(name, []).append((times_ns, values))
    quantities = {
        same_name(one[1].labels[c]): column.quantity for c, column in one[1].layout.columns.items()
    }
    found = {}
    for name, some in parts.items():
        times_ns, at = np.unique(np.concatenate([times for times, _ in some]), return_index=True)
        values = np.concatenate([values for _, values in some])[at].astype(np.float64)
        times_ns, values = times_ns[~np.isnan(values)], values[~np.isnan(values)]
        if times_ns.size <= _FEWEST:
            continue
        steps = np.diff(times_ns).astype(np.float64)
        usual = float(np.median(steps))
        if quantities[name] == "energy":
            counted = np.r_[0.0, np.cumsum(values[:-1])]
        elif quantities[name] == "energy_counter":
            counted = values
        else:
            hours = np.minimum(steps, _GAP * usual) / (S_PER_H * NS_PER_S)
            counted = np.r_[0.0, np.cumsum(values[:-1] * hours)]
        found[name] = _Energy(times_ns, counted, usual)
    return found


def _agree(coarse: _Energy, fine: _Energy) -> bool:
    """Whether the energies of some times are those of the other."""
    every = max(1, coarse.times_ns.size // _PERIODS)
    times_ns, own = coarse.times_ns[::every], np.diff(coarse.counted_wh[::every])
    # A stamp marks the beginning of its row, or its end; a counter may hold its own row already.
    for shift in (0.0, coarse.step_ns, -coarse.step_ns):
        edges = times_ns - shift
        inside = (edges >= fine.times_ns[0] - fine.step_ns) & (edges <= fine.times_ns[-1])
        other = np.diff(np.interp(edges, fine.times_ns, fine.counted_wh))
        asked = inside[:-1] & inside[1:] & ((own > 0) | (other > 0))
        if asked.sum() < _FEWEST:
            continue
        size = np.abs(own[asked])
        near = np.abs(own - other)[asked] <= _OFF * np.maximum(size, size.mean())
        if near.mean() >= _AGREE:
            return True
    return False


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
