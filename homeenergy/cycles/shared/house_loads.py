"""Loads of a house's shared circuits: divided once, kept in its store, read like any circuit."""

from __future__ import annotations

import json
from dataclasses import dataclass

import numpy as np
import pandas as pd

from homeenergy.cycles.decisions import read_decisions
from homeenergy.cycles.shared.split import Load, SharedClamp, split_loads
from homeenergy.house.schedule import Circuit, CircuitLoad
from homeenergy.readings.house import House, dividers
from homeenergy.readings.logs.labels import kind_of
from homeenergy.readings.store.store import MonthInfo, Store, month_of, month_slots, short_hash
from homeenergy.readings.trace import Trace

# Raised where a circuit would be divided in another way.
METHOD = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Division:
    """How far a load of a house can be told from those it shares a circuit with.

    `named` says whether anything tells which load is which; `share` is the half-width of its
    energy's interval, as a share of the energy; `floor_w` the draw of the whole circuit that never
    ends [W].
    """

    circuit: str
    told: bool
    confidence: float
    reasons: tuple[str, ...]
    named: bool
    share: float
    floor_w: float


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
        floor_w=float(note["floor_w"]),
    )


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
        "shares": {name: _share(shared, name) for name in shared.traces},
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


def _share(shared: SharedClamp, name: str) -> float:
    energy = shared.energy_wh[name]
    half = max(energy.high - energy.value, energy.value - energy.low)
    return float(min(half / energy.value, 0.99)) if energy.value > 0 else 0.99


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
