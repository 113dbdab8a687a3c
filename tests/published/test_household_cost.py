"""Costs of a real household against plain sums of its file; see `household.py`."""

import numpy as np
import pandas as pd
import pytest

from homeenergy.findings import energy_cost, run_costs
from homeenergy.findings.bill import stepped_cost
from homeenergy.house import Tariff
from homeenergy.house.prices import PriceBlock, PricePeriod, Season

from .household import HOUSE_ZONE

# Invented: two rates on workdays, a third in winter evenings.
WORKDAYS = frozenset(range(5))
PEAK = {"name": "evening", "minutes": ((1080, 1260),), "days": WORKDAYS}
TARIFF = Tariff(
    currency="EUR",
    standing_per_day=0.3,
    seasons=(Season(name="summer", month=4, day=1), Season(name="winter", month=11, day=1)),
    periods=(
        PricePeriod(
            name="day", price_per_kwh=0.20, minutes=((420, 1080), (1260, 1380)), days=WORKDAYS
        ),
        PricePeriod(
            name="night", price_per_kwh=0.12, minutes=((0, 420), (1380, 1440)), days=WORKDAYS
        ),
        PricePeriod(name="night", price_per_kwh=0.12, days=frozenset({5, 6, 7})),
        PricePeriod(**PEAK, price_per_kwh=0.30, seasons=("winter",)),
        PricePeriod(**PEAK, price_per_kwh=0.20, seasons=("summer",)),
    ),
)
BLOCKS = (
    PriceBlock(price_per_kwh=0.10, up_to_kwh=400),
    PriceBlock(price_per_kwh=0.16, up_to_kwh=900),
    PriceBlock(price_per_kwh=0.25),
)


def plain_prices(index):
    """Prices of minutes, hour by hour, without any code of this project."""
    hour, weekday = index.hour, index.day_of_week
    winter = (index.month >= 11) | (index.month < 4)
    price = np.where((hour < 7) | (hour >= 23), 0.12, 0.20)
    price = np.where((hour >= 18) & (hour < 21) & winter, 0.30, price)
    return np.where(weekday >= 5, 0.12, price)


@pytest.mark.parametrize(
    ("circuit", "column", "to_kwh"),
    [("supply", "Global_active_power", 1 / 60), ("water_heater", "Sub_metering_3", 1 / 1000)],
)
def test_cost_of_four_years_equals_a_plain_sum(house, plain, circuit, column, to_kwh):
    bill = energy_cost(house.trace(circuit), tariff=TARIFF, timezone=HOUSE_ZONE)
    cost = plain[column] * to_kwh * plain_prices(plain.index)
    assert bill.cost == pytest.approx(cost.sum(), rel=1e-6)
    by_day = cost.groupby(plain.index.normalize()).sum()
    np.testing.assert_allclose(bill.by_day["cost"], by_day, rtol=1e-4, atol=1e-9)
    assert bill.standing == pytest.approx(0.3 * len(plain) / 1440, rel=1e-9)


def test_runs_cost_what_their_minutes_cost(house, plain, heater_cycles):
    costs = run_costs(heater_cycles, tariff=TARIFF, timezone=HOUSE_ZONE)
    upto = np.r_[0.0, np.cumsum(plain["Sub_metering_3"] / 1000 * plain_prices(plain.index))]
    wall = plain.index.to_numpy()
    local = [
        costs[name].dt.tz_convert(HOUSE_ZONE).dt.tz_localize(None) for name in ("start", "end")
    ]
    first, stop = (np.searchsorted(wall, one.to_numpy()) for one in local)
    own = upto[stop] - upto[first]
    # Within a plateau the energy is spread evenly; runs that cross a change of price differ so far.
    np.testing.assert_allclose(costs["cost"], own, rtol=0.05, atol=1e-3)
    assert costs["cost"].sum() == pytest.approx(own.sum(), rel=5e-4)


def test_a_year_of_steps_equals_a_plain_sum(house, plain):
    year = slice("2008-01-01", "2008-12-31")
    ends = [pd.Timestamp(day, tz=HOUSE_ZONE) for day in ("2008-01-01", "2009-01-01")]
    supply, heater = (house.trace(name, *ends) for name in ("supply", "water_heater"))
    tariff = Tariff(currency="EUR", blocks=BLOCKS)
    found = stepped_cost(heater, [supply], tariff=tariff, timezone=HOUSE_ZONE)
    house_kwh = (plain["Global_active_power"][year] / 60).resample("MS").sum()
    kwh = (plain["Sub_metering_3"][year] / 1000).resample("MS").sum()

    def bill(used):
        return (
            used.clip(upper=400) * 0.10
            + (used - 400).clip(0, 500) * 0.16
            + (used - 900).clip(lower=0) * 0.25
        )

    np.testing.assert_allclose(found.table["bill"], bill(house_kwh), rtol=1e-5)
    assert found.share_cost == pytest.approx((bill(house_kwh) * kwh / house_kwh).sum(), rel=1e-5)
    lower = bill(house_kwh) - bill(house_kwh - kwh)
    assert found.marginal_cost == pytest.approx(lower.sum(), rel=1e-4)
    assert found.marginal_cost > found.share_cost
