"""Where a series of days changes most, and how often chance alone does as much."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from homeenergy.findings.regression import (
    MOST_CORRELATION,
    Regression,
    alike_series,
    fit_line,
    without_dust,
)

Array = NDArray[np.float64]
TRIED = np.array([0.0, 0.15, 0.3, 0.45, 0.6, 0.75, 0.9])
MATCH_DRAWS = 120
# Within so many units of (step / long-run scatter)^2 a break lies: 97.5 % of the place of the
# greatest of a Brownian motion with a drift falling to both sides (Bai 1997, from memory).
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
    """Least squares of a step at every day, beside the columns of `design`.

    Parameters
    ----------
    design : ndarray, shape (n, k)
        With a column of ones.
    values : ndarray, shape (n,) or (n, series)
    least : int
        Days that must lie on either side.

    Notes
    -----
    What a step explains beside other columns is found from sums from each day to the last
    (Frisch & Waugh 1933, Econometrica 1, 387-401, from memory): O(n k) for each series.
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
    columns = np.column_stack([values, alike_series(fit, number=number, rng=rng)])
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

    A step that was looked for takes with it some of what makes days alike. So the correlation is
    that of series without a step which, once their own greatest step is taken out, are as alike
    from day to day as the data are.
    """
    split = steps(design, values, least=least).best
    step = (np.arange(values.size) >= split).astype(np.float64)
    fit = fit_line(np.column_stack([design, step]), values, position=position)
    correlation = _matched(fit, design, least, rng)
    series = alike_series(fit, number=number, rng=rng, correlation=correlation)
    found = steps(design, np.column_stack([values, series]), least=least)
    return Chance(p=_share(found.f.max(axis=0)), draws=number, correlation=correlation)


def _share(greatest: Array) -> float:
    """Data first, draws after: share of all that do as much (the data count as one of them)."""
    return float((1 + np.sum(greatest[1:] >= greatest[0])) / greatest.size)


def _matched(fit: Regression, design: Array, least: int, rng: np.random.Generator) -> float:
    """Correlation at which series without a step look as alike as the residuals of `fit`."""
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
