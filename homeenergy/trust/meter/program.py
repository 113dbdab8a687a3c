"""Linear program of meter readings: which ratios and registers they allow."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

Values = NDArray[np.float64]
RATIO_LIMITS = (0.2, 5.0)
MOST_DOUBTED = 3
MOST_SETS = 3000  # of readings that are tried before the search gives up
INFEASIBLE = 2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LoggedEnergy:
    """What the logged mains say of the times of the readings; n readings, n - 1 intervals.

    Attributes
    ----------
    logged_kwh : numpy.ndarray, shape (n - 1,)
        Energy of the samples that are there, from reading to reading [kWh].
    missing_low_kwh, missing_high_kwh : numpy.ndarray, shape (n - 1,)
        Bounds of what was used while there was no sample [kWh].
    shift_low_kwh, shift_high_kwh : numpy.ndarray, shape (n,)
        Bounds of the energy between the stated time of a reading and its true time [kWh].
    missing_s : numpy.ndarray, shape (n - 1,)
        Time without a sample [s].
    """

    logged_kwh: Values
    missing_low_kwh: Values
    missing_high_kwh: Values
    shift_low_kwh: Values
    shift_high_kwh: Values
    missing_s: Values


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Program:
    """Readings as bounds of true registers, and what the log knows between them.

    Attributes
    ----------
    low_kwh, high_kwh : numpy.ndarray, shape (n,)
        Bounds of the true register at each reading [kWh].
    logged : LoggedEnergy
    exchanged : tuple of int
        First readings of a new meter, whose register begins anywhere.

    Notes
    -----
    Unknowns: ratio, first register, one step of the register for each exchange, and, times the
    ratio, the energy missing in each interval and from stated to true time of each reading.
    """

    low_kwh: Values
    high_kwh: Values
    logged: LoggedEnergy
    exchanged: tuple[int, ...] = ()

    @property
    def n(self) -> int:
        """Number of readings."""
        return int(self.low_kwh.size)

    @property
    def unknowns(self) -> int:
        """Number of unknowns."""
        return 2 + len(self.exchanged) + (self.n - 1) + self.n

    def registers(self) -> Values:
        """Matrix, shape (n, unknowns), that gives the true registers above the first bound."""
        n, k = self.n, len(self.exchanged)
        matrix = np.zeros((n, self.unknowns))
        matrix[:, 0] = np.r_[0.0, np.cumsum(self.logged.logged_kwh)]
        matrix[:, 1] = 1
        for number, first in enumerate(self.exchanged):
            matrix[first:, 2 + number] = 1
        matrix[:, 2 + k : 1 + k + n] = np.tri(n, n - 1, -1)
        matrix[:, 1 + k + n :] = np.eye(n)
        return matrix

    def minimum(self, cost: Values, *, left_out: Sequence[int] = ()) -> float | None:
        """Least value of `cost` times the unknowns; None if nothing fits the readings kept."""
        from scipy.optimize import linprog

        keep = [i for i in range(self.n) if i not in left_out]
        kept = self.registers()[keep]
        part_low = np.r_[self.logged.missing_low_kwh, self.logged.shift_low_kwh]
        part_high = np.r_[self.logged.missing_high_kwh, self.logged.shift_high_kwh]
        parts = np.eye(self.unknowns)[2 + len(self.exchanged) :]
        ratio = np.zeros_like(parts)
        ratio[:, 0] = 1
        base = self.low_kwh[0]  # differences are small where registers are not
        rows = [kept, -kept, parts - ratio * part_high[:, None], ratio * part_low[:, None] - parts]
        limits = np.r_[
            self.high_kwh[keep] - base, base - self.low_kwh[keep], np.zeros(2 * part_low.size)
        ]
        bounds = [RATIO_LIMITS, *[(None, None)] * (self.unknowns - 1)]
        found = linprog(cost, A_ub=np.vstack(rows), b_ub=limits, bounds=bounds, method="highs")
        if found.status == INFEASIBLE:
            return None
        if found.status != 0:  # free registers of readings left out at an exchange have no bound
            return float("nan")
        return float(found.fun)

    def fits(self, *, left_out: Sequence[int] = ()) -> bool:
        """Whether any ratio fits the readings kept."""
        return self.minimum(np.zeros(self.unknowns), left_out=left_out) is not None

    def ratio_bounds(self, *, left_out: Sequence[int] = ()) -> tuple[float, float] | None:
        """Least and greatest ratio that the readings kept allow."""
        cost = np.eye(self.unknowns)[0]
        low = self.minimum(cost, left_out=left_out)
        high = self.minimum(-cost, left_out=left_out)
        return None if low is None or high is None else (low, -high)

    def register_bounds(self, reading: int, *, left_out: Sequence[int]) -> tuple[float, float]:
        """Least and greatest true register at a reading [kWh], by the readings kept."""
        cost = self.registers()[reading]
        ends = []
        for sign in (1.0, -1.0):
            found = self.minimum(sign * cost, left_out=left_out)
            ends.append(float("nan") if found is None else sign * found + float(self.low_kwh[0]))
        return ends[0], ends[1]

    def smallest_sets(self) -> list[tuple[int, ...]]:
        """All sets of the least number of readings without which a ratio fits."""
        tried = 0
        for size in range(1, min(MOST_DOUBTED, self.n - 2) + 1):
            found: list[tuple[int, ...]] = []
            for left_out in combinations(range(self.n), size):
                tried += 1
                if tried > MOST_SETS:
                    return found
                if self.fits(left_out=left_out):
                    found.append(left_out)
            if found:
                return found
        return []
