"""What an appliance costs under a tariff with steps, where no kWh has a price of its own.

Which kWh of a month were the appliance's? Two answers are right, to two questions:

- its share of the bill: each kWh of the house at the average price of the month. The shares of all
  circuits add up to the bill.
- what the bill would fall by without it: its kWh are the last and dearest. That is the worth of
  saving it, but such figures of several appliances do not add up, as only one can be the last.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import tzinfo

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.errors import HouseError
from homeenergy.findings.appliance.record import ApplianceFinding
from homeenergy.findings.cost.demand import with_demand
from homeenergy.findings.days import LEAST_COVERAGE, daily_energy
from homeenergy.house.prices import PriceBlock, block_cost
from homeenergy.house.tariff import FREQUENCY, Tariff
from homeenergy.readings.house import House
from homeenergy.readings.trace import Trace
from homeenergy.stats.estimate import Estimate
from homeenergy.units import DAYS_PER_YEAR, NS_PER_S, S_PER_H


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SteppedCost:
    """What an appliance cost under steps, by both questions.

    Attributes
    ----------
    currency : str
    table : pandas.DataFrame
        One row a day, month or year in which the steps begin anew: begins, days (that were seen),
        of_days, house_kwh and kwh (of the days seen), bill (of these days, energy alone),
        average_price, marginal_price, share_cost, marginal_cost.
    """

    currency: str
    table: pd.DataFrame

    @property
    def kwh(self) -> float:
        """Energy of the appliance [kWh]."""
        return float(self.table["kwh"].sum())

    @property
    def share_cost(self) -> float:
        """Its share of the bill, by its share of the energy."""
        return float(self.table["share_cost"].sum())

    @property
    def marginal_cost(self) -> float:
        """By how much the bill would be lower without it."""
        return float(self.table["marginal_cost"].sum())

    def to_frame(self) -> pd.DataFrame:
        """A copy of `table`."""
        return self.table.copy()


def stepped_cost(
    trace: Trace, house: Sequence[Trace], *, tariff: Tariff, timezone: tzinfo | str
) -> SteppedCost:
    """What an appliance cost under a tariff with steps.

    Parameters
    ----------
    trace : Trace
        Of the appliance.
    house : sequence of Trace
        What goes through the meter: the mains, one trace a leg.
    tariff : Tariff
        With `blocks`.
    timezone : zone or its name
        Decides when a day and a month begin.

    Returns
    -------
    SteppedCost

    Raises
    ------
    HouseError
        If the tariff has no steps, or no day is covered by both appliance and house.

    Notes
    -----
    Days of which less than 90 % was seen are left out. Where only part of a month was seen, the
    whole of it is taken to have been like that part, and the cost is that of the part; own method.
    """
    if tariff.priced_by_time:
        raise HouseError(
            "the tariff has no steps", fix="Use energy_cost, or give the tariff [[tariff.block]]."
        )
    own, all_ = (whole_days(one, timezone=timezone) for one in ([trace], house))
    days = own.index.intersection(all_.index)
    if days.empty:
        raise HouseError(
            f"no day is covered both by {trace.label!r} and by the whole house",
            fix="Steps need the energy of the mains on the same days.",
        )
    table = bill_by_period(all_.loc[days], own.loc[days], tariff=tariff)
    return SteppedCost(currency=tariff.currency, table=table)


def bill_by_period(
    house_kwh: pd.Series, kwh: pd.Series | None = None, *, tariff: Tariff
) -> pd.DataFrame:
    """Table of a `SteppedCost` from the energy of local days, of the house and of a part of it."""
    days = pd.DatetimeIndex(house_kwh.index)
    own = pd.Series(0.0, index=days) if kwh is None else kwh
    begins = days.tz_localize(None).to_period(FREQUENCY[tariff.blocks_per])
    rows = []
    for period in begins.unique():
        here = begins == period
        first, last = period.start_time, period.end_time
        rows.append(
            {
                "begins": first,
                **_bill(
                    float(house_kwh[here].sum()),
                    float(own[here].sum()),
                    days=int(here.sum()),
                    of_days=(last.normalize() - first).days + 1,
                    blocks=tariff.on(first.date()).blocks,
                ),
            }
        )
    return pd.DataFrame(rows)


def _bill(
    house_kwh: float, kwh: float, *, days: int, of_days: int, blocks: tuple[PriceBlock, ...]
) -> dict[str, float]:
    seen = days / of_days
    whole, without = (max(x, 0.0) / seen for x in (house_kwh, house_kwh - kwh))
    bill, rest = (float(block_cost(x, blocks)) * seen for x in (whole, without))
    average = bill / house_kwh if house_kwh > 0 else np.nan
    return {
        "days": days,
        "of_days": of_days,
        "house_kwh": house_kwh,
        "kwh": kwh,
        "bill": bill,
        "average_price": average,
        "marginal_price": (bill - rest) / kwh if kwh else np.nan,
        "share_cost": kwh * average if house_kwh > 0 else 0.0,
        "marginal_cost": bill - rest,
    }


def whole_days(
    parts: Sequence[Trace | pd.DataFrame], *, timezone: tzinfo | str
) -> pd.Series[float]:
    """Energy of local days [kWh], summed over parts of which each saw nearly all of the day.

    `parts` are traces, or tables as `daily_energy` makes them.
    """
    each = []
    for part in parts:
        daily = daily_energy(part, timezone=timezone) if isinstance(part, Trace) else part
        daily = daily[daily["covered_h"] >= LEAST_COVERAGE * daily["day_h"]]
        kwh = daily["kwh"] / daily["covered_h"] * daily["day_h"]
        day = pd.DatetimeIndex(daily["day"])
        each.append(pd.Series(kwh.to_numpy(np.float64), index=day, dtype=np.float64))
    if not each or any(one.empty for one in each):
        return pd.Series(dtype=np.float64, index=pd.DatetimeIndex([]))
    return pd.concat(each, axis=1, join="inner").sum(axis=1)


def with_share_of_bill(
    house: House, found: Sequence[ApplianceFinding], *, every_circuit: bool
) -> list[ApplianceFinding]:
    """Findings of a house in whose tariff costs depend on the whole house.

    Under steps, each gets its cost of a year: each kWh has the average price of the house, so that
    the costs of all circuits add up to the bill. Where the mains are not logged, the measured
    circuits stand for the house, if they are all there (`every_circuit`): their average price is
    then that of the lower steps. Charges for demand are given in a remark (`with_demand`).
    """
    tariff = house.tariff
    assert tariff is not None
    if tariff.priced_by_time:
        return with_demand(house, found)
    if house.mains:
        days = whole_days([house.trace(c) for c in house.mains], timezone=house.timezone)
        whose = "the mains"
    elif every_circuit:
        days = whole_days([one.daily for one in found if one.days], timezone=house.timezone)
        whose = "the measured circuits alone"
    else:
        days, whose = pd.Series(dtype=np.float64), ""
    if days.empty:
        missing = "no cost: under steps it depends on what the whole house uses, which is not known"
        return [replace(one, remarks=(*one.remarks, missing)) for one in found]
    bills = bill_by_period(days, tariff=tariff)
    if not bills["house_kwh"].sum() > 0:
        missing = f"no cost: nothing is drawn through {whose}, so under steps no kWh has a price"
        return [replace(one, remarks=(*one.remarks, missing)) for one in found]
    price = float(bills["bill"].sum() / bills["house_kwh"].sum())
    found = [
        replace(one, cost_per_year=_share(one.kwh_per_day, price, tariff, whose)) for one in found
    ]
    return with_demand(house, found)


def _share(per_day: Estimate, price: float, tariff: Tariff, whose: str) -> Estimate:
    cost = per_day.scaled(DAYS_PER_YEAR * price, unit=tariff.currency)
    price_text = f"{price:.3g} {tariff.currency} a kWh"
    return replace(
        cost,
        basis=f"{per_day.basis}; times 365 days and {price_text}, the average price under steps of "
        f"what goes through {whose}, as if the whole year were like these days",
    )


SLOT_S = 900.0
SLOTS = 96  # a day
DAYS = 365


def price_of_a_year(finding: ApplianceFinding, tariff: Tariff) -> float:
    """Average price that a year of the appliance's hours would pay [currency per kWh].

    Parameters
    ----------
    finding : ApplianceFinding
        Its energy by weekday and quarter of an hour of local time is taken to be that of all the
        year; a weekday that was not seen is like the mean of the others.
    tariff : Tariff
        By time of use. The prices that hold on the last day seen are applied to the 365 days from
        the first, so that each season counts as long as it lasts.

    Returns
    -------
    float
        NaN where no energy flows.
    """
    plateaus = finding.cycles.plateaus
    timezone = pd.DatetimeIndex(finding.daily["day"]).tz or "UTC"
    if not len(plateaus):
        return float("nan")
    start = plateaus.start
    end_s = plateaus.length * plateaus.period_s
    # Prices change on quarters of an hour, in which no log need begin.
    edges_s = np.arange(-(start.value / NS_PER_S % SLOT_S), end_s + SLOT_S, SLOT_S)
    knots = np.c_[plateaus.first, plateaus.stop].ravel() * plateaus.period_s
    upto = np.cumsum(plateaus.sum_w) * plateaus.period_s / S_PER_H
    sums = np.c_[np.r_[0.0, upto[:-1]], upto].ravel()
    seen = np.cumsum(plateaus.n) * plateaus.period_s / S_PER_H
    covered = np.c_[np.r_[0.0, seen[:-1]], seen].ravel()
    energy_wh = np.diff(np.interp(edges_s, knots, sums))
    hours = np.diff(np.interp(edges_s, knots, covered))
    begins = start + pd.to_timedelta(edges_s[:-1], unit="s")
    weekday, slot = _slots(pd.DatetimeIndex(begins).tz_convert(timezone))
    shape = (7, SLOTS)
    at = weekday * SLOTS + slot
    total = np.bincount(at, weights=energy_wh, minlength=7 * SLOTS).reshape(shape)
    time_h = np.bincount(at, weights=hours, minlength=7 * SLOTS).reshape(shape)
    mean_w = np.full(shape, np.nan)
    np.divide(total, time_h, out=mean_w, where=time_h > 0)
    every = np.zeros(SLOTS)
    np.divide(total.sum(axis=0), time_h.sum(axis=0), out=every, where=time_h.sum(axis=0) > 0)
    mean_w = np.where(np.isnan(mean_w), every[None, :], mean_w)
    last = (start + pd.to_timedelta(end_s - plateaus.period_s, unit="s")).tz_convert(timezone)
    year = pd.date_range(begins[0], periods=DAYS * SLOTS, freq=f"{int(SLOT_S)}s")
    year = year.tz_convert(timezone)
    prices = tariff.on(last.date()).price_at(year, timezone)
    weekday, slot = _slots(year)
    watts = mean_w[weekday, slot]
    return float((watts * prices).sum() / watts.sum()) if watts.sum() else float("nan")


def _slots(local: pd.DatetimeIndex) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    weekday = local.day_of_week.to_numpy().astype(np.int64)
    slot = ((local.hour * 3600 + local.minute * 60 + local.second) // SLOT_S).to_numpy()
    return weekday, slot.astype(np.int64)
