"""Under steps an appliance has a share of the bill, and a worth of being without it."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from homeenergy.errors import HouseError
from homeenergy.findings import house_findings
from homeenergy.findings.bill import stepped_cost
from homeenergy.house import Tariff
from homeenergy.house.prices import PriceBlock, block_cost
from homeenergy.readings import open_house
from homeenergy.readings.trace import Trace
from tests.findings.small_house import made_house

BLOCKS = (
    PriceBlock(price_per_kwh=0.1, up_to_kwh=300),
    PriceBlock(price_per_kwh=0.2, up_to_kwh=800),
    PriceBlock(price_per_kwh=0.4),
)
STEPS = Tariff(currency="USD", blocks=BLOCKS)


def steady(watts, days, *, start="2026-04-01T00:00Z"):
    return Trace(
        label="load",
        start=pd.Timestamp(start),
        period_s=900,
        watts=np.full(days * 96, watts, np.float32),
    )


def test_blocks_by_hand():
    assert block_cost([0, 300, 301, 800, 1000], BLOCKS).tolist() == pytest.approx(
        [0, 30, 30.2, 130, 210]
    )


@given(st.floats(0, 3000), st.floats(0, 3000))
def test_more_never_costs_less_and_steps_meet(a, b):
    low, high = sorted((a, b))
    cost = block_cost([low, high], BLOCKS)
    assert cost[1] >= cost[0]
    assert cost[1] - cost[0] <= 0.4 * (high - low) + 1e-9


def test_a_month_by_hand():
    # April: the house takes 1 kW, 720 kWh, the appliance 0.25 kW of it, 180 kWh.
    found = stepped_cost(steady(250, 30), [steady(1000, 30)], tariff=STEPS, timezone="UTC")
    (row,) = found.table.to_dict("records")
    assert (row["days"], row["of_days"]) == (30, 30)
    bill = 300 * 0.1 + 420 * 0.2
    assert row["bill"] == pytest.approx(bill)
    assert found.share_cost == pytest.approx(bill * 180 / 720)
    assert found.marginal_cost == pytest.approx(180 * 0.2)
    assert row["marginal_price"] == pytest.approx(0.2)
    assert found.kwh == pytest.approx(180)


def test_legs_add_and_shares_add_up_to_the_bill():
    legs = [steady(400, 30), steady(600, 30)]
    shares = [
        stepped_cost(steady(w, 30), legs, tariff=STEPS, timezone="UTC").share_cost
        for w in (100, 250, 650)
    ]
    assert sum(shares) == pytest.approx(300 * 0.1 + 420 * 0.2)


def test_half_a_month_is_taken_as_like_the_other_half():
    whole = stepped_cost(steady(250, 30), [steady(1000, 30)], tariff=STEPS, timezone="UTC")
    half = stepped_cost(steady(250, 15), [steady(1000, 15)], tariff=STEPS, timezone="UTC")
    assert half.share_cost == pytest.approx(whole.share_cost / 2)
    assert half.marginal_cost == pytest.approx(whole.marginal_cost / 2)


def test_steps_begin_anew_each_month_of_local_time():
    # From 1 April local time in Denver, 15 days of April and 15 days of May.
    trace, house = (steady(w, 30, start="2026-04-16T06:00Z") for w in (250, 1000))
    found = stepped_cost(trace, [house], tariff=STEPS, timezone="America/Denver")
    assert found.table["days"].tolist() == [15, 15]
    assert found.table["of_days"].tolist() == [30, 31]


def test_what_cannot_be_told_is_refused():
    flat = Tariff(currency="USD", price_per_kwh=0.1)
    with pytest.raises(HouseError, match=r"no steps.*\n.*energy_cost"):
        stepped_cost(steady(1, 2), [steady(1, 2)], tariff=flat, timezone="UTC")
    with pytest.raises(HouseError, match="no day is covered both by 'load' and by the whole house"):
        stepped_cost(
            steady(1, 2),
            [steady(1, 2, start="2026-06-01T00:00Z")],
            tariff=STEPS,
            timezone="UTC",
        )


STEPS_TOML = """
[tariff]
currency = "USD"
[[tariff.block]]
up_to_kwh = 300
price_per_kwh = 0.1
[[tariff.block]]
price_per_kwh = 0.2
"""


@pytest.mark.parametrize("role", ['role = "mains"', ""])
def test_house_findings_price_a_year_at_the_average_of_the_house(tmp_path, role):
    n = 30 * 96
    watts = {"heater": np.full(n, 250), "rest": np.full(n, 750), "mains": np.full(n, 1000)}
    if not role:
        del watts["mains"]
    house = made_house(
        tmp_path,
        watts,
        period_s=900,
        start="2026-04-01T00:00Z",
        circuits={"mains": role, "heater": 'kind = "continuous"', "rest": 'kind = "continuous"'},
    )
    path = tmp_path / "house.toml"
    path.write_text(path.read_text().replace("[[circuit]]", STEPS_TOML + "[[circuit]]", 1))
    findings = house_findings(open_house(house.path))
    (heater,) = [a for a in findings.appliances if a.circuit == "heater"]
    average = (300 * 0.1 + 420 * 0.2) / 720
    assert heater.cost_per_year.value == pytest.approx(365 * 6 * average, rel=1e-6)
    assert "steps" in heater.cost_per_year.basis
    whole = "the mains" if role else "the measured circuits alone"
    assert whole in heater.cost_per_year.basis


def test_a_house_that_draws_nothing_has_no_cost_under_steps(tmp_path):
    # Mains of no power next to a lamp that is on cannot be, and are held out.
    n = 5 * 96
    watts = {"mains": np.full(n, -100), "lamp": np.full(n, 60)}
    circuits = {"mains": 'role = "mains"', "lamp": 'kind = "continuous"'}
    made_house(tmp_path, watts, period_s=900, circuits=circuits)
    path = tmp_path / "house.toml"
    path.write_text(path.read_text().replace("[[circuit]]", STEPS_TOML + "[[circuit]]", 1))
    (lamp,) = house_findings(open_house(tmp_path)).appliances
    assert lamp.cost_per_year is None
    assert any("nothing is drawn through the mains" in remark for remark in lamp.remarks)


def test_one_circuit_alone_has_no_cost_under_steps_and_says_so(tmp_path):
    watts = {"heater": np.full(96 * 10, 250), "rest": np.full(96 * 10, 750)}
    made_house(tmp_path, watts, period_s=900, start="2026-04-01T00:00Z")
    path = tmp_path / "house.toml"
    path.write_text(path.read_text().replace("[[circuit]]", STEPS_TOML + "[[circuit]]", 1))
    (heater,) = house_findings(open_house(tmp_path), circuits=["heater"]).appliances
    assert heater.cost_per_year is None
    assert any("depends on what the whole house uses" in remark for remark in heater.remarks)
