"""Means of runs and of days, with intervals that allow for autocorrelation between days."""

from __future__ import annotations

from functools import partial
from math import inf, isfinite, nan
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import bdtr, bdtrik, stdtr

from homeenergy.stats.coverage import LEVEL, coverage_factor, half_width
from homeenergy.stats.estimate import Estimate, mean_estimate, measured
from homeenergy.stats.parts import source_of

# Independent days are as likely beforehand as correlated ones (Jeffreys 1961,
# ch. 5).
INDEPENDENT = 0.5
# Lag-1 correlation of the component between days up to which it is weighed: at 0.98 a day still
# counts after seven weeks. Closer to 1, there is no mean to report.
LONGEST = 0.98
_MIDDLES = (np.arange(20) + 0.5) / 20
# Share of that component in the variance of days, and its correlation, all pairs equally likely.
_SHARES, _CORRELATIONS = (
    np.r_[0.0, grid.ravel()]
    for grid in np.meshgrid(_MIDDLES, np.sin(_MIDDLES * np.arcsin(LONGEST)))
)
# That a weekend is unlike other days is less likely beforehand than that it is like them (own
# assumption).
WEEKENDS_DIFFER = 0.2
WEEKEND_OF_WEEK = 2 / 7
# Fewer days of a load cannot contradict that they are independent: that is given no probability
# of its own.
DAYS_THAT_TELL = 14
MUCH_WIDER = 1.2  # from where it is said that days may be autocorrelated
LEAST_DAYS_FOR_CORRELATION = 7
LEAST_DAYS = 3  # for the spread of days to show
LEAST_PARTS = 1.5
SCATTER_OF_DAYS, SCATTER_OF_RUNS = "scatter of days", "scatter of runs"


class Squares(NamedTuple):
    """Sums of squares between days and within them, with their degrees of freedom.

    Only their ratio counts.
    """

    between: float
    within: float
    between_freedom: float
    within_freedom: float


def half_of_mean(
    deviations: NDArray[np.float64],
    *,
    squares: Squares | None = None,
    independent: float = INDEPENDENT,
    weekend: NDArray[np.bool_] | None = None,
) -> tuple[float, str]:
    """Half-width of the 95 % interval of a mean of autocorrelated days, and what is said of it.

    Parameters
    ----------
    deviations : ndarray, shape (n,)
        Of days from their mean, in order; not all 0.
    squares : Squares, optional
        Analysis of variance of what the days are made of: their runs, or parts of the day.
    independent : float
        Prior probability of independent days.
    weekend : ndarray of bool, shape (n,), optional
        Which days are Saturdays and Sundays.

    Notes
    -----
    A day is a mean, a component between days (a cool room, guests) that follows a first-order
    autoregression, and noise from what runs and hours happen to make of it. How large that
    component is, and how long it lasts, cannot be estimated from a few weeks, and a single
    estimate, too small on average, makes intervals that are too narrow. So every share s of it in
    the variance of days and every autocorrelation r is weighed by how well it fits: given both, the
    true mean has Student's t distribution about the generalised least-squares mean, and their
    weight is the integrated likelihood, over mean and variance, times the prior (Zellner 1971, ch.
    4; the likelihood by the filter of Kalman 1960). Beforehand s is 0 or uniform from 0 to 1 (the
    uniform shrinkage prior: Daniels 1999), and r has the weight (1 - r^2)^(-1/2) (the reference
    prior: Berger & Yang 1994; the arcsine of r is uniform), from 0, as a component that alternates
    does not last, to 0.98. 95 % of the mixture lie
    within the half-width about the plain mean. Never narrower than for independent days: that days
    make up for one another is not relied on. Under two weeks of a load, s is uniform alone (own
    rule).

    What differs between weekends and other days does not scatter: a week has its share of both. So
    that they differ is weighed too, by as much as one day tells (the unit-information prior: Kass &
    Wasserman 1995), and the mean is then that of a whole week.

    F, the mean square between days by that within them (JCGM 100:2008, H.5), depends on s too: with
    a share s it is 1 / (1 - s) times as large as without.

    O(n) steps over a grid of 20 by 20 pairs of s and r.
    """
    n = deviations.size
    prior = np.full(_SHARES.size, (1 - independent) / (_SHARES.size - 1))
    prior[0] = independent
    differ = WEEKENDS_DIFFER if weekend is not None and 0 < weekend.sum() < n else 0.0
    fits = [_fit(deviations, (1 - differ) * prior, squares)]
    if differ:
        fits.append(_fit(deviations, differ * prior, squares, weekend=weekend))
    every = _Fit(*map(np.concatenate, zip(*fits, strict=True)))
    independent_days = _Fit(*(each[:: prior.size] for each in every))
    inside = partial(_inside, every, n)
    widest = float(np.max(np.abs(every.mean) + 10 * coverage_factor(n - 1) * every.scale))
    narrowest = half_width(partial(_inside, independent_days, n), most=widest)
    if inside(narrowest) >= LEVEL:
        return narrowest, ""
    half = half_width(inside, least=narrowest, most=widest)
    if half < MUCH_WIDER * narrowest:
        return half, ""
    lag_1 = float(deviations[1:] @ deviations[:-1] / (deviations @ deviations))
    how = f"lag-1 correlation {lag_1:.2f}" if lag_1 > 0 else f"not estimable from {n}"
    return half, f", widened for autocorrelation ({how})"


def _independent(days: int) -> float:
    """Prior probability that days are independent, given how many the log reaches over."""
    return INDEPENDENT if days >= DAYS_THAT_TELL else 1 / _SHARES.size


class _Fit(NamedTuple):
    """Student's t distribution of the true mean at each share and correlation, and its weight."""

    mean: NDArray[np.float64]
    scale: NDArray[np.float64]
    log_weight: NDArray[np.float64]


def _inside(fit: _Fit, n: int, half: float) -> float:
    """Share of a mixture of distributions, of `n` days, within so much of the plain mean."""
    low, high = (stdtr(n - 1, (end - fit.mean) / fit.scale) for end in (-half, half))
    weight = np.exp(fit.log_weight - fit.log_weight.max())
    return float(np.average(high - low, weights=weight))


def _fit(
    deviations: NDArray[np.float64],
    prior: NDArray[np.float64],
    squares: Squares | None,
    *,
    weekend: NDArray[np.bool_] | None = None,
) -> _Fit:
    """How well days fit, whose weekends are as other days or, where they are told, differ."""
    n = deviations.size
    series = [np.ones(n), deviations]
    if weekend is not None:
        series.append(weekend.astype(np.float64) - WEEKEND_OF_WEEK)
    products, log_det = _filtered(np.stack(series))
    log_weight = np.log(prior) - 0.5 * log_det
    if weekend is not None:
        told = products[2, 2] - products[0, 2] ** 2 / products[0, 0]
        known = products[2, 2] + told / n
        products = products - products[:, 2, None] * products[None, 2] / known
        log_weight -= 0.5 * np.log(known * n / told)
    ones, cross, own = products[0, 0], products[0, 1], products[1, 1]
    residual = own - cross**2 / ones
    log_weight -= 0.5 * (np.log(ones) + (n - 1) * np.log(residual))
    if squares is not None:
        log_weight += _log_fit_of_noise(squares, residual / (deviations @ deviations))
    return _Fit(cross / ones, np.sqrt(residual / (n - 1) / ones), log_weight)


def _log_fit_of_noise(squares: Squares, seen: NDArray[np.float64]) -> NDArray[np.float64]:
    """Logarithm of the density of F at each share and correlation, given the order of days.

    `seen` is the residual of generalised least squares over the sum of squares between days, of
    which autocorrelated days show less than they have.
    """
    noise = (1 - _SHARES) * seen
    a, b = squares.between_freedom / 2, squares.within_freedom / 2
    # Less noise than the largest share leaves cannot be told from that.
    least = (1 - _SHARES.max()) * squares.between * b / a
    ratio = squares.between / max(squares.within, least)
    found: NDArray[np.float64] = a * np.log(noise) - (a + b) * np.log1p(noise * ratio)
    return found


def _filtered(series: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Products x' V^-1 y of each two series, and log det V, V the correlation matrix of days.

    The filter predicts each day of all series, shape (k, n), from those before.
    """
    s, r = _SHARES, _CORRELATIONS
    k = len(series)
    products, log_det = np.zeros((k, k, s.size)), np.zeros(s.size)
    expected, variance = np.zeros((k, s.size)), s
    for day in series.T:
        total = variance + 1 - s
        new = day[:, None] - expected
        products += new[:, None] * new[None] / total
        log_det += np.log(total)
        gain = variance / total
        expected = r * (expected + gain * new)
        variance = r**2 * variance * (1 - gain) + s * (1 - r**2)
    return products, log_det


def mean_of_days(
    kwh: NDArray[np.float64],
    *,
    parts: NDArray[np.float64] | None = None,
    weekend: NDArray[np.bool_] | None = None,
    unit: str = "kWh",
) -> Estimate:
    """Mean with Student's t interval, widened for autocorrelation between days.

    Parameters
    ----------
    kwh : ndarray, shape (n,)
        Values of days, in order, most often their energy [`unit`]. Days before and after some that
        are left out count as neighbours.
    parts : ndarray, shape (n, k), optional
        The same of equal parts of these days, in any unit; NaN where not known. Where the parts of
        a day have nothing in common, days are taken to be less correlated, and the interval is
        narrower: too narrow where lasting habits are in one part alone and chance is in all.
    weekend : ndarray of bool, shape (n,), optional
        Which days are Saturdays and Sundays: where these differ from other days, the interval is
        narrower.
    unit : str
    """
    n = kwh.size
    plain = mean_estimate(
        kwh, unit=unit, basis=f"mean of {n} whole days, t interval", source=SCATTER_OF_DAYS
    )
    deviations = kwh - kwh.mean()
    if n < LEAST_DAYS_FOR_CORRELATION or _only_rounding(deviations, kwh):
        return plain
    squares = None if parts is None else squares_of_parts(parts)
    half, words = half_of_mean(
        deviations, squares=squares, independent=_independent(n), weekend=weekend
    )
    return _widened(plain, half, f"{plain.basis}{words}", kwh)


LEAST_WAVES = 2


def mean_of_series(values: NDArray[np.float64], *, unit: str, basis: str = "mean") -> Estimate:
    """Mean of a stationary series, with an interval that holds although neighbours are correlated.

    Parameters
    ----------
    values : ndarray, shape (n,)
        In order of time, one a day for example [`unit`]; NaN are left out, and those before and
        after count as neighbours.
    unit, basis : str
        `basis` says what was averaged.

    Returns
    -------
    Estimate
        With one value the ends are infinite, with none all is NaN.

    Notes
    -----
    What is slow in a series makes its mean uncertain, so the variance of the mean is taken from the
    slow waves alone: the squares of the first m terms of the cosine transform, averaged, over n;
    the interval is Student's t with m degrees of freedom (equal-weighted cosines: Lazarus, Lewis,
    Stock & Watson 2018, Journal of Business & Economic Statistics 36, whose rule is
    m = 0.4 n^(2/3); unverified, no text was seen). Here m is rounded down and at least 2. For
    independent normal values the interval holds 95 % exactly, with any m; with all n - 1 terms it
    is that of `mean_estimate`. Unlike that of `mean_of_days` it may be narrower than for
    independent values, and it needs no model of how their correlation dies away; it is wider where
    there are few values (m = 2 below 21). O(n m).
    """
    x = values[np.isfinite(values)]
    plain = mean_estimate(x, unit=unit, basis=basis, source=SCATTER_OF_DAYS)
    n = plain.n
    if n < 2:
        return plain
    waves = min(n - 1, max(LEAST_WAVES, int(0.4 * n ** (2 / 3))))
    middles = (np.arange(n) + 0.5) / n
    cosines = np.sqrt(2 / n) * np.cos(np.pi * np.outer(np.arange(1, waves + 1), middles))
    variance = float(np.mean((cosines @ (x - plain.value)) ** 2)) / n
    return measured(
        plain.value,
        coverage_factor(waves) * float(np.sqrt(variance)),
        unit=unit,
        basis=f"{basis}, t interval from its {waves} slowest waves",
        n=n,
        source=SCATTER_OF_DAYS,
        freedom=waves,
    )


def mean_of_strata(
    values: NDArray[np.float64], stratum: NDArray[np.int64], *, strata: int, unit: str = "kWh"
) -> Estimate:
    """Mean of the means of strata, each counting the same: of weekdays, say.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Of days, in order [`unit`].
    stratum : ndarray of int, shape (n,)
        From 0 to `strata` - 1; two days or more in each.
    strata : int
    unit : str

    Notes
    -----
    Post-stratified mean (Cochran 1977, 5A.9). Student's t interval
    of the deviations of days from the mean of their stratum, each weighted as its stratum is, with
    as many degrees of freedom less as there are further strata, widened for autocorrelation
    (`mean_of_days`).
    """
    n = values.size
    count = np.bincount(stratum, minlength=strata)
    means = np.bincount(stratum, weights=values, minlength=strata) / count
    mean = float(means.mean())
    # Values whose mean is the stratified one, and whose spread is that within strata.
    within = mean + (values - means[stratum]) * n / (strata * count[stratum])
    found = mean_of_days(within, unit=unit)
    return measured(
        mean,
        found.spread * float(np.sqrt((n - 1) / (n - strata))),
        unit=unit,
        basis=found.basis,
        n=n,
        source=source_of(SCATTER_OF_DAYS, values, stratum),
        freedom=n - strata,
    )


def mean_of_runs(
    kwh: NDArray[np.float64], day: NDArray[np.int64], *, unit: str = "kWh"
) -> Estimate:
    """Mean of runs; those of one day may be correlated (a cool week, one person's habits).

    Parameters
    ----------
    kwh, day : ndarrays, shape (n,)
        Value of each run, most often its energy [`unit`], and number of its local day, in order of
        time.
    unit : str

    Notes
    -----
    From three days on, days and not runs are taken as independent: the mean is a ratio of the sums
    of days (Cochran 1977, 2.11) with one degree of freedom less
    than there are days. From seven on, autocorrelation between days widens the interval further
    (`half_of_mean`); with fewer it is no narrower than for independent runs.
    """
    n = kwh.size
    plain = mean_estimate(kwh, unit=unit, basis=_runs_basis(n), source=SCATTER_OF_RUNS)
    days, at = np.unique(day, return_inverse=True)
    if days.size < LEAST_DAYS:
        return plain
    deviations = np.bincount(at, weights=kwh - kwh.mean()).astype(np.float64)
    if _only_rounding(deviations, kwh):
        return plain
    if days.size < LEAST_DAYS_FOR_CORRELATION:
        squares = float(deviations @ deviations) / (days.size - 1) / days.size
        half, words = coverage_factor(days.size - 1) * float(np.sqrt(squares)), ""
        if half * days.size / n <= plain.spread:
            return plain
    else:
        reach = int(days[-1] - days[0]) + 1
        half, words = half_of_mean(
            deviations, squares=squares_of_runs(kwh, at), independent=_independent(reach)
        )
    basis = f"mean of {n} complete runs on {days.size} days, t interval from the spread of days"
    return _widened(plain, half * days.size / n, f"{basis}{words}", kwh, freedom=days.size - 1)


def ratio_of_days(
    above: NDArray[np.float64], below: NDArray[np.float64], *, unit: str, basis: str
) -> Estimate:
    """Ratio of two sums over the same days, with the day as the unit of spread.

    Parameters
    ----------
    above, below : ndarrays, shape (n,)
        Of each day, in order.
    unit, basis : str
        Of the result; the method is added to the basis.

    Notes
    -----
    The spread is that of what each day lies above the common ratio (Cochran 1977, 2.11), widened
    for autocorrelation between days (`mean_of_days`). What
    multiplies both sides, such as the clamp's ratio, drops out.
    """
    n = int(above.size)
    total = float(below.sum())
    if not n or total == 0:
        return measured(nan, unit=unit, basis=basis, n=n)
    value = float(above.sum()) / total
    of_days = mean_of_days(above - value * below).spread * n / abs(total)
    return measured(
        value,
        of_days if isfinite(of_days) else inf,
        unit=unit,
        basis=f"{basis}, over {n} days, interval from how the days differ",
        n=n,
        source=source_of(SCATTER_OF_DAYS, above, below),
        freedom=max(n - 1, 1),
    )


def _widened(
    plain: Estimate,
    half: float,
    basis: str,
    values: NDArray[np.float64],
    *,
    freedom: float | None = None,
) -> Estimate:
    """A mean with another half-width of the same scatter."""
    name = next(iter(plain.parts)).name
    return measured(
        plain.value,
        half,
        unit=plain.unit,
        basis=basis,
        n=plain.n,
        source=source_of(name, values),
        freedom=plain.n - 1 if freedom is None else freedom,
    )


def _only_rounding(deviations: NDArray[np.float64], kwh: NDArray[np.float64]) -> bool:
    return bool(np.abs(deviations).max() <= 1e-12 * np.abs(kwh).max())


def _runs_basis(n: int) -> str:
    return f"mean of {n} complete runs, t interval" if n > 1 else "one complete run shows no spread"


def squares_of_runs(kwh: NDArray[np.float64], at: NDArray[np.intp]) -> Squares | None:
    """Analysis of variance of runs by day, numbered from 0 in `at`; None where too few tell."""
    runs = np.bincount(at)
    means = np.bincount(at, weights=kwh) / runs
    between, within = runs.size - 1, kwh.size - runs.size
    if within < between:
        return None
    own = float(runs @ (means - kwh.mean()) ** 2)
    return Squares(own, float(np.sum((kwh - means[at]) ** 2)), between, within)


def squares_of_parts(parts: NDArray[np.float64]) -> Squares | None:
    """Analysis of variance of days and their parts, of which each has its own mean.

    Rows of `parts` are days; those with NaN are left out. Of k parts with unequal variances, as
    many count as would spread as much if all were equal, (sum v)^2 / sum v^2 of their variances v
    (Satterthwaite 1946, with one degree of freedom a part); with k equal ones it is the
    textbook analysis. None where too few days or parts are left: where one part carries nearly all,
    it follows the day in any case. Days that differ less than their parts say (one use a day, early
    or late) are taken to differ as much: parts that make up for one another tell nothing of
    neighbouring days.
    """
    whole = parts[np.isfinite(parts).all(axis=1)]
    if len(whole) < LEAST_DAYS_FOR_CORRELATION:
        return None
    of_parts = whole.var(axis=0, ddof=1)
    together = float(of_parts.sum())
    if not together:
        return None
    many = together**2 / float(of_parts @ of_parts)
    if many < LEAST_PARTS:
        return None
    of_days = max(float(whole.sum(axis=1).var(ddof=1)), together)
    within = max(many * together - of_days, 0.0)
    freedom = len(whole) - 1
    return Squares(of_days, within, freedom, freedom * (many - 1))


def median_estimate(
    values: NDArray[np.float64], *, unit: str, basis: str, outside: float = 0.025
) -> Estimate:
    """Median with the interval of the sign test, which supposes nothing of how values scatter.

    Parameters
    ----------
    values : numpy.ndarray, shape (n,)
        NaN are left out.
    outside : float
        Greatest probability beyond each end.

    Notes
    -----
    Ends are order statistics of ranks l and n + 1 - l, l the greatest with a binomial probability
    of at most `outside` below it (Conover 1999). With fewer values than there must be for one, six
    for 2.5 %, the ends are infinite.
    """
    x = np.sort(values[np.isfinite(values)])
    n = x.size
    if not n:
        nan = float("nan")
        return measured(nan, unit=unit, n=0, basis=basis)
    rank = int(np.ceil(bdtrik(outside, n, 0.5)))
    while rank > 0 and bdtr(rank - 1, n, 0.5) > outside:
        rank -= 1
    low, high = (x[rank - 1], x[n - rank]) if rank else (-np.inf, np.inf)
    return Estimate(
        value=float(np.median(x)), low=float(low), high=float(high), unit=unit, n=n, basis=basis
    )
