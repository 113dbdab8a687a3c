"""Programmes, appliances, houses, weekdays and hours of a small house, known by hand."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from homeenergy.cycles.programmes import find_programmes
from homeenergy.errors import HouseError
from homeenergy.findings import (
    compare_appliances,
    compare_houses,
    compare_programmes,
    compare_weekdays,
    compare_weekend,
    house_findings,
    programme_uses,
)
from homeenergy.findings.appliance.house import appliance_finding
from homeenergy.findings.comparison.circuits import compare_named
from homeenergy.findings.comparison.times import compare_hours
from homeenergy.house import Tariff
from homeenergy.house.schedule import Circuit, ProgrammeName
from homeenergy.readings import open_house
from homeenergy.readings.trace import Trace

from .machines import build
from .small_house import made_house


@pytest.fixture(scope="module")
def house(tmp_path_factory):
    return build(tmp_path_factory.mktemp("mill") / "house")


@pytest.fixture(scope="module")
def found(house):
    return {one.circuit: one for one in house_findings(house).appliances}


def test_two_programmes(house, found):
    programmes = find_programmes(found["washer"].cycles)
    short, long = programmes.table.sort_values("kwh")["name"]
    one = compare_programmes(found["washer"], programmes, a=long, b=short, tariff=house.tariff)
    # 60 minutes more at 1 kW; both together once a day; 0.2 a kWh.
    assert one.difference.value == pytest.approx(1.0, rel=0.05)
    assert one.difference.low < 1.0 < one.difference.high
    assert one.weekly == pytest.approx(7, rel=0.01)
    assert one.cost_per_year.value == pytest.approx(one.difference.value * 0.2 * 365, rel=0.01)
    assert one.difference.systematic == pytest.approx(0.02 * one.difference.value)
    assert one.ratio.systematic == 0
    assert (one.a.n, one.b.n) == (17, 18)
    assert f"washer, {long}, uses 1." in one.sentence
    with pytest.raises(HouseError, match="compared with itself"):
        compare_programmes(found["washer"], programmes, a=long, b=long)
    with pytest.raises(HouseError, match="no programme 'wool'"):
        compare_programmes(found["washer"], programmes, a=long, b="wool")


def test_what_programmes_use_and_cost(house, found):
    names = [
        ProgrammeName(circuit="washer", name="Cotton", minutes=100, kwh=1.5),
        ProgrammeName(circuit="dryer", name="Other", minutes=40, kwh=0.5),
    ]
    uses = programme_uses(found["washer"], tariff=house.tariff, names=names)
    cotton, short = uses.uses
    assert (cotton.name, cotton.runs, short.runs) == ("Cotton", 17, 18)
    assert cotton.run_kwh.value == pytest.approx(1.525, rel=0.05)
    assert cotton.run_kwh.systematic == pytest.approx(0.02 * cotton.run_kwh.value)
    assert cotton.minutes.value == pytest.approx(100, rel=0.05)
    assert cotton.cost.value == pytest.approx(0.2 * cotton.run_kwh.value)
    assert cotton.cost.unit == "EUR"
    assert uses.to_frame()["runs"].sum() == 35
    assert "| Cotton | 17 | 1.5" in uses.to_markdown()
    assert not programme_uses(found["washer"]).programmes.unused


def test_two_appliances_by_day_are_compared_on_the_same_days(found):
    one = compare_appliances(found["washer"], found["dryer"])
    assert one.method.startswith("mean of the differences of 35 days")
    daily = [found[name].daily["kwh"].to_numpy() for name in ("washer", "dryer")]
    assert one.difference.value == pytest.approx(np.mean(daily[0] - daily[1]))
    assert one.cost_per_year.value == pytest.approx(one.difference.value * 365 * 0.2)
    assert one.remarks  # the dryer's clamp is not stated
    with pytest.raises(HouseError, match="washer would be compared with itself"):
        compare_appliances(found["washer"], found["washer"])


def test_two_appliances_by_run(found):
    one = compare_appliances(found["dryer"], found["washer"], per="load")
    assert one.weekly == pytest.approx(7, rel=0.05)
    assert "less per load than washer" in one.sentence
    assert "loads a week" in one.sentence


def test_two_appliances_are_worth_what_each_paid(found):
    # The washer takes 1.0 kWh a day, the dryer 0.5, at a tenth and at one a kWh.
    washer, dryer = (
        replace(
            one,
            clamp_errors=replace(one.clamp_errors, uncertainty=0.01),
            cost_per_year=replace(one.cost_per_year, value=one.kwh_per_day.value * 365 * price),
        )
        for one, price in ((found["washer"], 0.1), (found["dryer"], 1.0))
    )
    one = compare_appliances(washer, dryer)
    assert one.difference.value > 0
    costs = washer.cost_per_year.value, dryer.cost_per_year.value
    assert one.cost_per_year.value == pytest.approx(costs[0] - costs[1])
    assert one.cost_per_year.systematic == pytest.approx(0.01 * np.hypot(*costs))
    assert "a year the other way" in one.sentence
    same = compare_appliances(washer, dryer, one_price=True)
    assert same.cost_per_year.value == pytest.approx(one.difference.value * 365 * 0.55)


def test_runs_a_week_are_those_of_the_days_with_readings():
    watts = np.zeros((28, 1440), np.float32)
    watts[2::7, 600:660] = 2000  # Wednesdays: an hour at ten, half an hour at two
    watts[2::7, 840:870] = 1000
    start = pd.Timestamp("2026-03-02T00:00Z")
    trace = Trace(label="washer", start=start, period_s=60, watts=watts.ravel())
    washer = Circuit(name="washer", appliance="washer", kind="batch")
    tariff = Tariff(currency="EUR", price_per_kwh=0.3)
    one = appliance_finding(trace, circuit=washer, timezone="UTC", tariff=tariff)
    programmes = find_programmes(one.cycles)
    short, long = programmes.table.sort_values("kwh")["name"]
    both = compare_programmes(one, programmes, a=long, b=short)
    assert both.weekly == pytest.approx(2)
    assert both.cost_per_year.value == pytest.approx(1.5 * 0.3 * 2 * 365 / 7, rel=0.01)


def test_no_number_of_days_tells_less_than_the_clamps_may_be_off(found):
    washer, other = (
        replace(
            found["dryer"],
            clamp_errors=replace(found["dryer"].clamp_errors, name=name, uncertainty=0.08),
        )
        for name in ("one", "other")
    )
    other = replace(other, cycles=replace(other.cycles))
    one = compare_appliances(washer, other)
    assert not one.differs
    assert one.needed is None
    assert "no number of days would be likely to show one of 10 %" in one.sentence


def test_a_circuit_without_readings_is_refused(tmp_path):
    watts = {"lamp": np.full(4 * 1440, np.nan), "fan": np.full(4 * 1440, 30.0)}
    made_house(tmp_path / "house", watts)
    for per, words in (("day", "lamp: 0 days with readings"), ("run", "lamp: 0 of 0 runs")):
        with pytest.raises(HouseError, match=words):
            compare_named(open_house(tmp_path / "house"), a="lamp", b="fan", per=per)


def test_runs_that_were_all_cut_are_refused_by_run(found):
    cycles = found["dryer"].cycles
    cut = replace(cycles, table=cycles.table.assign(complete=False))
    broken = replace(found["dryer"], cycles=cut)
    with pytest.raises(HouseError, match="dryer: 0 of 35 runs are complete"):
        compare_appliances(broken, found["washer"], per="run")


def test_weekends(found):
    one = compare_weekend(found["oven"])
    assert one.differs
    assert one.difference.value == pytest.approx(1.0, rel=0.05)
    assert one.cost_per_year.value == pytest.approx(one.difference.value * 0.2 * 2 * 365 / 7)
    plain = compare_weekend(found["dryer"])
    assert not plain.differs
    days = compare_weekdays(found["oven"])
    assert [row.name_a for row in days.differing if row.difference.value > 0] == [
        "Saturdays",
        "Sundays",
    ]
    assert "7 comparisons, corrected after Holm" in days.sentence
    assert not compare_weekdays(found["dryer"]).differing
    assert len(days.to_frame()) == 7


def test_hours(house, found):
    hours = compare_hours(house.trace("dryer"), finding=found["dryer"])
    more = [one.name_a for one in hours.differing if one.difference.value > 0]
    assert more == ["10:00 to 11:00"]
    assert len(hours.all) == 24
    assert hours.all[0].a.value == pytest.approx(0.001)  # 1 W of rest


def test_the_same_appliance_in_two_houses(house, tmp_path):
    other = build(tmp_path / "other", currency="USD", seed=31)
    one = compare_houses(house, other, circuit=("washer", "dryer"), per="run")
    assert one.differs
    assert one.cost_per_year is None  # two currencies
    with pytest.raises(HouseError, match="circuit 'dryer' would be compared with itself"):
        compare_houses(house, house, circuit="dryer")


@pytest.mark.parametrize(
    ("a", "b", "words"),
    [
        ("washer", "washer", "would be compared with itself"),
        ("washer:1", "washer:1", "would be compared with itself"),
        ("washer:1", "dryer", "a programme and a whole circuit"),
        ("washer:7", "washer:1", "'7' is not a programme of 'washer'"),
        ("washer:", "washer:1", "'' is not a programme of 'washer'"),
        ("kiln", "washer", "no circuit 'kiln'"),
    ],
)
def test_what_cannot_be_compared_is_refused(house, a, b, words):
    with pytest.raises(HouseError, match=words):
        compare_named(house, a=a, b=b)


def test_programmes_of_two_machines(house):
    one = compare_named(house, a="washer:1", b="dryer:1")
    assert one.per == "run"
    assert not one.differs  # both are the short use
    by_name = compare_named(house, a=f"washer:{one.name_a.split(', ', 1)[1][:6]}", b="washer:2")
    assert by_name.difference.value < -0.9
    with pytest.raises(HouseError, match="compared per run, not per day"):
        compare_named(house, a="washer:1", b="washer:2", per="day")
