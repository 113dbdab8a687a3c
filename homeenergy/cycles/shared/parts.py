"""The switched parts of what a circuit feeds: when each is on, and what it draws then."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from homeenergy.cycles.shared.grouping import divided
from homeenergy.cycles.shared.kernels import best_course, match_steps
from homeenergy.cycles.shared.steps import Steps

MOST_SWITCHES = 7
# How far up and down steps of one draw differ, and draws of one switch from each other [ln].
SAME_STEP, SAME_WATTS, SAME_LENGTH = 0.12, 0.12, 1.2
# A switch bears at least this share of all, in square roots of energy.
LEAST_WORTH = 0.01
LEAST_SPREAD = 0.03  # of the watts of one switch, from one time to another: voltage
LEAST_ON, LEAST_OFF = 0.4, 0.8  # standard deviations of lengths and breaks [ln]
ROUNDS = 3
# How levels differ from what is on, as a share of it (voltage, warming up) and at the least [W].
RELATIVE_LEVEL = 0.04
LEAST_SIGMA_W = 3.0
# Standard deviation of levels about the sum of what is on [W]: loads wander.
WANDER_W = 5.0
# A draw may decline or rise while it lasts (compressors, lamps that warm up): its factor at these
# ages, each from as many levels at least, within these limits.
AGES_S = np.array([5.0, 30.0, 120.0, 480.0, 1920.0])
LEAST_SEEN, FACTORS = 4, (0.5, 2.0)
# Pulses within this of each other's height [ln] are of one part; at most so many such parts.
SAME_PULSE, MOST_PULSES, MOST_PARTS = 0.3, 2, 12


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Switches:
    """What each switched part draws [W], how that spreads, and for how long it is on and off.

    At the ages `AGES_S` it draws `factors` times its `watts`, shape (k, ages).
    `on_s` and `off_s` hold means and standard deviations of the logarithm of seconds, shape (2, k).
    """

    watts: NDArray[np.float64]
    spread_w: NDArray[np.float64]
    factors: NDArray[np.float64]
    on_s: NDArray[np.float64]
    off_s: NDArray[np.float64]

    def __len__(self) -> int:
        return self.watts.size


def lengths_of(
    start_s: NDArray[np.floating], stop_s: NDArray[np.floating]
) -> tuple[tuple[float, float], tuple[float, float]]:
    """Mean and standard deviation of the logarithm of lengths, and of breaks."""
    order = np.argsort(start_s)
    length = np.log(np.maximum(stop_s - start_s, 1.0))
    pause = np.log(np.maximum(start_s[order][1:] - stop_s[order][:-1], 10.0))
    on = float(np.median(length)), max(float(length.std()), LEAST_ON)
    if not pause.size:
        return on, (float(np.log(86_400.0)), 2.0)
    return on, (float(np.median(pause)), max(float(pause.std()), LEAST_OFF))


def find_switches(steps: Steps, *, most: int = MOST_SWITCHES) -> Switches:
    """Modes of rectangles in the plane of log watts and log seconds, those that bear most first.

    Own method. O(r log r + r n) for r rectangles of which n are near each.
    """
    up_w, down_w, start_s, stop_s = rectangles(steps)
    watts = (up_w + down_w) / 2
    length_s = np.maximum(stop_s - start_s, 1.0)
    at = np.c_[np.log(watts) / SAME_WATTS, np.log(length_s) / SAME_LENGTH]
    worth = np.sqrt(watts * length_s)
    left = np.ones(watts.size, bool)
    rows: list[tuple[float, ...]] = []
    factors: list[NDArray[np.float64]] = []
    while left.any() and len(rows) < most:
        here = np.flatnonzero(left)
        near = _worth_nearby(at[here], worth[here])
        if near.max() < LEAST_WORTH * worth.sum():
            break
        centre = at[here[near.argmax()]]
        of = left & (np.abs(at - centre) < 1).all(axis=1)
        for _ in range(2):
            centre = np.array([np.median(at[of, 0]), centre[1]])
            of = left & (np.abs(at - centre) < 1).all(axis=1)
        if not of.any():
            break
        middle = float(np.median(watts[of]))
        width = float(np.median(np.abs(watts[of] - middle))) / 0.67
        on, off = lengths_of(start_s[of], stop_s[of])
        rows.append((middle, max(width, LEAST_SPREAD * middle), *on, *off))
        ends = float(np.median(up_w[of])) / middle, float(np.median(down_w[of])) / middle
        settled = max(float(np.median(length_s[of])), 2 * AGES_S[0])
        factors.append(np.interp(np.log(AGES_S), np.log([AGES_S[0], settled]), ends))
        # What is as strong, and not so much longer or shorter, is the same switch.
        left &= ~of & ~(np.abs(at - centre) < (0.5, 2)).all(axis=1)
    table = np.array(rows).reshape(-1, 6)
    return Switches(
        watts=table[:, 0].copy(),
        spread_w=table[:, 1].copy(),
        factors=np.array(factors).reshape(-1, AGES_S.size),
        on_s=table[:, 2:4].T.copy(),
        off_s=table[:, 4:].T.copy(),
    )


def _worth_nearby(at: NDArray[np.float64], worth: NDArray[np.float64]) -> NDArray[np.float64]:
    """What all points within one unit of each are worth together."""
    order = np.argsort(at[:, 0])
    sorted_at = at[order]
    low = np.searchsorted(sorted_at[:, 0], at[:, 0] - 1)
    high = np.searchsorted(sorted_at[:, 0], at[:, 0] + 1)
    return np.array(
        [
            worth[order[a:b]][np.abs(sorted_at[a:b, 1] - at[i, 1]) < 1].sum()
            for i, (a, b) in enumerate(zip(low, high, strict=True))
        ]
    )


def rectangles(
    steps: Steps,
) -> tuple[NDArray[np.float64], ...]:
    """Watts up and down, start and end [s] of draws: a step up, and the first that undoes it.

    Between the two the level never falls below what the draw alone would leave, for no load gives
    power back.
    """
    jump = np.nan_to_num(steps.jump_w, nan=0.0)
    used = np.zeros(jump.size, bool)
    found = [np.empty((0, 4))]
    for tolerance, drifts in (
        (SAME_STEP / 4, False),
        (SAME_STEP / 4, True),
        (SAME_STEP / 2, False),
        (SAME_STEP, False),
        (2 * SAME_STEP, False),
        (SAME_STEP, True),
    ):
        rows = np.empty((jump.size, 4))
        room_w = 2 * steps.noise_w
        made = match_steps(
            steps.level_w, jump, steps.start_s, steps.new, used, tolerance, room_w, drifts, rows
        )
        found.append(rows[:made].copy())
    every = np.concatenate(found)
    return tuple(every.T)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Part:
    """One switched part: samples [first, stop) in which it is on, and what it draws then [W].

    `watts` is its usual draw, `spread_w` how that differs from one time to another, `factors` how
    it changes with its age (`AGES_S`).
    """

    watts: float
    spread_w: float
    factors: NDArray[np.float64]
    first: NDArray[np.int64]
    stop: NDArray[np.int64]
    height_w: NDArray[np.float64]

    def chosen(self, which: NDArray[np.bool_]) -> Part:
        """Some of its times."""
        return replace(
            self, first=self.first[which], stop=self.stop[which], height_w=self.height_w[which]
        )

    def drawn_w(self, size: int, period_s: float) -> NDArray[np.float64]:
        """What it draws at each of `size` samples [W]."""
        ages = np.geomspace(AGES_S[0], AGES_S[-1], 3 * AGES_S.size)
        factor = np.interp(np.log(ages), np.log(AGES_S), self.factors)
        change = np.zeros(size + 1)
        begin, last = self.first, np.zeros(1)
        for age_s, now in zip(ages, factor, strict=True):
            np.add.at(change, np.minimum(begin, self.stop), (now - last) * self.height_w)
            begin, last = self.first + max(round(age_s / period_s), 1), now
        np.add.at(change, self.stop, -last * self.height_w)
        return np.asarray(np.cumsum(change)[:-1])

    def energy_ws(self, period_s: float) -> float:
        """What it takes in all [W s]."""
        return float(((self.stop - self.first) * self.height_w).sum()) * period_s


def find_parts(steps: Steps) -> list[Part]:
    """Parts by the least costly course of all switches, and by the heights of pulses.

    The course is found `ROUNDS` times, each time with watts and lengths as the last one had them
    (hard expectation maximisation). O(levels).
    """
    switches = find_switches(steps)
    on = np.zeros((steps.first.size, 0), bool)
    for _ in range(ROUNDS if len(switches) else 0):
        on = decode(steps, switches, wander_w=WANDER_W)
        switches = _learned(steps, switches, on)
    parts = []
    for c in np.flatnonzero(on.any(axis=0)):
        first, stop = _times(steps, on[:, c])
        height = np.full(first.size, switches.watts[c])
        parts.append(
            Part(
                watts=float(switches.watts[c]),
                spread_w=float(switches.spread_w[c]),
                factors=switches.factors[c],
                first=first,
                stop=stop,
                height_w=height,
            )
        )
    parts += _pulses(steps)
    times = [(p.first * steps.period_s, p.stop * steps.period_s) for p in parts]
    for a, within in divided(times, span_s=steps.span_s)[: MOST_PARTS - len(parts)]:
        parts.append(parts[a].chosen(within))
        parts[a] = parts[a].chosen(~within)
    return parts


def decode(steps: Steps, switches: Switches, *, wander_w: float) -> NDArray[np.bool_]:
    """State of each switch in each level, shape (levels, k).

    Parameters
    ----------
    steps : Steps
    switches : Switches
        At most seven.
    wander_w : float
        Standard deviation of levels about the sum of what is on [W].

    Notes
    -----
    Viterbi's algorithm over all 2^k states; at each step at most two switches change, or
    all that are on go off. A switch
    costs what its length so far makes it (log-normal), known from the best course into each state;
    level and step cost their distance from what the state explains. O(levels 2^k k²).
    """
    k = len(switches)
    masks = np.arange(1 << k)
    bits = (masks[:, None] >> np.arange(k)) & 1
    spread = np.sqrt(bits @ (RELATIVE_LEVEL * switches.watts) ** 2 + wander_w**2 + LEAST_SIGMA_W**2)
    flips = np.array(
        [0] + [1 << a for a in range(k)] + [(1 << a) | (1 << b) for a in range(k) for b in range(a)]
    )
    path = np.empty(steps.first.size, np.int64)
    best_course(
        steps.level_w,
        np.nan_to_num(steps.jump_w),
        steps.start_s,
        steps.length_s,
        steps.new,
        switches.watts,
        AGES_S,
        switches.factors,
        switches.spread_w,
        switches.on_s,
        switches.off_s,
        spread,
        flips,
        float(np.hypot(LEAST_SIGMA_W, 1.5 * steps.noise_w)),
        path,
    )
    return bits[path].astype(bool)


def _times(steps: Steps, on: NDArray[np.bool_]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Samples at which a switch goes on, and off again."""
    edge = np.flatnonzero(np.diff(np.r_[0, on.astype(np.int8), 0]))
    return steps.first[edge[::2]], steps.stop[edge[1::2] - 1]


def _learned(steps: Steps, switches: Switches, on: NDArray[np.bool_]) -> Switches:
    """Watts, their factors by age, lengths and breaks of switches, as their course has them."""
    jump = steps.jump_w
    change = np.diff(on.astype(np.int8), axis=0, prepend=on[:1].astype(np.int8))
    alone = (np.abs(change).sum(axis=1) == 1) & ~np.isnan(jump)
    watts, spread = switches.watts.copy(), switches.spread_w.copy()
    factors = _factors(steps, switches, on)
    on_s, off_s = switches.on_s.copy(), switches.off_s.copy()
    for c in range(len(switches)):
        at = alone & (change[:, c] != 0)
        if at.sum() >= 2:
            # Off it goes from what it drew at last, on to what it draws at the first level.
            last = np.flatnonzero(at) - (change[at, c] < 0)
            w = jump[at] * change[at, c] / _factor(_ages(steps, on[:, c])[last], factors[c])
            watts[c] = max(np.median(w), 1.0)
            spread[c] = max(np.median(np.abs(w - watts[c])) / 0.67, LEAST_SPREAD * watts[c])
        first, stop = _times(steps, on[:, c])
        if first.size >= 2:
            on_s[:, c], off_s[:, c] = lengths_of(first * steps.period_s, stop * steps.period_s)
    return Switches(watts=watts, spread_w=spread, factors=factors, on_s=on_s, off_s=off_s)


def _ages(steps: Steps, on: NDArray[np.bool_]) -> NDArray[np.float64]:
    """For how long a switch is on in the middle of each level [s]; long where nobody saw it go."""
    middle = steps.start_s + steps.length_s / 2
    begins = on & ~np.r_[False, on[:-1]]
    at = np.maximum.accumulate(np.where(begins, np.arange(on.size), 0))
    gap = np.maximum.accumulate(np.where(steps.new, np.arange(on.size), 0))
    return np.where(gap >= at, np.inf, middle - steps.start_s[at])


def _factor(age_s: NDArray[np.float64], factors: NDArray[np.float64]) -> NDArray[np.float64]:
    known = np.clip(age_s, AGES_S[0], AGES_S[-1])
    return np.interp(np.log(known), np.log(AGES_S), factors)


def _factors(steps: Steps, switches: Switches, on: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Factors of switches by age: what others leave of levels, at the median."""
    k = len(switches)
    ages = np.array([_ages(steps, on[:, c]) for c in range(k)]).T
    drawn = on * switches.watts
    for c in range(k):
        drawn[:, c] *= _factor(ages[:, c], switches.factors[c])
    rest = steps.level_w - drawn.sum(axis=1)
    bounds = np.sqrt(AGES_S[1:] * AGES_S[:-1])
    factors = np.ones((k, AGES_S.size))
    for c in range(k):
        own = np.flatnonzero(on[:, c] & (drawn[:, c] >= 0.5 * drawn.sum(axis=1)))
        seen = (rest[own] + drawn[own, c]) / switches.watts[c]
        age = np.searchsorted(bounds, ages[own, c])
        known = [b for b in range(AGES_S.size) if np.sum(age == b) >= LEAST_SEEN]
        if known:
            median = np.clip([np.median(seen[age == b]) for b in known], *FACTORS)
            factors[c] = np.interp(np.log(AGES_S), np.log(AGES_S[known]), median)
    return factors


def _pulses(steps: Steps) -> list[Part]:
    """Parts of the pulses: those heights that bear most.

    What one draws is its greatest sample: others hold its ends. Where even that may, what the
    greatest of its kind draw counts.
    """
    worth = steps.pulse_w * (steps.pulse_stop - steps.pulse_first)
    log_w = np.log(np.maximum(steps.pulse_peak_w, 1e-3))
    left = np.ones(log_w.size, bool)
    parts: list[Part] = []
    while left.any() and len(parts) < MOST_PULSES:
        tried = np.quantile(log_w[left], np.linspace(0, 1, 21))
        bear = [worth[left & (np.abs(log_w - x) < SAME_PULSE)].sum() for x in tried]
        of = left & (np.abs(log_w - tried[int(np.argmax(bear))]) < SAME_PULSE)
        height = steps.pulse_w[of]
        samples = np.median((steps.pulse_stop - steps.pulse_first)[of])
        parts.append(
            Part(
                watts=float(np.quantile(steps.pulse_peak_w[of], 0.5 if samples > 2 else 0.9)),
                spread_w=float(np.std(height)),
                factors=np.ones(AGES_S.size),
                first=steps.pulse_first[of],
                stop=steps.pulse_stop[of],
                height_w=height,
            )
        )
        left &= ~of
    return parts
