"""When which price holds: a tariff laid over instants, in local time across both clock changes."""

from __future__ import annotations

from datetime import date, tzinfo

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.errors import HouseError
from homeenergy.house.tariff import DAY_MINUTES, HOLIDAY, PriceChange, PricePeriod, Season, Tariff

FLAT_NAME = "all hours"
_MINUTE_NS = 60_000_000_000


def price_at(
    tariff: Tariff, instants: pd.DatetimeIndex, *, timezone: tzinfo | str
) -> NDArray[np.float64]:
    """Price of a kWh at each instant.

    Parameters
    ----------
    tariff : Tariff
        Flat or by time of use.
    instants : pandas.DatetimeIndex, shape (n,)
        With a time zone.
    timezone : zone or its name
        Of the house: tariffs go by the clock on its wall.

    Returns
    -------
    ndarray, shape (n,)
        Price [currency per kWh].

    Raises
    ------
    HouseError
        If the tariff has steps: a kWh then has no price of its own.

    Notes
    -----
    The hour that a clock change repeats has the price of its wall clock both times, and the hour
    left out has none. O(n).
    """
    names, number = _periods_at(tariff, instants, timezone)
    return np.array([price for _, price in names], dtype=np.float64)[number]


def price_segments(
    tariff: Tariff, start: pd.Timestamp, end: pd.Timestamp, *, timezone: tzinfo | str
) -> pd.DataFrame:
    """Stretches of constant price between two instants.

    Parameters
    ----------
    tariff : Tariff
        Flat or by time of use.
    start, end : pandas.Timestamp
        With a time zone; half-open.
    timezone : zone or its name
        Of the house.

    Returns
    -------
    pandas.DataFrame
        In order, without holes: start, end (UTC), name (of the period), price_per_kwh. Prices
        change on whole minutes. O(minutes).
    """
    start, end = (pd.Timestamp(t).tz_convert("UTC").as_unit("ns") for t in (start, end))
    first = start.value // _MINUTE_NS
    ns = np.arange(first, max(-(-end.value // _MINUTE_NS), first + 1)) * _MINUTE_NS
    instants = pd.DatetimeIndex(ns.astype(np.int64).view("M8[ns]")).tz_localize("UTC")
    names, number = _periods_at(tariff, instants, timezone)
    begins = np.flatnonzero(np.r_[True, number[1:] != number[:-1]])
    edges = np.r_[start.value, ns[begins[1:]], end.value].astype(np.int64)
    at = pd.DatetimeIndex(edges.view("M8[ns]")).tz_localize("UTC")
    return pd.DataFrame(
        {
            "start": at[:-1],
            "end": at[1:],
            "name": [names[i][0] for i in number[begins]],
            "price_per_kwh": [names[i][1] for i in number[begins]],
        }
    )


def _periods_at(
    tariff: Tariff, instants: pd.DatetimeIndex, timezone: tzinfo | str
) -> tuple[list[tuple[str, float]], NDArray[np.int64]]:
    """Names and prices there are, and for each instant the number of its own."""
    _refuse_steps(tariff)
    local = pd.DatetimeIndex(instants).tz_convert(timezone).tz_localize(None).as_unit("ns")
    minute = local.asi8 // _MINUTE_NS
    day, minute = minute // DAY_MINUTES, minute % DAY_MINUTES
    days, at = np.unique(day, return_inverse=True)
    dates = [date.fromordinal(int(d) + date(1970, 1, 1).toordinal()) for d in days]
    kind = np.array([day_type(d, tariff.holidays) for d in dates], dtype=np.int64)
    season = np.array([season_number(d, tariff.seasons) for d in dates], dtype=np.int64)
    starts = [one.start for one in tariff.versions]
    version = np.array([sum(s <= d for s in starts) - 1 for d in dates], dtype=np.int64)
    names: list[tuple[str, float]] = []
    number = np.zeros(minute.size, dtype=np.int64)
    for v in np.unique(version):
        prices = tariff.versions[v]
        here = version[at] == v
        table = _table(prices, tariff.seasons)
        number[here] = len(names) + table[season[at[here]], kind[at[here]], minute[here]]
        names += [(p.name, p.price_per_kwh) for p in prices.periods] or [
            (FLAT_NAME, float(prices.price_per_kwh or 0.0))
        ]
    return names, number


def _refuse_steps(tariff: Tariff) -> None:
    if tariff.is_stepped:
        raise HouseError(
            "a tariff with steps gives no price at an instant: it depends on all the house uses",
            fix="Use homeenergy.findings.stepped_cost, which takes the energy of the house.",
        )


def day_type(day: date, holidays: frozenset[date]) -> int:
    """0 for Monday to 6 for Sunday, 7 for a holiday."""
    return HOLIDAY if day in holidays else day.weekday()


def season_number(day: date, seasons: tuple[Season, ...]) -> int:
    """Which of the seasons, in order of the year, a day lies in; 0 where there are none."""
    begun = [i for i, s in enumerate(seasons) if (s.month, s.day) <= (day.month, day.day)]
    return begun[-1] if begun else max(len(seasons) - 1, 0)


def _table(prices: PriceChange, seasons: tuple[Season, ...]) -> NDArray[np.int64]:
    """Number of the period in each season, type of day and minute."""
    table = np.zeros((max(len(seasons), 1), HOLIDAY + 1, DAY_MINUTES), dtype=np.int64)
    for number, period in enumerate(prices.periods):
        table[_covered(period, seasons)] = number
    return table


def _covered(period: PricePeriod, seasons: tuple[Season, ...]) -> NDArray[np.bool_]:
    """Where a period holds, shape (seasons, types of day, minutes)."""
    of_season = np.array(
        [not period.seasons or s.name in period.seasons for s in seasons] or [True]
    )
    of_day = np.isin(np.arange(HOLIDAY + 1), list(period.days))
    of_minute = np.zeros(DAY_MINUTES, dtype=bool)
    for first, stop in period.minutes:
        of_minute[first:stop] = True
    return of_season[:, None, None] & of_day[None, :, None] & of_minute[None, None, :]


def times_covered(
    periods: tuple[PricePeriod, ...], seasons: tuple[Season, ...]
) -> NDArray[np.int64]:
    """How many periods hold in each season, type of day and minute; 1 everywhere is right."""
    shape = (max(len(seasons), 1), HOLIDAY + 1, DAY_MINUTES)
    return sum((_covered(p, seasons).astype(np.int64) for p in periods), np.zeros(shape, np.int64))
