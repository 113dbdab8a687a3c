"""Moving runs to cheap hours: what can wait, what it saves, and where it ends."""

import numpy as np
import pandas as pd
import pytest

from homeenergy.errors import HouseError
from homeenergy.findings import shift_to_cheap_hours
from homeenergy.findings.appliance.house import appliance_finding
from homeenergy.house import Tariff
from homeenergy.house.prices import PricePeriod
from homeenergy.house.schedule import Circuit, Clamp
from homeenergy.readings.trace import Trace
from tests.findings.small_house import switched

NIGHT_DAY = Tariff(
    currency="EUR",
    periods=(
        PricePeriod(name="night", price_per_kwh=0.2, minutes=((0, 360), (1320, 1440))),
        PricePeriod(name="day", price_per_kwh=0.4, minutes=((360, 1320),)),
    ),
)


def finding(watts, *, kind="batch", timezone="UTC", start="2026-03-02T00:00Z", uncertainty=None):
    trace = Trace(label="washer", start=pd.Timestamp(start), period_s=60, watts=watts)
    clamp = Clamp(uncertainty=uncertainty)
    circuit = Circuit(name="washer", appliance="Washer", kind=kind, clamp=clamp)
    return appliance_finding(trace, circuit=circuit, timezone=timezone, tariff=NIGHT_DAY)


def shift(watts, **settings):
    delay = settings.pop("longest_delay_h", 12)
    one = finding(watts, **settings)
    return shift_to_cheap_hours(
        one,
        tariff=NIGHT_DAY,
        timezone=settings.get("timezone", "UTC"),
        longest_delay_h=delay,
    )


def test_an_evening_wash_moves_to_the_night():
    # 2 kWh at 19:00 for 0.40; at 22:00 it costs 0.20.
    found = shift(switched(14, [19], on_w=2000, lasts_h=1))
    assert found.table["saving"].tolist() == pytest.approx([0.4] * 14)
    assert {t.strftime("%H:%M") for t in found.table["best_start"]} == {"22:00"}
    assert found.table["at_cheapest"].all()
    assert found.saving_per_year.value == pytest.approx(365 * 0.4)
    assert found.paid_per_year.value == pytest.approx(365 * 0.8)
    assert found.share == pytest.approx(0.5)
    assert "50 %" in found.sentence
    assert any("smoke alarm" in line for line in found.assumptions)


@pytest.mark.parametrize(
    ("name", "hours", "moves"),
    [
        ("Immersion heater", [17], True),
        ("Immersion heater", None, False),  # a thermostat, at any hour
        ("Bathroom heater", [17], False),  # whoever is there wants the heat now
    ],
)
def test_a_tank_that_a_clock_heats_may_do_so_at_night(name, hours, moves):
    rng = np.random.default_rng(3)
    starts = hours or [8, 13, 18]
    watts = switched(14, starts, on_w=3000, lasts_h=1)
    if hours is None:
        days = watts.reshape(14, -1)
        watts = np.concatenate([np.roll(day, int(rng.integers(-120, 120))) for day in days])
    trace = Trace(label="heater", start=pd.Timestamp("2026-03-02T00:00Z"), period_s=60, watts=watts)
    circuit = Circuit(name="heater", appliance=name, kind="thermostatic", clamp=Clamp())
    one = appliance_finding(trace, circuit=circuit, timezone="UTC", tariff=NIGHT_DAY)
    found = shift_to_cheap_hours(one, tariff=NIGHT_DAY, timezone="UTC")
    assert (found.saving_per_year is not None) == moves
    if moves:
        assert found.saving_per_year.value == pytest.approx(365 * 3 * 0.2, rel=0.02)


def test_a_run_longer_than_the_cheap_hours_pays_both():
    # 10 h of 1 kW from noon: at best 8 h by night and 2 h by day.
    found = shift(switched(6, [12], on_w=1000, lasts_h=10))
    moved = found.table.iloc[:-1]
    assert moved["best_cost"].tolist() == pytest.approx([8 * 0.2 + 2 * 0.4] * len(moved))
    assert not found.table["at_cheapest"].any()
    assert "pay more than the cheapest price for a part" in found.sentence


def test_a_run_waits_no_longer_than_it_may():
    found = shift(switched(14, [9], on_w=2000, lasts_h=1), longest_delay_h=12)
    assert found.table["saving"].tolist() == pytest.approx([0.0] * 14)
    assert (found.table["best_start"] == found.table["start"]).all()
    found = shift(switched(14, [9], on_w=2000, lasts_h=1), longest_delay_h=13)
    assert found.table["saving"].iloc[:-1].tolist() == pytest.approx([0.4] * 13)


def test_a_run_is_not_moved_into_the_next():
    # The wash of 10:00 cannot wait for the night: another follows at 21:00.
    watts = switched(7, [10], on_w=2000, lasts_h=1) + switched(7, [21], on_w=500, lasts_h=0.5)
    found = shift(watts)
    by_hour = found.table.groupby(found.table["start"].dt.hour)["saving"].sum()
    assert by_hour[10] == pytest.approx(0)
    assert by_hour[21] == pytest.approx(7 * 0.05)


def test_the_saving_of_days_without_runs_is_nothing():
    watts = switched(14, [19], on_w=2000, lasts_h=1)
    watts[7 * 1440 :] = 0
    found = shift(watts)
    assert found.saving_per_year.value == pytest.approx(365 * 0.2)
    assert found.saving_per_year.low == 0 or found.saving_per_year.low < 365 * 0.2
    assert found.saving_per_year.n == 14


def test_local_time_decides_across_the_clock_change():
    # Denver leaves daylight saving on 1 November 2026. 19:00 local, on both sides of it.
    trace_start = pd.Timestamp("2026-10-26", tz="America/Denver")
    index = pd.date_range(trace_start, periods=13 * 1440, freq="min")
    watts = np.where(index.hour == 19, 2000.0, 0.0)
    found = shift(watts, timezone="America/Denver", start=trace_start)
    local = found.table["best_start"].dt.tz_convert("America/Denver")
    assert {t.strftime("%H:%M") for t in local} == {"22:00"}
    assert found.table["saving"].tolist() == pytest.approx([0.4] * len(found.table))


def test_the_clamp_is_in_the_interval_and_kept_apart():
    watts = switched(14, [19], on_w=2000, lasts_h=1)
    watts[: 5 * 1440] = 0
    plain, known = shift(watts).saving_per_year, shift(watts, uncertainty=0.05).saving_per_year
    assert known.systematic == pytest.approx(0.05 * known.value)
    assert known.high > plain.high


@pytest.mark.parametrize("kind", ["thermostatic", "manual", "modulating", "continuous"])
def test_other_kinds_are_never_moved_and_it_is_said_why(kind):
    found = shift(switched(14, [19], on_w=2000, lasts_h=1), kind=kind)
    assert found.saving_per_year is None
    assert len(found.table) == 0
    assert found.why_not in found.sentence
    assert len(found.why_not) > 20


def test_without_a_run_seen_whole_nothing_is_proposed():
    found = shift(np.full(1440, 2000.0))
    assert found.why_not == "has no complete run"


@pytest.mark.parametrize(
    "tariff",
    [
        Tariff(currency="EUR", price_per_kwh=0.3),
        Tariff(currency="EUR", periods=(PricePeriod(name="always", price_per_kwh=0.3),)),
    ],
)
def test_one_price_leaves_nothing_to_save(tariff):
    one = finding(switched(3, [19], on_w=2000, lasts_h=1))
    with pytest.raises(HouseError, match="no hour of the tariff is cheaper than another"):
        shift_to_cheap_hours(one, tariff=tariff, timezone="UTC")


def test_a_delay_must_be_above_zero():
    with pytest.raises(ValueError, match="longest_delay_h must be above 0"):
        shift(np.zeros(1440), longest_delay_h=0)
