"""The heater of a compressor's oil: a draw at rest that comes and goes with the cold."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.cycles.weighted import weighted_quantile
from homeenergy.findings.compressor import LONGEST_HALT_S, Compressor
from homeenergy.units import S_PER_DAY, S_PER_H, WH_PER_KWH

LEAST_STEP_W = 10.0  # a heater of less is not told from electronics. Own rule.
EDGE_S = 120.0
LEAST_SHARE = 0.02  # of the time at rest, at either level


@dataclass(frozen=True, slots=True, kw_only=True)
class Crankcase:
    """Two levels of rest, as of a crankcase heater.

    Attributes
    ----------
    heater_w : float
        Between the lower and the upper level [W].
    share : float
        Share of the time at rest at the upper level.
    kwh_per_day : float
        What the heater takes in a mean day of the log [kWh].
    warm_c, cold_c : float
        Median outdoor temperature at the lower and at the upper level [deg C]; NaN if not known.
    """

    heater_w: float
    share: float
    kwh_per_day: float
    warm_c: float
    cold_c: float

    @property
    def with_cold(self) -> bool | None:
        """Whether it is on when it is colder; None without temperatures."""
        if not np.isfinite([self.warm_c, self.cold_c]).all():
            return None
        return self.cold_c < self.warm_c

    @property
    def sentence(self) -> str:
        """What it is and takes, in words."""
        what = (
            f"a further {self.heater_w:.0f} W come on for {self.share:.0%} of the rest "
            f"({self.kwh_per_day:.2f} kWh a day)"
        )
        if self.with_cold:
            return (
                f"While it is cold (median {self.cold_c:.0f} against {self.warm_c:.0f} deg C) "
                f"{what}: very likely the crankcase heater."
            )
        known = self.with_cold is not None
        why = "not with the cold" if known else "whether with the cold is not known"
        return f"At rest {what}, {why}: perhaps a crankcase heater or a pump."


def crankcase_heater(machine: Compressor, *, outdoor: pd.Series | None = None) -> Crankcase | None:
    """Two levels at rest that differ by more than 10 W; None if there are none.

    Own rule: the plateaus at rest, without its first and last two minutes, in which the machine
    slows down and starts, are parted where the gap between their sorted levels is widest; both
    sides must hold some of the time.
    """
    p = machine.plateaus
    edge_n = int(np.ceil(EDGE_S / p.period_s))
    long = machine.stands_s > LONGEST_HALT_S
    begin, end = machine.first[long] + edge_n, machine.stop[long] - edge_n
    if not begin.size:
        return None
    rest = np.maximum(np.searchsorted(machine.first[long], p.first, side="right") - 1, 0)
    within_n = np.minimum(p.stop, end[rest]) - np.maximum(p.first, begin[rest])
    rests = ~machine.running & (within_n > 0)
    level_w, time = p.mean_w[rests], within_n[rests].astype(np.float64)
    if level_w.size < 2:
        return None
    order = np.argsort(level_w)
    sorted_w, sorted_time = level_w[order], time[order]
    upto = np.cumsum(sorted_time) / sorted_time.sum()
    fits = (upto[:-1] >= LEAST_SHARE) & (upto[:-1] <= 1 - LEAST_SHARE)
    gaps_w = np.where(fits, np.diff(sorted_w), 0.0)
    at = int(np.argmax(gaps_w))
    upper = level_w > (sorted_w[at] + sorted_w[at + 1]) / 2
    low_w = float(np.average(level_w[~upper], weights=time[~upper]))
    high_w = float(np.average(level_w[upper], weights=time[upper])) if upper.any() else low_w
    if gaps_w[at] <= 0 or high_w - low_w < LEAST_STEP_W:
        return None
    hours = float(time[upper].sum()) * p.period_s / S_PER_H
    per_day_h = hours / (p.n.sum() * p.period_s) * S_PER_DAY
    middle = p.instants((p.first[rests] + p.stop[rests]) // 2)
    warm_c, cold_c = _medians(middle, upper, time, outdoor)
    return Crankcase(
        heater_w=high_w - low_w,
        share=float(time[upper].sum() / time.sum()),
        kwh_per_day=(high_w - low_w) * per_day_h / WH_PER_KWH,
        warm_c=warm_c,
        cold_c=cold_c,
    )


def _medians(
    middle: pd.DatetimeIndex,
    upper: NDArray[np.bool_],
    time: NDArray[np.float64],
    outdoor: pd.Series | None,
) -> tuple[float, float]:
    if outdoor is None or not len(outdoor):
        return float("nan"), float("nan")
    known = pd.DatetimeIndex(outdoor.index).as_unit("ns").asi8
    celsius = np.interp(middle.as_unit("ns").asi8, known, outdoor.to_numpy(np.float64))
    sides = (~upper, upper)
    warm, cold = (float(weighted_quantile(celsius[s], time[s], 0.5 * time[s].sum())) for s in sides)
    return warm, cold
