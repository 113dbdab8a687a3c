"""Difference and ratio of two means, with intervals that respect days, and the method for each."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtr

from homeenergy.stats.coverage import LEVEL, coverage_factor
from homeenergy.stats.estimate import Estimate, mean_estimate, measured
from homeenergy.stats.means import LEAST_DAYS_FOR_CORRELATION, mean_of_days
from homeenergy.stats.propagation import correlated

Array = NDArray[np.float64]
Triple = tuple[float, float, float]
DRAWS, SEED = 2000, 1
ROUNDING = 1e-9  # of the means: less is the rounding of sums


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DaySums:
    """Sums and numbers of the values of each day, shape (days,) each, of two samples."""

    day: NDArray[np.int64]
    sum_a: Array
    count_a: Array
    sum_b: Array
    count_b: Array

    @classmethod
    def of(cls, a: Array, b: Array, day_a: NDArray[np.int64], day_b: NDArray[np.int64]) -> DaySums:
        """Sum the values of each day that either sample has."""
        day, at = np.unique(np.r_[day_a, day_b], return_inverse=True)
        at_a, at_b = at[: a.size], at[a.size :]

        def summed(where: NDArray[np.int64], weights: Array | None = None) -> Array:
            return np.bincount(where, weights=weights, minlength=day.size).astype(np.float64)

        return cls(
            day=day,
            sum_a=summed(at_a, a),
            count_a=summed(at_a),
            sum_b=summed(at_b, b),
            count_b=summed(at_b),
        )

    def parts(self, *, relative: bool = False) -> tuple[Array, Array]:
        """What each day adds to the error of either mean (of its logarithm, if `relative`).

        A mean of values is a ratio of the sums of days (Cochran 1977, 2.11); n / (n - 1) makes the
        squares unbiased.
        """
        weights = np.ones((1, self.day.size))
        part_a, part_b, _, _ = _parts(self, weights, relative=relative)
        return part_a[0], part_b[0]

    def influence(self) -> Array:
        """What each day adds to the error of the difference of the means."""
        part_a, part_b = self.parts()
        return part_a - part_b

    def variances(self) -> tuple[float, float]:
        """Squared standard errors of the two means."""
        part_a, part_b = self.parts()
        return float(part_a @ part_a), float(part_b @ part_b)

    def covariance(self) -> float:
        """Of the two means, from days that both have."""
        part_a, part_b = self.parts()
        return float(part_a @ part_b)


def over_days(sums: DaySums, *, widen: float = 1.0) -> tuple[tuple[float, float], Triple, float]:
    """Difference of the means with its half-width, their ratio, and the p-value of no difference.

    Parameters
    ----------
    sums : DaySums
    widen : float
        Factor on the half-widths, for autocorrelation.

    Notes
    -----
    Days that have runs of the first, of the second and of both are drawn with replacement, each
    among themselves, 2000 times with a fixed seed. The half-width is the 95 % quantile of the
    studentised deviation without sign, times the standard error (the symmetric bootstrap t of Hall
    1988); for the ratio on its logarithm. O(draws x days).
    """
    weights = _drawn_weights(sums)
    mean_a = float(sums.sum_a.sum() / sums.count_a.sum())
    mean_b = float(sums.sum_b.sum() / sums.count_b.sum())
    off = mean_a - mean_b
    quantile, se, deviations = _studentised(sums, weights, relative=False)
    least = ROUNDING * max(abs(mean_a), abs(mean_b))
    if se <= least:  # no scatter: nothing is left to chance
        value = mean_a / mean_b if mean_a > 0 and mean_b > 0 else float("nan")
        return (off, 0.0), (value, value, value), float(abs(off) <= least)
    half = quantile * se * widen
    seen = abs(off) / (se * widen)
    p = float((1 + np.sum(deviations >= seen)) / (1 + deviations.size)) if off else 1.0
    ratio: Triple = float("nan"), float("-inf"), float("inf")
    if mean_a > 0 and mean_b > 0:
        quantile, se, _ = _studentised(sums, weights, relative=True)
        spread = np.exp(quantile * se * widen)
        value = mean_a / mean_b
        ratio = value, float(value / spread), float(value * spread)
    return (off, half), ratio, p


def _drawn_weights(sums: DaySums) -> Array:
    """How often each day is drawn, shape (draws, days)."""
    rng = np.random.default_rng(SEED)
    weights = np.zeros((DRAWS, sums.day.size))
    in_a, in_b = sums.count_a > 0, sums.count_b > 0
    for stratum in (in_a & ~in_b, in_b & ~in_a, in_a & in_b):
        n = int(stratum.sum())
        if n:
            weights[:, stratum] = rng.multinomial(n, np.full(n, 1 / n), size=DRAWS)
    return weights


def _studentised(
    sums: DaySums, weights: Array, *, relative: bool
) -> tuple[float, float, NDArray[np.float64]]:
    """95 % quantile of the deviations over their standard errors, the error seen, deviations."""
    part_a, part_b = sums.parts(relative=relative)
    se = float(np.sqrt(np.sum((part_a - part_b) ** 2)))
    drawn_a, drawn_b, mean_a, mean_b = _parts(sums, weights, relative=relative)
    seen_a = sums.sum_a.sum() / sums.count_a.sum()
    seen_b = sums.sum_b.sum() / sums.count_b.sum()
    with np.errstate(divide="ignore", invalid="ignore"):
        errors = np.sqrt(np.sum(weights * (drawn_a - drawn_b) ** 2, axis=1))
        if relative:
            off = np.log(mean_a / mean_b) - np.log(seen_a / seen_b)
        else:
            off = (mean_a - mean_b) - (seen_a - seen_b)
        deviations = np.abs(off) / errors
    deviations = deviations[np.isfinite(deviations)]
    if not deviations.size:
        return float("nan"), se, deviations
    return float(np.quantile(deviations, LEVEL)), se, deviations


def _parts(sums: DaySums, weights: Array, *, relative: bool) -> tuple[Array, Array, Array, Array]:
    """Errors that days add to the two means under weights (draws, days), and the means."""
    found = []
    for total, count in ((sums.sum_a, sums.count_a), (sums.sum_b, sums.count_b)):
        with np.errstate(divide="ignore", invalid="ignore"):
            many = weights @ count
            mean = weights @ total / many
            scale = many * mean if relative else many
            part = (total - mean[:, None] * count) / scale[:, None]
        days = int((count > 0).sum())
        part *= np.sqrt(days / max(days - 1, 1))
        found.append((part, mean))
    return found[0][0], found[1][0], found[0][1], found[1][1]


Method = Literal["Welch", "paired days", "bootstrap over days", "spread of days"]
LEAST_DAYS = 3  # on each side, for days to show a spread
LEAST_PAIRS = 5
# Intervals allow for autocorrelation where most of a sample's days are neighbours.
NEIGHBOURS = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class TwoMeans:
    """Two means compared.

    Attributes
    ----------
    difference, ratio : Estimate
        First less second, first over second. Ends of a ratio are infinite where the second mean may
        be nothing.
    p : float
        Probability of a difference at least as large if there were none.
    method : str
        "Welch", "paired days", "bootstrap over days" or "spread of days".
    words : str
        The method, and what it was applied to.
    spread : float
        Standard deviation that independent runs (pairs of days for "paired days") would need to
        have for a mean of so many to be as uncertain as these, averaged over both sides.
    """

    difference: Estimate
    ratio: Estimate
    p: float
    method: Method
    words: str
    spread: float


Days = NDArray[np.int64]


def two_means(
    a: Array,
    b: Array,
    *,
    day_a: Days | None = None,
    day_b: Days | None = None,
    paired: bool | None = None,
    unit: str = "kWh",
) -> TwoMeans:
    """Compare the means of two samples.

    Parameters
    ----------
    a, b : ndarrays, shapes (n,) and (m,)
        In order of time, n and m at least 2.
    day_a, day_b : ndarrays of int, optional
        Number of the day of each. Without them all values are taken to be independent.
    paired : bool, optional
        Whether to compare day with day. Default: where both have one value a day, and at least
        5 days and four in five of those of the shorter sample in common.
    unit : str
        Of the values.

    Notes
    -----
    - Paired days: mean of the daily differences, t interval; what both days share (weather, guests)
      cancels. Only common days are used.
    - Bootstrap over days, where a side has several values on a day, and each 7 days or more: days
      and not values are drawn (2000 times), see `homeenergy.stats.differences`.
    - Spread of days, the same with fewer days (3 to 6): t interval with the standard error of a
      ratio of day sums (Cochran 1977, 2.11).
    - Welch: independent values of unequal spread (Welch 1947), ratio after Fieller 1954.

    Paired days and bootstrap are widened for autocorrelation between days, as `mean_of_days`
    does; so is Welch where most days of a side are neighbours.

    How often they hold the truth, in 3000 simulated pairs of samples each: bootstrap over days,
    with correlated runs of a day, 95 to 96.5 %; paired days 97.5 %; Welch between a dozen
    exponential values and nine normal ones, as skewed as energies hardly are, 90 %.
    """
    if day_a is None or day_b is None:
        return _welch(a, b, (1.0, 1.0), "values taken as independent", unit=unit)
    single = np.unique(day_a).size == day_a.size and np.unique(day_b).size == day_b.size
    common = np.intersect1d(day_a, day_b)
    if paired is None:
        enough = max(LEAST_PAIRS, 0.8 * min(day_a.size, day_b.size))
        paired = single and common.size >= enough
    if paired:
        return _paired(a[np.isin(day_a, common)], b[np.isin(day_b, common)], common, unit=unit)
    if single:
        factors = correlation_factor(a - a.mean(), day_a), correlation_factor(b - b.mean(), day_b)
        return _welch(a, b, factors, "one value a day", unit=unit)
    fewest = min(np.unique(day_a).size, np.unique(day_b).size)
    if fewest < LEAST_DAYS:
        words = "runs taken as independent, being on so few days"
        return _welch(a, b, (1.0, 1.0), words, unit=unit)
    return _by_days(a, b, day_a, day_b, fewest, unit=unit)


def _welch(a: Array, b: Array, factors: tuple[float, float], words: str, *, unit: str) -> TwoMeans:
    var_a = float(a.var(ddof=1)) / a.size * factors[0] ** 2
    var_b = float(b.var(ddof=1)) / b.size * factors[1] ** 2
    df = degrees(var_a, var_b, a.size, b.size)
    if max(factors) > 1:
        words += ", widened for autocorrelation"
    return _from_variances(
        (float(a.mean()), float(b.mean())),
        np.diag([var_a, var_b]),
        df,
        n=min(a.size, b.size),
        unit=unit,
        method="Welch",
        words=f"Welch's t interval, {df:.1f} degrees of freedom; {words}",
        spread=float(np.sqrt((var_a * a.size + var_b * b.size) / 2)),
    )


def degrees(var_a: float, var_b: float, n_a: int, n_b: int) -> float:
    """Welch's degrees of freedom, of squared standard errors and numbers of observations."""
    if var_a + var_b == 0:
        return float(n_a + n_b - 2)
    return (var_a + var_b) ** 2 / (var_a**2 / (n_a - 1) + var_b**2 / (n_b - 1))


def _paired(a: Array, b: Array, days: Days, *, unit: str) -> TwoMeans:
    n = days.size
    off = a - b
    factor = correlation_factor(off - off.mean(), days)
    words = f"mean of the differences of {n} days, t interval"
    if factor > 1:
        words += ", widened for autocorrelation"
    return _from_variances(
        (float(a.mean()), float(b.mean())),
        np.cov(a, b) / n * factor**2,
        n - 1.0,
        n=n,
        unit=unit,
        method="paired days",
        words=words,
        spread=float(off.std(ddof=1)) * factor,
    )


def _from_variances(
    means: tuple[float, float],
    covariance: Array,
    df: float,
    *,
    n: int,
    unit: str,
    method: Method,
    words: str,
    spread: float,
) -> TwoMeans:
    """Difference with t interval, ratio after Fieller (`Estimate.over`), of correlated means."""
    a, b = correlated(
        np.array(means),
        covariance,
        units=(unit, unit),
        basis=words,
        n=n,
        source="scatter of both samples",
        freedom=df,
    )
    difference = a - b
    se = (difference.high - difference.low) / 2 / coverage_factor(df)
    off = difference.value
    return TwoMeans(
        difference=difference,
        ratio=a.over(b, unit=""),
        p=float(2 * stdtr(df, -abs(off) / se)) if se > 0 else float(off == 0),
        method=method,
        words=words,
        spread=spread,
    )


def _by_days(a: Array, b: Array, day_a: Days, day_b: Days, fewest: int, *, unit: str) -> TwoMeans:
    sums = DaySums.of(a, b, day_a, day_b)
    off = sums.influence()
    var_a, var_b = sums.variances()
    factor = correlation_factor(off - off.mean(), sums.day)
    n_a, n_b = np.unique(day_a).size, np.unique(day_b).size
    spread = float(np.sqrt((var_a * a.size + var_b * b.size) / 2)) * factor
    words = f"{a.size} and {b.size} runs on {n_a} and {n_b} days"
    if fewest < LEAST_DAYS_FOR_CORRELATION:
        df = degrees(var_a, var_b, n_a, n_b)
        return _from_variances(
            (float(a.mean()), float(b.mean())),
            np.array([[var_a, sums.covariance()], [sums.covariance(), var_b]]),
            df,
            n=min(a.size, b.size),
            unit=unit,
            method="spread of days",
            words=f"{words}, t interval from the spread of days",
            spread=spread,
        )
    (value, half), ratio, p = over_days(sums, widen=factor)
    if factor > 1:
        words += ", widened for autocorrelation"
    words += ", studentised bootstrap over days"
    n = min(a.size, b.size)
    return TwoMeans(
        difference=measured(value, half, unit=unit, basis=words, n=n),
        ratio=Estimate(value=ratio[0], low=ratio[1], high=ratio[2], unit="", n=n, basis=words),
        p=p,
        method="bootstrap over days",
        words=words,
        spread=spread,
    )


def mean_with_gaps(values: Array, day: Days | None, *, unit: str, basis: str) -> Estimate:
    """Mean of values of days that need not follow each other, widened for those that do."""
    plain = mean_estimate(values, unit=unit, basis=basis, source="scatter of values")
    factor = 1.0 if day is None else correlation_factor(values - values.mean(), day)
    if factor == 1:
        return plain
    return measured(
        plain.value,
        factor * plain.spread,
        unit=unit,
        basis=f"{basis}, widened for autocorrelation",
        n=plain.n,
        source=next(iter(plain.parts)),
        freedom=plain.n - 1,
    )


def correlation_factor(off: Array, day: Days) -> float:
    """By how much `mean_of_days` widens for autocorrelation; 1 where few days are neighbours."""
    if day.size < LEAST_DAYS_FOR_CORRELATION or np.mean(np.diff(day) == 1) <= NEIGHBOURS:
        return 1.0
    wide = mean_of_days(off)
    plain = mean_estimate(off, unit="", basis="")
    half = plain.high - plain.low
    return max((wide.high - wide.low) / half, 1.0) if half > 0 else 1.0


POWER = 0.8
MOST = 1_000_000


def runs_needed(difference: float, spread: float, *, paired: bool = False) -> int | None:
    """Runs of each that would most likely show a difference.

    Parameters
    ----------
    difference : float
        That is to be seen [unit of `spread`].
    spread : float
        Standard deviation between runs, or between the differences of paired days.
    paired : bool
        Whether pairs and not two samples are compared.

    Returns
    -------
    int or None
        Least number (on each side, or of pairs) with which a t test at 5 % sees the difference four
        times in five; None where a million do not.

    References
    ----------
    Cohen 1988, table 2.4.1: 64 on each side for half a standard deviation. Power is that of the
    noncentral t.
    """
    if not (difference and math.isfinite(difference) and math.isfinite(spread)):
        return None
    if spread == 0:
        return 2
    effect = abs(difference) / spread
    low, high = 2, 4
    while _power(effect, high, paired) < POWER:
        low, high = high, high * 2
        if high > MOST:
            return None
    while low < high:
        middle = (low + high) // 2
        if _power(effect, middle, paired) >= POWER:
            high = middle
        else:
            low = middle + 1
    return low


def _power(effect: float, n: int, paired: bool) -> float:
    df = n - 1 if paired else 2 * (n - 1)
    centre = effect * math.sqrt(n if paired else n / 2)
    limit = coverage_factor(df)
    # Far from nothing the other tail holds nothing, and the noncentral t cannot be evaluated.
    if centre > limit + 8:
        return 1.0
    from scipy.stats import nct  # takes a second

    return float(nct.sf(limit, df, centre))
