"""Which switched parts belong to one load: by when they come, hardly by what they draw.

Own method. Each pair of parts has log odds that they are of one load, from counts of coincidences
against those that other days show at the same hour: one part within the time of the other, both
switched at one instant, both started at the same time of day. The best partition of the parts has
the greatest sum of odds within its groups.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import permutations

import numpy as np
from numpy.typing import NDArray
from scipy.special import bdtrc, expit

from homeenergy.units import S_PER_DAY

Times = tuple[NDArray[np.floating], NDArray[np.floating]]
"""Starts and ends [s], in order."""

# Parts of one load come within its use, or right at its ends; uses of one part closer than this are
# one occasion, and more than so many occasions say no more.
MARGIN_S, OCCASION_S, MOST_OCCASIONS = 60.0, 1800.0, 12
# How often a part comes within the other of one load; and how often it is used by itself instead.
WITHIN, BY_ITSELF = 0.93, 0.03
# Closeness at which switchings are at one instant, and starts at the same time of day.
AT_ONCE_S, SAME_CLOCK_S = (5.0, 90.0), (300.0, 900.0)
# Coincidences by chance are so much more frequent as people are awake for a third of the day.
AWAKE = 3.0
# What counting several kinds of coincidence in their best light costs.
CHOSEN = 2.0
# What each comparison of two parts adds to their log odds, fitted to sums of real appliances of one
# half and of simulated ones, so that the right partition is likely among all (a conditional random
# field of partitions): kinds of coincidence, likeness of watts and of lengths, constant; time
# together and apart beyond chance; likeness of the hours of the day.
WEIGHTS = {
    "within": 0.4,
    "at_once": 0.16,
    "clock": 0.35,
    "same_watts": 6.39,
    "like_watts": 2.72,
    "like_length": 1.29,
    "constant": -2.52,
    "together": 1.37,
    "apart": 4.1,
    "hours": 1.48,
}
# Widths of likenesses [ln], and the most that coincidences count for [log odds].
ALIKE_WATTS, LIKE_WATTS, LIKE_LENGTH = 0.05, 0.8, 1.0
MOST_WITHIN, MOST_AT_ONCE, MOST_CLOCK = 12.0, 15.0, 10.0
# Shares of time are worth as much as coincidences at this factor, where occasions are many.
BY_SHARE = 4.0
# How much more a pair counts that bears more energy.
BY_ENERGY = 0.15
# The least share of energy that a load is taken to have, and how much it counts.
LEAST_SHARE, BY_LEAST = 0.003, 0.6
# How often uses of two parts meet, if each is a phase of one load: nearly always, or hardly ever.
ALWAYS, NEVER = 0.97, 0.02
# What comes this long before or after a use may be a phase of it.
FOLLOWS_S = 900.0
# What meetings on other days, and stretches that are tried there, are added to. Own rule.
AS_FAR_AS_KNOWN = 0.2, 1.0
# Share of time that two parts are taken to be on together, where the log is too short to say.
ELSE_TOGETHER = 0.3
# Share of time together that is too little to say that two parts are on at a time.
RARELY = 0.02
# Chance of dividing a part of one load among two, among all pairs of parts.
DIVIDED_BY_CHANCE = 0.01
# Looked at about the same hour of other days.
HOURS_S = np.array([-4000.0, -1500.0, 0.0, 1500.0, 4000.0])


def occasions(times: Times) -> NDArray[np.float64]:
    """First start and last end of uses that follow one another closely, shape (n, 2) [s]."""
    start, stop = times
    if not start.size:
        return np.empty((0, 2))
    last = np.maximum.accumulate(stop)
    cut = np.flatnonzero(start[1:] - last[:-1] > OCCASION_S)
    return np.c_[start[np.r_[0, cut + 1]], last[np.r_[cut, -1]]]


def evidence(
    times: list[Times], watts: NDArray[np.float64], *, span_s: float
) -> NDArray[np.float64]:
    """Log odds that two parts are of one load, shape (k, k).

    Parameters
    ----------
    times : list of (starts, ends)
        When each part is on [s].
    watts : array, shape (k,)
    span_s : float
        Length of the log [s].
    """
    compared = comparisons(times, watts, span_s=span_s)
    return np.asarray(sum(WEIGHTS[name] * x for name, x in compared.items()))


def comparisons(
    times: list[Times], watts: NDArray[np.float64], *, span_s: float
) -> dict[str, NDArray[np.float64]]:
    """How each pair of parts compares, by name as in `WEIGHTS`, each (k, k) with zero diagonal."""
    k = len(times)
    log_s = [float(np.median(np.log(stop - start))) for start, stop in times]
    wide = [occasions(one) for one in times]
    hours = [_hours(one) for one in times]
    compared = {name: np.zeros((k, k)) for name in WEIGHTS}
    for a in range(k):
        for b in range(a):
            one, other = times[a], times[b]
            near = max(_within(wide[a], other, span_s), _within(wide[b], one, span_s))
            at_once = max(_at_once(one, other, span_s), _at_once(other, one, span_s))
            clock = max(_same_clock(wide[a], wide[b]), _same_clock(wide[b], wide[a]))
            by_watts = np.log(watts[a] / watts[b])
            fewest = min(len(wide[a]), len(wide[b]), MOST_OCCASIONS)
            trust = BY_SHARE * np.sqrt(fewest / MOST_OCCASIONS)
            met, by_chance = _time_together(one, other, span_s)
            beyond = met - by_chance
            # What is on twice at a time is not one switch.
            once = 1 - min(met / max(by_chance, RARELY), 1.0)
            of_pair = {
                "within": min(np.logaddexp(np.log(BY_ITSELF), near), MOST_WITHIN),
                "at_once": min(at_once, MOST_AT_ONCE),
                "clock": min(clock, MOST_CLOCK),
                "same_watts": once * bell(by_watts, ALIKE_WATTS),
                "like_watts": bell(by_watts, LIKE_WATTS),
                "like_length": bell(log_s[a] - log_s[b], LIKE_LENGTH),
                "constant": 1.0,
                "together": trust * max(beyond, 0.0),
                "apart": trust * max(-beyond, 0.0),
                "hours": trust * (float(np.sqrt(hours[a] * hours[b]).sum()) - 1),
            }
            for name, x in of_pair.items():
                compared[name][a, b] = compared[name][b, a] = x
    return compared


def _hours(times: Times) -> NDArray[np.float64]:
    """Shares of starts in eight stretches of the day, smoothed, shape (8,)."""
    count = np.bincount((times[0] % S_PER_DAY // (S_PER_DAY / 8)).astype(int), minlength=8)[:8]
    smooth = count + 0.5 * (np.roll(count, 1) + np.roll(count, -1))
    return np.asarray(smooth / smooth.sum())


def _time_together(one: Times, other: Times, span_s: float) -> tuple[float, float]:
    """Share of the time of the part that is on less in which the other is on, and that by chance.

    By chance is what other days show at about the same hour.
    """
    inner, outer = sorted((one, other), key=lambda times: (times[1] - times[0]).sum())
    start, stop = inner
    ends = np.maximum.accumulate(outer[1])
    begins = np.maximum(outer[0], np.r_[0.0, ends[:-1]])
    knots = np.maximum.accumulate(np.c_[begins, ends].ravel())
    on_s = np.cumsum(np.r_[0.0, np.diff(knots) * (np.arange(knots.size - 1) % 2 == 0)])

    def drawn(at_s: NDArray[np.floating]) -> NDArray[np.float64]:
        return np.interp(at_s, knots, on_s)

    shift = _other_days(span_s)[:, None]
    inside = (start + shift >= 0) & (stop + shift <= span_s)
    length = np.broadcast_to(stop - start, inside.shape)[inside].sum()
    met = (drawn(stop + shift) - drawn(start + shift))[inside].sum()
    chance = met / length if length > 0 else ELSE_TOGETHER
    return float((drawn(stop) - drawn(start)).sum() / (stop - start).sum()), float(chance)


def _other_days(span_s: float) -> NDArray[np.float64]:
    """How far other days at about the same hour are away [s]."""
    most = int(span_s // S_PER_DAY)
    days = np.arange(-most, most + 1)
    return np.asarray((days[days != 0][:, None] * S_PER_DAY + HOURS_S).ravel())


def bell(x: float, width: float) -> float:
    """Likeness of two figures that differ by `x`: 1 where they are equal."""
    return float(np.exp(-0.5 * (x / width) ** 2))


def _within(inner: NDArray[np.float64], outer: Times, span_s: float) -> float:
    """Log odds from how many occasions of one part begin within the time of another."""
    start = inner[:, 0]
    x, n = float(_inside(start, outer).sum()), float(start.size)
    chance = _by_chance(start, outer, span_s)
    together = max(WITHIN, chance + 0.01)
    share = min(MOST_OCCASIONS / n, 1.0)
    gain = x * np.log(together / chance) + (n - x) * np.log((1 - together) / (1 - chance))
    return float(share * gain)


def independence(one: list[Times], other: list[Times], *, span_s: float) -> float:
    """Log odds that uses of two loads, by their parts, meet as chance has it.

    Else they are phases of one: each use of one comes with a use of the other, right before, within
    or right after it, or never does.
    """
    a, b = (occasions(_joined(parts)) for parts in (one, other))
    found = 0.0
    for mine, theirs in ((a, b), (b, a)):
        near = mine + np.array([-FOLLOWS_S, FOLLOWS_S])
        x, n = float(_meets(near, theirs).sum()), len(near)
        by_chance, always, never = (
            x * np.log(share) + (n - x) * np.log(1 - share)
            for share in (_meet_by_chance(near, theirs, span_s), ALWAYS, NEVER)
        )
        found += by_chance - np.logaddexp(always, never) + np.log(2)
    return float(found)


def _joined(parts: list[Times]) -> Times:
    """Times of several parts as those of one, in order of their starts."""
    start, stop = (np.concatenate(ends) for ends in zip(*parts, strict=True))
    order = np.argsort(start, kind="stable")
    return start[order], stop[order]


def _meet_by_chance(a: NDArray[np.float64], b: NDArray[np.float64], span_s: float) -> float:
    """Share of stretches that would meet one of another list on other days."""
    met, tried = AS_FAR_AS_KNOWN
    for shift in _other_days(span_s):
        moved = a + shift
        moved = moved[(moved[:, 0] >= 0) & (moved[:, 1] <= span_s)]
        met += float(_meets(moved, b).sum()) / HOURS_S.size
        tried += len(moved) / HOURS_S.size
    return float(np.clip(met / tried, 0.01, 0.98))


def _inside(at_s: NDArray[np.float64], outer: Times) -> NDArray[np.bool_]:
    """Whether instants lie within the times of a part, or close to their ends."""
    low, high = outer[0] - MARGIN_S, np.maximum.accumulate(outer[1]) + MARGIN_S
    at = np.searchsorted(low, at_s, side="right") - 1
    return np.asarray((at >= 0) & (at_s <= high[np.maximum(at, 0)]))


def _by_chance(at_s: NDArray[np.float64], outer: Times, span_s: float) -> float:
    """Share of instants that would lie within a part's times on other days, at about the same hour.

    People use things at the same hours, which is no sign that they are one thing.
    """
    moved = (at_s[:, None] + _other_days(span_s)).ravel()
    moved = moved[(moved >= 0) & (moved < span_s)]
    hits = _inside(moved, outer).sum() / HOURS_S.size
    covered = np.minimum(outer[1] - outer[0] + 2 * MARGIN_S, span_s).sum() / span_s
    return float(np.clip((hits + covered) / (moved.size / HOURS_S.size + 1), 0.01, 0.98))


def _at_once(one: Times, other: Times, span_s: float) -> float:
    """Log odds from how often one part switches at the instant of another; never negative."""
    edges, rivals = np.sort(np.concatenate(one)), np.sort(np.concatenate(other))
    at = np.searchsorted(rivals, edges)
    gap = np.minimum(
        np.abs(edges - rivals[np.minimum(at, rivals.size - 1)]),
        np.abs(edges - rivals[np.maximum(at - 1, 0)]),
    )
    often = AWAKE * 2 * min(rivals.size, 4 * edges.size) / span_s
    return max(_coincidences(gap <= near_s, often * near_s) for near_s in AT_ONCE_S)


def _same_clock(one: NDArray[np.float64], other: NDArray[np.float64]) -> float:
    """Log odds from how often occasions begin at the same time of day; never negative."""
    mine, theirs = one[:, 0] % S_PER_DAY, other[:, 0] % S_PER_DAY
    if min(mine.size, theirs.size) < 3:
        return 0.0
    gap = np.abs(mine[:, None] - theirs[-1000:])
    gap = np.minimum(gap, S_PER_DAY - gap).min(axis=1)
    often = AWAKE * 2 * theirs.size / S_PER_DAY
    return max(_coincidences(gap <= near_s, often * near_s) for near_s in SAME_CLOCK_S)


def _coincidences(hit: NDArray[np.bool_], chance: float) -> float:
    """Log likelihood ratio of the share of hits against chance, if it is higher; else 0."""
    chance = float(np.clip(chance, 1e-3, 0.9))
    share = float(hit.mean())
    if share <= chance or hit.sum() < 2:
        return 0.0
    misses = (1 - share) * np.log((1 - min(share, 0.999)) / (1 - chance))
    gain = share * np.log(share / chance) + misses
    return float(max(min(hit.size, MOST_OCCASIONS) * gain - CHOSEN, 0.0))


def divided(times: list[Times], *, span_s: float) -> list[tuple[int, NDArray[np.bool_]]]:
    """Parts that are of two loads of about the same watts: which, and which of their times differ.

    A part of which some but not nearly all occasions fall together with those of another, far more
    than by chance, belongs to two loads: a heater of a washing machine, and a kettle.
    """
    wide = [occasions(one) for one in times]
    found = []
    for a, mine in enumerate(wide):
        best, chosen = DIVIDED_BY_CHANCE / max(len(wide) * (len(wide) - 1), 1), None
        for b, other in enumerate(wide):
            if a == b or len(mine) < 4 or not len(other):
                continue
            hit = _meets(mine, other)
            n, x = hit.size, int(hit.sum())
            if min(x, n - x) < 2 or not 0.15 * n < x < 0.8 * n:
                continue
            if _meets(other, mine).mean() < 0.7:
                continue
            chance = _by_chance(mine[:, 0], (other[:, 0], other[:, 1]), span_s)
            tail = float(bdtrc(x - 1, n, chance))
            if tail < best:
                best = tail
                chosen = hit[np.searchsorted(mine[:, 0], times[a][0], side="right") - 1]
        if chosen is not None:
            found.append((a, chosen))
    return found


def _meets(a: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Whether each stretch (start, end) of one list meets one of another, both in order."""
    at = np.searchsorted(b[:, 0], a[:, 1], side="right") - 1
    return np.asarray((at >= 0) & (b[np.maximum(at, 0), 1] + MARGIN_S >= a[:, 0]))


def partitions(k: int, n: int) -> NDArray[np.int64]:
    """All ways to put `k` things into exactly `n` groups, labels in order of first use, (m, k)."""

    def grow(labels: list[int], used: int) -> Iterator[list[int]]:
        if len(labels) == k:
            yield labels
            return
        for group in range(min(used + 1, n)):
            now = max(used, group + 1)
            if now + k - len(labels) - 1 >= n:
                yield from grow([*labels, group], now)

    return np.array(list(grow([], 0)), np.int64).reshape(-1, k)


def share_scores(energy: NDArray[np.float64], labels: NDArray[np.int64]) -> NDArray[np.float64]:
    """What the load of least energy adds to the score of each partition: a load is worth naming."""
    n = int(labels.max()) + 1
    least = np.min([(labels == g) @ energy for g in range(n)], axis=0) / energy.sum()
    return np.asarray(BY_LEAST * np.log(np.maximum(least, LEAST_SHARE)))


def scores(
    odds: NDArray[np.float64], energy: NDArray[np.float64], labels: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Sum of odds within the groups of each partition; pairs that bear more energy count more.

    Parts that are likely of one load are one witness: each counts for its share of their number.
    """
    alike = expit(odds)
    np.fill_diagonal(alike, 1.0)
    bear = (energy / energy.max()) ** BY_ENERGY / np.sqrt(alike.sum(axis=0))
    weighted = odds * bear[:, None] * bear
    total = np.zeros(labels.shape[0])
    for a in range(odds.shape[0]):
        for b in range(a):
            total += weighted[a, b] * (labels[:, a] == labels[:, b])
    return total


def hint_scores(
    hints: NDArray[np.float64], energy: NDArray[np.float64], labels: NDArray[np.int64], *, n: int
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """What hints, (n, k), add to the score of each partition, and which load each group then is."""
    bear = (energy / energy.max()) ** BY_ENERGY
    count = int(labels.max()) + 1
    turns = np.array(list(permutations(range(n), count)))
    every = np.array(
        [(hints * bear)[turn[labels], np.arange(energy.size)].sum(1) for turn in turns]
    )
    best = every.argmax(axis=0)
    return every[best, np.arange(len(labels))], turns[best]
