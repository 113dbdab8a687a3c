"""Page one of houses that are unlike the samples, against sums from the samples of their logs."""

from datetime import date

import numpy as np
import pandas as pd
import pytest

from homeenergy.findings.house_year import house_year
from homeenergy.findings.saving.look_into import look_into
from homeenergy.readings import open_house
from homeenergy.show.document.blocks import Prose, Table, flat
from homeenergy.show.writeup.basis import make_basis
from homeenergy.show.writeup.client_page_one import page_one
from homeenergy.show.writeup.wording import Wording
from homeenergy.show.writeup.write_up import _told

from ..findings.small_house import made_house, switched

DAYS, PERIOD_S, REST_W = 14, 600, 50.0
MAINS = {"mains": 'role = "mains"'}
OVEN = switched(DAYS, [18], on_w=2000, lasts_h=1, rest_w=5, period_s=PERIOD_S)
FRIDGE = switched(DAYS, range(24), on_w=100, lasts_h=0.5, period_s=PERIOD_S)
KWH = 365 * PERIOD_S / 3600 / 1000 / DAYS  # of a sum of samples, in a year


def year_of(folder, tariff, *, timezone="UTC", more=None, period_s=PERIOD_S):
    """Basis and year of a house with an oven, a refrigerator, 50 W of other things, and `more`."""
    loads = {"oven": OVEN, "fridge": FRIDGE, **(more or {})}
    watts = {"mains": sum(loads.values()) + REST_W, **loads}
    if period_s != PERIOD_S:
        n = period_s // PERIOD_S
        watts = {name: one.reshape(-1, n).mean(axis=1) for name, one in watts.items()}
    top = ["[tariff]", *tariff]
    made_house(folder, watts, period_s=period_s, circuits=MAINS, timezone=timezone, top=top)
    basis = make_basis(open_house(folder))
    return basis, house_year(basis.house, basis.findings)


def money_of(year, name):
    return next(one.money.value for one in year.loads if one.name == name)


def hour_of_samples(timezone="UTC"):
    at = pd.date_range("2026-03-02", periods=OVEN.size, freq=f"{PERIOD_S}s", tz="UTC")
    return at.tz_convert(timezone)


def test_after_a_change_of_prices_a_year_is_paid_at_the_new_ones(tmp_path):
    change = ["[[tariff.change]]", "from = 2026-03-09", "price_per_kwh = 0.4"]
    first = ['currency = "EUR"', "price_per_kwh = 0.2", "standing_per_day = 0.5"]
    basis, year = year_of(tmp_path / "h", [*first, *change, "standing_per_day = 1.0"])
    whole = (OVEN + FRIDGE + REST_W).sum() * KWH
    assert basis.prices_from == date(2026, 3, 9)
    assert year.energy.value == pytest.approx(0.4 * whole, rel=1e-3)
    assert year.bill.value == pytest.approx(0.4 * whole + 365, rel=1e-3)
    assert money_of(year, "oven") == pytest.approx(0.4 * OVEN.sum() * KWH, rel=1e-3)
    # Bills of the past are compared with the prices of the past.
    assert basis.past.tariff.changes
    said = " ".join(
        b.text
        for b in page_one(_told(basis, Wording(language="en-GB"), ()))
        if isinstance(b, Prose)
    )
    assert "prices that hold since 9 March 2026" in said


def test_seasons_of_the_south_count_as_long_as_they_last(tmp_path):
    seasons = []
    for name, begins, price in (("summer", "11-01", 0.5), ("winter", "04-01", 0.2)):
        seasons += ["[[tariff.season]]", f'name = "{name}"', f'from = "{begins}"']
        seasons += ["[[tariff.period]]", f'name = "{name} price"', f"price_per_kwh = {price}"]
        seasons += [f'seasons = ["{name}"]']
    zone = "Australia/Sydney"
    _, year = year_of(tmp_path / "h", ['currency = "AUD"', *seasons], timezone=zone)
    price = (0.5 * 151 + 0.2 * 214) / 365  # November to March, April to October
    whole = (OVEN + FRIDGE + REST_W).sum() * KWH
    assert year.bill.value == pytest.approx(price * whole, rel=2e-3)
    assert money_of(year, "fridge") == pytest.approx(price * FRIDGE.sum() * KWH, rel=2e-3)


def test_a_negative_price_and_what_never_stops(tmp_path):
    periods = []
    for price, hours in ((-0.05, "10:00-16:00"), (0.3, "16:00-10:00")):
        periods += ["[[tariff.period]]", f'name = "{hours}"', f"price_per_kwh = {price}"]
        periods += [f'hours = ["{hours}"]']
    _, year = year_of(tmp_path / "h", ['currency = "EUR"', *periods])
    hour = hour_of_samples().hour
    price = np.where((hour >= 10) & (hour < 16), -0.05, 0.3)
    assert year.bill.value == pytest.approx(
        ((OVEN + FRIDGE + REST_W) * price).sum() * KWH, rel=1e-3
    )
    assert money_of(year, "oven") == pytest.approx((OVEN * price).sum() * KWH, rel=1e-3)
    # What never stops pays the mean of all hours, and not of those in which most is drawn.
    steady = (-0.05 * 6 + 0.3 * 18) / 24
    assert year.base_money.value == pytest.approx(steady * year.base_kwh.value, rel=1e-6)


def test_a_roof_that_makes_more_than_is_used(tmp_path):
    hour = hour_of_samples().hour + hour_of_samples().minute / 60
    sun = 3000 * np.clip(np.sin((np.asarray(hour) - 6) / 12 * np.pi), 0, None)
    tariff = ['currency = "EUR"', "price_per_kwh = 0.3", "export_price_per_kwh = 0.08"]
    basis, year = year_of(tmp_path / "h", tariff, more={"pv": -sun})
    net = (OVEN + FRIDGE + REST_W - sun) * KWH  # nothing evens out between samples
    taken, fed_back = net.clip(min=0).sum(), -net.clip(max=0).sum()
    assert year.kwh.value == pytest.approx(taken, rel=1e-3)
    assert year.fed_back_kwh == pytest.approx(fed_back, rel=1e-3)
    assert year.bill.value == pytest.approx(0.3 * taken - 0.08 * fed_back, rel=1e-3)
    # By night the refrigerator pauses, and the oven rests at 5 W.
    assert year.base_kwh.value == pytest.approx((REST_W + 5) * 8.76, rel=1e-3)
    made = sun.sum() * KWH
    worth = 0.08 * fed_back + 0.3 * (made - fed_back)
    assert money_of(year, "pv") == pytest.approx(-worth, rel=1e-3)
    # What feeds power back is no load whose compressor or tank could be looked into.
    looks = look_into(basis.house, year, floor=0.0, notable=basis.findings.notable)
    assert "pv" not in {one.load for one in looks}


def test_what_flows_both_ways_within_a_quarter_of_an_hour_is_not_set_off(tmp_path):
    at = np.arange(DAYS * 1440)
    sun = np.where((at // 60 % 24 >= 8) & (at // 60 % 24 < 16), 1000.0, 0.0)
    kettle = np.where((at // 60 % 24 == 12) & (at % 10 < 3), 3000.0, 0.0)
    watts = {"mains": kettle + 100 - sun, "kettle": kettle}  # nobody measures the sun
    top = ["[tariff]", 'currency = "EUR"', "price_per_kwh = 0.3"]
    made_house(tmp_path / "h", watts, circuits=MAINS, top=top)
    basis = make_basis(open_house(tmp_path / "h"))
    year = house_year(basis.house, basis.findings)
    drawn = (
        (18 * 2100 + 16 * 60 * 100) / 60_000 * 365
    )  # of a day: in minutes of the kettle, and rest
    fed_back = (8 * 60 - 18) * 900 / 60_000 * 365
    assert year.kwh.value == pytest.approx(drawn, rel=1e-3)
    assert year.fed_back_kwh == pytest.approx(fed_back, rel=1e-3)
    assert year.base_kwh.value == pytest.approx(100 * 8.76, rel=1e-3)  # of the nights


def test_an_hourly_log_by_time_of_use_gives_no_money_and_says_so(tmp_path):
    periods = []
    for price, hours in ((0.1, "22:00-06:00"), (0.3, "06:00-22:00")):
        periods += ["[[tariff.period]]", f'name = "{hours}"', f"price_per_kwh = {price}"]
        periods += [f'hours = ["{hours}"]']
    tariff = ['currency = "EUR"', *periods]
    basis, year = year_of(tmp_path / "h", tariff, period_s=3600)
    assert year.kwh.value == pytest.approx((OVEN + FRIDGE + REST_W).sum() * KWH, rel=1e-3)
    assert year.bill is None
    blocks = list(flat(page_one(_told(basis, Wording(language="en-GB"), ()))))
    said = " ".join(b.text for b in blocks if isinstance(b, Prose))
    cells = [str(cell) for b in blocks if isinstance(b, Table) for row in b.rows for cell in row]
    assert "Nothing is given in money" in said
    assert not any("€" in cell for cell in cells)


def test_a_currency_without_decimals_and_a_charge_by_the_kva(tmp_path):
    demand = ["[tariff.demand]", "price_per_kva = 900.0", "interval_min = 30"]
    tariff = ['currency = "JPY"', "price_per_kwh = 31.0", "standing_per_day = 28.5", *demand]
    basis, year = year_of(tmp_path / "h", tariff)
    whole = (OVEN + FRIDGE + REST_W).sum() * KWH
    peak_kw = (OVEN + FRIDGE + REST_W).reshape(-1, 3).mean(axis=1).max() / 1000
    bill = 31 * whole + 365 * 28.5 + 12 * 900 * peak_kw
    assert year.bill.value == pytest.approx(bill, rel=1e-3)
    blocks = list(flat(page_one(_told(basis, Wording(language="en-GB"), ()))))
    rows = [row for b in blocks if isinstance(b, Table) for row in b.rows]
    assert any(row[0] == "Demand charge, at least" for row in rows)
    said = " ".join(b.text for b in blocks if isinstance(b, Prose))
    assert "a power factor of 1" in said
    assert not any("." in str(cell) for row in rows for cell in row if "¥" in str(cell))


def test_what_never_stops_may_change_on_days_not_seen(tmp_path):
    _, year = year_of(tmp_path / "h", ['currency = "EUR"', "price_per_kwh = 0.3"])
    # A rectangular error of a tenth on the days not seen holds 95 % within 0.95 of it.
    half = 0.95 * (1 - DAYS / 365) * 0.1 * year.base_kwh.value
    assert year.base_kwh.high - year.base_kwh.value == pytest.approx(half, rel=0.02)


def test_what_draws_little_is_not_told_to_draw_less_at_the_peak(tmp_path):
    demand = ["[[tariff.demand]]", "interval_min = 15", "price_per_kw = 10"]
    lamp = switched(DAYS, [18], on_w=300, lasts_h=3, period_s=300)
    oven = switched(DAYS, [18], on_w=2000, lasts_h=1, rest_w=5, period_s=300)
    watts = {"mains": lamp + oven + 50, "lamp": lamp, "oven": oven}
    top = ["[tariff]", 'currency = "EUR"', "price_per_kwh = 0.3", *demand]
    made_house(tmp_path / "h", watts, period_s=300, circuits=MAINS, top=top)
    basis = make_basis(open_house(tmp_path / "h"))
    year = house_year(basis.house, basis.findings)
    looks = look_into(basis.house, year, floor=0.0, notable=basis.findings.notable)
    assert [one.load for one in looks if "less power" in one.do.text] == ["oven"]
