"""Means of runs and of days, with intervals that allow for neighbours being alike."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.stats import t as student_t

from homeenergy.estimate import Estimate, mean_estimate

LEAST_DAYS_FOR_CORRELATION = 7
MOST_CORRELATION = 0.9


def mean_of_days(kwh: NDArray[np.float64]) -> Estimate:
    """Mean with Student's t interval, widened where a day is like the one before.

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
    factor, words = _alike(off)
    if factor == 1:
        return plain
    half = (plain.high - plain.low) / 2 * factor
    return replace(
        plain, low=plain.value - half, high=plain.value + half, basis=f"{plain.basis}, {words}"
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
    factor, words = _alike(off)
    spread = np.sqrt(days.size / (days.size - 1) * float(off @ off)) / n
    half = float(student_t.ppf(0.975, days.size - 1)) * spread * factor
    basis = f"mean of {n} complete runs on {days.size} days, t interval from the spread of days"
    return replace(
        plain,
        low=plain.value - half,
        high=plain.value + half,
        basis=f"{basis}, {words}" if words else basis,
    )


def _runs_basis(n: int) -> str:
    return f"mean of {n} complete runs, t interval" if n > 1 else "one complete run tells no spread"


def _alike(off: NDArray[np.float64]) -> tuple[float, str]:
    """Factor by which neighbours that are alike widen the interval of a mean, and why.

    The variance of the mean of a series with lag-1 correlation r is q = (1 + r) / (1 - r) times
    that of independent days (first-order autoregression; Bayley & Hammersley 1946, J. R. Stat. Soc.
    Suppl. 8, 184-197, from memory). Seen in n days, r is too small by (1 + 4 r) / n (Kendall 1954,
    Biometrika 41, 403-404, from memory) and the variance between days by (n - q) / (n - 1): both
    are put right. A negative r, which would narrow the interval, is taken as none.
    """
    n = off.size
    seen = float(off[1:] @ off[:-1] / (off @ off))
    r = min(max((seen + 1 / n) / (1 - 4 / n), 0.0), MOST_CORRELATION)
    if r == 0:
        return 1.0, ""
    q = min((1 + r) / (1 - r), n / 2)
    words = f"widened for days being alike (lag-1 correlation {seen:.2f})"
    return float(np.sqrt(q * (n - 1) / (n - q))), words
