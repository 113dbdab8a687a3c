"""Degree days: by how much, and for how long, it was colder or warmer than a base.

A heating degree day is one day on which the mean outdoor temperature lies one degree below the
base, a cooling degree day one above it. In the United States the base is usually 65 deg F and the
mean that of the day's highest and lowest temperature (glossary of the U.S. Environmental Protection
Agency); in the United Kingdom 15.5 deg C, counted in hours (common practice there).
"""

from __future__ import annotations

from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from homeenergy.units import NS_PER_S, S_PER_DAY

US_BASE_C = (65 - 32) / 1.8  # 65 deg F
UK_BASE_C = 15.5
Season = Literal["heating", "cooling"]


def degree_days(
    mean_c: ArrayLike, *, base_c: float, season: Season = "heating"
) -> NDArray[np.float64]:
    """Degree days of each day from its mean temperature.

    Parameters
    ----------
    mean_c : array_like, shape (n,)
        Mean temperature of days [deg C]; NaN stays NaN. Any degree will do if `base_c` is the same.
    base_c : float
        Base temperature.
    season : "heating" or "cooling"
        Days below the base, or above it.

    Returns
    -------
    numpy.ndarray, shape (n,)
        [K day], none below zero.

    Examples
    --------
    >>> from homeenergy.findings import degree_days
    >>> degree_days([50.0, 75.0], base_c=65.0).tolist()
    [15.0, 0.0]
    """
    away = _sign(season) * (np.asarray(mean_c, dtype=np.float64) - base_c)
    return np.where(np.isnan(away), np.nan, np.maximum(away, 0.0))


def mean_of_extremes(highest_c: ArrayLike, lowest_c: ArrayLike) -> NDArray[np.float64]:
    """Mean temperature of a day as half the sum of its highest and lowest.

    For stations that report no other mean (definition in the glossary of the U.S. Environmental
    Protection Agency).
    """
    high, low = np.asarray(highest_c, np.float64), np.asarray(lowest_c, np.float64)
    if np.any(high < low):
        raise ValueError("a day's highest temperature lies below its lowest: are they swapped?")
    return np.asarray((high + low) / 2, dtype=np.float64)


def degree_days_in_hours(
    outdoor: pd.Series, *, base_c: float = UK_BASE_C, season: Season = "heating"
) -> float:
    """Degree days of a stretch, counted from readings within days.

    Parameters
    ----------
    outdoor : pandas.Series
        Temperatures [deg C] on an ascending index of instants; the line from one to the next is
        taken, so the readings should have no long holes.
    base_c, season
        As for `degree_days`.

    Returns
    -------
    float
        [K day]: the area between the base and the temperature where that lies below (heating) or
        above (cooling) it. An evening below the base counts even where the mean of the day does
        not, so the figure is never less than that from means of days.
    """
    at_ns = pd.DatetimeIndex(outdoor.index).as_unit("ns").asi8
    away = _sign(season) * (outdoor.to_numpy(np.float64) - base_c)
    a, b = away[:-1], away[1:]
    days = np.diff(at_ns) / NS_PER_S / S_PER_DAY
    low, high = np.minimum(a, b), np.maximum(a, b)
    crossing = (low < 0) & (high > 0)
    # Of a line that crosses the base only the triangle beyond it counts.
    triangle = np.zeros_like(high)
    np.divide(high**2, 2 * (high - low), out=triangle, where=crossing)
    height = np.where(crossing, triangle, np.maximum((a + b) / 2, 0.0))
    return float(np.nansum(height * days))


def _sign(season: Season) -> float:
    if season not in ("heating", "cooling"):
        raise ValueError(f'season must be "heating" or "cooling", got {season!r}')
    return -1.0 if season == "heating" else 1.0
