"""How wide an interval must be: half-widths that hold a given share of a distribution."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from math import hypot, inf, isfinite, isinf, isnan, nan, sqrt
from statistics import NormalDist

import numpy as np
from numpy.typing import ArrayLike, NDArray

LEVEL = 0.95  # share that every interval of the project holds
NORMAL = NormalDist().inv_cdf((1 + LEVEL) / 2)  # standard uncertainties in half of such an interval
SQRT_3 = sqrt(3.0)


def coverage_factor(freedom: float = inf, *, level: float = LEVEL) -> float:
    """Standard uncertainties in a half-width: Student's t, or the normal distribution's factor.

    Parameters
    ----------
    freedom : float
        Degrees of freedom; infinite for a normal distribution.
    level : float
        Share that the interval holds.
    """
    from scipy.special import stdtrit

    if isinf(freedom):
        return NORMAL if level == LEVEL else NormalDist().inv_cdf((1 + level) / 2)
    return float(stdtrit(freedom, (1 + level) / 2))


def half_width(
    inside: Callable[[float], float], *, most: float, least: float = 0.0, level: float = LEVEL
) -> float:
    """Half-width about a centre that holds a share of a distribution.

    Parameters
    ----------
    inside : callable
        Share of the distribution within so much of the centre, which need not be its middle.
    most, least : float
        Half-widths between which the answer lies.
    level : float
        Share to be held.
    """
    from scipy.optimize import brentq

    found = brentq(lambda half: inside(half) - level, least, most, xtol=1e-13 * most, rtol=1e-13)
    return float(found)


def normal_and_rectangular(
    x: ArrayLike, *, u: ArrayLike, limit: float = 0.0
) -> NDArray[np.float64]:
    """Probability that a normal error and a rectangular one are together below `x`.

    Parameters
    ----------
    x : array_like
    u : array_like
        Standard uncertainty of the normal error, positive.
    limit : float
        The other lies between -limit and limit with the same density (JCGM 100:2008, 4.3.7).

    Notes
    -----
    The integral of the normal distribution function is x Phi(x) + phi(x). A limit far below `u`
    counts by its variance, as the difference of two integrals would have no digits left.
    """
    from scipy.special import ndtr

    x_, u_ = np.asarray(x, dtype=np.float64), np.asarray(u, dtype=np.float64)
    if not limit:
        return np.asarray(ndtr(x_ / u_))
    ends = np.array([x_ - limit, x_ + limit]) / u_
    area = u_ * (ends * ndtr(ends) + np.exp(-(ends**2) / 2) / np.sqrt(2 * np.pi))
    share = np.asarray((area[1] - area[0]) / (2 * limit))
    narrow = limit < 1e-3 * u_
    if narrow.any():
        return np.where(narrow, ndtr(x_ / np.hypot(u_, limit / SQRT_3)), share)
    return share


@lru_cache(maxsize=4096)  # the same estimate is written, compared and shared out
def half_of_sum(half: float, *limits: float, level: float = LEVEL) -> float:
    """Half-width of the interval of a sum of a normal error and rectangular ones.

    Parameters
    ----------
    half : float
        Half-width of the interval of the normal error at `level`.
    *limits : float
        Each further error lies between -limit and limit with the same density, in the unit of
        `half`. What is infinite makes the sum infinite.
    level : float
        Coverage of all intervals.

    Notes
    -----
    JCGM 100:2008, 4.3.7 and G.1.4: a rectangular distribution has the standard uncertainty
    limit / sqrt(3) but no tails, so 1.96 times it would be more than the limit itself. The widest
    one is convolved with the normal error. Alone, it gives `level` times its limit. The others join
    the normal error in squares (5.1.2), as sums tend to the normal distribution (G.2).
    """
    widest = max(limits, default=0.0)
    if isnan(half) or any(map(isnan, limits)):
        return nan
    if not widest or not isfinite(half):
        return half
    if isinf(widest):
        return inf
    z = coverage_factor(level=level)
    others = sum(limit**2 for limit in limits) - widest**2
    u = hypot(half / z, sqrt(max(others, 0.0)) / SQRT_3)
    if u <= 1e-9 * widest:
        return level * widest

    def inside(at: float) -> float:
        return 2 * float(normal_and_rectangular(at, u=u, limit=widest)) - 1

    return half_width(inside, most=z * u + widest, level=level)
