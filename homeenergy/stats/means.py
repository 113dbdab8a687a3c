"""Means of runs and of days, with intervals that allow for neighbours being alike."""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import stdtr, stdtrit

from homeenergy.stats.estimate import Estimate, mean_estimate

LEVEL = 0.95
# Days with nothing of their own are as likely beforehand as days that have something (Jeffreys
# 1961, ch. 5).
NOTHING_OF_THEIR_OWN = 0.5
# Lag-1 correlation of the days' own part up to which it is weighed: at 0.95 a day still counts
# after three weeks. Closer to 1, no mean is there to be found.
LONGEST = 0.95
_MIDDLES = (np.arange(20) + 0.5) / 20
# Share of that part in the variance of days, and its correlation, each pair as likely as another.
_SHARES, _CORRELATIONS = (
    np.r_[0.0, grid.ravel()]
    for grid in np.meshgrid(_MIDDLES, np.sin(_MIDDLES * np.arcsin(LONGEST)))
)
MUCH_WIDER = 1.2  # from where it is said that days are alike


class Squares(NamedTuple):
    """Sums of squares between days and within them, with their degrees of freedom.

    Only their ratio counts.
    """

    between: float
    within: float
    between_freedom: float
    within_freedom: float


def half_width(off: NDArray[np.float64], *, squares: Squares | None = None) -> tuple[float, str]:
    """Half width of the 95 % interval of a mean of days, and what is said of it.

    Parameters
    ----------
    off : ndarray, shape (n,)
        Deviations of days from their mean, in order; not all 0.
    squares : Squares, optional
        Analysis of variance of what the days are made of: their runs, or parts of the day.

    Notes
    -----
    A day is a mean, a part of its own (a cool room, guests) that is like that of the day before,
    and what runs and hours happen to make of it: a first-order autoregression in noise. How large
    that part is, and how long it lasts, cannot be told from a few weeks, and a single estimate, too
    small on average, makes intervals that are too narrow. So every share s of the part in the
    variance of days and every correlation r of it is weighed by how well it fits: given both, the
    true mean has Student's t distribution about the generalised least-squares mean, and their
    weight is the likelihood, mean and variance integrated out, times the prior (Zellner 1971,
    ch. 4; the likelihood by the filter of Kalman 1960). Beforehand s is 0 or anything from 0 to 1
    alike (the uniform shrinkage prior: Daniels 1999), and r has the weight (1 - r^2)^(-1/2) (the
    reference prior: Berger & Yang 1994; the arcsine of r is uniform), from 0, as a part that makes
    days unlike is none that lasts, to 0.95. 95 % of the mixture lie within the half width about the
    plain mean. Never narrower than for independent days: that days make up for one another is not
    relied on.

    F, the mean square between days by that within them (JCGM 100:2008, H.5), tells of s too: with
    a share s it is 1 / (1 - s) times as large as without.

    O(n) steps over a grid of 20 by 20 pairs of s and r.
    """
    n = off.size
    prior = np.full(_SHARES.size, (1 - NOTHING_OF_THEIR_OWN) / (_SHARES.size - 1))
    prior[0] = NOTHING_OF_THEIR_OWN
    log_fit = np.log(prior)
    if squares is not None:
        log_fit += _log_fit_of_shares(squares)
    ones, cross, own, log_det = _filtered(off)
    centre = cross / ones
    about = own - cross**2 / ones
    log_fit -= 0.5 * (log_det + np.log(ones) + (n - 1) * np.log(about))
    weight = np.exp(log_fit - log_fit.max())
    weight /= weight.sum()
    spread = np.sqrt(about / (n - 1) / ones)

    def short(half: float) -> float:
        within = stdtr(n - 1, (half - centre) / spread) - stdtr(n - 1, (-half - centre) / spread)
        return float(weight @ within) - LEVEL

    factor = float(stdtrit(n - 1, (1 + LEVEL) / 2))
    plain = factor * float(np.sqrt(off @ off / (n - 1) / n))
    if short(plain) >= 0:
        return plain, ""
    high = float(np.max(np.abs(centre) + 10 * factor * spread))
    half = float(brentq(short, plain, high, xtol=1e-9 * high))
    if half < MUCH_WIDER * plain:
        return half, ""
    seen = float(off[1:] @ off[:-1] / (off @ off))
    how = f"lag-1 correlation {seen:.2f}" if seen > 0 else f"{n} of them cannot tell"
    return half, f", widened as days may be alike ({how})"


def _log_fit_of_shares(squares: Squares) -> NDArray[np.float64]:
    """Logarithm of the density of F at each share, but for what all have in common."""
    left = 1 - _SHARES
    a, b = squares.between_freedom / 2, squares.within_freedom / 2
    ratio = squares.between / max(squares.within, 1e-12 * squares.between)
    found: NDArray[np.float64] = a * np.log(left) - (a + b) * np.log1p(left * ratio)
    return found


def _filtered(off: NDArray[np.float64]) -> tuple[NDArray[np.float64], ...]:
    """1' V^-1 1, 1' V^-1 off, off' V^-1 off and log det V for the correlation matrix V of days.

    The filter predicts each day from those before, for the series of ones and for `off` at once.
    """
    s, r = _SHARES, _CORRELATIONS
    ones, cross, own, log_det, of_ones, of_off = np.zeros((6, s.size))
    variance = s
    for x in off:
        total = variance + 1 - s
        new, new_off = 1 - of_ones, x - of_off
        ones += new**2 / total
        cross += new * new_off / total
        own += new_off**2 / total
        log_det += np.log(total)
        gain = variance / total
        of_ones = r * (of_ones + gain * new)
        of_off = r * (of_off + gain * new_off)
        variance = r**2 * variance * (1 - gain) + s * (1 - r**2)
    return ones, cross, own, log_det


LEAST_DAYS_FOR_CORRELATION = 7
LEAST_PARTS = 1.5


def mean_of_days(kwh: NDArray[np.float64], *, parts: NDArray[np.float64] | None = None) -> Estimate:
    """Mean with Student's t interval, widened where a day may be like the one before.

    Parameters
    ----------
    kwh : ndarray, shape (n,)
        Energy of days, in order [kWh]. Days before and after some that are left out count as
        neighbours.
    parts : ndarray, shape (n, k), optional
        The same of equal parts of these days, in any unit; NaN where not known. Where the parts of
        a day have nothing in common, days are taken to be less alike, and the interval is narrower:
        too narrow where lasting habits are in one part alone and chance is in all of them.
    """
    n = kwh.size
    plain = mean_estimate(kwh, unit="kWh", basis=f"mean of {n} whole days, t interval")
    off = kwh - kwh.mean()
    if n < LEAST_DAYS_FOR_CORRELATION or _only_rounding(off, kwh):
        return plain
    half, words = half_width(off, squares=None if parts is None else squares_of_parts(parts))
    return replace(
        plain, low=plain.value - half, high=plain.value + half, basis=f"{plain.basis}{words}"
    )


def mean_of_runs(kwh: NDArray[np.float64], day: NDArray[np.int64]) -> Estimate:
    """Mean energy of runs; those of one day may be alike (a cool week, one person's habits).

    Parameters
    ----------
    kwh, day : ndarrays, shape (n,)
        Energy [kWh] and number of the local day of each run, in order of time.

    Notes
    -----
    From seven days on, days and not runs are taken as independent: the mean is a ratio of the sums
    of days (Cochran 1977, 2.11) with one degree of freedom less than there are days. Days that are
    like those before widen the interval further.
    """
    n = kwh.size
    plain = mean_estimate(kwh, unit="kWh", basis=_runs_basis(n))
    days, at = np.unique(day, return_inverse=True)
    if days.size < LEAST_DAYS_FOR_CORRELATION:
        return plain
    off = np.bincount(at, weights=kwh - kwh.mean()).astype(np.float64)
    if _only_rounding(off, kwh):
        return plain
    half, words = half_width(off, squares=squares_of_runs(kwh, at))
    half *= days.size / n
    basis = f"mean of {n} complete runs on {days.size} days, t interval from the spread of days"
    return replace(plain, low=plain.value - half, high=plain.value + half, basis=f"{basis}{words}")


def _only_rounding(off: NDArray[np.float64], kwh: NDArray[np.float64]) -> bool:
    return bool(np.abs(off).max() <= 1e-12 * np.abs(kwh).max())


def _runs_basis(n: int) -> str:
    return f"mean of {n} complete runs, t interval" if n > 1 else "one complete run tells no spread"


def squares_of_runs(kwh: NDArray[np.float64], at: NDArray[np.intp]) -> Squares | None:
    """Analysis of variance of runs by day, numbered from 0 in `at`; None where too few tell."""
    runs = np.bincount(at)
    means = np.bincount(at, weights=kwh) / runs
    between, within = runs.size - 1, kwh.size - runs.size
    if within < between:
        return None
    own = float(runs @ (means - kwh.mean()) ** 2)
    return Squares(own, float(np.sum((kwh - means[at]) ** 2)), between, within)


def squares_of_parts(parts: NDArray[np.float64]) -> Squares | None:
    """Analysis of variance of days and their parts, of which each has its own mean.

    Rows of `parts` are days; those with NaN are left out. Of k parts that carry unlike much, as
    many count as would spread as much if all were alike, (sum v)^2 / sum v^2 of their variances v
    (Satterthwaite 1946, with one degree of freedom a part); with k alike it is the textbook
    analysis. None where too few days or parts are left: where one part carries nearly all, it is
    like the day whatever days are. Days that differ less than their parts say (one use a day, early
    or late) are taken to differ as much: parts that make up for one another tell nothing of
    neighbouring days.
    """
    whole = parts[np.isfinite(parts).all(axis=1)]
    if len(whole) < LEAST_DAYS_FOR_CORRELATION:
        return None
    of_parts = whole.var(axis=0, ddof=1)
    together = float(of_parts.sum())
    if not together:
        return None
    many = together**2 / float(of_parts @ of_parts)
    if many < LEAST_PARTS:
        return None
    of_days = max(float(whole.sum(axis=1).var(ddof=1)), together)
    within = max(many * together - of_days, 0.0)
    freedom = len(whole) - 1
    return Squares(of_days, within, freedom, freedom * (many - 1))
