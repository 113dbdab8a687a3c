"""What a clamp makes of its readings: the errors of its ratio and offset, and its resolution."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import hypot, inf, isfinite, sqrt

from homeenergy.house.schedule import Circuit, Supply
from homeenergy.stats.coverage import NORMAL
from homeenergy.stats.estimate import Estimate
from homeenergy.stats.parts import Parts, Source, part
from homeenergy.units import WH_PER_KWH

# Ratio error of a clamp of class 1 at a fifth of its rated current (IEC 61869-2:2012, table 201),
# where houses mostly are.
CLAMP_LIMIT = 0.015
BITS = 12  # of the converter that spans the range of a clamp; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class ClampErrors:
    """How far the readings of a clamp may be off.

    `name` is that of its circuit, which makes its errors those of one clamp wherever it is read;
    `uncertainty` the share by which its multiplier may be off at 95 %, where that is stated.
    `resolution_w` is the least power that it can tell from nothing [W], 0 where that is not known;
    `offset_uncertainty_w` how far its readings at rest may be off at 95 % [W], where that is
    stated. Where it is not, the offset may lie anywhere within half of `resolution_w`.
    `compared_at_w` are the loads at which its multipliers were found [W]: there, no offset is left
    in its readings. `corrections` are multipliers, each with the offset added after it [W]: whole
    watts logged are whole no more. `part_of` is the circuit that is divided into this load and
    others.
    """

    name: str = ""
    uncertainty: float | None = None
    resolution_w: float = 0.0
    offset_uncertainty_w: float | None = None
    compared_at_w: tuple[float, ...] = (inf,)
    corrections: tuple[tuple[float, float], ...] = ((1.0, 0.0),)
    part_of: str = ""

    def parts(
        self, kwh: float, *, hours: float, rounding_w: float = 0.0, usual_limit: float = 0.0
    ) -> Parts:
        """What the clamp makes of an energy over so many hours, by source [kWh].

        Parameters
        ----------
        kwh : float
            The energy. Of a difference, take the parts of either side from each other: what they
            share then cancels.
        hours : float
            Over which it was used.
        rounding_w : float
            Limit of what rounding leaves in the mean of the readings [W].
        usual_limit : float
            Share within which the multiplier lies with the same density, where its uncertainty is
            not stated.

        Returns
        -------
        Parts
            "clamp NAME: ratio", the multiplier's uncertainty; "clamp NAME: offset", what the
            multiplier does not compensate of it: all at 0 W, nothing at `compared_at_w`, as much
            with the other sign at twice that; rectangular where nothing else is known of it.
            "rounding of NAME". None where energy or hours are not known.
        """
        if not (isfinite(kwh) and isfinite(hours)):
            return Parts()
        ratio = self.ratio(kwh)
        if self.uncertainty is None and usual_limit:
            ratio = Parts({f"{self._clamp}: ratio": part(usual_limit * kwh, rectangular=True)})
        return ratio.plus(self.constant(kwh, hours=hours, rounding_w=rounding_w))

    def constant(self, kwh: float, *, hours: float, rounding_w: float = 0.0) -> Parts:
        """The same without the ratio: what is as large in every reading."""
        if not (isfinite(kwh) and isfinite(hours)):
            return Parts()
        found = {}
        offset = Source(f"{self._clamp}: offset")
        for load_w in self.compared_at_w:
            case = f"compared at {load_w:g} W" if len(self.compared_at_w) > 1 else ""
            left_kwh_per_w = (hours - kwh * WH_PER_KWH / load_w) / WH_PER_KWH
            found[offset._replace(case=case)] = part(
                (self.offset_half_w or self.offset_limit_w) * left_kwh_per_w,
                rectangular=not self.offset_half_w,
            )
        rounded = part(rounding_w * hours / WH_PER_KWH, rectangular=True)
        found[Source(f"rounding of {self.name}".removesuffix(" of "))] = rounded
        return Parts({source: one for source, one in found.items() if one.effect})

    def ratio(self, reading: float) -> Parts:
        """What the uncertainty of the multiplier makes of a reading, in its unit."""
        share = self.uncertainty or 0.0
        return Parts({f"{self._clamp}: ratio": part(share * reading)} if share else {})

    def with_errors(self, kwh: Estimate, *, hours: float = 0.0) -> Estimate:
        """An energy [kWh] over so many hours with what the clamp may be off; see `parts`."""
        parts = self.parts(kwh.value, hours=hours)
        words = [kwh.basis]
        if self.uncertainty and isfinite(kwh.value):
            words.append(f"clamp known to {100 * self.uncertainty:.2g} %")
        if any(source.name.endswith("offset") for source in parts):
            words.append("offset of the clamp")
        return kwh.with_parts(parts, basis="; ".join(words))

    def with_ratio(self, estimate: Estimate) -> Estimate:
        """A reading [any unit] with the uncertainty of the multiplier, which all readings share."""
        share = self.uncertainty or 0.0
        if not share or not isfinite(estimate.value):
            return estimate
        basis = f"{estimate.basis}; clamp known to {100 * share:.2g} %"
        if not estimate.resolved:
            # A bound has no best value to be a share of: what it rests on may all be more.
            return replace(estimate.scaled(1 + share), basis=basis)
        return estimate.with_parts(self.ratio(estimate.value), basis=basis)

    def beside(self, other: ClampErrors) -> ClampErrors:
        """The same, where `other` has a part of the same clamp: what one is given the other lacks.

        Its errors are then those of the other with the opposite sign.
        """
        if not self.part_of or self.part_of != other.part_of:
            return self
        return replace(
            self,
            name=other.name,
            uncertainty=self.uncertainty and -self.uncertainty,
            offset_uncertainty_w=self.offset_uncertainty_w and -self.offset_uncertainty_w,
        )

    def in_steps(self, step_w: float) -> ClampErrors:
        """The same where readings come in steps of so many watts: less cannot be seen."""
        return replace(self, resolution_w=max(self.resolution_w, step_w))

    @property
    def _clamp(self) -> str:
        return f"clamp {self.name}".rstrip()

    @property
    def offset_limit_w(self) -> float:
        """Limit of an offset of which nothing else is known [W]."""
        return self.resolution_w / 2 if self.offset_uncertainty_w is None else 0.0

    @property
    def offset_half_w(self) -> float:
        """Half width at 95 % of an offset that was looked for [W]."""
        return self.offset_uncertainty_w or 0.0


UNKNOWN_ERRORS = ClampErrors()


def errors_of_sum(clamps: Sequence[ClampErrors]) -> ClampErrors:
    """What several clamps make of the sum of their circuits, at most.

    Their ratio errors are fully correlated, so that the largest uncertainty counts. Their offsets
    are independent, so they add in squares. How much of the sum each circuit has is not known,
    so that multiplier counts of which most of an offset is left, or none.
    """
    if len(clamps) == 1:
        return clamps[0]
    each = [(one.offset_half_w, NORMAL * one.offset_limit_w / sqrt(3)) for one in clamps]
    stated = [one.uncertainty for one in clamps if one.uncertainty is not None]
    return ClampErrors(
        name=" + ".join(one.name for one in clamps),
        uncertainty=max(stated, default=None),
        offset_uncertainty_w=hypot(*(part for both in each for part in both)),
        compared_at_w=(inf, *(load for one in clamps for load in one.compared_at_w)),
    )


def clamp_errors(circuit: Circuit, supply: Supply | None) -> ClampErrors:
    """How far the clamp of a circuit may be off, after its correction.

    The resolution needs the clamp's rating and the volts of the supply. Of dated corrections the
    greatest uncertainty of the offset counts, if all state one.
    """
    clamp = circuit.clamp
    stated = [one.offset_uncertainty_w for one in clamp.in_order]
    known = [one for one in stated if one is not None]
    resolution_w = 0.0
    if supply is not None and supply.volts_v is not None and clamp.rating_a is not None:
        resolution_w = clamp.rating_a * supply.volts_v / 2**BITS * abs(clamp.multiplier)
    # On and off times watts are no whole watts that a clamp corrects.
    rounded = clamp.in_order if circuit.watts is None else ()
    return ClampErrors(
        name=circuit.name,
        uncertainty=clamp.uncertainty,
        resolution_w=resolution_w,
        offset_uncertainty_w=max(known) if len(known) == len(stated) else None,
        compared_at_w=tuple(one.compared_at_w or inf for one in clamp.in_order),
        corrections=tuple((one.value, one.offset_w) for one in rounded)
        or UNKNOWN_ERRORS.corrections,
        part_of=circuit.part_of,
    )
