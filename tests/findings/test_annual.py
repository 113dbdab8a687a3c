"""From some days to a year: weekdays, seasons, and intervals that own up to what was not seen."""

from datetime import date

import numpy as np
import pandas as pd
import pytest

from homeenergy.errors import HouseError
from homeenergy.findings import annual_energy, house_findings
from homeenergy.findings.appliance.house import appliance_finding
from homeenergy.findings.year import with_unseen_days
from homeenergy.house import Tariff
from homeenergy.house.prices import PriceChange, PricePeriod, Season
from homeenergy.house.schedule import Circuit, Clamp
from homeenergy.readings.trace import Trace
from homeenergy.stats.means import mean_of_days, mean_of_strata
from tests.findings.small_house import made_house

FLAT = Tariff(currency="EUR", price_per_kwh=0.3)
MONDAY = "2026-03-02T00:00Z"


def finding(watts, *, kind="batch", season=None, start=MONDAY, tariff=None, **clamp):
    trace = Trace(label="load", start=pd.Timestamp(start), period_s=900, watts=watts)
    circuit = Circuit(
        name="load", appliance="Washer", kind=kind, season=season, clamp=Clamp(**clamp)
    )
    return appliance_finding(trace, circuit=circuit, timezone="UTC", tariff=tariff)


def days(kwh, **settings):
    """A finding of days that take so much, in one hour from 10:00."""
    watts = np.zeros((len(kwh), 96), np.float32)
    watts[:, 40:44] = np.asarray(kwh, float)[:, None] * 1000
    return finding(watts.ravel(), **settings)


def test_each_weekday_counts_for_a_seventh_however_often_it_was_seen():
    # 16 days from Monday: Monday and Tuesday are seen three times, and take 7 and 0 kWh.
    kwh = [7.0 if day % 7 == 0 else 0.0 for day in range(16)]
    year = annual_energy(days(kwh))
    assert year.weekdays_balanced
    assert year.kwh.value == pytest.approx(365 * 1.0)
    assert "each weekday counting a seventh" in year.method


def test_fewer_than_two_of_a_weekday_are_taken_as_they_are():
    kwh = [7.0 if day % 7 == 0 else 0.0 for day in range(13)]
    year = annual_energy(days(kwh))
    assert not year.weekdays_balanced
    assert year.kwh.value == pytest.approx(365 * 14 / 13)


def test_the_price_of_a_year_is_that_of_the_hours_of_use_wherever_the_log_begins():
    night = PricePeriod(name="night", price_per_kwh=0.1, minutes=((0, 360), (1320, 1440)))
    day = PricePeriod(name="day", price_per_kwh=0.4, minutes=((360, 1320),))
    after = PriceChange(start=date(2026, 3, 16), price_per_kwh=9.0)
    tariff = Tariff(currency="EUR", periods=(night, day), changes=(after,))
    for begins in (0, 7):  # at midnight, and seven minutes later
        minute = (np.arange(14 * 1440 - begins) + begins) % 1440
        watts = np.where(minute // 60 == 22, 2000, 0).astype(np.float32)
        start = pd.Timestamp(MONDAY) + pd.Timedelta(minutes=begins)
        trace = Trace(label="load", start=start, period_s=60, watts=watts)
        heater = Circuit(name="load", appliance="Heater", kind="batch")
        found = appliance_finding(trace, circuit=heater, timezone="UTC")
        year = annual_energy(found, tariff=tariff)
        assert year.cost.value / year.kwh.value == pytest.approx(0.1, rel=1e-6)


def test_a_leap_year_has_a_day_more():
    kwh = np.tile([1.0, 2.0], 14)
    years = [annual_energy(days(kwh), days_per_year=n).kwh.value for n in (365, 366)]
    assert years[1] / years[0] == pytest.approx(366 / 365)


@pytest.mark.parametrize(
    ("kind", "stated", "season", "limit"),
    [
        ("batch", None, "none", 0.1),
        ("thermostatic", None, "some", 0.3),
        ("manual", None, "some", 0.3),
        ("manual", "none", "none", 0.1),
        ("modulating", None, "strong", 1.0),
        ("manual", "strong", "strong", 1.0),
        ("thermostatic", "strong", "strong", 1.0),
    ],
)
def test_the_year_not_seen_widens_the_interval_by_the_rule(kind, stated, season, limit):
    # Days that are all equal leave the rule: a rectangular error holds 95 % within 0.95 of it.
    year = annual_energy(days([2.0] * 28, kind=kind, season=stated))
    assert year.season == season
    assert year.season_from == ("kind" if stated is None else "house.toml")
    half = 0.95 * (1 - 28 / 365) * limit * 730
    assert year.kwh.value == pytest.approx(730)
    assert year.kwh.high - 730 == pytest.approx(half, rel=5e-3)
    assert year.kwh.systematic == pytest.approx(half, rel=5e-3)  # and a step of readings
    assert "8%" in year.warning
    assert ("guess" in year.warning) == (season == "strong")


def test_the_interval_never_ends_below_nothing():
    rng = np.random.default_rng(0)
    year = annual_energy(days(rng.choice([0, 5], 21), kind="modulating"))
    assert year.kwh.low == 0


def test_a_whole_year_needs_no_warning():
    rng = np.random.default_rng(1)
    kwh = rng.normal(3, 0.5, 365)
    year = annual_energy(days(kwh, kind="modulating"))
    assert year.share_of_year == 1
    assert year.warning == ""
    assert len(year.months) == 12
    assert year.kwh.systematic == pytest.approx(0, abs=1e-9)
    assert abs(year.kwh.value - 365 * 3) < 365 * 3 * 0.05
    # Nothing is left of the spread: the year is measured (finite population correction).
    assert year.kwh.high - year.kwh.low == pytest.approx(0, abs=1e-9)


def test_the_spread_of_days_counts_for_those_not_seen():
    """Cochran 1977, 2.6: half of a year leaves sqrt(1/2) of it open."""
    rng = np.random.default_rng(1)
    finding = days(rng.normal(3, 0.5, 182), kind="batch")
    year = annual_energy(finding)
    each = mean_of_strata(finding.daily["kwh"], np.arange(182) % 7, strata=7)
    spread = 365 * (each.high - each.low) / 2
    assert year.kwh.spread == pytest.approx(spread * np.sqrt(1 - 182 / 365), rel=1e-3)


@pytest.mark.study
def test_intervals_of_a_year_of_which_some_was_seen_hold_it():
    """200 days that follow each other, of a year of independent days whose total is known."""
    held = []
    for seed in range(400):
        kwh = np.random.default_rng(seed).gamma(4, 1, 365)
        year = mean_of_days(kwh[:200]).scaled(365.0)
        year = with_unseen_days(year, 0.0, circuit="load", basis="", seen=200 / 365)
        held.append(year.low <= kwh.sum() <= year.high)
    assert 0.925 <= np.mean(held) <= 0.995


def outdoor_of(n, celsius):
    index = pd.date_range(MONDAY, periods=24 * n + 1, freq="h")
    return pd.Series([*np.repeat(celsius, 24), celsius[-1]], index=index)


def test_measured_weather_overrules_the_kind():
    rng = np.random.default_rng(2)
    celsius = np.linspace(20, 0, 28) + rng.normal(0, 0.5, 28)
    heated = annual_energy(days(1 + 0.2 * (20 - celsius)), outdoor=outdoor_of(28, celsius))
    assert heated.season == "strong"
    assert heated.correlation < -0.95
    assert "correlation -" in heated.warning
    free = days(2 + rng.normal(0, 0.1, 28), kind="thermostatic")
    assert annual_energy(free).season == "some"
    found = annual_energy(free, outdoor=outdoor_of(28, celsius))
    assert abs(found.correlation) < 2 / np.sqrt(28)
    assert (found.season, found.season_from) == ("none", "outdoor temperature")
    # Rooms are heated on all of these days: nothing can be ruled out for summer.
    mild = annual_energy(free, outdoor=outdoor_of(28, 10 + celsius / 10))
    assert mild.season == "some"


def test_temperatures_of_another_time_are_refused():
    outdoor = outdoor_of(28, np.zeros(28))
    outdoor.index += pd.Timedelta(days=365)
    with pytest.raises(HouseError, match="cover none of these days"):
        annual_energy(days([1.0] * 28), outdoor=outdoor)


def test_without_a_whole_day_there_is_no_year():
    with pytest.raises(HouseError, match=r"no whole day of Washer \(load\)"):
        annual_energy(finding(np.ones(40)))


def test_one_day_tells_no_spread():
    year = annual_energy(days([2.0]))
    assert year.kwh.value == pytest.approx(730)
    assert np.isinf(year.kwh.high)


def test_clamp_and_money_go_along():
    kwh = np.tile([1.0, 2.0, 3.0, 2.0], 7)
    plain = annual_energy(days(kwh, tariff=FLAT))
    known = annual_energy(days(kwh, tariff=FLAT, uncertainty=0.1))
    assert plain.cost.value == pytest.approx(0.3 * plain.kwh.value)
    assert plain.cost.unit == "EUR"
    assert known.kwh.systematic > plain.kwh.systematic
    assert annual_energy(days(kwh)).cost is None
    assert "EUR" in plain.sentence
    frame = plain.to_frame()
    assert frame["cost_per_year_high"].iloc[0] == plain.cost.high


def test_a_year_is_priced_by_the_seasons_that_were_not_seen():
    # In March, at 10:00 on all days. Winter 0.40 by day, summer (April to September) 0.20.
    tariff = Tariff(
        currency="EUR",
        seasons=(Season(name="summer", month=4, day=1), Season(name="winter", month=10, day=1)),
        periods=(
            PricePeriod(name="winter", price_per_kwh=0.4, seasons=("winter",)),
            PricePeriod(name="summer", price_per_kwh=0.2, seasons=("summer",)),
        ),
    )
    one = days([1.0] * 28, tariff=tariff)
    assert one.cost_per_year.value == pytest.approx(365 * 0.4)
    year = annual_energy(one, tariff=tariff)
    # 183 days of summer, 182 of winter.
    assert year.cost.value == pytest.approx(183 * 0.2 + 182 * 0.4, rel=1e-6)


def test_a_year_is_priced_at_the_weekdays_and_hours_of_use():
    workdays = frozenset(range(5))
    tariff = Tariff(
        currency="EUR",
        periods=(
            PricePeriod(name="peak", price_per_kwh=0.5, minutes=((600, 660),), days=workdays),
            PricePeriod(
                name="rest", price_per_kwh=0.1, minutes=((0, 600), (660, 1440)), days=workdays
            ),
            PricePeriod(name="weekend", price_per_kwh=0.3, days=frozenset({5, 6, 7})),
        ),
    )
    # Two weeks: 1 kWh at 10:00 on workdays, 3 on weekends.
    year = annual_energy(days([1, 1, 1, 1, 1, 3, 3] * 2), tariff=tariff)
    price = (5 * 0.5 + 6 * 0.3) / 11
    assert year.cost.value / year.kwh.value == pytest.approx(price, rel=2e-3)


@pytest.mark.study
def test_intervals_hold_the_year_where_the_season_keeps_to_the_rule():
    # Use swings by a fifth over the year; four weeks from any day of it, with noise of days.
    rng = np.random.default_rng(8)
    held, plain_held = 0, 0
    for _ in range(40):
        at = rng.uniform(0, 365) + np.arange(28)
        kwh = 2 * (1 + 0.2 * np.sin(2 * np.pi * at / 365)) + rng.normal(0, 0.1, 28)
        one = days(kwh, kind="thermostatic")
        year = annual_energy(one).kwh
        held += year.low <= 730 <= year.high
        plain_held += one.kwh_per_day.low <= 2 <= one.kwh_per_day.high
    assert held >= 38
    assert plain_held <= 20  # the days alone know nothing of the season


@pytest.mark.parametrize("name", ["Radiator", "Radiateur", "Heizlüfter", "Flight case charger"])
def test_a_name_changes_no_figure_of_a_year(name):
    """Only a stated season, the outdoor temperature or the kind does."""
    rng = np.random.default_rng(3)
    watts = np.full(14 * 1440, 1.5)
    for day in range(14):
        for at in rng.integers(300, 1300, rng.integers(2, 5)):
            watts[1440 * day + at :][: rng.integers(20, 61)] = 1950
    trace = Trace(label=name, start=pd.Timestamp(MONDAY), period_s=60, watts=watts)

    def year(**settings):
        circuit = Circuit(name="c1", appliance=name, **settings)
        one = appliance_finding(trace, circuit=circuit, timezone="UTC")
        return one, annual_energy(one)

    one, found = year()
    assert (one.kind, found.season, found.season_from) == ("manual", "some", "kind")
    kwh = watts.mean() * 8.76
    assert found.kwh.value == pytest.approx(kwh, rel=0.02)
    assert found.kwh.high - found.kwh.value > 0.3 * (1 - 14 / 365) * 0.95 * kwh
    assert 'write season = "strong"' in found.warning  # it may be a heater
    assert any('season is not set and taken as "some"' in remark for remark in one.remarks)
    stated, strong = year(season="strong")
    assert strong.kwh.high - kwh > 0.95 * (1 - 14 / 365) * 0.95 * kwh
    assert "by house.toml it follows the weather" in strong.warning
    assert not any("season" in remark for remark in stated.remarks)


def test_a_stated_season_outranks_the_outdoor_temperature():
    celsius = np.linspace(20, 0, 28)
    heats = days(1 + 0.2 * (20 - celsius), kind="manual", season="none")
    assert annual_energy(heats, outdoor=outdoor_of(28, celsius)).season == "none"


def test_temperatures_in_the_house_reach_all_figures_of_a_year(tmp_path):
    """With outdoor.csv in the house's folder, findings and savings know what it shows."""
    celsius = np.linspace(20, 0, 28)
    on_h = 0.3 + 0.1 * (20 - celsius)
    watts = (np.arange(1440) / 60 < on_h[:, None]).ravel() * 1500.0
    lines = {"c1": 'appliance = "Heizlüfter"\nkind = "manual"'}
    house = made_house(tmp_path, {"c1": watts}, start=MONDAY, circuits=lines)
    (before,) = house_findings(house).appliances
    assert (before.season.strength, before.season.source) == ("some", "kind")
    outdoor_of(28, celsius).rename_axis("time").rename("celsius").to_csv(tmp_path / "outdoor.csv")
    (one,) = house_findings(house).appliances
    assert (one.season.strength, one.season.source) == ("strong", "outdoor temperature")
    assert annual_energy(one).season == "strong"
    assert not any("season" in remark for remark in one.remarks)
