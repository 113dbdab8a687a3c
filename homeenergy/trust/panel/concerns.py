"""Clamps of the mains themselves: backwards, changed over, or with a wrong multiplier."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from homeenergy.house import Circuit
from homeenergy.trust.concern import Concern
from homeenergy.trust.panel.circuit import ENOUGH, ON_LEG, WIRING, CircuitBalance, Ratios, outside
from homeenergy.trust.panel.steps import Steps, coinciding

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


MAJORITY = 0.7
FACTORS = (-2.0, -1.0, -0.5, 0.5, 2.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MainsFaults:
    """What is wrong with the clamps of the mains themselves.

    `factor` is what each leg's rises must be divided by, `order` which row of them belongs to it.
    """

    factor: NDArray[np.float64]
    order: tuple[int, ...]
    concerns: tuple[Concern, ...]

    def correct(self, ratios: Ratios) -> Ratios:
        """Ratios as mains without fault would have given them."""
        return np.asarray(ratios[list(self.order)] / self.factor[:, None])

    def true_mains(self, watts: Sequence[NDArray[np.float64]]) -> list[NDArray[np.float64]]:
        """Power of each leg [W] as mains without fault would have given it."""
        return [watts[row] / factor for row, factor in zip(self.order, self.factor, strict=True)]


def judge_mains(
    loads: Sequence[Circuit],
    ratios: Mapping[str, Ratios],
    used: Mapping[str, NDArray[np.bool_]],
    *,
    legs: Sequence[str],
    names: Mapping[str, str],
) -> MainsFaults:
    """Judge the mains' own clamps by the circuits that sit on one leg.

    Where most circuits of a leg ask for the same wiring factor, the leg's mains clamp is wrong and
    not they; where most of two legs' circuits are found on the other leg, the two are changed over.
    """
    votes: dict[str, list[tuple[str, float]]] = {leg: [] for leg in legs}
    for circuit in loads:
        good = ratios[circuit.name][:, used[circuit.name]]
        if len(circuit.legs) != 1 or circuit.legs[0] not in votes or good.shape[1] < ENOUGH:
            continue
        middle = np.nanmedian(good, axis=1)
        at = int(np.nanargmax(np.abs(middle)))
        if abs(middle[at]) > ON_LEG:
            votes[circuit.legs[0]].append((legs[at], float(middle[at])))
    order, concerns = _changed_over(votes, legs, names)
    factor = np.ones(len(legs))
    for i, leg in enumerate(legs):
        seen_on = legs[order[i]]
        values = [value for found, value in votes[leg] if found == seen_on]
        factor[i] = _common_factor(values)
        if factor[i] != 1:
            concerns.append(
                Concern(
                    weight="wrong",
                    subject=names[leg],
                    what=f"{names[leg]} rises {factor[i]:.3g} times as far as {len(values)} "
                    f"circuits on {leg}.",
                    do=f"Multiply its multiplier by {1 / factor[i]:.3g}; look how its clamp sits.",
                    share=abs(factor[i] - 1),
                )
            )
    return MainsFaults(factor=factor, order=order, concerns=tuple(concerns))


def _changed_over(
    votes: Mapping[str, list[tuple[str, float]]], legs: Sequence[str], names: Mapping[str, str]
) -> tuple[tuple[int, ...], list[Concern]]:
    order = list(range(len(legs)))
    for i, one in enumerate(legs):
        for j in range(i + 1, len(legs)):
            other = legs[j]
            there = [found == other for found, _ in votes[one]]
            back = [found == one for found, _ in votes[other]]
            if min(len(there), len(back)) < 1 or len(there) + len(back) < 3:
                continue
            if min(np.mean(there), np.mean(back)) >= MAJORITY:
                order[i], order[j] = j, i
                what = (
                    f"{names[one]} and {names[other]} are changed over: circuits stated on {one} "
                    f"rise on {other}, and the other way round."
                )
                do = "Exchange the legs of the two mains circuits in house.toml."
                concern = Concern(weight="wrong", subject="mains", what=what, do=do, share=0.5)
                return tuple(order), [concern]
    return tuple(order), []


def _common_factor(values: Sequence[float]) -> float:
    """Wiring factor that most of at least three circuits ask for; 1 if there is none."""
    if len(values) < 3:
        return 1.0
    for factor in FACTORS:
        if np.mean([abs(value / factor - 1) < WIRING for value in values]) >= MAJORITY:
            return factor
    return 1.0
