"""The same trace in longer periods, as a slower logger would have it."""

from __future__ import annotations

import numpy as np

from homeenergy.readings.trace import Trace


def coarser_trace(trace: Trace, *, period_s: float) -> Trace:
    """Mean power of longer periods.

    Parameters
    ----------
    trace : Trace
    period_s : float
        Length of a sample of the result, a whole multiple of that of the trace [s].

    Returns
    -------
    Trace
        A period with a missing sample is missing; a last one that is not whole is left out.

    Raises
    ------
    ValueError
        If `period_s` is no whole multiple.
    """
    many = round(period_s / trace.period_s)
    if many < 1 or abs(many * trace.period_s - period_s) > 1e-9 * period_s:
        raise ValueError(
            f"period_s must be a whole multiple of {trace.period_s:g} s, got {period_s:g} s"
        )
    whole = len(trace) // many
    rows = trace.watts[: whole * many].reshape(whole, many)
    return Trace(
        label=trace.label,
        start=trace.start,
        period_s=period_s,
        watts=np.asarray(np.mean(rows, axis=1, dtype=np.float64), dtype=np.float32),
    )
