"""Money as it is written where the house stands."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from homeenergy.estimate import Estimate

# Signs that stand before the amount in English text; other currencies are named by their code.
SIGNS = {"USD": "$", "EUR": "€", "GBP": "£", "JPY": "¥", "CNY": "CN¥", "INR": "₹"}
NONE_FOR_SMALL = frozenset({"JPY", "KRW", "ISK", "CLP", "VND"})  # ISO 4217: no hundredth


def amount(value: float, currency: str, *, places: int | None = None) -> str:
    """Write an amount of money: "$1,234", "€0.31", "CHF 12".

    Whole units from 100 on, or with as many `places` as are asked for.
    """
    if not math.isfinite(value):
        return "not known"
    if places is None:
        places = 0 if abs(value) >= 100 or currency in NONE_FOR_SMALL else 2
    text = f"{abs(round(value, places)):,.{places}f}"
    minus = "-" if round(value, places) < 0 else ""
    sign = SIGNS.get(currency)
    return f"{minus}{sign}{text}" if sign else f"{currency} {minus}{text}"


def money_text(estimate: Estimate | None) -> str:
    """Write an estimate of money with its interval: "$168 (112 to 223)"."""
    if estimate is None:
        return "no tariff"
    currency = estimate.unit
    if not estimate.resolved:
        return f"at most {amount(estimate.high, currency)}"
    if not math.isfinite(estimate.value):
        return "not known"
    half = (estimate.high - estimate.low) / 2
    if not math.isfinite(half):
        return f"{amount(estimate.value, currency)} (interval not known)"
    small = max(abs(estimate.low), abs(estimate.high)) < 10
    places = 2 if small and currency not in NONE_FOR_SMALL else 0
    if half < 10**-places and currency not in NONE_FOR_SMALL:
        places = 2
    low, high = (f"{round(end, places) + 0.0:,.{places}f}" for end in (estimate.low, estimate.high))
    if low == high:
        return amount(estimate.value, currency, places=places)
    return f"{amount(estimate.value, currency, places=places)} ({low} to {high})"
