"""What an appliance costs in a year like its days, under any tariff."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from homeenergy.estimate import Estimate
from homeenergy.findings.appliance import ApplianceFinding
from homeenergy.findings.mean_price import scaled
from homeenergy.findings.stepped import bill_by_period, whole_days
from homeenergy.house.tariff import Tariff
from homeenergy.readings.house import House
from homeenergy.units import DAYS_PER_YEAR


def with_share_of_bill(
    house: House, found: Sequence[ApplianceFinding], *, every_circuit: bool
) -> list[ApplianceFinding]:
    """Findings of a house whose tariff has steps, each with its cost of a year.

    Each kWh has the average price of the house, so that the costs of all circuits add up to the
    bill. Where the mains are not logged, the measured circuits stand for the house, if they are
    all there (`every_circuit`): their average price is then that of the lower steps.
    """
    tariff = house.tariff
    assert tariff is not None
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
    return [
        replace(one, cost_per_year=_share(one.kwh_per_day, price, tariff, whose)) for one in found
    ]


def _share(per_day: Estimate, price: float, tariff: Tariff, whose: str) -> Estimate:
    cost = scaled(per_day, DAYS_PER_YEAR * price, unit=tariff.currency)
    price_text = f"{price:.3g} {tariff.currency} a kWh"
    return replace(
        cost,
        basis=f"{per_day.basis}; times 365 days and {price_text}, the average price under steps of "
        f"what goes through {whose}, as if the whole year were like these days",
    )
