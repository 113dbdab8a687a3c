"""Carbon dioxide is energy times a factor, with its source at hand."""

import pytest

from homeenergy.errors import HouseError
from homeenergy.findings import carbon_of, carbon_table, house_findings
from homeenergy.house import CarbonFactor
from homeenergy.stats.estimate import Estimate
from tests.findings.small_house import made_house, switched

FACTOR = CarbonFactor(kg_per_kwh=0.5, source="invented", year=2026)


def test_factor_scales_value_and_interval():
    energy = Estimate(
        value=4, low=3, high=6, unit="kWh", n=9, basis="mean of 9 days", systematic=0.2
    )
    kg = carbon_of(energy, FACTOR)
    assert (kg.value, kg.low, kg.high, kg.systematic) == (2, 1.5, 3, 0.1)
    assert kg.unit == "kg"
    assert "invented, 2026" in kg.basis


def test_watt_hours_are_a_thousandth():
    energy = Estimate(value=500, low=400, high=600, unit="Wh", n=9, basis="")
    assert carbon_of(energy, FACTOR).value == pytest.approx(0.25)


def test_what_is_no_energy_is_refused():
    power = Estimate(value=4, low=3, high=6, unit="W", n=9, basis="")
    with pytest.raises(ValueError, match="takes kWh or Wh, got 'W'"):
        carbon_of(power, FACTOR)


def test_table_of_a_house(tmp_path):
    house = made_house(tmp_path, {"lamp": switched(10, [20], on_w=100, lasts_h=2)})
    findings = house_findings(house)
    (row,) = carbon_table(findings, FACTOR).to_dict("records")
    assert row["carbon_per_year_kg"] == pytest.approx(365 * 0.2 * 0.5, rel=1e-6)
    assert (row["source"], row["year"]) == ("invented", 2026)
    with pytest.raises(HouseError, match=r"no \[carbon\] table"):
        carbon_table(findings, house.schedule.carbon)
