"""Write a measured value with no more digits than its interval bears."""

from __future__ import annotations

import math

from homeenergy.estimate import Estimate, decimals, number_text, rounded_up

UNKNOWN = "not known"


def _places(estimate: Estimate) -> int:
    return decimals(estimate.low, estimate.high, value=estimate.value, unit=estimate.unit)


def is_bound(estimate: Estimate) -> bool:
    """Whether only an upper bound is known."""
    return not estimate.resolved and math.isfinite(estimate.high)


def bound_text(estimate: Estimate) -> str:
    """Write an upper bound rounded up, so that it stays true, with its unit."""
    return f"below {rounded_up(estimate.high)} {estimate.unit}".rstrip()


def value_text(estimate: Estimate | None) -> str:
    """Write the value without its unit; an upper bound keeps it."""
    if estimate is None:
        return ""
    if is_bound(estimate):
        return bound_text(estimate)
    if not math.isfinite(estimate.value):
        return UNKNOWN
    return number_text(estimate.value, _places(estimate))


def interval_text(estimate: Estimate | None) -> str:
    """Write the interval as "0.39–0.43"; empty where there is none."""
    if estimate is None or is_bound(estimate) or not math.isfinite(estimate.value):
        return ""
    if not (math.isfinite(estimate.low) and math.isfinite(estimate.high)):
        return "one only" if estimate.n == 1 else ""
    if estimate.low == estimate.high:
        return ""
    places = _places(estimate)
    low, high = number_text(estimate.low, places), number_text(estimate.high, places)
    if low == high == value_text(estimate):
        return ""
    return f"{low} to {high}" if low.startswith("-") else f"{low}–{high}"


def estimate_text(estimate: Estimate | None) -> str:
    """Write value, interval and unit: "0.41 kWh (0.39–0.43)"."""
    if estimate is None:
        return UNKNOWN
    value = value_text(estimate)
    if is_bound(estimate) or value == UNKNOWN:
        return value
    interval = interval_text(estimate)
    text = f"{value} {estimate.unit}".rstrip()
    return f"{text} ({interval})" if interval else text


def percent_text(share: float) -> str:
    """Write a share of one as a percentage."""
    return f"{number_text(100 * share, 0)} %" if math.isfinite(share) else UNKNOWN
