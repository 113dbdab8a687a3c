"""Energy costs what it costs when it is used, in local time, across both clock changes."""

from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from homeenergy.cycles import find_cycles
from homeenergy.errors import HouseError
from homeenergy.findings import energy_cost, run_costs
from homeenergy.findings.appliance.house import appliance_finding
from homeenergy.findings.cost import cost_of_days
from homeenergy.findings.days import daily_energy
from homeenergy.house import Tariff
from homeenergy.house.prices import PriceChange, PricePeriod
from homeenergy.house.schedule import Circuit
from homeenergy.readings.trace import Trace
from tests.findings.small_house import switched

AMSTERDAM = "Europe/Amsterdam"
FLAT = Tariff(currency="EUR", price_per_kwh=0.3, standing_per_day=1.2)
NIGHT_DAY = Tariff(
    currency="EUR",
    periods=(
        PricePeriod(name="night", price_per_kwh=0.2, minutes=((0, 360), (1320, 1440))),
        PricePeriod(name="day", price_per_kwh=0.4, minutes=((360, 1320),)),
    ),
    standing_per_day=0.5,
)
SAME_ALWAYS = Tariff(
    currency="EUR",
    periods=(
        PricePeriod(name="night", price_per_kwh=0.3, minutes=((0, 360), (1320, 1440))),
        PricePeriod(name="day", price_per_kwh=0.3, minutes=((360, 1320),)),
    ),
    standing_per_day=1.2,
)


def trace_of(watts, *, start="2026-03-02T00:00Z", period_s=60):
    return Trace(label="load", start=pd.Timestamp(start), period_s=period_s, watts=watts)


def test_a_kilowatt_all_day_by_hand():
    day = energy_cost(trace_of(np.full(1440, 1000.0)), tariff=NIGHT_DAY, timezone="UTC")
    # 8 h at 0.20 and 16 h at 0.40.
    assert day.cost == pytest.approx(8 * 0.2 + 16 * 0.4, rel=1e-12)
    assert day.kwh == pytest.approx(24, rel=1e-12)
    assert day.mean_price_per_kwh == pytest.approx(8.0 / 24, rel=1e-12)
    assert day.standing == pytest.approx(0.5, rel=1e-12)
    by_name = day.by_period.groupby("name")["kwh"].sum()
    assert by_name.to_dict() == pytest.approx({"night": 8, "day": 16})
    assert day.by_period["share"].sum() == pytest.approx(1)


@pytest.mark.parametrize(
    ("start", "hours", "night_h"),
    [
        ("2026-03-28T23:00Z", 23, 7),  # 02:00 to 03:00 is left out
        ("2026-10-24T22:00Z", 25, 9),  # and comes twice
    ],
)
def test_days_of_a_clock_change(start, hours, night_h):
    watts = np.full(hours * 60, 1000.0)
    cost = energy_cost(trace_of(watts, start=start), tariff=NIGHT_DAY, timezone=AMSTERDAM)
    assert len(cost.by_day) == 1
    assert cost.by_day["day_h"].tolist() == [hours]
    assert cost.cost == pytest.approx(night_h * 0.2 + (hours - night_h) * 0.4, rel=1e-12)
    assert cost.standing == pytest.approx(0.5, rel=1e-12)
    assert cost_of_days(cost.by_day, currency="EUR").value == pytest.approx(
        cost.cost / hours * 24, rel=1e-12
    )


def test_gaps_cost_nothing_and_are_said():
    watts = np.full(1440, 1000.0)
    watts[600:720] = np.nan
    cost = energy_cost(trace_of(watts), tariff=FLAT, timezone="UTC")
    assert cost.cost == pytest.approx(22 * 0.3, rel=1e-12)
    assert cost.covered_h == pytest.approx(22)
    assert cost.standing == pytest.approx(1.2)  # is paid all the same


def test_an_empty_trace_costs_nothing():
    cost = energy_cost(trace_of(np.empty(0)), tariff=NIGHT_DAY, timezone=AMSTERDAM)
    assert (cost.cost, cost.kwh, len(cost.by_day)) == (0, 0, 0)
    assert np.isnan(cost.mean_price_per_kwh)


def test_prices_and_standing_charge_of_a_change():
    tariff = Tariff(
        currency="EUR",
        price_per_kwh=0.2,
        changes=(PriceChange(start=date(2026, 3, 3), price_per_kwh=0.5, standing_per_day=2.0),),
    )
    cost = energy_cost(trace_of(np.full(2880, 1000.0)), tariff=tariff, timezone="UTC")
    assert cost.by_day["cost"].tolist() == pytest.approx([4.8, 12.0])
    assert cost.by_day["standing"].tolist() == pytest.approx([0.0, 2.0])


def watts_of(seed, n):
    rng = np.random.default_rng(seed)
    watts = rng.uniform(0, 3000, n).astype(np.float32)
    watts[rng.random(n) < 0.05] = np.nan
    return watts


BEGINS = st.integers(0, 365 * 24 * 12).map(
    lambda n: pd.Timestamp("2026-01-01T00:00Z") + pd.Timedelta(minutes=5 * n)
)


@settings(max_examples=40)
@given(st.integers(0, 99), BEGINS, st.sampled_from([10, 60, 300, 900]), st.integers(1, 900))
def test_cost_is_the_sum_over_samples_of_energy_times_price(seed, start, period_s, n):
    trace = trace_of(watts_of(seed, n), start=start, period_s=period_s)
    cost = energy_cost(trace, tariff=NIGHT_DAY, timezone=AMSTERDAM)
    hour = trace.times().tz_convert(AMSTERDAM).hour
    price = np.where((hour < 6) | (hour >= 22), 0.2, 0.4)
    kwh = np.nan_to_num(trace.watts.astype(np.float64)) * period_s / 3.6e6
    assert cost.cost == pytest.approx(float((kwh * price).sum()), rel=1e-9)
    days = daily_energy(trace, timezone=AMSTERDAM)
    seen = days[days["day_h"] > 0].set_index("day")["kwh"]
    own = cost.by_day.set_index("day")["kwh"]
    np.testing.assert_allclose(own, seen.loc[own.index], rtol=1e-9, atol=1e-12)
    assert own.sum() == pytest.approx(seen.sum(), rel=1e-9)


@settings(max_examples=40)
@given(st.integers(0, 99), BEGINS, st.integers(2, 4000), st.floats(0, 1))
def test_splitting_a_trace_changes_nothing(seed, start, n, at):
    trace = trace_of(watts_of(seed, n), start=start)
    cut = int(at * n)
    whole, *parts = (
        energy_cost(part, tariff=NIGHT_DAY, timezone=AMSTERDAM)
        for part in (trace, trace.samples(0, cut), trace.samples(cut, n))
    )
    assert sum(part.cost for part in parts) == pytest.approx(whole.cost, rel=1e-9)
    assert sum(part.standing for part in parts) == pytest.approx(whole.standing, rel=1e-9)


@settings(max_examples=20)
@given(st.integers(0, 99), BEGINS, st.integers(1, 4000))
def test_one_price_at_all_times_is_a_flat_tariff(seed, start, n):
    trace = trace_of(watts_of(seed, n), start=start)
    flat = energy_cost(trace, tariff=FLAT, timezone=AMSTERDAM)
    always = energy_cost(trace, tariff=SAME_ALWAYS, timezone=AMSTERDAM)
    assert always.cost == pytest.approx(flat.cost, rel=1e-12)
    assert always.standing == pytest.approx(flat.standing, rel=1e-12)
    assert flat.cost == pytest.approx(0.3 * trace.energy_wh / 1000, rel=1e-9)


def test_a_run_pays_each_period_for_what_it_draws_in_it():
    # 2 kW from 21:30 to 23:00: half an hour by day, an hour by night.
    cycles = find_cycles(trace_of(switched(3, [21.5], on_w=2000, lasts_h=1.5)), "batch")
    costs = run_costs(cycles, tariff=NIGHT_DAY, timezone="UTC")
    assert costs["kwh"].tolist() == pytest.approx([3.0] * 3)
    assert costs["cost"].tolist() == pytest.approx([1 * 0.4 + 2 * 0.2] * 3)
    assert costs["price_per_kwh"].tolist() == pytest.approx([0.8 / 3] * 3)
    assert str(costs["start"].dt.tz) == "UTC"


def test_runs_of_a_shape_pay_for_the_part_that_heats():
    # Heats at 21:00 by day, then stirs on into the night with a tenth of the power.
    watts = switched(4, [21], on_w=2000, lasts_h=1) + switched(4, [22], on_w=200, lasts_h=1)
    trace = trace_of(watts)
    cycles = find_cycles(trace, "batch")
    costs = run_costs(cycles, tariff=NIGHT_DAY, timezone="UTC")
    assert costs["cost"].tolist() == pytest.approx([2 * 0.4 + 0.2 * 0.2] * 4, rel=1e-6)
    total = energy_cost(trace, tariff=NIGHT_DAY, timezone="UTC")
    assert costs["cost"].sum() == pytest.approx(total.cost, rel=1e-6)


def test_no_runs_no_costs():
    cycles = find_cycles(trace_of(np.zeros(1440)), "batch")
    assert len(run_costs(cycles, tariff=NIGHT_DAY, timezone="UTC")) == 0


def finding(watts, tariff):
    return appliance_finding(
        trace_of(watts), circuit=Circuit(name="a", appliance="A"), timezone="UTC", tariff=tariff
    )


def test_a_year_is_paid_at_the_prices_of_its_hours():
    by_night = finding(switched(14, [23], on_w=1000, lasts_h=1), NIGHT_DAY).cost_per_year
    assert by_night.value == pytest.approx(365 * 0.2)
    assert (by_night.unit, by_night.n) == ("EUR", 14)
    assert "0.2 EUR a kWh" in by_night.basis
    both = finding(switched(14, [12, 23], on_w=1000, lasts_h=1), NIGHT_DAY).cost_per_year
    assert both.value == pytest.approx(365 * 0.6)


def test_a_year_under_one_price_at_all_times_is_that_of_a_flat_tariff():
    watts = watts_of(1, 14 * 1440)
    flat, always = (finding(watts, t).cost_per_year for t in (FLAT, SAME_ALWAYS))
    for name in ("value", "low", "high", "systematic"):
        assert getattr(always, name) == pytest.approx(getattr(flat, name), rel=1e-9)


def test_steps_have_no_price_at_an_instant():
    from homeenergy.house.prices import PriceBlock

    tariff = Tariff(currency="EUR", blocks=(PriceBlock(price_per_kwh=0.2),))
    with pytest.raises(HouseError, match=r"no price at an instant.*\n.*stepped_cost"):
        energy_cost(trace_of(np.ones(10)), tariff=tariff, timezone="UTC")


def test_a_run_that_a_person_has_split_within_a_level_pays_for_its_own_hours():
    # 1 kW from 20:00 and 2 kW from 22:00 to 24:00, split at 23:00.
    watts = switched(2, [20], on_w=1000, lasts_h=4) + switched(2, [22], on_w=1000, lasts_h=2)
    cycles = find_cycles(trace_of(watts), "batch")
    row = cycles.table.iloc[[0]]
    cut = row["start"].iloc[0] + pd.Timedelta(hours=3)
    first = row.assign(end=cut, duration_s=3 * 3600.0, energy_wh=4000.0)
    second = row.assign(start=cut, duration_s=3600.0, energy_wh=2000.0)
    table = pd.concat([first, second], ignore_index=True)
    costs = run_costs(replace(cycles, table=table), tariff=NIGHT_DAY, timezone="UTC")
    assert costs["cost"].tolist() == pytest.approx([2 * 0.4 + 2 * 0.2, 2 * 0.2])
