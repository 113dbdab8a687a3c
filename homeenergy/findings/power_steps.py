"""Whether a load draws another power from some day on: a step, and no drift or habit."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import stdtr

from homeenergy.cycles.runs.result import Cycles
from homeenergy.cycles.segment.kernels import weighted_quantile
from homeenergy.house.zones import read_zone
from homeenergy.stats.estimate import Estimate
from homeenergy.stats.means import median_estimate

Array = NDArray[np.float64]
# So many values on each side, on as many days; nearly all of one side above nearly all of the
# other, by more than the voltage of a supply wanders; of which so much happens from one value to
# the next, compared by so many around the step, as a drift does not. Own choices.
LEAST_VALUES, LEAST_DAYS, SEPARATED, LEAST_STEP = 4, 2, 0.95, 0.08
AT_ONCE, AROUND = 0.7, 5
# Less is not worth a word: a watt is 9 kWh a year. Own choice.
LEAST_STANDBY_W = 1.0
# Greatest chance of a step: houses have dozens of loads, and neighbouring runs are not independent.
SURE = 1e-4
# Ratios of loads whose log was scaled agree so closely.
SAME_RATIO = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerStep:
    """The first run, or day at rest, at another power.

    Attributes
    ----------
    last, at : pandas.Timestamp
        End of the last run at the power before, and start of this one, in UTC; at rest, start of
        the first day.
    before, after : Estimate
        Median power on each side [W].
    """

    last: pd.Timestamp
    at: pd.Timestamp
    before: Estimate
    after: Estimate

    @property
    def ratio(self) -> float:
        """Power after by power before."""
        return self.after.value / self.before.value


def power_step(cycles: Cycles) -> PowerStep | None:
    """Find the step of the power at which a load works; None where there is none, or no telling.

    Parameters
    ----------
    cycles : Cycles

    Notes
    -----
    Own method. The power of a run is the one above rest at or above which half of its energy is
    spent, so that inrush, pauses and the samples at its ends do not count. Its logarithms are cut
    where a step has the greatest t statistic; its chance is that of Student's t (Welch), times the
    number of places. A step counts where runs of one side are above those of the other in 95 % of
    pairs (the statistic of Mann and Whitney 1947), and where the runs next to it step as well.
    O(runs^2).
    """
    runs = cycles.complete
    if len(runs) < 2 * LEAST_VALUES:
        return None
    watts = _working_w(cycles, runs)
    known = watts > 0
    runs, watts = runs[known], watts[known]
    cut = _step(np.log(watts), least=LEAST_STEP)
    if cut is None:
        return None
    days = runs["start"].dt.floor("D")
    if min(days.iloc[:cut].nunique(), days.iloc[cut:].nunique()) < LEAST_DAYS:
        return None
    return _found(runs["end"].iloc[cut - 1], runs["start"].iloc[cut], watts, cut, "median of runs")


def standby_step(cycles: Cycles, *, timezone: str) -> PowerStep | None:
    """Find the step of what a load draws at rest; None where there is none, or no telling.

    Parameters
    ----------
    cycles : Cycles
    timezone : str
        Of the house, whose days are compared.

    Notes
    -----
    As `power_step`, of the median power at rest of each day, in watts.
    """
    days, watts = _resting_w(cycles, timezone)
    if not len(days):
        return None
    cut = _step(watts, least=max(LEAST_STANDBY_W, LEAST_STEP * float(np.median(watts))))
    return None if cut is None else _found(days[cut], days[cut], watts, cut, "median of days")


def _found(last: pd.Timestamp, at: pd.Timestamp, watts: Array, cut: int, basis: str) -> PowerStep:
    before, after = (
        median_estimate(side, unit="W", basis=basis) for side in (watts[:cut], watts[cut:])
    )
    return PowerStep(last=last, at=at, before=before, after=after)


def scaled_together(one: PowerStep, other: PowerStep) -> bool:
    """Whether two loads step by about the same factor, and may do so at one instant."""
    at_once = max(one.last, other.last) <= min(one.at, other.at)
    return at_once and abs(np.log(one.ratio / other.ratio)) <= SAME_RATIO


def _working_w(cycles: Cycles, runs: pd.DataFrame) -> Array:
    """Power above rest at or above which half of the energy of each run is spent [W]."""
    plateaus = cycles.plateaus
    idle_w = cycles.rest.measured_w if np.isfinite(cycles.rest.measured_w) else 0.0
    low = np.searchsorted(plateaus.first, plateaus.numbers(runs["start"]))
    high = np.searchsorted(plateaus.first, plateaus.numbers(runs["end"]))
    above_w = np.abs(plateaus.mean_w - idle_w)  # a clamp on backwards reads below zero
    energy = above_w * plateaus.n
    out = np.full(len(runs), np.nan)
    for number, (a, b) in enumerate(zip(low, high, strict=True)):
        spent = energy[a:b].sum()
        if spent > 0:
            out[number] = weighted_quantile(above_w[a:b], energy[a:b], spent / 2)
    return out


def _resting_w(cycles: Cycles, timezone: str) -> tuple[pd.DatetimeIndex, Array]:
    """Days with some time outside runs, and the power that half of it is at or below [W]."""
    plateaus, rest = cycles.plateaus, cycles.rest
    at = plateaus.instants(np.array([plateaus.first[0], plateaus.stop[-1]]))
    start, end = at.tz_convert(read_zone(timezone))
    days = pd.date_range(start.normalize(), end, freq="D")
    midnights = plateaus.numbers(days.to_series())
    busy = [plateaus.numbers(cycles.table[edge]) for edge in ("start", "end")]
    busy = [np.append(one, [span[k] for span in rest.off]) for k, one in enumerate(busy)]
    # Of pieces between all borders: those of a plateau, and of no run.
    first = np.unique(np.concatenate([plateaus.first, plateaus.stop, midnights, *busy]))
    first, n = first[:-1], np.diff(first)
    plateau = np.searchsorted(plateaus.first, first, side="right") - 1
    begun, ended = (np.searchsorted(np.sort(one), first, side="right") for one in busy)
    resting = (plateau >= 0) & (first < plateaus.stop[plateau]) & (begun == ended)
    first, n, mean_w = first[resting], n[resting], plateaus.mean_w[plateau[resting]]
    edges = np.append(np.searchsorted(first, midnights), first.size)
    parts = [slice(a, b) for a, b in pairwise(edges)]
    watts = np.array([weighted_quantile(mean_w[k], n[k], n[k].sum() / 2) for k in parts])
    known = np.isfinite(watts)
    way = -1.0 if cycles.settings["on_w"] < 0 else 1.0  # a clamp on backwards works below zero
    return days[known], way * watts[known]


def _step(values: Array, *, least: float) -> int | None:
    """Number of the first value after a step; None where there is none that is sure."""
    found = _cut(values)
    if found is None:
        return None
    cut, chance = found
    before, after = values[:cut], values[cut:]
    step = float(np.median(after) - np.median(before))
    near = float(np.median(after[:AROUND]) - np.median(before[-AROUND:]))
    above = float((after[:, None] > before).mean())
    if chance > SURE or max(above, 1 - above) < SEPARATED:
        return None
    return cut if abs(step) >= least and near / step >= AT_ONCE else None


def _cut(values: Array) -> tuple[int, float] | None:
    """Where values step most surely, and the chance of it; None with too few of them."""
    n = values.size
    at = np.arange(LEAST_VALUES, n - LEAST_VALUES + 1)
    if not at.size:
        return None
    sums, squares = np.cumsum(values), np.cumsum(values**2)
    first, second = at, n - at
    mean = sums[at - 1] / first, (sums[-1] - sums[at - 1]) / second
    square = squares[at - 1] / first, (squares[-1] - squares[at - 1]) / second
    variance = [
        np.maximum(s - m**2, 1e-12) / (k - 1)
        for s, m, k in zip(square, mean, (first, second), strict=True)
    ]
    ratio = np.abs(mean[1] - mean[0]) / np.sqrt(variance[0] + variance[1])
    best = int(np.argmax(ratio))
    u, v = variance[0][best], variance[1][best]
    freedom = (u + v) ** 2 / (u**2 / (first[best] - 1) + v**2 / (second[best] - 1))
    return int(at[best]), float(min(1.0, 2 * stdtr(freedom, -ratio[best]) * at.size))
