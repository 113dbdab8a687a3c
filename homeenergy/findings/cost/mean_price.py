"""What a kilowatt-hour of an appliance costs, on average over its days."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite

from homeenergy.findings.appliance.record import ApplianceFinding
from homeenergy.units import DAYS_PER_YEAR

SAME_PRICE = 1e-6  # relative: less is the rounding of sums


def mean_price(finding: ApplianceFinding) -> tuple[float, str] | None:
    """Price [currency a kWh] and currency; None without a tariff, or where no energy flows.

    What a year costs over what it uses, so that it holds for any tariff. Energy saved is worth
    this much where it is saved at the hours at which the appliance draws.
    """
    cost, per_day = finding.cost_per_year, finding.kwh_per_day
    if cost is None or not (isfinite(cost.value) and per_day.value > 0):
        return None
    return cost.value / (per_day.value * DAYS_PER_YEAR), cost.unit


def price_at_rest(finding: ApplianceFinding) -> tuple[float, str] | None:
    """Price [currency a kWh] and currency of what is drawn outside runs; None as `mean_price`.

    What waits all day does so at all prices, whenever it is used.
    """
    paid = mean_price(finding)
    if paid is None or finding.price_at_rest is None:
        return paid
    return finding.price_at_rest, paid[1]


def prices_differ(rows: Sequence[ApplianceFinding]) -> bool:
    """Whether appliances paid more for a kWh than others, as under a tariff by time of use."""
    prices = [paid[0] for paid in map(mean_price, rows) if paid is not None]
    return bool(prices) and max(prices) - min(prices) > SAME_PRICE * abs(max(prices, key=abs))
