"""The result of splitting a trace into runs."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.cycles.decisions import Decision
from homeenergy.cycles.rest import Standby
from homeenergy.cycles.runs.power_off import without_power
from homeenergy.cycles.segment.plateaus import Plateaus
from homeenergy.stats.estimate import Estimate
from homeenergy.units import S_PER_H
from homeenergy.words import in_words

# A run that lacks more of its samples is not complete: its energy is too low.
MOST_MISSING = 0.02


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ByHand:
    """What a person decided about the runs of a circuit.

    `applied` are the decisions that took effect, `unmatched` those that fit no run (any more).
    """

    applied: tuple[Decision, ...] = ()
    unmatched: tuple[Decision, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Cycles:
    """The runs of one circuit.

    Attributes
    ----------
    table : pandas.DataFrame
        One row a run: start, end (UTC, half-open), duration_s, energy_wh, above_standby_wh, mean_w,
        peak_w, missing_s, complete, sure. `complete` is False where the data begin or end, or a
        long gap falls, inside the run. `sure` (0 to 1) is how likely it begins and ends there, as
        far as its breaks tell: 1 where none was in doubt, or a person decided. A column `label`
        follows where a person has relabelled a run; it is empty for the others.
    standby : Estimate
        Draw between runs [W].
    rest : Standby
        The same with its levels, stability and resolution.
    settings : dict
        Every threshold used; each can be given to `find_cycles` instead.
    kind, kind_sure : str, float
        How the appliance behaves, and how often such an answer is right (0 to 1; 1 where it was
        given).
    total_wh, idle_wh : float
        Energy of the trace, and of its standby level over the time outside runs [Wh].
    by_hand : ByHand
        What a person decided about these runs; empty as `find_cycles` gives it.
    """

    table: pd.DataFrame
    standby: Estimate
    rest: Standby
    settings: dict[str, Any]
    kind: str
    kind_sure: float
    label: str
    total_wh: float
    covered_s: float
    idle_wh: float
    plateaus: Plateaus
    by_hand: ByHand = ByHand()

    @property
    def runs_wh(self) -> float:
        """Energy of all runs, complete or not [Wh]."""
        return float(self.table["energy_wh"].sum())

    @property
    def other_wh(self) -> float:
        """Energy that is neither in a run nor at the standby level [Wh]."""
        return self.total_wh - self.runs_wh - self.idle_wh

    @property
    def complete(self) -> pd.DataFrame:
        """The runs that were seen whole."""
        return self.table[self.table["complete"]]

    def phases(self, run: int) -> pd.DataFrame:
        """Plateaus inside run number `run` (row of `table`): heating, washing, spinning, pauses."""
        row = self.table.iloc[[run]]
        first, stop = self.plateaus.numbers(row["start"])[0], self.plateaus.numbers(row["end"])[0]
        inside = (self.plateaus.first >= first) & (self.plateaus.stop <= stop)
        return self.plateaus.to_frame()[inside].reset_index(drop=True)

    def to_frame(self) -> pd.DataFrame:
        """A copy of `table`."""
        return self.table.copy()

    def __repr__(self) -> str:
        return (
            f"Cycles({self.label!r}, {self.kind}, {len(self.table)} runs, "
            f"{self.runs_wh / 1000:.3f} of {self.total_wh / 1000:.3f} kWh, standby {self.standby})"
        )

    def _repr_html_(self) -> str:
        return in_words(self.table).to_html()


def make_cycles(
    plateaus: Plateaus,
    first: NDArray[np.int64],
    stop: NDArray[np.int64],
    *,
    sure: NDArray[np.float64],
    rest: Standby,
    settings: dict[str, Any],
    kind: str,
    kind_sure: float,
    label: str,
) -> Cycles:
    """Cycles of the runs [first, stop) of samples."""
    base_w = rest.measured_w if np.isfinite(rest.measured_w) else 0.0
    table = _run_table(plateaus, first, stop, base_w, settings["longest_pause_s"]).assign(sure=sure)
    covered_s = float(plateaus.n.sum()) * plateaus.period_s
    away_s = covered_s - float((table["duration_s"] - table["missing_s"]).sum())
    away_s -= rest.off_h * S_PER_H
    return Cycles(
        table=table,
        standby=rest.draw_w,
        rest=rest,
        settings=settings,
        kind=kind,
        kind_sure=kind_sure,
        label=label,
        total_wh=float(plateaus.sum_w.sum()) * plateaus.period_s / S_PER_H,
        covered_s=covered_s,
        idle_wh=base_w * away_s / S_PER_H,
        plateaus=plateaus,
    )


def _run_table(
    plateaus: Plateaus,
    first: NDArray[np.int64],
    stop: NDArray[np.int64],
    base_w: float,
    pause_s: float,
) -> pd.DataFrame:
    """The runs [first, stop) of samples as a table.

    A run that begins within the longest pause of a run (`pause_s`) after the data begin, or after a
    gap, may have begun before and is not complete; nor is one that ends so, or lacks samples.
    """
    a = np.searchsorted(plateaus.first, first)
    b = np.searchsorted(plateaus.stop, stop) + 1
    upto_w = np.r_[0.0, np.cumsum(plateaus.sum_w)]
    upto_n = np.r_[0, np.cumsum(plateaus.n)]
    n = upto_n[b] - upto_n[a]
    period_s = plateaus.period_s
    energy_wh = (upto_w[b] - upto_w[a]) * period_s / S_PER_H
    off = without_power(plateaus)
    hole = plateaus.hole_follows | (off[1:] != off[:-1])
    begins = plateaus.first[np.r_[True, hole]] if len(plateaus) else first
    ends = plateaus.stop[np.r_[hole, True]] if len(plateaus) else stop
    after_n = first - begins[np.searchsorted(begins, first, side="right") - 1]
    before_n = ends[np.searchsorted(ends, stop)] - stop
    holes = np.r_[0, np.cumsum(hole)]
    near_n = pause_s / period_s
    missing_n = stop - first - n
    cut = (after_n <= near_n) | (before_n <= near_n) | (holes[b - 1] > holes[a])
    cut |= missing_n > MOST_MISSING * (stop - first)
    spans = np.c_[a, b].ravel()
    peak_w = np.maximum.reduceat(np.r_[plateaus.greatest_w, -np.inf], spans)[::2]
    return pd.DataFrame(
        {
            "start": plateaus.instants(first),
            "end": plateaus.instants(stop),
            "duration_s": (stop - first) * period_s,
            "energy_wh": energy_wh,
            "above_standby_wh": energy_wh - base_w * n * period_s / S_PER_H,
            "mean_w": energy_wh / np.maximum(n * period_s, 1e-12) * S_PER_H,
            "peak_w": peak_w,
            "missing_s": missing_n * period_s,
            "complete": ~cut,
        }
    )


def turned_round(cycles: Cycles) -> Cycles:
    """The cycles of a trace whose sign was turned for the search, with their own sign again."""
    table = cycles.table.copy()
    for name in ("energy_wh", "above_standby_wh", "mean_w", "peak_w"):
        table[name] = -table[name]
    s = cycles.rest
    draw_w = s.draw_w
    if draw_w.resolved:
        draw_w = draw_w - 2 * draw_w.value  # an offset of the clamp keeps its sign
    rest = replace(
        s,
        draw_w=draw_w,
        levels=tuple((-level, share) for level, share in s.levels),
        measured_w=-s.measured_w,
        slope_w_per_h=-s.slope_w_per_h,
    )
    levels = {name: -cycles.settings[name] for name in ("idle_w", "on_w", "low_w")}
    return replace(
        cycles,
        table=table,
        standby=draw_w,
        rest=rest,
        settings=cycles.settings | levels,
        total_wh=-cycles.total_wh,
        idle_wh=-cycles.idle_wh,
        plateaus=cycles.plateaus.turned(),
    )
