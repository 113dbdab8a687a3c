"""What a year of normal weather would take, from a table of months that a person supplies."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.stats import norm

from homeenergy.errors import HouseError
from homeenergy.findings.appliance.wording import estimate_text
from homeenergy.findings.weather.fit import WeatherFit, weather_dependence
from homeenergy.findings.weather.models import Balance
from homeenergy.stats.estimate import Estimate
from homeenergy.units import H_PER_YEAR

Array = NDArray[np.float64]
Degrees = Literal["celsius", "fahrenheit"]
MONTH_DAYS = np.array([31, 28.2425, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])
HEATING, COOLING = "heating_degree_days", "cooling_degree_days"
COLUMNS = ("celsius", HEATING, COOLING)
# Where the log is too short to tell how days differ within a month (common practice, no source).
USUAL_DAY_SPREAD_C = 3.0
LEAST_DAYS_FOR_SPREAD = 20
QUANTILES = norm.ppf((np.arange(40) + 0.5) / 40)  # days of a month, from cold to warm
MARGIN_C = 2.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NormalYear:
    """Energy of a year of normal weather.

    Attributes
    ----------
    kwh : Estimate
        Of the year [kWh]. The interval gives the uncertainty of the model, as if all but the
        weather were as in the days logged; it leaves out how single years differ.
    months : pandas.DataFrame
        month, the columns of the table that were used, kwh.
    remarks : tuple of str
        What a reader must know.
    """

    kwh: Estimate
    months: pd.DataFrame
    remarks: tuple[str, ...]

    @property
    def sentence(self) -> str:
        """The answer in words."""
        return f"In a year of normal weather: {estimate_text(self.kwh)}."

    def to_frame(self) -> pd.DataFrame:
        """One row a month."""
        return self.months.copy()

    def to_markdown(self) -> str:
        """The answer, a table of months, and remarks."""
        pairs = zip(self.months["month"], self.months["kwh"], strict=True)
        rows = [f"| {month:.0f} | {kwh:,.0f} |" for month, kwh in pairs]
        head = [self.sentence, "", "| month | kWh |", "|---|---:|"]
        return "\n".join([*head, *rows, "", *self.remarks]).rstrip()


def read_normal_months(path: Path | str) -> pd.DataFrame:
    """Read a table of normal months, as a weather service publishes it.

    Parameters
    ----------
    path : Path or str
        A CSV: month (1 to 12) and celsius (mean of the month), or heating_degree_days and
        cooling_degree_days, or one of them.

    Returns
    -------
    pandas.DataFrame
        In the order of months.

    Raises
    ------
    HouseError
        Naming what cannot be used.
    """
    path = Path(path)
    try:
        table = pd.read_csv(path, encoding="utf-8-sig", skipinitialspace=True)
    except (OSError, UnicodeDecodeError, pd.errors.ParserError, pd.errors.EmptyDataError) as error:
        raise HouseError(f"cannot be read as CSV ({error})", path=path) from None
    return _checked(table, path)


def _checked(table: pd.DataFrame, path: Path | None = None) -> pd.DataFrame:
    kept = [name for name in COLUMNS if name in table]
    if "month" not in table or not kept:
        raise HouseError(
            f"a table of normal months needs a column month and one of {', '.join(COLUMNS)}; "
            f"there are {', '.join(map(str, table.columns))}",
            path=path,
        )
    table = table[["month", *kept]].apply(pd.to_numeric, errors="coerce")
    if sorted(table["month"]) != list(range(1, 13)):
        raise HouseError(
            "a year needs each month from 1 to 12 once",
            path=path,
            column="month",
            fix="Write the months as numbers, one row each.",
        )
    for name in kept:
        values = table[name]
        low, high = (-90.0, 60.0) if name == "celsius" else (0.0, 4000.0)
        bad = ~values.between(low, high)
        if bad.any():
            raise HouseError(
                f"month {int(table.loc[bad, 'month'].iloc[0])} has no number from {low:g} to "
                f"{high:g} for {name}",
                path=path,
                column=name,
            )
    return table.sort_values("month", ignore_index=True).astype(np.float64)


def normal_year(
    fit: WeatherFit,
    table: pd.DataFrame,
    *,
    heating_base_c: float | None = None,
    cooling_base_c: float | None = None,
    degrees: Degrees = "celsius",
) -> NormalYear:
    """Energy of a year with the weather of a table of months.

    Parameters
    ----------
    fit : WeatherFit
        From `weather_dependence`.
    table : pandas.DataFrame
        From `read_normal_months`, or with its columns.
    heating_base_c, cooling_base_c : float, optional
        Base of the table's degree days, in the degrees of the table.
    degrees : "celsius" or "fahrenheit"
        What the table's degree days and bases are counted in.

    Returns
    -------
    NormalYear
        With the uncertainty of the clamp where `fit` holds it (`WeatherFit.with_clamp`).

    Notes
    -----
    Degree days belong to a base: the days of the log are fitted again with the balance points at
    the base of the table, since degree days at another base cannot be had from it. From mean
    temperatures, the days of a month are taken to spread about its mean as a normal distribution
    with the standard deviation that the days of the log show about those around them (an idea of
    Thom 1954): a mild month has cold days.
    """
    months = _checked(table)
    if HEATING in months or COOLING in months:
        bases = _bases_c(months, heating_base_c, cooling_base_c, degrees)
        year = _from_degree_days(fit, months, bases, degrees)
    elif heating_base_c is not None or cooling_base_c is not None:
        raise ValueError("a base belongs to degree days; the table holds mean temperatures")
    else:
        year = _from_temperatures(fit, months)
    if fit.clamp is None:
        return year
    return replace(year, kwh=fit.clamp.with_errors(year.kwh, hours=H_PER_YEAR))


def _bases_c(
    months: pd.DataFrame, heating: float | None, cooling: float | None, degrees: Degrees
) -> dict[str, float]:
    bases = {}
    for name, base in ((HEATING, heating), (COOLING, cooling)):
        if (name in months) != (base is not None):
            word = name.split("_")[0]
            raise HouseError(
                f"degree days need their base: {word}_base_c goes with the column {name}",
                fix="Give the base that the table states, such as 15.5 (deg C) or 65 (deg F).",
            )
        if base is not None:
            bases[name] = (base - 32) / 1.8 if degrees == "fahrenheit" else base
    return bases


def _from_degree_days(
    fit: WeatherFit, months: pd.DataFrame, bases: dict[str, float], degrees: Degrees
) -> NormalYear:
    days = fit.days.set_index("day")
    again = weather_dependence(
        days["kwh"],
        _as_table(days["celsius"]),
        heating_base_c=bases.get(HEATING),
        cooling_base_c=bases.get(COOLING),
    )
    factor = 1 / 1.8 if degrees == "fahrenheit" else 1.0
    columns = [months[name].to_numpy() * factor for name in (HEATING, COOLING) if name in bases]
    design = np.column_stack([MONTH_DAYS, *columns])
    kwh = again.regression.estimate(
        design.sum(axis=0), unit="kWh", basis="fit at the base of the table"
    )
    months["kwh"] = design @ again.regression.coefficients
    remarks = [
        f"At the base of the table single days differ from the model by {again.cv_rmse:.0%} of "
        f"the mean day, at the balance points found by {fit.cv_rmse:.0%}."
    ]
    slopes = again.regression.coefficients[1:]
    if (slopes < 0).any():
        remarks.append(
            "A slope has the wrong sign: these days do not show what the table asks for."
        )
    for name in ("heating", "cooling"):
        wanted = getattr(fit, f"{name}_kwh") is not None
        if wanted and f"{name}_degree_days" not in bases:
            remarks.append(f"The table has no {name} degree days: {name} is left out.")
    return NormalYear(kwh=kwh, months=months, remarks=tuple(remarks))


def _as_table(celsius: pd.Series) -> pd.DataFrame:
    """Temperatures of days in the form that `daily_temperature` gives."""
    return pd.DataFrame(
        {"day": celsius.index, "mean_c": celsius.to_numpy(), "covered_h": 24.0, "day_h": 24.0}
    )


def _from_temperatures(fit: WeatherFit, months: pd.DataFrame) -> NormalYear:
    spread_c, words = _day_spread_c(fit)
    days_c = months["celsius"].to_numpy()[:, None] + spread_c * QUANTILES[None, :]
    weights = np.repeat(MONTH_DAYS / QUANTILES.size, QUANTILES.size)
    expected = fit.expected_kwh(days_c.ravel()).reshape(days_c.shape)
    months["kwh"] = expected.mean(axis=1) * MONTH_DAYS
    year = float(months["kwh"].sum())
    contrast = _design_sum(fit.balance, days_c.ravel(), weights)
    half = fit.regression.half_width(contrast)
    low, high = year - half, year + half
    if fit.draws:
        sums = fit.expected_draws_kwh(days_c.ravel()) @ weights
        low, high = (
            min(low, float(np.quantile(sums, 0.025))),
            max(high, float(np.quantile(sums, 0.975))),
        )
    kwh = Estimate(
        value=year,
        low=low,
        high=high,
        unit="kWh",
        n=fit.regression.n,
        basis=f"model of {fit.regression.n} days at normal temperatures; {words}",
    )
    return NormalYear(kwh=kwh, months=months, remarks=tuple(_beyond(fit, months)))


def _design_sum(balance: Balance, celsius: Array, weights: Array) -> Array:
    return np.r_[weights.sum(), weights @ balance.terms(celsius)]


def _day_spread_c(fit: WeatherFit) -> tuple[float, str]:
    """Standard deviation of days about the four weeks around them [K]."""
    celsius = fit.days.set_index("day")["celsius"]
    if len(celsius) < LEAST_DAYS_FOR_SPREAD:
        return USUAL_DAY_SPREAD_C, f"days of a month taken to spread by {USUAL_DAY_SPREAD_C:g} K"
    around = celsius.rolling("30D", center=True).mean()
    spread_c = float(np.sqrt(np.mean((celsius - around) ** 2) * 30 / 29))
    return spread_c, f"days of a month spread by {spread_c:.1f} K, as those of the log"


def _beyond(fit: WeatherFit, months: pd.DataFrame) -> list[str]:
    """Say which months lie outside the temperatures that the log has seen."""
    seen = fit.days["celsius"]
    cold = int((months["celsius"] < seen.min() - MARGIN_C).sum())
    warm = int((months["celsius"] > seen.max() + MARGIN_C).sum())
    remarks = []
    for number, word in ((cold, "colder"), (warm, "warmer")):
        if number:
            remarks.append(
                f"{number} of 12 normal months are {word} than any day of the log "
                f"({seen.min():.0f} to {seen.max():.0f} deg C): what they take is not measured but "
                "carried on from the model, and the interval does not know of it."
            )
    return remarks
