"""Circuits that read more than the mains, and which of them may feed in."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from homeenergy.trust.concern import Concern
from homeenergy.trust.panel.circuit import CircuitBalance
from homeenergy.trust.panel.explain import NO_FACTOR, Explanation, Reading
from homeenergy.trust.panel.matched import GatheredLog
from homeenergy.trust.panel.together import PairSeen

CLAMP_ERROR = 0.03
MUCH_BELOW_W, MUCH_BELOW = 30.0, 0.02


def below_zero(
    through: NDArray[np.float64],
    log: GatheredLog,
    found: Explanation,
    judged: Sequence[CircuitBalance],
    pairs: Sequence[PairSeen],
) -> tuple[float, list[str]]:
    """Share of minutes in which circuits read more than mains, all that was found corrected.

    And the circuits each of which would explain it, if it fed in what it reads.
    """
    if not found.whole or pairs:
        return 0.0, []
    total = (found.inverse @ through).sum(axis=0)
    drawn = np.zeros(total.size)
    size = np.zeros(total.size)
    for one in judged:
        read = found.circuits.get(one.circuit, Reading(kind="right"))
        if read.kind in NO_FACTOR:
            continue
        own = log.blocks[one.circuit] / read.factor
        drawn, size = drawn + own, size + np.abs(own)
    here = np.isfinite(total - drawn)
    least_w = -MUCH_BELOW_W - CLAMP_ERROR * (size + np.abs(total))

    def below(left_w: NDArray[np.float64]) -> float:
        return float((left_w < least_w)[here].mean()) if here.any() else 0.0

    share = below(total - drawn)
    open_ = [one.circuit for one in judged if not one.legs_found] if share > MUCH_BELOW else []
    turned = {name: below(total - drawn + 2 * log.blocks[name]) for name in open_}
    return share, [name for name, left in turned.items() if left < MUCH_BELOW]


def below_zero_concern(share: float, feeding: Sequence[str]) -> Concern:
    """Circuits that read more than the mains, with every fault above corrected.

    Each of those `feeding` would explain it alone, if it fed in what it reads.
    """
    explained = f" Not so if {' or '.join(feeding)} feeds in what it reads." if feeding else ""
    return Concern(
        weight="doubtful",
        subject="mains",
        what=f"The circuits read more than the mains in {share:.0%} of the minutes, with what is "
        f"said above corrected.{explained}",
        do="See whether it feeds in: what does must read below zero."
        if feeding
        else "A multiplier is too great, something feeds in that no circuit measures, or two "
        "clamps see the same load.",
        share=float(np.clip(share, 0, 1)),
    )
