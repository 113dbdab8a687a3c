"""How often a log has a row, what its stamps mark, and how long a value holds."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import tzinfo

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.readings.logs.rows import (
    LONG_SHARE,
    USUAL_S,
    default_hold_ns,
    find_period_ns,
    has_pace,
    long_steps_recur,
)
from homeenergy.units import NS_PER_S

_DAY_S = 86_400.0
LEAST_MARK_S = 60.0  # a shorter period next to midnight is chance, and matters little
_CLEAR_JUMP = 2.0  # between the steps of a log that goes on and those of a gap
_RARE = 0.02  # of the steps; gaps are no more
_LEAST_STEPS = 20
_LONGEST_SAMPLE_S = 60
_LEAST_SILENCE_S = 60.0


def pace_remark(times_ns: NDArray[np.int64]) -> str | None:
    """Say how often a row comes and from when on."""
    period = find_period_ns(times_ns)
    if period is None:
        return None
    first = pd.Timestamp(int(times_ns.min()), unit="ns", tz="UTC")
    pace = (
        f"a row every {period / NS_PER_S:g} s"
        if has_pace(times_ns, period)
        else "rows have no regular interval"
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
            f"{stamps}: taken to mark the end of a row's period, since the first row comes "
            "one period after midnight; check time_marks"
        )
    if period_s >= LEAST_MARK_S and first_s == 0 and last_s == _DAY_S - period_s:
        return False, f"{stamps}: they mark the start of a row's period"
    return False, (
        "stamps are taken to mark the start of a row's period; if they mark its end, write "
        'time_marks = "end"'
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Pace:
    """What has to be stated of the pace of a log, and why; nothing where it is regular."""

    period_s: float | None = None
    hold_s: float | None = None
    silence_s: float | None = None
    remarks: tuple[str, ...] = field(default=())


def find_pace(sources: list[NDArray[np.int64]], *, sparse: bool = False) -> Pace:
    """Sample length and hold of a log, where its rows do not come at a regular pace.

    Parameters
    ----------
    sources : list of numpy.ndarray, int64
        Instants of the rows of each circuit; of one array where all circuits share their rows.
    sparse : bool
        Whether most cells of a row are empty, so that a row tells only of what has changed.

    Notes
    -----
    Own rules. Rows come on change where a circuit has no regular pace, or where steps too long to
    hold recur. A value then holds until the next row of its circuit, as long as the log as a whole
    goes on: the longest step between any two of its rows after which it goes on as usual is the
    last before the steps at least double, among the rarest 2 % of the steps.
    """
    sources = [np.sort(times) for times in sources if times.size > 1]
    if not sources:
        return Pace()
    regular = True
    for times in sources:
        period = find_period_ns(times)
        regular &= (
            period is not None
            and has_pace(times, period)
            and not long_steps_recur(times, default_hold_ns(period), share=LONG_SHARE)
        )
    if regular and not sparse:
        return Pace()
    every = np.unique(np.concatenate(sources))
    steps = np.sort(np.diff(every)) / NS_PER_S
    own = np.concatenate([np.diff(times) for times in sources])
    usual = float(np.quantile(own[own > 0], 0.25)) / NS_PER_S if (own > 0).any() else 1.0
    period_s = float(max([s for s in USUAL_S if s <= min(usual, _LONGEST_SAMPLE_S)], default=1))
    silence_s = _longest_step(steps)
    several = len(sources) > 1 or sparse
    text = (
        f"rows come on change: a value holds until the next row of its circuit, and "
        f"{_length(silence_s)} without a row of any circuit is a gap (silence_s)"
        if several
        else f"rows come on change, and no other circuit shows that the log went on: a value holds "
        f"for up to {_length(silence_s)} (hold_s), and what lies beyond is missing. If days "
        "without a row are days without a change, raise hold_s"
    )
    remarks = [text, f"power is kept as means of {period_s:g} s (period_s)"]
    if steps.size < _LEAST_STEPS:
        remarks.append("it has few rows, so this is a guess")
    if several:
        return Pace(period_s=period_s, silence_s=silence_s, remarks=tuple(remarks))
    return Pace(period_s=period_s, hold_s=silence_s, remarks=tuple(remarks))


def _longest_step(steps_s: NDArray[np.float64]) -> float:
    """Longest step after which a log goes on as usual [s], rounded up to whole minutes."""
    if steps_s.size == 0:
        return _LEAST_SILENCE_S
    first = max(int(steps_s.size * (1 - _RARE)) - 1, 0)
    tail = np.maximum(steps_s[first:], 1e-3)
    jumps = tail[1:] / tail[:-1]
    usual = tail[int(np.argmax(jumps >= _CLEAR_JUMP))] if (jumps >= _CLEAR_JUMP).any() else tail[-1]
    longest = max(float(usual) * _CLEAR_JUMP**0.5, _LEAST_SILENCE_S)
    return float(np.ceil(longest / 60.0) * 60.0)


def _length(seconds: float) -> str:
    if seconds < 7200:
        return f"{seconds / 60:g} min"
    return f"{seconds / 3600:.3g} h" if seconds < 2 * _DAY_S else f"{seconds / _DAY_S:.3g} days"
