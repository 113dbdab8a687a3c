"""What is known of one appliance, and how a person reads it: numbers, marks and words."""

from __future__ import annotations

import math
from dataclasses import dataclass

import pandas as pd

from homeenergy.cycles import Cycles
from homeenergy.findings.weather.seasons import SeasonOfUse
from homeenergy.house.clamp_errors import UNKNOWN_ERRORS, ClampErrors
from homeenergy.house.kinds import KINDS
from homeenergy.stats.estimate import Estimate, decimals, number_text, rounded_up
from homeenergy.stats.parts import Parts

UNKNOWN = "not known"
# What is printed in place of an interval.
NO_INTERVAL, NARROW, NO_SPREAD = "?", "narrow", "no spread"
MARKS = {
    NO_INTERVAL: "interval not known: one run or day only, or no whole day",
    NARROW: "interval narrower than the last digit",
    NO_SPREAD: "all runs or days have the same value",
}
SMALLEST_SPREAD = 1e-9  # of the value: less is the rounding of sums
# How often a kind must be right to be more than a guess. Own rule.
CLEAR, LIKELY = 0.8, 0.6
# A kind inferred from less is a guess. Own rule.
LEAST_DAYS, LEAST_RUNS, LONGEST_PERIOD_S = 1.0, 3, 60.0
RETURNED_SHARE = 0.03  # of a day's energy: less below zero is the noise of a clamp


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ApplianceFinding:
    """What one circuit uses, and how far that is known.

    Attributes
    ----------
    circuit, appliance : str
        Name in the panel schedule, and what a person calls it.
    kind, kind_sure : str, float
        How it behaves, and how often such an answer is right: 1 where house.toml says so.
    days, coverage : float
        Days with readings, and share of the time from first to last that has them.
    runs : int
        Runs seen whole.
    run_kwh, standby_w, kwh_per_day, cost_per_year : Estimate
        Per run [kWh], between runs [W], per day [kWh], per year [currency; None without tariff].
    idle_share, duty_cycle : float
        Share of the energy spent outside runs, and of the time spent in runs; NaN if never at rest.
    remarks : tuple of str
        What a reader must know about these figures.
    cycles : Cycles
        The runs behind them.
    daily : pandas.DataFrame
        Energy of each local day.
    season : SeasonOfUse
        How much the weather of a year drives it, and where that comes from.
    correction : str
        What house.toml multiplies the readings with, and from when: "none", "x 2".
    demand_per_year : Estimate or None
        What it bears of a year's demand charges [currency], between what it could (`demand_share`).
    price_at_rest : float or None
        Average price of the time outside runs [currency a kWh], where prices depend on the time.
    worth, worth_at_rest : float
        What its energy, and what is drawn at rest, is worth when saved, over what it costs: see
        `with_worth`. 1 where both are the same.
    held_out : str
        Why no figure of this circuit can be given, though it has readings; else empty.
    clamp_errors : ClampErrors
        How far the clamp may be off. The intervals of the figures above include it, by its sources;
        those of `cycles` leave the multiplier out.
    """

    circuit: str
    appliance: str
    kind: str
    kind_sure: float
    days: float
    coverage: float
    runs: int
    run_kwh: Estimate
    standby_w: Estimate
    kwh_per_day: Estimate
    idle_share: float
    duty_cycle: float
    cost_per_year: Estimate | None
    remarks: tuple[str, ...]
    cycles: Cycles
    daily: pd.DataFrame
    season: SeasonOfUse
    correction: str = "none"
    demand_per_year: Estimate | None = None
    price_at_rest: float | None = None
    worth: float = 1.0
    worth_at_rest: float = 1.0
    held_out: str = ""
    clamp_errors: ClampErrors = UNKNOWN_ERRORS

    def clamp_parts(self, kwh: float, *, hours: float, rounding: bool = False) -> Parts:
        """What the clamp makes of an energy over so many hours [kWh]; see `ClampErrors.parts`.

        `rounding` says whether to count what rounding leaves in a steady draw.
        """
        rounding_w = self.cycles.rest.rounding_w if rounding else 0.0
        return self.clamp_errors.parts(kwh, hours=hours, rounding_w=rounding_w)

    @property
    def clamp_uncertainty(self) -> float | None:
        """Share by which the clamp's multiplier may be off at 95 %, where house.toml states it."""
        return self.clamp_errors.uncertainty


def is_bound(estimate: Estimate) -> bool:
    """Whether only an upper bound is known."""
    return not estimate.resolved and math.isfinite(estimate.high)


def value_text(estimate: Estimate | None) -> str:
    """Write the value without its unit; an upper bound, rounded up to stay true, keeps it."""
    if estimate is None:
        return ""
    if is_bound(estimate):
        return f"below {rounded_up(estimate.high)} {estimate.unit}".rstrip()
    if not math.isfinite(estimate.value):
        return UNKNOWN
    return number_text(estimate.value, _places(estimate))


def interval_text(estimate: Estimate | None, *, of: str = "") -> str:
    """Write the interval as "0.39–0.43", or its mark; empty where there is no value.

    `of` says what was counted ("runs", "days"): where that was done twice, it is added.
    """
    if estimate is None or is_bound(estimate) or not math.isfinite(estimate.value):
        return ""
    if not (math.isfinite(estimate.low) and math.isfinite(estimate.high)):
        return NO_INTERVAL
    few = f", only 2 {of}" if of and estimate.n == 2 else ""
    if estimate.high - estimate.low <= 2 * SMALLEST_SPREAD * abs(estimate.value):
        return NO_SPREAD + few
    places = _places(estimate)
    low, high = number_text(estimate.low, places), number_text(estimate.high, places)
    if low == high:
        return NARROW + few
    return (f"{low} to {high}" if low.startswith("-") else f"{low}–{high}") + few


def value_and_interval(estimate: Estimate | None) -> str:
    """Write value and interval without the unit: "0.41 (0.39–0.43)", or the value alone."""
    interval = interval_text(estimate)
    return f"{value_text(estimate)} ({interval})" if interval else value_text(estimate)


def _places(estimate: Estimate) -> int:
    return decimals(estimate.low, estimate.high, value=estimate.value, unit=estimate.unit)


def estimate_text(estimate: Estimate | None, *, of: str = "") -> str:
    """Write value, unit and interval: "0.41 kWh (0.39–0.43)"."""
    if estimate is None:
        return UNKNOWN
    value = value_text(estimate)
    if is_bound(estimate) or value == UNKNOWN:
        return value
    return f"{value} {estimate.unit}".rstrip() + f" ({interval_text(estimate, of=of)})"


def percent_text(share: float) -> str:
    """Write a fraction as a percentage; noise below zero counts as zero."""
    return f"{number_text(100 * max(share, 0.0), 0)} %" if math.isfinite(share) else UNKNOWN


def shown(finding: ApplianceFinding, name: str) -> Estimate | None:
    """Give an estimate of this name as it is printed, see `clipped`."""
    estimate: Estimate | None = getattr(finding, name)
    return None if estimate is None else clipped(estimate, finding)


def clipped(estimate: Estimate, finding: ApplianceFinding) -> Estimate:
    """End the interval at zero where the appliance returned no power, so cannot use less."""
    below = estimate.value >= 0 > estimate.low and math.isfinite(estimate.low)
    return estimate.within(least=0.0) if below and not _returns_power(finding) else estimate


def _returns_power(finding: ApplianceFinding) -> bool:
    kwh = finding.daily["kwh"].to_numpy()
    return kwh.size > 0 and bool(kwh.min() < -RETURNED_SHARE * abs(kwh).max())


def kind_words(kind: str, sure: float, *, runs: int, days: float, period_s: float) -> str:
    """Name the kind of an appliance and say how certain it is.

    Parameters
    ----------
    kind : str
    sure : float
        1 where house.toml says so; else how often such an answer is right.
    runs, days, period_s : int, float, float
        Complete runs, days of readings and length of a sample [s] behind it.
    """
    if sure >= 1:
        return kind
    few_runs = runs < LEAST_RUNS and not KINDS[kind].never_off
    if few_runs or days < LEAST_DAYS or period_s > LONGEST_PERIOD_S or sure < LIKELY:
        return f"perhaps {kind}, a guess"
    return f"treated as {kind}" if sure >= CLEAR else f"probably {kind}"


def kind_text(finding: ApplianceFinding) -> str:
    """Kind of an appliance, and how certain it is."""
    return kind_words(
        finding.kind,
        finding.kind_sure,
        runs=finding.runs,
        days=finding.days,
        period_s=finding.cycles.plateaus.period_s,
    )


def finding_sentence(finding: ApplianceFinding) -> str:
    """Say in words what an appliance uses, for an alternative text or a heading."""
    per_day = estimate_text(shown(finding, "kwh_per_day"), of="days")
    parts = [
        f"{finding.appliance}: {per_day} per day",
        f"{finding.runs:,} complete run{'' if finding.runs == 1 else 's'}",
    ]
    if finding.runs:
        parts.append(f"{estimate_text(shown(finding, 'run_kwh'), of='runs')} per run")
    parts.append(f"standby {estimate_text(finding.standby_w)}")
    return ", ".join(parts) + "."
