"""Estimate: a value with its interval, its unit and how it was obtained."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike


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
    """

    value: float
    low: float
    high: float
    unit: str
    n: int
    basis: str
    level: float = 0.95
    resolved: bool = True

    def __str__(self) -> str:
        if not np.isfinite(self.value):
            return "not known"
        if not self.resolved:
            return f"below {self.high:g} {self.unit}".rstrip()
        # Two significant digits of the half width: no more of the value means anything.
        half = (self.high - self.low) / 2
        digits = (
            2 if not np.isfinite(half) or half <= 0 else max(0, 1 - int(np.floor(np.log10(half))))
        )
        text = f"{self.value:.{digits}f}"
        if np.isfinite(half):
            text += f" ({self.low:.{digits}f} to {self.high:.{digits}f})"
        return f"{text} {self.unit}".rstrip()

    def to_frame(self) -> pd.DataFrame:
        """One row with every field as a column."""
        return pd.DataFrame([{name: getattr(self, name) for name in self.__slots__}])


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
