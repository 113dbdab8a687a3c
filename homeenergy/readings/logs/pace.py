"""How often a log has a row, what its stamps mark, and how long a value holds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import tzinfo
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.readings.logs.rows import (
    LONG_SHARE,
    PACE_OFF,
    USUAL_S,
    default_hold_ns,
    find_period_ns,
    has_pace,
    long_steps_recur,
    uneven_pace_ns,
)
from homeenergy.units import NS_PER_S

A_ROW = "a row every "
_DAY_S = 86_400.0
LEAST_MARK_S = 60.0  # a shorter period next to midnight is chance, and matters little
_CLEAR_JUMP = 2.0  # between the steps of a log that goes on and those of a gap
_RARE = 0.02  # of the steps; gaps are no more
_LEAST_STEPS = 20
MOSTLY_NEW = 0.9  # share of the rows of a log on change that have another value; own choice
BY_CHANCE = 1e-3  # of the steps, and of the columns
FEW_LONG = 0.01  # of the steps
_STRETCH, _MOST_EVEN = 64, 0.8  # rows, and share of the stretches; own choice
_LONGEST_SAMPLE_S = 60
_LEAST_SILENCE_S = 60.0


def pace_remark(times_ns: NDArray[np.int64]) -> str | None:
    """Say how often a row comes and from when on."""
    period = find_period_ns(times_ns)
    if period is None:
        return None
    first = pd.Timestamp(int(times_ns.min()), unit="ns", tz="UTC")
    pace = (
        f"{A_ROW}{period / NS_PER_S:g} s"
        if has_pace(times_ns, period)
        else "rows have no regular interval"
    )
    return f"{pace}; the first is of {first:%d %B %Y %H:%M:%S} UTC"


def rounding_remark(times_ns: NDArray[np.int64]) -> str | None:
    """Say that stamps are too coarse for how often rows come; None where they are not.

    Notes
    -----
    Own rule. All stamps are multiples of some seconds, of which the pace is none, and in most
    stretches each row is within one such multiple of a constant pace, which it would not be where
    rows are lost.
    """
    steps = np.diff(np.unique(times_ns))
    stretches = np.sort(times_ns)[: times_ns.size // _STRETCH * _STRETCH].reshape(-1, _STRETCH)
    if not steps.size or not len(stretches):
        return None
    grid = int(np.gcd.reduce(steps))
    paces = (stretches[:, -1] - stretches[:, 0]) / (_STRETCH - 1)
    off = stretches - stretches[:, :1] - paces[:, None] * np.arange(_STRETCH)
    even = np.mean(np.abs(off).max(axis=1) <= grid)
    pace = float(np.median(paces)) / grid
    if grid <= NS_PER_S or even < _MOST_EVEN or abs(pace - round(pace)) <= PACE_OFF:
        return None
    grid_s = grid / NS_PER_S
    return (
        f"stamps are rounded to {grid_s:g} s, but a row comes about every {pace * grid_s:.3g} s: "
        f"instants are off by up to {grid_s:g} s, and energies of short runs with them"
    )


def time_marks(
    times_ns: NDArray[np.int64], zone: tzinfo, *, in_utc: bool = False, ends: bool = False
) -> tuple[bool, str]:
    """Whether stamps mark the ends of their periods, and a remark that says why.

    Parameters
    ----------
    times_ns : numpy.ndarray, shape (n,), int64
        Instants of the rows as stamped.
    zone : tzinfo
        Zone in which the days of the log begin.
    in_utc : bool
        Whether stamps are written in UTC, so that the log may begin with a day of UTC as well.
    ends : bool
        Whether the log says that stamps mark ends.

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
    if ends:
        return True, (
            "stamps are taken to mark the end of a row's period, as the head of the times or 24:00 "
            "among them says; check time_marks"
        )
    of_utc = in_utc and int(times_ns.min()) % (_DAY_S * NS_PER_S) == 0
    if period_s >= LEAST_MARK_S and first_s == period_s and not of_utc:
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


def has_clear_pace(times_ns: NDArray[np.int64]) -> bool:
    """Whether rows come at a pace, and no longer steps recur."""
    period = find_period_ns(times_ns)
    return (
        period is not None
        and has_pace(times_ns, period)
        and not long_steps_recur(times_ns, default_hold_ns(period), share=LONG_SHARE)
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Source:
    """Rows of a circuit, or of several that share them: instants, and the readings of the first."""

    times_ns: NDArray[np.int64]
    readings: NDArray[np.floating[Any]]

    def in_order(self) -> Source:
        """The same, by time."""
        order = np.argsort(self.times_ns, kind="stable")
        return Source(times_ns=self.times_ns[order], readings=self.readings[order])

    @property
    def is_regular(self) -> bool:
        """Whether it has a clear pace, and no steps that are long where nothing changes."""
        if not has_clear_pace(self.times_ns):
            return False
        period = find_period_ns(self.times_ns)
        steps = np.diff(self.times_ns)
        long = period is not None and np.mean(steps > default_hold_ns(period)) > FEW_LONG
        return not (long and self.surely_changes)

    @property
    def surely_changes(self) -> bool:
        """Whether no reading repeats the one before it, though in any other order some would."""
        _, times = np.unique(self.readings, return_counts=True)
        expected = float(np.sum(times * (times - 1.0))) / max(self.readings.size, 1)
        return self.changes == 1.0 and expected >= -np.log(BY_CHANCE)  # Poisson

    @property
    def changes(self) -> float:
        """Share of the rows whose value differs from the one before."""
        return (
            float(np.mean(self.readings[1:] != self.readings[:-1]))
            if self.readings.size > 1
            else 1.0
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Pace:
    """What has to be stated of the pace of a log, and why; nothing where it is regular."""

    period_s: float | None = None
    hold_s: float | None = None
    silence_s: float | None = None
    on_change: bool = False
    remarks: tuple[str, ...] = field(default=())


def find_pace(sources: Sequence[Source], *, sparse: bool = False) -> Pace:
    """Sample length and hold of a log, where its rows do not come at a regular pace.

    Parameters
    ----------
    sources : sequence of Source
        One for each circuit; a single one where all circuits share their rows.
    sparse : bool
        Whether most cells of a row are empty, so that a row tells only of what has changed.

    Notes
    -----
    Own rules. Rows without a regular pace come on change where nearly every one has another value
    than the one before of its circuit. A value then holds until the next row of its circuit, as
    long as the log as a whole goes on: the longest step between any two of its rows is the last
    before the steps at least double, among the rarest 2 % of the steps. Where values repeat, or no
    other circuit is there, a value holds across such a step of its own circuit.
    """
    sources = [source.in_order() for source in sources if source.times_ns.size > 1]
    irregular = [source for source in sources if not source.is_regular]
    if not sources or not (irregular or sparse):
        return Pace()
    on_change = sparse or float(np.median([one.changes for one in irregular])) >= MOSTLY_NEW
    own = [np.diff(one.times_ns) for one in irregular or sources]
    quick = [uneven_pace_ns(one.times_ns) for one in irregular]
    known = [period for period in quick if period is not None]
    if known and len(known) == len(quick) and not sparse and (len(sources) == 1 or not on_change):
        return _uneven(min(known))
    steps = np.concatenate(own)
    usual = float(np.quantile(steps[steps > 0], 0.25)) / NS_PER_S if (steps > 0).any() else 1.0
    period_s = float(max([s for s in USUAL_S if s <= min(usual, _LONGEST_SAMPLE_S)], default=1))
    remarks = [f"power is kept as means of {period_s:g} s (period_s)"]
    if on_change and (len(sources) > 1 or sparse):
        every = np.sort(np.concatenate([source.times_ns for source in sources]))
        longest_s = longest_step_s(np.diff(every))
        remarks.append(
            "rows come on change: a value holds until the next row of its circuit, and "
            f"{_length(longest_s)} without a row of any circuit is a gap (silence_s)"
        )
        return Pace(period_s=period_s, silence_s=longest_s, on_change=True, remarks=tuple(remarks))
    longest_s = max(longest_step_s(one) for one in own)
    remarks.append(
        "rows come on change, and no other circuit shows that the log went on: a value holds for "
        f"up to {_length(longest_s)} (hold_s), and what lies beyond is missing. If days without a "
        "row are days without a change, raise hold_s, or the mean is of days of use alone"
        if on_change
        else f"rows have no regular interval: a value holds for up to {_length(longest_s)} (hold_s)"
    )
    if steps.size < _LEAST_STEPS:
        remarks.append("it has few rows, so its pace is a guess")
    return Pace(period_s=period_s, hold_s=longest_s, on_change=on_change, remarks=tuple(remarks))


def pace_of_lone(sources: Sequence[Source]) -> Pace:
    """Pace of a regular log in which one circuit has a single reading, which shows none."""
    periods = [find_period_ns(source.times_ns) for source in sources]
    known = [period for period in periods if period is not None]
    if not known or len(known) == len(periods):
        return Pace()
    period_s = min(known) / NS_PER_S
    return Pace(
        period_s=period_s,
        remarks=(f"a circuit has a single reading: it is taken to last {period_s:g} s (period_s)",),
    )


def _uneven(period_ns: int) -> Pace:
    """Pace of a log whose rows come unevenly, yet never seldom."""
    period_s, hold_s = period_ns / NS_PER_S, default_hold_ns(period_ns) / NS_PER_S
    return Pace(
        period_s=period_s,
        hold_s=hold_s,
        remarks=(
            f"the pace changes: power is kept as means of {period_s:g} s, its quickest usual step "
            f"(period_s), and a value holds for up to {hold_s:g} s (hold_s)",
        ),
    )


def longest_step_s(steps_ns: NDArray[np.int64]) -> float:
    """Longest step after which a log goes on as usual [s], rounded up to whole minutes."""
    steps_s = np.sort(steps_ns[steps_ns > 0]) / NS_PER_S
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
