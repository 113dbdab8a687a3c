"""Days for which both energy and outdoor temperature are known, ready to be fitted."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import tzinfo

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.errors import HouseError
from homeenergy.findings.days import LEAST_COVERAGE, midnights
from homeenergy.units import NS_PER_S, S_PER_DAY, S_PER_H

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


LEAST_DAYS = 10
LEAST_SHARE = 0.5
LEAST_SPAN_C = 3.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Days:
    """Whole days in order: date (naive), position (number of the day), kwh, celsius or None."""

    date: pd.DatetimeIndex
    position: NDArray[np.int64]
    kwh: NDArray[np.float64]
    celsius: NDArray[np.float64] | None
    remarks: tuple[str, ...]
    timezone: object = None

    def __len__(self) -> int:
        return self.kwh.size

    @property
    def temperatures_c(self) -> NDArray[np.float64]:
        """Mean outdoor temperature of each day [deg C]; only after `with_weather`."""
        if self.celsius is None:
            raise ValueError("these days were given no outdoor temperatures")
        return self.celsius

    def at_or_after(self, when: pd.Timestamp) -> int:
        """Number of the first day at or after a local date."""
        day = when.normalize().as_unit("s").value // 1_000_000_000 // int(S_PER_DAY)
        return int(np.searchsorted(self.position, day))

    @property
    def weekday(self) -> NDArray[np.int64]:
        """0 on Mondays."""
        return (self.position + 3) % 7  # 1 January 1970 was a Thursday

    def between(self, first: int, stop: int) -> Days:
        """Days [first, stop)."""
        return replace(
            self,
            date=self.date[first:stop],
            position=self.position[first:stop],
            kwh=self.kwh[first:stop],
            celsius=None if self.celsius is None else self.celsius[first:stop],
        )


def whole_days(daily: pd.DataFrame | pd.Series) -> Days:
    """Days that were measured for nearly all their time, scaled to 24 h.

    Parameters
    ----------
    daily : pandas.DataFrame or pandas.Series
        As `daily_energy` gives it; or kWh a day, indexed by day.

    Raises
    ------
    HouseError
        With fewer than 10 such days.
    """
    remarks: list[str] = []
    if isinstance(daily, pd.Series):
        index, kwh = pd.DatetimeIndex(daily.index), daily.to_numpy(np.float64)
    else:
        part = (daily["covered_h"] < LEAST_COVERAGE * daily["day_h"]).to_numpy()
        if part.any():
            remarks.append(
                f"{part.sum()} of {len(daily)} days were measured for less than "
                f"{LEAST_COVERAGE:.0%} of their time and are left out."
            )
        kept = daily[~part]
        index = pd.DatetimeIndex(kept["day"])
        hours = kept["covered_h"].to_numpy(np.float64)
        kwh = kept["kwh"].to_numpy(np.float64) / hours * S_PER_DAY / S_PER_H
    there = np.isfinite(kwh)
    index, kwh = index[there], kwh[there]
    if kwh.size < LEAST_DAYS:
        raise HouseError(
            f"only {kwh.size} whole days of energy: too few for effects of weather or of a change",
            fix=f"Log at least {LEAST_DAYS} whole days; some weeks tell more.",
        )
    date = index.tz_localize(None).normalize().as_unit("s")
    position = date.asi8 // int(S_PER_DAY)
    if (np.diff(position) <= 0).any():
        raise ValueError("days must be in order, each once")
    return Days(
        date=date,
        position=position,
        kwh=kwh,
        celsius=None,
        remarks=tuple(remarks),
        timezone=index.tz,
    )


def with_weather(days: Days, outdoor: pd.Series | pd.DataFrame) -> Days:
    """Keep the days whose mean outdoor temperature is known.

    Parameters
    ----------
    days : Days
    outdoor : pandas.Series or pandas.DataFrame
        Readings as `read_outdoor` gives them, or a table as `daily_temperature` gives it.

    Raises
    ------
    HouseError
        Where the temperatures do not cover the log, or hardly differ.
    """
    zone = days.timezone or "UTC"
    table = (
        daily_temperature(outdoor, timezone=zone)  # type: ignore[arg-type]
        if isinstance(outdoor, pd.Series)
        else outdoor
    )
    known = table[table["covered_h"] >= LEAST_COVERAGE * table["day_h"]]
    at = pd.DatetimeIndex(known["day"]).tz_localize(None).normalize().as_unit("s")
    position = at.asi8 // int(S_PER_DAY)
    both = np.isin(days.position, position)
    if both.sum() < max(LEAST_DAYS, LEAST_SHARE * len(days)):
        raise HouseError(
            f"temperatures are known for {both.sum()} of the {len(days)} whole days of the log "
            f"({_span(days.date)}); they are there for {_span(at)}",
            fix="Get temperatures that cover the log, or give the part of the log that they cover.",
        )
    celsius = known["mean_c"].to_numpy(np.float64)[np.searchsorted(position, days.position[both])]
    if np.ptp(celsius) < LEAST_SPAN_C:
        raise HouseError(
            f"the mean outdoor temperature of all days lies between {celsius.min():.1f} and "
            f"{celsius.max():.1f} deg C: too narrow a range to show a dependence on the weather",
            fix="Wait for warmer or colder days.",
        )
    remarks = list(days.remarks)
    if not both.all():
        remarks.append(f"{(~both).sum()} days without outdoor temperature are left out.")
    return Days(
        date=days.date[both],
        position=days.position[both],
        kwh=days.kwh[both],
        celsius=celsius,
        remarks=tuple(remarks),
        timezone=days.timezone,
    )


def _span(index: pd.DatetimeIndex) -> str:
    return f"{index[0]:%Y-%m-%d} to {index[-1]:%Y-%m-%d}" if len(index) else "no whole day"
