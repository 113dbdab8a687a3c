"""What an appliance bears of a charge for demand, the greatest power of a house in each month."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.errors import HouseError
from homeenergy.findings.appliance.record import ApplianceFinding
from homeenergy.findings.days import LEAST_COVERAGE
from homeenergy.house.prices import DemandCharge, season_number
from homeenergy.house.tariff import Bill, Tariff, power_over
from homeenergy.readings.house import House
from homeenergy.readings.trace import Trace
from homeenergy.stats.estimate import number_text
from homeenergy.units import NS_PER_S, S_PER_H, WH_PER_KWH

SLOT_MIN, SHORT_SLOT_MIN = 15, 5  # zones and intervals are made of these


@dataclass(frozen=True, slots=True, kw_only=True)
class DemandShare:
    """What an appliance bears of a year's demand charges [currency].

    Attributes
    ----------
    currency : str
    per_year : float
        Its mean power in the intervals in which the house had the greatest of a month, times the
        price, on average over the months seen and times those of a year (coincident demand; common
        practice, no source). The shares of all circuits add up to the charge.
    most_per_year : float
        If it always drew as much then as it ever did over such an interval: when a house peaks is
        chance, and a month or two do not tell it, so the share may lie anywhere up to this.
    months : int
        Months seen, whole or in part.
    """

    currency: str
    per_year: float
    most_per_year: float
    months: int

    @property
    def remark(self) -> str:
        """The share in words."""
        return (
            f"plus a demand charge: {number_text(self.per_year, 0)} {self.currency} a year "
            f"by its power at the monthly peak of the house ({self.months} seen), between 0 and "
            f"{number_text(self.most_per_year, 0)} by when it is used"
        )


def slot_energy(trace: Trace, *, slot_min: int = SLOT_MIN) -> pd.Series:
    """Energy of slots of the clock [kWh], NaN where less than 90 % of one was seen.

    Raises
    ------
    HouseError
        If a sample is longer than a slot.
    """
    slot_ns = slot_min * 60 * NS_PER_S
    if trace.period_ns > slot_ns:
        raise HouseError(
            f"samples of {trace.period_s / 60:g} min cannot give the mean power of {slot_min} min",
            fix="Log it more often, or leave the demand charge out of house.toml.",
        )
    first, last = trace.start.value // slot_ns, -(-trace.end.value // slot_ns)
    begins_ns = np.arange(first, max(last, first + 2), dtype=np.int64) * slot_ns
    index = pd.DatetimeIndex(begins_ns.view("M8[ns]")).tz_localize("UTC")
    at = np.clip(-(-(begins_ns - trace.start.value) // trace.period_ns), 0, len(trace))
    there = np.isfinite(trace.watts)
    upto_w = np.r_[0.0, np.cumsum(np.where(there, trace.watts, np.float32(0)), dtype=np.float64)]
    upto = np.r_[0, np.cumsum(there)]
    edges = np.r_[at, len(trace)]
    sums, counts = np.diff(upto_w[edges]), np.diff(upto[edges])
    kwh = np.full(index.size, np.nan)
    seen = counts * trace.period_ns >= LEAST_COVERAGE * slot_ns
    hours = slot_min * 60 / S_PER_H
    kwh[seen] = sums[seen] / counts[seen] * hours / WH_PER_KWH
    return pd.Series(kwh, index=index)


def house_bill(house: House, tariff: Tariff) -> Bill:
    """Bill of what goes through the mains.

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
    legs = [slot_energy(house.trace(leg), slot_min=slot_min) for leg in house.mains]
    kwh = pd.concat(legs, axis=1).sum(axis=1, min_count=len(legs))
    whole = pd.date_range(kwh.index[0], kwh.index[-1], freq=f"{slot_min}min")
    return tariff.cost(kwh.reindex(whole), timezone=house.timezone)


def demand_share(trace: Trace, *, bill: Bill, tariff: Tariff) -> DemandShare:
    """What an appliance bears of the demand charges of a house; see `DemandShare`."""
    kwh = slot_energy(trace, slot_min=_slot_min(tariff))
    # The charges of the last prices, as a year like these days would pay them.
    charges = tariff.versions[-1].demand
    per_year, most = 0.0, 0.0
    for charge in charges:
        peaks = bill.peaks[bill.peaks["name"] == charge.name]
        if not len(peaks):
            continue
        at_peaks = [
            power_over(kwh, begins, ends) * charge.price_per_kw
            for begins, ends in zip(peaks["begins"], peaks["ends"], strict=True)
        ]
        months = _months_of(charge, tariff)
        per_year += float(np.mean(at_peaks)) * months
        of_interval = _means(kwh, charge.interval_min // _slot_min(tariff) or 1)
        most += max(float(np.nanmax(of_interval, initial=0.0)), 0.0) * charge.price_per_kw * months
    return DemandShare(
        currency=tariff.currency,
        per_year=per_year,
        most_per_year=max(most, per_year),
        months=int(bill.peaks["month"].nunique()),
    )


def with_demand(house: House, found: Sequence[ApplianceFinding]) -> list[ApplianceFinding]:
    """Findings with a remark on what each bears of the demand charges, if there are any.

    The cost of a year stays that of the energy: what a kWh saved is worth is the price of a kWh,
    and whether it lowers the peak depends on when it is saved.
    """
    tariff = house.tariff
    if tariff is None or not any(one.demand for one in tariff.versions):
        return list(found)
    try:
        bill = house_bill(house, tariff)
    except HouseError as error:
        remark = f"plus a demand charge, of which its share is not known: {error.what}"
        return [replace(one, remarks=(*one.remarks, remark)) for one in found]
    return [
        replace(one, remarks=(*one.remarks, _remark(house, one, bill, tariff))) if one.days else one
        for one in found
    ]


def _remark(house: House, finding: ApplianceFinding, bill: Bill, tariff: Tariff) -> str:
    trace = house.trace(finding.circuit)
    try:
        share = demand_share(trace, bill=bill, tariff=tariff)
    except HouseError as error:
        return f"plus a demand charge, of which its share is not known: {error.what}"
    return share.remark


def _slot_min(tariff: Tariff) -> int:
    """Slots that make up all intervals of the demand charges."""
    intervals = [c.interval_min for one in tariff.versions for c in one.demand]
    return SLOT_MIN if all(one % SLOT_MIN == 0 for one in intervals) else SHORT_SLOT_MIN


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
