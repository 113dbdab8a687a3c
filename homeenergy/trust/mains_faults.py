"""Clamps of the mains themselves: backwards, changed over, or with a wrong multiplier."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from homeenergy.house import Circuit
from homeenergy.trust.circuit_balance import ENOUGH, ON_LEG, WIRING, Ratios
from homeenergy.trust.concern import Concern

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
