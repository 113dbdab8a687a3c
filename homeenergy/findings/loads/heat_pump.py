"""How a heat pump works: at what power, how often it starts and defrosts, what it takes at rest."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import tzinfo

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.cycles import Cycles
from homeenergy.cycles.segment.kernels import weighted_quantile
from homeenergy.cycles.segment.plateaus import Plateaus
from homeenergy.errors import HouseError
from homeenergy.findings.appliance.record import estimate_text, percent_text
from homeenergy.findings.days import LEAST_COVERAGE, daily_energy
from homeenergy.house.kinds import KINDS
from homeenergy.readings.trace import Trace, sure_trace
from homeenergy.stats.estimate import Estimate, measured
from homeenergy.stats.means import mean_of_days
from homeenergy.units import NS_PER_S, S_PER_DAY, S_PER_H, WH_PER_KWH

# A halt of a defrost is shorter than a rest (common practice: a compressor waits some minutes
# before it starts again; no source).
LONGEST_HALT_S = 240.0
LEAST_W = 1.0
# Mean power at work is at least so many times that at rest. Own rule.
LEAST_RATIO = 3.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Compressor:
    """Stretches in which the compressor is stopped, as samples [first, stop) of `plateaus`.

    Attributes
    ----------
    plateaus : Plateaus
    on_w : float
        Power above which it runs [W].
    running : ndarray of bool
        Whether it runs, one entry a plateau.
    first, stop : ndarrays of int
        Stretches in which it is stopped, pauses of defrosts among them; gaps separate them.
    """

    plateaus: Plateaus
    on_w: float
    running: NDArray[np.bool_]
    first: NDArray[np.int64]
    stop: NDArray[np.int64]

    @property
    def stands_s(self) -> NDArray[np.float64]:
        """Length of each stretch in which it is stopped [s]."""
        return np.asarray((self.stop - self.first) * self.plateaus.period_s, dtype=np.float64)

    @property
    def running_share(self) -> float:
        """Share of the time in which it runs."""
        n = self.plateaus.n
        return float(n[self.running].sum() / n.sum())

    def starts(self) -> pd.DatetimeIndex:
        """Instants at which it starts after standing for longer than a halt of a defrost."""
        # The log's end, or a gap, is no start.
        followed = np.isin(self.stop, self.plateaus.first[self.running])
        return self.plateaus.instants(self.stop[(self.stands_s > LONGEST_HALT_S) & followed])

    def settled_share(self, *, after_s: float) -> NDArray[np.float64]:
        """Share of each plateau that lies `after_s` or more past the last standstill or gap."""
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
    greatest (Otsu 1979; the logarithm, and weights by time, are own); where the groups are too near
    each other for that, at the level from which `cycles` counts a run.
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


LEAST_STEP_W = 10.0  # a smaller heater cannot be distinguished from electronics. Own rule.
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


# Seconds that each part takes (common practice, no source).
SHORTEST_HALT_S, WORK_S = 8.0, (60.0, 900.0)
COARSEST_S = 10.0  # readings further apart do not see a halt of half a minute


def defrosts(machine: Compressor) -> pd.DataFrame | None:
    """Defrosts of a heat pump.

    Parameters
    ----------
    machine : Compressor

    Returns
    -------
    pandas.DataFrame or None
        One row a defrost: start (of the first halt), end (of the second), energy_wh (of the work
        between). None where the sampling interval is too long to see a pause.

    Notes
    -----
    Own rule: two halts of 8 s to 4 min with 1 to 15 min of work between them.
    """
    p = machine.plateaus
    if p.period_s > COARSEST_S:
        return None
    fits = (machine.stands_s >= SHORTEST_HALT_S) & (machine.stands_s <= LONGEST_HALT_S)
    first, stop = machine.first[fits], machine.stop[fits]
    sums_w = np.r_[0.0, np.cumsum(p.sum_w)]
    rows = []
    at = 0
    while at + 1 < first.size:
        work_s = (first[at + 1] - stop[at]) * p.period_s
        if WORK_S[0] <= work_s <= WORK_S[1]:
            a, b = np.searchsorted(p.first, [stop[at], first[at + 1]])
            rows.append((first[at], stop[at + 1], (sums_w[b] - sums_w[a]) * p.period_s / S_PER_H))
            at += 1
        at += 1
    begin, end, energy_wh = (
        (np.array(column) for column in zip(*rows, strict=True))
        if rows
        else (np.empty(0, np.int64), np.empty(0, np.int64), np.empty(0))
    )
    return pd.DataFrame(
        {"start": p.instants(begin), "end": p.instants(end), "energy_wh": energy_wh}
    )


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
        start, end, energy_wh of each; None where the sampling interval is too long to see them.
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
    trace = sure_trace(trace)
    machine = compressor(cycles)
    if not machine.running.any():
        raise HouseError(
            "the compressor never runs in these readings",
            fix="Take days on which it heats or cools, or check what the clamp is on.",
        )
    found = defrosts(machine)
    power_w, hours = _running(machine, defrosts=found)
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


def _running(machine: Compressor, *, defrosts: pd.DataFrame | None) -> tuple[Array, Array]:
    """Power [W] and length [h] of the plateaus at work, without starts and defrosts.

    Where that leaves nothing, since all runs are shorter, starts count.
    """
    p = machine.plateaus
    share = machine.settled_share(after_s=SETTLED_S)
    if defrosts is not None and len(defrosts):
        begin, end = p.numbers(defrosts["start"]), p.numbers(defrosts["end"])
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
        return measured(float("nan"), unit="", n=0, basis="no whole day"), 0
    hours = daily["covered_h"].to_numpy(np.float64)[whole]
    mean = mean_of_days(counts[whole] / hours * S_PER_DAY / S_PER_H, unit="")
    return mean.within(least=0.0), int(whole.sum())


def _remarks(use: HeatPumpUse, cycles: Cycles, outdoor: pd.Series | None) -> list[str]:
    remarks = []
    if not KINDS[cycles.kind].varying:
        remarks.append(f"It is treated as {cycles.kind}, not modulating.")
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
        remarks.append("The sampling interval is too long to see defrosts.")
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
