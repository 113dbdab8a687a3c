"""Means of runs and of days, with intervals that allow for neighbours being alike."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import betainc, betaln, stdtr, stdtrit

from homeenergy.estimate import Estimate, mean_estimate

LEAST_DAYS_FOR_CORRELATION = 7
LEVEL = 0.95
# How alike neighbouring days can be: lag-1 correlations that are weighed against each other.
# At 0.95 a day still counts after three weeks: closer to 1, no mean is there to be found.
CORRELATIONS = np.linspace(-0.94, 0.94, 95)
MUCH_WIDER = 1.1  # from where it is said that days are alike


def mean_of_days(kwh: NDArray[np.float64]) -> Estimate:
    """Mean with Student's t interval, widened where a day may be like the one before.

    Parameters
    ----------
    kwh : ndarray, shape (n,)
        Energy of days, in order [kWh].
    """
    n = kwh.size
    plain = mean_estimate(kwh, unit="kWh", basis=f"mean of {n} whole days, t interval")
    off = kwh - kwh.mean()
    if n < LEAST_DAYS_FOR_CORRELATION or not off.any():
        return plain
    half, words = _half_width(off)
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
    of days (Cochran 1977, Sampling Techniques, 2.11, from memory) with one degree of freedom less
    than there are days. Days that are like those before widen the interval further.
    """
    n = kwh.size
    plain = mean_estimate(kwh, unit="kWh", basis=_runs_basis(n))
    days, at = np.unique(day, return_inverse=True)
    if days.size < LEAST_DAYS_FOR_CORRELATION:
        return plain
    off = np.bincount(at, weights=kwh - kwh.mean()).astype(np.float64)
    if not off.any():
        return plain
    half, words = _half_width(off, unlike=days_unlike(kwh, at))
    half *= days.size / n
    basis = f"mean of {n} complete runs on {days.size} days, t interval from the spread of days"
    return replace(plain, low=plain.value - half, high=plain.value + half, basis=f"{basis}{words}")


def _runs_basis(n: int) -> str:
    return f"mean of {n} complete runs, t interval" if n > 1 else "one complete run tells no spread"


def days_unlike(kwh: NDArray[np.float64], at: NDArray[np.intp]) -> float | None:
    """Probability that runs of one day have nothing in common; None where too few say.

    `at` is the number of the day of each run, from 0 without a gap. Analysis of variance (JCGM
    100:2008, H.5): F compares the spread between days with what the spread of runs within them
    makes of it. If days have nothing of their own, F has its usual distribution; if they have, it
    is 1/s times as large, where s, the share of runs in the variance of a day's mean, may be
    anything from 0 to 1 alike (the uniform shrinkage prior: Daniels 1999, Canadian Journal of
    Statistics 27, from memory). Both are as likely beforehand (Jeffreys 1961, Theory of
    Probability, ch. 5, from memory).
    """
    runs = np.bincount(at)
    between, within = runs.size - 1, kwh.size - runs.size
    if within < between:
        return None
    means = np.bincount(at, weights=kwh) / runs
    squares = float(np.sum((kwh - means[at]) ** 2))
    own = float(runs @ (means - kwh.mean()) ** 2)
    a, b, x = between / 2, within / 2, np.clip(own / (own + squares), 1e-12, 1 - 1e-12)
    f = x / (1 - x) * within / between
    # Densities of F, times F. The second is that of the first at s F, times s, over all s.
    none = np.exp(a * np.log(x) + b * np.log1p(-x) - betaln(a, b))
    some = within / (within - 2) * betainc(a + 1, b - 1, x) / f
    if some == 0:  # so many days, and so alike, that the densities are too small for a number
        return 1.0
    return float(none / (none + some))


def _half_width(off: NDArray[np.float64], *, unlike: float | None = None) -> tuple[float, str]:
    """Half width of the 95 % interval of a mean of days, and what is said of it.

    `off` holds the days' deviations from their mean, in order. How alike neighbours are cannot be
    told from a few weeks, and a single estimate of it, too small on average, makes intervals that
    are too narrow. So every lag-1 correlation r of a first-order autoregression is weighed by how
    well it fits: given r, the true mean has Student's t distribution about the generalised
    least-squares mean, and the weight of r is the likelihood with mean and variance integrated
    out times the prior (Zellner 1971, An Introduction to Bayesian Inference in Econometrics,
    ch. 4, from memory). The prior is (1 - r^2)^(1/4), even but for the ends: our choice, judged by
    how often intervals hold the truth. 95 % of the mixture lie within the half width about the
    plain mean. Never narrower than for independent days: that days make up for one another is not
    relied on. O(n), and some hundred evaluations of Student's t.

    With `unlike`, the probability that days have nothing in common, that much of the prior is at
    r = 0. The rest is for days that do have something of their own. What that comes from, a
    season or a habit, is taken to last: r >= 0, weighed by (1 - r^2)^(1/2), our choice again.
    """
    n = off.size
    r = CORRELATIONS
    if unlike is None:
        prior = (1 - r**2) ** 0.25
    else:
        r = np.r_[0.0, r[r > 1e-9]]
        prior = np.sqrt(1 - r**2)
        prior *= (1 - unlike) / prior.sum()
        prior[0] += unlike
    ends = off[0] ** 2 + off[-1] ** 2
    squares, products = float(off @ off), float(off[1:] @ off[:-1])
    # Of the correlation matrix R of an autoregression: 1' R^-1 1, 1' R^-1 off, off' R^-1 off.
    ones = (n - (n - 2) * r) / (1 + r)
    cross = r * (off[0] + off[-1]) / (1 + r)  # for deviations, whose sum is 0
    own = ((1 + r**2) * squares - r**2 * ends - 2 * r * products) / (1 - r**2)
    centre = cross / ones
    about = own - cross**2 / ones
    log_fit = -0.5 * ((n - 1) * (np.log(1 - r**2) + np.log(about)) + np.log(ones))
    weight = prior * np.exp(log_fit - log_fit.max())
    weight /= weight.sum()
    spread = np.sqrt(about / (n - 1) / ones)

    def short(half: float) -> float:
        within = stdtr(n - 1, (half - centre) / spread) - stdtr(n - 1, (-half - centre) / spread)
        return float(weight @ within) - LEVEL

    factor = float(stdtrit(n - 1, (1 + LEVEL) / 2))
    plain = factor * float(np.sqrt(squares / (n - 1) / n))
    if short(plain) >= 0:
        return plain, ""
    high = float(np.max(np.abs(centre) + 10 * factor * spread))
    half = float(brentq(short, plain, high, xtol=1e-9 * high))
    seen = products / squares
    if half < MUCH_WIDER * plain:
        return half, ""
    return half, f", widened as days may be alike (lag-1 correlation {seen:.2f})"
