"""Days in zones whose clocks change at midnight."""

import numpy as np
import pandas as pd
import pytest

from homeenergy.findings import energy_cost, label_energy, shift_to_cheap_hours
from homeenergy.findings.appliance.house import appliance_finding
from homeenergy.findings.days import daily_energy
from homeenergy.house import Tariff
from homeenergy.house.prices import PricePeriod
from homeenergy.house.schedule import Circuit
from homeenergy.readings import Trace
from tests.findings.small_house import switched

SANTIAGO = "America/Santiago"


@pytest.mark.parametrize(
    ("zone", "start", "changed", "length_h"),
    [
        ("America/Santiago", "2026-09-04T04:00Z", "2026-09-06", 23),
        ("Africa/Cairo", "2026-04-22T22:00Z", "2026-04-24", 23),
        ("America/Havana", "2026-10-30T04:00Z", "2026-11-01", 25),
    ],
)
def test_day_of_the_change_has_its_own_length(zone, start, changed, length_h):
    trace = Trace(
        label="heater",
        start=pd.Timestamp(start),
        period_s=60,
        watts=np.full(5 * 1440, 1000, dtype=np.float32),
    )
    days = daily_energy(trace, timezone=zone)
    day = days[days["day"].dt.strftime("%Y-%m-%d") == changed].iloc[0]
    assert day["day_h"] == length_h
    assert day["kwh"] == pytest.approx(length_h)
    assert days["kwh"].sum() == pytest.approx(120)


def test_costs_and_counts_where_a_day_begins_at_one():
    start = pd.Timestamp("2026-09-03", tz=SANTIAGO)
    watts = switched(7, [12], on_w=1000, lasts_h=1)[:-60]  # to local midnight of the eighth day
    trace = Trace(label="load", start=start.tz_convert("UTC"), period_s=60, watts=watts)
    night_day = Tariff(
        currency="CLP",
        periods=(
            PricePeriod(name="night", price_per_kwh=100, minutes=((0, 480),)),
            PricePeriod(name="day", price_per_kwh=200, minutes=((480, 1440),)),
        ),
    )
    bill = energy_cost(trace, tariff=night_day, timezone=SANTIAGO)
    assert bill.cost == pytest.approx(7 * 200)
    assert bill.by_day["day_h"].tolist() == [24, 24, 24, 23, 24, 24, 24]
    finding = appliance_finding(
        trace, circuit=Circuit(name="a", appliance="A", kind="batch"), timezone=SANTIAGO
    )
    moved = shift_to_cheap_hours(finding, tariff=night_day, timezone=SANTIAGO)
    assert moved.paid_per_year.value == pytest.approx(365 * 200)
    found = label_energy(finding, "eu_dryer")
    assert found.own_uses_per_year.value == pytest.approx(365)
