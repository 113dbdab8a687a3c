"""A bill of energy, demand and standing charge, worked by hand; what one circuit bears of it."""

from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from homeenergy.errors import HouseError
from homeenergy.findings import energy_cost, house_findings, stepped_cost
from homeenergy.findings.bill import demand_share, house_bill, slot_energy
from homeenergy.house import Tariff, read_tariff_file
from homeenergy.house.prices import DemandCharge, PriceBlock, PriceChange, PricePeriod, Season
from homeenergy.readings.trace import Trace
from homeenergy.show.document.findings import findings_record
from tests.findings.small_house import made_house, switched

SHARED = Path(__file__).parents[2] / "shared"
BERLIN = "Europe/Berlin"
FLAT = Tariff(currency="EUR", price_per_kwh=0.30, standing_per_day=0.40)
TIMES = Tariff(
    currency="EUR",
    periods=(
        PricePeriod(name="night", price_per_kwh=0.1, minutes=((0, 360),)),
        PricePeriod(name="day", price_per_kwh=0.4, minutes=((360, 1440),)),
    ),
)
BLOCKS = (
    PriceBlock(price_per_kwh=0.10, up_to_kwh=300.0),
    PriceBlock(price_per_kwh=0.15, up_to_kwh=800.0),
    PriceBlock(price_per_kwh=0.25),
)
STEPS = Tariff(currency="USD", blocks=BLOCKS)
ANY_TIME = DemandCharge(price_per_kw=10.0, interval_min=15)


def slots(start, days, *, kw=0.0, minutes=15, timezone=BERLIN):
    """Energy of the slots of some local days, at a constant power [kWh]."""
    first = pd.Timestamp(start, tz=timezone)
    last = first + pd.DateOffset(days=days)
    index = pd.date_range(first, last, freq=f"{minutes}min", inclusive="left")
    return pd.Series(kw * minutes / 60, index=index)


def test_a_flat_month_with_standing_charge():
    bill = FLAT.cost(slots("2026-04-01", 30, kw=0.5), timezone=BERLIN)
    assert bill.energy == pytest.approx(30 * 24 * 0.5 * 0.30)  # 108.00
    assert bill.standing == pytest.approx(30 * 0.40)  # 12.00
    assert bill.demand == 0
    assert bill.total == pytest.approx(120.00)


@pytest.mark.parametrize(("month", "hours"), [("2026-03-01", 743), ("2026-10-01", 745)])
def test_months_with_a_clock_change(month, hours):
    """March has 23 h on the 29th, October 25 h on the 25th: 31 standing charges all the same."""
    kwh = slots(month, 31, kw=1.0)
    bill = FLAT.cost(kwh, timezone=BERLIN)
    assert bill.energy == pytest.approx(hours * 0.30)
    assert bill.standing == pytest.approx(31 * 0.40)
    # Night is six hours by the clock, one hour less or more on the day of the change.
    nights = 31 * 6 + hours - 744
    by_time = TIMES.cost(kwh, timezone=BERLIN)
    assert by_time.energy == pytest.approx(nights * 0.1 + (hours - nights) * 0.4)


def test_steps_of_a_month():
    # 30 days at 1.25 kW: 900 kWh = 300 at 0.10, 500 at 0.15, 100 at 0.25.
    bill = STEPS.cost(slots("2026-04-01", 30, kw=1.25), timezone=BERLIN)
    assert bill.energy == pytest.approx(30 + 75 + 25)
    # A third of it was seen: the whole month is taken to be like that, and a third of it paid.
    part = STEPS.cost(slots("2026-04-01", 10, kw=1.25), timezone=BERLIN)
    assert part.energy == pytest.approx(130 / 3)


def test_the_greatest_quarter_hour_of_each_month():
    tariff = replace(FLAT, demand=(ANY_TIME,))
    kwh = slots("2026-03-01", 61, kw=0.4)
    kwh[pd.Timestamp("2026-03-12 18:30", tz=BERLIN)] = 1.5  # 6 kW
    kwh[pd.Timestamp("2026-04-02 07:15", tz=BERLIN)] = 0.8  # 3.2 kW
    bill = tariff.cost(kwh, timezone=BERLIN)
    assert bill.peaks["kw"].tolist() == pytest.approx([6.0, 3.2])
    assert bill.peaks["begins"].iloc[0] == pd.Timestamp("2026-03-12 18:30", tz=BERLIN)
    assert bill.demand == pytest.approx(10 * 6.0 + 10 * 3.2)  # 92.00
    # Over half an hour the same peak has half the power above the rest: (1.5 + 0.1) / 0.5 h.
    half = replace(FLAT, demand=(replace(ANY_TIME, interval_min=30),))
    assert half.cost(kwh, timezone=BERLIN).peaks["kw"].iloc[0] == pytest.approx(3.2)
    hour = replace(FLAT, demand=(replace(ANY_TIME, interval_min=60),))
    assert hour.cost(kwh, timezone=BERLIN).peaks["kw"].iloc[0] == pytest.approx(1.5 + 0.3)


def test_only_stated_hours_days_and_seasons_count():
    tariff = replace(
        FLAT,
        seasons=(Season(name="summer", month=4, day=1), Season(name="winter", month=10, day=1)),
        demand=(
            replace(
                ANY_TIME,
                minutes=((16 * 60, 21 * 60),),
                days=frozenset(range(5)),
                seasons=("summer",),
            ),
        ),
    )
    kwh = slots("2026-03-30", 7, kw=0.4)  # Monday to Sunday, over 1 April
    for local, kwh_at in (
        ("2026-03-31 17:00", 5.0),  # winter
        ("2026-04-01 15:45", 4.0),  # before 16:00
        ("2026-04-01 16:00", 1.0),  # counts
        ("2026-04-02 20:45", 1.2),  # counts, the last of its day
        ("2026-04-02 21:00", 3.0),  # after
        ("2026-04-04 17:00", 2.0),  # Saturday
    ):
        kwh[pd.Timestamp(local, tz=BERLIN)] = kwh_at
    (row,) = tariff.cost(kwh, timezone=BERLIN).peaks.to_dict("records")
    assert (row["kw"], row["begins"]) == (
        pytest.approx(4.8),
        pd.Timestamp("2026-04-02 20:45", tz=BERLIN),
    )


@pytest.mark.parametrize(("day", "hours"), [("2026-03-29", 23), ("2026-10-25", 25)])
def test_intervals_of_an_hour_on_days_with_a_clock_change(day, hours):
    """The hour that is repeated makes two intervals, the hour left out none."""
    tariff = replace(FLAT, demand=(replace(ANY_TIME, interval_min=60),))
    kwh = slots(day, 1, kw=1.0)
    assert len(kwh) == hours * 4
    second = pd.Timestamp(day, tz="UTC") + pd.Timedelta(hours=1)  # the later 02:00 in October
    kwh[(kwh.index >= second) & (kwh.index < second + pd.Timedelta(hours=1))] = 0.75
    (row,) = tariff.cost(kwh, timezone=BERLIN).peaks.to_dict("records")
    assert row["kw"] == pytest.approx(3.0)
    assert row["begins"] == second


@pytest.mark.parametrize(
    ("zone", "change", "hours"),
    [
        ("America/Santiago", "2026-09-06", 23),  # the hour from midnight is left out
        ("Asia/Beirut", "2026-03-29", 23),
        ("America/Havana", "2026-11-01", 25),  # there are two midnights
    ],
)
def test_clocks_that_change_at_midnight(zone, change, hours):
    first = pd.Timestamp(change, tz="UTC") - pd.Timedelta(days=2)
    index = pd.date_range(first, periods=5 * 96, freq="15min")
    local = index.tz_convert(zone)
    index = index[(local.date >= pd.Timestamp(change).date()) & (local.day == int(change[-2:]))]
    kwh = pd.Series(0.25, index=index)
    assert len(kwh) == 4 * hours
    steps = Tariff(
        currency="EUR",
        standing_per_day=0.4,
        blocks=(PriceBlock(price_per_kwh=0.1, up_to_kwh=20.0), PriceBlock(price_per_kwh=0.2)),
        blocks_per="day",
        demand=(replace(ANY_TIME, interval_min=60),),
    )
    bill = steps.cost(kwh, timezone=zone)
    assert bill.standing == pytest.approx(0.4)
    assert bill.energy == pytest.approx(20 * 0.1 + (hours - 20) * 0.2)
    assert bill.demand == pytest.approx(10.0)


def test_intervals_follow_the_local_clock_in_a_zone_of_quarters():
    tariff = replace(FLAT, demand=(replace(ANY_TIME, interval_min=60),))
    zone = "Asia/Kathmandu"  # 5 h 45 min ahead
    kwh = slots("2026-05-01", 2, timezone=zone)
    at = pd.Timestamp("2026-05-01 10:00", tz=zone)
    kwh[(kwh.index >= at) & (kwh.index < at + pd.Timedelta(hours=1))] = 0.5
    (row,) = tariff.cost(kwh, timezone=zone).peaks.to_dict("records")
    assert (row["kw"], row["begins"]) == (pytest.approx(2.0), at)


def test_intervals_with_a_hole_and_power_fed_back_do_not_count():
    tariff = replace(FLAT, demand=(replace(ANY_TIME, interval_min=30),))
    kwh = slots("2026-05-01", 2, kw=-1.0)
    kwh.iloc[8:10] = [2.0, np.nan]
    bill = tariff.cost(kwh, timezone=BERLIN)
    assert bill.peaks["kw"].tolist() == [0.0]
    assert bill.demand == 0


def test_slots_that_do_not_make_up_the_interval_are_refused():
    tariff = replace(FLAT, demand=(ANY_TIME,))
    with pytest.raises(HouseError, match="every 60 min does not give the mean power of 15 min"):
        tariff.cost(slots("2026-05-01", 2, minutes=60), timezone=BERLIN)
    holes = slots("2026-05-01", 2).drop(index=slots("2026-05-01", 2).index[7])
    with pytest.raises(ValueError, match="one length and without gaps"):
        FLAT.cost(holes, timezone=BERLIN)


@pytest.mark.parametrize("tariff", [FLAT, TIMES], ids=["flat", "times"])
def test_energy_is_that_of_energy_cost(tariff):
    rng = np.random.default_rng(5)
    index = slots("2026-03-20", 20).index
    kwh = pd.Series(rng.uniform(0, 1, index.size), index=index)
    watts = (kwh.to_numpy() * 4000).astype(np.float32)
    trace = Trace(label="all", start=index[0].tz_convert("UTC"), period_s=900, watts=watts)
    paid = energy_cost(trace, tariff=tariff, timezone=BERLIN)
    assert tariff.cost(kwh, timezone=BERLIN).energy == pytest.approx(paid.cost, rel=1e-6)


def trace_of(kwh):
    """A trace of a quarter of an hour whose energy is that of the slots."""
    watts = (kwh.to_numpy() * 4000).astype(np.float32)
    start = kwh.index[0].tz_convert("UTC")
    return Trace(label="x", start=start, period_s=900, watts=watts)


def test_without_an_appliance_the_bill_under_steps_is_lower_by_its_marginal_cost():
    rng = np.random.default_rng(6)
    index = slots("2026-03-01", 61).index
    house_w = rng.uniform(500, 1700, index.size).astype(np.float32)
    own_w = np.where(rng.random(index.size) < 0.5, 250, 0).astype(np.float32)
    start = index[0].tz_convert("UTC")
    traces = [Trace(label="x", start=start, period_s=900, watts=w) for w in (own_w, house_w)]
    known = stepped_cost(traces[0], [traces[1]], tariff=STEPS, timezone=BERLIN)
    own, house = (pd.Series(w.astype(float) / 4000, index=index) for w in (own_w, house_w))
    bill, without = (STEPS.cost(kwh, timezone=BERLIN).energy for kwh in (house, house - own))
    assert known.table["bill"].sum() == pytest.approx(bill, rel=1e-6)
    assert known.marginal_cost == pytest.approx(bill - without, rel=1e-6)


def test_the_shares_of_all_circuits_add_up_to_the_charge():
    tariff = replace(FLAT, demand=(ANY_TIME,))
    rng = np.random.default_rng(7)
    index = slots("2026-04-01", 30).index
    parts = [pd.Series(rng.uniform(0, 1, index.size), index=index) for _ in range(3)]
    bill = tariff.cost(sum(parts), timezone=BERLIN)
    shares = [demand_share(trace_of(one), bill=bill, tariff=tariff) for one in parts]
    assert sum(one.value for one in shares) == pytest.approx(12 * bill.demand, rel=1e-6)
    assert all(0 == one.low < one.value < one.high for one in shares)


def test_an_appliance_that_is_off_at_the_peak_bears_nothing_of_it():
    tariff = replace(FLAT, demand=(ANY_TIME,))
    house = slots("2026-04-01", 30, kw=0.4)
    own = house * 0
    house[pd.Timestamp("2026-04-10 18:00", tz=BERLIN)] = 2.0  # 8 kW
    night = pd.Timestamp("2026-04-11 02:00", tz=BERLIN)
    own[night] = 1.0
    house[night] += 1.0  # 4.4 kW
    bill, without = (tariff.cost(kwh, timezone=BERLIN) for kwh in (house, house - own))
    share = demand_share(trace_of(own), bill=bill, tariff=tariff)
    assert (share.low, share.value) == (0, 0)
    assert share.high == pytest.approx(12 * 4.0 * ANY_TIME.price_per_kw)
    assert bill.total - without.total == pytest.approx(1.0 * 0.30)


@pytest.mark.parametrize(
    ("made", "what"),
    [
        (
            {
                "price_per_kwh": 0.3,
                "changes": (PriceChange(start=date(2026, 4, 1), blocks=BLOCKS),),
            },
            "the tariff has no steps: a tariff must have steps throughout or not at all",
        ),
        (
            {
                "blocks": BLOCKS,
                "changes": (PriceChange(start=date(2026, 4, 1), price_per_kwh=0.3),),
            },
            "change 1 of the tariff has no steps",
        ),
        (
            {"blocks": BLOCKS, "changes": (PriceChange(start=date(2026, 4, 15), blocks=BLOCKS),)},
            "change 1 of the tariff must begin with a month, as the steps do",
        ),
        (
            {
                "price_per_kwh": 0.3,
                "changes": (
                    PriceChange(start=date(2026, 4, 15), price_per_kwh=0.3, demand=(ANY_TIME,)),
                ),
            },
            "change 1 of the tariff must begin with a month, for which demand is charged",
        ),
    ],
)
def test_a_tariff_made_in_code_is_refused_as_one_in_a_file(made, what):
    """A flat month before steps was billed at nothing, steps that changed within one ignored."""
    with pytest.raises(HouseError, match=what):
        Tariff(currency="EUR", **made)


def test_the_example_with_demand_is_read():
    tariff = read_tariff_file(SHARED / "tariffs" / "demand.toml")
    any_time, evenings = tariff.demand
    assert (any_time.price_per_kw, any_time.interval_min, any_time.seasons) == (4.0, 15, ())
    assert (evenings.minutes, evenings.seasons) == (((960, 1260),), ("summer",))
    assert evenings.days == frozenset(range(5))
    assert tariff.needs_house


DEMAND = '[tariff]\ncurrency = "EUR"\nprice_per_kwh = 0.3\n'


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("[tariff.demand]\ninterval_min = 15", r"`tariff.demand.price_per_kw` is missing"),
        ("[tariff.demand]\nprice_per_kw = 9", r"`tariff.demand.interval_min` is missing"),
        (
            "[tariff.demand]\nprice_per_kw = 9\nprice_per_kva = 9\ninterval_min = 15",
            r"`tariff.demand.price_per_kva` and price_per_kw are both given",
        ),
        (
            "[tariff.demand]\nprice_per_kw = 9\npower_factor = 0.9\ninterval_min = 15",
            r"`tariff.demand.power_factor` belongs to price_per_kva",
        ),
        (
            "[tariff.demand]\nprice_per_kva = 9\npower_factor = 90\ninterval_min = 15",
            r"`tariff.demand.power_factor` must lie between 0.3 and 1, got 90",
        ),
        (
            "[[tariff.demand]]\nprice_per_kw = 9\ninterval_min = 20",
            r"`tariff.demand\[1\].interval_min` must be 5, 10, 15, 30 or 60, got 20",
        ),
        (
            "[tariff.demand]\nprice_per_kw = 9\ninterval_min = 15\nseasons = ['summer']",
            r"names 'summer'; known here: none",
        ),
        (
            2 * "[[tariff.demand]]\nprice_per_kw = 9\ninterval_min = 15\n",
            r"`tariff.demand\[2\].name` 'demand' is the name of another",
        ),
        (
            "[tariff.demand]\nprice_per_kw = 9\ninterval_min = 15\n"
            "[[tariff.change]]\nfrom = 2026-04-02\nprice_per_kwh = 1",
            r"`tariff.change\[1\].from` must be the first day of a month, for which demand",
        ),
    ],
)
def test_demand_charges_that_cannot_be_meant_are_refused(tmp_path, text, match):
    path = tmp_path / "tariff.toml"
    path.write_text(DEMAND + text, encoding="utf-8")
    with pytest.raises(HouseError, match=match):
        read_tariff_file(path)


@pytest.mark.parametrize(
    ("lines", "price", "least"),
    [
        ("price_per_kva = 9", 9.0, True),
        ("price_per_kva = 9\npower_factor = 0.9", 10.0, False),
        ("price_per_kw = 9", 9.0, False),
    ],
)
def test_a_charge_by_the_kva_is_a_least_without_a_power_factor(tmp_path, lines, price, least):
    path = tmp_path / "tariff.toml"
    path.write_text(f"{DEMAND}[tariff.demand]\ninterval_min = 15\n{lines}", encoding="utf-8")
    (charge,) = read_tariff_file(path).demand
    assert charge.cost_per_kw == pytest.approx(price)
    assert charge.is_least is least


DAY_MIN = 1440


@pytest.fixture
def house(tmp_path):
    """An oven at 18:00 and a heater at night; the supply carries both and 200 W."""
    oven = switched(14, (18,), on_w=2000, lasts_h=1)
    heater = switched(14, (2,), on_w=3000, lasts_h=0.5)
    supply = oven + heater + 200
    supply[3 * DAY_MIN + 19 * 60 :][:30] = 4000  # something else, alone, for half an hour
    circuits = {"mains": 'role = "mains"', "oven": 'kind = "manual"', "heater": 'kind = "manual"'}
    top = [
        DEMAND.strip(),
        "[[tariff.demand]]",
        'name = "evening"',
        "price_per_kw = 5",
        "interval_min = 15",
        'hours = ["16:00-19:00"]',
        "[[tariff.demand]]",
        'name = "any time"',
        "price_per_kw = 1",
        "interval_min = 60",
    ]
    watts = {"mains": supply, "oven": oven, "heater": heater}
    return made_house(tmp_path, watts, circuits=circuits, top=top)


def test_findings_tell_what_an_appliance_bears_of_the_demand(house):
    bill = house_bill(house, house.tariff)
    # 18:00 to 19:00: 2.2 kW. Over an hour: 19:00 to 20:00 has 4.0 and 0.2, 18:00 to 19:00 2.2 kW.
    peaks = bill.peaks.set_index("name")["kw"]
    assert peaks.to_dict() == pytest.approx({"any time": 2.2, "evening": 2.2})
    share = demand_share(house.trace("oven"), bill=bill, tariff=house.tariff)
    assert share.value == pytest.approx(12 * (5 * 2.0 + 1 * 2.0))
    assert share.high == pytest.approx(share.value)
    assert (share.n, share.unit) == (1, "EUR")
    heater = demand_share(house.trace("heater"), bill=bill, tariff=house.tariff)
    assert heater.value == 0
    assert heater.high == pytest.approx(12 * (5 * 3.0 + 1 * 1.5))
    found = {one.circuit: one for one in house_findings(house).appliances}
    assert any(
        "144 EUR a year by its power at the monthly peak" in r for r in found["oven"].remarks
    )
    assert found["oven"].demand_per_year.value == pytest.approx(144)
    frame = house_findings(house).to_frame().set_index("circuit")
    record = findings_record(house_findings(house))["appliances"][0]
    assert record["demand_per_year"]["low"] == 0
    assert frame.loc["heater", "demand_per_year_high"] == pytest.approx(heater.high)
    # What a kWh saved is worth stays the price of a kWh.
    assert found["oven"].cost_per_year.value == pytest.approx(2 * 365 * 0.3, rel=1e-3)


def test_energy_of_slots_allows_for_what_was_not_seen():
    watts = np.full(120, 1000, np.float32)
    watts[2] = np.nan
    watts[30:36] = np.nan  # 6 of 15 minutes
    start = pd.Timestamp("2026-03-02T00:05Z")
    kwh = slot_energy(Trace(label="x", start=start, period_s=60, watts=watts))
    assert kwh.index[0] == pd.Timestamp("2026-03-02T00:00Z")
    assert np.isnan(kwh.iloc[0])  # ten minutes of it
    assert kwh.iloc[1] == pytest.approx(0.25)
    assert np.isnan(kwh.iloc[2])
    with pytest.raises(HouseError, match="samples of 30 min cannot give the mean power of 15 min"):
        slot_energy(Trace(label="x", start=start, period_s=1800, watts=watts))


def test_without_the_mains_the_share_is_not_known(tmp_path):
    top = [DEMAND.strip(), "[tariff.demand]", "price_per_kw = 5", "interval_min = 15"]
    house = made_house(tmp_path, {"oven": switched(9, (18,), on_w=2000, lasts_h=1)}, top=top)
    (one,) = house_findings(house).appliances
    assert any("share is not known: the mains are not logged" in remark for remark in one.remarks)
