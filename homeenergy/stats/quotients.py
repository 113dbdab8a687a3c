"""Ratios, with intervals that hold where the lower figure is itself uncertain."""

from __future__ import annotations

from math import hypot, inf, isfinite, nan, sqrt

import numpy as np
from numpy.typing import NDArray

from homeenergy.stats.estimate import Estimate
from homeenergy.stats.means import mean_of_days


def quotient(above: Estimate, below: Estimate, *, unit: str, basis: str) -> Estimate:
    """Ratio of two independent estimates.

    Parameters
    ----------
    above, below : Estimate
        Both resolved. `below` is taken to be positive.
    unit, basis : str
        Of the result; the method is added to the basis.

    Returns
    -------
    Estimate
        The ends are those at which `above - ratio * below` is just no longer told from nothing. An
        end is infinite where `below` may be nothing, and all is NaN where a value is not known.

    Notes
    -----
    Fieller 1954, with the half width of each side in place of t times its standard error, so that
    each keeps its own degrees of freedom (the "MOVER" ratio of Donner & Zou 2012). Each end takes
    the half widths that lie towards it.
    """
    words = f"{basis}; interval of a ratio after Fieller (1954)"
    if not (isfinite(above.value) and isfinite(below.value)) or below.value == 0:
        return Estimate(value=nan, low=nan, high=nan, unit=unit, n=0, basis=basis)
    value = above.value / below.value
    low = _end(above.value, above.value - above.low, below.value, below.high - below.value, side=-1)
    high = _end(above.value, above.high - above.value, below.value, below.value - below.low, side=1)
    parts = (
        above.systematic / below.value,
        below.systematic * value / below.value,
    )
    return Estimate(
        value=value,
        low=low,
        high=high,
        unit=unit,
        n=min(above.n, below.n),
        basis=words,
        systematic=hypot(*parts),
    )


def _end(a: float, off_a: float, b: float, off_b: float, *, side: int) -> float:
    """One end of the interval of a / b, whose sides may be off by `off_a` and `off_b`."""
    if not isfinite(off_a):
        return side * inf
    if side > 0 and not off_b < abs(b):
        return inf
    if not isfinite(off_b):
        return min(0.0, a / b)  # below may be anything greater: the ratio falls towards nothing
    # (a - r b)^2 = off_a^2 + r^2 off_b^2, of whose two solutions one lies on this side.
    squared = b * b - off_b * off_b
    inside = (a * b) ** 2 - (a * a - off_a * off_a) * squared
    if squared == 0:
        return (a * a - off_a * off_a) / (2 * a * b) if a else -inf
    if squared < 0 and abs(a) <= off_a:
        return side * inf  # nothing may be divided by nothing
    return (a * b + side * sqrt(max(inside, 0.0))) / squared


def ratio_of_days(
    above: NDArray[np.float64], below: NDArray[np.float64], *, unit: str, basis: str
) -> Estimate:
    """Ratio of two sums over the same days, with the day as the unit of spread.

    Parameters
    ----------
    above, below : ndarrays, shape (n,)
        Of each day, in order.

    Notes
    -----
    The spread is that of what each day lies above the common ratio (Cochran 1977, 2.11), widened
    where days are like those before (`mean_of_days`). What multiplies both sides, such as the
    clamp's ratio, drops out.
    """
    total = float(below.sum())
    if not above.size or total == 0:
        return Estimate(value=nan, low=nan, high=nan, unit=unit, n=int(above.size), basis=basis)
    value = float(above.sum()) / total
    off = mean_of_days(above - value * below)
    half = (off.high - off.low) / 2 * above.size / abs(total)
    if not isfinite(half):
        half = inf
    return Estimate(
        value=value,
        low=value - half,
        high=value + half,
        unit=unit,
        n=int(above.size),
        basis=f"{basis}, over {above.size} days, interval from how the days differ",
    )
