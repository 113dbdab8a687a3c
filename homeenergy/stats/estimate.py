"""Estimate: a value with its interval, its unit and how it was obtained."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

NORMAL = 1.959964  # standard uncertainties in half the 95 % interval of a normal distribution
DEFAULT_DIGITS = 3  # significant, where no interval says how many mean anything


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """A measured quantity with an interval that covers it at `level`.

    Attributes
    ----------
    value, low, high : float
        Best value and the ends of its interval [`unit`]; NaN where it cannot be told.
    level : float
        Probability with which the interval is meant to cover the true value.
    unit : str
        Unit of value, low and high.
    n : int
        Number of observations behind it.
    basis : str
        How it was obtained, in words.
    resolved : bool
        False where the instrument cannot tell the quantity from nothing: only `high` is known.
    systematic : float
        Half width of what all observations have in common, so that more of them do not make it
        smaller [`unit`]: the clamp's multiplier, its offset. The interval includes it.
    """

    value: float
    low: float
    high: float
    unit: str
    n: int
    basis: str
    level: float = 0.95
    resolved: bool = True
    systematic: float = 0.0

    @property
    def spread(self) -> float:
        """Half width from the spread of observations alone [`unit`]; NaN for a bound."""
        half = (self.high - self.low) / 2
        if not self.resolved or np.isnan(half):
            return float("nan")
        return float(np.sqrt(max(half**2 - self.systematic**2, 0.0)))

    def __str__(self) -> str:
        if not np.isfinite(self.value):
            return "not known"
        if not self.resolved:
            return f"below {rounded_up(self.high)} {self.unit}".rstrip()
        places = decimals(self.low, self.high, value=self.value, unit=self.unit)
        text = number_text(self.value, places)
        if np.isfinite(self.high - self.low):
            text += f" ({number_text(self.low, places)} to {number_text(self.high, places)})"
        return f"{text} {self.unit}".rstrip()

    def to_frame(self) -> pd.DataFrame:
        """One row with every field as a column."""
        return pd.DataFrame([{name: getattr(self, name) for name in self.__slots__}])


def decimals(low: float, high: float, *, value: float = 0.0, unit: str = "") -> int:
    """Decimals at which half the interval has two significant digits, 0 to 4; 0 to 2 for watts."""
    most = 2 if unit == "W" else 4  # no clamp tells a thousandth of a watt
    half = (high - low) / 2
    if np.isfinite(half) and half > 1e-9 * abs(value):
        return min(most, max(0, 1 - int(np.floor(np.log10(half)))))
    if np.isfinite(value) and value != 0:
        return min(most, max(0, DEFAULT_DIGITS - 1 - int(np.floor(np.log10(abs(value))))))
    return 0


def number_text(number: float, places: int) -> str:
    """Write a number with so many decimals; what rounds to zero has no sign."""
    return f"{round(number, places) + 0.0:,.{places}f}"


def rounded_up(bound: float) -> str:
    """Write an upper bound rounded up, so that it stays true."""
    if not np.isfinite(bound):
        return str(bound)
    places = 0 if bound >= 1 else 2
    return f"{np.ceil(bound * 10**places - 1e-9) / 10**places + 0.0:,.{places}f}"


def joined_half(half: float, *limits: float, level: float = 0.95) -> float:
    """Half width of the interval of a sum: a normal error, and errors that are even within limits.

    Parameters
    ----------
    half : float
        Half width of the interval of the normal error at `level`; infinite stays infinite.
    *limits : float
        Each further error lies anywhere between -limit and limit alike, in the unit of `half`.
    level : float
        Coverage of all intervals.

    Notes
    -----
    JCGM 100:2008, 4.3.7 and G.1.4: an even distribution has the standard uncertainty
    limit / sqrt(3) but no tails, so 1.96 times it would be more than the limit itself. The widest
    one is convolved with the normal error; the integral of the normal distribution is
    x Phi(x) + phi(x). Alone, it gives `level` times its limit. The others join the normal error in
    squares (5.1.2).
    """
    from scipy.optimize import brentq
    from scipy.special import ndtr, ndtri

    limit = max(limits, default=0.0)
    if not limit or not np.isfinite([half, limit]).all():
        return half
    squares = sum(other**2 for other in limits) - limit**2
    z = ndtri((1 + level) / 2)
    spread = float(np.hypot(half / z, np.sqrt(max(squares, 0.0) / 3)))
    if spread <= 1e-9 * limit:
        return level * limit
    if limit <= 1e-4 * spread:  # the integrals below would cancel to nothing
        return float(z * np.hypot(spread, limit / np.sqrt(3)))

    def integral(x: float) -> float:
        return float(x * ndtr(x) + np.exp(-x * x / 2) / np.sqrt(2 * np.pi))

    def short(at: float) -> float:
        below = integral((at + limit) / spread) - integral((at - limit) / spread)
        return spread / (2 * limit) * below - (1 + level) / 2

    return float(brentq(short, limit / 2, half + 2 * sum(limits), xtol=1e-9 * limit))


def mean_estimate(values: ArrayLike, *, unit: str, basis: str, level: float = 0.95) -> Estimate:
    """Mean of independent observations with Student's t interval.

    Parameters
    ----------
    values : array_like, shape (n,)
        Observations [`unit`]; NaN are left out and not counted.
    unit, basis : str
        Copied to the result.
    level : float
        Coverage of the interval.

    Returns
    -------
    Estimate
        With one observation the interval is unbounded (infinite ends); with none all is NaN.

    References
    ----------
    JCGM 100:2008 (GUM), 4.2.3 and G.3: standard uncertainty of a mean and the t factor.
    """
    from scipy.stats import t as student_t

    x = np.asarray(values, dtype=np.float64)
    x = x[np.isfinite(x)]
    n = int(x.size)
    if n == 0:
        nan = float("nan")
        return Estimate(value=nan, low=nan, high=nan, unit=unit, n=0, basis=basis, level=level)
    mean = float(x.mean())
    if n == 1:
        half = float("inf")
    else:
        half = float(student_t.ppf((1 + level) / 2, n - 1) * x.std(ddof=1) / np.sqrt(n))
    return Estimate(
        value=mean, low=mean - half, high=mean + half, unit=unit, n=n, basis=basis, level=level
    )
