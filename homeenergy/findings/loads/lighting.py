"""Lights and other loads that a person switches: for how long, at how many watts, and when."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.cycles.segment.plateaus import Plateaus
from homeenergy.errors import HouseError
from homeenergy.findings.appliance.record import (
    ApplianceFinding,
    clipped,
    estimate_text,
    interval_text,
    value_text,
)
from homeenergy.findings.days import LEAST_COVERAGE, between_edges, day_edges_ns, in_runs
from homeenergy.house.kinds import KINDS
from homeenergy.stats.estimate import Estimate, number_text
from homeenergy.stats.means import mean_of_days, ratio_of_days
from homeenergy.units import NS_PER_S, S_PER_DAY, S_PER_H, WH_PER_KWH

# Hours are counted in quarters: no zone is off UTC by less (common practice, no source).
QUARTER_NS = 900 * NS_PER_S
# Levels belong together within this share of their watts, or a step and a half of the readings. A
# level that holds less of the time is on its way between two. Own rule.
ALIKE_SHARE, LEAST_SHARE, LEAST_LINK_SHARE = 0.06, 0.01, 0.002

# A draw of this many bounds of the standby that lasts so long is a small lamp, or
# another small load, lit alone. Own rule.
ALONE_BOUNDS, LEAST_ALONE_S = 2.0, 60.0
# Levels that hold fewer samples than this, mostly, are mixed from on and off.
LEAST_LEVEL_N = 5
# Most of the time on within more hours than this is no time of day.
MOST_BUSY_H = 8


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HoursOfUse:
    """For how long something is on, at how many watts, and when.

    Attributes
    ----------
    finding : ApplianceFinding
        What it rests on.
    hours_per_day : Estimate
        Hours of a day of 24 h on which anything of the circuit is on [h].
    on_w : Estimate
        Mean power while on [W].
    kwh_per_day : Estimate
        Energy while on [kWh].
    levels : pandas.DataFrame
        Its levels while on, the lowest first: level_w, hours_per_day, share (of the time
        on), kwh_per_day. Lamps on one circuit make as many levels as combinations of them.
    by_hour : pandas.DataFrame
        One row an hour of the local day, 0 to 23: hour, on_h (of that hour, on average), kwh.
    per_day : pandas.DataFrame
        One row a local day: day, day_h, covered_h, on_h, kwh (while on), runs (begun), whole.
    """

    finding: ApplianceFinding
    hours_per_day: Estimate
    on_w: Estimate
    kwh_per_day: Estimate
    levels: pd.DataFrame
    by_hour: pd.DataFrame
    per_day: pd.DataFrame

    @property
    def sentence(self) -> str:
        """The answer in words."""
        return _sentence(self)

    def to_frame(self) -> pd.DataFrame:
        """A copy of `per_day`."""
        return self.per_day.copy()


def hours_of_use(finding: ApplianceFinding) -> HoursOfUse:
    """Hours of use, watts when on and the usual time of day of a switched load.

    Parameters
    ----------
    finding : ApplianceFinding
        From `house_findings`. What is never off (`continuous`) is on while it draws anything.

    Returns
    -------
    HoursOfUse
        On is what lies in a run and above the level of rest and, where the rest is at nothing, also
        what is clearly above it for a minute: a lamp too small to count as a run. Hours are
        those of the circuit: two lamps lit together for an hour are one hour. Means over days have
        the day as the unit of spread.

    Raises
    ------
    HouseError
        Without readings.

    Examples
    --------
    >>> import homeenergy as he
    >>> from homeenergy.findings import hours_of_use
    >>> house = he.open_house("sample_data/orchard_house")
    >>> lights = hours_of_use(he.house_findings(house, circuits=["lights"]).appliances[0])
    >>> f"{lights.hours_per_day.value:.1f} h a day at {lights.on_w.value:.0f} W"
    '5.7 h a day at 63 W'
    """
    if not finding.days:
        raise HouseError(
            f"{finding.appliance} ({finding.circuit}) has no readings, so no hours can be counted",
            fix="Check its column in house.toml, then run: homeenergy import FOLDER",
        )
    on = _is_on(finding)
    plateaus = finding.cycles.plateaus
    hours = plateaus.n[on] * plateaus.period_s / S_PER_H
    kwh = plateaus.mean_w[on] * hours / WH_PER_KWH
    per_day = _per_day(finding, on, hours, kwh)
    days = per_day[per_day["whole"]] if per_day["whole"].any() else per_day
    scale = (S_PER_DAY / S_PER_H / days["covered_h"]).to_numpy(np.float64)
    on_h = mean_of_days(days["on_h"].to_numpy(np.float64) * scale, unit="h")
    energy = mean_of_days(days["kwh"].to_numpy(np.float64) * scale)
    energy = energy.with_parts(finding.clamp_parts(energy.value, hours=on_h.value))
    return HoursOfUse(
        finding=finding,
        hours_per_day=on_h,
        on_w=_on_w(finding, days),
        kwh_per_day=energy,
        levels=_levels(plateaus, on, covered_h=float(per_day["covered_h"].sum())),
        by_hour=_by_hour(finding, on, hours, kwh),
        per_day=per_day,
    )


def _is_on(finding: ApplianceFinding) -> NDArray[np.bool_]:
    """Plateaus of work inside runs, and small lamps lit alone, in a run or out of it."""
    cycles = finding.cycles
    plateaus = cycles.plateaus
    if KINDS[finding.kind].never_off:
        return np.asarray(plateaus.mean_w != 0)
    inside = in_runs(cycles)
    sign = -1 if plateaus.settings["backwards"] else 1
    on: NDArray[np.bool_] = inside & (sign * plateaus.mean_w > sign * cycles.settings["on_w"])
    if KINDS[finding.kind].lamps and not cycles.standby.resolved:
        # Where the rest is at nothing, a steady draw is a lamp, though too small for a run.
        lasting = plateaus.n * plateaus.period_s >= LEAST_ALONE_S
        on |= lasting & (plateaus.mean_w > ALONE_BOUNDS * cycles.standby.high)
    return on


def _per_day(
    finding: ApplianceFinding,
    on: NDArray[np.bool_],
    hours: NDArray[np.floating],
    kwh: NDArray[np.floating],
) -> pd.DataFrame:
    daily, plateaus = finding.daily, finding.cycles.plateaus
    edges_ns = day_edges_ns(daily)
    start_ns = plateaus.instants(plateaus.first[on]).asi8
    end_ns = plateaus.instants(plateaus.stop[on]).asi8
    begun_ns = pd.DatetimeIndex(finding.cycles.table["start"]).as_unit("ns").asi8
    return pd.DataFrame(
        {
            "day": daily["day"],
            "day_h": daily["day_h"],
            "covered_h": daily["covered_h"],
            "on_h": between_edges(start_ns, end_ns, hours, edges_ns=edges_ns),
            "kwh": between_edges(start_ns, end_ns, kwh, edges_ns=edges_ns),
            "runs": np.histogram(begun_ns, bins=edges_ns)[0],
            "whole": daily["covered_h"] >= LEAST_COVERAGE * daily["day_h"],
        }
    )


def _on_w(finding: ApplianceFinding, days: pd.DataFrame) -> Estimate:
    watts = ratio_of_days(
        days["kwh"].to_numpy(np.float64) * WH_PER_KWH,
        days["on_h"].to_numpy(np.float64),
        unit="W",
        basis="mean while on",
    )
    clamp = finding.clamp_parts(watts.value / WH_PER_KWH, hours=1.0, rounding=True)
    return watts.with_parts(clamp.scaled(WH_PER_KWH))


def _levels(plateaus: Plateaus, on: NDArray[np.bool_], *, covered_h: float) -> pd.DataFrame:
    """Levels while on: plateaus sorted by their watts, split where neighbours differ."""
    order = np.flatnonzero(on)[np.argsort(plateaus.mean_w[on], kind="stable")]
    if order.size:
        # What holds hardly any time lies between levels and would join them.
        fine = np.round(np.log(np.abs(plateaus.mean_w[order])) / np.log1p(ALIKE_SHARE / 2))
        _, at = np.unique(fine, return_inverse=True)
        held = np.bincount(at, weights=plateaus.n[order])
        order = order[(held >= LEAST_LINK_SHARE * held.sum())[at]]
    watts = plateaus.mean_w[order]
    least_w = np.maximum(1.5 * plateaus.settings["step_w"], ALIKE_SHARE * np.abs(watts[1:]))
    groups = np.split(order, np.flatnonzero(np.diff(watts) > least_w) + 1) if order.size else []
    all_n = float(plateaus.n[on].sum())
    rows = []
    for group in groups:
        n = float(plateaus.n[group].sum())
        if n < LEAST_SHARE * all_n:
            continue
        level_w = float(plateaus.sum_w[group].sum()) / n
        hours = n * plateaus.period_s / S_PER_H / covered_h * S_PER_DAY / S_PER_H
        rows.append((level_w, hours, n / all_n, level_w * hours / WH_PER_KWH))
    return pd.DataFrame(rows, columns=["level_w", "hours_per_day", "share", "kwh_per_day"])


def _by_hour(
    finding: ApplianceFinding,
    on: NDArray[np.bool_],
    hours: NDArray[np.floating],
    kwh: NDArray[np.floating],
) -> pd.DataFrame:
    plateaus = finding.cycles.plateaus
    begin_ns = plateaus.start.value // QUARTER_NS * QUARTER_NS
    last_ns = plateaus.start.value + plateaus.length * round(plateaus.period_s * NS_PER_S)
    edges_ns = np.arange(begin_ns, last_ns + QUARTER_NS, QUARTER_NS)
    zone = pd.DatetimeIndex(finding.daily["day"]).tz
    quarters = pd.DatetimeIndex(edges_ns[:-1].view("M8[ns]")).tz_localize("UTC")
    local_h = quarters.tz_convert(zone).hour.to_numpy()

    def summed(
        chosen: NDArray[np.bool_] | slice, amount: NDArray[np.floating]
    ) -> NDArray[np.float64]:
        start_ns = plateaus.instants(plateaus.first[chosen]).asi8
        end_ns = plateaus.instants(plateaus.stop[chosen]).asi8
        each = between_edges(start_ns, end_ns, amount, edges_ns=edges_ns)
        return np.bincount(local_h, weights=each, minlength=24).astype(np.float64)

    covered_h = summed(slice(None), plateaus.n * plateaus.period_s / S_PER_H)
    seen = np.where(covered_h > 0, covered_h, np.nan)
    return pd.DataFrame(
        {"hour": np.arange(24), "on_h": summed(on, hours) / seen, "kwh": summed(on, kwh) / seen}
    )


def _sentence(use: HoursOfUse) -> str:
    name = use.finding.appliance
    if use.hours_per_day.value == 0 or not isfinite(use.on_w.value):
        return f"{name} was never on in these {use.finding.days:.1f} days."
    hours = clipped(use.hours_per_day, use.finding)
    hours = hours.within(most=24.0) if isfinite(hours.high) else hours
    text = f"{name} is on {value_text(hours)} h a day ({interval_text(hours, of='days')})"
    text += f" at {estimate_text(use.on_w)} on average"
    if len(use.levels) > 1 and _steady(use.finding):
        ends = use.levels["level_w"].iloc[[0, -1]]
        low, high = (number_text(float(w), 0) for w in ends)
        text += f", at {len(use.levels)} levels from {low} to {high} W"
    at = _busiest(use.by_hour["on_h"].to_numpy(np.float64))
    if at is not None:
        text += f", mostly between {at[0]:02d}:00 and {at[1]:02d}:00"
    return f"{text}: {estimate_text(clipped(use.kwh_per_day, use.finding))} a day."


def _steady(finding: ApplianceFinding) -> bool:
    """Whether levels are lamps, and no programme or uses as short as a sample."""
    plateaus = finding.cycles.plateaus
    on = _is_on(finding)
    return KINDS[finding.kind].lamps and float(np.median(plateaus.n[on])) >= LEAST_LEVEL_N


def _busiest(on_h: NDArray[np.float64]) -> tuple[int, int] | None:
    """The shortest stretch of hours that holds most (over half) of the time on."""
    known = np.nan_to_num(on_h)
    twice = np.r_[0.0, np.cumsum(np.r_[known, known])]
    for length in range(1, MOST_BUSY_H + 1):
        sums = twice[length : length + 24] - twice[:24]
        if sums.max() > known.sum() / 2:
            first = int(sums.argmax())
            return first, (first + length) % 24
    return None
