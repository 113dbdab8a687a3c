"""What a kWh saved is worth where that is not what a kWh costs: own power, and steps.

A circuit bears its share of the bill, so that all shares add up to it. What is saved takes off the
bill something else: under steps the last and dearest kWh of each month, and where a roof feeds back
at a price, for what ran on own power only that price.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.errors import HouseError
from homeenergy.findings.appliance.record import ApplianceFinding
from homeenergy.findings.bill import bill_by_period, net_by_minute, whole_days
from homeenergy.house.tariff import Tariff
from homeenergy.readings.house import House

SMALL = 0.001  # of what a house takes: a load that draws little at all hours

# Of each load, and of what is drawn at all hours.
Worths = tuple[Callable[[ApplianceFinding], float], float]


def with_worth(house: House, found: Sequence[ApplianceFinding]) -> list[ApplianceFinding]:
    """Findings with what their energy is worth when it is saved (`ApplianceFinding.worth`).

    Parameters
    ----------
    house : House
    found : sequence of ApplianceFinding
        With what each costs.

    Returns
    -------
    list of ApplianceFinding
        As they were where every kWh is worth its price: without steps or a price for what is fed
        back, or where the mains are not logged.

    Notes
    -----
    What the bill of the time measured would fall by without the load, over what it bears of it. Own
    power goes by minutes, as in `mains_energy`; steps by whole days, as in `stepped_cost`.
    O(samples).
    """
    tariff = house.tariff
    if tariff is None or not house.mains:
        return list(found)
    known = _under_steps if any(one.blocks for one in tariff.versions) else _of_own_power
    try:
        worths = known(house, tariff, found)
        if worths is None:
            return list(found)
        of_load, at_rest = worths
        return [
            replace(one, worth=of_load(one), worth_at_rest=at_rest) if _uses(one) else one
            for one in found
        ]
    except HouseError:  # nothing seen whole: what a kWh costs is all there is
        return list(found)


def _uses(finding: ApplianceFinding) -> bool:
    used = bool(finding.days) and finding.kwh_per_day.value > 0
    return used and finding.cost_per_year is not None


def _under_steps(house: House, tariff: Tariff, _: Sequence[ApplianceFinding]) -> Worths | None:
    days = whole_days([house.trace(leg) for leg in house.mains], timezone=house.timezone)
    if days.empty:
        return None

    def worth(own_kwh: pd.Series) -> float:
        both = days.index.intersection(own_kwh.index)
        table = bill_by_period(days.loc[both], own_kwh.loc[both], tariff=tariff)
        share = float(table["share_cost"].sum())
        return float(table["marginal_cost"].sum()) / share if share > 0 else 1.0

    def of_load(one: ApplianceFinding) -> float:
        return worth(whole_days([one.daily], timezone=house.timezone))

    return of_load, worth(days * SMALL)


def _of_own_power(house: House, tariff: Tariff, found: Sequence[ApplianceFinding]) -> Worths | None:
    earned = tariff.export_price_per_kwh
    makes = any(one.days and one.kwh_per_day.value < 0 for one in found)
    if earned is None or not makes:
        return None
    net = net_by_minute([house.trace(leg) for leg in house.mains]).dropna()
    if not len(net):
        return None
    index = pd.DatetimeIndex(net.index)
    held = tariff.on(index[-1].tz_convert(house.timezone).date())
    price = pd.Series(held.price_at(index, house.timezone), index=index)

    def bill(kwh: NDArray[np.float64], paid: NDArray[np.float64]) -> float:
        return float((np.clip(kwh, 0, None) * paid + np.clip(kwh, None, 0) * earned).sum())

    def worth(own_kwh: pd.Series) -> float:
        both = net.index.intersection(own_kwh.dropna().index)
        whole, own, paid = (
            np.asarray(one.loc[both], dtype=np.float64) for one in (net, own_kwh, price)
        )
        cost = float((own * paid).sum())
        return (bill(whole, paid) - bill(whole - own, paid)) / cost if cost > 0 else 1.0

    def of_load(one: ApplianceFinding) -> float:
        return worth(net_by_minute([house.trace(one.circuit)]))

    return of_load, worth(pd.Series(SMALL * float(net.abs().mean()), index=index))
