"""How many runs it takes to see a difference."""

from __future__ import annotations

import math

from scipy.stats import nct
from scipy.stats import t as student_t

LEVEL, POWER = 0.95, 0.8
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
    Cohen 1988, Statistical Power Analysis for the Behavioral Sciences, 2nd ed., tables 2.4.1 (from
    memory): 64 on each side for half a standard deviation. Power is that of the noncentral t.
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
    limit = float(student_t.ppf((1 + LEVEL) / 2, df))
    # Far from nothing the other tail holds nothing, and the noncentral t cannot be evaluated.
    if centre > limit + 8:
        return 1.0
    return float(nct.sf(limit, df, centre))
