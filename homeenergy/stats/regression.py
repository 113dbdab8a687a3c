"""Least squares on days that may be like the days before them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from homeenergy.stats.coverage import coverage_factor
from homeenergy.stats.estimate import Estimate, measured
from homeenergy.stats.parts import source_of

Array = NDArray[np.float64]
MOST_CORRELATION = 0.95
LEAST_FREEDOM = 2.0
DUST = 1e-10


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Regression:
    """A least-squares fit, and the autocorrelation of what it leaves of days.

    Attributes
    ----------
    coefficients : ndarray, shape (k,)
    design : ndarray, shape (n, k)
    residuals : ndarray, shape (n,)
    position : ndarray of int, shape (n,)
        Number of each day; days that are missing leave gaps.
    correlation : float
        Of the residuals of one day and the next; 0 where they are independent.
    """

    coefficients: Array
    design: Array
    residuals: Array
    position: NDArray[np.int64]
    correlation: float

    @property
    def n(self) -> int:
        """Days in the fit."""
        return self.residuals.size

    @property
    def plain_freedom(self) -> int:
        """Days less coefficients."""
        return self.n - self.coefficients.size

    @property
    def freedom(self) -> float:
        """Degrees of freedom, counting as many days as these are worth. Own rule."""
        r = self.correlation
        return max(self.n * (1 - r) / (1 + r) - self.coefficients.size, LEAST_FREEDOM)

    @property
    def scatter(self) -> float:
        """Standard deviation of the residuals, with the plain degrees of freedom."""
        return float(np.sqrt(self.residuals @ self.residuals / self.plain_freedom))

    def covariance(self, *, independent: bool = False) -> Array:
        """Covariance of the coefficients, shape (k, k).

        Parameters
        ----------
        independent : bool
            True: as if days were independent. False: residuals follow a first-order autoregression
            with `correlation`, whose variance is what the residuals have once the coefficients that
            were fitted are allowed for (restricted likelihood; Patterson & Thompson 1971).
        """
        inner = np.linalg.inv(self.design.T @ self.design)
        if independent or self.correlation == 0:
            return np.asarray(inner * self.scatter**2)
        gaps = np.abs(self.position[:, None] - self.position[None, :])
        between = self.correlation**gaps
        whitened, _ = _whitened(self.design, self.position, self.correlation)
        left, _ = _whitened(self.residuals[:, None], self.position, self.correlation)
        off = left[:, 0] - whitened @ np.linalg.lstsq(whitened, left[:, 0])[0]
        variance = float(off @ off) / self.plain_freedom
        middle = self.design.T @ between @ self.design
        return np.asarray(inner @ middle @ inner * variance)

    def newey_west(self, *, lags: int | None = None) -> Array:
        """Covariance for any autocorrelation of up to `lags` days, shape (k, k).

        Newey & West 1987, Bartlett weights, with n / (n - k) for few days. Default `lags`:
        4 (n / 100)^(2/9), with which the automatic selection of Newey & West 1994 starts; as a
        fixed lag it is common practice. Missing days add nothing.
        """
        if lags is None:
            lags = int(4 * (self.n / 100) ** (2 / 9))
        at = self.position - self.position[0]
        scores = np.zeros((int(at[-1]) + 1, self.coefficients.size))
        scores[at] = self.design * self.residuals[:, None]
        middle = scores.T @ scores
        for lag in range(1, min(lags, scores.shape[0] - 1) + 1):
            one = scores[lag:].T @ scores[:-lag]
            middle += (1 - lag / (lags + 1)) * (one + one.T)
        inner = np.linalg.inv(self.design.T @ self.design)
        return np.asarray(inner @ middle @ inner * self.n / self.plain_freedom)

    def half_width(self, contrast: ArrayLike) -> float:
        """Half-width of the 95 % interval of a sum of coefficients, weighted with `contrast`.

        The wider of the two ways to allow for autocorrelation.
        """
        weights = np.asarray(contrast, dtype=np.float64)
        both = (self.covariance(), self.newey_west())
        variance = max(0.0, *(float(weights @ c @ weights) for c in both))
        return coverage_factor(self.freedom) * float(np.sqrt(variance))

    def estimate(self, contrast: ArrayLike, *, unit: str, basis: str) -> Estimate:
        """Sum of coefficients, weighted with `contrast`, with its 95 % interval."""
        weights = np.asarray(contrast, dtype=np.float64)
        value = float(weights @ self.coefficients)
        words = f"{basis}; t interval"
        if self.correlation > 0:
            words += f" widened for autocorrelation (lag-1 correlation {self.correlation:.2f})"
        return self._measured(value, weights, unit=unit, basis=words)

    def ratio(self, part: ArrayLike, whole: ArrayLike, *, basis: str) -> Estimate:
        """One sum of coefficients by another, as a share (JCGM 100:2008, 5.2.2)."""
        a, b = np.asarray(part, np.float64), np.asarray(whole, np.float64)
        below = float(b @ self.coefficients)
        if not below:
            return measured(float("nan"), unit="", basis=basis, n=self.n)
        value = float(a @ self.coefficients) / below
        return self._measured(value, (a - value * b) / below, unit="", basis=basis)

    def _measured(self, value: float, contrast: Array, *, unit: str, basis: str) -> Estimate:
        """An estimate with the half-width of this sum of coefficients."""
        return measured(
            value,
            self.half_width(contrast),
            unit=unit,
            basis=basis,
            n=self.n,
            source=source_of("scatter of days", contrast, self.residuals),
            freedom=self.freedom,
        )


def fit_line(
    design: ArrayLike,
    values: ArrayLike,
    *,
    position: ArrayLike | None = None,
    correlation: float | None = None,
) -> Regression:
    """Fit `values` by least squares.

    Parameters
    ----------
    design : array_like, shape (n, k)
        One row a day, one column a term; a column of ones for the base.
    values : array_like, shape (n,)
        Without NaN.
    position : array_like of int, shape (n,), optional
        Number of each day, ascending. Default: one after the other.
    correlation : float, optional
        Of neighbouring residuals. Default: found by `day_correlation`.

    Raises
    ------
    ValueError
        If there are no more days than terms, or a term can be made from the others.
    """
    x = np.atleast_2d(np.asarray(design, dtype=np.float64))
    y = np.asarray(values, dtype=np.float64)
    n, k = x.shape
    at = np.arange(n) if position is None else np.asarray(position, dtype=np.int64)
    if n <= k:
        raise ValueError(f"{n} days cannot separate {k} terms; more days are needed")
    coefficients, _, rank, _ = np.linalg.lstsq(x, y)
    if rank < k:
        raise ValueError("a term of the fit can be made from the others")
    residuals = without_dust(y - x @ coefficients, y)
    if correlation is None:
        correlation = day_correlation(x, residuals, at)
    return Regression(
        coefficients=np.asarray(coefficients, dtype=np.float64),
        design=x,
        residuals=residuals,
        position=at,
        correlation=correlation,
    )


def without_dust(left: Array, values: Array) -> Array:
    """Set to nothing what is left of values only by the rounding of their sums, by columns."""
    return np.where(np.abs(left) <= DUST * np.abs(values).max(axis=0, initial=0.0), 0.0, left)


def day_correlation(design: Array, residuals: Array, position: NDArray[np.int64]) -> float:
    """Lag-1 autocorrelation of the residuals of days, 0 to 0.95.

    The correlation at which a first-order autoregression is likeliest, once the fitted terms are
    allowed for (restricted likelihood, as in `Regression.covariance`); days that are missing count
    as time that passed. A negative one, which would narrow intervals, is taken as none.
    """
    if not residuals.any() or residuals.size - design.shape[1] < 3:
        return 0.0

    def unlikely(r: float) -> float:
        x, log_sd = _whitened(design, position, r)
        y, _ = _whitened(residuals[:, None], position, r)
        coefficients = np.linalg.lstsq(x, y[:, 0])[0]
        off = y[:, 0] - x @ coefficients
        freedom = residuals.size - design.shape[1]
        _, log_det = np.linalg.slogdet(x.T @ x)
        return float(freedom * np.log(off @ off) + 2 * log_sd + log_det)

    tried = np.arange(-0.2, MOST_CORRELATION + 1e-9, 0.05)
    scores = [unlikely(r) for r in tried]
    best = int(np.argmin(scores))
    low, high = tried[max(best - 1, 0)], tried[min(best + 1, tried.size - 1)]
    from scipy.optimize import minimize_scalar  # slow to load

    found = minimize_scalar(unlikely, bounds=(low, high), method="bounded").x
    return float(min(max(found, 0.0), MOST_CORRELATION))


def _whitened(
    columns: Array, position: NDArray[np.int64], correlation: float
) -> tuple[Array, float]:
    """Columns made independent from day to day, and the sum of the logarithms of what divided."""
    if correlation == 0:
        return columns, 0.0
    kept = np.sign(correlation) ** np.diff(position) * np.abs(correlation) ** np.diff(position)
    sd = np.sqrt(1 - kept**2)
    rest = (columns[1:] - kept[:, None] * columns[:-1]) / sd[:, None]
    return np.vstack([columns[:1], rest]), float(np.log(sd).sum())


def resampled_residuals(
    fit: Regression, *, number: int, rng: np.random.Generator, correlation: float | None = None
) -> Array:
    """Residuals as they might have come out, shape (n, number).

    What is new in each day is drawn with replacement from what was new in the days seen, and
    carried on to the next with the correlation of the fit (a first-order autoregressive sieve;
    Buhlmann 1997).
    """
    r = fit.correlation if correlation is None else correlation
    new, _ = _whitened(fit.residuals[:, None], fit.position, r)
    pool = (new[:, 0] - new.mean()) * np.sqrt(fit.n / fit.plain_freedom)
    drawn = rng.choice(pool, size=(fit.n, number))
    kept = np.r_[0.0, r ** np.diff(fit.position)]
    sd = np.sqrt(1 - kept**2)
    series = np.empty_like(drawn)
    series[0] = drawn[0]
    for i in range(1, fit.n):
        series[i] = kept[i] * series[i - 1] + sd[i] * drawn[i]
    return series
