"""How daily energy may depend on outdoor temperature: five shapes and their balance points."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from homeenergy.units import NS_PER_S, S_PER_DAY

US_BASE_C = (65 - 32) / 1.8  # 65 deg F
UK_BASE_C = 15.5
Season = Literal["heating", "cooling"]


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
    >>> from homeenergy.findings import degree_days
    >>> degree_days([50.0, 75.0], base_c=65.0).tolist()
    [15.0, 0.0]
    """
    away = _sign(season) * (np.asarray(mean_c, dtype=np.float64) - base_c)
    return np.where(np.isnan(away), np.nan, np.maximum(away, 0.0))


def mean_of_extremes(highest_c: ArrayLike, lowest_c: ArrayLike) -> NDArray[np.float64]:
    """Mean temperature of a day as half the sum of its highest and lowest.

    For stations that report no other mean (definition in the glossary of the U.S. Environmental
    Protection Agency).
    """
    high, low = np.asarray(highest_c, np.float64), np.asarray(lowest_c, np.float64)
    if np.any(high < low):
        raise ValueError("a day's highest temperature lies below its lowest: are they swapped?")
    return np.asarray((high + low) / 2, dtype=np.float64)


def degree_days_in_hours(
    outdoor: pd.Series, *, base_c: float = UK_BASE_C, season: Season = "heating"
) -> float:
    """Degree days of a stretch, counted from readings within days.

    Parameters
    ----------
    outdoor : pandas.Series
        Temperatures [deg C] on an ascending index of instants; the line from one to the next is
        taken, so the readings should have no long holes.
    base_c, season
        As for `degree_days`.

    Returns
    -------
    float
        [K day]: the area between the base and the temperature where that lies below (heating) or
        above (cooling) it. An evening below the base counts even where the mean of the day does
        not, so the figure is never less than that from means of days.
    """
    at_ns = pd.DatetimeIndex(outdoor.index).as_unit("ns").asi8
    away = _sign(season) * (outdoor.to_numpy(np.float64) - base_c)
    a, b = away[:-1], away[1:]
    days = np.diff(at_ns) / NS_PER_S / S_PER_DAY
    low, high = np.minimum(a, b), np.maximum(a, b)
    crossing = (low < 0) & (high > 0)
    # Of a line that crosses the base only the triangle beyond it counts.
    triangle = np.zeros_like(high)
    np.divide(high**2, 2 * (high - low), out=triangle, where=crossing)
    height = np.where(crossing, triangle, np.maximum((a + b) / 2, 0.0))
    return float(np.nansum(height * days))


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
LEAST_DAYS_BESIDE, LEAST_SHARE_BESIDE = 5, 0.08


@dataclass(frozen=True, slots=True, kw_only=True)
class Balance:
    """A shape with its balance points [deg C]; None where the shape has none."""

    shape: Shape
    heating_c: float | None = None
    cooling_c: float | None = None

    def terms(self, celsius: Array) -> Array:
        """Columns beside the base, shape (n, terms): degree days, or the temperature itself."""
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


def balance_grid(celsius: Array, *, step_c: float = GRID_C, beside: int | None = None) -> Array:
    """Balance points worth a try: with enough days, or `beside`, on either side."""
    ranked = np.sort(celsius)
    if beside is None:
        beside = max(LEAST_DAYS_BESIDE, int(LEAST_SHARE_BESIDE * ranked.size))
    if ranked.size <= 2 * beside:
        return np.empty(0)
    low, high = ranked[beside - 1], ranked[-beside]
    return np.arange(np.ceil(low / step_c), np.floor(high / step_c) + 1) * step_c


def candidates(
    shape: Shape, celsius: Array, *, step_c: float = GRID_C, beside: int | None = None
) -> list[Balance]:
    """Every balance point, or pair of them, of a shape on a grid."""
    grid = [float(c) for c in balance_grid(celsius, step_c=step_c, beside=beside)]
    if shape in ("flat", "line"):
        return [Balance(shape=shape)]
    if shape == "heating":
        return [Balance(shape=shape, heating_c=c) for c in grid]
    if shape == "cooling":
        return [Balance(shape=shape, cooling_c=c) for c in grid]
    return [
        Balance(shape=shape, heating_c=a, cooling_c=b) for a, b in product(grid, grid) if a <= b
    ]


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
        if a is None or b is None or a <= b
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
