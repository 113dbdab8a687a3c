"""When the compressor of a heat pump runs, told from its plateaus."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.cycles import Cycles
from homeenergy.cycles.plateaus import Plateaus

# A halt of a defrost is shorter than a rest (common practice: a compressor waits some minutes
# before it starts again; no source).
LONGEST_HALT_S = 240.0
LEAST_W = 1.0
# Mean power at work is at least so many times that at rest. Own rule.
LEAST_RATIO = 3.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Compressor:
    """Stretches in which the compressor stands, as samples [first, stop) of `plateaus`.

    Attributes
    ----------
    plateaus : Plateaus
    on_w : float
        Power above which it runs [W].
    running : ndarray of bool
        Whether it runs, one entry a plateau.
    first, stop : ndarrays of int
        Stretches in which it stands, halts of defrosts among them; holes part them.
    """

    plateaus: Plateaus
    on_w: float
    running: NDArray[np.bool_]
    first: NDArray[np.int64]
    stop: NDArray[np.int64]

    @property
    def stands_s(self) -> NDArray[np.float64]:
        """Length of each stretch in which it stands [s]."""
        return np.asarray((self.stop - self.first) * self.plateaus.period_s, dtype=np.float64)

    @property
    def running_share(self) -> float:
        """Share of the time in which it runs."""
        n = self.plateaus.n
        return float(n[self.running].sum() / n.sum())

    def starts(self) -> pd.DatetimeIndex:
        """Instants at which it starts after standing for longer than a halt of a defrost."""
        # The log's end, or a hole, is no start.
        followed = np.isin(self.stop, self.plateaus.first[self.running])
        return self.plateaus.instants(self.stop[(self.stands_s > LONGEST_HALT_S) & followed])

    def settled_share(self, *, after_s: float) -> NDArray[np.float64]:
        """Share of each plateau that lies `after_s` or more past the last standstill or hole."""
        p = self.plateaus
        begins = np.union1d(self.stop, p.first[np.r_[True, p.hole_follows]])
        latest = begins[np.searchsorted(begins, p.first, side="right") - 1]
        from_n = np.maximum(p.first, latest + int(np.ceil(after_s / p.period_s)))
        kept_n = np.maximum(p.stop - from_n, 0)
        return np.asarray(self.running * kept_n / (p.stop - p.first), dtype=np.float64)


def compressor(cycles: Cycles) -> Compressor:
    """When the compressor runs.

    Notes
    -----
    Work and rest are parted where the variance of the logarithm of power between the two groups is
    greatest (Otsu 1979, IEEE Trans. Syst. Man Cybern. 9, 62-66, from memory), weighted by time;
    where the groups are too near each other for that, at the level from which `cycles` counts a
    run.
    """
    p = cycles.plateaus
    on_w = _parting_w(p)
    if on_w is None:
        on_w = float(cycles.settings["on_w"])
    running = p.mean_w >= on_w
    hole = np.r_[True, p.hole_follows]
    begins = ~running & (np.r_[True, running[:-1]] | hole)
    ends = ~running & np.r_[running[1:] | p.hole_follows, True]
    return Compressor(
        plateaus=p, on_w=on_w, running=running, first=p.first[begins], stop=p.stop[ends]
    )


def _parting_w(p: Plateaus) -> float | None:
    order = np.argsort(p.mean_w)
    logs = np.log(np.maximum(p.mean_w[order], LEAST_W))
    weight = np.cumsum(p.n[order].astype(np.float64))
    total = np.cumsum(p.n[order] * logs)
    if logs.size < 2:
        return None
    left = total[:-1] / weight[:-1]
    right = (total[-1] - total[:-1]) / (weight[-1] - weight[:-1])
    between = weight[:-1] * (weight[-1] - weight[:-1]) * (right - left) ** 2
    at = int(np.argmax(between))
    if right[at] - left[at] < np.log(LEAST_RATIO):
        return None
    # Half way, in logarithms, between the two groups.
    return float(np.exp((left[at] + right[at]) / 2))
