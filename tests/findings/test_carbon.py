"""Carbon dioxide is energy times a factor, with its source at hand."""

import pytest

from homeenergy.findings import carbon_of
from homeenergy.house import CarbonFactor
from homeenergy.stats.estimate import Estimate

FACTOR = CarbonFactor(kg_per_kwh=0.5, source="invented", year=2026)


def test_factor_scales_value_and_interval():
    days = Estimate(value=4, low=3, high=6, unit="kWh", n=9, basis="mean of 9 days")
    energy = days.with_part("clamp: ratio", 0.2)
    kg = carbon_of(energy, FACTOR)
    assert (kg.value, kg.low, kg.high) == (2, energy.low / 2, energy.high / 2)
    assert kg.parts["clamp: ratio"].effect == pytest.approx(0.1)
    assert kg.unit == "kg"
    assert "invented, 2026" in kg.basis


def test_watt_hours_are_a_thousandth():
    energy = Estimate(value=500, low=400, high=600, unit="Wh", n=9, basis="")
    assert carbon_of(energy, FACTOR).value == pytest.approx(0.25)


def test_what_is_no_energy_is_refused():
    power = Estimate(value=4, low=3, high=6, unit="W", n=9, basis="")
    with pytest.raises(ValueError, match="takes kWh or Wh, got 'W'"):
        carbon_of(power, FACTOR)
