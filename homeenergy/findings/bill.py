"""What an appliance costs where no kWh has a price of its own: steps, charges for demand.

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
from itertools import pairwise

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.errors import HouseError
from homeenergy.findings.appliance.record import ApplianceFinding
from homeenergy.findings.days import LEAST_COVERAGE, daily_energy
from homeenergy.house.prices import DemandCharge, PriceBlock, PricePeriod, season_number
from homeenergy.house.tariff import FREQUENCY, Bill, Tariff, power_over, step_cost
from homeenergy.readings.house import House
from homeenergy.readings.trace import Trace
from homeenergy.stats.estimate import Estimate, number_text
from homeenergy.units import DAYS_PER_YEAR, NS_PER_S, S_PER_DAY, S_PER_H, WH_PER_KWH

SLOT_MIN, SHORT_SLOT_MIN = 15, 5  # zones and intervals are made of these
LEAST_OF_A_MINUTE = 0.5
LEAST_FED_BACK = 0.001  # of what is drawn; less is noise of the clamps. Own rule, no source.
NET_MIN = 1  # within which what flows one way is set off against what flows the other


def slot_energy(trace: Trace, *, slot_min: int = SLOT_MIN) -> pd.Series:
    """Energy of slots of the clock [kWh], NaN where less than 90 % of one was seen.

    A sample that lies in two slots counts in each by the time that it lies there.

    Raises
    ------
    HouseError
        If a sample is longer than a slot.
    """
    refuse_long(trace.period_s, slot_min)
    return _energy(trace, slot_min=slot_min, least=LEAST_COVERAGE)


def refuse_long(period_s: float, slot_min: int) -> None:
    """Refuse samples that are longer than a slot."""
    if period_s > slot_min * 60:
        raise HouseError(
            f"samples of {period_s / 60:g} min cannot give the mean power of {slot_min} min",
            fix="Log it more often, or leave the demand charge out of house.toml.",
        )


def _energy(trace: Trace, *, slot_min: int, least: float) -> pd.Series:
    """Energy of slots, of samples that may be longer than these [kWh]."""
    trace = trace.sure()
    slot_ns = slot_min * 60 * NS_PER_S
    first, last = trace.start.value // slot_ns, -(-trace.end.value // slot_ns)
    begins_ns = np.arange(first, max(last, first + 2), dtype=np.int64) * slot_ns
    index = pd.DatetimeIndex(begins_ns.view("M8[ns]")).tz_localize("UTC")
    at = np.clip((begins_ns - trace.start.value) / trace.period_ns, 0, len(trace))
    there = np.isfinite(trace.watts)
    upto_w = np.r_[0.0, np.cumsum(np.where(there, trace.watts, np.float32(0)), dtype=np.float64)]
    upto = np.r_[0, np.cumsum(there)]
    edges, samples = np.r_[at, len(trace)], np.arange(len(trace) + 1)
    sums, counts = (np.diff(np.interp(edges, samples, one)) for one in (upto_w, upto))
    kwh = np.full(index.size, np.nan)
    seen = counts * trace.period_ns >= least * slot_ns
    hours = slot_min * 60 / S_PER_H
    kwh[seen] = sums[seen] / counts[seen] * hours / WH_PER_KWH
    return pd.Series(kwh, index=index)


def longest_sample_s(house: House) -> float:
    """Longest samples of the mains [s]."""
    return max(house.stored_months(leg)[1] for leg in house.mains) / NS_PER_S


def net_by_minute(traces: Sequence[Trace]) -> pd.Series:
    """Energy of minutes of several traces together [kWh]; NaN where one was not seen."""
    each = [_energy(one, slot_min=NET_MIN, least=LEAST_OF_A_MINUTE) for one in traces]
    return pd.concat(each, axis=1).sum(axis=1, min_count=len(each))


def mains_energy(house: House, *, slot_min: int = SLOT_MIN) -> pd.DataFrame:
    """Energy through the mains: a row a slot of the clock, `drawn` and `fed_back` [kWh]."""
    return drawn_and_fed_back([house.trace(leg) for leg in house.mains], slot_min=slot_min)


def drawn_and_fed_back(legs: Sequence[Trace], *, slot_min: int = SLOT_MIN) -> pd.DataFrame:
    """Energy through legs together: a row a slot of the clock, `drawn` and `fed_back` [kWh].

    Notes
    -----
    A meter with a register each way adds up the legs at every instant. Here each minute (or longer
    sample) is taken by itself, so that what flows both ways within one counts as the difference;
    minutes never set each other off. O(samples).
    """
    net = net_by_minute(legs)
    both = pd.DataFrame({"drawn": net.clip(lower=0), "fed_back": -net.clip(upper=0)})
    slots = both.resample(f"{slot_min}min", origin="epoch")
    seen = slots.count() >= LEAST_COVERAGE * slot_min / NET_MIN
    return (slots.mean() * (slot_min / NET_MIN)).where(seen)


def fed_back_kwh_per_day(legs: Sequence[Trace], *, timezone: str) -> float:
    """What the mains return on a mean day [kWh]; nothing where it may be noise."""
    if not any(np.nanmin(leg.watts, initial=0.0) < 0 for leg in legs):
        return 0.0
    kwh = drawn_and_fed_back(legs).dropna()
    drawn, fed_back = kwh.sum()
    if not fed_back > LEAST_FED_BACK * drawn:
        return 0.0
    # The mean of whole days, as of what flows through the mains, from which it was taken off.
    day = pd.DatetimeIndex(kwh.index).tz_convert(timezone).normalize()
    of_days = kwh["fed_back"].groupby(day)
    slots = of_days.count() * SLOT_MIN * 60 / S_PER_DAY
    whole = slots >= LEAST_COVERAGE
    if not whole.any():
        whole = slots > 0
    return float((of_days.sum() / slots)[whole].mean())


def house_bill(house: House, tariff: Tariff) -> Bill:
    """Bill of what comes through the mains; what is fed back is no part of it.

    Raises
    ------
    HouseError
        If the mains are not logged, or not often enough.
    """
    if not house.mains:
        raise HouseError(
            "the mains are not logged, so the greatest power of the house is not known",
            fix='Log the supply, a circuit for each leg with role = "mains".',
        )
    slot_min = _slot_min(tariff)
    refuse_long(longest_sample_s(house), slot_min)
    drawn = mains_energy(house, slot_min=slot_min)["drawn"]
    return tariff.cost(drawn, timezone=house.timezone)


def demand_share(trace: Trace, *, bill: Bill, tariff: Tariff) -> Estimate:
    """What an appliance bears of a year's demand charges of its house [currency].

    Its mean power in the intervals in which the house had the greatest of a month, times the price,
    on average over the months seen and times those of a year (coincident demand; common practice,
    no source). The shares of all circuits add up to the charge. When a house peaks is chance, and a
    month or two do not tell it: the ends of the interval are nothing, and what it would bear if it
    always drew as much then as it ever did over such an interval.
    """
    kwh = slot_energy(trace, slot_min=_slot_min(tariff))
    # The charges of the last prices, as a year like these days would pay them.
    charges = tariff.versions[-1].demand
    per_year, most = 0.0, 0.0
    for charge in charges:
        peaks = bill.peaks[bill.peaks["name"] == charge.name]
        if not len(peaks):
            continue
        at_peaks = [
            power_over(kwh, begins, ends) * charge.cost_per_kw
            for begins, ends in zip(peaks["begins"], peaks["ends"], strict=True)
        ]
        months = _months_of(charge, tariff)
        per_year += float(np.mean(at_peaks)) * months
        of_interval = _means(kwh, charge.interval_min // _slot_min(tariff) or 1)
        most += max(float(np.nanmax(of_interval, initial=0.0)), 0.0) * charge.cost_per_kw * months
    return Estimate(
        value=per_year,
        low=min(per_year, 0.0),
        high=max(most, per_year),
        unit=tariff.currency,
        n=int(bill.peaks["month"].nunique()),
        basis="power at the monthly peak of the house; ends by when it is used",
    )


def demand_of_a_year(bill: Bill, tariff: Tariff) -> float:
    """Demand charges of a year [currency]: of each the mean month seen, times its months a year.

    A charge of a season that was not seen counts nothing.
    """
    total = 0.0
    for charge in tariff.versions[-1].demand:
        seen = bill.peaks[bill.peaks["name"] == charge.name]
        if len(seen):
            total += float(seen["cost"].mean()) * _months_of(charge, tariff)
    return total


def averaged_over_seasons(tariff: Tariff, start: pd.Timestamp, *, timezone: tzinfo | str) -> Tariff:
    """The tariff with the prices that an hour of the week has on average over a year.

    Days like those measured, all the year round, pay these. A tariff whose prices do not depend on
    the season is returned as it is.

    Parameters
    ----------
    tariff : Tariff
        Without changes.
    start : pandas.Timestamp
        The year is the 365 days from here on; its holidays count in the mean of their weekday.
    timezone : zone or its name
    """
    if not any(period.seasons for period in tariff.periods):
        return tariff
    year = _slots_of_a_year(start.floor(f"{SLOT_MIN}min"), timezone)
    weekday, slot = _slots(year)
    at = weekday * SLOTS + slot
    sums = np.bincount(at, weights=tariff.price_at(year, timezone), minlength=7 * SLOTS)
    price = (sums / np.bincount(at, minlength=7 * SLOTS)).reshape(7, SLOTS).round(9)
    periods = []
    for day, prices in enumerate(price):
        edges = np.flatnonzero(np.r_[True, np.diff(prices) != 0, True])
        for a, b in pairwise(edges.tolist()):
            periods.append(
                PricePeriod(
                    name=f"{a * SLOT_MIN // 60:02d}:{a * SLOT_MIN % 60:02d}",
                    price_per_kwh=float(prices[a]),
                    minutes=((a * SLOT_MIN, b * SLOT_MIN),),
                    days=frozenset({day, 7} if day == 6 else {day}),
                )
            )
    return replace(tariff, periods=tuple(periods), holidays=frozenset())


def price_of_all_hours(tariff: Tariff, start: pd.Timestamp, *, timezone: tzinfo | str) -> float:
    """Price that what draws the same at all hours of a year pays [currency per kWh]."""
    year = _slots_of_a_year(start.floor(f"{SLOT_MIN}min"), timezone)
    return float(tariff.price_at(year, timezone).mean())


def demand_remark(share: Estimate) -> str:
    """The share in words."""
    return (
        f"plus a demand charge: {number_text(share.value, 0)} {share.unit} a year by its power at "
        f"the monthly peak of the house ({share.n} seen), between 0 and "
        f"{number_text(share.high, 0)} by when it is used"
    )


def with_demand(house: House, found: Sequence[ApplianceFinding]) -> list[ApplianceFinding]:
    """Findings with what each bears of the demand charges, if there are any, and a remark on it.

    The cost of a year stays that of the energy: what a kWh saved is worth is the price of a kWh,
    and whether it lowers the peak depends on when it is saved.
    """
    tariff = house.tariff
    if tariff is None or not tariff.demand_charges:
        return list(found)
    try:
        bill = house_bill(house, tariff)
    except HouseError as error:
        remark = f"plus a demand charge, of which its share is not known: {error.what}"
        return [replace(one, remarks=(*one.remarks, remark)) for one in found]
    return [_with_share(one, house, bill, tariff) if one.days else one for one in found]


def _with_share(
    finding: ApplianceFinding, house: House, bill: Bill, tariff: Tariff
) -> ApplianceFinding:
    try:
        share = demand_share(house.trace(finding.circuit), bill=bill, tariff=tariff)
    except HouseError as error:
        remark = f"plus a demand charge, of which its share is not known: {error.what}"
        return replace(finding, remarks=(*finding.remarks, remark))
    remarks = (*finding.remarks, demand_remark(share))
    return replace(finding, demand_per_year=share, remarks=remarks)


def _slot_min(tariff: Tariff) -> int:
    """Slots that make up all intervals of the demand charges."""
    fits = all(charge.interval_min % SLOT_MIN == 0 for charge in tariff.demand_charges)
    return SLOT_MIN if fits else SHORT_SLOT_MIN


def _means(kwh: pd.Series, n: int) -> NDArray[np.float64]:
    """Mean power [kW] of every n neighbouring slots."""
    hours = (kwh.index[1] - kwh.index[0]).total_seconds() / S_PER_H * n
    return kwh.rolling(n).sum().to_numpy(np.float64) / hours


def _months_of(charge: DemandCharge, tariff: Tariff) -> int:
    """Months of a year in which a charge counts."""
    if not charge.seasons:
        return 12
    days = pd.date_range("2025-01-01", "2025-12-31")
    names = [tariff.seasons[season_number(day.date(), tariff.seasons)].name for day in days]
    return len({day.month for day, name in zip(days, names, strict=True) if name in charge.seasons})


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
    if not all(one.blocks for one in tariff.versions):
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
    bill, rest = (step_cost(x, blocks, seen=days / of_days) for x in (house_kwh, house_kwh - kwh))
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
    """Findings with what they bear of the bill of their house, beyond the price of their hours.

    Those without a cost of their own, under steps, get one of a year: each kWh has the average
    price of the house, so that the costs of all circuits add up to the bill. Where the mains are
    not logged, the measured circuits stand for the house, if they are all there (`every_circuit`):
    their average price is then that of the lower steps. Charges for demand: see `with_demand`.
    """
    tariff = house.tariff
    assert tariff is not None
    if all(one.cost_per_year is not None for one in found):
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


SLOT_S = SLOT_MIN * 60.0
SLOTS = 24 * 60 // SLOT_MIN  # a day
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
    year = _slots_of_a_year(begins[0], timezone)
    prices = tariff.on(last.date()).price_at(year, timezone)
    weekday, slot = _slots(year)
    watts = mean_w[weekday, slot]
    return float((watts * prices).sum() / watts.sum()) if watts.sum() else float("nan")


def _slots_of_a_year(first: pd.Timestamp, timezone: tzinfo | str) -> pd.DatetimeIndex:
    """Begins of the slots of 365 days, in local time."""
    return pd.date_range(first, periods=DAYS * SLOTS, freq=f"{SLOT_MIN}min").tz_convert(timezone)


def _slots(local: pd.DatetimeIndex) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    weekday = local.day_of_week.to_numpy().astype(np.int64)
    slot = ((local.hour * 3600 + local.minute * 60 + local.second) // SLOT_S).to_numpy()
    return weekday, slot.astype(np.int64)
