"""What starting runs later, at cheaper hours, would save: only of what can wait."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import tzinfo
from math import isfinite

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.errors import HouseError
from homeenergy.findings.appliance.record import ApplianceFinding, estimate_text, percent_text
from homeenergy.findings.cost import PriceClock, plateaus_of_runs
from homeenergy.findings.days import LEAST_COVERAGE, sums_of_days
from homeenergy.findings.saving.running import heats_by_clock
from homeenergy.house.kinds import why_not_moved
from homeenergy.house.tariff import Tariff
from homeenergy.stats.estimate import Estimate
from homeenergy.stats.means import mean_of_days
from homeenergy.units import DAYS_PER_YEAR, NS_PER_S, S_PER_H, WH_PER_KWH

# Longest delay that a person is taken to accept, as a timer of a machine gives it. Own choice.
LONGEST_DELAY_H = 12.0
STEP_H = 0.25
DEMAND_STAYS = "Charges for demand (the greatest power of a month) are taken to stay as they were."
CHEAPEST_SLACK = 0.005  # share by which the best price may lie above the cheapest and be called so
ASSUMPTIONS = (
    "Runs are started later by up to {delay:g} h, never earlier, in steps of a quarter of an hour.",
    "A run is not moved beyond the start of the next one of the same appliance.",
    "Energy and shape of a run stay as they were. A run longer than the cheap hours pays both "
    "prices.",
    "Incomplete runs stay where they were.",
    "Prices are those of the tariff on the days themselves; the year is taken to be like them.",
    "A machine that runs while people sleep or are out needs a working smoke alarm and the consent "
    "of its maker and the insurer (common practice, no source); neighbours may hear it at night.",
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shift:
    """What moving the runs of one appliance to cheap hours would save.

    Attributes
    ----------
    circuit, appliance, kind : str
    why_not : str
        Why nothing is proposed; empty where something is.
    saving_per_year, paid_per_year : Estimate or None
        Saved, and paid as it is now for the runs that were seen whole [currency].
    table : pandas.DataFrame
        One row a complete run: start, cost, best_start, best_cost, saving, at_cheapest (whether all
        of it then runs at the cheapest price).
    assumptions : tuple of str
    """

    circuit: str
    appliance: str
    kind: str
    why_not: str
    saving_per_year: Estimate | None
    paid_per_year: Estimate | None
    table: pd.DataFrame
    assumptions: tuple[str, ...]

    @property
    def share(self) -> float:
        """Share of what the runs cost that would be saved."""
        paid = float(self.table["cost"].sum()) if len(self.table) else 0.0
        return float(self.table["saving"].sum()) / paid if paid else float("nan")

    @property
    def sentence(self) -> str:
        """The answer in words."""
        if self.saving_per_year is None:
            return f"{self.appliance}: nothing is proposed, as it {self.why_not}."
        both = int((~self.table["at_cheapest"]).sum())
        text = (
            f"{self.appliance}: starting its runs at the cheapest time within the delay allowed "
            f"would save {estimate_text(self.saving_per_year, of='days')} a year, "
            f"{percent_text(self.share)} of what its runs cost."
        )
        if both:
            text += (
                f" {both} of {len(self.table)} runs would still pay more than the cheapest price "
                "for a part: too long, blocking the next run, or too far from it."
            )
        return text

    def to_frame(self) -> pd.DataFrame:
        """A copy of `table`."""
        return self.table.copy()


def shift_to_cheap_hours(
    finding: ApplianceFinding,
    *,
    tariff: Tariff,
    timezone: tzinfo | str,
    longest_delay_h: float = LONGEST_DELAY_H,
) -> Shift:
    """What starting the runs of an appliance later would save.

    Parameters
    ----------
    finding : ApplianceFinding
        Only loads and programmes that a person starts and leaves alone can wait (kind "batch"),
        what is called a car's charger or a pool's pump, and a tank that a clock heats. For others
        the result says why not.
    tariff : Tariff
        By time of use.
    timezone : zone or its name
        Of the house.
    longest_delay_h : float
        Longest that a run may wait [h].

    Returns
    -------
    Shift
        The interval comes from how the saving differs between days, days without runs included; it
        allows for autocorrelation between days and includes the clamp's uncertainty.

    Raises
    ------
    HouseError
        If the tariff has one price only, or steps.
    ValueError
        If the delay is not above zero.

    Notes
    -----
    Each run is priced at each possible start by its plateaus, and put where it is cheapest; own
    method. O(plateaus times delays).
    """
    if not longest_delay_h > 0:
        raise ValueError(f"longest_delay_h must be above 0, got {longest_delay_h!r}")
    _refuse(tariff)
    why_not = why_not_moved(finding.kind, finding.appliance, finding.circuit)
    if heats_by_clock(finding, timezone):
        why_not = ""
    whole = len(finding.cycles.complete)
    if not why_not and not whole:
        why_not = "has no complete run"
    if why_not:
        return Shift(
            circuit=finding.circuit,
            appliance=finding.appliance,
            kind=finding.kind,
            why_not=why_not,
            saving_per_year=None,
            paid_per_year=None,
            table=_table(finding, tariff, timezone, 0.0).iloc[:0],
            assumptions=(),
        )
    table = _table(finding, tariff, timezone, longest_delay_h)
    return Shift(
        circuit=finding.circuit,
        appliance=finding.appliance,
        kind=finding.kind,
        why_not="",
        saving_per_year=_per_year(table, "saving", finding, tariff.currency),
        paid_per_year=_per_year(table, "cost", finding, tariff.currency),
        table=table,
        assumptions=(
            *(line.format(delay=longest_delay_h) for line in ASSUMPTIONS),
            *([DEMAND_STAYS] if tariff.demand_charges else []),
        ),
    )


def _refuse(tariff: Tariff) -> None:
    prices = {p.price_per_kwh for one in tariff.versions for p in one.periods}
    if len(prices) < 2:
        raise HouseError(
            "no hour of the tariff is cheaper than another: moving a run in time saves nothing",
            fix="Give the tariff [[tariff.period]] with prices by time of use; see shared/tariffs.",
        )


def _table(
    finding: ApplianceFinding, tariff: Tariff, timezone: tzinfo | str, delay_h: float
) -> pd.DataFrame:
    cycles = finding.cycles
    runs = cycles.table
    clock = PriceClock.of(tariff, cycles, timezone=timezone, later_s=delay_h * S_PER_H)
    delays_s = np.arange(0.0, delay_h * S_PER_H + 1.0, STEP_H * S_PER_H)
    costs = _costs(finding, clock, delays_s)
    start_s = _seconds(runs["start"], clock.zero_ns)
    end_s = _seconds(runs["end"], clock.zero_ns)
    room_s = np.r_[start_s[1:], np.inf] - end_s if len(runs) else end_s
    costs[1:][delays_s[1:, None] > room_s[None, :]] = np.inf
    # Rounding alone is no reason to wait.
    better = costs < costs[0] - 1e-9 * np.abs(costs[0])
    best = np.where(better.any(axis=0), np.argmin(np.where(better, costs, np.inf), axis=0), 0)
    best_cost = costs[best, np.arange(len(runs))]
    kwh = runs["energy_wh"].to_numpy(np.float64) / WH_PER_KWH
    least = np.array(
        [tariff.least_price(t.date()) for t in pd.DatetimeIndex(runs["start"]).tz_convert(timezone)]
    )
    start = pd.DatetimeIndex(runs["start"])
    table = pd.DataFrame(
        {
            "start": start,
            "cost": costs[0],
            "best_start": start + pd.to_timedelta(delays_s[best], unit="s"),
            "best_cost": best_cost,
            "saving": costs[0] - best_cost,
            "at_cheapest": best_cost <= kwh * least * (1 + CHEAPEST_SLACK),
        }
    )
    return table[runs["complete"].to_numpy(bool)].reset_index(drop=True)


def _costs(
    finding: ApplianceFinding, clock: PriceClock, delays_s: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Cost of each run at each delay, shape (delays, runs)."""
    of_run, begin_s, end_s, wh = plateaus_of_runs(finding.cycles)
    n = len(finding.cycles.table)
    costs = [
        np.bincount(of_run, weights=wh * clock.mean(begin_s + d, end_s + d), minlength=n)
        for d in delays_s
    ]
    return np.array(costs, dtype=np.float64).reshape(delays_s.size, n) / WH_PER_KWH


def _seconds(instants: pd.Series, zero_ns: int) -> NDArray[np.float64]:
    return (pd.DatetimeIndex(instants).as_unit("ns").asi8 - zero_ns) / NS_PER_S


def _per_year(
    table: pd.DataFrame, column: str, finding: ApplianceFinding, currency: str
) -> Estimate:
    """Mean of whole days, those without a run included, times 365."""
    daily = finding.daily
    whole = daily[daily["covered_h"] >= LEAST_COVERAGE * daily["day_h"]]
    found = mean_of_days(sums_of_days(whole, table["start"], table[column]))
    per_year = found.scaled(DAYS_PER_YEAR, unit=currency)
    basis = f"{found.basis}, days without runs included; times 365 days"
    per_year = replace(per_year, basis=basis)
    runs = finding.cycles.table
    hours = float(runs["duration_s"].sum()) / S_PER_H
    kwh = float(runs["energy_wh"].sum()) / WH_PER_KWH
    clamp = finding.clamp_parts(kwh, hours=hours)
    if clamp and kwh and isfinite(per_year.value):
        paid = clamp.scaled(per_year.value / kwh)
        per_year = per_year.with_parts(paid, basis=f"{basis}; clamp as stated")
    return per_year.within(least=0.0) if per_year.value >= 0 else per_year
