"""A year of normal weather from a table of months."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from homeenergy.errors import HouseError
from homeenergy.findings import normal_year, read_normal_months, weather_dependence
from homeenergy.findings.weather.models import degree_days
from homeenergy.house.clamp_errors import ClampErrors

from .weather_days import correlated, energy, weather

MONTH_C = [1.0, 2.0, 5.0, 9.0, 14.0, 17.0, 19.5, 19.0, 15.0, 10.0, 5.0, 2.0]


@pytest.fixture(scope="module")
def fit():
    rng = np.random.default_rng(3)
    celsius = weather(rng, 365)
    return weather_dependence(
        energy(celsius, 1.5 * correlated(rng, 365, 0.3), heating=0.9), celsius
    )


def months(**columns):
    return pd.DataFrame({"month": range(1, 13), **columns})


def test_year_from_degree_days_by_hand(fit):
    heating = np.array([450, 400, 330, 200, 90, 20, 5, 5, 60, 180, 310, 420.0])
    year = normal_year(fit, months(heating_degree_days=heating), heating_base_c=15.5)
    again = weather_dependence(
        fit.days.set_index("day")["kwh"],
        fit.days.set_index("day")["celsius"].tz_localize("UTC"),
        heating_base_c=15.5,
    )
    base, slope = again.base_kwh.value, again.heating_kwh.value
    assert year.kwh.value == pytest.approx(365.2425 * base + slope * heating.sum())
    assert year.months["kwh"].sum() == pytest.approx(year.kwh.value)
    assert year.months["kwh"].iloc[0] == pytest.approx(31 * base + slope * 450)
    assert year.kwh.low < year.kwh.value < year.kwh.high
    assert "At the base of the table" in year.remarks[0]


def test_fahrenheit_degree_days_are_the_same_year(fit):
    heating = np.linspace(500, 0, 12)
    here = normal_year(fit, months(heating_degree_days=heating), heating_base_c=18.0)
    there = normal_year(
        fit,
        months(heating_degree_days=heating * 1.8),
        heating_base_c=18.0 * 1.8 + 32,
        degrees="fahrenheit",
    )
    assert there.kwh.value == pytest.approx(here.kwh.value)


def test_what_the_clamp_may_be_off_is_off_all_year(fit):
    wide = replace(fit, clamp=ClampErrors(uncertainty=0.05))
    heating = {"heating_degree_days": np.linspace(500, 0, 12)}
    for table, base in (({"celsius": MONTH_C}, None), (heating, 15.5)):
        plain = normal_year(fit, months(**table), heating_base_c=base).kwh
        year = normal_year(wide, months(**table), heating_base_c=base).kwh
        assert year.value == plain.value
        assert year.systematic == pytest.approx(0.05 * year.value)
        assert year.high - year.value == pytest.approx(
            np.hypot(plain.high - plain.value, 0.05 * year.value)
        )


def test_year_from_mean_temperatures_holds_the_truth(fit):
    """The days of a month differ from its mean: that year's days are drawn, and summed."""
    year = normal_year(fit, months(celsius=MONTH_C))
    rng = np.random.default_rng(9)
    spread_c = float(year.kwh.basis.split("spread by ")[1].split(" ")[0])
    days = [31, 28.2425, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31]
    wanted = sum(
        n * energy(mean + spread_c * rng.normal(size=20_000), 0.0, heating=0.9).mean()
        for n, mean in zip(days, MONTH_C, strict=True)
    )
    assert year.kwh.low <= wanted <= year.kwh.high
    assert year.kwh.value == pytest.approx(wanted, rel=0.05)
    plain = sum(
        n * (8 + 0.9 * float(degree_days(mean, base_c=14.0)))
        for n, mean in zip(days, MONTH_C, strict=True)
    )
    assert wanted > plain * 1.005  # what would be left out by taking means of months for days
    assert "In a year of normal weather" in year.sentence
    assert len(year.to_frame()) == 12
    assert "| 12 |" in year.to_markdown()


def test_months_beyond_the_log_are_told():
    rng = np.random.default_rng(3)
    celsius = weather(rng, 60)
    fit = weather_dependence(energy(celsius, correlated(rng, 60, 0.3), heating=0.9), celsius)
    year = normal_year(fit, months(celsius=np.array(MONTH_C) + 6))
    assert "warmer than any day of the log" in " ".join(year.remarks)


def test_table_from_a_file(tmp_path):
    path = tmp_path / "normal.csv"
    months(celsius=MONTH_C).iloc[::-1].to_csv(path, index=False)
    assert read_normal_months(path)["celsius"].tolist() == MONTH_C


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("month,warmth\n1,3\n", "needs a column month and one of celsius"),
        ("month,celsius\n1,3\n2,4\n", "each month from 1 to 12 once"),
        ("", "cannot be read as CSV"),
        (
            "month,heating_degree_days\n" + "".join(f"{m},{-1}\n" for m in range(1, 13)),
            "month 1 has no number from 0",
        ),
    ],
)
def test_tables_that_cannot_be_used(tmp_path, text, match):
    path = tmp_path / "normal.csv"
    path.write_text(text)
    with pytest.raises(HouseError, match=match):
        read_normal_months(path)


def test_degree_days_need_their_base(fit):
    with pytest.raises(HouseError, match="degree days need their base: heating_base_c"):
        normal_year(fit, months(heating_degree_days=np.ones(12)))
    with pytest.raises(ValueError, match="a base belongs to degree days"):
        normal_year(fit, months(celsius=MONTH_C), heating_base_c=15.5)


def test_heating_that_the_table_leaves_out_is_told(fit):
    year = normal_year(fit, months(cooling_degree_days=np.ones(12)), cooling_base_c=22.0)
    assert "no heating degree days" in " ".join(year.remarks)
