"""From the days that were logged to a year: these days, or a year of normal weather."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import isfinite, sqrt
from pathlib import Path
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtri

from homeenergy.errors import HouseError
from homeenergy.findings.appliance.record import ApplianceFinding, clipped, estimate_text
from homeenergy.findings.bill import price_of_a_year
from homeenergy.findings.cost import mean_price
from homeenergy.findings.days import LEAST_COVERAGE, share_of_year
from homeenergy.findings.weather.fit import WeatherFit, weather_dependence
from homeenergy.findings.weather.models import Balance
from homeenergy.findings.weather.seasons import SeasonOfUse, season_of_use, season_remark
from homeenergy.house.kinds import KINDS, Seasonality
from homeenergy.house.tariff import Tariff
from homeenergy.stats.estimate import Estimate
from homeenergy.stats.means import mean_of_days, mean_of_strata
from homeenergy.units import DAYS_PER_YEAR, H_PER_YEAR, S_PER_DAY, S_PER_H

LEAST_EACH_WEEKDAY = 2
MONTHS = "January February March April May June July August September October November December"
Array = NDArray[np.float64]
Degrees = Literal["celsius", "fahrenheit"]
MONTH_DAYS = np.array([31, 28.2425, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])
HEATING, COOLING = "heating_degree_days", "cooling_degree_days"
COLUMNS = ("celsius", HEATING, COOLING)
# Where the log is too short to tell how days differ within a month (common practice, no source).
USUAL_DAY_SPREAD_C = 3.0
LEAST_DAYS_FOR_SPREAD = 20
QUANTILES = ndtri((np.arange(40) + 0.5) / 40)  # days of a month, from cold to warm
MARGIN_C = 2.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AnnualEnergy:
    """What an appliance uses in a year, estimated from some of its days.

    Attributes
    ----------
    circuit, appliance : str
    kwh : Estimate
        Energy of a year [kWh]. The interval holds the spread of days and, in `systematic`, the
        clamp and the part of the year that was not seen.
    cost : Estimate or None
        The same in money, without the standing charge; None without a tariff.
    days : int
        Whole days behind it.
    share_of_year : float
        Share of the days of a year (by date) that were seen.
    months : tuple of str
        Months in which they lie.
    weekdays_balanced : bool
        Whether each weekday counts for a seventh, however often it was seen.
    season : str
        How much the weather drives it: "strong", "some" or "none".
    season_from : str
        Where that comes from: "house.toml", "outdoor temperature" or "kind", its default.
    correlation : float
        Of daily energy with the day's mean outdoor temperature; NaN where none was given.
    warning : str
        What the season makes uncertain; empty where the whole year was seen.
    method : str
    """

    circuit: str
    appliance: str
    kwh: Estimate
    cost: Estimate | None
    days: int
    share_of_year: float
    months: tuple[str, ...]
    weekdays_balanced: bool
    season: Seasonality
    season_from: str
    correlation: float
    warning: str
    method: str

    @property
    def sentence(self) -> str:
        """The answer in words."""
        money = f", {estimate_text(self.cost)}" if self.cost is not None else ""
        text = f"{self.appliance}: {estimate_text(self.kwh)} a year{money}, from {self.days} days."
        return f"{text} {self.warning}".strip()

    def to_frame(self) -> pd.DataFrame:
        """One row; intervals as columns ending in `_low` and `_high`."""
        row: dict[str, object] = {"circuit": self.circuit, "appliance": self.appliance}
        for name, estimate in (("kwh_per_year", self.kwh), ("cost_per_year", self.cost)):
            if estimate is not None:
                row[name] = estimate.value
                row[f"{name}_low"], row[f"{name}_high"] = estimate.low, estimate.high
        for name in ("days", "share_of_year", "weekdays_balanced", "season"):
            row[name] = getattr(self, name)
        for name in ("season_from", "correlation"):
            row[name] = getattr(self, name)
        return pd.DataFrame([row | {"warning": self.warning}])


def annual_energy(
    finding: ApplianceFinding,
    *,
    outdoor: pd.Series | None = None,
    tariff: Tariff | None = None,
    days_per_year: float = DAYS_PER_YEAR,
) -> AnnualEnergy:
    """Bring the days at hand to a year.

    Parameters
    ----------
    finding : ApplianceFinding
    outdoor : pandas.Series, optional
        Outdoor temperature [deg C] on instants (`read_outdoor`): whether the weather drives the
        appliance is then measured, where the days are enough and house.toml does not state its
        season. Default: what the finding knows (`homeenergy.findings.weather.seasons`).
    tariff : Tariff, optional
        By time of use: its prices of all seasons are then applied to a year of the appliance's
        hours. Default: the average price paid on the days at hand.
    days_per_year : float
        365, as labels have it; a leap year has 366, which makes 0.27 % more.

    Returns
    -------
    AnnualEnergy

    Raises
    ------
    HouseError
        Without a whole day.

    Notes
    -----
    Days covered for 90 % or more are scaled to 24 h. Where each weekday was seen twice or more, the
    mean of the weekday means is taken (`homeenergy.stats.means.mean_of_strata`).

    Days of the year that were not seen are taken to lie anywhere within `SEASON_LIMIT` of the mean
    (own rule, no source), evenly and all to one side (JCGM 100:2008, 4.3.7): of a year of which the
    share f was seen, that is (1 - f) times the limit, joined to the spread and kept in
    `systematic`. It is no forecast. The spread of days counts for those not seen: a year that was
    measured whole is known but for its clamp. With temperatures and a table of degree days
    `weather_dependence` does better for what the weather drives.

    Examples
    --------
    >>> import homeenergy as he
    >>> from homeenergy.findings import annual_energy
    >>> report = he.import_logs("sample_data/canal_flat")
    >>> house = he.open_house("sample_data/canal_flat")
    >>> fridge = annual_energy(he.house_findings(house, circuits=["fridge"]).appliances[0])
    >>> fridge.season, fridge.weekdays_balanced, round(fridge.share_of_year, 2)
    ('some', True, 0.24)
    """
    daily = finding.daily
    whole = daily[daily["covered_h"] >= LEAST_COVERAGE * daily["day_h"]]
    if not len(whole):
        raise HouseError(
            f"no whole day of {finding.appliance} ({finding.circuit}) was measured, so there is no "
            "year to speak of",
            fix="Log it for some weeks, best in each season.",
        )
    day = pd.DatetimeIndex(whole["day"])
    kwh = (whole["kwh"] / whole["covered_h"] * S_PER_DAY / S_PER_H).to_numpy(np.float64)
    per_day, balanced = _mean_day(kwh, day.day_of_week.to_numpy())
    # What readings share: the clamp's ratio and offset, the step.
    per_day = per_day.with_parts(finding.kwh_per_day.parts.chosen(observed=False))
    season = finding.season
    if outdoor is not None:
        stated = season.strength if season.source == "house.toml" else None
        season = season_of_use(daily, kind=finding.kind, stated=stated, outdoor=outdoor)
    seen = share_of_year(day)
    limit = (1 - seen) * season.limit
    method = (
        f"{per_day.basis}; times {days_per_year:g} days; the {1 - seen:.0%} of the year not seen "
        f"may differ by {season.limit:.0%} either way (own rule)"
    )
    year = per_day.scaled(days_per_year)
    year = with_unseen_days(year, limit, circuit=finding.circuit, basis=method, seen=seen)
    year = clipped(year, finding)
    return AnnualEnergy(
        circuit=finding.circuit,
        appliance=finding.appliance,
        kwh=year,
        cost=_cost(year, finding, tariff),
        days=len(day),
        share_of_year=seen,
        months=tuple(MONTHS.split()[m - 1] for m in dict.fromkeys(day.month)),
        weekdays_balanced=balanced,
        season=season.strength,
        season_from=season.source,
        correlation=season.correlation,
        warning=_warning(finding, season, seen),
        method=method,
    )


def with_unseen_days(
    year: Estimate, limit: float, *, circuit: str, basis: str, seen: float = 0.0
) -> Estimate:
    """A year whose days that were not seen may lie anywhere within a share of it, all to a side.

    What chance does to the mean of days it does only to days that are not among those `seen`, a
    share of the year: the finite population correction (Cochran 1977, 2.6).
    """
    chance, common = (year.parts.chosen(observed=which) for which in (True, False))
    if seen and all(isfinite(part.effect) for part in chance.values()):
        parts = chance.scaled(sqrt(1 - seen)).plus(common)
        year = year.made(year.value, parts)
    source, reach = f"days of {circuit} not seen", limit * abs(year.value)
    found = year.with_part(source, reach, rectangular=True) if reach else year
    return replace(found, basis=basis)


def _mean_day(kwh: NDArray[np.float64], weekday: NDArray[np.int64]) -> tuple[Estimate, bool]:
    n = kwh.size
    if np.bincount(weekday, minlength=7).min() < LEAST_EACH_WEEKDAY:
        return mean_of_days(kwh), False
    found = mean_of_strata(kwh, weekday, strata=7)
    basis = f"mean of {n} whole days, each weekday counting a seventh, t interval within weekdays"
    words = found.basis.partition("t interval")[2]
    return replace(found, basis=basis + words), True


def _cost(year: Estimate, finding: ApplianceFinding, tariff: Tariff | None) -> Estimate | None:
    if tariff is not None and tariff.periods:
        price = price_of_a_year(finding, tariff)
        if isfinite(price):
            text = f"{year.basis}; {price:.3g} {tariff.currency} a kWh, the average over a year of "
            cost = year.scaled(price, unit=tariff.currency)
            return replace(cost, basis=f"{text}the tariff at the appliance's hours")
    paid = mean_price(finding)
    if paid is None:
        return None
    text = f"{year.basis}; {paid[0]:.3g} {paid[1]} a kWh, the average of these days"
    return replace(year.scaled(paid[0], unit=paid[1]), basis=text)


def _warning(finding: ApplianceFinding, season: SeasonOfUse, seen: float) -> str:
    if seen >= 1:
        return ""
    share = f"Only {seen:.0%} of a year was seen"
    if season.strength == "none":
        return f"{share}; other seasons may differ."
    why = (
        f"its days go with the outdoor temperature (correlation {season.correlation:.2f})"
        if season.source == "outdoor temperature"
        else "by house.toml it follows the weather"
        if season.source == "house.toml" and season.strength == "strong"
        else f"what {KINDS[finding.kind].words} mostly follows the weather"
        if season.strength == "strong"
        else "it follows the seasons a little"
    )
    then = ": take the year as a guess" if season.strength == "strong" else ""
    remark = season_remark(season, kind=finding.kind, runs=finding.cycles.complete)
    return f"{share}, and {why}{then}." + (f" Note that {remark}." if remark else "")


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
        With the uncertainty of the clamp where `fit` holds it (`WeatherFit.clamp`).

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
    spread_c, words = day_spread_c(fit)
    days_c = months["celsius"].to_numpy()[:, None] + spread_c * QUANTILES[None, :]
    weights = np.repeat(MONTH_DAYS / QUANTILES.size, QUANTILES.size)
    expected = fit.expected_kwh(days_c.ravel()).reshape(days_c.shape)
    months["kwh"] = expected.mean(axis=1) * MONTH_DAYS
    contrast = _design_sum(fit.balance, days_c.ravel(), weights)
    basis = f"model of {fit.regression.n} days at normal temperatures; {words}"
    kwh = fit.regression.estimate(contrast, unit="kWh", basis=basis)
    if fit.draws:
        kwh = kwh.with_draws(fit.expected_draws_kwh(days_c.ravel()) @ weights, basis=basis)
    return NormalYear(kwh=kwh, months=months, remarks=tuple(_beyond(fit, months)))


def _design_sum(balance: Balance, celsius: Array, weights: Array) -> Array:
    return np.r_[weights.sum(), weights @ balance.terms(celsius)]


def day_spread_c(fit: WeatherFit) -> tuple[float, str]:
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
