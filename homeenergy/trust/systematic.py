"""The clamp's own uncertainty, joined to the spread of what was measured at the last step."""

from __future__ import annotations

from dataclasses import replace
from math import hypot, isfinite

from homeenergy.estimate import Estimate
from homeenergy.house import Clamp


def correction_text(clamp: Clamp) -> str:
    """Say which correction readings carry, and how far it is known."""
    if clamp.corrections:
        parts = [
            f"{c.value:g}" + (f" from {c.start:%Y-%m-%d %H:%M}" if c.start else "")
            for c in clamp.corrections
        ]
        text = f"multiplied by {', then '.join(parts)}"
    elif clamp.multiplier != 1:
        text = f"multiplied by {clamp.multiplier:g}"
    else:
        text = "as logged"
    if clamp.uncertainty is None:
        return f"{text}; the clamp's uncertainty is not stated"
    return f"{text}; the clamp is known to {100 * clamp.uncertainty:.2g} %"


def with_clamp(estimate: Estimate, clamp: Clamp) -> Estimate:
    """Widen an interval by the stated uncertainty of a clamp's multiplier.

    Parameters
    ----------
    estimate : Estimate
        With an interval from spread alone.
    clamp : Clamp
        Its `uncertainty` is at 95 %, as a share; None leaves the estimate as it is.

    Returns
    -------
    Estimate
        Half widths added in squares (JCGM 100:2008, 5.1.2, for a product with one factor common to
        all observations, which averaging does not make smaller). Ends that are not known stay so.
    """
    if not clamp.uncertainty or not isfinite(estimate.value):
        return estimate
    common = clamp.uncertainty * abs(estimate.value)
    return replace(
        estimate,
        low=estimate.value - hypot(estimate.value - estimate.low, common),
        high=estimate.value + hypot(estimate.high - estimate.value, common),
        basis=f"{estimate.basis}; clamp known to {100 * clamp.uncertainty:.2g} %",
    )
