"""Energy per local day, whatever the length of the day."""

from __future__ import annotations

from datetime import tzinfo
from itertools import pairwise

import numpy as np
import pandas as pd

from homeenergy.estimate import Estimate, mean_estimate
from homeenergy.readings.trace import Trace, as_trace
from homeenergy.units import S_PER_DAY, S_PER_H, WH_PER_KWH

# A day with less of its time covered says little about a whole day.
LEAST_COVERAGE = 0.9


def daily_energy(trace: Trace | pd.Series, *, timezone: tzinfo | str = "UTC") -> pd.DataFrame:
    """Energy of each local day.

    Parameters
    ----------
    trace : Trace or pandas.Series of watts
        Shape (n,) [W].
    timezone : zone or its name
        Decides when a day begins. Days of 23 and 25 h are what they are.

    Returns
    -------
    pandas.DataFrame
        One row a local day that the trace touches: day (local midnight), kwh (samples that are
        there), covered_h, day_h.
    """
    trace = as_trace(trace)
    if not len(trace):
        return pd.DataFrame({"day": [], "kwh": [], "covered_h": [], "day_h": []})
    days = _midnights(trace.start, trace.end - pd.Timedelta(1, unit="ns"), timezone)
    offsets = (days.tz_convert("UTC").as_unit("ns") - trace.start).to_numpy().astype(np.int64)
    edges = np.clip(-(-offsets // trace.period_ns), 0, len(trace))
    kwh = np.empty(days.size - 1)
    covered_h = np.empty(days.size - 1)
    for i, (a, b) in enumerate(pairwise(edges)):
        day = trace.samples(int(a), int(b))
        kwh[i] = day.energy_wh / WH_PER_KWH
        covered_h[i] = day.covered_s / S_PER_H
    day_h = np.diff(days.as_unit("s").astype(np.int64)) / S_PER_H
    return pd.DataFrame({"day": days[:-1], "kwh": kwh, "covered_h": covered_h, "day_h": day_h})


def _midnights(first: pd.Timestamp, last: pd.Timestamp, timezone: tzinfo | str) -> pd.DatetimeIndex:
    """Local midnights from that before `first` to that after `last`.

    Where clocks change at midnight, a day begins with its first instant: that after the hour left
    out, or the earlier of two midnights.
    """
    local = pd.DatetimeIndex([first, last]).tz_convert(timezone).tz_localize(None).normalize()
    dates = pd.date_range(local[0], local[1] + pd.Timedelta(days=1), freq="D")
    return dates.tz_localize(
        timezone, ambiguous=np.ones(dates.size, dtype=bool), nonexistent="shift_forward"
    )


def energy_per_day(daily: pd.DataFrame) -> Estimate:
    """Mean energy of a 24 h day [kWh] with the interval from the spread between days.

    Days covered for less than `LEAST_COVERAGE` are left out, the others scaled to 24 h. Where no
    day is covered so far, all that was measured is scaled, and the interval is unbounded.
    """
    whole = daily[daily["covered_h"] >= LEAST_COVERAGE * daily["day_h"]]
    if len(whole):
        per_day = whole["kwh"] / whole["covered_h"] * S_PER_DAY / S_PER_H
        return mean_estimate(
            per_day.to_numpy(), unit="kWh", basis=f"mean of {len(whole)} whole days, t interval"
        )
    hours = float(daily["covered_h"].sum()) if len(daily) else 0.0
    value = float(daily["kwh"].sum()) / hours * 24 if hours else float("nan")
    open_ = float("inf") if hours else float("nan")
    return Estimate(
        value=value,
        low=-open_,
        high=open_,
        unit="kWh",
        n=0,
        basis=f"scaled from {hours:.1f} h; no whole day was measured",
    )
