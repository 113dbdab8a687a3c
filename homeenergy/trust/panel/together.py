"""Circuits that step together: one load in two clamps, legs of one, or loads with one switch."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from homeenergy.trust.concern import Concern
from homeenergy.trust.panel.circuit import ENOUGH, ON_LEG, Ratios, Steps, coinciding
from homeenergy.trust.panel.explain import WIRING
from homeenergy.trust.panel.told import columns_note, joined_concern, shared_concern

SAME_CLAMP = 0.7  # share of steps that two circuits make together
Joins = Literal["sum", "same", "neither"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PairSeen:
    """Two circuits that step together: `ratio` is the other's step over this one's."""

    circuit: str
    other: str
    share: float
    ratio: float

    @property
    def names(self) -> frozenset[str]:
        """Both circuits."""
        return frozenset((self.circuit, self.other))


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
            if abs(middle) <= ON_LEG:
                continue
            equal = np.abs(ratio / middle - 1) < WIRING
            if equal.mean() >= SAME_CLAMP:
                share = float(together.mean())
                found.append(PairSeen(circuit=name, other=other, share=share, ratio=middle))
    return tuple(found)


def joins(pair: PairSeen, ratios: Ratios) -> Joins:
    """Whether two circuits that step together see one load, or the mains rise by the sum of both.

    Where they do neither, one of the two reads wrongly, or they are switched some seconds apart.
    `ratios` are rises of the mains over steps of the circuit, shape (mains, n).
    """
    total = np.abs(ratios).sum(axis=0)
    middle = float(np.nanmedian(total)) if total.size else float("nan")
    expected: dict[Joins, tuple[float, ...]] = {
        "sum": (1 + pair.ratio,),
        "same": (1.0, abs(pair.ratio)),
    }
    off = {
        kind: min(abs(middle / one - 1) for one in any_of) if min(map(abs, any_of)) else np.inf
        for kind, any_of in expected.items()
    }
    nearest = min(off, key=lambda kind: off[kind])
    return nearest if off[nearest] < WIRING else "neither"


def both_ways(pair: PairSeen, pairs: Sequence[PairSeen]) -> bool:
    """Whether each of the two makes nearly every step with the other."""
    return any((p.circuit, p.other) == (pair.other, pair.circuit) for p in pairs)


def pair_concerns(pairs: Sequence[PairSeen], columns: Sequence[PairSeen]) -> list[Concern]:
    """One for each clamp that sees the loads of others, or two that are the legs of one."""
    concerns, told = [], set()
    within: dict[str, list[PairSeen]] = {}
    for pair in pairs:
        if pair.names in told:
            continue
        told.add(pair.names)
        if pair in columns:
            concerns.append(columns_note(pair.circuit, pair.other))
        else:
            within.setdefault(pair.other, []).append(pair)
    for other, of_other in within.items():
        names = [pair.circuit for pair in of_other]
        least = min(of_other, key=lambda pair: pair.share)
        concerns.append(shared_concern(names, other, share=least.share, ratio=least.ratio))
    return concerns


def joined_concerns(joined: Sequence[PairSeen], how: Mapping[PairSeen, Joins]) -> list[Concern]:
    """One for each two circuits that are switched together."""
    of_names = {pair.names: pair for pair in joined}
    return [
        joined_concern(pair.circuit, pair.other, share=pair.share, adds_up=how[pair] == "sum")
        for pair in of_names.values()
    ]
