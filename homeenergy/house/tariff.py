"""What energy costs: one price, prices by time of use, or steps; and when which holds.

Every key of [tariff] in house.toml is declared here; `homeenergy.house.tariff_toml` reads it.
"""

from __future__ import annotations

import re
from calendar import monthrange
from dataclasses import dataclass, replace
from datetime import date, datetime, tzinfo
from itertools import pairwise
from math import inf
from typing import Annotated, Any, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.errors import HouseError
from homeenergy.house.schema import Fields, Key

BlocksPer = Literal["day", "month", "year"]
HOLIDAY = 7  # after Monday = 0 to Sunday = 6
DAY_MINUTES = 24 * 60
FLAT_NAME = "all hours"
WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
DAYS: dict[str, frozenset[int]] = {
    **{name: frozenset({i}) for i, name in enumerate(WEEKDAYS)},
    "workdays": frozenset(range(5)),
    "weekend": frozenset({5, 6}),
    "holidays": frozenset({HOLIDAY}),
}
ALL_DAYS = frozenset(range(HOLIDAY + 1))
_HOURS = re.compile(r"(\d{1,2}):(\d{2})\s*-\s*(\d{1,2}):(\d{2})")
_MINUTE_NS = 60_000_000_000


def begins_anew(day: date, per: BlocksPer) -> bool:
    """Whether the steps of a tariff begin anew on a day; date.min is the beginning of all."""
    return {"day": True, "month": day.day == 1, "year": (day.month, day.day) == (1, 1)}[per]


def clock(minute: int) -> str:
    """Time of the day of a minute from midnight."""
    return f"{minute // 60:02d}:{minute % 60:02d}"


def _read_minutes(row: Fields, name: str) -> tuple[tuple[int, int], ...]:
    found: list[tuple[int, int]] = []
    for text in row.texts(name):
        match = _HOURS.fullmatch(text.strip())
        h1, m1, h2, m2 = (int(part) for part in match.groups()) if match else (0, 99, 0, 99)
        first, stop = 60 * h1 + m1, 60 * h2 + m2
        if m1 > 59 or m2 > 59 or first >= DAY_MINUTES or stop > DAY_MINUTES or first == stop:
            raise row.refuse(
                name,
                f"must be times of the day such as 07:00-23:00, got {text!r}",
                fix="22:00-06:00 runs over midnight; 00:00-24:00 is a whole day.",
            )
        over = [(first, DAY_MINUTES), *([(0, stop)] if stop else [])]
        found += [(first, stop)] if first < stop else over
    if not found:
        raise row.refuse(name, "is an empty list; leave it out for the whole day")
    ordered = sorted(found)
    for (_, stop), (first, _) in pairwise(ordered):
        if first < stop:
            raise row.refuse(name, f"names {clock(first)} twice")
    return tuple(ordered)


def _read_days(row: Fields, name: str) -> frozenset[int]:
    days = row.texts(name)
    for day in days:
        if day not in DAYS:
            what = f"must be a choice of {', '.join(DAYS)}, got {day!r}"
            raise row.refuse(name, what, fix=row.show(name))
    return frozenset().union(*(DAYS[day] for day in days)) if days else ALL_DAYS


def _write_days(days: frozenset[int]) -> list[str]:
    return [name for name in (*WEEKDAYS, "holidays") if DAYS[name] <= days]


def _as_date(table: Fields, name: str, value: Any) -> date:
    try:
        if isinstance(value, str):
            value = date.fromisoformat(value)
        if not isinstance(value, date) or isinstance(value, datetime):
            raise ValueError
    except ValueError:
        raise table.refuse(name, f"must hold dates such as 2026-04-01, got {value!r}") from None
    return value


def _read_dates(table: Fields, name: str) -> frozenset[date]:
    values = table.table[name]
    if not isinstance(values, list):
        what = f"must be a list of dates, got {values!r}"
        raise table.refuse(name, what, fix=table.show(name))
    return frozenset(_as_date(table, name, value) for value in values)


def _read_month_day(row: Fields, name: str) -> tuple[int, int]:
    text = row.text(name) or ""
    match = re.fullmatch(r"(\d{2})-(\d{2})", text)
    month, day = (int(match[1]), int(match[2])) if match else (0, 0)
    if not 1 <= month <= 12 or not 1 <= day <= monthrange(2024, month)[1]:
        what = f'must be month and day such as "04-01", got {text!r}'
        raise row.refuse(name, what, fix=row.show(name))
    return month, day


PricePerKwh = Annotated[
    float | None,
    Key(help="of the energy, taxes included", unit="currency per kWh", example=0.15),
]
StandingPerDay = Annotated[
    float,
    Key(
        help="no part of the cost of an appliance",
        unit="currency per day",
        example=0.40,
    ),
]
Hours = Annotated[
    tuple[tuple[int, int], ...],
    Key(
        help="of the local day; left out, all",
        name="hours",
        kind='list of times such as "07:00-23:00"',
        example=["22:00-06:00"],
        read=_read_minutes,
        write=lambda minutes: [f"{clock(first)}-{clock(stop)}" for first, stop in minutes],
    ),
]
Days = Annotated[
    frozenset[int],
    Key(
        help="left out, all",
        kind=f"list of {', '.join(DAYS)}",
        example=["workdays"],
        read=_read_days,
        write=_write_days,
    ),
]
InSeasons = Annotated[
    tuple[str, ...],
    Key(help="names of [[tariff.season]]; left out, all", example=["winter"]),
]


@dataclass(frozen=True, slots=True, kw_only=True)
class PricePeriod:
    """Hours of the week and seasons of the year that share a price.

    `minutes` are stretches of the local day, half-open, from 0 to 1440; `days` are 0 for Monday to
    6 for Sunday and 7 for a holiday; no `seasons` means all of them.
    """

    name: Annotated[str, Key(help="what a person calls it", example="night")]
    price_per_kwh: Annotated[
        float, Key(help="of the energy, taxes included", unit="currency per kWh", example=0.10)
    ]
    minutes: Hours = ((0, DAY_MINUTES),)
    days: Days = ALL_DAYS
    seasons: InSeasons = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class PriceBlock:
    """A step of a tariff: the price of each kWh up to a mark, from the mark of the step before."""

    price_per_kwh: Annotated[
        float, Key(help="of a kWh of this step", unit="currency per kWh", example=0.12)
    ]
    up_to_kwh: Annotated[
        float,
        Key(
            help="where the step ends; left out in the last",
            unit="kWh",
            example=300,
            positive=True,
        ),
    ] = inf


@dataclass(frozen=True, slots=True, kw_only=True)
class Season:
    """A part of the year: from this day of this month until the next season begins."""

    name: Annotated[str, Key(help="as the periods name it", example="winter")]
    month: Annotated[
        int,
        Key(
            help="first day; it lasts until the next season",
            name="from",
            kind='month and day such as "04-01"',
            example="10-01",
            read=_read_month_day,
        ),
    ]
    day: int


@dataclass(frozen=True, slots=True, kw_only=True)
class PriceChange:
    """Prices that hold from a local date on, in place of all those before."""

    start: Annotated[
        date,
        Key(
            help="local date",
            name="from",
            kind="a date such as 2026-04-01",
            example="2026-04-01",
            read=lambda row, name: _as_date(row, name, row.table[name]),
            write=str,
        ),
    ]
    price_per_kwh: PricePerKwh = None
    periods: Annotated[
        tuple[PricePeriod, ...], Key(name="period", help="prices by time of use")
    ] = ()
    blocks: Annotated[tuple[PriceBlock, ...], Key(name="block", help="steps")] = ()
    standing_per_day: StandingPerDay = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Tariff:
    """What energy costs. `currency` is an ISO 4217 code; the standing charge is kept separate.

    Attributes
    ----------
    price_per_kwh : float or None
        The price where there is one only; None where it depends on the time or the step.
    periods : tuple of PricePeriod
        Time of use: every minute of every season lies in exactly one.
    blocks : tuple of PriceBlock
        Steps, the last without an end; they begin anew with each `blocks_per`.
    seasons : tuple of Season
        In order of the year; the last runs on over New Year.
    holidays : frozenset of date
        Local days that count as holidays, whatever their weekday.
    changes : tuple of PriceChange
        In order of time. Before the first, the prices above hold.
    name, year, source : str, int or str, str
        Whose tariff it is.

    Raises
    ------
    HouseError
        If only some of its prices are blocks, or blocks change where they do not begin anew.
    """

    currency: Annotated[
        str,
        Key(
            help="three letters, as in ISO 4217",
            example="EUR",
            check=lambda code: re.fullmatch("[A-Z]{3}", code) is not None,
            must='be three capital letters such as "EUR"',
        ),
    ]
    price_per_kwh: PricePerKwh = None
    standing_per_day: StandingPerDay = 0.0
    periods: Annotated[
        tuple[PricePeriod, ...], Key(name="period", help="prices by time of use")
    ] = ()
    blocks: Annotated[tuple[PriceBlock, ...], Key(name="block", help="steps")] = ()
    blocks_per: Annotated[
        BlocksPer,
        Key(help="after which the first [[tariff.block]] begins anew", example="month"),
    ] = "month"
    seasons: Annotated[
        tuple[Season, ...], Key(name="season", help="parts of the year, for periods")
    ] = ()
    holidays: Annotated[
        frozenset[date],
        Key(
            help="local days that count as holidays",
            kind="list of dates",
            example=["2026-01-01", "2026-12-25"],
            read=_read_dates,
            write=lambda days: [str(day) for day in sorted(days)],
        ),
    ] = frozenset()
    changes: Annotated[
        tuple[PriceChange, ...], Key(name="change", help="all prices anew, from a date on")
    ] = ()
    name: Annotated[str, Key(help="what it is called", example="Two rates")] = ""
    year: Annotated[
        int | str | None,
        Key(
            help="of which year",
            kind="number or text",
            example=2026,
            read=lambda table, name: table.table[name],
        ),
    ] = None
    source: Annotated[str, Key(help="where it was found", example="bill of March")] = ""

    def __post_init__(self) -> None:
        for version, what in enumerate(self._step_faults()):
            if what:
                where = "the tariff" if version == 0 else f"its change {version}"
                raise HouseError(f"{where} {what}")

    def _step_faults(self) -> list[str]:
        """What is wrong with the steps of each version; empty where nothing is."""
        if not self.is_stepped:
            return [""] * len(self.versions)
        found = []
        for version in self.versions:
            if not version.blocks:
                found.append("has no steps: a tariff has steps always or never")
            elif not begins_anew(version.start, self.blocks_per):
                found.append(f"must begin with a {self.blocks_per}, as the steps do")
            else:
                found.append("")
        return found

    @property
    def is_flat(self) -> bool:
        """Whether there is one price, whenever and however much is used."""
        return not (self.periods or self.blocks or self.changes)

    @property
    def is_stepped(self) -> bool:
        """Whether a price depends on how much the whole house uses."""
        return any(one.blocks for one in self.versions)

    @property
    def versions(self) -> tuple[PriceChange, ...]:
        """The prices that held one after the other, the first from the beginning of time."""
        first = PriceChange(
            start=date.min,
            price_per_kwh=self.price_per_kwh,
            periods=self.periods,
            blocks=self.blocks,
            standing_per_day=self.standing_per_day,
        )
        return (first, *self.changes)

    def on(self, day: date) -> Tariff:
        """The tariff as if the prices of a local day had always held and would never change."""
        held = [one for one in self.versions if one.start <= day][-1]
        return replace(
            self,
            price_per_kwh=held.price_per_kwh,
            periods=held.periods,
            blocks=held.blocks,
            standing_per_day=held.standing_per_day,
            changes=(),
        )

    def price_at(self, instants: pd.DatetimeIndex, timezone: tzinfo | str) -> NDArray[np.float64]:
        """Price of a kWh at each instant [currency].

        Parameters
        ----------
        instants : pandas.DatetimeIndex, shape (n,)
            With a time zone.
        timezone : zone or its name
            Of the house: tariffs go by the clock on its wall.

        Returns
        -------
        ndarray, shape (n,)

        Raises
        ------
        HouseError
            If the tariff has steps: a kWh then has no price of its own.

        Notes
        -----
        The hour that a clock change repeats has the price of its wall clock both times, and the
        hour left out has none. O(n).
        """
        names, number = _periods_at(self, instants, timezone)
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
