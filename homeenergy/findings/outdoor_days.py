"""Mean outdoor temperature of local days."""

from __future__ import annotations

from datetime import tzinfo

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.findings.daily import midnights
from homeenergy.units import NS_PER_S, S_PER_H

# Between readings further apart than this the temperature is not known. Own rule.
LONGEST_STEP_H = 3.0
LEAST_STEPS = 2.5  # or so many usual steps of the file
DAILY_STEP_H = (22.5, 25.5)  # usual step of a file that holds means of days


def daily_temperature(outdoor: pd.Series, *, timezone: tzinfo | str = "UTC") -> pd.DataFrame:
    """Mean outdoor temperature of each local day.

    Parameters
    ----------
    outdoor : pandas.Series
        Temperatures [deg C] on an ascending index of instants, as `read_outdoor` gives them.
    timezone : zone or its name
        Decides when a day begins.

    Returns
    -------
    pandas.DataFrame
        One row a local day: day (local midnight), mean_c, min_c, max_c, covered_h, day_h.

    Notes
    -----
    Between readings the temperature runs straight from one to the next, unless they are more than
    3 h (or 2.5 usual steps) apart: that time is not covered, and the mean is over the time that is.
    A file with one reading a day holds means of days: each counts for the local day on which its
    instant falls. O(n).
    """
    celsius = outdoor.dropna()
    if not isinstance(celsius.index, pd.DatetimeIndex) or celsius.index.tz is None:
        raise ValueError("outdoor must be indexed by instants with a time zone")
    celsius = celsius.sort_index()
    at_ns = pd.DatetimeIndex(celsius.index).tz_convert("UTC").as_unit("ns").asi8
    step_h = float(np.median(np.diff(at_ns))) / NS_PER_S / S_PER_H if at_ns.size > 1 else 0.0
    if at_ns.size == 0:
        return _frame(pd.DatetimeIndex([], tz="UTC"), *[np.empty(0)] * 5)
    if DAILY_STEP_H[0] <= step_h <= DAILY_STEP_H[1]:
        return _of_daily_means(celsius, timezone)
    return _of_readings(at_ns, celsius.to_numpy(np.float64), step_h, timezone)


def _of_daily_means(celsius: pd.Series, timezone: tzinfo | str) -> pd.DataFrame:
    local = pd.DatetimeIndex(celsius.index).tz_convert(timezone)
    edges = midnights(local[0], local[-1], timezone)
    day_h = np.diff(edges.as_unit("s").asi8) / S_PER_H
    at = np.searchsorted(edges.asi8, local.as_unit(edges.unit).asi8, side="right") - 1
    by_day = celsius.groupby(at).mean().reindex(range(day_h.size))
    mean_c = by_day.to_numpy(np.float64)
    covered_h = np.where(np.isfinite(mean_c), day_h, 0.0)
    return _frame(edges[:-1], mean_c, mean_c, mean_c, covered_h, day_h)


def _of_readings(
    at_ns: NDArray[np.int64], celsius: NDArray[np.float64], step_h: float, timezone: tzinfo | str
) -> pd.DataFrame:
    ends = pd.DatetimeIndex(at_ns[[0, -1]].view("M8[ns]")).tz_localize("UTC")
    edges = midnights(ends[0], ends[1] - pd.Timedelta(1, unit="ns"), timezone)
    edges_ns = edges.tz_convert("UTC").as_unit("ns").asi8
    # Every midnight becomes a reading of its own, so that no piece lies in two days.
    knots_ns = np.union1d(at_ns, edges_ns[(edges_ns > at_ns[0]) & (edges_ns < at_ns[-1])])
    knots_c = np.interp(knots_ns.astype(np.float64), at_ns.astype(np.float64), celsius)
    pace_h = np.diff(at_ns) / NS_PER_S / S_PER_H
    known = pace_h <= max(LONGEST_STEP_H, LEAST_STEPS * step_h)
    left = np.searchsorted(at_ns, knots_ns[:-1], side="right") - 1
    hours = np.where(known[left], np.diff(knots_ns) / NS_PER_S / S_PER_H, 0.0)
    day = np.searchsorted(edges_ns, knots_ns[:-1], side="right") - 1
    days = edges_ns.size - 1
    covered_h = np.bincount(day, weights=hours, minlength=days).astype(np.float64)
    area = np.bincount(day, weights=hours * (knots_c[:-1] + knots_c[1:]) / 2, minlength=days)
    mean_c = np.full(days, np.nan)
    np.divide(area, covered_h, out=mean_c, where=covered_h > 0)
    least, most = np.full(days, np.inf), np.full(days, -np.inf)
    for at, value in ((day, knots_c[:-1]), (day, knots_c[1:])):
        np.minimum.at(least, at[hours > 0], value[hours > 0])
        np.maximum.at(most, at[hours > 0], value[hours > 0])
    there = covered_h > 0
    day_h = np.diff(edges_ns) / NS_PER_S / S_PER_H
    min_c, max_c = np.where(there, least, np.nan), np.where(there, most, np.nan)
    return _frame(edges[:-1], mean_c, min_c, max_c, covered_h, day_h)


def _frame(
    day: pd.DatetimeIndex,
    mean_c: NDArray[np.float64],
    min_c: NDArray[np.float64],
    max_c: NDArray[np.float64],
    covered_h: NDArray[np.float64],
    day_h: NDArray[np.float64],
) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "day": day,
            "mean_c": mean_c,
            "min_c": min_c,
            "max_c": max_c,
            "covered_h": covered_h,
            "day_h": day_h,
        }
    )
