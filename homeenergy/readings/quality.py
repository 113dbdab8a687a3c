"""How good the readings of a circuit are: samples in doubt, coverage, gaps, negative readings."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.house.carrying import VOLTS_ABOVE, most_volts_v, most_w
from homeenergy.house.schedule import Circuit, Supply
from homeenergy.readings.doubt import (
    HELD,
    LONE,
    STUCK,
    Doubts,
    Nature,
    Watts,
    find_doubts,
)
from homeenergy.readings.store.bins import keep_bins
from homeenergy.readings.store.kept import KEPT_FROM, read_kept, write_kept
from homeenergy.readings.store.store import MonthInfo, Store, short_hash
from homeenergy.readings.trace import Trace, correct_in_place
from homeenergy.readings.witness import SEEN
from homeenergy.units import NS_PER_S, WH_PER_KWH

NEGATIVE_W = 5.0


def circuit_quality(
    circuit: str, infos: Sequence[MonthInfo], months: Iterable[Trace], *, doubts: Doubts
) -> dict[str, Any]:
    """Sum up the readings of one circuit.

    Parameters
    ----------
    circuit : str
    infos : sequence of MonthInfo
        What its months say of themselves.
    months : iterable of Trace
        Its samples, one month at a time.
    doubts : Doubts
        Its samples in doubt.

    Returns
    -------
    dict
        circuit; period_s; first, last (instants at which the samples begin and end); coverage
        (share of the time between them that has samples); gaps (stretches without);
        longest_gap_s; rows, repeats (rows that shared an instant with another), conflicts
        (instants with different values), out_of_order,
        resets, rejected (as logged); missed_kwh (what its counter counted while nothing was
        logged, at least [kWh]); doubted (samples in doubt), doubt (how many for which reason,
        see `homeenergy.readings.doubt.REASONS`); spikes (lone or held); stuck_s (longest stretch
        stuck at one value); negative_share (of the samples; see `count_negative`).
    """
    found = _Found()
    for trace in months:
        found.take(trace)
    period_ns = infos[0].period_ns if infos else NS_PER_S
    slots = 0
    if found.first is not None and found.last is not None:
        slots = int((found.last - found.first).value) // period_ns
    counts = doubts.counts()
    counted = ("rows", "repeats", "conflicts", "out_of_order", "resets", "rejected")
    return {
        "circuit": circuit,
        "period_s": period_ns / NS_PER_S,
        "first": found.first,
        "last": found.last,
        "coverage": found.present / slots if slots else float("nan"),
        "gaps": found.gaps,
        "longest_gap_s": found.longest * period_ns / NS_PER_S,
        **{name: sum(getattr(info, name) for info in infos) for name in counted},
        "missed_kwh": sum(info.missed_wh for info in infos) / WH_PER_KWH,
        "doubted": sum(counts.values()),
        "doubt": ", ".join(f"{number} {reason}" for reason, number in counts.items()),
        "spikes": doubts.spikes,
        "stuck_s": doubts.longest(STUCK) * period_ns / NS_PER_S,
        "negative_share": found.negative / found.present if found.present else float("nan"),
    }


@dataclass(slots=True)
class _Found:
    """Counts over the months so far [samples]."""

    first: pd.Timestamp | None = None
    last: pd.Timestamp | None = None
    present: int = 0
    gaps: int = 0
    longest: int = 0
    negative: int = 0

    def take(self, trace: Trace) -> None:
        watts = trace.watts
        missing = _run_lengths(np.isnan(watts))
        if self.last is not None and trace.start > self.last:
            between = int((trace.start - self.last).value) // trace.period_ns
            missing = np.append(missing, between)
        self.first = trace.start if self.first is None else self.first
        self.last = trace.end
        self.gaps += missing.size
        self.longest = max(self.longest, int(missing.max(initial=0)))
        self.present += int(np.count_nonzero(~np.isnan(watts)))
        self.negative += count_negative(trace.sure().watts)


def _run_lengths(flags: NDArray[np.bool_]) -> NDArray[np.intp]:
    edges = np.flatnonzero(np.diff(np.r_[False, flags, False].astype(np.int8)))
    return edges[1::2] - edges[::2]


def count_negative(watts: NDArray[np.float32]) -> int:
    """Count samples farther below zero than the noise of the readings.

    Notes
    -----
    Own rule: three times the noise, but no more than 5 W, since a load that varies is not noise.
    The noise is estimated from the differences between neighbours: nine in ten are below 1.645
    times the root of 2 standard deviations of a normal distribution.
    """
    steps = np.abs(np.diff(watts))
    steps = steps[np.isfinite(steps)]
    noise_w = float(np.percentile(steps, 90)) / (1.645 * np.sqrt(2)) if steps.size else 0.0
    return int(np.count_nonzero(watts < -min(3 * noise_w, NEGATIVE_W)))


FORMAT = 4  # of the rules
MOST_KEPT = 1 << 23  # samples of the mains, for the next circuit that asks them of the same time
_NAMES = ("first", "stop", "reason")


class Logged(Protocol):
    """What is asked of a `House`."""

    @property
    def circuits(self) -> tuple[Circuit, ...]:
        """All circuits."""

    @property
    def mains(self) -> tuple[Circuit, ...]:
        """Circuits of the incoming supply of which there are readings."""

    def has_log(self, circuit: str | Circuit) -> bool:
        """Whether anything of a circuit has been imported."""

    @property
    def supply(self) -> Supply:
        """What the utility brings in."""

    def stored_months(self, circuit: str | Circuit) -> tuple[list[MonthInfo], int]:
        """Months of a circuit, and the length of a sample [ns]."""


def stored_doubts(house: Logged, store: Store, circuit: Circuit) -> Doubts:
    """Samples in doubt of a circuit; of a long log from a file of the store, made if need be.

    The file carries what it was made from: another log, clamp or supply, of this circuit or of what
    shows the same, and it is made anew. Where it cannot be written, the answer is the same.
    """
    witnesses = _witnesses(house, circuit)
    basis = [house.supply, *((one, house.stored_months(one)) for one in (circuit, *witnesses))]
    known = store.kept_doubts.get(circuit.name)
    if known is not None and known[0] == basis:
        return known[1]
    path, made_from, kept = store.doubts_path(circuit.name), "", None
    if keep := is_long(house.stored_months(circuit)[0]):
        made_from = made_from_what(house, circuit)
        kept = read_kept(path, made_from)
    found = _find(house, store, circuit, witnesses) if kept is None else Doubts(**kept)
    if keep and kept is None:
        with suppress(OSError):
            write_kept(path, made_from, {name: getattr(found, name) for name in _NAMES})
    store.kept_doubts[circuit.name] = basis, found
    return found


def is_long(infos: Sequence[MonthInfo]) -> bool:
    """Whether a log is so long that what was worked out from it is kept."""
    return sum(info.samples for info in infos) >= KEPT_FROM


def _witnesses(house: Logged, circuit: Circuit) -> tuple[Circuit, ...]:
    """Who shows what a circuit does: the mains; of the mains, all other clamps together."""
    if circuit.role != "mains":
        return house.mains
    measured = (one for one in house.circuits if one.role != "mains" and not one.part_of)
    return tuple(one for one in measured if house.has_log(one))


def made_from_what(house: Logged, circuit: Circuit) -> str:
    """Hash of all that a circuit's samples without those in doubt depend on."""
    every: list[object] = [FORMAT, repr(house.supply)]
    for one in (circuit, *_witnesses(house, circuit)):
        infos, period_ns = house.stored_months(one)
        every.append([repr(one), period_ns, [(i.month, i.signature, i.words) for i in infos]])
    return short_hash(every)


Stored = tuple[Circuit, Sequence[MonthInfo], int]
"""A circuit, its months, and the length of its samples [ns]."""


def _find(house: Logged, store: Store, circuit: Circuit, witnesses: Sequence[Circuit]) -> Doubts:
    own: Stored = (circuit, *house.stored_months(circuit))
    others: list[Stored] = [(one, *house.stored_months(one)) for one in witnesses]
    others = [one for one in others if one[2] == own[2]]
    of_mains = circuit.role == "mains"
    asked = [] if of_mains or len(others) < len(witnesses) else others
    mains_as = [made_from_what(house, witness) for witness, _, _ in asked]
    found = find_doubts(_months(store, own, asked, mains_as), nature=_nature(house, own))
    return _without_shown(found, store, own, others) if of_mains else found


def _nature(house: Logged, own: Stored) -> Nature:
    circuit, _, period_ns = own
    clamp, volts_v = circuit.clamp, house.supply.volts_v
    ends: set[float] = set()
    if clamp.rating_a is not None and volts_v is not None:
        # Meters multiply with a leg's voltage, some with that between legs.
        ends = {
            clamp.rating_a * volts_v,
            clamp.rating_a * most_volts_v(circuit, house.supply) / VOLTS_ABOVE,
        }
    return Nature(
        period_s=period_ns / NS_PER_S,
        multipliers=tuple(one.value for one in clamp.in_order),
        ends_w=tuple(sorted(ends)),
        limit_w=most_w(circuit, house.supply),
    )


def _months(
    store: Store, own: Stored, mains: Sequence[Stored], mains_as: Sequence[str]
) -> Iterator[tuple[int, Watts, Watts | None]]:
    """First slot of each month that has samples, these as corrected, and the sum of the mains."""
    circuit, infos, period_ns = own
    for info in infos:
        if not info.samples:
            continue
        first, number = info.first_slot, info.samples
        watts = np.empty(number, dtype=np.float32)
        store.read_into(info, watts)
        keep_bins(store, info, watts)
        correct_in_place(watts, circuit.clamp, first_slot=first, period_ns=period_ns)
        yield first, watts, _sum_of_mains(store, mains, mains_as, first, number)


def _sum_of_mains(
    store: Store, mains: Sequence[Stored], mains_as: Sequence[str], first: int, number: int
) -> Watts | None:
    """Sum of all mains, kept for the next circuit; `mains_as` is what they are made from."""
    if not mains:
        return None
    key, kept = (*mains_as, first, number), store.kept_mains
    if kept is not None and kept[0] == key:
        return kept[1]
    sums = _samples(store, mains[0], first, number)
    for one in mains[1:]:
        sums += _samples(store, one, first, number)
    if number <= MOST_KEPT:
        store.kept_mains = key, sums
    return sums


def _without_shown(found: Doubts, store: Store, own: Stored, others: Sequence[Stored]) -> Doubts:
    """Doubts of the mains without the spikes that all circuits together show as well."""
    spikes = np.isin(found.reason, (LONE, HELD))
    shown = np.zeros(len(found), dtype=bool)
    for info in own[1]:
        here = spikes & (found.first >= info.first_slot)
        here &= found.stop <= info.first_slot + info.samples
        if here.any():
            first = int(found.first[here].min()) - 1
            number = int(found.stop[here].max()) + 1 - first
            sums = np.zeros(number, dtype=np.float32)
            for one in others:
                sums += np.nan_to_num(_samples(store, one, first, number))
            stretches = found.first[here] - first, found.stop[here] - first
            mains = _samples(store, own, first, number)
            shown[here] = _rise(sums, *stretches) >= SEEN * _rise(mains, *stretches)
    return Doubts(**{name: getattr(found, name)[~shown] for name in _NAMES})


def _rise(watts: Watts, first: NDArray[np.int64], stop: NDArray[np.int64]) -> NDArray[np.float64]:
    """How far stretches [first, stop) are from the nearer of both neighbours, in size [W]."""
    during = watts[first].astype(np.float64)
    steps = during - watts[first - 1], during - watts[np.minimum(stop, watts.size - 1)]
    found: NDArray[np.float64] = np.fmin(*np.abs(steps))
    return found


def _samples(store: Store, of: Stored, first: int, number: int) -> Watts:
    """Samples [first, first + number) of a circuit, corrected; NaN where there are none."""
    circuit, infos, period_ns = of
    out = np.full(number, np.nan, dtype=np.float32)
    for info in infos:
        low, high = max(first, info.first_slot), min(first + number, info.first_slot + info.samples)
        if low < high:
            month = np.empty(info.samples, dtype=np.float32)
            store.read_into(info, month)
            out[low - first : high - first] = month[low - info.first_slot : high - info.first_slot]
    correct_in_place(out, circuit.clamp, first_slot=first, period_ns=period_ns)
    return out
