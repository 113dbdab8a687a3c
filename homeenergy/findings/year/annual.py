"""From the days at hand to a year, and how little they may say of it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import isfinite

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.errors import HouseError
from homeenergy.findings.appliance.record import ApplianceFinding
from homeenergy.findings.appliance.wording import clipped, estimate_text
from homeenergy.findings.cost.mean_price import mean_price
from homeenergy.findings.cost.stepped import price_of_a_year
from homeenergy.findings.days import LEAST_COVERAGE
from homeenergy.findings.weather.seasons import SeasonOfUse, season_of_use, season_remark
from homeenergy.house.kinds import KINDS, Seasonality
from homeenergy.house.tariff import Tariff
from homeenergy.stats.estimate import Estimate
from homeenergy.stats.means import mean_of_days, mean_of_strata
from homeenergy.units import DAYS_PER_YEAR, S_PER_DAY, S_PER_H

LEAST_EACH_WEEKDAY = 2
MONTHS = "January February March April May June July August September October November December"


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
    `systematic`. It is no forecast. With temperatures and a table of degree days
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
    seen = min(len(set(zip(day.month, day.day, strict=True))) / DAYS_PER_YEAR, 1.0)
    limit = (1 - seen) * season.limit
    method = (
        f"{per_day.basis}; times {days_per_year:g} days; the {1 - seen:.0%} of the year not seen "
        f"may differ by {season.limit:.0%} either way (own rule)"
    )
    year = per_day.scaled(days_per_year)
    year = with_unseen_days(year, limit, circuit=finding.circuit, basis=method)
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


def with_unseen_days(year: Estimate, limit: float, *, circuit: str, basis: str) -> Estimate:
    """A year whose days that were not seen may lie anywhere within a share of it, all to a side."""
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
