"""The shared tables hold: every check value is worked out again from its inputs."""

import tomllib
from pathlib import Path

import numpy as np
import pytest

from homeenergy.house import Tariff
from homeenergy.house.toml_file import read_schedule

SHARED = Path(__file__).parents[1] / "shared"
VALUES = tomllib.loads((SHARED / "check_values" / "check_values.toml").read_text())


def test_every_check_value_names_what_it_is_its_source_and_its_status():
    for name, entry in VALUES.items():
        assert entry["what"], name
        assert entry["source"], name
        assert entry["status"] in {"seen", "unverified", "derived"}, name


@pytest.mark.parametrize("name", ["nist_noint1", "nist_noint2"])
def test_nist_lines_through_the_origin(name):
    entry = VALUES[name]
    x, y = np.array(entry["x"], float), np.array(entry["y"], float)
    slope = (x @ y) / (x @ x)
    freedom = x.size - 1
    residual_sd = np.sqrt(((y - slope * x) ** 2).sum() / freedom)
    assert freedom == entry["degrees_of_freedom"]
    assert slope == pytest.approx(entry["slope"], rel=1e-12)
    assert residual_sd == pytest.approx(entry["residual_sd"], rel=1e-12)
    assert residual_sd / np.sqrt(x @ x) == pytest.approx(entry["slope_sd"], rel=1e-12)


@pytest.mark.parametrize("name", ["doe_fan", "doe_computer"])
def test_energy_and_cost_of_an_appliance(name):
    entry = VALUES[name]
    kwh = entry["power_w"] * entry["hours_per_day_h"] * entry["days"] / 1000
    assert round(kwh) == entry["energy_kwh"]
    assert round(round(kwh) * entry["price_per_kwh"], 2) == entry["cost"]


def test_arithmetic_of_a_year_and_of_a_meter():
    standby, dryer, meter = (
        VALUES[name] for name in ("standby_whole_house", "clothes_dryer_year", "meter_pulses")
    )
    assert standby["power_w"] * 8.76 == pytest.approx(standby["energy_kwh"], rel=1e-9)
    cycles_kwh = dryer["cycles_per_year"] * dryer["cycle_kwh"]
    low_kwh = dryer["low_power_w"] * dryer["low_power_h"] / 1000
    assert cycles_kwh + low_kwh == pytest.approx(dryer["energy_kwh"], rel=1e-9)
    pulse_wh = 1000 / meter["pulses_per_kwh"]
    assert 3600 * pulse_wh / meter["power_w"] == pytest.approx(meter["pulse_s"], rel=1e-9)


def test_nile_changes_after_1898():
    entry = VALUES["nile"]
    table = np.loadtxt(SHARED / "check_values" / "nile.csv", delimiter=",", skiprows=1)
    year, flow = table.T
    assert year.tolist() == list(range(1871, 1971))

    def squares(part):
        return ((part - part.mean()) ** 2).sum()

    costs = [squares(flow[:k]) + squares(flow[k:]) for k in range(1, flow.size)]
    best = int(np.argmin(costs)) + 1
    assert best == entry["change_after_item"]
    assert flow[:best].mean() == pytest.approx(entry["mean_before"], abs=1e-6)
    assert flow[best:].mean() == pytest.approx(entry["mean_after"], abs=1e-6)
    assert squares(flow) == pytest.approx(entry["sum_of_squares_without_change"], abs=1e-3)
    assert costs[best - 1] == pytest.approx(entry["sum_of_squares_with_change"], abs=1e-3)


def test_tariffs_have_what_a_house_needs():
    tariffs = tomllib.loads((SHARED / "tariffs.toml").read_text())["tariff"]
    assert tariffs
    for entry in tariffs:
        tariff = Tariff(
            currency=entry["currency"],
            price_per_kwh=entry["price_per_kwh"],
            standing_per_day=entry.get("standing_per_day", 0.0),
        )
        assert 0 < tariff.price_per_kwh < 1
        assert entry["source"]
        assert entry["year"] >= 2023


def test_starter_house_can_be_read():
    schedule = read_schedule(SHARED / "starter_house")
    assert [circuit.name for circuit in schedule.circuits] == ["fridge", "water_heater", "mains_l1"]
    assert schedule.circuits[1].clamp.multiplier == 2
