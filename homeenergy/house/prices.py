"""Parts of a tariff: periods, steps, charges for demand, seasons, and how they changed.

Every key of their tables in house.toml is declared here; `homeenergy.house.tariff` puts them
together, `homeenergy.house.tariff_toml` reads them.
"""

from __future__ import annotations

import re
from calendar import monthrange
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from itertools import pairwise
from math import inf
from typing import Annotated, Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from homeenergy.house.schema import Fields, Key

BlocksPer = Literal["day", "month", "year"]
HOLIDAY = 7  # after Monday = 0 to Sunday = 6
DAY_MINUTES = 24 * 60
WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
DAYS: dict[str, frozenset[int]] = {
    **{name: frozenset({i}) for i, name in enumerate(WEEKDAYS)},
    "workdays": frozenset(range(5)),
    "weekend": frozenset({5, 6}),
    "holidays": frozenset({HOLIDAY}),
}
ALL_DAYS = frozenset(range(HOLIDAY + 1))
_HOURS = re.compile(r"(\d{1,2}):(\d{2})\s*-\s*(\d{1,2}):(\d{2})")


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


def read_dates(table: Fields, name: str) -> frozenset[date]:
    """Read a list of dates."""
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
    Key(help="of the energy, taxes included", unit="currency per kWh", example=0.15, least=0),
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
        kind='a list of times such as "07:00-23:00"',
        example=["22:00-06:00"],
        read=_read_minutes,
        write=lambda minutes: [f"{clock(first)}-{clock(stop)}" for first, stop in minutes],
    ),
]
Days = Annotated[
    frozenset[int],
    Key(
        help="left out, all",
        kind=f"a list of {', '.join(DAYS)}",
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


def _monthly_price(of: str, unit: str, example: float) -> Key:
    return Key(
        help=of,
        unit=f"currency per {unit} a month",
        example=example,
        check=lambda price: price >= 0,
        must="be 0 or more",
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class DemandCharge:
    """A charge for the greatest power of each calendar month, whatever the energy.

    The power is the mean over intervals of `interval_min`, counted from local midnight; of the
    month's intervals, those that begin within `minutes`, `days` and `seasons` count. Either
    `price_per_kw` or `price_per_kva` is given.
    """

    interval_min: Annotated[
        int,
        Key(
            help="length of the intervals whose mean power counts: 5, 10, 15, 30 or 60",
            unit="min",
            example=15,
            check=lambda minutes: minutes in (5, 10, 15, 30, 60),
            must="be 5, 10, 15, 30 or 60",
        ),
    ]
    price_per_kw: Annotated[
        float | None,
        _monthly_price(
            "of the greatest mean power of a calendar month; this or price_per_kva", "kW", 9.5
        ),
    ] = None
    price_per_kva: Annotated[
        float | None,
        _monthly_price(
            "of the greatest apparent power of a calendar month, in place of price_per_kw",
            "kVA",
            8.0,
        ),
    ] = None
    power_factor: Annotated[
        float | None,
        Key(
            help="of the house at its greatest power, from the meter or a bill; needed with "
            "price_per_kva, as a log of watts does not tell it. Without it, 1: the least charge",
            example=0.95,
            check=lambda factor: 0.3 <= factor <= 1,
            must="lie between 0.3 and 1",
        ),
    ] = None
    name: Annotated[str, Key(help="what a person calls it", example="evening peak")] = "demand"
    minutes: Hours = ((0, DAY_MINUTES),)
    days: Days = ALL_DAYS
    seasons: InSeasons = ()

    @property
    def cost_per_kw(self) -> float:
        """Price of a kW of active power a month; of one in kVA at the power factor, or at 1."""
        if self.price_per_kva is None:
            return self.price_per_kw or 0.0
        return self.price_per_kva / (self.power_factor or 1.0)

    @property
    def is_least(self) -> bool:
        """Whether `cost_per_kw` is a lower bound: kVA are charged, of a power factor not known."""
        return self.price_per_kva is not None and self.power_factor is None


@dataclass(frozen=True, slots=True, kw_only=True)
class Season:
    """A part of the year: from this day of this month until the next season begins."""

    name: Annotated[str, Key(help="as the periods name it", example="winter")]
    month: Annotated[
        int,
        Key(
            help="first day; it lasts until the next season",
            name="from",
            kind='a month and day such as "04-01"',
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
    demand: Annotated[
        tuple[DemandCharge, ...], Key(help="charges for the greatest power of a month")
    ] = ()
    standing_per_day: StandingPerDay = 0.0


def day_type(day: date, holidays: frozenset[date]) -> int:
    """0 for Monday to 6 for Sunday, 7 for a holiday."""
    return HOLIDAY if day in holidays else day.weekday()


def season_number(day: date, seasons: tuple[Season, ...]) -> int:
    """Which of the seasons, in order of the year, a day lies in; 0 where there are none."""
    begun = [i for i, s in enumerate(seasons) if (s.month, s.day) <= (day.month, day.day)]
    return begun[-1] if begun else max(len(seasons) - 1, 0)


def price_table(prices: PriceChange, seasons: tuple[Season, ...]) -> NDArray[np.int64]:
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


def block_cost(kwh: ArrayLike, blocks: Sequence[PriceBlock]) -> NDArray[np.float64]:
    """Cost of so many kWh within one month (or day, or year) of a tariff with steps.

    Parameters
    ----------
    kwh : array_like
        Not below zero.
    blocks : sequence of PriceBlock
        In order, the last without an end.
    """
    used = np.asarray(kwh, dtype=np.float64)
    cost = np.zeros_like(used)
    below = 0.0
    for block in blocks:
        cost += np.clip(used - below, 0.0, block.up_to_kwh - below) * block.price_per_kwh
        below = block.up_to_kwh
    return cost
