"""Published worked examples of energy and cost, through the figures that a user asks for."""

import tomllib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from homeenergy.findings import energy_cost, label_energy
from homeenergy.findings.appliance.house import appliance_finding
from homeenergy.house import Tariff
from homeenergy.house.schedule import Circuit
from homeenergy.readings.trace import Trace
from tests.findings.small_house import switched

VALUES = tomllib.loads(
    (Path(__file__).parents[2] / "shared" / "check_values" / "check_values.toml").read_text()
)


@pytest.mark.parametrize("name", ["doe_fan", "doe_computer"])
def test_energy_and_cost_of_the_worked_examples(name):
    """US Department of Energy, Energy Saver: watts times hours times days; price per kWh."""
    entry = VALUES[name]
    day_w = np.zeros(24)
    day_w[: entry["hours_per_day_h"]] = entry["power_w"]
    trace = Trace(
        label=name,
        start=pd.Timestamp("2026-03-02", tz="UTC"),
        period_s=3600,
        watts=np.tile(day_w, entry["days"]),
    )
    price = entry["price_per_kwh"]
    found = energy_cost(trace, tariff=Tariff(currency="USD", price_per_kwh=price), timezone="UTC")
    assert round(found.kwh) == entry["energy_kwh"]
    # The printed cost is that of the rounded energy.
    assert round(found.cost / found.kwh * round(found.kwh), 2) == entry["cost"]


def test_uses_and_low_power_of_a_dryer():
    """Form of 10 CFR 430 Subpart B Appendix D2; the energies of a use and at rest are invented."""
    dryer = VALUES["clothes_dryer_year"]
    watts = switched(
        14, [8, 18], on_w=1000 * dryer["cycle_kwh"], lasts_h=1, rest_w=dryer["low_power_w"]
    )
    trace = Trace(
        label="dryer", start=pd.Timestamp("2026-03-02", tz="UTC"), period_s=60, watts=watts
    )
    circuit = Circuit(name="dryer", appliance="Dryer", kind="batch")
    found = label_energy(appliance_finding(trace, circuit=circuit, timezone="UTC"), "us_dryer_d2")
    assert found.uses_per_year == dryer["cycles_per_year"]
    assert found.kwh.value == pytest.approx(dryer["energy_kwh"], rel=1e-6)
