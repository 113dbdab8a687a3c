"""Thermostats: how often and how long a compressor or element that cycles by itself is on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.cycles.runs.find import Cycles
from homeenergy.house.kinds import KINDS
from homeenergy.stats.estimate import Estimate, mean_estimate
from homeenergy.units import NS_PER_S, S_PER_DAY, S_PER_H

# A defrost heater draws at least this many times what the compressor does, or lasts as a run whose
# power is out of the family of the others. Common practice, no source.
DEFROST_RATIO = 1.6
LEAST_COVERAGE = 0.9
# A silence is a pause of so many times the one that nine of ten do not reach, and of six hours at
# least; how long pauses are is known from so many. Own rule.
SILENCE_RATIO, LEAST_SILENCE_H, LEAST_PAUSES = 4.0, 6.0, 10


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ThermostatStatistics:
    """Statistics of runs that nobody starts.

    Each Estimate is a mean with Student's t interval; `spread` holds the 10 %, 50 % and 90 % points
    of the single runs, because on-times of one day can differ many times over (a warm load, a door
    left open).
    """

    cycles_per_day: Estimate
    on_time_s: Estimate
    off_time_s: Estimate
    duty_cycle: Estimate
    on_power_w: Estimate
    defrosts_per_day: Estimate
    defrost_kwh: Estimate
    spread: pd.DataFrame

    def to_frame(self) -> pd.DataFrame:
        """One row a quantity: value, low, high, unit, n and the spread of single runs."""
        names = [n for n in self.__slots__ if n != "spread"]
        rows = pd.concat([getattr(self, name).to_frame() for name in names], keys=names)
        rows = rows.droplevel(1)[["value", "low", "high", "unit", "n"]]
        return rows.join(self.spread)


def thermostat_statistics(cycles: Cycles) -> ThermostatStatistics:
    """Cycles per day, on and off times, duty cycle, on-power and defrosts, each with its spread.

    Parameters
    ----------
    cycles : Cycles
        From `find_cycles`; runs that were not seen whole are left out of times and powers.

    Returns
    -------
    ThermostatStatistics
        Per-day figures are means over UTC days covered for at least nine tenths.

    Raises
    ------
    ValueError
        With fewer than three complete runs: there is no spread to report.

    Notes
    -----
    An off-time counts only between two complete runs with no missing time between them. A defrost
    is a run, or a phase of one, at `DEFROST_RATIO` times the usual level or more, for a minute at
    least, in a minority of the runs; an inrush is too short to be one.
    """
    whole = cycles.complete
    if len(whole) < 3:
        raise ValueError(
            f"{cycles.label!r} has {len(whole)} complete runs; statistics of a thermostat need 3. "
            "Take a longer log, or look at the runs one by one."
        )
    defrost, defrost_wh = _defrosts(cycles)
    plain = whole[~defrost[cycles.table["complete"].to_numpy()]]
    off_s = _off_times_s(cycles)
    daily = _by_day(cycles, defrost)
    on_s = plain["duration_s"].to_numpy()
    power_w = plain["mean_w"].to_numpy()
    return ThermostatStatistics(
        cycles_per_day=mean_estimate(daily["runs"], unit="1/d", basis="complete days"),
        on_time_s=mean_estimate(on_s, unit="s", basis="complete runs without defrost"),
        off_time_s=mean_estimate(off_s, unit="s", basis="between complete runs"),
        duty_cycle=mean_estimate(daily["duty"], unit="", basis="complete days"),
        on_power_w=mean_estimate(power_w, unit="W", basis="complete runs without defrost"),
        defrosts_per_day=mean_estimate(daily["defrosts"], unit="1/d", basis="complete days"),
        defrost_kwh=mean_estimate(defrost_wh / 1000, unit="kWh", basis="energy of defrosts"),
        spread=pd.DataFrame(
            {
                name: _points(values)
                for name, values in {
                    "cycles_per_day": daily["runs"],
                    "on_time_s": on_s,
                    "off_time_s": off_s,
                    "duty_cycle": daily["duty"],
                    "on_power_w": power_w,
                    "defrosts_per_day": daily["defrosts"],
                    "defrost_kwh": defrost_wh / 1000,
                }.items()
            },
            index=["p10", "p50", "p90"],
        ).T,
    )


def silences(cycles: Cycles) -> tuple[list[tuple[int, int]], float]:
    """Pauses far longer than usual, of what goes on and off by itself.

    Returns
    -------
    spans : list of (int, int)
        Samples [a, b) without a run, from the start or up to the end of the log too. At least
        `LEAST_COVERAGE` of each has readings, and none of it is known to be without power.
    usual_h : float
        What nine of ten pauses do not reach [h].
    """
    p = cycles.plateaus
    off_s = _off_times_s(cycles)
    if not KINDS[cycles.kind].bridging.by_itself or off_s.size < LEAST_PAUSES:
        return [], float("nan")
    usual_h = float(np.quantile(off_s, 0.9)) / S_PER_H
    least = max(LEAST_SILENCE_H, SILENCE_RATIO * usual_h) * S_PER_H / p.period_s
    a = np.r_[p.first[0], p.numbers(cycles.table["end"])]
    b = np.r_[p.numbers(cycles.table["start"]), p.stop[-1]]
    there = np.r_[0, np.cumsum(p.n)]
    seen = there[np.searchsorted(p.first, b)] - there[np.searchsorted(p.first, a)]
    long = (b - a >= least) & (seen >= LEAST_COVERAGE * (b - a))
    spans = [(int(first), int(stop)) for first, stop in zip(a[long], b[long], strict=True)]
    off = cycles.rest.off
    return [
        (a, b) for a, b in spans if not any(a < end and start < b for start, end in off)
    ], usual_h


def _points(values: NDArray[np.float64]) -> NDArray[np.float64]:
    values = np.asarray(values, np.float64)
    return np.quantile(values, [0.1, 0.5, 0.9]) if values.size else np.full(3, np.nan)


def _runs_of_plateaus(cycles: Cycles) -> NDArray[np.int64]:
    """Number of the run that each plateau lies in; -1 outside runs."""
    p = cycles.plateaus
    first, stop = p.numbers(cycles.table["start"]), p.numbers(cycles.table["end"])
    run = np.searchsorted(first, p.first, side="right") - 1
    inside = (run >= 0) & (p.stop <= stop[np.maximum(run, 0)])
    return np.where(inside, run, -1)


def _defrosts(cycles: Cycles) -> tuple[NDArray[np.bool_], NDArray[np.float64]]:
    """Which runs hold a defrost, and the energy of each defrost [Wh]."""
    p = cycles.plateaus
    run = _runs_of_plateaus(cycles)
    usual = np.median(cycles.table["mean_w"])
    high = (run >= 0) & (p.mean_w > DEFROST_RATIO * usual) & (p.n * p.period_s >= 30)
    runs = len(cycles.table)
    energy: NDArray[np.float64] = np.bincount(
        run[high], weights=p.sum_w[high] * p.period_s / S_PER_H, minlength=runs
    ).astype(np.float64)
    held_s = np.bincount(run[high], weights=p.n[high] * p.period_s, minlength=runs)
    defrost = held_s >= 60
    if defrost.mean() > 0.5:
        defrost[:] = False
    return defrost, energy[defrost]


def _off_times_s(cycles: Cycles) -> NDArray[np.float64]:
    t, p = cycles.table, cycles.plateaus
    whole = t["complete"].to_numpy()
    ends, starts = p.numbers(t["end"])[:-1], p.numbers(t["start"])[1:]
    holes = np.r_[0, np.cumsum(p.hole_follows)]
    seen = holes[np.searchsorted(p.first, starts)] == holes[np.searchsorted(p.stop, ends)]
    return ((starts - ends) * p.period_s)[whole[1:] & whole[:-1] & seen]


def _by_day(cycles: Cycles, defrost: NDArray[np.bool_]) -> dict[str, NDArray[np.floating]]:
    """Runs begun, share of time on and defrosts of every UTC day that is nearly covered."""
    p = cycles.plateaus
    begin_s = p.start.value / NS_PER_S
    edges_s = begin_s + np.c_[p.first, p.stop].ravel() * p.period_s
    midnights = np.arange(edges_s[0] // S_PER_DAY, edges_s[-1] // S_PER_DAY + 2) * S_PER_DAY
    there_s = p.n * p.period_s

    def per_day(seconds: NDArray[np.floating]) -> NDArray[np.floating]:
        upto = np.cumsum(np.c_[np.zeros(len(p)), seconds].ravel())
        return np.diff(np.interp(midnights, edges_s, upto))

    covered_s = per_day(there_s)
    on_s = per_day(np.where(_runs_of_plateaus(cycles) >= 0, there_s, 0.0))
    starts_s = begin_s + p.numbers(cycles.table["start"]) * p.period_s
    runs, _ = np.histogram(starts_s, midnights)
    defrosts, _ = np.histogram(starts_s[defrost], midnights)
    full = covered_s >= LEAST_COVERAGE * S_PER_DAY
    days = covered_s[full] / S_PER_DAY
    return {
        "runs": runs[full] / days,
        "duty": on_s[full] / covered_s[full],
        "defrosts": defrosts[full] / days,
    }
