"""Write a measured value with no more digits than its interval bears."""

from __future__ import annotations

import math

from homeenergy.estimate import Estimate

UNKNOWN = "not known"
DEFAULT_DIGITS = 3  # significant, where no interval says how many mean anything


def decimals(low: float, high: float, *, value: float = 0.0, unit: str = "") -> int:
    """Decimals at which half the interval has two significant digits, 0 to 4; 0 to 2 for watts."""
    most = 2 if unit == "W" else 4  # no clamp tells a thousandth of a watt
    half = (high - low) / 2
    if math.isfinite(half) and half > 0:
        return min(most, max(0, 1 - math.floor(math.log10(half))))
    if math.isfinite(value) and value != 0:
        return min(most, max(0, DEFAULT_DIGITS - 1 - math.floor(math.log10(abs(value)))))
    return 0


def number_text(number: float, places: int) -> str:
    """Write a number with so many decimals; what rounds to zero has no sign."""
    return f"{round(number, places) + 0.0:,.{places}f}"


def _places(estimate: Estimate) -> int:
    return decimals(estimate.low, estimate.high, value=estimate.value, unit=estimate.unit)


def is_bound(estimate: Estimate) -> bool:
    """Whether only an upper bound is known: the interval begins at zero and holds no best value."""
    if not math.isfinite(estimate.high) or estimate.low != 0:
        return False
    return not math.isfinite(estimate.value) or "below" in estimate.basis


def bound_text(estimate: Estimate) -> str:
    """Write an upper bound rounded up, so that it stays true, with its unit."""
    places = 0 if estimate.high >= 1 else 2
    scale = 10**places
    bound = math.ceil(estimate.high * scale - 1e-9) / scale
    return f"below {bound:.{places}f} {estimate.unit}".rstrip()


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
