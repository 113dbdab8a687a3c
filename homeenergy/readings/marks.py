"""What the instants of rows tell: the pace of the log, and whether stamps mark starts or ends."""

from __future__ import annotations

from datetime import tzinfo

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.readings.period import find_period_ns, has_pace
from homeenergy.units import NS_PER_S

_DAY_S = 86_400.0
LEAST_MARK_S = 60.0  # a shorter period beside midnight is chance, and matters little


def pace_remark(times_ns: NDArray[np.int64]) -> str | None:
    """Say how often a row comes and from when on."""
    period = find_period_ns(times_ns)
    if period is None:
        return None
    first = pd.Timestamp(int(times_ns.min()), unit="ns", tz="UTC")
    pace = (
        f"a row every {period / NS_PER_S:g} s"
        if has_pace(times_ns, period)
        else "rows come at no clear pace: state period_s, the length of a sample, and hold_s, "
        "the longest step across which a value still holds"
    )
    return f"{pace}; the first is of {first:%d %B %Y %H:%M:%S} UTC"


def time_marks(times_ns: NDArray[np.int64], zone: tzinfo) -> tuple[bool, str]:
    """Whether stamps mark the ends of their periods, and a remark that says why.

    Parameters
    ----------
    times_ns : numpy.ndarray, shape (n,), int64
        Instants of the rows as stamped.
    zone : tzinfo
        Zone in which the days of the log begin.

    Notes
    -----
    Own rule: exports begin with a day. The first row is stamped with midnight where stamps mark
    starts, and one period later where they mark ends.
    """
    period = find_period_ns(times_ns)
    period_s = 0.0 if period is None else period / NS_PER_S
    edges = [pd.Timestamp(int(ns), unit="ns", tz=zone) for ns in (times_ns.min(), times_ns.max())]
    first_s, last_s = ((edge - edge.normalize()).total_seconds() for edge in edges)
    stamps = f"the first row is stamped {edges[0]:%H:%M:%S} and the last {edges[1]:%H:%M:%S}"
    if period_s >= LEAST_MARK_S and first_s == period_s:
        return True, (
            f"{stamps}: taken to mark the end of what a row tells of, since the first row comes "
            "one period after midnight; check time_marks"
        )
    if period_s >= LEAST_MARK_S and first_s == 0 and last_s == _DAY_S - period_s:
        return False, f"{stamps}: they mark the start of what a row tells of"
    return False, (
        "stamps are taken to mark the start of what a row tells of; if they mark its end, write "
        'time_marks = "end"'
    )
