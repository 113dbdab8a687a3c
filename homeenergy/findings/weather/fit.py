"""What the weather does to daily energy: balance points, kWh per degree day, base load."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from homeenergy.findings.appliance.record import estimate_text, percent_text
from homeenergy.findings.weather.models import (
    FREE,
    SHAPE_WORDS,
    SHAPES,
    Balance,
    Days,
    Shape,
    best_balance,
    candidates,
    search,
    whole_days,
    with_weather,
)
from homeenergy.house.clamp_errors import UNKNOWN_ERRORS, ClampErrors
from homeenergy.stats.estimate import Estimate, measured
from homeenergy.stats.regression import (
    Regression,
    day_correlation,
    fit_line,
    resampled_residuals,
)
from homeenergy.units import H_PER_DAY

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WeatherFit:
    """Daily energy as a function of the day's mean outdoor temperature.

    Attributes
    ----------
    shape : str
        "flat", "line", "heating", "cooling" or "both".
    base_kwh : Estimate
        Energy of a day without heating or cooling [kWh]; for "line" that of a day at 0 deg C.
    heating_balance_c, cooling_balance_c : Estimate or None
        Balance points [deg C]: below the one, or above the other, energy rises.
    heating_kwh, cooling_kwh : Estimate or None
        Energy per degree day below and above them [kWh/(K d)]. For "line" the one whose sign fits.
    scatter_kwh : float
        Standard deviation of days about the model [kWh], with n - p degrees of freedom, p all
        parameters that were estimated, balance points among them.
    cv_rmse : float
        The same as a share of the mean day, CV(RMSE).
    weather_share : float
        Share of the energy of these days that the model lays to heating and cooling; NaN for
        "line", where the base is not seen.
    choice : pandas.DataFrame
        Every shape tried: shape, scatter_kwh, score (the lowest was chosen).
    days : pandas.DataFrame
        day, celsius, kwh, expected_kwh.
    regression : Regression
        The fit at the balance points found.
    balance : Balance
        Shape and balance points.
    remarks : tuple of str
        What a reader must know.
    draws : tuple of (Balance, ndarray)
        Fits to data as they might have come out, for what is computed from a fit.
    clamp : ClampErrors
        Whose errors the energies hold.
    """

    shape: Shape
    base_kwh: Estimate
    heating_balance_c: Estimate | None
    cooling_balance_c: Estimate | None
    heating_kwh: Estimate | None
    cooling_kwh: Estimate | None
    scatter_kwh: float
    cv_rmse: float
    weather_share: float
    choice: pd.DataFrame
    days: pd.DataFrame
    regression: Regression
    balance: Balance
    remarks: tuple[str, ...]
    draws: tuple[tuple[Balance, Array], ...]
    clamp: ClampErrors = UNKNOWN_ERRORS

    def expected_kwh(self, celsius: ArrayLike) -> Array:
        """Energy of days with these mean temperatures [kWh], shape (n,)."""
        return expected_kwh(self.balance, self.regression.coefficients, celsius)

    def expected_draws_kwh(self, celsius: ArrayLike) -> Array:
        """The same for every fit in `draws`, shape (draws, n)."""
        return np.array([expected_kwh(balance, c, celsius) for balance, c in self.draws])

    @property
    def sentence(self) -> str:
        """The answer in words."""
        return _sentence(self)

    def to_frame(self) -> pd.DataFrame:
        """One row a figure: what, value, low, high, unit, n, basis."""
        named = self._named()
        rows = [
            {"what": what, "value": e.value, "low": e.low, "high": e.high, "unit": e.unit}
            | {"n": e.n, "basis": e.basis}
            for what, e in named.items()
            if e is not None
        ]
        nan = float("nan")
        rows.append(
            {"what": "CV(RMSE)", "value": self.cv_rmse, "low": nan, "high": nan, "unit": ""}
            | {"n": self.regression.n, "basis": "share of the mean day"}
        )
        return pd.DataFrame(rows)

    def to_markdown(self) -> str:
        """The answer, then a table of its figures."""
        lines = [self.sentence, "", "| what | value |", "|---|---|"]
        for what, e in self._named().items():
            if e is not None:
                lines.append(f"| {what} | {estimate_text(e)} |")
        lines.append(f"| scatter of days, CV(RMSE) | {percent_text(self.cv_rmse)} |")
        return "\n".join([*lines, "", *self.remarks]).rstrip()

    def _named(self) -> dict[str, Estimate | None]:
        base = "a day at 0 deg C" if self.shape == "line" else "base of a day"
        return {
            base: self.base_kwh,
            "heating balance point": self.heating_balance_c,
            "per heating degree day": self.heating_kwh,
            "cooling balance point": self.cooling_balance_c,
            "per cooling degree day": self.cooling_kwh,
        }


def weather_design(balance: Balance, celsius: ArrayLike) -> Array:
    """Columns of a fit: ones, and what `Balance.terms` gives."""
    c = np.atleast_1d(np.asarray(celsius, dtype=np.float64))
    return np.column_stack([np.ones(c.size), balance.terms(c)])


def expected_kwh(balance: Balance, coefficients: Array, celsius: ArrayLike) -> Array:
    """Energy of days of these mean temperatures by a fit [kWh], shape (n,)."""
    return np.asarray(weather_design(balance, celsius) @ coefficients)


def _sentence(fit: WeatherFit) -> str:
    parts = []
    for slope, balance_c, word in (
        (fit.heating_kwh, fit.heating_balance_c, "below"),
        (fit.cooling_kwh, fit.cooling_balance_c, "above"),
    ):
        if slope is None:
            continue
        where = f" {word} {estimate_text(balance_c)}" if balance_c is not None else ""
        way = "colder" if word == "below" else "warmer"
        parts.append(f"each degree {way}{where} takes {_per_day(slope)}")
    if not parts:
        return (
            f"No significant dependence on the outdoor temperature "
            f"({fit.regression.n} days): a day takes {estimate_text(fit.base_kwh)}."
        )
    text = "; ".join(parts)
    text = f"{text[0].upper()}{text[1:]}"
    if fit.shape != "line":
        text += f"; a day without heating or cooling takes {estimate_text(fit.base_kwh)}"
    scatter = (
        f"The scatter of single days, CV(RMSE), is {percent_text(fit.cv_rmse)} of the mean day"
    )
    return f"{text}. {scatter}. ({SHAPE_WORDS[fit.shape]}; {fit.regression.n} days)"


def _per_day(estimate: Estimate) -> str:
    return f"{estimate_text(replace(estimate, unit='kWh'))} a day"


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
    clamp: ClampErrors = UNKNOWN_ERRORS,
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
    clamp : ClampErrors, optional
        What the clamp may be off (`ApplianceFinding.clamp_errors`), for the energies to hold it.
        Its multiplier moves all days by the same share, so balance points and shares stay.

    Returns
    -------
    WeatherFit

    Raises
    ------
    HouseError
        With fewer than 10 whole days, or where the temperatures do not cover them or hardly differ.

    Notes
    -----
    Change-point models (Kissock, Haberl & Claridge 2003), by least squares: every balance point on
    a grid of half a degree, finely around the best. The shape has the lowest Bayesian information
    criterion (Schwarz 1978), counting as many independent days as these are worth,
    n (1 - r) / (1 + r) for a lag-1 correlation r; one in which colder days need less heat, or
    warmer days less cooling, is ruled out. Intervals are those of the middle 95 % of 400 fits,
    balance points and all, to the model plus residuals drawn anew with their correlation
    (`resampled_residuals`); they take the shape as given.

    CV(RMSE) is that of ASHRAE Guideline 14. Its limits for calibrated simulations do not apply to a
    regression on days, and NMBE of the days that were fitted is zero by construction: neither is
    given.

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
    # Balance points that were given cost no degree of freedom.
    free = regression.coefficients.size if given else FREE[balance.shape]
    return _weather_fit(
        days, balance, regression, free=free, draws=draws, choice=choice, clamp=clamp
    )


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
        free = FREE[shape] + base.shape[1] - 1
        score = worth * np.log(mean_square) + free * np.log(worth)
        rows.append({"shape": shape, "scatter_kwh": _scatter(regression, free), "score": score})
    choice = pd.DataFrame(rows)
    best = list(fits)[int(choice["score"].argmin())]
    return fits[best][0], choice


def _scatter(regression: Regression, free: int) -> float:
    """Standard deviation of the residuals with `free` parameters estimated; NaN without days."""
    left = regression.n - free
    square = float(regression.residuals @ regression.residuals)
    return float(np.sqrt(square / left)) if left > 0 else float("nan")


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
    values = fitted[:, None] + resampled_residuals(regression, number=DRAWS, rng=rng)
    step_c = 0.5 if balance.shape == "both" else 0.25
    # Nearly to the coldest and warmest day: how far a balance point may lie off is asked here.
    options = [balance, *candidates(balance.shape, celsius, step_c=step_c, each_side=2)]
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
    free: int,
    draws: tuple[tuple[Balance, Array], ...],
    choice: pd.DataFrame,
    clamp: ClampErrors,
) -> WeatherFit:
    names = _names(balance, regression.coefficients)
    figures = {name: _figure(regression, draws, column, name) for column, name in enumerate(names)}
    if balance.shape == "line" and "heating_kwh" in figures:
        e = figures["heating_kwh"]
        figures["heating_kwh"] = -e
    slopes = {name: clamp.with_errors(one) for name, one in figures.items() if name != "base_kwh"}
    celsius = days.temperatures_c
    expected = expected_kwh(balance, regression.coefficients, celsius)
    mean = float(days.kwh.mean())
    base = float(regression.coefficients[0])
    scatter = _scatter(regression, free)
    fit = WeatherFit(
        shape=balance.shape,
        base_kwh=clamp.with_errors(figures["base_kwh"], hours=H_PER_DAY),
        heating_balance_c=_balance_figure(balance, draws, "heating_c", regression.n),
        cooling_balance_c=_balance_figure(balance, draws, "cooling_c", regression.n),
        heating_kwh=slopes.get("heating_kwh"),
        cooling_kwh=slopes.get("cooling_kwh"),
        scatter_kwh=scatter,
        cv_rmse=scatter / abs(mean) if mean else float("nan"),
        weather_share=float("nan") if balance.shape == "line" or not mean else 1 - base / mean,
        choice=choice,
        days=pd.DataFrame(
            {"day": days.date, "celsius": celsius, "kwh": days.kwh, "expected_kwh": expected}
        ),
        regression=regression,
        balance=balance,
        remarks=days.remarks,
        draws=draws,
        clamp=clamp,
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
    basis = f"{plain.basis}; balance points estimated anew in {len(draws)} draws"
    return plain.with_draws([c[column] for _, c in draws], basis=basis)


def _balance_figure(
    balance: Balance, draws: tuple[tuple[Balance, Array], ...], name: str, n: int
) -> Estimate | None:
    value = getattr(balance, name)
    if value is None:
        return None
    point = measured(value, unit="deg C", n=n, basis="as given")
    if not draws:
        return point
    basis = f"least squares on days, middle 95 % of {len(draws)} draws"
    return point.with_draws([getattr(b, name) for b, _ in draws], basis=basis)


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
