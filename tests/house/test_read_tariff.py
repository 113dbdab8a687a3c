"""Tariffs are read in all their forms, and hours without a price, or with two, are refused."""

from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from homeenergy.errors import HouseError
from homeenergy.house import Tariff, read_tariff_file
from homeenergy.house.prices import PriceBlock, PriceChange, PricePeriod

TARIFFS = Path(__file__).parents[2] / "shared" / "tariffs"
AMSTERDAM = "Europe/Amsterdam"
TWO = """
[tariff]
currency = "EUR"
[[tariff.period]]
name = "night"
price_per_kwh = 0.20
hours = ["22:00-06:00"]
[[tariff.period]]
name = "day"
price_per_kwh = 0.30
hours = ["06:00-22:00"]
"""


def own_prices(tariff):
    """Prices of an instant, or None under steps."""
    now = pd.Timestamp("2026-01-13T17:00Z")
    return tariff.prices(now, now, timezone=AMSTERDAM)


def read(tmp_path, text):
    path = tmp_path / "tariff.toml"
    path.write_text(text, encoding="utf-8")
    return read_tariff_file(path)


def price(tariff, *local, timezone=AMSTERDAM):
    instants = pd.DatetimeIndex([pd.Timestamp(one, tz=timezone) for one in local])
    return tariff.price_at(instants, timezone).tolist()


def test_example_by_time_of_use():
    tariff = read_tariff_file(TARIFFS / "time_of_use.toml")
    assert tariff.single_price is None
    assert own_prices(tariff) is not None
    assert tariff.standing_per_day == 0.95
    # A Tuesday in winter, then in summer; a Saturday; Easter Monday; the ends of summer and winter.
    assert price(tariff, "2026-01-13 17:00", "2026-01-13 06:59", "2026-01-13 07:00") == [
        0.41,
        0.24,
        0.33,
    ]
    assert price(tariff, "2026-07-14 17:00", "2026-07-14 23:00") == [0.33, 0.24]
    assert price(tariff, "2026-01-17 18:00", "2026-04-06 18:00") == [0.24, 0.24]
    ends = ["2026-03-31 18:00", "2026-04-01 18:00", "2026-09-30 18:00", "2026-10-01 18:00"]
    assert price(tariff, *ends) == [0.41, 0.33, 0.33, 0.41]


def test_example_with_steps():
    tariff = read_tariff_file(TARIFFS / "stepped.toml")
    assert own_prices(tariff) is None
    assert tariff.needs_house
    assert tariff.blocks == (
        PriceBlock(up_to_kwh=300, price_per_kwh=0.11),
        PriceBlock(up_to_kwh=800, price_per_kwh=0.15),
        PriceBlock(price_per_kwh=0.21),
    )
    with pytest.raises(HouseError, match="no price at an instant"):
        price(tariff, "2026-01-01")


def test_example_of_prices_that_changed():
    tariff = read_tariff_file(TARIFFS / "price_change.toml")
    days = ["2026-03-31 23:59", "2026-04-01", "2026-09-30 23:00", "2026-10-01", "2026-10-01 06:00"]
    assert price(tariff, *days) == [0.29, 0.31, 0.31, 0.22, 0.35]
    assert tariff.on(date(2026, 3, 31)).standing_per_day == 0.90
    assert tariff.on(date(2026, 5, 1)).price_per_kwh == 0.31
    assert len(tariff.on(date(2027, 5, 1)).periods) == 2


def test_a_flat_tariff_has_its_price_at_all_times():
    tariff = Tariff(currency="USD", price_per_kwh=0.15)
    assert tariff.single_price is not None
    assert price(tariff, "2026-01-13 17:00", "1999-07-01") == [0.15, 0.15]


def test_clock_changes_keep_to_the_clock_on_the_wall(tmp_path):
    tariff = read(tmp_path, TWO.replace("06:00", "02:30"))
    # In spring 02:00 to 03:00 is left out; in autumn it comes twice, and 02:30 is passed twice.
    spring = tariff.prices(
        pd.Timestamp("2026-03-28T23:00Z"),
        pd.Timestamp("2026-03-29T22:00Z"),
        timezone=AMSTERDAM,
    )
    hours = (spring["end"] - spring["start"]).dt.total_seconds() / 3600
    assert hours.tolist() == [2, 19, 2]
    assert spring["name"].tolist() == ["night", "day", "night"]
    autumn = tariff.prices(
        pd.Timestamp("2026-10-24T22:00Z"),
        pd.Timestamp("2026-10-25T23:00Z"),
        timezone=AMSTERDAM,
    )
    hours = (autumn["end"] - autumn["start"]).dt.total_seconds() / 3600
    assert hours.tolist() == [2.5, 0.5, 0.5, 19.5, 2]
    assert autumn["price_per_kwh"].tolist() == [0.2, 0.3, 0.2, 0.3, 0.2]


@given(
    st.integers(0, 2 * 366 * 24 * 60),
    st.integers(1, 5 * 24 * 60),
    st.sampled_from([AMSTERDAM, "America/St_Johns", "Australia/Lord_Howe", "UTC"]),
)
def test_segments_say_the_same_as_single_instants(begin, lasts, timezone):
    tariff = read_tariff_file(TARIFFS / "time_of_use.toml")
    start = pd.Timestamp("2026-01-01T00:00:30Z") + pd.Timedelta(minutes=begin)
    end = start + pd.Timedelta(minutes=lasts)
    pieces = tariff.prices(start, end, timezone=timezone)
    assert pieces["start"].iloc[0] == start
    assert pieces["end"].iloc[-1] == end
    assert (pieces["start"].iloc[1:].to_numpy() == pieces["end"].iloc[:-1].to_numpy()).all()
    grid = pd.date_range(start, end, freq="37min", inclusive="left")
    at = (
        np.searchsorted(
            pieces["start"].dt.as_unit("ns").astype(np.int64), grid.as_unit("ns").asi8, side="right"
        )
        - 1
    )
    expected = tariff.price_at(grid, timezone)
    assert pieces["price_per_kwh"].to_numpy()[at].tolist() == expected.tolist()


SEASONS = '[[tariff.season]]\nname = "winter"\nfrom = "10-01"\n'
STEPS = """
[tariff]
currency = "EUR"
[[tariff.block]]
up_to_kwh = 100
price_per_kwh = 0.2
[[tariff.block]]
price_per_kwh = 0.3
"""


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        (
            '"22:00-06:00"',
            '"23:00-06:00"',
            r"`tariff.period` leaves a gap: no price for mon, 22:00 to 23:00",
        ),
        (
            '"22:00-06:00"',
            '"21:30-06:00"',
            r"overlap: tariff.period\[1\] \(night\) and tariff.period\[2\] \(day\) both "
            "hold on mon, 21:30 to 22:00",
        ),
        (
            'hours = ["06:00-22:00"]',
            'hours = ["06:00-22:00"]\ndays = ["workdays"]',
            "sat, 06:00 to 22:00",
        ),
        (
            'currency = "EUR"',
            'currency = "EUR"\nholidays = [2026-12-25]',
            None,
        ),
        ('"22:00-06:00"', '"22-6"', r"`tariff.period\[1\].hours` must be times of the day"),
        ('"22:00-06:00"', '"22:00-06:00", "05:00-06:00"', r"hours` names 05:00 twice"),
        ('"22:00-06:00"', '"25:00-06:00"', "must be times of the day"),
        (
            'name = "day"',
            'name = "day"\ndays = ["saturday"]',
            r"period\[2\].days` must be a choice of mon, ",
        ),
        ('name = "day"', 'name = "day"\ndays = ["holidays"]', "`tariff.holidays` lists no dates"),
        ('name = "day"', 'name = "day"\nseasons = ["winter"]', "names 'winter'; known here: none"),
        (
            'currency = "EUR"',
            'currency = "EUR"\nprice_per_kwh = 0.3',
            "cannot be combined with `price_per_kwh`",
        ),
        ('currency = "EUR"', 'currency = "EUR"\nblocks_per = "day"', "belongs to"),
        (
            'currency = "EUR"',
            'currency = "EUR"\nholidays = ["25.12.2026"]',
            "must hold dates such as",
        ),
        ("[[tariff.period]]", SEASONS + "[[tariff.period]]", "has one season only"),
        (
            "[[tariff.period]]",
            SEASONS.replace("10-01", "02-30") + "[[tariff.period]]",
            "month and day",
        ),
        ("[[tariff.period]]", SEASONS * 2 + "[[tariff.period]]", "another season begins on 10-01"),
        (
            "[[tariff.period]]",
            "[[tariff.change]]\nprice_per_kwh = 0.4\n[[tariff.period]]",
            r"change\[1\].from` is missing",
        ),
    ],
)
def test_what_cannot_be_meant_is_refused(tmp_path, old, new, message):
    assert old in TWO
    text = TWO.replace(old, new, 1)
    if message is None:
        assert read(tmp_path, text).holidays == {date(2026, 12, 25)}
        return
    with pytest.raises(HouseError, match=message):
        read(tmp_path, text)


def test_holidays_need_a_price(tmp_path):
    text = TWO.replace('currency = "EUR"', 'currency = "EUR"\nholidays = ["2026-12-25"]')
    text = text.replace(
        'hours = ["06:00-22:00"]', 'hours = ["06:00-22:00"]\ndays = ["workdays", "weekend"]'
    )
    with pytest.raises(HouseError, match=r'no price for holidays, 06:00 to 22:00\n.*"holidays"'):
        read(tmp_path, text)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("up_to_kwh = 100\n", "", r"block\[1\].up_to_kwh` is missing"),
        (
            "price_per_kwh = 0.3",
            "price_per_kwh = 0.3\nup_to_kwh = 200",
            "gap: no price for more than 200",
        ),
        (
            "price_per_kwh = 0.3",
            "price_per_kwh = 0.3\nup_to_kwh = 90\n[[tariff.block]]\nprice_per_kwh = 1",
            "overlaps the block before it, which goes up to 100",
        ),
        (
            "[[tariff.block]]",
            '[[tariff.change]]\nfrom = "2026-04-01"\nprice_per_kwh = 1\n[[tariff.block]]',
            "steps throughout or not at all",
        ),
        (
            "price_per_kwh = 0.3",
            "price_per_kwh = 0.3\n[[tariff.change]]\nfrom = 2026-04-02\n"
            "[[tariff.change.block]]\nprice_per_kwh = 1",
            r"change\[1\].from` must be the first day of a month",
        ),
    ],
)
def test_steps_that_cannot_be_meant_are_refused(tmp_path, old, new, message):
    assert old in STEPS
    assert own_prices(read(tmp_path, STEPS)) is None
    with pytest.raises(HouseError, match=message):
        read(tmp_path, STEPS.replace(old, new, 1))


def test_changes_stand_in_order_and_say_all(tmp_path):
    change = '[[tariff.change]]\nfrom = "2026-04-01"\nprice_per_kwh = 0.4\n'
    assert read(tmp_path, TWO + change).changes == (
        PriceChange(start=date(2026, 4, 1), price_per_kwh=0.4),
    )
    with pytest.raises(HouseError, match=r"`tariff.change\[2\].from` must be later"):
        read(tmp_path, TWO + change * 2)
    with pytest.raises(HouseError, match=r"`tariff.change\[1\].price_per_kwh` is missing"):
        read(tmp_path, TWO + '[[tariff.change]]\nfrom = "2026-04-01"\n')


def test_a_period_made_in_code_holds_all_hours_of_all_days():
    tariff = Tariff(currency="EUR", periods=(PricePeriod(name="one", price_per_kwh=0.4),))
    assert price(tariff, "2026-01-13 17:00", "2026-07-19 03:00") == [0.4, 0.4]
