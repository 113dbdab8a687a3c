"""What energy costs under a tariff of any form: energy, demand and standing charge together.

What one circuit costs within the bill of a house: `homeenergy.findings.bill`.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date, tzinfo
from typing import Annotated

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.errors import HouseError
from homeenergy.house.prices import (
    DAY_MINUTES,
    BlocksPer,
    DemandCharge,
    PriceBlock,
    PriceChange,
    PricePeriod,
    PricePerKwh,
    Season,
    StandingPerDay,
    begins_anew,
    block_cost,
    day_type,
    price_table,
    read_dates,
    season_number,
)
from homeenergy.house.schema import Key
from homeenergy.stats.estimate import Estimate
from homeenergy.units import NS_PER_S, S_PER_H

FLAT_NAME = "all hours"
FREQUENCY = {"day": "D", "month": "M", "year": "Y"}
_MINUTE_NS = 60_000_000_000
_PEAK = ("name", "month", "begins", "ends", "kw", "price_per_kw", "cost")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Bill:
    """What a house pays for the slots that were given.

    Attributes
    ----------
    currency : str
    kwh : float
        Energy of the slots that were seen [kWh].
    energy, demand, standing : float
        For the kWh, for the greatest power of each month, and whatever is used [currency].
    peaks : pandas.DataFrame
        One row a demand charge and month: name, month (its first local day), begins, ends (of the
        interval, UTC), kw, price_per_kw, cost. Of a month that was seen in part, the greatest that
        was seen.
    """

    currency: str
    kwh: float
    energy: float
    demand: float
    standing: float
    peaks: pd.DataFrame

    @property
    def price(self) -> float | None:
        """What a kWh cost on average [currency]; None where no energy was drawn."""
        return self.energy / self.kwh if self.kwh > 0 else None

    @property
    def total(self) -> float:
        """All of it."""
        return self.energy + self.demand + self.standing


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
    demand : tuple of DemandCharge
        Charges for the greatest power of each month, on top of those for energy.
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
        If only some of its prices are blocks, blocks change where they do not begin anew, or demand
        charges within a month.
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
    export_price_per_kwh: Annotated[
        float | None,
        Key(
            help="what a kWh earns that is fed back",
            unit="currency per kWh",
            example=0.08,
            check=lambda price: 0 <= price < 10,
            must="lie between 0 and 10",
        ),
    ] = None
    periods: Annotated[
        tuple[PricePeriod, ...], Key(name="period", help="prices by time of use")
    ] = ()
    blocks: Annotated[tuple[PriceBlock, ...], Key(name="block", help="steps")] = ()
    blocks_per: Annotated[
        BlocksPer,
        Key(help="after which the first [[tariff.block]] begins again", example="month"),
    ] = "month"
    demand: Annotated[
        tuple[DemandCharge, ...], Key(help="charges for the greatest power of a month")
    ] = ()
    seasons: Annotated[
        tuple[Season, ...], Key(name="season", help="parts of the year, for periods")
    ] = ()
    holidays: Annotated[
        frozenset[date],
        Key(
            help="local days that count as holidays",
            kind="a list of dates",
            example=["2026-01-01", "2026-12-25"],
            read=read_dates,
            write=lambda days: [str(day) for day in sorted(days)],
        ),
    ] = frozenset()
    changes: Annotated[
        tuple[PriceChange, ...], Key(name="change", help="all prices that apply from a date on")
    ] = ()
    name: Annotated[str, Key(help="what it is called", example="Two rates")] = ""
    year: Annotated[
        int | str | None,
        Key(
            help="of which year",
            kind="a number or a text",
            example=2026,
            read=lambda table, name: table.table[name],
        ),
    ] = None
    source: Annotated[str, Key(help="where it was found", example="bill of March")] = ""

    def __post_init__(self) -> None:
        for number, version in enumerate(self.versions):
            where = f"change {number} of the tariff" if number else "the tariff"
            if self._has_steps != bool(version.blocks):
                raise HouseError(
                    f"{where} has no steps: a tariff must have steps throughout or not at all"
                )
            if version.blocks and not begins_anew(version.start, self.blocks_per):
                raise HouseError(f"{where} must begin with a {self.blocks_per}, as the steps do")
            if number and version.start.day != 1 and self.demand_charges:
                raise HouseError(f"{where} must begin with a month, for which demand is charged")

    @property
    def needs_house(self) -> bool:
        """Whether what one circuit costs depends on what the whole house uses."""
        return self._has_steps or bool(self.demand_charges)

    @property
    def demand_charges(self) -> tuple[DemandCharge, ...]:
        """Those of all its versions, in order."""
        return tuple(charge for one in self.versions for charge in one.demand)

    @property
    def single_price(self) -> float | None:
        """Price of every kWh, whenever and however much is used; None where there are several."""
        return None if self.periods or self.blocks or self.changes else self.price_per_kwh

    def worth(self, kwh: Estimate) -> Estimate | None:
        """What an energy costs whenever it is used; None where that depends on time or amount."""
        price = self.single_price
        return None if price is None else kwh.scaled(price, unit=self.currency)

    def least_price(self, day: date) -> float:
        """Cheapest price of a kWh that there is in the season of a local day [currency]."""
        held = self.on(day)
        if not held.periods:
            return float(held.price_per_kwh or 0.0)
        name = held.seasons[season_number(day, held.seasons)].name if held.seasons else ""
        return min(p.price_per_kwh for p in held.periods if not p.seasons or name in p.seasons)

    @property
    def _has_steps(self) -> bool:
        return any(one.blocks for one in self.versions)

    @property
    def versions(self) -> tuple[PriceChange, ...]:
        """The prices that held one after the other, the first from the beginning of time."""
        first = PriceChange(
            start=date.min,
            price_per_kwh=self.price_per_kwh,
            periods=self.periods,
            blocks=self.blocks,
            demand=self.demand,
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
            demand=held.demand,
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

    def prices(
        self, start: pd.Timestamp, end: pd.Timestamp, *, timezone: tzinfo | str
    ) -> pd.DataFrame | None:
        """Stretches of constant price between two instants.

        Parameters
        ----------
        start, end : pandas.Timestamp
            With a time zone; half-open.
        timezone : zone or its name
            Of the house.

        Returns
        -------
        pandas.DataFrame or None
            In order, without gaps: start, end (UTC), name (of the period), price_per_kwh. Prices
            change on whole minutes. None under steps, where no kWh has a price of its own.
            O(minutes), O(1) for a flat tariff.
        """
        if self._has_steps:
            return None
        start, end = (pd.Timestamp(t).tz_convert("UTC").as_unit("ns") for t in (start, end))
        if self.single_price is not None:
            row = {
                "start": start,
                "end": end,
                "name": FLAT_NAME,
                "price_per_kwh": self.single_price,
            }
            return pd.DataFrame([row])
        first = start.value // _MINUTE_NS
        ns = np.arange(first, max(-(-end.value // _MINUTE_NS), first + 1)) * _MINUTE_NS
        instants = pd.DatetimeIndex(ns.astype(np.int64).view("M8[ns]")).tz_localize("UTC")
        names, number = _periods_at(self, instants, timezone)
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

    def cost(self, kwh: pd.Series, *, timezone: tzinfo | str) -> Bill:
        """What a house pays for its energy by slot: energy, demand and standing charge.

        Parameters
        ----------
        kwh : pandas.Series, shape (n,)
            Energy of slots of one length without gaps [kWh; NaN where it was not seen], indexed by
            the instants, with a zone, at which they begin. A slot has one price, so it must not be
            longer than the steps of the clock at which prices change, and it must make up the
            intervals of the demand charges.
        timezone : zone or its name
            Of the house: days, months and prices go by the clock on its wall.

        Returns
        -------
        Bill

        Raises
        ------
        HouseError
            If the slots do not make up the intervals of a demand charge.
        ValueError
            If they are no regular slots.

        Notes
        -----
        Energy at the price of its slot, or by the steps of its day, month or year (of which the
        part that was seen represents all of it). Demand: for each calendar month the greatest mean
        power over an interval, of those that were seen whole and that count. O(n).
        """
        return _bill_of(self, kwh, timezone=timezone)


def _periods_at(
    tariff: Tariff, instants: pd.DatetimeIndex, timezone: tzinfo | str
) -> tuple[list[tuple[str, float]], NDArray[np.int64]]:
    """Names and prices there are, and for each instant the number of its own."""
    if tariff._has_steps:
        raise no_own_price()
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
        table = price_table(prices, tariff.seasons)
        number[here] = len(names) + table[season[at[here]], kind[at[here]], minute[here]]
        names += [(p.name, p.price_per_kwh) for p in prices.periods] or [
            (FLAT_NAME, float(prices.price_per_kwh or 0.0))
        ]
    return names, number


def constant_price(prices: pd.DataFrame) -> float | None:
    """The price of all stretches of `Tariff.prices`; None where they differ."""
    every = prices["price_per_kwh"].to_numpy(np.float64)
    return float(every[0]) if (every == every[0]).all() else None


def no_own_price() -> HouseError:
    """What is raised where each kWh ought to have a price of its own, and has none."""
    return HouseError(
        "a tariff with steps gives no price at an instant: it depends on all the house uses",
        fix="Use homeenergy.findings.stepped_cost, which takes the energy of the house.",
    )


def _bill_of(tariff: Tariff, kwh: pd.Series, *, timezone: tzinfo | str) -> Bill:
    """What a house pays; see `Tariff.cost`."""
    slot_s = _slot_s(kwh)
    local = pd.DatetimeIndex(kwh.index).tz_convert(timezone)
    peaks = _peaks(tariff, kwh, local, slot_s=slot_s)
    used = kwh.to_numpy(np.float64)
    days, slots = np.unique(local.tz_localize(None).normalize(), return_counts=True)
    standing = sum(
        tariff.on(day.date()).standing_per_day * n * slot_s / _lasts_s(day, local.tz)
        for day, n in zip(pd.DatetimeIndex(days), slots, strict=True)
    )
    return Bill(
        currency=tariff.currency,
        kwh=float(np.nansum(used)),
        energy=float(np.nansum(_energy_costs(tariff, used, local, slot_s=slot_s))),
        demand=float(peaks["cost"].sum()),
        standing=float(standing),
        peaks=peaks,
    )


def power_over(kwh: pd.Series, begins: pd.Timestamp, ends: pd.Timestamp) -> float:
    """Mean power [kW] over the slots that begin within an interval."""
    here = (kwh.index >= begins) & (kwh.index < ends)
    return float(kwh[here].sum()) / ((ends - begins).total_seconds() / S_PER_H)


def _slot_s(kwh: pd.Series) -> float:
    """Length of the slots [s]."""
    index = kwh.index
    if not isinstance(index, pd.DatetimeIndex) or index.tz is None:
        raise ValueError("kwh must be indexed by the instants, with a zone, at which slots begin")
    steps = np.unique(np.diff(index.as_unit("ns").asi8))
    if steps.size != 1 or steps[0] <= 0:
        raise ValueError("kwh must have two slots at least, of one length and without gaps")
    return float(steps[0]) / NS_PER_S


def _begin_of(day: pd.Timestamp, zone: tzinfo | None) -> pd.Timestamp:
    """First instant of a local day, also where clocks change at midnight."""
    return day.tz_localize(zone, ambiguous=True, nonexistent="shift_forward")


def _lasts_s(day: pd.Timestamp, zone: tzinfo | None) -> float:
    """Length of a local day [s]."""
    next_day = day + pd.Timedelta(days=1)
    return float((_begin_of(next_day, zone) - _begin_of(day, zone)).total_seconds())


def _energy_costs(
    tariff: Tariff, kwh: NDArray[np.float64], local: pd.DatetimeIndex, *, slot_s: float
) -> NDArray[np.float64]:
    if not tariff._has_steps:
        assert local.tz is not None
        return kwh * tariff.price_at(local, local.tz)
    steps = _step_costs(tariff, kwh, local, slot_s=slot_s)
    return np.array([cost for _, _, cost in steps], dtype=np.float64)


def _step_costs(
    tariff: Tariff, kwh: NDArray[np.float64], local: pd.DatetimeIndex, *, slot_s: float
) -> Iterator[tuple[NDArray[np.bool_], float, float]]:
    """Slots, kWh and cost (`step_cost`) of each stretch after which the steps begin anew."""
    begins = local.tz_localize(None).to_period(FREQUENCY[tariff.blocks_per])
    for period in begins.unique():
        here = np.asarray(begins == period)
        first = _begin_of(period.start_time, local.tz)
        last = _begin_of((period + 1).start_time, local.tz)
        covered_s = float(np.isfinite(kwh[here]).sum()) * slot_s
        seen = covered_s / (last - first).total_seconds()
        total = float(np.nansum(kwh[here]))
        yield here, total, step_cost(total, tariff.on(first.date()).blocks, seen=seen)


def step_cost(kwh: float, blocks: tuple[PriceBlock, ...], *, seen: float) -> float:
    """What energy costs by the steps of a day, month or year of which a share was seen.

    The whole of it is taken to have been like that part, and the cost is that of the part; own
    method.
    """
    return float(block_cost(max(kwh, 0.0) / seen, blocks)) * seen if seen else 0.0


def _peaks(
    tariff: Tariff, kwh: pd.Series, local: pd.DatetimeIndex, *, slot_s: float
) -> pd.DataFrame:
    """Greatest mean power of each month and demand charge, with its cost."""
    rows = []
    for version, until in zip(
        tariff.versions, [*(one.start for one in tariff.changes), date.max], strict=True
    ):
        for charge in version.demand:
            held = np.array([version.start <= day < until for day in local.date], dtype=bool)
            rows += _peaks_of(charge, tariff, kwh[held], local[held], slot_s=slot_s)
    return pd.DataFrame(rows, columns=list(_PEAK)).sort_values(["month", "name"])


def _peaks_of(
    charge: DemandCharge,
    tariff: Tariff,
    kwh: pd.Series,
    local: pd.DatetimeIndex,
    *,
    slot_s: float,
) -> list[dict[str, object]]:
    powers = mean_powers(kwh, local, interval_min=charge.interval_min, slot_s=slot_s)
    begins = pd.DatetimeIndex(powers.index).tz_convert(local.tz)
    powers = powers[counts_for(charge, tariff, begins)]
    begins = pd.DatetimeIndex(powers.index).tz_convert(local.tz)
    rows: list[dict[str, object]] = []
    months = begins.tz_localize(None).to_period("M")
    for month in months.unique():
        own = powers[np.asarray(months == month)]
        at = own.index[int(np.argmax(own))]
        kw = max(float(own.max()), 0.0)
        rows.append(
            {
                "name": charge.name,
                "month": month.start_time,
                "begins": at,
                "ends": at + pd.Timedelta(minutes=charge.interval_min),
                "kw": kw,
                "price_per_kw": charge.cost_per_kw,
                "cost": kw * charge.cost_per_kw,
            }
        )
    return rows


def mean_powers(
    kwh: pd.Series, local: pd.DatetimeIndex, *, interval_min: int, slot_s: float
) -> pd.Series:
    """Mean power [kW] of the intervals of the local clock of which all slots were seen.

    Raises
    ------
    HouseError
        If the slots do not make up such intervals.
    """
    n = interval_min * 60 / slot_s
    if n < 1 or n != int(n):
        raise HouseError(
            f"energy of every {slot_s / 60:g} min does not give the mean power of "
            f"{interval_min} min, on which the demand charge depends",
            fix=f"Give it for each {interval_min} min, or for shorter slots that make these up.",
        )
    # By the clock on the wall: counted from local midnight, also in zones with quarters of an hour.
    utc_ns = local.as_unit("ns").asi8
    wall_ns = local.tz_localize(None).as_unit("ns").asi8
    begins_ns = utc_ns - wall_ns % (interval_min * 60 * NS_PER_S)
    grouped = kwh.groupby(begins_ns)
    whole = grouped.sum()[grouped.count() == int(n)]
    instants = pd.DatetimeIndex(whole.index.to_numpy(np.int64).view("M8[ns]")).tz_localize("UTC")
    return pd.Series(whole.to_numpy(np.float64) * 60 / interval_min, index=instants)


def counts_for(charge: DemandCharge, tariff: Tariff, begins: pd.DatetimeIndex) -> NDArray[np.bool_]:
    """Whether intervals that begin at these local instants count for a demand charge."""
    minute = (begins.hour * 60 + begins.minute).to_numpy()
    of_minute = np.zeros(DAY_MINUTES, dtype=bool)
    for first, stop in charge.minutes:
        of_minute[first:stop] = True
    if not len(begins):
        return np.zeros(0, dtype=bool)
    numbers = begins.tz_localize(None).normalize().asi8
    days = dict.fromkeys(numbers.tolist())
    for number, begin in zip(numbers.tolist(), begins, strict=True):
        if days[number] is None:
            days[number] = _day_counts(charge, tariff, begin.date())
    fits = np.array([days[number] for number in numbers.tolist()], dtype=np.bool_)
    return np.asarray(of_minute[minute] & fits)


def _day_counts(charge: DemandCharge, tariff: Tariff, day: date) -> bool:
    if day_type(day, tariff.holidays) not in charge.days:
        return False
    if not (charge.seasons and tariff.seasons):
        return True
    return tariff.seasons[season_number(day, tariff.seasons)].name in charge.seasons
