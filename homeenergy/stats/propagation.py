"""Estimates of several quantities whose errors are correlated, and functions of them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from math import inf, isfinite, isinf

import numpy as np
from numpy.typing import NDArray

from homeenergy.stats.coverage import LEVEL, coverage_factor
from homeenergy.stats.estimate import Estimate, measured
from homeenergy.stats.parts import Parts, Source, part, source_of


def correlated(
    values: NDArray[np.float64],
    covariance: NDArray[np.float64],
    *,
    units: tuple[str, ...],
    basis: str,
    n: int,
    source: str | Source,
    freedom: float = inf,
    level: float = LEVEL,
) -> tuple[Estimate, ...]:
    """Estimates with a known covariance, as a fit has it.

    Parameters
    ----------
    values : ndarray, shape (k,)
    covariance : ndarray, shape (k, k)
        Of their errors.
    units : tuple of str
    basis, source : str
    n : int
    freedom : float
        Degrees of freedom of the covariance.
    level : float

    Notes
    -----
    The covariance is the product of a matrix with its transpose, from its eigenvectors; each column
    holds what an independent error adds to the values.
    """
    eigenvalues, vectors = np.linalg.eigh(np.asarray(covariance, dtype=np.float64))
    factor = coverage_factor(freedom, level=level)
    effects = factor * vectors * np.sqrt(np.maximum(eigenvalues, 0.0))
    own = source if isinstance(source, Source) else source_of(source, values, covariance)
    found = []
    for value, row, unit in zip(values, effects, units, strict=True):
        each = {
            own._replace(number=k): part(float(effect), freedom=freedom, observed=True)
            for k, effect in enumerate(row)
            if effect
        }
        plain = measured(float(value), unit=unit, basis=basis, n=n, level=level)
        found.append(plain.with_parts(Parts(each)))
    return tuple(found)


def combine(
    function: Callable[..., float], *, unit: str, basis: str, **inputs: Estimate
) -> Estimate:
    """A function of estimates, by the law of propagation of uncertainty (JCGM 100:2008, 5.1, 5.2).

    Parameters
    ----------
    function : callable
        Takes numbers by the names of `inputs`.
    unit, basis : str
        Of the result.
    **inputs : Estimate
        Those that share sources are correlated.

    Notes
    -----
    Partial derivatives are central differences over a thousandth of each half-width.
    """
    at = {name: one.value for name, one in inputs.items()}
    parts = Parts()
    for name, one in inputs.items():
        step = 1e-3 * one.standard_uncertainty
        if not step > 0 or isinf(step):
            step = 1e-6 * max(abs(one.value), 1e-6)
        up, down = (function(**(at | {name: one.value + side * step})) for side in (1, -1))
        parts = parts.plus(one.parts, (up - down) / (2 * step))
    first = next(iter(inputs.values()))
    n = min(one.n for one in inputs.values())
    return first.made(function(**at), parts, unit=unit, n=n, basis=basis, resolved=True)


def time_to_reach(
    amount: Estimate, rate: Estimate, *, unit: str, basis: str, positive: bool = False
) -> Estimate:
    """How long it takes a rate to make up an amount; for ever, as far as the rate may be nothing.

    Parameters
    ----------
    amount, rate : Estimate
        `rate` has the unit of `amount` by that of the time.
    unit : str
        Of the time.
    basis : str
    positive : bool
        Whether the rate is known to be positive.

    Returns
    -------
    Estimate
        Nothing where the amount is at most nothing; infinite where the rate may not be positive and
        is not. A ratio (`over`) where both are known and the rate is positive; else without an
        upper end, and from the least amount at the greatest rate on.
    """
    n = rate.n
    if amount.high <= 0 or (rate.high <= 0 and not positive):
        never = 0.0 if amount.high <= 0 else inf
        return Estimate(value=never, low=never, high=never, unit=unit, n=n, basis=basis)
    known = rate.resolved and isfinite(amount.high) and (positive or rate.low > 0)
    if known:
        words = f"{basis}; interval of a ratio after Fieller (1954)"
        return replace(amount.over(rate, unit=unit, positive=True), basis=words)
    value = inf if rate.value <= 0 else amount.value / rate.value
    low = amount.low / rate.high if amount.low > 0 and isfinite(rate.high) else 0.0
    return Estimate(value=value, low=low, high=inf, unit=unit, n=n, basis=basis)
