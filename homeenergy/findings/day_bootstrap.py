"""Bootstrap that draws days, so that runs of one day stay together."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Triple = tuple[float, float, float]
DRAWS, SEED, LEVEL = 2000, 1, 0.95
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

        A mean of values is a ratio of the sums of days (Cochran 1977, Sampling Techniques, 2.11,
        from memory); n / (n - 1) makes the squares unbiased.
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


def over_days(sums: DaySums, *, widen: float = 1.0) -> tuple[Triple, Triple, float]:
    """Difference and ratio of the means with intervals, and the probability of no difference.

    Parameters
    ----------
    sums : DaySums
    widen : float
        Factor on the half widths, for days that are like those before.

    Notes
    -----
    Days that have runs of the first, of the second and of both are drawn with replacement, each
    among themselves, 2000 times with a fixed seed. The half width is the 95 % quantile of the
    studentised deviation without sign, times the standard error (the symmetric bootstrap t of Hall
    1988, J. R. Stat. Soc. B 50, 35-45, from memory); for the ratio on its logarithm.
    O(draws x days).
    """
    weights = _drawn_weights(sums)
    mean_a = float(sums.sum_a.sum() / sums.count_a.sum())
    mean_b = float(sums.sum_b.sum() / sums.count_b.sum())
    off = mean_a - mean_b
    quantile, se, deviations = _studentised(sums, weights, relative=False)
    least = ROUNDING * max(abs(mean_a), abs(mean_b))
    if se <= least:  # all alike: nothing is left to chance
        value = mean_a / mean_b if mean_a > 0 and mean_b > 0 else float("nan")
        return (off, off, off), (value, value, value), float(abs(off) <= least)
    half = quantile * se * widen
    seen = abs(off) / (se * widen)
    p = float((1 + np.sum(deviations >= seen)) / (1 + deviations.size)) if off else 1.0
    ratio: Triple = float("nan"), float("-inf"), float("inf")
    if mean_a > 0 and mean_b > 0:
        quantile, se, _ = _studentised(sums, weights, relative=True)
        spread = np.exp(quantile * se * widen)
        value = mean_a / mean_b
        ratio = value, float(value / spread), float(value * spread)
    return (off, off - half, off + half), ratio, p


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
