"""Days for which both energy and outdoor temperature are known, ready to be fitted."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.errors import HouseError
from homeenergy.findings.daily import LEAST_COVERAGE
from homeenergy.findings.outdoor_days import daily_temperature
from homeenergy.units import S_PER_DAY, S_PER_H

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
            f"only {kwh.size} whole days of energy: too few to tell weather or change from chance",
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
            f"{celsius.max():.1f} deg C: too alike to tell what the weather does",
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
