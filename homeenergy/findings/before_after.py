"""Whether something changed, when, and by how much, at the same weather and weekday."""

from __future__ import annotations

import datetime
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.errors import HouseError
from homeenergy.findings.change import SURE, Change, levels_at, with_errors
from homeenergy.findings.weather.fit import choose_balance
from homeenergy.findings.weather.models import Balance, Days, whole_days, with_weather
from homeenergy.house.clamp_errors import UNKNOWN_ERRORS, ClampErrors
from homeenergy.stats.regression import (
    MOST_CORRELATION,
    Regression,
    fit_line,
    resampled_residuals,
    without_dust,
)

Array = NDArray[np.float64]
TRIED = np.array([0.0, 0.15, 0.3, 0.45, 0.6, 0.75, 0.9])
MATCH_DRAWS = 120
# Within so many units of (step / long-run scatter)^2 a break lies: 97.5 % of the place of the
# greatest of a Brownian motion with a drift falling to both sides (Bai 1997).
BAI_97_5 = 11.03


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Steps:
    """F of a step before every day that leaves enough days on either side, for many series.

    Attributes
    ----------
    splits : ndarray of int, shape (m,)
        Number of the first day after.
    f : ndarray, shape (m, series)
    sizes : ndarray, shape (m, series)
        Of the step.
    """

    splits: NDArray[np.int64]
    f: Array
    sizes: Array

    @property
    def best(self) -> int:
        """First day after the greatest step of the first series."""
        return int(self.splits[np.argmax(self.f[:, 0])])


@dataclass(frozen=True, slots=True, kw_only=True)
class Chance:
    """How often chance does as much (p), in how many draws, at which correlation of days."""

    p: float
    draws: int
    correlation: float


def steps(design: Array, values: Array, *, least: int) -> Steps:
    """Least squares of a step at every day, in addition to the columns of `design`.

    Parameters
    ----------
    design : ndarray, shape (n, k)
        With a column of ones.
    values : ndarray, shape (n,) or (n, series)
    least : int
        Days that must lie on either side.

    Notes
    -----
    What a step explains in addition to other columns is found from sums from each day to the last
    (Frisch & Waugh 1933, Lovell 1963): O(n k) for each series.
    """
    y = values[:, None] if values.ndim == 1 else values
    n = y.shape[0]
    base, _ = np.linalg.qr(design)
    left = without_dust(y - base @ (base.T @ y), y)
    total = np.einsum("ij,ij->j", left, left)
    splits = np.arange(least, n - least + 1)
    along = np.cumsum(left[::-1], axis=0)[::-1][splits]
    shadow = np.cumsum(base[::-1], axis=0)[::-1][splits]
    weight = (n - splits) - np.einsum("ij,ij->i", shadow, shadow)
    weight = np.where(weight > 1e-9 * n, weight, np.inf)[:, None]
    gain = along**2 / weight
    freedom = n - design.shape[1] - 1
    f = gain / np.maximum(total - gain, 1e-12 * np.maximum(total, 1e-300)) * freedom
    return Steps(splits=splits, f=f, sizes=along / weight)


def chance_of_one(
    design: Array,
    values: Array,
    position: NDArray[np.int64],
    split: int,
    *,
    number: int,
    rng: np.random.Generator,
) -> Chance:
    """How often a step so plain appears by chance on one given day."""
    step = (np.arange(values.size) >= split).astype(np.float64)
    fit = fit_line(np.column_stack([design, step]), values, position=position)
    columns = np.column_stack([values, resampled_residuals(fit, number=number, rng=rng)])
    least = min(split, values.size - split)
    found = steps(design, columns, least=least)
    f = found.f[np.flatnonzero(found.splits == split)[0]]
    return Chance(p=_share(f), draws=number, correlation=fit.correlation)


def chance_of_any(
    design: Array,
    values: Array,
    position: NDArray[np.int64],
    *,
    least: int,
    number: int,
    rng: np.random.Generator,
) -> Chance:
    """How often a step so plain appears by chance on any day at all.

    A step that was looked for takes with it some of their autocorrelation. So the correlation is
    that of series without a step which, once their own greatest step is taken out, are as
    correlated from day to day as the data are.
    """
    split = steps(design, values, least=least).best
    step = (np.arange(values.size) >= split).astype(np.float64)
    fit = fit_line(np.column_stack([design, step]), values, position=position)
    correlation = _matched(fit, design, least, rng)
    series = resampled_residuals(fit, number=number, rng=rng, correlation=correlation)
    found = steps(design, np.column_stack([values, series]), least=least)
    return Chance(p=_share(found.f.max(axis=0)), draws=number, correlation=correlation)


def _share(greatest: Array) -> float:
    """Data first, draws after: share of all that do as much (the data count as one of them)."""
    return float((1 + np.sum(greatest[1:] >= greatest[0])) / greatest.size)


def _matched(fit: Regression, design: Array, least: int, rng: np.random.Generator) -> float:
    """Correlation at which series without a step look as correlated as the residuals of `fit`."""
    seen = _lag_one(fit.residuals[:, None], fit.position)[0]
    looks = []
    for r in TRIED:
        series = _gaussian(fit.position, float(r), MATCH_DRAWS, rng)
        left = _without_step(design, series, least)
        looks.append(float(np.median(_lag_one(left, fit.position))))
    rising = np.maximum.accumulate(looks)
    return float(np.clip(np.interp(seen, rising, TRIED), 0.0, MOST_CORRELATION))


def _gaussian(
    position: NDArray[np.int64], r: float, number: int, rng: np.random.Generator
) -> Array:
    kept = np.r_[0.0, r ** np.diff(position)]
    series = rng.normal(size=(position.size, number))
    for i in range(1, position.size):
        series[i] = kept[i] * series[i - 1] + np.sqrt(1 - kept[i] ** 2) * series[i]
    return series


def _without_step(design: Array, series: Array, least: int) -> Array:
    """Residuals of each series from the design and its own greatest step."""
    found = steps(design, series, least=least)
    best = found.splits[np.argmax(found.f, axis=0)]
    base, _ = np.linalg.qr(design)
    step = (np.arange(series.shape[0])[:, None] >= best[None, :]).astype(np.float64)
    step -= base @ (base.T @ step)
    left = series - base @ (base.T @ series)
    size = np.einsum("ij,ij->j", step, left) / np.einsum("ij,ij->j", step, step)
    return np.asarray(left - step * size)


def _lag_one(series: Array, position: NDArray[np.int64]) -> Array:
    """Correlation of each column with itself a day later, over days that follow each other."""
    next_day = np.flatnonzero(np.diff(position) == 1)
    squares = np.einsum("ij,ij->j", series, series) / series.shape[0]
    along = np.einsum("ij,ij->j", series[next_day], series[next_day + 1]) / max(next_day.size, 1)
    return np.asarray(along / np.maximum(squares, 1e-300))


def break_span(fit: Regression, split: int, *, size: float) -> tuple[int, int]:
    """First and last day on which a break found at `split` may begin (95 %).

    Bai 1997: half width 11 (long-run variance) / (step)^2 days and one more, with the variance of
    the residuals times (1 + r) / (1 - r); `size` is the step at mean weather.
    """
    r = fit.correlation
    variance = fit.scatter**2 * (1 + r) / (1 - r)
    if size == 0:
        return 0, fit.n - 1
    half = int(min(BAI_97_5 * variance / size**2, fit.n)) + 1
    return max(split - half, 0), min(split + half, fit.n - 1)


DRAWS = 499
LEAST_EACH_SIDE = 5  # days before, and after, a change. Own rule.
LEAST_DAYS_FOR_WEEKDAYS = 28
TIMES_TO_SETTLE = 3


def before_after(
    daily: pd.DataFrame | pd.Series,
    *,
    at: pd.Timestamp | datetime.date | str | None = None,
    outdoor: pd.Series | pd.DataFrame | None = None,
    weekday: bool | None = None,
    clamp: ClampErrors = UNKNOWN_ERRORS,
    seed: int = 7,
) -> Change:
    """Daily energy before and after a change, at the same weather and weekday.

    Parameters
    ----------
    daily : pandas.DataFrame or pandas.Series
        As `daily_energy` gives it; or kWh a day, indexed by day.
    at : date or text, optional
        First day after the change. Default: the day at which the data change most is found.
    outdoor : pandas.Series or pandas.DataFrame, optional
        Temperatures, as for `weather_dependence`. Without them weather may pass for a change.
    weekday : bool, optional
        Whether to take weekdays out. Default: where there are at least 28 days.
    clamp : ClampErrors, optional
        What the clamp may be off (`ApplianceFinding.clamp_errors`), for the energies to hold it.
    seed : int
        Of the draws that tell chance.

    Returns
    -------
    Change

    Raises
    ------
    HouseError
        With fewer than 10 whole days, or fewer than 5 before or after.

    Notes
    -----
    A regression of daily energy on weekday, weather (see `weather_dependence`) and the step; where
    the data say so (Bayesian information criterion), the weather counts differently after it.
    Intervals allow for days being like those before: see `Regression`. An unknown day is that of
    least squares; its interval follows Bai 1997. The chance is counted in series without a change
    but with the scatter and the correlation of these days (`resampled_residuals`), searched in the
    same way: the greatest F of all days, or the F of the day given (Andrews 1993).

    Examples
    --------
    >>> import numpy as np, pandas as pd
    >>> from homeenergy.findings import before_after
    >>> days = pd.date_range("2026-01-01", periods=60, tz="UTC")
    >>> kwh = np.random.default_rng(1).normal(12, 1.5, 60) - 4.0 * (np.arange(60) >= 35)
    >>> change = before_after(pd.Series(kwh, index=days))
    >>> f"{change.at:%Y-%m-%d}", round(change.size_kwh.value, 1), change.shown
    ('2026-02-05', -4.3, True)
    """
    days = whole_days(daily)
    if outdoor is not None:
        days = with_weather(days, outdoor)
    use_weekday = len(days) >= LEAST_DAYS_FOR_WEEKDAYS if weekday is None else weekday
    calendar = calendar_terms(days, weekday=use_weekday)
    if at is None:
        found = change_in(days, calendar, _settled(days, calendar, None), given=None, seed=seed)
        return with_errors(found, clamp)
    when = _local_date(days, at)
    given = _given_split(days, when)
    balance = _settled(days, calendar, given)
    design = np.column_stack([_null_design(days, calendar, balance), _after(len(days), given)])
    if np.linalg.matrix_rank(design) < design.shape[1]:
        raise HouseError(
            f"the outdoor temperature passed a balance point on {when:%Y-%m-%d} as well, for good: "
            "weather and change cannot be separated",
            fix="Wait for warmer and for colder days on either side.",
        )
    change = change_in(days, calendar, balance, given=given, seed=seed)
    return with_errors(replace(change, at=when, earliest=when, latest=when), clamp)


def change_in(
    days: Days, calendar: Array, balance: Balance | None, *, given: int | None, seed: int = 7
) -> Change:
    """The change in `days` where columns of the calendar and balance points are known.

    `given` is the number of the first day after; None where it is to be found.
    """
    rng = np.random.default_rng(seed)
    plain = _null_design(days, calendar, balance)
    if given is None:
        split = steps(plain, days.kwh, least=LEAST_EACH_SIDE).best
        chance = chance_of_any(
            plain, days.kwh, days.position, least=LEAST_EACH_SIDE, number=DRAWS, rng=rng
        )
    else:
        split = given
        chance = chance_of_one(plain, days.kwh, days.position, given, number=DRAWS, rng=rng)
    return _change(days, split, balance, calendar, chance=chance, found=given is None)


def calendar_terms(days: Days, *, weekday: bool) -> Array:
    """Six columns that sum to nothing over a week, so that the base is a mean day."""
    if not weekday:
        return np.empty((len(days), 0))
    marks = np.eye(7)[days.weekday]
    present = np.unique(days.weekday)
    kept = list(present[:-1])
    return marks[:, kept] - marks[:, present[-1:]]


def _local_date(days: Days, at: pd.Timestamp | datetime.date | str) -> pd.Timestamp:
    when = pd.Timestamp(at)
    if when.tzinfo is not None:
        when = when.tz_convert(days.timezone or "UTC").tz_localize(None)  # type: ignore[arg-type]
    return when.normalize().as_unit("s")


def _given_split(days: Days, when: pd.Timestamp) -> int:
    split = days.at_or_after(when)
    before, after = split, len(days) - split
    if min(before, after) < LEAST_EACH_SIDE:
        raise HouseError(
            f"there are {before} whole days before {when:%Y-%m-%d} and {after} from then on; each "
            f"side needs at least {LEAST_EACH_SIDE}",
            fix=f"The log holds {days.date[0]:%Y-%m-%d} to {days.date[-1]:%Y-%m-%d}.",
        )
    return split


def _null_design(days: Days, calendar: Array, balance: Balance | None) -> Array:
    parts = [np.ones((len(days), 1)), calendar]
    if balance is not None and days.celsius is not None:
        parts.append(balance.loose_terms(days.celsius))
    return np.hstack(parts)


def _settled(days: Days, calendar: Array, given: int | None) -> Balance | None:
    """Balance points, found with the change taken into account, and the change with them."""
    if days.celsius is None:
        return None
    balance: Balance | None = None
    split = given
    for _ in range(TIMES_TO_SETTLE):
        others = [np.ones((len(days), 1)), calendar]
        if split is not None:
            others.append(_after(len(days), split)[:, None])
        balance, _ = choose_balance(days, others=np.hstack(others))
        if given is not None:
            return balance
        found = steps(_null_design(days, calendar, balance), days.kwh, least=LEAST_EACH_SIDE).best
        if found == split:
            break
        split = found
    return balance


def _after(n: int, split: int) -> Array:
    return (np.arange(n) >= split).astype(np.float64)


def _change(
    days: Days,
    split: int,
    balance: Balance | None,
    calendar: Array,
    *,
    chance: Chance,
    found: bool,
) -> Change:
    weather = (
        np.empty((len(days), 0))
        if balance is None or days.celsius is None
        else balance.loose_terms(days.celsius)
    )
    regression = _fit(days, split, weather, calendar, chance.correlation)
    responds = regression.coefficients.size > 2 + weather.shape[1] + calendar.shape[1]
    levels = levels_at(regression, weather.mean(axis=0), responds=responds)
    size = levels.size_kwh
    span = break_span(regression, split, size=size.value) if found else (split, split)
    if found:
        words = f"{size.basis}; the day was chosen for its change, which is not allowed for"
        size = replace(size, basis=words)
    shown = chance.p <= SURE and not size.low <= 0 <= size.high
    change = Change(
        at=days.date[split],
        found=found,
        earliest=days.date[max(span[0], 1)],
        latest=days.date[min(span[1], len(days) - 1)],
        size_kwh=size,
        before_kwh=levels.before_kwh,
        after_kwh=levels.after_kwh,
        share=levels.share,
        chance=chance.p,
        draws=chance.draws,
        shown=shown,
        weekday=calendar.shape[1] > 0,
        balance=balance,
        days=_table(days, split, regression, weather, responds=responds),
        regression=regression,
        remarks=(*days.remarks, *_remarks(days, balance, regression)),
    )
    return change


def _fit(days: Days, split: int, weather: Array, calendar: Array, correlation: float) -> Regression:
    """Base, step, weather, calendar; and the weather's part after the step where it is worth it."""
    step = _after(len(days), split)[:, None]
    plain = np.hstack([np.ones((len(days), 1)), step, weather, calendar])
    fit = fit_line(plain, days.kwh, position=days.position, correlation=correlation)
    if weather.shape[1] == 0:
        return fit
    try:
        wide = fit_line(
            np.hstack([plain, weather * step]),
            days.kwh,
            position=days.position,
            correlation=correlation,
        )
    except ValueError:  # all of one side lies beyond the balance point
        return fit
    worth = len(days) * (1 - correlation) / (1 + correlation)
    gain = worth * np.log((fit.residuals @ fit.residuals) / (wide.residuals @ wide.residuals))
    return wide if gain > weather.shape[1] * np.log(worth) else fit


def _table(
    days: Days,
    split: int,
    regression: Regression,
    weather: Array,
    *,
    responds: bool,
) -> pd.DataFrame:
    c = regression.coefficients
    terms = weather.shape[1]
    after = _after(len(days), split)
    expected = regression.design @ c
    jump = after * c[1]
    if responds:
        jump = jump + after * (weather @ c[c.size - terms :])
    mean = np.zeros(terms) if not terms else weather.mean(axis=0)
    level = c[0] + mean @ c[2 : 2 + terms] + after * c[1]
    if responds:
        level = level + after * float(mean @ c[c.size - terms :])
    return pd.DataFrame(
        {
            "day": days.date,
            "kwh": days.kwh,
            "celsius": np.nan if days.celsius is None else days.celsius,
            "expected_kwh": expected,
            "as_before_kwh": expected - jump,
            "adjusted_kwh": level + regression.residuals,
        }
    )


def _remarks(days: Days, balance: Balance | None, regression: Regression) -> list[str]:
    remarks = []
    if balance is None:
        remarks.append(
            "No outdoor temperatures were given: a change of season may look like a change."
        )
    if regression.correlation > 0.6:
        remarks.append(
            f"Days are autocorrelated (lag-one correlation {regression.correlation:.2f}): "
            f"{len(days)} of them are worth "
            f"{len(days) * (1 - regression.correlation) / (1 + regression.correlation):.0f} "
            "independent ones."
        )
    return remarks
