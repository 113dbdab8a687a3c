"""Changes that are known from elsewhere: the Nile of 1898, and a household's summer absence."""

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import brentq
from scipy.stats import norm

from homeenergy.findings import before_after, find_changes
from homeenergy.findings.before_after import BAI_97_5, steps
from homeenergy.findings.days import daily_energy

from .household import HOUSE_ZONE
from .whiteside import table


@pytest.fixture(scope="module")
def nile():
    """Years written as days: 1871 is day 0, so that 1898 is day 27 and 1899 the first after."""
    flow = table("datasets/Nile").iloc[:, -1].to_numpy(np.float64)
    assert flow.size == 100
    assert flow.mean() == pytest.approx(919.35)
    return pd.Series(flow, index=pd.date_range("2026-01-01", periods=100, tz="UTC"))


def test_the_nile_changes_after_1898(nile):
    """Cobb 1978; the best single split leaves a sum of squares of 1597457.194."""
    change = before_after(nile, weekday=False)
    split = (change.at - pd.Timestamp("2026-01-01")).days
    assert split == 28
    assert change.before_kwh.value == pytest.approx(1097.75)
    assert change.size_kwh.value == pytest.approx(-247.78, abs=5e-3)
    left = change.regression.residuals
    assert left @ left == pytest.approx(1597457.194, abs=1e-3)
    assert change.shown
    assert change.chance <= 0.002


def test_point_of_the_distribution_of_the_break():
    """Bai 1997: 97.5 % point of where a Brownian motion with two-sided drift is greatest."""

    def below(x):
        root = np.sqrt(x)
        return (
            1
            + root * np.exp(-x / 8) / np.sqrt(2 * np.pi)
            - (x + 5) / 2 * norm.cdf(-root / 2)
            + 1.5 * np.exp(x) * norm.cdf(-1.5 * root)
        )

    assert brentq(lambda x: below(x) - 0.975, 1.0, 50.0) == pytest.approx(BAI_97_5, abs=5e-3)


def test_interval_of_the_break_is_near_the_published_one(nile):
    """Published (a run of a structural-change package): last year before it 1898 (1895 to 1902)."""
    change = before_after(nile, weekday=False)
    first, last = ((d - pd.Timestamp("2026-01-01")).days for d in (change.earliest, change.latest))
    assert 23 <= first <= 25
    assert 31 <= last <= 33


def test_squares_of_other_splits(nile):
    """Next best: 1659109.48 one item earlier."""
    found = steps(np.ones((100, 1)), nile.to_numpy(), least=5)
    total = 2835156.75
    f = found.f[:, 0]
    squares = total / (1 + f / 98)
    assert squares[found.splits == 27] == pytest.approx(1659109.48, abs=1e-2)
    assert np.argsort(squares)[1] == np.flatnonzero(found.splits == 27)[0]


@pytest.fixture(scope="module")
def summer(house):
    """Energy of the days of a summer, those that were filled in left out."""

    def of(year):
        trace = house.trace("supply", f"{year}-05-31T23:00Z", f"{year}-09-30T23:00Z")
        return daily_energy(trace, timezone=HOUSE_ZONE)

    return of


def test_daily_energy_by_weekday_equals_pandas(house, plain):
    daily = daily_energy(house.trace("supply"), timezone=HOUSE_ZONE)
    whole = daily[daily["covered_h"] == 24]
    ours = whole.groupby(pd.DatetimeIndex(whole["day"]).day_of_week)["kwh"].mean()
    kw = plain["Global_active_power"]
    per_day = kw.groupby(kw.index.normalize()).agg(["sum", "size"])
    per_day = per_day.loc[per_day["size"] == 1440, "sum"] / 60
    wanted = per_day.groupby(per_day.index.day_of_week).mean()
    np.testing.assert_allclose(ours.to_numpy(), wanted.to_numpy(), rtol=1e-6)
    assert len(whole) == len(per_day) == 1440
    assert whole["kwh"].mean() == pytest.approx(per_day.mean(), rel=1e-6)


def test_summer_absence_is_found_without_being_told(summer):
    """In August 2008 the house stands nearly empty from the 6th to the 30th, as its days show."""
    found = find_changes(summer(2008))
    by_date = {f"{change.at:%Y-%m-%d}": change for change in found.changes}
    assert {"2008-08-06", "2008-08-31"} <= set(by_date)
    left, back = by_date["2008-08-06"], by_date["2008-08-31"]
    assert left.shown
    assert back.shown
    assert left.size_kwh.high < 0 < back.size_kwh.low
    empty = found.stretches.set_index("start").loc["2008-08-06"]
    assert empty["days"] == 25
    assert empty["end"] == pd.Timestamp("2008-08-30")
    daily = summer(2008)
    index = pd.DatetimeIndex(daily["day"]).tz_localize(None)
    wanted = daily["kwh"].to_numpy()[(index >= "2008-08-06") & (index < "2008-08-31")].mean()
    assert empty["kwh_per_day"] == pytest.approx(wanted)


def test_a_given_day_of_absence(summer):
    daily = summer(2008)
    part = daily[pd.DatetimeIndex(daily["day"]).tz_localize(None) < "2008-08-31"]
    change = before_after(part, at="2008-08-06", weekday=False)
    index = pd.DatetimeIndex(part["day"]).tz_localize(None)
    kwh = part["kwh"].to_numpy()
    before, after = kwh[index < "2008-08-06"].mean(), kwh[index >= "2008-08-06"].mean()
    assert change.size_kwh.value == pytest.approx(after - before)
    assert change.share.value == pytest.approx(after / before - 1)
    assert change.shown
    assert "less than before" in change.sentence


def test_no_absence_in_the_summer_of_2007(summer):
    assert find_changes(summer(2007)).changes == ()
