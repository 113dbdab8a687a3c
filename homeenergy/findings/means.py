"""Means of runs and of days, with intervals that allow for neighbours being alike."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from homeenergy.estimate import Estimate, mean_estimate
from homeenergy.findings.alike_days import Squares, half_width

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
    of days (Cochran 1977, Sampling Techniques, 2.11, from memory) with one degree of freedom less
    than there are days. Days that are like those before widen the interval further.
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
    (as Satterthwaite 1946 counts degrees of freedom, from memory); with k alike it is the textbook
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
