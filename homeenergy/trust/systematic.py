"""The clamp's own uncertainty, joined to the spread of what was measured at the last step."""

from __future__ import annotations

from dataclasses import replace
from math import hypot, isfinite

from homeenergy.estimate import Estimate, joined_half
from homeenergy.house import Clamp, Correction


def correction_words(clamp: Clamp) -> str:
    """Say in short what readings are multiplied with: "none", "x 2, from 2026-03-02 x 1.02"."""
    parts = []
    for c in clamp.corrections or (Correction(value=clamp.multiplier),):
        when = ""
        if c.start is not None:
            clock = "" if (c.start.hour, c.start.minute) == (0, 0) else f" {c.start:%H:%M}"
            when = f"from {c.start:%Y-%m-%d}{clock} "
        parts.append(f"{when}x {c.value:g}")
    return "none" if parts == ["x 1"] else ", ".join(parts)


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
    basis = f"{estimate.basis}; clamp known to {100 * clamp.uncertainty:.2g} %"
    if not estimate.resolved:
        # A bound has no best value to be a share of: what it rests on may all be so much more.
        high = estimate.high * (1 + clamp.uncertainty)
        return replace(estimate, value=high / 2, high=high, basis=basis)
    return with_systematic(estimate, clamp.uncertainty * abs(estimate.value), basis=basis)


def with_systematic(estimate: Estimate, half: float, *, basis: str) -> Estimate:
    """Widen an interval by the half width of an error that all observations share [its unit]."""
    return replace(
        estimate,
        low=estimate.value - hypot(estimate.value - estimate.low, half),
        high=estimate.value + hypot(estimate.high - estimate.value, half),
        systematic=hypot(estimate.systematic, half),
        basis=basis,
    )


def with_even_error(estimate: Estimate, limit: float, *, basis: str) -> Estimate:
    """Widen an interval by an error that all observations share, even within limits [its unit].

    Parameters
    ----------
    estimate : Estimate
    limit : float
        The error lies anywhere between -limit and limit alike: see `joined_half`.
    basis : str
    """
    return replace(
        estimate,
        low=estimate.value - joined_half(estimate.value - estimate.low, limit),
        high=estimate.value + joined_half(estimate.high - estimate.value, limit),
        systematic=hypot(estimate.systematic, joined_half(0.0, limit)),
        basis=basis,
    )
