"""Published rules for annual energy and cost, on their worked examples."""

import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from homeenergy.findings import (
    annual_energy_of_uses,
    nameplate_energy_kwh,
    refrigerator_annual_cost,
)

VALUES = tomllib.loads(
    (Path(__file__).parents[2] / "shared" / "check_values" / "check_values.toml").read_text()
)

# US Department of Energy, Energy Saver, as reproduced by municipalities: a window fan, 200 W for
# 4 h on 120 days; a computer with its monitor, 120 + 150 W for 4 h on 365 days; 11 and 8.5 cents.
# The energy is rounded to whole kWh before it is priced.
FAN, COMPUTER = (200, 4, 120, 96), (120 + 150, 4, 365, 394)


@pytest.mark.parametrize(("power_w", "hours", "days", "kwh"), [FAN, COMPUTER])
def test_energy_of_the_worked_examples(power_w, hours, days, kwh):
    assert round(nameplate_energy_kwh(power_w, hours_per_day_h=hours, days=days)) == kwh


@pytest.mark.parametrize(
    ("example", "price", "cost"),
    [(FAN, 0.11, 10.56), (FAN, 0.085, 8.16), (COMPUTER, 0.11, 43.34)],
)
def test_cost_of_the_worked_examples(example, price, cost):
    power_w, hours, days, _ = example
    kwh = round(nameplate_energy_kwh(power_w, hours_per_day_h=hours, days=days))
    assert round(kwh * price, 2) == cost


def test_cost_of_the_computer_at_the_lower_price():
    # Printed once as $33.51 and once as $33.50: the first does not round the energy.
    kwh = nameplate_energy_kwh(270, hours_per_day_h=4, days=365)
    assert kwh == pytest.approx(394.2)
    assert round(kwh * 0.085, 2) == 33.51


def test_the_shared_check_values_are_those_of_the_library():
    for name in ("doe_fan", "doe_computer"):
        entry = VALUES[name]
        kwh = nameplate_energy_kwh(
            entry["power_w"], hours_per_day_h=entry["hours_per_day_h"], days=entry["days"]
        )
        assert round(kwh) == entry["energy_kwh"]
        assert round(round(kwh) * entry["price_per_kwh"], 2) == entry["cost"]
    dryer = VALUES["clothes_dryer_year"]
    year = annual_energy_of_uses(
        dryer["cycle_kwh"],
        uses_per_year=dryer["cycles_per_year"],
        low_power_w=dryer["low_power_w"],
        low_power_h=dryer["low_power_h"],
    )
    assert year == pytest.approx(dryer["energy_kwh"], rel=1e-12)


def test_uses_and_low_power_of_a_dryer():
    # Form of 10 CFR 430 Subpart B Appendix D2 (283 uses, 8,614 h); 2.80 kWh and 1.5 W are invented.
    year = annual_energy_of_uses(2.80, uses_per_year=283, low_power_w=1.5, low_power_h=8614)
    assert year == pytest.approx(792.400 + 12.921, rel=1e-12)
    assert round(year, 3) == 805.321


@pytest.mark.parametrize(
    ("day_kwh", "price", "dollars"),
    [
        (1.25, 0.12, 55),  # 54.75
        (1.2, 0.12, 53),  # 52.56
        (1.0, 0.10, 37),  # 36.50, a tie: up, where rounding to even would give 36
        (1.0, 0.90, 329),  # 328.50, a tie: up, where rounding to even would give 328
        (1.0, 0.30, 110),  # 109.50, a tie
        (1.4, 0.25, 128),  # 127.75
        (0.0, 0.12, 0),
    ],
)
def test_annual_cost_of_a_refrigerator_rounds_ties_up(day_kwh, price, dollars):
    # 10 CFR 430.23: 365 days, to the nearest dollar, an exact half upwards.
    assert refrigerator_annual_cost(day_kwh, price_per_kwh=price) == dollars


@given(st.integers(1, 2000), st.integers(1, 100))
def test_annual_cost_agrees_with_whole_numbers(thousandths, cents):
    # In whole numbers: 365 x thousandths of a kWh x cents is in hundred-thousandths of a dollar.
    exact = 365 * thousandths * cents
    cost = refrigerator_annual_cost(thousandths / 1000, price_per_kwh=cents / 100)
    assert cost == (2 * exact + 100_000) // 200_000
