"""Lines through the pairs of a bench comparison: what they scatter, and the clamp's offset."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from homeenergy.estimate import Estimate
from homeenergy.trust.lines import Line, line_through_origin, straight_line

Values = NDArray[np.float64]
LEVEL = 0.95
OFFSET_LEVEL = 0.99  # an offset taken by chance spoils the multiplier
FEW = 3
_POINTS = 2001


def relative_scatter(c: Values, r: Values, rounding_w: Values, *, offset: bool = False) -> float:
    """Relative scatter that brings the weighted residuals to their degrees of freedom."""
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
    scatter = relative_scatter(c, r, rounding_w, offset=True)
    line = straight_line(c, r, weights=1 / (rounding_w**2 + (scatter * r) ** 2))
    if line.residual_sd == 0:
        return None
    # Rounding is known to be there, also where the pairs happen to scatter less.
    grown = 1 / line.residual_sd
    return replace(
        line,
        slope_u=line.slope_u * grown,
        offset_u=line.offset_u * grown,
        covariance=line.covariance * grown**2,
    )


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


def offset_left_w(line: Line, *, stated_w: float, limit_w: float) -> float:
    """How far the offset in use may be off at 95 %, where the line demands no other [W].

    Before the comparison, the offset of a clamp lies anywhere within `limit_w` of zero alike (half
    a step of its converter); given the line, it has Student's t distribution about the line's
    (Bayes' rule with an even prior, JCGM 101:2008, 6.2 and 6.4.9). NaN where the limit is not
    known, or the offset in use lies beyond it.
    """
    from scipy.stats import t as student_t

    if abs(stated_w) >= limit_w:
        return float("nan")
    off_w = np.linspace(-limit_w, limit_w, _POINTS) - stated_w
    weight = student_t.pdf((off_w - line.offset) / line.offset_u, line.degrees_of_freedom)
    order = np.argsort(np.abs(off_w), kind="stable")
    held = np.cumsum(weight[order])
    return float(np.abs(off_w)[order][np.searchsorted(held, LEVEL * held[-1])])
