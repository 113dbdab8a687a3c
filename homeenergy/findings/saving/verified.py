"""Savings verified by measurement: what changed, avoided energy, a normal year, a verdict.

In the vocabulary of measurement and verification (IPMVP; ASHRAE Guideline 14): days before a change
are the baseline period, days from it on the reporting period. A circuit of its own is retrofit
isolation with all parameters measured (option B), the mains are the whole facility (option C).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import isfinite, nan, sqrt
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.errors import HouseError
from homeenergy.findings.appliance.record import ApplianceFinding
from homeenergy.findings.change import Change
from homeenergy.findings.cost import price_saved
from homeenergy.findings.days import share_of_year
from homeenergy.findings.loads.idle import idle_or_use
from homeenergy.findings.saving.advice import Said
from homeenergy.findings.weather.fit import weather_dependence
from homeenergy.findings.weather.seasons import SEASON_LIMIT
from homeenergy.findings.year import MONTH_DAYS, QUANTILES, day_spread_c
from homeenergy.house.kinds import KINDS
from homeenergy.stats.estimate import Estimate, measured
from homeenergy.stats.regression import fit_line
from homeenergy.units import DAYS_PER_YEAR, H_PER_DAY, H_PER_YEAR, WH_PER_KWH

Array = NDArray[np.float64]
MOST_UNCERTAIN = 0.5  # of the savings, at 68 %: Guideline 14, as quoted by others
LEAST_MONTHS = 12
DAYS_PER_WEEK = 7
Verdict = Literal["verified", "too uncertain", "not shown", "more is used"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PartChange:
    """One figure of an appliance before and after: its draw at rest, a run, runs a day.

    `difference` is after less before; `shown` is whether its 95 % interval leaves out nothing.
    """

    name: str
    before: Estimate
    after: Estimate
    difference: Estimate

    @property
    def shown(self) -> bool:
        """Whether it changed."""
        return self.difference.low > 0 or self.difference.high < 0


@dataclass(frozen=True, slots=True, kw_only=True)
class ModelStatistics:
    """How well the model of the baseline period fits its days.

    Attributes
    ----------
    n, p : int
        Days, and parameters of the model, balance points included.
    r2 : float
        Share of their variance that it explains.
    cv_rmse : float
        sqrt(sum of squares / (n - p)) / mean (ASHRAE Guideline 14-2002, eq. 5.4).
    nmbe : float
        sum of residuals / ((n - p) mean) (eq. 5.5); zero but for rounding, as the fit has a
        constant.
    correlation : float
        Of residuals with those of the day before.
    """

    n: int
    p: int
    r2: float
    cv_rmse: float
    nmbe: float
    correlation: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Verified:
    """What a change saved.

    Attributes
    ----------
    name : str
    change : Change
        Energy of a day before and after, at the same weather and weekday.
    parts : tuple of PartChange
        Draw at rest [W], a run [kWh], runs a day; those that are known on both sides.
    avoided_kwh : Estimate
        Over the days measured of the reporting period: what the baseline model says of their
        weather, less what they took [kWh].
    reporting_days : int
    year_kwh : Estimate or None
        Normalised savings: of a year of normal weather [kWh]. None where `no_year` says why.
    year_money : Estimate or None
        The same in money.
    no_year : Said or None
    statistics : ModelStatistics
    uncertainty_68, uncertainty_95 : float
        Fractional savings uncertainty of `avoided_kwh`, from the covariance of the fit.
    verdict : str
    """

    name: str
    change: Change
    parts: tuple[PartChange, ...]
    avoided_kwh: Estimate
    reporting_days: int
    year_kwh: Estimate | None
    year_money: Estimate | None
    no_year: Said | None
    statistics: ModelStatistics
    uncertainty_68: float
    uncertainty_95: float
    verdict: Verdict

    def to_frame(self) -> pd.DataFrame:
        """One row; intervals as columns ending in `_low` and `_high`."""
        row: dict[str, object] = {"name": self.name, "verdict": self.verdict}
        figures = {
            "avoided_kwh": self.avoided_kwh,
            "normalised_kwh_per_year": self.year_kwh,
            "normalised_cost_per_year": self.year_money,
        }
        for part in self.parts:
            figures |= {f"{part.name}_before": part.before, f"{part.name}_after": part.after}
            figures |= {f"{part.name}_difference": part.difference}
        for name, estimate in figures.items():
            for end in ("value", "low", "high"):
                column = name if end == "value" else f"{name}_{end}"
                row[column] = nan if estimate is None else getattr(estimate, end)
        for name in ("n", "p", "r2", "cv_rmse", "nmbe"):
            row[f"baseline_{name}"] = getattr(self.statistics, name)
        row |= {"uncertainty_68": self.uncertainty_68, "uncertainty_95": self.uncertainty_95}
        row["guideline_b28_95"] = guideline_uncertainty(self)
        return pd.DataFrame([row])


def verified(
    change: Change,
    *,
    name: str,
    before: ApplianceFinding | None = None,
    after: ApplianceFinding | None = None,
    months: pd.DataFrame | None = None,
    price: float | None = None,
    currency: str = "",
) -> Verified:
    """Say what a change saved: its parts, avoided energy, a normal year, and how sure that is.

    Parameters
    ----------
    change : Change
        From `before_after`.
    name : str
    before, after : ApplianceFinding, optional
        Of the two periods, for the parts and the season; none for the whole house.
    months : pandas.DataFrame, optional
        month and celsius of a normal year (`read_normal_months`).
    price : float, optional
        Of a kWh [currency]. Default: what the appliance paid in the reporting period.
    currency : str

    Notes
    -----
    A saving of one season is never multiplied by 365 where the weather drives it. There the share
    that is saved, at the mean weather of the log, is taken of a normal year of the baseline: a
    model of daily energy (`weather_dependence`; days of the reporting period brought back by that
    share) at the days of normal months, never below the draw at rest. On days that are colder or
    warmer than any of the log the baseline is halfway between what the model says and what it says
    of the nearest temperature that was seen, and the saving may be anything from none to twice what
    follows (own rule); the interval holds it. Elsewhere the saving of a day counts 365 times, and
    days of the year that were not seen may differ by `SEASON_LIMIT` (own rule). Of the whole house
    a year is not given: which part of it follows the weather is not known of a sum.
    """
    days = change.days
    reporting = int((days["day"] >= change.at).sum())
    avoided = _avoided(change)
    year, no_year = _year(change, before, after, months)
    money = None
    if after is not None and price is None:
        paid = price_saved(after)
        price, currency = paid if paid is not None else (None, "")
    if year is not None and price is not None:
        money = year.scaled(price, unit=currency)
    saved = avoided.value
    u68 = avoided.standard_uncertainty / abs(saved) if saved else float("inf")
    half = (avoided.high - avoided.low) / 2
    return Verified(
        name=name,
        change=change,
        parts=() if before is None or after is None else part_changes(before, after),
        avoided_kwh=avoided,
        reporting_days=reporting,
        year_kwh=year,
        year_money=money,
        no_year=no_year,
        statistics=model_statistics(change),
        uncertainty_68=u68,
        uncertainty_95=half / abs(saved) if saved else float("inf"),
        verdict=_verdict(change, saved, u68),
    )


def _verdict(change: Change, saved: float, u68: float) -> Verdict:
    if not change.shown:
        return "not shown"
    if saved < 0:
        return "more is used"
    return "verified" if u68 < MOST_UNCERTAIN else "too uncertain"


def _avoided(change: Change) -> Estimate:
    """Energy avoided over the days of the reporting period.

    The weather counts as it did before the change for what the days would have taken, and as it
    does after it for what they took, whether or not that tells both periods apart: a share that is
    saved is more on colder days.
    """
    regression, days = change.regression, change.days
    after = (days["day"] >= change.at).to_numpy()
    terms = np.empty((len(days), 0))
    if change.balance is not None:
        terms = change.balance.loose_terms(days["celsius"].to_numpy(np.float64))
    responds = change.responds
    if terms.shape[1] and not responds:
        try:
            regression = fit_line(
                np.hstack([regression.design, terms * after[:, None]]),
                days["kwh"].to_numpy(np.float64),
                position=regression.position,
                correlation=regression.correlation,
            )
            responds = True
        except ValueError:  # one period alone cannot tell how the weather counts
            regression = change.regression
    contrast = np.zeros(regression.design.shape[1])
    contrast[1] = -float(after.sum())
    if responds and terms.shape[1]:
        contrast[contrast.size - terms.shape[1] :] = -terms[after].sum(axis=0)
    basis = f"baseline model at the weather of {after.sum()} days, less what they took"
    found = regression.estimate(contrast, unit="kWh", basis=basis)
    size = change.size_kwh
    clamp = size.parts.chosen(observed=False)
    if not clamp or not size.value:
        return found
    return found.with_parts(clamp.scaled(found.value / size.value))


def model_statistics(change: Change) -> ModelStatistics:
    """R2, CV(RMSE) and NMBE of the model on the days of the baseline period."""
    days = change.days[change.days["day"] < change.at]
    kwh = days["kwh"].to_numpy(np.float64)
    left = kwh - days["expected_kwh"].to_numpy(np.float64)
    p = 1 + (6 if change.weekday else 0)
    if change.balance is not None:
        p += change.balance.loose_terms(np.zeros(1)).shape[1]
    n, mean = kwh.size, float(kwh.mean())
    squares, around = float(left @ left), float(((kwh - mean) ** 2).sum())
    freedom = n - p
    known = freedom > 0 and mean != 0
    return ModelStatistics(
        n=n,
        p=p,
        r2=1 - squares / around if around > 0 else nan,
        cv_rmse=sqrt(squares / freedom) / abs(mean) if known else nan,
        nmbe=float(left.sum()) / (freedom * mean) if known else nan,
        correlation=change.regression.correlation,
    )


def guideline_uncertainty(found: Verified, *, t: float = 1.96) -> float:
    """Fractional savings uncertainty by Guideline 14, Annex B, eq. B-28, to compare with.

    1.26 t CV sqrt((n / n') (1 + 2 / n') / m) / F, with n days before, m after, F the share that is
    saved, and n' = n (1 - r) / (1 + r) of correlated days (unverified). Its 1.26 stands for monthly
    data; the covariance of the fit, which `Verified` goes by, is exact for the model.
    """
    s = found.statistics
    worth = s.n * (1 - s.correlation) / (1 + s.correlation)
    share = abs(found.change.share.value)
    if not (share > 0 and worth > 0 and isfinite(s.cv_rmse)):
        return nan
    m = found.reporting_days
    return 1.26 * t * s.cv_rmse * sqrt(s.n / worth * (1 + 2 / worth) / m) / share


def part_changes(before: ApplianceFinding, after: ApplianceFinding) -> tuple[PartChange, ...]:
    """Compare draw at rest, energy of a run and runs a day of two periods of one circuit.

    What both share, the clamp's ratio and offset, drops out of the difference. Of a bound only the
    end is known, so the difference reaches from end to end.
    """
    found = []
    if not KINDS[after.kind].never_off:
        found.append(_part("standby_w", before.standby_w, after.standby_w))
        found.append(_part("run_kwh", before.run_kwh, after.run_kwh))
        try:
            often = [
                idle_or_use(one).uses_per_week.scaled(1 / DAYS_PER_WEEK, unit="1/d")
                for one in (before, after)
            ]
            found.append(_part("runs_per_day", *often))
        except HouseError:
            pass
    return tuple(part for part in found if part is not None)


def _part(name: str, before: Estimate, after: Estimate) -> PartChange | None:
    ends = (before.low, before.high, after.low, after.high)
    if not all(map(isfinite, ends)):
        return None
    if before.resolved and after.resolved:
        difference = after - before
        if not (isfinite(difference.low) and isfinite(difference.high)):
            return None
    else:
        low, high = after.low - before.high, after.high - before.low
        difference = Estimate(
            value=(low + high) / 2, low=low, high=high, unit=after.unit, n=0, basis="of bounds"
        )
    return PartChange(name=name, before=before, after=after, difference=difference)


def _year(
    change: Change,
    before: ApplianceFinding | None,
    after: ApplianceFinding | None,
    months: pd.DataFrame | None,
) -> tuple[Estimate | None, Said | None]:
    if before is None or after is None:
        return None, Said(
            text="of a sum it is not known which part follows the weather; see the circuits"
        )
    driven = change.balance is not None and change.balance.shape != "flat"
    strong = "strong" in (before.season.strength, after.season.strength)
    if strong or (driven and after.season.strength != "none"):
        if not driven:
            return None, Said(
                text="it follows the weather, and these days do not show how: log more of the year"
            )
        if months is None:
            return None, Said(
                text="it follows the weather: a table normal_months.csv (month, celsius) in the "
                "house's folder gives a year of normal weather"
            )
        if "celsius" not in months:
            return None, Said(text="normal_months.csv needs the column celsius")
        return _weather_year(change, before, months), None
    seen = share_of_year(pd.DatetimeIndex(change.days["day"]))
    limit = (1 - seen) * max(SEASON_LIMIT[f.season.strength] for f in (before, after))
    year = change.size_kwh.scaled(-DAYS_PER_YEAR)
    if not limit:
        return year, None
    source = f"days of {after.circuit} not seen"
    return year.with_part(source, limit * abs(year.value), rectangular=True), None


def _weather_year(change: Change, before: ApplianceFinding, months: pd.DataFrame) -> Estimate:
    """The share that is saved of a normal year of the baseline, see `verified`."""
    days, share = change.days, change.share
    kwh = days["kwh"].to_numpy(np.float64).copy()
    after = (days["day"] >= change.at).to_numpy()
    kwh[after] /= 1 + share.value
    index = pd.DatetimeIndex(days["day"])
    celsius = pd.DataFrame(
        {"day": index, "mean_c": days["celsius"].to_numpy(), "covered_h": 24.0, "day_h": 24.0}
    )
    fit = weather_dependence(pd.Series(kwh, index=index), celsius)
    rest_kwh = before.standby_w.low * H_PER_DAY / WH_PER_KWH if before.standby_w.resolved else 0.0
    spread_c, _ = day_spread_c(fit)
    ordered = months.sort_values("month")
    days_c = ordered["celsius"].to_numpy(np.float64)[:, None] + spread_c * QUANTILES[None, :]
    day_c = days_c.ravel()
    weights = np.repeat(MONTH_DAYS / QUANTILES.size, QUANTILES.size)

    def of_days(celsius: Array) -> Array:
        return np.asarray(np.maximum(fit.expected_kwh(celsius), max(rest_kwh, 0.0)))

    line = of_days(day_c)
    half = 0.0
    if fit.draws:
        drawn = np.maximum(fit.expected_draws_kwh(day_c), max(rest_kwh, 0.0)) @ weights
        low, high = np.quantile(drawn, [0.025, 0.975]) - line @ weights
        half = max(-float(low), float(high))
    # Beyond what was seen: between what the line says and what it says of the nearest such day.
    coldest, warmest = days["celsius"].min(), days["celsius"].max()
    unseen = (day_c < coldest) | (day_c > warmest)
    expected = (line + of_days(np.clip(day_c, coldest, warmest))) / 2
    basis = f"baseline of {before.appliance} at the temperatures of a normal year"
    year = measured(float(expected @ weights), half, unit="kWh", n=len(days), basis=basis)
    year = before.clamp_errors.with_errors(year, hours=H_PER_YEAR)
    saved = year.times(replace(-share, unit=""), unit="kWh")
    reach = abs(share.value) * float(expected[unseen] @ weights[unseen])
    if reach:
        saved = saved.with_part(f"seasons of {before.circuit} not seen", reach, rectangular=True)
    return replace(saved, basis=f"share saved of a normal year of the baseline; {basis}")


def months_of(outdoor: pd.Series | None, *, timezone: str) -> pd.DataFrame | None:
    """Mean temperatures of the twelve months, of a house that logged all of them; else None."""
    if outdoor is None or not len(outdoor):
        return None
    local = pd.DatetimeIndex(outdoor.index).tz_convert(timezone)
    by_month = outdoor.groupby(local.month.to_numpy())
    covered = by_month.apply(lambda one: pd.DatetimeIndex(one.index).normalize().nunique())
    if len(covered) < LEAST_MONTHS or (covered < 25).any():
        return None
    means = by_month.mean()
    return pd.DataFrame({"month": means.index.astype(float), "celsius": means.to_numpy()})


def sum_of_years(found: Sequence[Verified]) -> tuple[Estimate | None, Estimate | None]:
    """Normalised savings of all verified changes together, in kWh and in money."""
    counted = [one for one in found if one.verdict == "verified" and one.year_kwh is not None]
    kwh = [one.year_kwh for one in counted if one.year_kwh is not None]
    money = [one.year_money for one in counted if one.year_money is not None]
    total = sum(kwh[1:], kwh[0]) if kwh else None
    paid = sum(money[1:], money[0]) if money and len(money) == len(kwh) else None
    return total, paid
