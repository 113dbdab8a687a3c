"""Concerns about circuits: what the balance contradicts, and two clamps on one load."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from homeenergy.house import Circuit
from homeenergy.trust.circuit_balance import ENOUGH, ON_LEG, WIRING, CircuitBalance, outside
from homeenergy.trust.concern import Concern
from homeenergy.trust.steps import Steps, coinciding

CLAMP_ERROR = 0.03
SAME_CLAMP = 0.7  # share of steps that two circuits make together


@dataclass(frozen=True, slots=True, kw_only=True)
class PairSeen:
    """Two circuits that step together: `ratio` is the other's step over this one's."""

    circuit: str
    other: str
    share: float
    ratio: float


def shared_clamps(steps: Mapping[str, Steps]) -> tuple[PairSeen, ...]:
    """Find circuits of which nearly every step is a step of another circuit too."""
    found = []
    for name, own in steps.items():
        if own.sample.size < ENOUGH:
            continue
        for other, theirs in steps.items():
            if other == name:
                continue
            heights = coinciding(own, theirs)
            together = heights != 0
            ratio = heights[together] / own.watts[together]
            if together.mean() < SAME_CLAMP:
                continue
            middle = float(np.median(ratio))
            alike = np.abs(ratio / middle - 1) < WIRING
            if alike.mean() >= SAME_CLAMP and abs(middle) > ON_LEG:
                share = float(together.mean())
                found.append(PairSeen(circuit=name, other=other, share=share, ratio=middle))
    return tuple(found)


def circuit_concerns(
    judged: Sequence[CircuitBalance], loads: Sequence[Circuit], pairs: Sequence[PairSeen]
) -> list[Concern]:
    """What of the circuits contradicts house.toml, or needs a look."""
    concerns: list[Concern] = []
    for found, circuit in zip(judged, loads, strict=True):
        concerns += _one_circuit(found, circuit)
    told: set[frozenset[str]] = set()
    for pair in pairs:
        both = frozenset((pair.circuit, pair.other))
        if both not in told:
            told.add(both)
            concerns.append(_shared(pair))
    return concerns


def _one_circuit(found: CircuitBalance, circuit: Circuit) -> list[Concern]:
    ratio, name = found.ratio, found.circuit
    if not found.legs_found:
        return [
            Concern(
                weight="note",
                subject=name,
                what=found.verdict,
                do="If it may stand still, switch it on and off a few times while little else "
                "changes: by its own switch or plug, never by the breaker.",
            )
        ]
    concerns = []
    if found.mixed:
        concerns += _mixed(found, circuit)
    elif outside(ratio):
        new = circuit.clamp.multiplier * ratio.value
        concerns.append(
            Concern(
                weight="wrong",
                subject=name,
                what=found.verdict,
                do=f"Set its multiplier to {_round(new):.4g}, if its clamp does sit so.",
                share=abs(1 / ratio.value - 1),
            )
        )
    elif abs(ratio.value - 1) > CLAMP_ERROR and (ratio.low > 1 or ratio.high < 1):
        concerns.append(
            Concern(
                weight="doubtful",
                subject=name,
                what=f"{found.verdict} That is more than clamps should differ.",
                do="Compare both with a reference meter (bench.csv).",
                share=abs(ratio.value - 1),
            )
        )
    if circuit.legs and set(found.legs_found) != set(circuit.legs) and not found.mixed:
        concerns.append(
            Concern(
                weight="wrong",
                subject=name,
                what=f"{name}: house.toml says {_list(circuit.legs)}, the mains rise on "
                f"{_list(found.legs_found)}.",
                do="Correct its legs, or see whether two clamps or two names were changed over.",
                share=0.01,
            )
        )
    return concerns


def _mixed(found: CircuitBalance, circuit: Circuit) -> list[Concern]:
    right = abs(found.ratio.value - 1) < WIRING and abs(circuit.clamp.multiplier) < 1 + WIRING
    do = (
        "Its clamp sees all of it, so nothing need be done; never double a reading of one leg here."
        if right
        else "No multiplier can make it right: have each leg measured by a clamp of its own."
    )
    return [
        Concern(
            weight="note" if right else "wrong",
            subject=found.circuit,
            what=found.verdict,
            do=do,
            share=0.3,
        )
    ]


def _shared(pair: PairSeen) -> Concern:
    return Concern(
        weight="wrong",
        subject=pair.circuit,
        what=f"{pair.circuit} and {pair.other} see the same load: {pair.share:.0%} of the steps of "
        f"{pair.circuit} are in {pair.other} too, {pair.ratio:.2f} times as high.",
        do="See which conductors run through the two clamps; a load in both is counted twice.",
        share=0.5,
    )


def _round(multiplier: float) -> float:
    """Take a multiplier that comes from wiring as the whole or half number that it is near."""
    near = round(multiplier * 2) / 2
    return near if near and abs(multiplier / near - 1) < WIRING else multiplier


def _list(names: Sequence[str]) -> str:
    return " and ".join(names)
