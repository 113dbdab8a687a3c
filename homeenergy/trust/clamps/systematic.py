"""The clamp's own uncertainty, joined to the spread of what was measured at the last step."""

from __future__ import annotations

from dataclasses import replace
from math import hypot, isfinite

import numpy as np

from homeenergy.house.clamp_floor import UNKNOWN_FLOOR, ClampFloor
from homeenergy.house.schedule import Clamp, Correction
from homeenergy.readings.trace import Trace, in_force
from homeenergy.stats.estimate import Estimate, joined_half


def correction_words(clamp: Clamp) -> str:
    """Say in short how readings are corrected: "none", "x 2, from 2026-03-02 x 1.02 + 0.8 W"."""
    parts = []
    for c in clamp.in_order:
        when = ""
        if c.start is not None:
            clock = "" if (c.start.hour, c.start.minute) == (0, 0) else f" {c.start:%H:%M}"
            when = f"from {c.start:%Y-%m-%d}{clock} "
        parts.append(f"{when}x {c.value:g}{_offset_words(c)}")
    return "none" if parts == ["x 1"] else ", ".join(parts)


def correction_text(clamp: Clamp) -> str:
    """Say which correction readings carry, and how far it is known."""
    if clamp.corrections:
        parts = [
            f"{c.value:g}{_offset_words(c)}"
            + (f" from {c.start:%Y-%m-%d %H:%M}" if c.start else "")
            for c in clamp.corrections
        ]
        text = f"multiplied by {', then '.join(parts)}"
    elif clamp.multiplier != 1 or clamp.offset_w:
        text = f"multiplied by {clamp.multiplier:g}{_offset_words(clamp.in_order[0])}"
    else:
        text = "as logged"
    if clamp.uncertainty is None:
        return f"{text}; the clamp's uncertainty is not stated"
    text = f"{text}; the clamp is known to {100 * clamp.uncertainty:.2g} %"
    if clamp.compared_at_w is not None:
        text += f" at {clamp.compared_at_w:g} W"
    if clamp.offset_uncertainty_w is None:
        return text
    return f"{text}, its offset to {clamp.offset_uncertainty_w:.2g} W"


def _offset_words(correction: Correction) -> str:
    if not correction.offset_w:
        return ""
    return f" {'+' if correction.offset_w > 0 else '-'} {abs(correction.offset_w):g} W"


def clamp_over(trace: Trace, clamp: Clamp) -> Clamp:
    """Give a clamp the uncertainty that its readings have as a whole.

    Parameters
    ----------
    trace : Trace
        Corrected readings.
    clamp : Clamp
        As stated; corrections may differ in their uncertainty.

    Returns
    -------
    Clamp
        `uncertainty` is that of each dated correction, weighted by its share of the energy. The
        parts are added as they are and not in squares: it is the same clamp, most often compared
        with the same reference meter, so errors are taken to be alike (JCGM 100:2008, 5.2.2, with
        a correlation of 1). A time for which none is stated gets the greatest that is; None where
        none is stated at all.
    """
    if not clamp.corrections:
        return clamp
    first = trace.start.value // trace.period_ns
    pieces = in_force(clamp, first=first, stop=first + len(trace), period_ns=trace.period_ns)
    stated = [c.uncertainty for _, _, c in pieces if c.uncertainty is not None]
    if not stated:
        return replace(clamp, uncertainty=None)
    shares = [max(stated) if c.uncertainty is None else c.uncertainty for _, _, c in pieces]
    weights = [
        float(np.nansum(np.abs(trace.watts[lo - first : hi - first]), dtype=np.float64))
        for lo, hi, _ in pieces
    ]
    if len(set(shares)) == 1 or not any(weights):
        return replace(clamp, uncertainty=max(shares))
    return replace(clamp, uncertainty=float(np.average(shares, weights=weights)))


def with_clamp(
    estimate: Estimate,
    clamp: Clamp,
    *,
    floor: ClampFloor = UNKNOWN_FLOOR,
    hours: float = 0.0,
) -> Estimate:
    """Widen an interval by the stated uncertainty of a clamp.

    Parameters
    ----------
    estimate : Estimate
        With an interval from spread alone.
    clamp : Clamp
        Its `uncertainty` is at 95 %, as a share; None counts as none.
    floor : ClampFloor, optional
        What its offset may be, if the estimate is an energy [kWh] that does not hold it yet.
    hours : float
        Those of that energy; of a difference, those that one side has more.

    Returns
    -------
    Estimate
        Half widths added in squares (JCGM 100:2008, 5.1.2, for a product with one factor common to
        all observations, which averaging does not make smaller): a stated uncertainty is taken as
        the half width of a normal distribution at 95 %. Ends that are not known stay so.
    """
    if not isfinite(estimate.value):
        return estimate
    share, basis = clamp.uncertainty or 0.0, estimate.basis
    if share:
        basis += f"; clamp known to {100 * share:.2g} %"
    if not estimate.resolved:
        # A bound has no best value to be a share of: what it rests on may all be so much more.
        high = estimate.high * (1 + share)
        return replace(estimate, value=high / 2, high=high, basis=basis) if share else estimate
    offset = floor.half_kwh(estimate.value, hours=hours)
    if offset:
        basis += "; offset of the clamp"
    half = hypot(share * estimate.value, offset)
    return with_systematic(estimate, half, basis=basis) if half else estimate


def with_systematic(estimate: Estimate, half: float, *, basis: str) -> Estimate:
    """Widen an interval by the half width of an error that all observations share [its unit]."""
    return replace(
        estimate,
        low=estimate.value - hypot(estimate.value - estimate.low, half),
        high=estimate.value + hypot(estimate.high - estimate.value, half),
        systematic=hypot(estimate.systematic, half),
        basis=basis,
    )


def with_even_error(estimate: Estimate, *limits: float, basis: str) -> Estimate:
    """Widen an interval by errors that all observations share, even within limits [its unit].

    Parameters
    ----------
    estimate : Estimate
    *limits : float
        Each error lies anywhere between -limit and limit alike: see `joined_half`.
    basis : str
    """
    return replace(
        estimate,
        low=estimate.value - joined_half(estimate.value - estimate.low, *limits),
        high=estimate.value + joined_half(estimate.high - estimate.value, *limits),
        systematic=hypot(estimate.systematic, joined_half(0.0, *limits)),
        basis=basis,
    )
