"""What a clamp makes of small powers: the step that it resolves, and its offset."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot, inf, sqrt

from homeenergy.house.schedule import Circuit, Supply
from homeenergy.stats.estimate import NORMAL
from homeenergy.units import WH_PER_KWH

BITS = 12  # of the converter that spans the range of a clamp; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class ClampFloor:
    """What is known of a clamp near nothing.

    `resolution_w` is the least power that it can tell from nothing [W], 0 where that is not known;
    `offset_uncertainty_w` how far its readings at rest may be off at 95 % [W], where that is
    stated. Where it is not, the offset may lie anywhere within half of `resolution_w`.
    `compared_at_w` are the loads at which its multipliers were found [W]: there, no offset is left
    in its readings. `corrections` are multipliers, each with the offset added after it [W]: whole
    watts logged are whole no more.
    """

    resolution_w: float = 0.0
    offset_uncertainty_w: float | None = None
    compared_at_w: tuple[float, ...] = (inf,)
    corrections: tuple[tuple[float, float], ...] = ((1.0, 0.0),)

    def left_at(self, power_w: float) -> float:
        """Part of an offset that is left in readings of this power, after the multiplier.

        A multiplier found where an offset was not seen makes up for it at that load: all of it is
        left at 0 W, nothing at `compared_at_w`, as much the other way at twice that. Of several
        loads, that counts which leaves most.
        """
        return max(abs(1 - power_w / load_w) for load_w in self.compared_at_w)

    def half_kwh(self, kwh: float, *, hours: float) -> float:
        """What an offset makes of an energy over so many hours: half width at 95 % [kWh].

        Of a difference, `hours` are those that one side has more. In squares, an offset of which
        nothing else is known counts with its standard uncertainty (JCGM 100:2008, 4.3.7).
        """
        half_w = hypot(self.normal_w, NORMAL * self.even_w / sqrt(3))
        left_h = max(abs(hours - kwh * WH_PER_KWH / load_w) for load_w in self.compared_at_w)
        return half_w * left_h / WH_PER_KWH

    @property
    def even_w(self) -> float:
        """Limit of an offset of which nothing else is known [W]."""
        return self.resolution_w / 2 if self.offset_uncertainty_w is None else 0.0

    @property
    def normal_w(self) -> float:
        """Half width at 95 % of an offset that was looked for [W]."""
        return self.offset_uncertainty_w or 0.0


UNKNOWN_FLOOR = ClampFloor()


def floor_of_sum(floors: Sequence[ClampFloor]) -> ClampFloor:
    """What several clamps make of the sum of their circuits, at most.

    Their offsets are independent, so they add in squares. How much of the sum each circuit has is
    not known, so that multiplier counts of which most of an offset is left, or none.
    """
    if len(floors) == 1:
        return floors[0]
    each = [(one.normal_w, NORMAL * one.even_w / sqrt(3)) for one in floors]
    return ClampFloor(
        offset_uncertainty_w=hypot(*(part for both in each for part in both)),
        compared_at_w=(inf, *(load for one in floors for load in one.compared_at_w)),
    )


def clamp_floor(circuit: Circuit, supply: Supply | None) -> ClampFloor:
    """What the clamp of a circuit makes of small powers, after its correction.

    The resolution needs the clamp's rating and the volts of the supply. Of dated corrections the
    greatest uncertainty of the offset counts, if all state one.
    """
    clamp = circuit.clamp
    stated = [one.offset_uncertainty_w for one in clamp.in_order]
    known = [one for one in stated if one is not None]
    resolution_w = 0.0
    if supply is not None and supply.volts_v is not None and clamp.rating_a is not None:
        resolution_w = clamp.rating_a * supply.volts_v / 2**BITS * abs(clamp.multiplier)
    return ClampFloor(
        resolution_w=resolution_w,
        offset_uncertainty_w=max(known) if len(known) == len(stated) else None,
        compared_at_w=tuple(one.compared_at_w or inf for one in clamp.in_order),
        corrections=tuple((one.value, one.offset_w) for one in clamp.in_order),
    )
