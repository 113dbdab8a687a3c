"""What the clamps of two sides of a comparison may be off."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import hypot

from homeenergy.stats.estimate import Estimate
from homeenergy.trust.clamps.systematic import with_systematic


@dataclass(frozen=True, slots=True, kw_only=True)
class Clamps:
    """What the clamps of the two sides may be off at 95 %.

    Two clamps by their shares `a` and `b`; `stated` is whether house.toml states what both of their
    multipliers are known to. One clamp (`same`) by what it makes of an energy over so many hours,
    `half_kwh(kwh, hours=hours)` [kWh], and the `hours` that a mean of either side lasts: both sides
    are then off alike by its multiplier, which a ratio does not show; its offset a ratio shows as
    far as the sides have different powers.
    """

    a: float = 0.0
    b: float = 0.0
    stated: bool = True
    same: bool = False
    half_kwh: Callable[..., float] | None = None
    hours: tuple[float, float] = (0.0, 0.0)

    def halves(self, kwh_a: float, kwh_b: float) -> tuple[float, float]:
        """Half widths of the two means, whose energies are given [kWh]."""
        if self.half_kwh is None:
            return self.a * abs(kwh_a), self.b * abs(kwh_b)
        return (
            self.half_kwh(kwh_a, hours=self.hours[0]),
            self.half_kwh(kwh_b, hours=self.hours[1]),
        )

    def half_of_difference(self, kwh_a: float, kwh_b: float) -> float:
        """Half width of the difference of the two means [kWh]."""
        if not self.same:
            return hypot(self.a * kwh_a, self.b * kwh_b)
        if self.half_kwh is None:
            return self.a * abs(kwh_a - kwh_b)
        return self.half_kwh(kwh_a - kwh_b, hours=self.hours[0] - self.hours[1])

    def half_of_costs(self, costs: tuple[float, float], kwh: tuple[float, float]) -> float:
        """Half width of the difference of what the two means cost [currency].

        What is off by energy and by hours is paid at each side's own price.
        """
        if not self.same:
            return hypot(self.a * costs[0], self.b * costs[1])
        if self.half_kwh is None or not all(kwh):
            return self.a * abs(costs[0] - costs[1])
        paid = [c / k * h for c, k, h in zip(costs, kwh, self.hours, strict=True)]
        return self.half_kwh(costs[0] - costs[1], hours=paid[0] - paid[1])

    def share_of_ratio(self, kwh_a: float, kwh_b: float) -> float:
        """Half width of their ratio, as a share of it."""
        if not self.same:
            return hypot(self.a, self.b)
        if self.half_kwh is None or not kwh_a or not kwh_b:
            return 0.0
        return self.half_kwh(0.0, hours=self.hours[0] / kwh_a - self.hours[1] / kwh_b)


def clamped(mean: Estimate, half: float) -> Estimate:
    """A mean with the half width at 95 % of what its clamp may be off [its unit]."""
    if not half:
        return mean
    return with_systematic(mean, half, basis=f"{mean.basis}; error of the clamp")
