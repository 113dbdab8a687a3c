"""Advice: like for like, above the floor, from no glitch; what is at stake; [[measure]] tables."""

import math

import numpy as np
import pandas as pd
import pytest

from homeenergy.errors import HouseError
from homeenergy.findings import house_findings
from homeenergy.findings.house_year import house_year
from homeenergy.findings.loads.programmes import ProgrammeUse
from homeenergy.findings.saving.advice import FLOOR_KWH, FLOOR_SHARE, find_advice, same_job
from homeenergy.findings.saving.look_into import look_into
from homeenergy.findings.saving.measures import hand_wash_kwh, measure_actions
from homeenergy.findings.saving.running import tank_loss_w
from homeenergy.findings.saving.saving import present_value
from homeenergy.house.toml_file import house_toml, read_schedule
from homeenergy.readings import open_house
from homeenergy.stats.estimate import measured
from tests.findings.small_house import made_house, switched

DAYS = 21
DISHWASHER = 'appliance = "Dishwasher"\nkind = "batch"'


def dishes(*, lean_kwh=0.7, lean_min=100, lean_days=range(1, DAYS, 2), seed=1):
    """A programme of 100 min and 1.2 kWh on all other days, and another."""
    rng = np.random.default_rng(seed)
    watts = np.zeros(DAYS * 1440)
    for day in range(DAYS):
        lean = day in lean_days
        kwh, minutes = (lean_kwh, lean_min) if lean else (1.2, 100)
        at = day * 1440 + 18 * 60 + int(rng.integers(0, 30))
        heat = min(20, minutes // 2)
        watts[at : at + minutes] = 60
        level = (kwh * 1000 - 60 * minutes / 60) / (heat / 60) + 60
        watts[at + 2 : at + 2 + heat] = level * (1 + rng.normal(0, 0.01))
    return watts


def advice_of(folder, watts, circuits=None, *, price=0.3, lines="", **options):
    house = made_house(folder, watts, tariff=("EUR", price), circuits=circuits or {})
    if lines:
        with (folder / "house.toml").open("a", encoding="utf-8") as toml:
            toml.write(f"\n{lines}\n")
        house = open_house(folder)
    findings = house_findings(house)
    year = house_year(house, findings)
    given, unsaid = measure_actions(house, findings.appliances)
    advice = find_advice(house, findings.appliances, year, measures=given, **options)
    return house, findings, year, advice, unsaid


def dos(actions):
    return [one.do.text.format(**one.do.figures) for one in actions]


def test_the_same_job_with_less_is_advised(tmp_path):
    _, _, _, advice, _ = advice_of(
        tmp_path, {"dishwasher": dishes()}, {"dishwasher": DISHWASHER}, floor=1.0
    )
    action = next(a for a in advice.actions if "programme" in a.do.text)
    # 11 of 21 days at 1.2 kWh become 0.7.
    assert action.saving.kwh_per_year.value == pytest.approx(365 * 11 / 21 * 0.5, rel=0.03)
    assert action.rests_on[0].figures["usual_runs"] == 11


def test_a_shorter_programme_is_another_job(tmp_path):
    watts = dishes(lean_kwh=0.4, lean_min=40)
    _, _, _, advice, _ = advice_of(
        tmp_path, {"dishwasher": watts}, {"dishwasher": DISHWASHER}, floor=0.0
    )
    every = (*advice.actions, *advice.too_small, *advice.too_dear, *advice.unsure)
    assert not [text for text in dos(every) if "programme" in text]


@pytest.mark.parametrize("samples", [1, 3])
def test_lone_wrong_readings_are_no_programme(tmp_path, samples):
    watts = dishes(lean_days=())
    for day in (3, 8, 12, 15, 17, 19)[: 6 if samples == 1 else 3]:
        watts[day * 1440 + 300 : day * 1440 + 300 + samples] = 3900.0
    _, _, _, advice, _ = advice_of(
        tmp_path, {"dishwasher": watts}, {"dishwasher": DISHWASHER}, floor=0.0
    )
    every = (*advice.actions, *advice.too_small, *advice.unsure)
    assert not [text for text in dos(every) if "programme" in text]


def use(name, *, runs, minutes):
    return ProgrammeUse(
        name=name,
        runs=runs,
        run_kwh=measured(1.0, 0.1, unit="kWh", n=runs, basis=""),
        minutes=measured(float(minutes), 1.0, unit="min", n=runs, basis=""),
        cost=None,
    )


@pytest.mark.parametrize(
    ("runs", "minutes", "heatings", "same"),
    [
        (10, 100, 2, True),
        (10, 130, 2, True),
        (10, 140, 2, False),
        (10, 60, 2, False),
        (10, 100, 1, False),
        (4, 100, 2, False),
        (7, 100, 2, False),  # fewer than a tenth of all
    ],
)
def test_what_the_same_job_is(runs, minutes, heatings, same):
    usual, lean = use("a", runs=40, minutes=100), use("b", runs=runs, minutes=minutes)
    every = 80 if runs == 7 else 60
    assert same_job(usual, lean, runs=every, heatings=(2, heatings)) is same


def test_nothing_under_the_floor_is_advised(tmp_path):
    watts = {
        "tv": switched(DAYS, [19], on_w=90, lasts_h=3, rest_w=3.0),
        "heater": switched(DAYS, [7, 17], on_w=2000, lasts_h=2),
    }
    circuits = {"tv": 'kind = "manual"', "heater": 'kind = "manual"'}
    _, _, year, advice, _ = advice_of(tmp_path, watts, circuits)
    assert advice.floor == pytest.approx(FLOOR_SHARE * year.bill.value)
    assert not advice.actions
    assert dos(advice.too_small) == ["Switch tv off while nobody uses it"]


def test_next_to_nothing_is_not_worth_the_trouble_of_a_small_house(tmp_path):
    watts = {"tv": switched(DAYS, [19], on_w=20, lasts_h=3, rest_w=2.0)}  # 16 kWh a year at rest
    _, _, year, advice, _ = advice_of(tmp_path, watts, {"tv": 'kind = "manual"'})
    assert year.bill.value < 20
    assert advice.floor == pytest.approx(FLOOR_KWH * 0.3)
    assert not advice.actions


def tank(days, *, loss_w, draws, power_w=2000.0, step_s=60, seed=0):
    """A thermostat on a tank: a dead band of 300 Wh, hot water drawn by day."""
    rng = np.random.default_rng(seed)
    watts, missing, heating = np.zeros(days * 86_400 // step_s), 0.0, False
    for i in range(watts.size):
        hour = i * step_s / 3600 % 24
        missing += loss_w * step_s / 3600
        if draws and 6.5 < hour < 22 and rng.random() < 1 / 120:
            missing += rng.uniform(100, 900)
        heating = missing > 300 or (heating and missing > 0)
        if heating:
            watts[i] = power_w
            missing -= power_w * step_s / 3600
    return watts


@pytest.mark.parametrize("loss_w", [60.0, 100.0])
def test_the_heat_a_tank_loses_is_told_from_its_longest_rests(tmp_path, loss_w):
    house, findings, year, advice, _ = advice_of(
        tmp_path,
        {"boiler": tank(DAYS, loss_w=loss_w, draws=True)},
        {"boiler": 'appliance = "Water heater"\nkind = "thermostatic"'},
    )
    found = tank_loss_w(findings.appliances[0].cycles)
    # What is drawn within a long rest counts as a loss: it is an upper figure, and near.
    assert loss_w * 0.97 <= found.value <= loss_w * 1.35
    looks = look_into(house, year, floor=advice.floor)
    assert [one.load for one in looks] == ["Water heater"]
    assert looks[0].main.value == pytest.approx(found.value * 8.76 * 0.3, rel=0.01)


@pytest.mark.parametrize("loss_w", [60.0, 100.0])
def test_losses_are_told_where_most_rests_have_no_use(loss_w, tmp_path):
    watts = tank(DAYS, loss_w=loss_w, draws=False)
    rng = np.random.default_rng(3)
    for day in range(DAYS):  # hot water twice a day: one long run
        for hour in (7, 19):
            at = day * 1440 + hour * 60 + int(rng.integers(0, 50))
            watts[at : at + int(rng.integers(30, 70))] = 2000.0
    _, findings, *_ = advice_of(tmp_path, {"boiler": watts}, {"boiler": 'kind = "thermostatic"'})
    assert tank_loss_w(findings.appliances[0].cycles).value == pytest.approx(loss_w, rel=0.05)


def looks_at(tmp_path, watts, circuits, *, lines=""):
    house, _, year, advice, _ = advice_of(tmp_path, watts, circuits, lines=lines)
    return look_into(house, year, floor=advice.floor), year


def test_big_loads_that_are_set_to_run_are_asked_about(tmp_path):
    rng = np.random.default_rng(5)
    by_hand = np.zeros(DAYS * 1440)
    for day in range(DAYS):
        at = day * 1440 + 9 * 60 + int(rng.integers(-40, 40))
        by_hand[at : at + 540 + int(rng.integers(-40, 40))] = 500.0
    circuits = dict.fromkeys(("rack", "router", "alarm"), 'kind = "continuous"')
    looks, _ = looks_at(
        tmp_path,
        {
            "pool_pump": switched(DAYS, [9], on_w=750, lasts_h=9),
            "rack": 300.0 + 5.0 * rng.normal(size=DAYS * 1440),
            "router": np.full(DAYS * 1440, 8.0),  # never off, and small
            "alarm": 200.0 + 5.0 * rng.normal(size=DAYS * 1440),  # guards people
            "lights": by_hand,
        },
        circuits | {"pool_pump": "", "lights": 'kind = "manual"'},
    )
    assert [one.load for one in looks] == ["rack", "pool_pump"]
    assert looks[0].main.value == pytest.approx(0.3 * 8760 * 0.3, rel=0.01)
    assert looks[1].main.value == pytest.approx(0.75 * 9 * 365 * 0.3, rel=0.02)


def test_what_is_fed_back_is_offered_once_and_to_the_largest_first(tmp_path):
    solar = -switched(DAYS, [10], on_w=2000, lasts_h=4)
    car, dryer = (
        switched(DAYS, [19], on_w=7000, lasts_h=2),
        switched(DAYS, [20], on_w=2000, lasts_h=1),
    )
    house = made_house(
        tmp_path,
        {"mains": solar + car + dryer, "solar": solar, "car_charger": car, "dryer": dryer},
        tariff=("EUR", "0.3\nexport_price_per_kwh = 0.1"),
        circuits={
            "mains": 'role = "mains"',
            "car_charger": 'kind = "manual"',
            "dryer": 'kind = "batch"',
        },
    )
    findings = house_findings(house)
    year = house_year(house, findings)
    found = [one for one in look_into(house, year, floor=20.0) if "feeds power" in one.do.text]
    # 8 kWh a day fed back, and 14 kWh that the car takes: no kWh is left for the dryer.
    assert [one.load for one in found] == ["car_charger"]
    assert found[0].main.value == pytest.approx(8 * 365 * (0.3 - 0.1), rel=0.02)


def test_a_heater_that_a_clock_starts_tells_nothing_of_its_losses(tmp_path):
    watts = switched(DAYS, [12], on_w=2000, lasts_h=1.5)
    _, findings, *_ = advice_of(tmp_path, {"boiler": watts}, {"boiler": 'kind = "thermostatic"'})
    assert tank_loss_w(findings.appliances[0].cycles) is None


def test_a_compressor_is_no_tank(tmp_path):
    watts = {"fridge": np.tile(np.r_[np.full(20, 90.0), np.zeros(40)], DAYS * 24)}
    _, findings, *_ = advice_of(tmp_path, watts, {"fridge": 'kind = "thermostatic"'})
    assert tank_loss_w(findings.appliances[0].cycles) is None


MEASURES = """
[[measure]]
circuit = "dishwasher"
do = "A new dishwasher"
price = 700
subsidy = 100
life_years = 12
new_kwh_per_100_uses = 60
source = "label"

[[measure]]
circuit = "dishwasher"
do = "Wash by hand"
hot_litres_per_use = 15
rise_k = 30
efficiency = 0.9

[[measure]]
circuit = "dishwasher"
do = "Fix it"
saves_share = 0.2
source = "stated by its maker"
price = 50
"""


def test_measures_are_weighed_with_price_life_and_subsidy(tmp_path):
    house, findings, _, advice, _ = advice_of(
        tmp_path, {"dishwasher": dishes()}, {"dishwasher": DISHWASHER}, lines=MEASURES, floor=1.0
    )
    by_name = {one.saving.measure: one for one in (*advice.actions, *advice.too_dear)}
    year_kwh = findings.appliances[0].kwh_per_day.value * 365
    new = by_name["A new dishwasher"]
    assert new.saving.kwh_per_year.value == pytest.approx(year_kwh - 365 * 0.6, rel=0.02)
    saved = new.saving.cost_per_year.value
    assert new.saving.payback_years.value == pytest.approx(600 / saved, rel=0.02)
    annuity = sum(1.03**-k for k in range(1, 13))
    assert new.present_value.value == pytest.approx(saved * annuity - 600, rel=1e-6)
    # In twelve years it does not save what it costs, so nobody is told to buy it.
    assert new.present_value.value < 0
    assert new in advice.too_dear
    hand = by_name["Wash by hand"]
    each = 15 * 30 * 1.163 / 0.9 / 1000
    assert hand.saving.kwh_per_year.value == pytest.approx(year_kwh - 365 * each, rel=0.02)
    fix = by_name["Fix it"]
    assert fix.saving.kwh_per_year.value == pytest.approx(0.2 * year_kwh, rel=0.02)
    # Together they never save more than there is.
    assert advice.together.total_kwh_per_year.value < year_kwh
    alone = [a.saving.kwh_per_year.value for a in advice.actions]
    left = np.prod([1 - one / year_kwh for one in alone])
    assert advice.together.total_kwh_per_year.value == pytest.approx(
        year_kwh * (1 - left), rel=0.02
    )
    again = house_toml(house.schedule)
    assert again.count("[[measure]]") == 3


def test_every_action_says_what_it_rests_on_and_what_would_refute_it(tmp_path):
    _, _, _, advice, _ = advice_of(
        tmp_path, {"dishwasher": dishes()}, {"dishwasher": DISHWASHER}, lines=MEASURES, floor=0.0
    )
    for action in (*advice.actions, *advice.too_small, *advice.unsure):
        assert action.rests_on
        assert action.assumes
        assert action.wrong_if.text
        for said in (action.do, *action.rests_on, *action.assumes, action.wrong_if):
            assert said.text.format(**said.figures)


def test_actions_are_in_the_order_of_what_they_save(tmp_path):
    """115 W that may lie 30 % lower in other seasons before 100 W that may lie 10 % lower."""
    kinds = {
        "a": 'kind = "continuous"\nseason = "none"',
        "b": 'kind = "continuous"\nseason = "some"',
    }
    measure = '[[measure]]\ncircuit = "{}"\ndo = "{}"\nsaves_share = 0.5\nsource = "stated"\n'
    watts = {"a": np.full(DAYS * 1440, 100.0), "b": np.full(DAYS * 1440, 115.0)}
    lines = measure.format("a", "narrow") + measure.format("b", "more")
    *_, advice, _ = advice_of(tmp_path, watts, kinds, lines=lines, floor=1.0)
    first, second = advice.actions
    assert [one.saving.measure for one in (first, second)] == ["more", "narrow"]
    assert first.main.low < second.main.low


def test_a_measure_of_nothing_measured_is_named(tmp_path):
    lines = '[[measure]]\ncircuit = "shed"\ndo = "Lamps"\nlamps_then_w = 10\n'
    watts = {"dishwasher": dishes(), "shed": np.full(DAYS * 1440, np.nan)}
    *_, unsaid = advice_of(tmp_path, watts, {"dishwasher": DISHWASHER}, lines=lines)
    assert [one.figures["measure"] for one in unsaid] == ["Lamps"]


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        ('do = "x"', "exactly one of"),
        ('do = "x"\nsaves_share = 0.1', "source"),
        ('do = "x"\nsaves_share = 1.5\nsource = "y"', "share above 0"),
        ('do = "x"\nsaves_share = 0.1\nnew_kwh_per_year = 3\nsource = "y"', "exactly one of"),
        ('do = "x"\nhot_litres_per_use = 10\nrise_k = 30', "efficiency"),
        ('do = "x"\nnew_kwh_per_year = 3\nprice = 5\nsubsidy = 9', "more than the price"),
    ],
)
def test_a_measure_that_says_nothing_is_refused(tmp_path, lines, words):
    head = 'name = "A"\ntimezone = "UTC"\n[[circuit]]\nname = "a"\n[[measure]]\ncircuit = "a"\n'
    (tmp_path / "house.toml").write_text(head + lines, encoding="utf-8")
    with pytest.raises(HouseError, match=words):
        read_schedule(tmp_path)


def test_present_value_and_hot_water_are_those_of_the_textbook():
    saved = measured(100.0, 10.0, unit="EUR", n=9, basis="")
    found = present_value(saved, price=500, life_years=10, interest=0.03)
    assert found.value == pytest.approx(sum(100 / 1.03**k for k in range(1, 11)) - 500)
    assert found.high - found.value == pytest.approx(10 * sum(1.03**-k for k in range(1, 11)))
    assert present_value(saved, price=500, life_years=10, interest=0.0).value == pytest.approx(500)
    # 10 l from 15 to 60 degrees: 10 kg x 45 K x 4.1868 kJ, in kWh.
    assert hand_wash_kwh(10, rise_k=45, efficiency=1) == pytest.approx(450 * 4.1868 / 3600, 3e-4)


def test_a_year_adds_up(tmp_path):
    watts = {
        "oven": switched(DAYS, [18], on_w=2000, lasts_h=1, rest_w=5.0),
        "lamp": switched(DAYS, [20], on_w=60, lasts_h=3),
    }
    _, _, year, _, _ = advice_of(tmp_path, watts)
    assert not year.whole_house
    assert sum(one.kwh.value for one in year.loads) == pytest.approx(year.kwh.value)
    assert sum(one.share for one in year.loads) == pytest.approx(1.0)
    assert math.isclose(year.energy.value, 0.3 * year.kwh.value)
    frame = year.to_frame()
    assert frame["kwh_per_year"].iloc[:-1].sum() == pytest.approx(frame["kwh_per_year"].iloc[-1])
    assert isinstance(frame, pd.DataFrame)
