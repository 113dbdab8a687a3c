"""Days of energy and temperature, and five shapes of how the one may depend on the other."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import tzinfo
from itertools import product
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from homeenergy.errors import HouseError
from homeenergy.findings.days import LEAST_COVERAGE, midnights
from homeenergy.units import NS_PER_S, S_PER_DAY, S_PER_H

# Between readings further apart than this the temperature is not known. Own rule.
LONGEST_STEP_H = 3.0
LEAST_STEPS = 2.5  # or so many usual steps of the file
DAILY_STEP_H = (22.5, 25.5)  # usual step of a file that holds means of days
Season = Literal["heating", "cooling"]


def daily_temperature(outdoor: pd.Series, *, timezone: tzinfo | str = "UTC") -> pd.DataFrame:
    """Mean outdoor temperature of each local day.

    Parameters
    ----------
    outdoor : pandas.Series
        Temperatures [deg C] on an ascending index of instants, as `read_outdoor` gives them.
    timezone : zone or its name
        Decides when a day begins.

    Returns
    -------
    pandas.DataFrame
        One row a local day: day (local midnight), mean_c, min_c, max_c, covered_h, day_h.

    Notes
    -----
    Between readings the temperature runs straight from one to the next, unless they are more than
    3 h (or 2.5 usual steps) apart: that time is not covered, and the mean is over the time that is.
    A file with one reading a day holds means of days: each counts for the local day on which its
    instant falls. O(n).
    """
    celsius = outdoor.dropna()
    if not isinstance(celsius.index, pd.DatetimeIndex) or celsius.index.tz is None:
        raise ValueError("outdoor must be indexed by instants with a time zone")
    celsius = celsius.sort_index()
    at_ns = pd.DatetimeIndex(celsius.index).tz_convert("UTC").as_unit("ns").asi8
    step_h = float(np.median(np.diff(at_ns))) / NS_PER_S / S_PER_H if at_ns.size > 1 else 0.0
    if at_ns.size == 0:
        return _frame(pd.DatetimeIndex([], tz="UTC"), *[np.empty(0)] * 5)
    if DAILY_STEP_H[0] <= step_h <= DAILY_STEP_H[1]:
        return _of_daily_means(celsius, timezone)
    return _of_readings(at_ns, celsius.to_numpy(np.float64), step_h, timezone)


def _of_daily_means(celsius: pd.Series, timezone: tzinfo | str) -> pd.DataFrame:
    local = pd.DatetimeIndex(celsius.index).tz_convert(timezone)
    edges = midnights(local[0], local[-1], timezone)
    day_h = np.diff(edges.as_unit("s").asi8) / S_PER_H
    at = np.searchsorted(edges.asi8, local.as_unit(edges.unit).asi8, side="right") - 1
    by_day = celsius.groupby(at).mean().reindex(range(day_h.size))
    mean_c = by_day.to_numpy(np.float64)
    covered_h = np.where(np.isfinite(mean_c), day_h, 0.0)
    return _frame(edges[:-1], mean_c, mean_c, mean_c, covered_h, day_h)


def _of_readings(
    at_ns: NDArray[np.int64], celsius: NDArray[np.float64], step_h: float, timezone: tzinfo | str
) -> pd.DataFrame:
    ends = pd.DatetimeIndex(at_ns[[0, -1]].view("M8[ns]")).tz_localize("UTC")
    edges = midnights(ends[0], ends[1] - pd.Timedelta(1, unit="ns"), timezone)
    edges_ns = edges.tz_convert("UTC").as_unit("ns").asi8
    # Every midnight becomes a reading of its own, so that no piece lies in two days.
    knots_ns = np.union1d(at_ns, edges_ns[(edges_ns > at_ns[0]) & (edges_ns < at_ns[-1])])
    knots_c = np.interp(knots_ns.astype(np.float64), at_ns.astype(np.float64), celsius)
    pace_h = np.diff(at_ns) / NS_PER_S / S_PER_H
    known = pace_h <= max(LONGEST_STEP_H, LEAST_STEPS * step_h)
    left = np.searchsorted(at_ns, knots_ns[:-1], side="right") - 1
    hours = np.where(known[left], np.diff(knots_ns) / NS_PER_S / S_PER_H, 0.0)
    day = np.searchsorted(edges_ns, knots_ns[:-1], side="right") - 1
    days = edges_ns.size - 1
    covered_h = np.bincount(day, weights=hours, minlength=days).astype(np.float64)
    area = np.bincount(day, weights=hours * (knots_c[:-1] + knots_c[1:]) / 2, minlength=days)
    mean_c = np.full(days, np.nan)
    np.divide(area, covered_h, out=mean_c, where=covered_h > 0)
    least, most = np.full(days, np.inf), np.full(days, -np.inf)
    for at, value in ((day, knots_c[:-1]), (day, knots_c[1:])):
        np.minimum.at(least, at[hours > 0], value[hours > 0])
        np.maximum.at(most, at[hours > 0], value[hours > 0])
    there = covered_h > 0
    day_h = np.diff(edges_ns) / NS_PER_S / S_PER_H
    min_c, max_c = np.where(there, least, np.nan), np.where(there, most, np.nan)
    return _frame(edges[:-1], mean_c, min_c, max_c, covered_h, day_h)


def _frame(
    day: pd.DatetimeIndex,
    mean_c: NDArray[np.float64],
    min_c: NDArray[np.float64],
    max_c: NDArray[np.float64],
    covered_h: NDArray[np.float64],
    day_h: NDArray[np.float64],
) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "day": day,
            "mean_c": mean_c,
            "min_c": min_c,
            "max_c": max_c,
            "covered_h": covered_h,
            "day_h": day_h,
        }
    )


LEAST_DAYS = 10
LEAST_SHARE = 0.5
LEAST_SPAN_C = 3.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Days:
    """Whole days in order: date (naive), position (number of the day), kwh, celsius or None."""

    date: pd.DatetimeIndex
    position: NDArray[np.int64]
    kwh: NDArray[np.float64]
    celsius: NDArray[np.float64] | None
    remarks: tuple[str, ...]
    timezone: object = None

    def __len__(self) -> int:
        return self.kwh.size

    @property
    def temperatures_c(self) -> NDArray[np.float64]:
        """Mean outdoor temperature of each day [deg C]; only after `with_weather`."""
        if self.celsius is None:
            raise ValueError("these days were given no outdoor temperatures")
        return self.celsius

    def at_or_after(self, when: pd.Timestamp) -> int:
        """Number of the first day at or after a local date."""
        day = when.normalize().as_unit("s").value // 1_000_000_000 // int(S_PER_DAY)
        return int(np.searchsorted(self.position, day))

    @property
    def weekday(self) -> NDArray[np.int64]:
        """0 on Mondays."""
        return (self.position + 3) % 7  # 1 January 1970 was a Thursday

    def between(self, first: int, stop: int) -> Days:
        """Days [first, stop)."""
        return replace(
            self,
            date=self.date[first:stop],
            position=self.position[first:stop],
            kwh=self.kwh[first:stop],
            celsius=None if self.celsius is None else self.celsius[first:stop],
        )


def whole_days(daily: pd.DataFrame | pd.Series) -> Days:
    """Days that were measured for nearly all their time, scaled to 24 h.

    Parameters
    ----------
    daily : pandas.DataFrame or pandas.Series
        As `daily_energy` gives it; or kWh a day, indexed by day.

    Raises
    ------
    HouseError
        With fewer than 10 such days.
    """
    remarks: list[str] = []
    if isinstance(daily, pd.Series):
        index, kwh = pd.DatetimeIndex(daily.index), daily.to_numpy(np.float64)
    else:
        part = (daily["covered_h"] < LEAST_COVERAGE * daily["day_h"]).to_numpy()
        if part.any():
            remarks.append(
                f"{part.sum()} of {len(daily)} days were measured for less than "
                f"{LEAST_COVERAGE:.0%} of their time and are left out."
            )
        kept = daily[~part]
        index = pd.DatetimeIndex(kept["day"])
        hours = kept["covered_h"].to_numpy(np.float64)
        kwh = kept["kwh"].to_numpy(np.float64) / hours * S_PER_DAY / S_PER_H
    there = np.isfinite(kwh)
    index, kwh = index[there], kwh[there]
    if kwh.size < LEAST_DAYS:
        raise HouseError(
            f"only {kwh.size} whole days of energy: too few for effects of weather or of a change",
            fix=f"Log at least {LEAST_DAYS} whole days; some weeks tell more.",
        )
    date = index.tz_localize(None).normalize().as_unit("s")
    position = date.asi8 // int(S_PER_DAY)
    if (np.diff(position) <= 0).any():
        raise ValueError("days must be in order, each once")
    return Days(
        date=date,
        position=position,
        kwh=kwh,
        celsius=None,
        remarks=tuple(remarks),
        timezone=index.tz,
    )


def with_weather(days: Days, outdoor: pd.Series | pd.DataFrame) -> Days:
    """Keep the days whose mean outdoor temperature is known.

    Parameters
    ----------
    days : Days
    outdoor : pandas.Series or pandas.DataFrame
        Readings as `read_outdoor` gives them, or a table as `daily_temperature` gives it.

    Raises
    ------
    HouseError
        Where the temperatures do not cover the log, or hardly differ.
    """
    zone = days.timezone or "UTC"
    table = (
        daily_temperature(outdoor, timezone=zone)  # type: ignore[arg-type]
        if isinstance(outdoor, pd.Series)
        else outdoor
    )
    known = table[table["covered_h"] >= LEAST_COVERAGE * table["day_h"]]
    at = pd.DatetimeIndex(known["day"]).tz_localize(None).normalize().as_unit("s")
    position = at.asi8 // int(S_PER_DAY)
    both = np.isin(days.position, position)
    if both.sum() < max(LEAST_DAYS, LEAST_SHARE * len(days)):
        raise HouseError(
            f"temperatures are known for {both.sum()} of the {len(days)} whole days of the log "
            f"({_span(days.date)}); they are there for {_span(at)}",
            fix="Get temperatures that cover the log, or give the part of the log that they cover.",
        )
    celsius = known["mean_c"].to_numpy(np.float64)[np.searchsorted(position, days.position[both])]
    if np.ptp(celsius) < LEAST_SPAN_C:
        raise HouseError(
            f"the mean outdoor temperature of all days lies between {celsius.min():.1f} and "
            f"{celsius.max():.1f} deg C: too narrow a range to show a dependence on the weather",
            fix="Wait for warmer or colder days.",
        )
    remarks = list(days.remarks)
    if not both.all():
        remarks.append(f"{(~both).sum()} days without outdoor temperature are left out.")
    return Days(
        date=days.date[both],
        position=days.position[both],
        kwh=days.kwh[both],
        celsius=celsius,
        remarks=tuple(remarks),
        timezone=days.timezone,
    )


def _span(index: pd.DatetimeIndex) -> str:
    return f"{index[0]:%Y-%m-%d} to {index[-1]:%Y-%m-%d}" if len(index) else "no whole day"


def degree_days(
    mean_c: ArrayLike, *, base_c: float, season: Season = "heating"
) -> NDArray[np.float64]:
    """Degree days of each day from its mean temperature.

    Parameters
    ----------
    mean_c : array_like, shape (n,)
        Mean temperature of days [deg C]; NaN stays NaN. Any degree will do if `base_c` is the same.
    base_c : float
        Base temperature.
    season : "heating" or "cooling"
        Days below the base, or above it.

    Returns
    -------
    numpy.ndarray, shape (n,)
        [K day], none below zero.

    Examples
    --------
    >>> from homeenergy.findings.weather.models import degree_days
    >>> degree_days([50.0, 75.0], base_c=65.0).tolist()
    [15.0, 0.0]
    """
    away = _sign(season) * (np.asarray(mean_c, dtype=np.float64) - base_c)
    return np.where(np.isnan(away), np.nan, np.maximum(away, 0.0))


def _sign(season: Season) -> float:
    if season not in ("heating", "cooling"):
        raise ValueError(f'season must be "heating" or "cooling", got {season!r}')
    return -1.0 if season == "heating" else 1.0


Array = NDArray[np.float64]
Shape = Literal["flat", "line", "heating", "cooling", "both"]
SHAPES: tuple[Shape, ...] = ("flat", "line", "heating", "cooling", "both")
SHAPE_WORDS = {
    "flat": "no dependence on the outdoor temperature",
    "line": "a straight line: no balance point within the temperatures seen",
    "heating": "heating below a balance point",
    "cooling": "cooling above a balance point",
    "both": "heating below one balance point, cooling above another",
}
# Coefficients and balance points that a shape takes from the data.
FREE = {"flat": 1, "line": 2, "heating": 3, "cooling": 3, "both": 5}
GRID_C, FINE_C = 0.5, 0.05
# A balance point has at least so many days on either side. Own rule.
LEAST_DAYS_EACH_SIDE, LEAST_SHARE_EACH_SIDE = 5, 0.08


@dataclass(frozen=True, slots=True, kw_only=True)
class Balance:
    """A shape with its balance points [deg C]; None where the shape has none."""

    shape: Shape
    heating_c: float | None = None
    cooling_c: float | None = None

    def terms(self, celsius: Array) -> Array:
        """Columns but the base, shape (n, terms): degree days, or the temperature itself."""
        columns = []
        if self.shape == "line":
            columns.append(np.asarray(celsius, dtype=np.float64))
        if self.heating_c is not None:
            columns.append(degree_days(celsius, base_c=self.heating_c))
        if self.cooling_c is not None:
            columns.append(degree_days(celsius, base_c=self.cooling_c, season="cooling"))
        empty = np.empty((np.size(celsius), 0))
        return np.column_stack(columns) if columns else empty

    def loose_terms(self, celsius: Array) -> Array:
        """The same, and a column for each balance point, which may then be a little off.

        A balance point that moves by a degree adds its slope to every day beyond it (the derivative
        of the term by its balance point): with these columns a linear fit allows for balance points
        being estimated (Gauss-Newton; Seber & Wild 1989).
        """
        columns = [self.terms(celsius)]
        if self.heating_c is not None:
            columns.append((celsius < self.heating_c)[:, None].astype(np.float64))
        if self.cooling_c is not None:
            columns.append((celsius > self.cooling_c)[:, None].astype(np.float64))
        return np.hstack(columns)


def balance_grid(celsius: Array, *, step_c: float = GRID_C, each_side: int | None = None) -> Array:
    """Balance points worth a try: with enough days, or `each_side`, on either side."""
    ranked = np.sort(celsius)
    if each_side is None:
        each_side = max(LEAST_DAYS_EACH_SIDE, int(LEAST_SHARE_EACH_SIDE * ranked.size))
    if ranked.size <= 2 * each_side:
        return np.empty(0)
    low, high = ranked[each_side - 1], ranked[-each_side]
    return np.arange(np.ceil(low / step_c), np.floor(high / step_c) + 1) * step_c


def candidates(
    shape: Shape, celsius: Array, *, step_c: float = GRID_C, each_side: int | None = None
) -> list[Balance]:
    """Every balance point, or pair of them, of a shape on a grid."""
    grid = [float(c) for c in balance_grid(celsius, step_c=step_c, each_side=each_side)]
    if shape in ("flat", "line"):
        return [Balance(shape=shape)]
    if shape == "heating":
        return [Balance(shape=shape, heating_c=c) for c in grid]
    if shape == "cooling":
        return [Balance(shape=shape, cooling_c=c) for c in grid]
    return [
        Balance(shape=shape, heating_c=a, cooling_c=b)
        for a, b in product(grid, grid)
        if _apart(a, b, celsius)
    ]


def _apart(heating_c: float, cooling_c: float, celsius: Array) -> bool:
    """Whether a day without heating or cooling tells one balance point from the other."""
    return bool(((heating_c <= celsius) & (celsius <= cooling_c)).any())


def around(balance: Balance, celsius: Array) -> list[Balance]:
    """Balance points within a step of the grid of those of `balance`, finely."""
    grid = balance_grid(celsius)
    if balance.heating_c is None and balance.cooling_c is None:
        return [balance]
    fine = np.arange(-GRID_C, GRID_C + FINE_C / 2, FINE_C * (2 if balance.shape == "both" else 1))

    def near(centre: float | None) -> list[float | None]:
        if centre is None:
            return [None]
        return [float(c) for c in np.clip(centre + fine, grid[0], grid[-1])]

    pairs = product(near(balance.heating_c), near(balance.cooling_c))
    return [
        Balance(shape=balance.shape, heating_c=a, cooling_c=b)
        for a, b in pairs
        if a is None or b is None or _apart(a, b, celsius)
    ]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Search:
    """Least squares of many series over many balance points at once.

    Attributes
    ----------
    options : list of Balance
    squares : ndarray, shape (options, series)
        Residual sum of squares; infinite where a slope has the wrong sign.
    """

    options: list[Balance]
    squares: Array


def search(options: list[Balance], celsius: Array, values: Array, *, others: Array) -> Search:
    """Fit every option to every column of `values`, shape (n, series).

    `others` holds the columns of the fit that are no weather, the base among them. An option whose
    heating or cooling slope would be negative, so that colder days needed less heat, is ruled out.
    O(options n series).
    """
    squares = np.full((len(options), values.shape[1]), np.inf)
    base, _ = np.linalg.qr(others)
    left = values - base @ (base.T @ values)
    total = np.einsum("ij,ij->j", left, left)
    for row, option in enumerate(options):
        terms = option.terms(celsius)
        if terms.shape[1] == 0:
            squares[row] = total
            continue
        terms = terms - base @ (base.T @ terms)
        gram = terms.T @ terms
        scale = float(np.prod(np.diag(gram)))
        if scale <= 0 or np.linalg.det(gram) < 1e-9 * scale:
            continue  # one term can be made from the others
        along = terms.T @ left
        slopes = np.linalg.solve(gram, along)
        fitted = total - np.einsum("ij,ij->j", along, slopes)
        right_way = (slopes >= 0).all(axis=0) | (option.shape == "line")
        squares[row] = np.where(right_way, fitted, np.inf)
    return Search(options=options, squares=squares)


def best_balance(shape: Shape, celsius: Array, values: Array, *, others: Array) -> Balance | None:
    """Balance points of a shape with the least squares: on a grid, then finely around the best."""
    rough = _best_of(candidates(shape, celsius), celsius, values, others)
    return None if rough is None else _best_of(around(rough, celsius), celsius, values, others)


def _best_of(
    options: list[Balance], celsius: Array, values: Array, others: Array
) -> Balance | None:
    if not options:
        return None
    squares = search(options, celsius, values[:, None], others=others).squares[:, 0]
    return options[int(np.argmin(squares))] if np.isfinite(squares.min()) else None
