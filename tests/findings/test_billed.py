"""Bills against the log, peaks, own solar power: by hand."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from homeenergy.errors import HouseError
from homeenergy.findings import house_findings
from homeenergy.findings.bill import house_bill
from homeenergy.findings.billed import billed_year, median_ratio, read_bills, reconcile_bills
from homeenergy.findings.house_year import house_year
from homeenergy.findings.peaks import house_peaks, own_power
from homeenergy.findings.saving.advice import find_advice
from homeenergy.show.writeup import write_up
from tests.findings.small_house import made_house, switched

DAYS = 31
MAINS = {"mains": 'role = "mains"'}


def house_of(folder, watts, **options):
    return made_house(folder / "house", watts, start="2026-03-01T00:00Z", circuits=MAINS, **options)


def steady(folder, *, kw=1.0, **options):
    oven = switched(DAYS, [18], on_w=2000, lasts_h=2)
    return house_of(folder, {"mains": kw * 1000 + oven, "oven": oven}, **options)


def bills(folder, *lines):
    (folder / "house" / "bills.csv").write_text(
        "\n".join(["start,end,kwh,amount,estimated", *lines]) + "\n", encoding="utf-8"
    )


def test_bills_are_compared_by_dates_kwh_and_amounts(tmp_path):
    house = steady(tmp_path, tariff=("EUR", 0.3))  # 28 kWh a day
    bills(
        tmp_path,
        "2026-03-01,2026-03-10,280,84.00,no",
        "2026-03-11,2026-03-20,340,102.00,no",
        "2026-03-21,2026-03-25,200,,yes",
        "2026-03-26,2026-03-30,139,60.00,no",
        "2026-03-29,2026-04-28,800,,no",
    )
    found = reconcile_bills(house)
    table = found.table
    assert table["verdict"].tolist() == [
        "agrees",
        "differs",
        "estimated",
        "amount differs",
        "not logged",
    ]
    assert table["logged_kwh"].iloc[0] == pytest.approx(280, abs=0.01)
    assert table["expected_amount"].iloc[0] == pytest.approx(84, abs=0.01)
    # The energy of a day, 2 % and a kWh.
    assert table["high_kwh"].iloc[0] == pytest.approx(280 + 28 + 5.6 + 1, abs=0.05)
    assert median_ratio(found) == pytest.approx(np.median([1.0, 340 / 280, 139 / 140]), abs=1e-3)
    said = " ".join(str(b) for b in write_up(house, language="en-GB").parts["bill"])
    assert "1 of 4 bills that the log covers agree" in said
    assert "rest on an estimated reading: 1." in said


def test_demand_is_charged_once_a_month_of_the_bill(tmp_path):
    days, price = 61, "0.3\n[[tariff.demand]]\ninterval_min = 15\nprice_per_kw = 10"
    oven = switched(days, [18], on_w=2000, lasts_h=2)
    oven[: 20 * 1440] *= 2  # until 20 March
    house = house_of(tmp_path, {"mains": 1000 + oven, "oven": oven}, tariff=("EUR", price))
    bills(
        tmp_path,
        "2026-03-15,2026-04-14,892,,",  # 5 kW once, though it lies in two calendar months
        "2026-03-01,2026-04-30,1788,,",  # 5 kW in March, 3 kW in April
        "2026-03-25,2026-03-31,196,,",  # 3 kW
    )
    table = reconcile_bills(house).table.sort_values("kwh")
    energy = 0.3 * table["kwh"].to_numpy()
    assert table["expected_amount"].to_numpy() - energy == pytest.approx([30, 50, 80], abs=0.01)


def test_a_bill_may_begin_where_clocks_change_at_midnight(tmp_path):
    house = steady(tmp_path, tariff=("EUR", 0.3), timezone="Asia/Beirut")
    bills(tmp_path, "2026-03-02,2026-03-28,756,226.80,no", "2026-03-29,2026-03-30,55,16.5,no")
    assert reconcile_bills(house).table["verdict"].tolist() == ["agrees", "agrees"]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("start,end\n2026-03-01,2026-03-02\n", "has no column kwh"),
        ("start,end,kwh\n2026-03-31,2026-03-02,5\n", "ends before it begins"),
        ("start,end,kwh\n31.3.2026,2026-03-02,5\n", "is no day"),
        ("start,end,kwh\n2026-03-01,2026-03-02,many\n", "is not a number"),
        ("start,end,kwh\n2026-03-01,2026-03-02,inf\n", "is not a number"),
        ("start,end,kwh,estimated\n2026-03-01,2026-03-02,5,perhaps\n", "neither yes nor no"),
        ("start,end,kwh\n", "holds no bill"),
    ],
)
def test_a_bill_that_cannot_be_read_is_named(tmp_path, text, words):
    path = tmp_path / "bills.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(HouseError, match=words):
        read_bills(path)


def test_peaks_say_when_how_much_and_what_ran(tmp_path):
    kettle = switched(DAYS, [18.25], on_w=3000, lasts_h=0.25)
    oven = switched(DAYS, [18], on_w=2000, lasts_h=2)
    house = house_of(tmp_path, {"mains": 200 + kettle + oven, "oven": oven, "kettle": kettle})
    found = house_peaks(house, house_findings(house).appliances)
    month = found.months.iloc[0]
    assert month["kw"] == pytest.approx(5.2)
    assert (month["at"].hour, month["at"].minute) == (18, 15)
    assert [name for name, _ in month["loads"]] == ["kettle", "oven"]
    assert found.coincidence == pytest.approx(5.2 / 5.0)
    assert found.mean_kw == pytest.approx(0.2 + 2 * 2 / 24 + 3 * 0.25 / 24)
    at = found.duration.set_index("share")["kw"]
    assert at[0.5] == pytest.approx(0.2)
    assert at[0.05] == pytest.approx(2.2)


def test_own_power_is_used_or_fed_back(tmp_path):
    roof = -switched(DAYS, [10], on_w=3000, lasts_h=4)
    rest = np.full(DAYS * 1440, 1000.0)
    house = house_of(
        tmp_path,
        {"mains": rest + roof, "roof": roof},
        tariff=("EUR", "0.3\nexport_price_per_kwh = 0.1"),
    )
    findings = house_findings(house)
    back = 365 * findings.fed_back_kwh_per_day
    own = own_power(findings.appliances, fed_back_kwh=back, paid=0.1, price=0.3)
    # Four hours a day: 12 kWh made, 4 of it used, 8 fed back.
    assert own.made_kwh == pytest.approx(12 * 365, rel=1e-6)
    assert own.self_share == pytest.approx(1 / 3)
    assert own.exported_kwh == pytest.approx(8 * 365)
    assert own.earned == pytest.approx(0.1 * 8 * 365)
    assert own.spared == pytest.approx(0.3 * 4 * 365)
    year = house_year(house, findings)
    # Bought: 20 hours at 1 kW; the eight kWh earn a third of what they would cost.
    assert year.kwh.value == pytest.approx(365 * 20)
    assert year.energy.value == pytest.approx(365 * 20 * 0.3)
    assert year.bill.value == pytest.approx(365 * (20 * 0.3 - 8 * 0.1))
    assert year.fed_back_kwh == pytest.approx(365 * 8)
    assert year.own.exported_kwh == year.fed_back_kwh
    assert year.own.earned == year.earned
    # Without sun the house buys the four kWh that it now makes, and no more; nothing is fed back.
    seen = DAYS / 365
    # (What is on no measured circuit, 24 kWh a day, may take 30 % more in other seasons.)
    most = 365 * (20 + (1 - seen) * (4 + 0.3 * 24))
    assert 365 * (20 + 4 * 0.9) < year.kwh.high <= most
    assert 365 * 8 * seen <= year.fed_back.low < 365 * 8 * 0.2
    assert year.bill.high > 365 * 20 * 0.3
    assert year.price == pytest.approx(0.3)


def test_a_house_that_feeds_back_more_than_it_takes_pays_for_what_it_takes(tmp_path):
    roof = -switched(DAYS, [10], on_w=6000, lasts_h=6)
    rest = np.full(DAYS * 1440, 1000.0)
    watts = {"mains": rest + roof, "lamp": switched(DAYS, [20], on_w=60, lasts_h=3)}
    house = house_of(tmp_path, watts, tariff=("EUR", "0.3"))
    findings = house_findings(house)
    year = house_year(house, findings)
    # Nothing says what a kWh fed back earns: as one not bought.
    assert year.kwh.value == pytest.approx(365 * 18)
    assert year.price == pytest.approx(0.3)
    assert year.bill.value == pytest.approx(365 * 0.3 * (18 - 30))
    floor = find_advice(house, findings.appliances, year).floor
    assert floor == pytest.approx(0.01 * 365 * 0.3 * 18)


def test_bills_of_the_latest_whole_year_are_added_up():
    first = pd.date_range("2025-01-01", periods=12, freq="MS")
    last = [*(first[1:] - pd.Timedelta(days=1)), pd.Timestamp("2025-12-31")]
    kwh = np.arange(12) * 10.0 + 100
    bills = pd.DataFrame({"start": first, "end": last, "kwh": kwh, "amount": kwh * 0.3})
    alone = {"start": "2026-02-01", "end": "2026-02-28", "kwh": 999.0, "amount": 300.0}
    alone |= {name: pd.Timestamp(alone[name]) for name in ("start", "end")}
    found = billed_year(pd.concat([bills, pd.DataFrame([alone])], ignore_index=True))
    assert (found.start, found.end) == (pd.Timestamp("2025-01-01"), pd.Timestamp("2025-12-31"))
    assert found.kwh == pytest.approx(kwh.sum())
    assert found.amount == pytest.approx(kwh.sum() * 0.3)
    assert np.isnan(billed_year(bills.assign(amount=np.nan)).amount)
    assert billed_year(bills.drop(index=5)) is None  # a month is missing
    assert billed_year(bills.iloc[:11]) is None


def test_a_house_that_makes_nothing_has_no_own_power(tmp_path):
    house = steady(tmp_path)
    assert own_power(house_findings(house).appliances, fed_back_kwh=0.0) is None
    assert isinstance(house_peaks(house, ()).to_frame(), pd.DataFrame)


def test_bills_of_a_house_that_feeds_back_are_of_what_it_draws(tmp_path):
    roof = -switched(DAYS, [10], on_w=3000, lasts_h=4)
    rest = np.full(DAYS * 1440, 1000.0)
    house = house_of(tmp_path, {"mains": rest + roof, "roof": roof}, tariff=("EUR", 0.3))
    bills(tmp_path, "2026-03-01,2026-03-20,400,120.00,no")  # 20 kWh a day; 12 less what is fed back
    row = reconcile_bills(house).table.iloc[0]
    assert house_bill(house, house.tariff).price == pytest.approx(0.3)
    assert row["verdict"] == "agrees"
    assert row["logged_kwh"] == pytest.approx(400)
    assert row["expected_amount"] == pytest.approx(120)


@pytest.mark.parametrize(
    ("amount", "expected", "verdict"),
    [(62.0, 62.0, "agrees"), (46.0, 46.0, "agrees"), (55.0, 62.0, "amount differs")],
)
def test_what_is_fed_back_may_be_taken_off_a_bill(tmp_path, amount, expected, verdict):
    """20 kWh a day drawn at 0.31 over 10 days, 20 fed back at 0.08."""
    hour = np.arange(DAYS * 1440) / 60 % 24
    watts = np.where(hour < 20, 1000.0, -5000.0)
    house = house_of(tmp_path, {"mains": watts}, tariff=("EUR", 0.31))
    house = type(house)(
        replace(house.schedule, tariff=replace(house.tariff, export_price_per_kwh=0.08))
    )
    bills(tmp_path, f"2026-03-11,2026-03-20,200,{amount},no")
    row = reconcile_bills(house).table.iloc[0]
    assert row["verdict"] == verdict
    assert row["expected_amount"] == pytest.approx(expected, abs=0.01)


def test_bills_are_compared_with_a_log_of_whole_hours(tmp_path):
    oven = switched(DAYS, [18], on_w=2000, lasts_h=2, period_s=3600)
    house = house_of(
        tmp_path, {"mains": 1000 + oven, "oven": oven}, period_s=3600, tariff=("EUR", 0.3)
    )
    bills(tmp_path, "2026-03-01,2026-03-10,280,84.00,no")
    row = reconcile_bills(house).table.iloc[0]
    assert row["verdict"] == "agrees"
    assert row["covered_share"] == pytest.approx(1)
    assert row["expected_amount"] == pytest.approx(84)


def test_what_a_held_out_circuit_takes_may_differ_in_other_seasons_as_well(tmp_path):
    house = steady(tmp_path)
    findings = house_findings(house)
    year = house_year(house, findings).kwh
    held_out = house_year(house, replace(findings, unmeasured_kwh_per_day=None)).kwh
    assert held_out.low == pytest.approx(year.low, rel=1e-3)
    assert held_out.high == pytest.approx(year.high, rel=1e-3)


def test_page_one_says_where_most_goes_only_if_most_of_it_was_measured(tmp_path):
    lamp = switched(DAYS, [20], on_w=60, lasts_h=3)
    roof = -switched(DAYS, [10], on_w=3000, lasts_h=4)
    little = house_of(tmp_path / "little", {"mains": 1000 + lamp, "lamp": lamp})
    watts = {"mains": 10 * lamp + roof, "lamp": 9 * lamp, "roof": roof}
    sunny = house_of(tmp_path / "sunny", watts)
    said = [str(write_up(house, language="en-GB").parts["summary"]) for house in (little, sunny)]
    assert "; of what was measured, most goes to lamp." in said[0]
    assert "; most goes to lamp." in said[1]
