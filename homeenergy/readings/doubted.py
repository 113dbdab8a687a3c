"""Samples in doubt of the circuits of a house, with its mains as a witness, kept in its store."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import asdict
from pathlib import Path
from typing import Protocol

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from homeenergy.files import replacing
from homeenergy.house.carrying import most_volts_v, most_w
from homeenergy.house.schedule import Circuit, Supply
from homeenergy.readings.doubt import Doubts, Nature, Watts, find_doubts
from homeenergy.readings.store.store import MonthInfo, Store, short_hash
from homeenergy.readings.trace import correct_in_place
from homeenergy.units import NS_PER_S

FORMAT = 1
_KEY = b"homeenergy"
_NAMES = ("first", "stop", "reason")


class Logged(Protocol):
    """What is asked of a `House`."""

    @property
    def mains(self) -> tuple[Circuit, ...]:
        """Circuits of the incoming supply of which there are readings."""

    @property
    def supply(self) -> Supply:
        """What the utility brings in."""

    def stored_months(self, circuit: str | Circuit) -> tuple[list[MonthInfo], int]:
        """Months of a circuit, and the length of a sample [ns]."""


def stored_doubts(house: Logged, store: Store, circuit: Circuit) -> Doubts:
    """Samples in doubt of a circuit, from a file of the store, which is made if need be.

    The file carries what it was made from: another log, clamp or supply, of this circuit or of the
    mains, and it is made anew. Where it cannot be written, the answer is the same.
    """
    witnesses = () if circuit.role == "mains" else house.mains
    made_from = short_hash(
        [FORMAT, asdict(house.supply), *(_made_from(house, c) for c in (circuit, *witnesses))]
    )
    path = store.doubts_path(circuit.name)
    found = _read(path, made_from)
    if found is None:
        found = _find(house, store, circuit, witnesses)
        with suppress(OSError):
            _write(path, made_from, found)
    return found


def _made_from(house: Logged, circuit: Circuit) -> object:
    infos, period_ns = house.stored_months(circuit)
    return [asdict(circuit), period_ns, [(info.month, info.signature) for info in infos]]


def _find(house: Logged, store: Store, circuit: Circuit, witnesses: Sequence[Circuit]) -> Doubts:
    infos, period_ns = house.stored_months(circuit)
    clamp, volts_v = circuit.clamp, house.supply.volts_v
    ends: set[float] = set()
    if clamp.rating_a is not None and volts_v is not None:
        # Meters multiply with a leg's voltage, some with that between legs.
        ends = {
            clamp.rating_a * volts_v,
            clamp.rating_a * most_volts_v(circuit, house.supply) / 1.1,
        }
    nature = Nature(
        period_s=period_ns / NS_PER_S,
        multipliers=tuple(one.value for one in clamp.in_order),
        ends_w=tuple(sorted(ends)),
        limit_w=most_w(circuit, house.supply),
    )
    others = [(c, *house.stored_months(c)) for c in witnesses]
    if any(period != period_ns for _, _, period in others):
        others = []

    def months() -> Iterator[tuple[int, Watts, Watts | None]]:
        for info in infos:
            if not info.samples:
                continue
            first, number = info.first_slot, info.samples
            watts = _samples(store, circuit, infos, first, number, period_ns)
            mains = None
            for witness, theirs, _ in others:
                one = _samples(store, witness, theirs, first, number, period_ns)
                mains = one if mains is None else mains + one
            yield first, watts, mains

    return find_doubts(months(), nature=nature)


def _samples(
    store: Store,
    circuit: Circuit,
    infos: Sequence[MonthInfo],
    first: int,
    number: int,
    period_ns: int,
) -> Watts:
    """Samples [first, first + number) of a circuit, corrected; NaN where there are none."""
    out = np.full(number, np.nan, dtype=np.float32)
    for info in infos:
        low, high = max(first, info.first_slot), min(first + number, info.first_slot + info.samples)
        if low < high:
            month = np.empty(info.samples, dtype=np.float32)
            store.read_into(info, month)
            out[low - first : high - first] = month[low - info.first_slot : high - info.first_slot]
    correct_in_place(out, circuit.clamp, first_slot=first, period_ns=period_ns)
    return out


def _read(path: Path, made_from: str) -> Doubts | None:
    try:
        with pq.ParquetFile(path, page_checksum_verification=True) as file:
            note = json.loads((file.schema_arrow.metadata or {})[_KEY])
            if note != made_from:
                return None
            table = file.read(use_threads=False)
            return Doubts(**{name: table.column(name).to_numpy() for name in _NAMES})
    except (OSError, pa.ArrowException, KeyError, ValueError, TypeError):
        return None


def _write(path: Path, made_from: str, found: Doubts) -> None:
    arrays: list[NDArray] = [getattr(found, name) for name in _NAMES]
    table = pa.table([pa.array(array) for array in arrays], names=list(_NAMES))
    table = table.replace_schema_metadata({_KEY: json.dumps(made_from).encode()})
    path.parent.mkdir(parents=True, exist_ok=True)
    with replacing(path, lasting=False) as temporary:
        pq.write_table(table, temporary, write_page_checksum=True)
