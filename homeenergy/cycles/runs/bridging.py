"""Pauses: which breaks belong to a run, and which lie between two runs.

No single bridging time fits all appliances, so the breaks of this appliance decide: whether they
fall into two clearly different families, what the pieces on both sides are worth, and whether what
follows a break begins as a run begins. Own method; its constants say what a compressor, a
thermostat or a programme can do (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from homeenergy.cycles.runs.levels import SPIKE_PERIOD_S, Levels
from homeenergy.cycles.segment import kernels
from homeenergy.cycles.segment.plateaus import Plateaus
from homeenergy.house.kinds import KINDS
from homeenergy.units import S_PER_H


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fragments:
    """Stretches above a level, one entry each, in order.

    `first_plateau` and `stop_plateau` number plateaus, `first` and `stop` samples (half-open).
    `excess_wh` is the energy above idle. `works` says whether the working level was reached.
    """

    first_plateau: NDArray[np.int64]
    stop_plateau: NDArray[np.int64]
    first: NDArray[np.int64]
    stop: NDArray[np.int64]
    n: NDArray[np.int64]
    excess_wh: NDArray[np.float64]
    works: NDArray[np.bool_]
    period_s: float

    def __len__(self) -> int:
        return self.first.size

    @property
    def duration_s(self) -> NDArray[np.floating]:
        """Length of each fragment [s]."""
        return (self.stop - self.first) * self.period_s

    @property
    def pause_s(self) -> NDArray[np.floating]:
        """Time from the end of each fragment to the start of the next [s], shape (m - 1,)."""
        return (self.first[1:] - self.stop[:-1]) * self.period_s


def find_fragments(plateaus: Plateaus, levels: Levels) -> Fragments:
    """Stretches of plateaus above the low level, single-sample spikes left out.

    A gap in the data ends a fragment: what follows it is another.
    """
    a, b, n, sum_w, above = kernels.stretches(
        plateaus.mean_w,
        plateaus.n,
        plateaus.sum_w,
        plateaus.hole_follows,
        levels.low_w,
        levels.on_w,
    )
    if plateaus.period_s <= SPIKE_PERIOD_S:
        kept = n > 1
        a, b, n, sum_w, above = a[kept], b[kept], n[kept], sum_w[kept], above[kept]
    excess_w = sum_w - levels.idle_w * n
    mean_w = sum_w / n
    lone = 1 if plateaus.period_s > SPIKE_PERIOD_S else 2
    return Fragments(
        first_plateau=a,
        stop_plateau=b,
        first=plateaus.first[a],
        stop=plateaus.stop[b - 1],
        n=n,
        excess_wh=excess_w * plateaus.period_s / 3600,
        works=(above >= lone) | ((above > 0) & (mean_w > levels.on_w)),
        period_s=plateaus.period_s,
    )


def sums_of(values: NDArray, first: NDArray[np.int64], stop: NDArray[np.int64]) -> NDArray:
    """Sum of values[first:stop] for each pair."""
    upto = np.r_[np.zeros(1, values.dtype), np.cumsum(values)]
    return upto[stop] - upto[first]


# Valves, reversal of a motor, a lost second: always inside a run.
ALWAYS_S = 5.0
# A false start or the rhythm of a magnetron.
SHORT_S = 40.0
# Longest pause inside a programme (drying with the pump off), and between two pulses of keep-warm.
LONGEST_S, LONGEST_BETWEEN_PULSES_S = 3600.0, 1200.0
# Pulses of a session follow at random: a break of so many times their median is none of them, and
# so many pulses, each worth at most a share of what opened the session, show one.
RARE_BREAK, LEAST_PULSES, PULSE_SHARE = 10.0, 3, 1 / 3
# Heating that goes on and off for longer than this is a thermostat's, not a person's session.
LONGEST_SESSION_S = 4 * 3600.0
# A pause longer than this can lie between two uses even where pauses as long belong to runs.
PARTING_S = 360.0
SHORTEST_PARTING_S = 30.0
# Toast and the like; longer parts with a short break between them are one use interrupted.
LONGEST_EQUAL_S = 300.0
# A break of at most two minutes, slight compared with both its neighbours, interrupts one use of a
# machine (a dryer opened, a vacuum cleaner moved on); lamps and fans are switched on and off.
LONGEST_INTERRUPTION_S, INTERRUPTION_SHARE, LEAST_MACHINE_W = 120.0, 0.1, 400.0
CLEAR_RATIO = 2.0
# A piece worth less than this share of the other side of a pause is no use of its own.
SUBSTANTIAL = 0.1
# How a run begins: energy above idle over its first minutes.
BEGINNING_S = np.arange(60.0, 1201.0, 60.0)
ALIKE, VERY_ALIKE = 0.45, 0.08
# A part of a run that lasts, and is worth, at least this share of another run can be a run.
AS_LONG, FEW_RUNS = 0.8, 2
# One odd beginning among many does not decide: this share of them must be near.
NEAR_SHARE = 0.2
MOST_BEGINNINGS = 200


def pause_limit_s(fragments: Fragments, plateaus: Plateaus, *, kind: str) -> float:
    """Longest pause inside a run [s], from the breaks of this appliance."""
    short_s = max(SHORT_S, 1.5 * plateaus.period_s) if plateaus.period_s < SHORT_S else ALWAYS_S
    bridging = KINDS[kind].bridging
    if bridging.pauses == "short":
        return max(short_s, bridging.least_pause_s)
    if len(fragments) < 2:
        return short_s
    sessions = bridging.pauses == "sessions"
    # The rhythm of a magnetron or an element is no pulse of a session.
    pieces = merged(fragments, fragments.pause_s <= short_s) if sessions else fragments
    edges = np.array(
        [
            (pieces.first[0] - plateaus.first[0]) * plateaus.period_s,
            (plateaus.stop[-1] - pieces.stop[-1]) * plateaus.period_s,
        ]
    )
    covered_s = float(plateaus.n.sum()) * plateaus.period_s
    limits_s = family_limits_s(pieces.pause_s, edges, covered_s=covered_s)
    if not sessions:
        return next((limit_s for limit_s in limits_s if limit_s > short_s), short_s)
    breaks_s = pieces.pause_s[pieces.pause_s <= LONGEST_BETWEEN_PULSES_S]
    if breaks_s.size >= LEAST_PULSES:
        limits_s.append(RARE_BREAK * float(np.median(breaks_s)))
    for limit_s in limits_s:
        limit_s = min(limit_s, LONGEST_BETWEEN_PULSES_S)
        if limit_s > short_s and are_sessions(pieces, pieces.pause_s <= limit_s):
            return limit_s
    return short_s


def family_limits_s(
    pause_s: NDArray[np.floating], edge_s: NDArray[np.floating], *, covered_s: float
) -> list[float]:
    """Limits between a family of short and a family of long breaks [s], the longest first.

    Breaks are sorted; the families part where a break is at least `CLEAR_RATIO` times the next
    shorter one. The long family must fill at least half of the time: an appliance that is used now
    and then rests mostly, a compressor does not. The rests at the ends of the data (`edge_s`) are
    at least so long and count among the long ones.
    """
    breaks = np.sort(np.r_[pause_s[pause_s > ALWAYS_S], edge_s[edge_s > LONGEST_S / 4]])
    if breaks.size < 2:
        return []
    rest_s = np.cumsum(breaks[::-1])[::-1][1:]
    fits = (
        (breaks[:-1] <= LONGEST_S)
        & (breaks[1:] >= CLEAR_RATIO * breaks[:-1])
        & (rest_s >= covered_s / 2)
    )
    k = np.flatnonzero(fits)[::-1]
    return np.sqrt(breaks[k] * breaks[k + 1]).tolist()


def are_sessions(fragments: Fragments, joins: NDArray[np.bool_]) -> bool:
    """Whether joined pieces are sessions of a person: heated up first, then kept warm by pulses.

    A session has several pieces, of which the later ones are worth a `PULSE_SHARE` of the first,
    and ends within hours.
    """
    found = groups(joins)
    sessions = found[found[:, 1] - found[:, 0] >= 3].tolist()
    if len(sessions) < len(found) / 2:
        return False
    first = [
        fragments.excess_wh[a] / np.median(fragments.excess_wh[a + 1 : b]) for a, b in sessions
    ]
    lasts_s = [
        (fragments.stop[b - 1] - fragments.first[a]) * fragments.period_s for a, b in sessions
    ]
    return bool(np.median(first) >= 1 / PULSE_SHARE and np.median(lasts_s) <= LONGEST_SESSION_S)


def join_sessions(fragments: Fragments, joins: NDArray[np.bool_]) -> None:
    """Join an opening and the small pulses that follow it: heated up, then kept warm.

    What is joined already counts as one piece. A session begins with an opening before a pulse and
    goes on until a break is `RARE_BREAK` times the median of its breaks, for hours at most. O(m).
    """
    found = groups(joins)
    pieces = merged(fragments, joins)
    pause_s, worth = pieces.pause_s, pieces.excess_wh
    opens = (worth[1:] <= PULSE_SHARE * worth[:-1]) & (pause_s <= LONGEST_BETWEEN_PULSES_S)
    until_n = pieces.first + LONGEST_SESSION_S / pieces.period_s
    i = 0
    while i < pause_s.size:
        if not opens[i]:
            i += 1
            continue
        j = i
        while (
            j < pause_s.size
            and pause_s[j] <= LONGEST_BETWEEN_PULSES_S
            and pieces.stop[j + 1] <= until_n[i]
        ):
            usual_s = float(np.median(pause_s[i:j])) if j - i >= LEAST_PULSES else np.inf
            if pause_s[j] > max(RARE_BREAK * usual_s, RARE_BREAK * ALWAYS_S):
                break
            j += 1
        pulses = int(np.sum(worth[i + 1 : j + 1] <= PULSE_SHARE * worth[i]))
        if pulses >= max(LEAST_PULSES, 2 / 3 * (j - i)):
            joins[found[i, 0] : found[j, 1] - 1] = True
            i = j
        i += 1


def join_across_holes(fragments: Fragments, joins: NDArray[np.bool_], *, up_to_usual: bool) -> None:
    """Join what is on at both edges of a gap in the data, if it can have been on all the while.

    The level must be similar, and the gap no longer than an hour; with `up_to_usual`, no longer
    than the usual pause of the appliance, because it must have paused in a longer one.
    """
    hole = fragments.stop_plateau[:-1] == fragments.first_plateau[1:]
    if not hole.any():
        return
    level_w = fragments.excess_wh / fragments.n
    near = np.minimum(level_w[1:], level_w[:-1]) >= 0.7 * np.maximum(level_w[1:], level_w[:-1])
    pauses_s = fragments.pause_s[~hole]
    usual_s = float(np.median(pauses_s)) if up_to_usual and pauses_s.size else LONGEST_S
    joins |= hole & near & (fragments.pause_s <= min(usual_s, LONGEST_S))


def groups(joins: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Half-open ranges of fragments that are joined, shape (m, 2).

    `joins[i]` links fragments i and i + 1.
    """
    bounds = np.r_[0, np.flatnonzero(~joins) + 1, joins.size + 1]
    return np.c_[bounds[:-1], bounds[1:]]


def merged(fragments: Fragments, joins: NDArray[np.bool_]) -> Fragments:
    """Fragments of which those that are linked count as one."""
    begin, end = groups(joins).T
    return replace(
        fragments,
        first_plateau=fragments.first_plateau[begin],
        stop_plateau=fragments.stop_plateau[end - 1],
        first=fragments.first[begin],
        stop=fragments.stop[end - 1],
        n=sums_of(fragments.n, begin, end),
        excess_wh=sums_of(fragments.excess_wh, begin, end),
        works=sums_of(fragments.works.astype(np.int64), begin, end) > 0,
    )


def join_fragments(
    fragments: Fragments, plateaus: Plateaus, *, limit_s: float, kind: str, idle_w: float
) -> NDArray[np.bool_]:
    """Which neighbouring fragments belong to one run, shape (m - 1,)."""
    bridging = KINDS[kind].bridging
    mixed = bridging.programmes
    pause_s = fragments.pause_s
    joins = pause_s <= limit_s
    if not joins.size:
        return joins
    if bridging.interruptions:
        beside_s = np.minimum(fragments.duration_s[1:], fragments.duration_s[:-1])
        slight = pause_s <= np.minimum(LONGEST_INTERRUPTION_S, INTERRUPTION_SHARE * beside_s)
        power_w = fragments.excess_wh * S_PER_H / (fragments.n * fragments.period_s)
        joins |= slight & (np.minimum(power_w[1:], power_w[:-1]) >= LEAST_MACHINE_W)
    if mixed:
        _attach_tails(fragments, joins)
    _part_at_starts(fragments, plateaus, joins, limit_s=limit_s, idle_w=idle_w, mixed=mixed)
    if not mixed:
        _part_equals(fragments, joins)
    if bridging.pauses == "sessions":
        join_sessions(fragments, joins)
    return joins


def _attach_tails(fragments: Fragments, joins: NDArray[np.bool_]) -> None:
    """Join a slight last piece (a drain pulse, anti-crease turns) to the programme before it."""
    begin = groups(joins)[:, 0]
    energy = np.add.reduceat(fragments.excess_wh, begin)
    usual = np.median(energy[energy >= SUBSTANTIAL * energy.max()])
    slight = (energy[1:] < 0.05 * usual) & (energy[:-1] >= 0.05 * usual)
    before = begin[1:] - 1
    joins[before[slight & (fragments.pause_s[before] <= LONGEST_S)]] = True


def _part_at_starts(
    fragments: Fragments,
    plateaus: Plateaus,
    joins: NDArray[np.bool_],
    *,
    limit_s: float,
    idle_w: float,
    mixed: bool,
) -> None:
    """Cut joined fragments where another use begins.

    That is at a pause over `PARTING_S` after which the power goes as at the start of a run
    (compared with all starts after a long rest), if both sides are substantial. A programme ends
    even at a shorter pause if both sides last as long and are worth as much as other runs of this
    machine do by themselves; where too few are known, if the two sides are similar.
    """
    joined = groups(joins)
    seen = after_rest(fragments, plateaus, limit_s=limit_s)
    begin_at = joined[seen[joined[:, 0]], 0]
    begin_at = begin_at[:: max(1, begin_at.size // MOST_BEGINNINGS)]
    excess_w = plateaus.sum_w - idle_w * plateaus.n
    starts = _beginnings(fragments, plateaus, begin_at, excess_w)
    if not starts.size:
        return

    def begins(i: int, share: float, most: float) -> bool:
        (beginning,) = _beginnings(fragments, plateaus, np.array([i]), excess_w)
        return _off(starts, beginning, share) < most

    pause_s = fragments.pause_s
    if mixed:
        # A dip of a sample or two can be anything.
        _part(
            fragments,
            joins,
            pause_s >= max(SHORTEST_PARTING_S, 3 * fragments.period_s),
            _are_runs,
            lambda i: begins(i, 0.0, VERY_ALIKE),
        )
    _part(
        fragments,
        joins,
        pause_s > max(PARTING_S, 3 * fragments.period_s),
        lambda sides, _: sides[:, 1].min() >= SUBSTANTIAL * sides[:, 1].max(),
        lambda i: begins(i, NEAR_SHARE, ALIKE),
    )


def _part(
    fragments: Fragments,
    joins: NDArray[np.bool_],
    doubtful: NDArray[np.bool_],
    are_runs: Callable[[NDArray[np.float64], NDArray[np.float64]], bool],
    begins: Callable[[int], bool],
) -> None:
    """Cut joined fragments at doubtful pauses, if both sides are runs and the second begins as one.

    `are_runs` is given length and worth of the two sides, and those of all other runs.
    """
    joined = groups(joins)
    begin, end = joined.T
    upto = np.r_[0.0, np.cumsum(fragments.excess_wh)]
    whole = np.c_[fragments.stop[end - 1] - fragments.first[begin], upto[end] - upto[begin]]
    breaks = sums_of(doubtful.astype(np.int64), begin, end - 1)
    for k in np.flatnonzero(breaks > 0).tolist():
        a, b = joined[k].tolist()
        others = np.delete(whole, k, axis=0)
        for i in (a + 1 + np.flatnonzero(doubtful[a : b - 1])).tolist():
            lasts = (
                fragments.stop[i - 1] - fragments.first[a],
                fragments.stop[b - 1] - fragments.first[i],
            )
            sides = np.c_[lasts, (upto[i] - upto[a], upto[b] - upto[i])]
            if are_runs(sides, others) and begins(i):
                joins[i - 1] = False
                a = i


def _are_runs(sides: NDArray[np.float64], others: NDArray[np.float64]) -> bool:
    """Whether both sides of a break, rows of length and worth, are each like another run.

    With less than `FEW_RUNS` others to compare with: whether they are like one another.
    """
    known = others if len(others) >= FEW_RUNS else sides[::-1]
    ratio = np.minimum(sides[:, None] / known, known / sides[:, None]).min(axis=2)
    if known is not others:
        return bool(ratio[0, 0] >= AS_LONG)
    return bool((ratio.max(axis=1) >= AS_LONG).all())


def after_rest(fragments: Fragments, plateaus: Plateaus, *, limit_s: float) -> NDArray[np.bool_]:
    """Which fragments begin after at least `limit_s` for which there are readings without work.

    A fragment soon after the beginning of the data, or after a gap, can be the rest of a run.
    """
    resumes = plateaus.first[np.r_[True, plateaus.hole_follows]]
    since = resumes[np.searchsorted(resumes, fragments.first, side="right") - 1]
    since = np.maximum(since, np.r_[-(2**62), fragments.stop[:-1]])
    return (fragments.first - since) * fragments.period_s >= limit_s


def _off(known: NDArray[np.float64], beginning: NDArray[np.float64], share: float) -> float:
    """Difference from the nearest `share` of the known beginnings, part of the larger energy."""
    scale = np.maximum(np.maximum(known[:, -1], beginning[-1]), 1e-9)
    off = np.abs(known - beginning).max(axis=1) / scale
    return float(np.quantile(off, share, method="lower"))


def _beginnings(
    fragments: Fragments,
    plateaus: Plateaus,
    which: NDArray[np.int64],
    excess_w: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Energy above idle [Wh] within the times `BEGINNING_S` of the starts of some fragments."""
    out = np.empty((which.size, BEGINNING_S.size))
    kernels.sums_within(
        plateaus.first,
        plateaus.stop,
        excess_w,
        fragments.first_plateau[which],
        BEGINNING_S / plateaus.period_s,
        out,
    )
    return out * plateaus.period_s / S_PER_H


def _part_equals(fragments: Fragments, joins: NDArray[np.bool_]) -> None:
    """Cut two or three equal uses that follow one another at once (a second round of toast).

    Each lasts as long as a use by itself does, where there are such to compare with.
    """
    found, pause_s, lasts = groups(joins), fragments.pause_s, fragments.duration_s
    n = found[:, 1] - found[:, 0]
    alone_s = lasts[found[n == 1, 0]]
    usual_s = float(np.median(alone_s)) if alone_s.size else np.nan
    for a, b in found[(n == 2) | (n == 3)].tolist():
        lasts_s = lasts[a:b]
        pauses_s = pause_s[a : b - 1]
        equal = LONGEST_EQUAL_S >= lasts_s.max() <= lasts_s.min() / 0.7
        as_usual = not lasts_s.min() < 0.5 * usual_s
        if equal and as_usual and lasts_s.min() >= 3 * pauses_s.max() >= 3 * ALWAYS_S:
            joins[a : b - 1] = False
