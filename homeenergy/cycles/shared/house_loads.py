"""Loads of a house's shared circuits: divided once, kept in its store, read like any circuit."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from homeenergy.cycles.decisions import read_decisions
from homeenergy.cycles.shared.split import Load, split_loads
from homeenergy.house.schedule import Circuit, CircuitLoad, Clamp
from homeenergy.readings.house import House, dividers
from homeenergy.readings.logs.labels import kind_of
from homeenergy.readings.store.store import MonthInfo, Store, month_of, month_slots, short_hash
from homeenergy.readings.trace import Trace
from homeenergy.stats.estimate import Estimate
from homeenergy.units import S_PER_H

# Raised where a circuit would be divided in another way.
METHOD = 8
# The most that a load's energy may be off, as a share of it.
MOST_SHARE = 0.99


@dataclass(frozen=True, slots=True, kw_only=True)
class Division:
    """How far a load of a house can be told from those it shares a circuit with.

    `named` says whether anything tells which load is which; `share` is the half-width of its
    energy's interval, as a share of the energy, and `above_share` that without what never ends;
    `floor_w` is the draw of the whole circuit that never ends [W], of which each of its `loads` is
    given the same.
    """

    circuit: str
    told: bool
    confidence: float
    reasons: tuple[str, ...]
    named: bool
    share: float
    above_share: float
    floor_w: float
    loads: int


def division_of(house: House, circuit: Circuit) -> Division:
    """What is known of a load, whose circuit is divided where that has not been done."""
    house.stored_months(circuit)
    text = house.store_text(_note_name(circuit.part_of))
    note = json.loads(text or "{}")
    return Division(
        circuit=circuit.part_of,
        told=bool(note["told"]),
        confidence=float(note["confidence"]),
        reasons=tuple(note["reasons"]),
        named=bool(note["named"]),
        share=float(note["shares"][circuit.name]),
        above_share=float(note["above_shares"][circuit.name]),
        floor_w=float(note["floor_w"]),
        loads=len(note["shares"]),
    )


def as_divided(house: House, circuit: Circuit) -> Circuit:
    """A load with a clamp whose uncertainties hold those of the division; others as they are.

    What never ends on the circuit may all be its own, or nothing of it: an offset of its readings.
    """
    if not circuit.part_of or not house.has_readings(circuit):
        return circuit
    known, clamp = division_of(house, circuit), house.circuit(circuit.part_of).clamp
    ratio = with_clamp(known.above_share, clamp)
    offset_w = known.floor_w * (known.loads - 1) / known.loads
    return replace(circuit, clamp=Clamp(uncertainty=ratio, offset_uncertainty_w=offset_w or None))


def with_clamp(share: float, clamp: Clamp) -> float:
    """What a load's energy may be off by its division and its circuit's clamp, as a share of it."""
    return min(float(np.hypot(share, clamp.uncertainty or 0.0)), MOST_SHARE)


def divide_circuit(house: House, circuit: Circuit, store: Store) -> None:
    """Divide a shared circuit, and write its loads into the store; nothing where that was done."""
    infos, period_ns = house.stored_months(circuit)
    said = _said(house)
    state = [(info.signature, info.samples, info.first_slot, info.words) for info in infos]
    made_from = short_hash(
        [METHOD, state, repr(circuit), repr([said.get(x.name) for x in circuit.loads])]
    )
    note_name = _note_name(circuit.name)
    known = store.read_text(note_name)
    if known is not None and json.loads(known).get("made_from") == made_from:
        return
    trace = house.trace(circuit)
    shared = split_loads(
        trace,
        [
            Load(
                name=one.name,
                kind=one.kind or kind_of(one.appliance),
                watts=one.watts,
                alone=_alone(one),
                own=said.get(one.name, ()),
            )
            for one in circuit.loads
        ],
    )
    floor_wh = shared.floor_w * trace.covered_s / S_PER_H
    for name, own in shared.traces.items():
        _write(store, name, own.sure(), made_from=made_from, period_ns=period_ns)
    note = {
        "made_from": made_from,
        "told": shared.told,
        "confidence": shared.confidence,
        "reasons": shared.reasons,
        "floor_w": shared.floor_w,
        "named": shared.named,
        "odds_of_several": shared.odds_of_several,
        "shares": {name: _share(one) for name, one in shared.energy_wh.items()},
        "above_shares": {
            name: _share(one, floor_wh=floor_wh, loads=len(circuit.loads))
            for name, one in shared.energy_wh.items()
        },
    }
    store.write_text(note_name, json.dumps(note, sort_keys=True))


def _said(house: House) -> dict[str, tuple[tuple[pd.Timestamp, pd.Timestamp], ...]]:
    """Times of draws that a person said are of a load (`run_decisions.csv`), by its name."""
    said: dict[str, tuple[tuple[pd.Timestamp, pd.Timestamp], ...]] = {}
    for one in read_decisions(house):
        if one.decision == "own" and one.start is not None and one.end is not None:
            said[one.circuit] = (*said.get(one.circuit, ()), (one.start, one.end))
    return said


def _note_name(circuit: str) -> str:
    return f"loads_{circuit}.json"


def _share(energy: Estimate, *, floor_wh: float = 0.0, loads: int = 1) -> float:
    """Half-width of an energy without that of a floor that `loads` share, as a share of it."""
    above = energy.high - energy.value - floor_wh * (loads - 1) / loads
    below = energy.value - energy.low - floor_wh / loads
    half = max(above, below, 0.0)
    return min(half / energy.value, MOST_SHARE) if energy.value > 0 else MOST_SHARE


def _alone(load: CircuitLoad) -> tuple[pd.Timestamp, pd.Timestamp] | None:
    if load.alone_from is None or load.alone_to is None:
        return None
    return pd.Timestamp(load.alone_from), pd.Timestamp(load.alone_to)


def _write(store: Store, name: str, trace: Trace, *, made_from: str, period_ns: int) -> None:
    """Write a trace month by month, each from its first to its last sample that is there.

    Where none is, an empty month says that the circuit was logged.
    """
    begin = trace.start.value // period_ns
    seen = np.flatnonzero(~np.isnan(trace.watts))
    spans = {} if seen.size else {month_of(begin * period_ns): (0, 0)}
    at = begin
    while seen.size and at < begin + len(trace):
        month = month_of(at * period_ns)
        low, high = month_slots(month, period_ns)
        inside = seen[(seen >= low - begin) & (seen < high - begin)]
        if inside.size:
            spans[month] = int(inside[0]), int(inside[-1]) + 1
        at = high
    for month, (first, stop) in spans.items():
        watts = trace.watts[first:stop]
        info = MonthInfo(
            circuit=name,
            month=month,
            first_slot=int(begin + first),
            samples=watts.size,
            period_ns=period_ns,
            signature=made_from,
            rows=int(np.count_nonzero(~np.isnan(watts))),
        )
        store.write(info, np.ascontiguousarray(watts))
    for month in set(store.months(name)) - set(spans):
        store.remove(name, month)


if divide_circuit not in dividers:
    dividers.append(divide_circuit)
