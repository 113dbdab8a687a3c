"""What the weather does to daily energy: balance points, kWh per degree day, base load."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.estimate import Estimate
from homeenergy.findings.matched_days import Days, whole_days, with_weather
from homeenergy.findings.regression import (
    Regression,
    alike_series,
    day_correlation,
    fit_line,
)
from homeenergy.findings.weather_fit import WeatherFit, expected_kwh, weather_design
from homeenergy.findings.weather_models import (
    FREE,
    SHAPES,
    Balance,
    Shape,
    best_balance,
    candidates,
    search,
)
from homeenergy.findings.wording import percent_text

Array = NDArray[np.float64]
DRAWS, SEED = 400, 5
DEGREE_DAY = "kWh/(K d)"
# Scatter at which a model of days is called rough. Own rule.
ROUGH_SCATTER = 0.3


def weather_dependence(
    daily: pd.DataFrame | pd.Series,
    outdoor: pd.Series | pd.DataFrame,
    *,
    shape: Shape | None = None,
    heating_base_c: float | None = None,
    cooling_base_c: float | None = None,
) -> WeatherFit:
    """How daily energy depends on the day's mean outdoor temperature.

    Parameters
    ----------
    daily : pandas.DataFrame or pandas.Series
        As `daily_energy` gives it; or kWh a day, indexed by day. Days that were not measured for
        nearly all their time are left out.
    outdoor : pandas.Series or pandas.DataFrame
        Readings as `read_outdoor` gives them, or a table as `daily_temperature` gives it.
    shape : str, optional
        "flat", "line", "heating", "cooling" or "both". Default: chosen from the data.
    heating_base_c, cooling_base_c : float, optional
        Balance points to use in place of those found [deg C], such as the base of a published
        table of degree days. They decide the shape.

    Returns
    -------
    WeatherFit

    Raises
    ------
    HouseError
        With fewer than 10 whole days, or where the temperatures do not cover them or hardly differ.

    Notes
    -----
    Change-point models (Kissock, Haberl & Claridge 2003, ASHRAE Transactions 109 II, 425-434, from
    memory), by least squares: every balance point on a grid of half a degree, finely around the
    best. The shape has the lowest Bayesian information criterion (Schwarz 1978), counting as many
    independent days as these are worth, n (1 - r) / (1 + r) for a lag-1 correlation r; one in
    which colder days need less heat, or warmer days less cooling, is ruled out. Intervals are those
    of the middle 95 % of 400 fits, balance points and all, to the model plus residuals drawn anew
    with their correlation (`alike_series`); they take the shape as given.

    CV(RMSE) and NMBE are those of ASHRAE Guideline 14 (from memory).

    Examples
    --------
    >>> import numpy as np, pandas as pd
    >>> from homeenergy.findings import weather_dependence
    >>> rng = np.random.default_rng(1)
    >>> days = pd.date_range("2026-01-01", periods=120, tz="UTC")
    >>> celsius = pd.Series(np.linspace(-5, 25, 120) + rng.normal(0, 3, 120), index=days)
    >>> kwh = 6 + 0.8 * np.maximum(15 - celsius, 0) + rng.normal(0, 1, 120)
    >>> fit = weather_dependence(kwh, celsius)
    >>> fit.shape, round(fit.heating_kwh.value, 1)
    ('heating', 0.8)
    """
    days = with_weather(whole_days(daily), outdoor)
    celsius = days.temperatures_c
    if heating_base_c is not None or cooling_base_c is not None:
        balance = _given(heating_base_c, cooling_base_c)
        choice = pd.DataFrame({"shape": [balance.shape], "scatter_kwh": [np.nan], "score": np.nan})
    else:
        found, choice = choose_balance(days, shapes=SHAPES if shape is None else (shape,))
        if found is None:
            raise ValueError(f"no fit of shape {shape!r} to these days has slopes of its signs")
        balance = found
    regression = fit_line(weather_design(balance, celsius), days.kwh, position=days.position)
    given = heating_base_c is not None or cooling_base_c is not None
    draws = () if given else _draws(balance, celsius, regression)
    return _weather_fit(days, balance, regression, draws=draws, choice=choice)


def choose_balance(
    days: Days, *, shapes: tuple[Shape, ...] = SHAPES, others: Array | None = None
) -> tuple[Balance | None, pd.DataFrame]:
    """Shape and balance points of the lowest information criterion, and the score of each shape.

    `others` holds further columns of the fit, the base among them; by default only the base.
    """
    celsius = days.temperatures_c
    base = np.ones((len(days), 1)) if others is None else others
    fits: dict[Shape, tuple[Balance, Regression]] = {}
    for shape in shapes:
        balance = best_balance(shape, celsius, days.kwh, others=base)
        if balance is not None:
            x = np.column_stack([base, balance.terms(celsius)])
            fits[shape] = balance, fit_line(x, days.kwh, position=days.position, correlation=0.0)
    if not fits:
        return None, pd.DataFrame({"shape": [], "scatter_kwh": [], "score": []})
    # One correlation for all, that of the fit which leaves least.
    closest = min((r for _, r in fits.values()), key=lambda r: float(r.residuals @ r.residuals))
    r = day_correlation(closest.design, closest.residuals, days.position)
    worth = max(len(days) * (1 - r) / (1 + r), 5.0)
    rows = []
    for shape, (_, regression) in fits.items():
        mean_square = max(float(np.mean(regression.residuals**2)), 1e-12)
        score = worth * np.log(mean_square) + (FREE[shape] + base.shape[1] - 1) * np.log(worth)
        rows.append({"shape": shape, "scatter_kwh": regression.scatter, "score": score})
    choice = pd.DataFrame(rows)
    best = list(fits)[int(choice["score"].argmin())]
    return fits[best][0], choice


def _given(heating_c: float | None, cooling_c: float | None) -> Balance:
    if heating_c is not None and cooling_c is not None:
        if heating_c > cooling_c:
            raise ValueError(
                f"heating_base_c {heating_c:g} lies above cooling_base_c {cooling_c:g}: swap them"
            )
        shape: Shape = "both"
    else:
        shape = "heating" if heating_c is not None else "cooling"
    return Balance(shape=shape, heating_c=heating_c, cooling_c=cooling_c)


def _draws(
    balance: Balance, celsius: Array, regression: Regression
) -> tuple[tuple[Balance, Array], ...]:
    """Fits of the same shape to residuals drawn anew."""
    rng = np.random.default_rng(SEED)
    fitted = regression.design @ regression.coefficients
    values = fitted[:, None] + alike_series(regression, number=DRAWS, rng=rng)
    step_c = 0.5 if balance.shape == "both" else 0.25
    # Nearly to the coldest and warmest day: how far a balance point may lie off is asked here.
    options = [balance, *candidates(balance.shape, celsius, step_c=step_c, beside=2)]
    squares = search(options, celsius, values, others=np.ones((celsius.size, 1))).squares
    fits = []
    for column in np.flatnonzero(np.isfinite(squares.min(axis=0))):
        best = options[int(np.argmin(squares[:, column]))]
        x = weather_design(best, celsius)
        fits.append((best, np.asarray(np.linalg.lstsq(x, values[:, column])[0], np.float64)))
    return tuple(fits)


def _weather_fit(
    days: Days,
    balance: Balance,
    regression: Regression,
    *,
    draws: tuple[tuple[Balance, Array], ...],
    choice: pd.DataFrame,
) -> WeatherFit:
    names = _names(balance, regression.coefficients)
    figures = {name: _figure(regression, draws, column, name) for column, name in enumerate(names)}
    if balance.shape == "line" and "heating_kwh" in figures:
        e = figures["heating_kwh"]
        figures["heating_kwh"] = replace(e, value=-e.value, low=-e.high, high=-e.low)
    celsius = days.temperatures_c
    expected = expected_kwh(balance, regression.coefficients, celsius)
    mean = float(days.kwh.mean())
    base = float(regression.coefficients[0])
    fit = WeatherFit(
        shape=balance.shape,
        base_kwh=figures["base_kwh"],
        heating_balance_c=_balance_figure(balance, draws, "heating_c", regression.n),
        cooling_balance_c=_balance_figure(balance, draws, "cooling_c", regression.n),
        heating_kwh=figures.get("heating_kwh"),
        cooling_kwh=figures.get("cooling_kwh"),
        scatter_kwh=regression.scatter,
        cv_rmse=regression.scatter / abs(mean) if mean else float("nan"),
        nmbe=float(np.sum(days.kwh - expected)) / regression.plain_freedom / mean
        if mean
        else float("nan"),
        weather_share=float("nan") if balance.shape == "line" or not mean else 1 - base / mean,
        choice=choice,
        days=pd.DataFrame(
            {"day": days.date, "celsius": celsius, "kwh": days.kwh, "expected_kwh": expected}
        ),
        regression=regression,
        balance=balance,
        remarks=days.remarks,
        draws=draws,
    )
    return replace(fit, remarks=(*days.remarks, *_remarks(fit)))


def _names(balance: Balance, coefficients: Array) -> list[str]:
    if balance.shape == "line":
        return ["base_kwh", "heating_kwh" if coefficients[1] <= 0 else "cooling_kwh"]
    given = (("heating_kwh", balance.heating_c), ("cooling_kwh", balance.cooling_c))
    return ["base_kwh", *(name for name, base_c in given if base_c is not None)]


def _figure(
    regression: Regression, draws: tuple[tuple[Balance, Array], ...], column: int, name: str
) -> Estimate:
    """A coefficient: the wider of its interval at the balance points found, and over the draws."""
    unit = "kWh" if name == "base_kwh" else DEGREE_DAY
    contrast = np.eye(regression.coefficients.size)[column]
    plain = regression.estimate(contrast, unit=unit, basis="least squares on days")
    if not draws:
        return plain
    low, high = np.quantile([c[column] for _, c in draws], [0.025, 0.975])
    return replace(
        plain,
        low=min(plain.low, float(low)),
        high=max(plain.high, float(high)),
        basis=f"{plain.basis}; balance points estimated anew in {len(draws)} draws",
    )


def _balance_figure(
    balance: Balance, draws: tuple[tuple[Balance, Array], ...], name: str, n: int
) -> Estimate | None:
    value = getattr(balance, name)
    if value is None:
        return None
    if draws:
        low, high = np.quantile([getattr(b, name) for b, _ in draws], [0.025, 0.975])
        basis = f"least squares on days, middle 95 % of {len(draws)} draws"
    else:
        low, high, basis = value, value, "as given"
    return Estimate(
        value=value,
        low=min(float(low), value),
        high=max(float(high), value),
        unit="deg C",
        n=n,
        basis=basis,
    )


def _remarks(fit: WeatherFit) -> list[str]:
    remarks = []
    celsius = fit.days["celsius"]
    if fit.shape == "line":
        remarks.append(
            f"All days lay between {celsius.min():.0f} and {celsius.max():.0f} deg C, on one side "
            "of any balance point: what a day without heating or cooling needs is not seen, and "
            "the line must not be carried beyond."
        )
    if fit.cv_rmse > ROUGH_SCATTER:
        remarks.append(
            f"Days differ from the model by {percent_text(fit.cv_rmse)} of the mean day: other "
            "things than the mean temperature decide."
        )
    return remarks
