"""Lines through the pairs of a bench comparison: what they scatter, and the clamp's offset."""

from __future__ import annotations

from math import sqrt
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from homeenergy.estimate import NORMAL, Estimate
from homeenergy.trust.lines import Line, line_through_origin, straight_line

Values = NDArray[np.float64]
LEVEL = 0.95
OFFSET_LEVEL = 0.99  # an offset taken by chance spoils the multiplier
FEW = 3
_POINTS = 501


def pair_weights(c: Values, r: Values, rounding_w: Values, *, offset: bool = False) -> Values:
    """Weight of each pair in a line of reference on clamp reading [1 / W^2].

    1 / (rounding variance + the square of a relative scatter), which is that which brings the
    residuals of a line with or without `offset` to their degrees of freedom (Paule & Mandel 1982,
    from memory). One large load among small ones shows no scatter of its own, and would count as
    exact. So the scatter is no less than if it were anything alike up to what rounding hides at
    half of the pairs (JCGM 100:2008, 4.3.7), less what it hides at the largest load too.
    """
    hidden = rounding_w / np.abs(r)
    least = np.sqrt((np.median(hidden) ** 2 - hidden.min() ** 2) / 3)
    scatter = max(_relative_scatter(c, r, rounding_w, offset=offset), float(least))
    weights: Values = 1 / (rounding_w**2 + (scatter * r) ** 2)
    return weights


def _relative_scatter(c: Values, r: Values, rounding_w: Values, *, offset: bool) -> float:
    dof = c.size - (2 if offset else 1)
    if dof == 0:
        return 0.0

    def excess(scatter: float) -> float:
        w = 1 / (rounding_w**2 + (scatter * r) ** 2)
        fit = straight_line if offset else line_through_origin
        return (fit(c, r, weights=w).residual_sd ** 2 - 1) * dof

    if excess(0.0) <= 0:
        return 0.0
    from scipy.optimize import brentq

    high = 1e-4
    while excess(high) > 0:
        high *= 2
    return float(brentq(excess, 0.0, high, xtol=1e-12))


def line_with_offset(c: Values, r: Values, rounding_w: Values) -> Line | None:
    """Weighted line of reference on clamp reading; None where too few pairs tell one."""
    if c.size < FEW + 1 or np.ptp(c) == 0:
        return None
    weights = pair_weights(c, r, rounding_w, offset=True)
    return straight_line(c, r, weights=weights, known=True)


def demands_offset(line: Line) -> bool:
    """Whether the offset of a line differs from 0 more than chance explains."""
    from scipy.special import stdtrit

    factor = float(stdtrit(line.degrees_of_freedom, (1 + OFFSET_LEVEL) / 2))
    return abs(line.offset) > factor * line.offset_u


def demanded_offset(line: Line, *, stated_w: float) -> Estimate:
    """Offset to be added [W], where `stated_w` has been added before."""
    from scipy.special import stdtrit

    half = float(stdtrit(line.degrees_of_freedom, (1 + LEVEL) / 2)) * line.offset_u
    return Estimate(
        value=stated_w + line.offset,
        low=stated_w + line.offset - half,
        high=stated_w + line.offset + half,
        unit="W",
        n=line.degrees_of_freedom + 2,
        basis="offset of the weighted line",
    )


class OffsetLeft(NamedTuple):
    """How far an offset in use may be off: half width at 95 %, and standard uncertainty [W]."""

    half_w: float
    u_w: float


def offset_left(line: Line | None, *, stated_w: float, limit_w: float) -> OffsetLeft:
    """How far the offset in use may be off, where no other is demanded.

    Before the comparison, the offset of a clamp lies anywhere within `limit_w` of zero alike (half
    a step of its converter); given the line, it has Student's t distribution about the line's
    (Bayes' rule with an even prior, JCGM 101:2008, 6.2 and 6.4.9). An offset in use that lies
    beyond the limit was found before, so the limit does not hold, and the line alone tells. None
    for `line`: the pairs tell nothing.
    """
    if line is None:
        return OffsetLeft(LEVEL * limit_w, limit_w / sqrt(3))
    from scipy.optimize import brentq
    from scipy.special import stdtr

    dof, offset, u = line.degrees_of_freedom, line.offset, line.offset_u
    within = abs(stated_w) < limit_w
    low, high = (-limit_w - stated_w, limit_w - stated_w) if within else (-np.inf, np.inf)
    most = max(-low, high) if within else abs(offset) + 100 * u

    def share(half: ArrayLike) -> Values:
        ends = np.clip(np.multiply.outer([-1.0, 1.0], half), low, high)
        found: Values = np.diff(stdtr(dof, (ends - offset) / u), axis=0)[0]
        return found

    whole = float(share(most))
    half_w = float(brentq(lambda half: float(share(half)) - LEVEL * whole, 0.0, most))
    if not within:
        return OffsetLeft(half_w, half_w / NORMAL)
    at = np.linspace(0.0, most, _POINTS)
    square = np.trapezoid(2 * at * (1 - share(at) / whole), at)
    return OffsetLeft(half_w, sqrt(float(square)))
