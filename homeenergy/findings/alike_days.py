"""What days that are alike make of the interval of their mean."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import stdtr, stdtrit

LEVEL = 0.95
# Days with nothing of their own are as likely beforehand as days that have something (Jeffreys
# 1961, Theory of Probability, ch. 5, from memory).
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
    that part is, and how long it lasts, cannot be told from a few weeks, and a single estimate,
    too small on average, makes intervals that are too narrow. So every share s of the part in
    the variance of days and every correlation r of it is weighed by how well it fits: given both,
    the true mean has Student's t distribution about the generalised least-squares mean, and their
    weight is the likelihood, mean and variance integrated out, times the prior (Zellner 1971, An
    Introduction to Bayesian Inference in Econometrics, ch. 4; the likelihood by the filter of
    Kalman 1960; both from memory). Beforehand s is 0 or anything from 0 to 1 alike (the uniform
    shrinkage prior: Daniels 1999, Canadian Journal of Statistics 27, from memory), and r has the
    weight (1 - r^2)^(-1/2) (the reference prior: Berger & Yang 1994, Econometric Theory 10, from
    memory; the arcsine of r is uniform), from 0, as a part that makes days unlike is none that
    lasts, to 0.95. 95 % of the mixture lie within the half width about the plain mean. Never
    narrower than for independent days: that days make up for one another is not relied on.

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
