"""How readings are corrected, in words, and how far the corrections are known over a log."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from homeenergy.house.schedule import Clamp, Correction
from homeenergy.readings.trace import Trace, in_force


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
        with the same reference meter, so errors are taken as fully correlated (JCGM 100:2008,
        5.2.2, with a correlation of 1). A time for which none is stated gets the greatest
        that is; None where none is stated at all.
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
