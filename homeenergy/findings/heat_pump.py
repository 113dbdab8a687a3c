"""How a heat pump works: at what power, how often it starts and defrosts, what it takes at rest."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import tzinfo

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.cycles import Cycles
from homeenergy.cycles.weighted import weighted_quantile
from homeenergy.errors import HouseError
from homeenergy.estimate import Estimate
from homeenergy.findings.compressor import Compressor, compressor
from homeenergy.findings.crankcase import Crankcase, crankcase_heater
from homeenergy.findings.daily import LEAST_COVERAGE, daily_energy
from homeenergy.findings.defrosts import defrosts
from homeenergy.findings.means import mean_of_days
from homeenergy.findings.wording import estimate_text, percent_text
from homeenergy.house.kinds import KINDS
from homeenergy.readings.trace import Trace, as_trace
from homeenergy.units import NS_PER_S, S_PER_DAY, S_PER_H, WH_PER_KWH

Array = NDArray[np.float64]
PART_LOAD = 0.9  # of the full power: below it the machine runs at part load. Own rule.
TENTHS = 10
SETTLED_S = 180.0  # of a run, in which a compressor comes up to speed
# A machine whose least power is a larger share of its full power hardly modulates. Own rule.
HARDLY = 0.8
OFTEN_STARTS = 24.0
WARM_FOR_DEFROST_C, WARM_SHARE = 8.0, 0.1


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HeatPumpUse:
    """How a heat pump worked.

    Attributes
    ----------
    days : int
        Whole days behind the figures per day.
    full_w, full_given : float, bool
        Full power [W], and whether it was given; else it is the most that was held in this log.
    least_w : float
        Least power at which the compressor runs for long [W].
    running_share : float
        Share of the time in which the compressor runs.
    part_load_share : float
        Share of the running time below 90 % of full power.
    load : pandas.DataFrame
        Ten rows, tenths of full power: from_w, to_w, hours, time_share, kwh, energy_share. Of the
        running time; what exceeds full power is in the last.
    starts_per_day, run_hours : Estimate, float
        Starts of the compressor a day, and the median length of a run seen whole [h].
    defrosts : pandas.DataFrame or None
        start, end, energy_wh of each; None where readings are too far apart to see them.
    defrost_share : float
        Share of the energy that they take.
    standby_w : Estimate
        Draw while the compressor rests [W].
    crankcase : Crankcase or None
        Draw at rest that comes and goes, by the heater of the compressor's oil; None if not seen.
    remarks : tuple of str
        What a reader must know.
    """

    days: int
    full_w: float
    full_given: bool
    least_w: float
    running_share: float
    part_load_share: float
    load: pd.DataFrame
    starts_per_day: Estimate
    run_hours: float
    defrosts: pd.DataFrame | None
    defrost_share: float
    standby_w: Estimate
    crankcase: Crankcase | None
    remarks: tuple[str, ...]

    @property
    def sentence(self) -> str:
        """The answer in words."""
        full = "full power" if self.full_given else "the most it held in this log"
        text = (
            f"The compressor runs {percent_text(self.running_share)} of the time, "
            f"{percent_text(self.part_load_share)} of that at part load (below {PART_LOAD:.0%} of "
            f"{full}, {self.full_w:,.0f} W), and starts {estimate_text(self.starts_per_day)} times "
            f"a day. At rest it takes {estimate_text(self.standby_w)}."
        )
        if self.crankcase is not None:
            text += f" {self.crankcase.sentence}"
        if self.defrosts is not None and len(self.defrosts):
            text += (
                f" {len(self.defrosts)} defrosts take {percent_text(self.defrost_share)} of the "
                "energy."
            )
        return text

    def to_frame(self) -> pd.DataFrame:
        """The distribution of power, one row a tenth of full power."""
        return self.load.copy()

    def to_markdown(self) -> str:
        """The answer, the distribution of power, and remarks."""
        rows = [
            f"| {low:,.0f}–{high:,.0f} | {percent_text(time)} | {percent_text(energy)} |"
            for low, high, time, energy in self.load[
                ["from_w", "to_w", "time_share", "energy_share"]
            ].itertuples(index=False)
        ]
        head = [self.sentence, "", "| W | of running time | of energy |", "|---|---:|---:|"]
        return "\n".join([*head, *rows, "", *self.remarks]).rstrip()


def heat_pump_use(
    trace: Trace | pd.Series,
    cycles: Cycles,
    *,
    timezone: tzinfo | str = "UTC",
    outdoor: pd.Series | None = None,
    full_w: float | None = None,
) -> HeatPumpUse:
    """How a heat pump, or another machine of variable speed, works.

    Parameters
    ----------
    trace : Trace or pandas.Series of watts
    cycles : Cycles
        From `find_cycles(trace, "modulating")`.
    timezone : zone or its name
        Decides when a day begins.
    outdoor : pandas.Series, optional
        Temperatures [deg C], as `read_outdoor` gives them, to tell by what a draw at rest comes and
        goes, and whether what looks like defrosts can be such.
    full_w : float, optional
        Power at full load [W], from the nameplate. Default: the most that was held in this log,
        which in mild weather is less.

    Returns
    -------
    HeatPumpUse

    Raises
    ------
    HouseError
        Where the compressor never runs.

    Notes
    -----
    A start follows a rest longer than the halt of a defrost, whether or not `cycles` bridges it.
    The distribution of power is that of the plateaus at work without defrosts and the first three
    minutes of each run, in which the compressor comes up to speed.
    """
    trace = as_trace(trace)
    machine = compressor(cycles)
    if not machine.running.any():
        raise HouseError(
            "the compressor never runs in these readings",
            fix="Take days on which it heats or cools, or check what the clamp is on.",
        )
    found = defrosts(machine)
    power_w, hours = _running(machine, apart=found)
    most_w = _level_w(power_w, hours, 0.99) if full_w is None else full_w
    starts, days = _starts_per_day(trace, machine.starts(), timezone)
    use = HeatPumpUse(
        days=days,
        full_w=most_w,
        full_given=full_w is not None,
        least_w=_level_w(power_w, hours, 0.05),
        running_share=machine.running_share,
        part_load_share=float(hours[power_w < PART_LOAD * most_w].sum() / hours.sum()),
        load=_load(power_w, hours, most_w),
        starts_per_day=starts,
        run_hours=float(cycles.complete["duration_s"].median()) / S_PER_H,
        defrosts=found,
        defrost_share=float("nan")
        if found is None
        else float(found["energy_wh"].sum()) / cycles.total_wh,
        standby_w=cycles.standby,
        crankcase=crankcase_heater(machine, outdoor=outdoor),
        remarks=(),
    )
    return replace(use, remarks=tuple(_remarks(use, cycles, outdoor)))


def _level_w(power_w: Array, hours: Array, share: float) -> float:
    """Power at or below which the machine runs for a share of its running time [W]."""
    return float(weighted_quantile(power_w, hours, share * float(hours.sum())))


def _running(machine: Compressor, *, apart: pd.DataFrame | None) -> tuple[Array, Array]:
    """Power [W] and length [h] of the plateaus at work, without starts and defrosts.

    Where that leaves nothing, since all runs are shorter, starts count.
    """
    p = machine.plateaus
    share = machine.settled_share(after_s=SETTLED_S)
    if apart is not None and len(apart):
        begin, end = p.numbers(apart["start"]), p.numbers(apart["end"])
        latest = np.searchsorted(begin, p.first, side="right") - 1
        share[(latest >= 0) & (p.first < end[np.maximum(latest, 0)])] = 0.0
    if not share.any():
        share = machine.running.astype(np.float64)
    kept = share > 0
    hours = share * p.n * p.period_s / S_PER_H
    return p.mean_w[kept], np.asarray(hours[kept], dtype=np.float64)


def _load(power_w: Array, hours: Array, full_w: float) -> pd.DataFrame:
    edges_w = np.linspace(0, full_w, TENTHS + 1)
    tenth = np.clip(np.searchsorted(edges_w, power_w, side="right") - 1, 0, TENTHS - 1)
    time_h = np.bincount(tenth, weights=hours, minlength=TENTHS)
    kwh = np.bincount(tenth, weights=hours * power_w, minlength=TENTHS) / WH_PER_KWH
    return pd.DataFrame(
        {
            "from_w": edges_w[:-1],
            "to_w": edges_w[1:],
            "hours": time_h,
            "time_share": time_h / time_h.sum(),
            "kwh": kwh,
            "energy_share": kwh / kwh.sum(),
        }
    )


def _starts_per_day(
    trace: Trace, starts: pd.DatetimeIndex, timezone: tzinfo | str
) -> tuple[Estimate, int]:
    """Starts that were seen, in each day that was measured nearly whole."""
    starts_ns = starts.as_unit("ns").asi8
    daily = daily_energy(trace, timezone=timezone)
    low_ns = pd.DatetimeIndex(daily["day"]).tz_convert("UTC").as_unit("ns").asi8
    high_ns = low_ns + (daily["day_h"] * S_PER_H * NS_PER_S).to_numpy().astype(np.int64)
    counts = np.searchsorted(starts_ns, high_ns) - np.searchsorted(starts_ns, low_ns)
    whole = (daily["covered_h"] >= LEAST_COVERAGE * daily["day_h"]).to_numpy()
    if not whole.any():
        nan = float("nan")
        none = Estimate(value=nan, low=nan, high=nan, unit="", n=0, basis="no whole day")
        return none, 0
    hours = daily["covered_h"].to_numpy(np.float64)[whole]
    mean = mean_of_days(counts[whole] / hours * S_PER_DAY / S_PER_H)
    return replace(mean, low=max(mean.low, 0.0), unit=""), int(whole.sum())


def _remarks(use: HeatPumpUse, cycles: Cycles, outdoor: pd.Series | None) -> list[str]:
    remarks = []
    if not KINDS[cycles.kind].varying:
        remarks.append(f"It is taken to be {cycles.kind}, not modulating.")
    if use.least_w > HARDLY * use.full_w:
        remarks.append("Its power hardly changes while it runs: a machine of one speed.")
    if not use.full_given:
        remarks.append(
            "Full power is the most that was held in this log; in mild weather the machine may "
            "not have needed all it has. State it from the nameplate (full_w)."
        )
    if use.starts_per_day.value > OFTEN_STARTS:
        remarks.append(
            "It starts more than once an hour, which costs efficiency and wear: its least power "
            "may be too much for what the house needs."
        )
    if use.defrosts is None:
        remarks.append("Readings are too far apart to see defrosts.")
    elif len(use.defrosts) and outdoor is not None:
        at = pd.DatetimeIndex(use.defrosts["start"]).as_unit("ns").asi8
        known = pd.DatetimeIndex(outdoor.index).as_unit("ns").asi8
        warm = np.interp(at, known, outdoor.to_numpy(np.float64)) > WARM_FOR_DEFROST_C
        if warm.mean() > WARM_SHARE:
            remarks.append(
                f"{warm.sum()} of {len(at)} came above {WARM_FOR_DEFROST_C:.0f} deg C outdoors, "
                "where little freezes: they may be halts of another kind."
            )
    return remarks
