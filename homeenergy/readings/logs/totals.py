"""Columns of a log that are sums of others: totals, of which `new` takes none for a load."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from homeenergy.readings.logs.columns import leg_marked, leg_of, names_mains
from homeenergy.readings.logs.labels import looks_like_mains
from homeenergy.readings.logs.propose import Description
from homeenergy.readings.logs.roles import listed
from homeenergy.readings.logs.rows import Values
from homeenergy.readings.sums import LEAST_STEPS, MOST_STEPS, find_sums

_NEARLY_ALL = 0.9  # of how far the others move; own choice
_EXACT = 0.02  # of its own steps, by which a total is off the sum of its parts; own choice
_KINDS = {"power": "power", "volts_and_amps": "power", "apparent_power": "power"}
_KINDS |= {"energy": "energy", "energy_counter": "counter"}
# A phase, by no more than its number or letter.
_PHASE = re.compile(r"(?:(?:power|p|w|wirkleistung|leistung)[\s_.-]*)?([123]|[abc])", re.IGNORECASE)

_Numbers = NDArray[np.float64]


@dataclass(slots=True)
class _Told:
    """What is found: circuits left out, mains and their legs, doubts, and what to say of each."""

    out: set[str] = field(default_factory=set)
    mains: set[str] = field(default_factory=set)
    legs: dict[str, str] = field(default_factory=dict)
    doubts: dict[str, str] = field(default_factory=dict)
    remarks: dict[str, str] = field(default_factory=dict)


def without_totals(descriptions: Sequence[Description]) -> tuple[Description, ...]:
    """Say of each circuit that is the sum of others what it is.

    A sum of the legs of the mains is left out, as is any sum of some circuits; that of all becomes
    the mains where no name says what these are. What holds more than its parts is in doubt.
    """
    labels = {c: label for one in descriptions for c, label in one.labels.items()}
    told = _Told()
    for kind in dict.fromkeys(_KINDS.values()):
        series = {
            circuit: (rows.times_ns, values)
            for one in descriptions
            for rows in one.rows
            for circuit, values in rows.columns.items()
            if _KINDS.get(one.layout.columns[circuit].quantity) == kind
        }
        if len(series) <= 2:
            continue
        names, steps = list(series), np.diff(_at_same_instants(series.values()), axis=1)
        if kind == "counter":
            steps = np.diff(steps, axis=1)
        _sums_of_legs(names, steps, labels, told)
        _sums_of_circuits(names, steps, labels, told)
    return tuple(_changed(one, told) for one in descriptions)


def _sums_of_legs(
    names: Sequence[str], steps: _Numbers, labels: Mapping[str, str], told: _Told
) -> None:
    """Find a total of the mains beside their legs."""
    by_name = [at for at, name in enumerate(names) if names_mains(labels[name])]
    phases = [at for at, name in enumerate(names) if _phase(labels[name])]
    for group in (by_name, phases):
        for row, name in enumerate(names):
            parts = [at for at in group if at != row]
            others = len(names) - len(parts) > 1 or group is by_name
            if not 2 <= len(parts) <= 3 or not others or not _is_sum(steps, row, parts):
                continue
            of = listed([labels[names[part]] for part in parts])
            told.out.add(name)
            told.mains |= {names[part] for part in parts}
            told.legs |= {
                names[part]: leg for part in parts if (leg := _phase(labels[names[part]]))
            }
            said = f"column {labels[name]!r} is left out: it is the sum of {of}"
            told.remarks[name] = f"{said}, the legs of the mains"
            return


def _sums_of_circuits(
    names: Sequence[str], steps: _Numbers, labels: Mapping[str, str], told: _Told
) -> None:
    """Find totals of all or some circuits, and what feeds several of them."""
    mains = {name for name in names if names_mains(labels[name])} | told.mains
    asked = [at for at, name in enumerate(names) if name not in mains | told.out]
    moves = np.nansum(steps[asked] ** 2, axis=1)
    found = find_sums(steps[asked])
    for row, parts in found.items():
        name = names[asked[row]]
        of = listed([labels[names[asked[part]]] for part in parts], most=6)
        exact = _is_sum(steps[asked], row, parts)
        others = [at for at in range(len(asked)) if at not in found]
        if moves[list(parts)].sum() >= _NEARLY_ALL * moves[others].sum() and not mains:
            told.mains.add(name)
            whole = "the sum of the other columns" if exact else f"at least the sum of {of}"
            said = f"is {whole}: taken as the mains, check"
        elif exact:
            told.out.add(name)
            said = f"is left out: it is the sum of {of}"
        else:
            told.doubts[name] = f"holds {of} and more, which count twice; is it the mains?"
            said = told.doubts[name]
        told.remarks[name] = f"column {labels[name]!r} {said}"


def _is_sum(steps: _Numbers, row: int, parts: Sequence[int]) -> bool:
    """Whether a circuit steps as the sum of its parts does."""
    left = steps[row] - steps[list(parts)].sum(axis=0)
    there = np.isfinite(left)
    own = float(np.sum(steps[row, there] ** 2))
    moves = (steps[list(parts)][:, there] != 0).any(axis=1).all()
    enough = there.sum() > LEAST_STEPS and bool(moves) and own > 0
    return enough and float(np.sum(left[there] ** 2)) <= _EXACT**2 * own


def _phase(label: str) -> str | None:
    """Leg that a label names, and nothing else: "L1", "P2", "phase 3"."""
    leg = leg_of(label)
    if leg is not None and (not leg[0] or looks_like_mains(leg[0])):
        return leg[1]
    found = _PHASE.fullmatch(label.strip())
    return leg_marked(found[1]) if found else None


def _changed(one: Description, told: _Told) -> Description:
    kept = {c: column for c, column in one.layout.columns.items() if c not in told.out}
    remarks = [remark for c, remark in told.remarks.items() if c in one.labels]
    legs = {c: (leg,) for c, leg in told.legs.items()} | dict(one.legs)
    doubts = {**one.doubts, **told.doubts}
    return replace(
        one,
        layout=replace(one.layout, columns=kept),
        labels={c: label for c, label in one.labels.items() if c in kept},
        legs={c: some for c, some in legs.items() if c in kept},
        samples={c: some for c, some in one.samples.items() if c in kept},
        doubts={c: doubt for c, doubt in doubts.items() if c in kept},
        unnamed=one.unnamed & kept.keys(),
        mains=one.mains | (told.mains & kept.keys()),
        remarks=(*remarks, *one.remarks),
    )


def _at_same_instants(series: Collection[tuple[NDArray[np.int64], Values]]) -> _Numbers:
    """Readings at some instants of the longest series, each held until the next one."""
    grid = np.unique(max((times for times, _ in series), key=len))
    grid = grid[:: max(1, grid.size // MOST_STEPS)]
    out = np.full((len(series), grid.size), np.nan)
    for row, (times, values) in zip(out, series, strict=True):
        there = np.flatnonzero(~np.isnan(values))
        own = there[np.argsort(times[there], kind="stable")]
        if own.size:
            at = np.searchsorted(times[own], grid, side="right") - 1
            row[:] = np.where((at >= 0) & (grid <= times[own[-1]]), values[own[at]], np.nan)
    return out
