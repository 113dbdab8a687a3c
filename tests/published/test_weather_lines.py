"""Energy against weather: published fits, and another program's regression."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from homeenergy.findings import before_after, weather_dependence
from homeenergy.stats.regression import fit_line
from tests.findings.weather_days import at_celsius

from .whiteside import table


@pytest.fixture(scope="module")
def whiteside():
    return table("MASS/whiteside")


def plain(design, values):
    fit = fit_line(design, values, correlation=0.0)
    return fit, np.sqrt(np.diag(fit.covariance(independent=True)))


# Weekly gas = base + slope x temperature, standard errors, residual sd, and the fit at 5 deg C.
# The slopes and intercepts are those of Venables & Ripley's book (2002, section 6.1).
FITS = {
    "Before": (26, 6.853827699, 0.118423, -0.393238822, 0.019586, 0.281334, 4.887634),
    "After": (30, 4.723849668, 0.129739, -0.277934952, 0.025184, 0.354848, 3.334175),
}


@pytest.mark.parametrize("when", FITS)
def test_both_lines_of_the_whiteside_house(whiteside, when):
    n, base, base_se, slope, slope_se, scatter, at_five = FITS[when]
    part = whiteside[whiteside["Insul"] == when]
    fit, errors = plain(np.c_[np.ones(len(part)), part["Temp"]], part["Gas"])
    assert fit.n == n
    assert fit.coefficients == pytest.approx([base, slope], abs=1e-8)
    assert errors == pytest.approx([base_se, slope_se], abs=1e-6)
    assert fit.scatter == pytest.approx(scatter, abs=1e-6)
    assert fit.coefficients @ [1, 5] == pytest.approx(at_five, abs=1e-6)


@pytest.fixture(scope="module")
def insulated(whiteside):
    """Each week written as a day, before and after in the order of the table."""
    days = pd.date_range("2026-01-01", periods=len(whiteside), tz="UTC")
    gas = pd.Series(whiteside["Gas"].to_numpy(), index=days)
    celsius = pd.Series(whiteside["Temp"].to_numpy(), index=days)
    return before_after(gas, at=days[26], outdoor=celsius, weekday=False)


def test_insulation_is_seen_with_the_weather_taken_out(insulated, whiteside):
    assert insulated.shown
    assert insulated.chance <= 0.002
    assert insulated.balance.shape == "line"
    assert insulated.responds  # the insulated house loses less for each degree
    at = at_celsius(insulated, 5.0)
    assert at.before_kwh.value == pytest.approx(4.887634, abs=1e-6)
    assert at.after_kwh.value == pytest.approx(3.334175, abs=1e-6)
    assert 100 * at.share.value == pytest.approx(-31.8, abs=0.05)
    raw = whiteside.groupby("Insul")["Gas"].mean()
    assert 100 * (raw["After"] / raw["Before"] - 1) == pytest.approx(-26.7, abs=0.05)


def test_insulation_is_found_without_being_told(whiteside):
    # In the order of the table each half is sorted by temperature; the weeks are mixed again.
    mixed = whiteside.groupby("Insul", sort=False)[["Temp", "Gas"]].sample(frac=1, random_state=3)
    days = pd.date_range("2026-01-01", periods=len(mixed), tz="UTC")
    change = before_after(
        pd.Series(mixed["Gas"].to_numpy(), index=days),
        outdoor=pd.Series(mixed["Temp"].to_numpy(), index=days),
        weekday=False,
    )
    assert change.at == pd.Timestamp("2026-01-27")
    assert change.shown


# An exercise of D. Moore's textbooks: gas (100 cubic feet a day) and degree days a day, one house.
NINE_DD = [6, 4, 12, 43, 0, 52, 26, 30, 33]
NINE_GAS = [2.1, 1.7, 3.1, 8.9, 1.2, 11.0, 5.3, 6.9, 7.5]
SIXTEEN_DD = [24, 51, 43, 33, 26, 13, 4, 0, 0, 1, 6, 12, 30, 32, 52, 30]
SIXTEEN_GAS = [
    *(6.3, 10.9, 8.9, 7.5, 5.3, 4.0, 1.7, 1.2),
    *(1.2, 1.2, 2.1, 3.1, 6.4, 7.2, 11.0, 6.9),
]


def test_degree_day_regression_of_nine_months():
    """Printed: constant 0.9595 (0.1678), slope 0.189634 (0.005845), s 0.303674."""
    fit, errors = plain(np.c_[np.ones(9), NINE_DD], NINE_GAS)
    assert fit.coefficients == pytest.approx([0.9595, 0.189634], abs=5e-5)
    assert errors == pytest.approx([0.1678, 0.005845], abs=5e-5)
    assert fit.scatter == pytest.approx(0.303674, abs=5e-7)


def test_degree_day_regression_of_sixteen_months():
    """Printed: 1.0892 + 0.1890 DD, r2 0.9906 (print unverified; inputs and outputs agree)."""
    fit, _ = plain(np.c_[np.ones(16), SIXTEEN_DD], SIXTEEN_GAS)
    assert fit.coefficients == pytest.approx([1.0892, 0.1890], abs=5e-5)
    total = np.sum((np.array(SIXTEEN_GAS) - np.mean(SIXTEEN_GAS)) ** 2)
    assert 1 - fit.residuals @ fit.residuals / total == pytest.approx(0.9906, abs=5e-5)


def test_a_given_base_gives_the_same_degree_day_regression():
    """Through the whole path: days of 18 deg C less so many degrees, 18 as the base."""
    days = pd.date_range("2026-01-01", periods=16, tz="UTC")
    celsius = pd.Series(18.0 - np.array(SIXTEEN_DD), index=days)
    gas = pd.Series(SIXTEEN_GAS, index=days)
    fit = weather_dependence(gas, celsius, heating_base_c=18.0)
    assert fit.base_kwh.value == pytest.approx(1.0892, abs=5e-5)
    assert fit.heating_kwh.value == pytest.approx(0.1890, abs=5e-5)
    assert fit.heating_balance_c.value == 18.0


@pytest.fixture(scope="module")
def random_fit():
    rng = np.random.default_rng(11)
    design = np.c_[np.ones(80), rng.normal(size=80), np.arange(80) >= 40]
    noise = rng.normal(size=80)
    for i in range(1, 80):
        noise[i] += 0.5 * noise[i - 1]
    values = design @ [3.0, 1.0, -0.7] + noise
    return design, values


def test_least_squares_equal_statsmodels(random_fit):
    design, values = random_fit
    ours, errors = plain(design, values)
    theirs = sm.OLS(values, design).fit()
    assert ours.coefficients == pytest.approx(theirs.params, rel=1e-10)
    assert errors == pytest.approx(theirs.bse, rel=1e-10)


@pytest.mark.parametrize("lags", [0, 3, 7])
def test_newey_west_equals_statsmodels(random_fit, lags):
    design, values = random_fit
    theirs = sm.OLS(values, design).fit(
        cov_type="HAC", cov_kwds={"maxlags": lags, "use_correction": True}
    )
    ours = fit_line(design, values).newey_west(lags=lags)
    np.testing.assert_allclose(ours, theirs.cov_params(), rtol=1e-8)


def test_correlation_and_covariance_equal_statsmodels_given_the_correlation(random_fit):
    """Covariance of least squares under a first-order autoregression, from its full matrix."""
    design, values = random_fit
    fit = fit_line(design, values)
    assert 0.3 < fit.correlation < 0.7
    between = fit.correlation ** np.abs(np.subtract.outer(np.arange(80), np.arange(80)))
    scale = sm.GLS(values, design, sigma=between).fit().scale
    inner = np.linalg.inv(design.T @ design)
    wanted = inner @ design.T @ between @ design @ inner * scale
    np.testing.assert_allclose(fit.covariance(), wanted, rtol=1e-8)
