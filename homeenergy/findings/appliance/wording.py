"""What a person reads: numbers with no more digits than their intervals bear, marks and words."""

from __future__ import annotations

import math

from homeenergy.findings.appliance.record import ApplianceFinding
from homeenergy.house.kinds import KINDS
from homeenergy.stats.estimate import Estimate, decimals, number_text, rounded_up

UNKNOWN = "not known"
# What is printed in place of an interval.
NO_INTERVAL, NARROW, NO_SPREAD = "?", "narrow", "no spread"
MARKS = {
    NO_INTERVAL: "interval not known: one run or day only, or no whole day",
    NARROW: "interval narrower than the last digit",
    NO_SPREAD: "all runs or days have the same value",
}
SMALLEST_SPREAD = 1e-9  # of the value: less is the rounding of sums
# Scores of a kind from which it is more than a guess. Own rule.
CLEAR, LIKELY = 0.8, 0.6
# A kind inferred from less is a guess. Own rule.
LEAST_DAYS, LEAST_RUNS, LONGEST_PERIOD_S = 1.0, 3, 60.0
RETURNED_SHARE = 0.03  # of a day's energy: less below zero is the noise of a clamp


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


def kind_words(kind: str, score: float, *, runs: int, days: float, period_s: float) -> str:
    """Name the kind of an appliance and say how certain it is.

    Parameters
    ----------
    kind : str
    score : float
        1 where house.toml says so. Less is how well the readings fit, and no probability.
    runs, days, period_s : int, float, float
        Complete runs, days of readings and length of a sample [s] behind it.
    """
    if score >= 1:
        return kind
    few_runs = runs < LEAST_RUNS and not KINDS[kind].never_off
    if few_runs or days < LEAST_DAYS or period_s > LONGEST_PERIOD_S or score < LIKELY:
        return f"perhaps {kind}, a guess"
    return f"treated as {kind}" if score >= CLEAR else f"probably {kind}"


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
