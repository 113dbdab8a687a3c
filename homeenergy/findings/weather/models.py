"""How daily energy may depend on outdoor temperature: five shapes and their balance points."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

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
LEAST_DAYS_BESIDE, LEAST_SHARE_BESIDE = 5, 0.08


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
