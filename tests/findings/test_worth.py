"""What a kWh saved is worth: by the bill with a load and the bill without it."""

import numpy as np
import pandas as pd
import pytest

from homeenergy.findings import house_findings
from homeenergy.findings.house_year import house_year
from homeenergy.findings.saving.look_into import look_into
from homeenergy.findings.saving.what_if import replace_unit
from homeenergy.house.prices import PriceBlock, block_cost
from homeenergy.readings import open_house
from homeenergy.show.document.findings import mains_text
from homeenergy.show.my_house.answers import house_answer
from tests.findings.small_house import made_house, switched

DAYS = 14
EARNED = 0.07
DAY_NIGHT = f"""
export_price_per_kwh = {EARNED}
[[tariff.period]]
name = "day"
price_per_kwh = 0.34
hours = ["07:00-23:00"]
[[tariff.period]]
name = "night"
price_per_kwh = 0.24
hours = ["23:00-07:00"]
"""
STEPS = """
[[tariff.block]]
price_per_kwh = 0.2
up_to_kwh = 100
[[tariff.block]]
price_per_kwh = 0.4
"""


def house_of(folder, watts, tariff):
    made_house(folder, watts, circuits={"mains": 'role = "mains"'})
    path = folder / "house.toml"
    top, circuits = path.read_text(encoding="utf-8").split("[[circuit]]", 1)
    text = f'{top}[tariff]\ncurrency = "EUR"\n{tariff}\n[[circuit]]{circuits}'
    path.write_text(text, encoding="utf-8")
    return open_house(folder)


def sunny(folder, *, export=DAY_NIGHT):
    """A roof at noon, a heater that runs on it and a lamp that does not."""
    roof = -switched(DAYS, [10], on_w=3000, lasts_h=4)
    heater = switched(DAYS, [12], on_w=4000, lasts_h=1)
    lamp = switched(DAYS, [20], on_w=100, lasts_h=2)
    watts = {"mains": roof + heater + lamp + 90, "roof": roof, "heater": heater, "lamp": lamp}
    return house_of(folder, watts, export), watts


def bill(watts, price):
    """What is paid for a power of each minute, less what is earned [of all days]."""
    kwh = watts / 60_000
    return float((np.clip(kwh, 0, None) * price + np.clip(kwh, None, 0) * EARNED).sum())


def test_what_runs_on_own_power_is_worth_what_the_bill_falls_by(tmp_path):
    house, watts = sunny(tmp_path)
    found = {one.circuit: one for one in house_findings(house).appliances}
    hour = np.arange(DAYS * 1440) % 1440 / 60
    price = np.where((hour >= 7) & (hour < 23), 0.34, 0.24)
    for name in ("heater", "lamp"):
        without = bill(watts["mains"], price) - bill(watts["mains"] - watts[name], price)
        cost = float((watts[name] / 60_000 * price).sum())
        assert found[name].worth == pytest.approx(without / cost, rel=1e-6), name
    assert found["lamp"].worth == pytest.approx(1)
    assert found["heater"].worth < 0.6
    rest = np.where(watts["mains"] > 0, price, EARNED).mean() / price.mean()
    assert found["heater"].worth_at_rest == pytest.approx(rest, rel=1e-3)
    # A heater that takes nothing saves what the bill falls by, and not what its kWh would cost.
    saving = replace_unit(found["heater"], label_kwh_per_year=0)
    fall = bill(watts["mains"], price) - bill(watts["mains"] - watts["heater"], price)
    assert saving.cost_per_year.value == pytest.approx(fall / DAYS * 365, rel=1e-4)


def test_what_is_drawn_and_what_is_fed_back_are_told_from_their_difference(tmp_path):
    house, watts = sunny(tmp_path)
    findings = house_findings(house)
    a_day = watts["mains"] / 60_000 / DAYS
    assert findings.fed_back_kwh_per_day == pytest.approx(-a_day.clip(max=0).sum(), rel=1e-6)
    drawn, back = a_day.clip(min=0).sum(), -a_day.clip(max=0).sum()
    assert f"({drawn:.1f} drawn, {back:.1f} fed back)" in mains_text(findings)
    answer = house_answer(findings)
    assert f"drew from the grid about {drawn:.1f} kWh a day and fed {back:.1f} kWh back" in answer
    assert "%" not in answer


def test_what_never_stops_costs_less_where_the_sun_pays_for_it(tmp_path):
    house, watts = sunny(tmp_path)
    findings = house_findings(house)
    year = house_year(house, findings)
    hour = np.arange(DAYS * 1440) % 1440 / 60
    price = np.where((hour >= 7) & (hour < 23), 0.34, 0.24)
    worth = float(np.where(watts["mains"] > 0, price, EARNED).mean())
    assert year.base_kwh.value == pytest.approx(0.09 * 8760, rel=0.02)
    assert year.base_money.value == pytest.approx(year.base_kwh.value * worth, rel=1e-3)
    looks = look_into(house, year, floor=1.0)
    assert next(one for one in looks if not one.load).main.value == pytest.approx(
        0.09 * 8760 * worth, rel=0.02
    )


def test_without_a_price_for_what_is_fed_back_a_kwh_is_worth_its_price(tmp_path):
    house, _ = sunny(tmp_path, export="price_per_kwh = 0.3")
    assert {one.worth for one in house_findings(house).appliances} == {1.0}


def test_under_steps_what_is_saved_is_the_dearest(tmp_path):
    kettle = switched(DAYS, [8], on_w=2000, lasts_h=1)
    house = house_of(tmp_path, {"mains": kettle + 500, "kettle": kettle}, STEPS)
    (found,) = house_findings(house).appliances
    blocks = (PriceBlock(price_per_kwh=0.2, up_to_kwh=100), PriceBlock(price_per_kwh=0.4))
    month_kwh = np.array([14.0, 12.0]) * 31  # March, all of which was like these days
    paid, without = block_cost(month_kwh, blocks)
    share = paid / month_kwh[0] * 2 * 31
    assert found.worth == pytest.approx((paid - without) / share, rel=1e-6)
    assert found.worth_at_rest == pytest.approx(0.4 / (paid / month_kwh[0]), rel=1e-6)


def test_a_machine_that_can_wait_may_run_on_own_power(tmp_path):
    roof = -switched(DAYS, [10], on_w=3000, lasts_h=4)
    washer = switched(DAYS, [20], on_w=2000, lasts_h=1)
    watts = {"mains": roof + washer + 90, "roof": roof, "washer": washer}
    house = house_of(tmp_path, watts, DAY_NIGHT)
    path = house.path / "house.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace('name = "washer"', 'name = "washer"\nkind = "batch"', 1), "utf-8")
    house = open_house(house.path)
    year = house_year(house, house_findings(house))
    (look,) = (one for one in look_into(house, year, floor=1.0) if one.load == "washer")
    assert look.main.value == pytest.approx(2 * 365 * (0.34 - EARNED), rel=0.01)


def test_what_heats_rooms_all_day_is_no_load_that_never_stops_in_a_year(tmp_path):
    heat = np.full(DAYS * 1440, 1500.0)
    watts = {"mains": heat + 60, "heat_pump": heat}
    house = house_of(tmp_path, watts, "price_per_kwh = 0.3")
    path = house.path / "house.toml"
    text = path.read_text(encoding="utf-8")
    strong = 'name = "heat_pump"\nkind = "modulating"\nseason = "strong"'
    path.write_text(text.replace('name = "heat_pump"', strong, 1), encoding="utf-8")
    house = open_house(house.path)
    year = house_year(house, house_findings(house))
    assert year.base_kwh.value == pytest.approx(0.06 * 8760, rel=0.02)
    assert isinstance(year.to_frame(), pd.DataFrame)


def test_half_a_day_is_taken_for_a_day_without_an_interval(tmp_path):
    roof = -switched(1, [10], on_w=3000, lasts_h=1)[: 12 * 60]
    lamp = np.full(roof.size, 90.0)
    watts = {"mains": roof + lamp + 9, "roof": roof, "lamp": lamp}
    findings = house_findings(house_of(tmp_path, watts, DAY_NIGHT))
    # As circuits are: what it would be if a day were like this half, with no interval.
    mains = findings.mains_kwh_per_day
    assert mains.value == pytest.approx(watts["mains"].mean() * 0.024, rel=1e-3)
    assert not np.isfinite(mains.high - mains.low)
    back = -watts["mains"].clip(max=0).mean() * 0.024
    assert f"(?) a day ({mains.value + back:.1f} drawn, {back:.1f} fed back)" in mains_text(
        findings
    )
    assert "nan" not in house_answer(findings)


def test_days_without_readings_say_nothing_of_mains_without_a_whole_day(tmp_path):
    lamp = np.full(3 * 1440, np.nan)
    lamp[600:1200] = lamp[-1200:-600] = 90.0  # parts of the first and the last day
    findings = house_findings(house_of(tmp_path, {"mains": lamp + 9, "lamp": lamp}, DAY_NIGHT))
    assert findings.mains_kwh_per_day.value == pytest.approx(0.099 * 24, rel=1e-3)
