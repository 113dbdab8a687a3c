"""Compiled loops over the levels of a shared circuit."""

from __future__ import annotations

import numpy as np
from numba import njit

from homeenergy.cycles.shared.steps import LEAST_STEP_SHARE, LEAST_STEP_W

# Later steps that are looked at for the end of a draw.
REACH = 300
# What a draw that declines while it lasts has left at its end, of its first step: compressors.
LEAST_LEFT = 0.45
# Costs are of a normal error up to this many standard deviations, and linear from there: what no
# switch explains shall not decide about those that are known.
LINEAR_FROM, MOST_SIGMAS = 2.0, 6.0
SWITCHING, AT_ONCE = 2.0, 3.0
# Courses that cost so much more than the best one so far are given up (a beam).
BEAM = 60.0
# A level counts more the longer it lasts: as the logarithm of its length in units of this, up to a
# limit.
LEVEL_S, MOST_WEIGHT = 10.0, 4.0


@njit(cache=True, nogil=True)
def match_steps(
    level, jump, start_s, new, used, tolerance, noise_w, drifts, out
):  # pragma: no cover - compiled
    """Write a step up, the step down that undoes it, and when each is; return how many.

    `used` marks the steps that are taken, before and after. With `drifts` a draw may decline while
    it lasts, and must end where it began. O(levels REACH).
    """
    made = 0
    for i in range(1, jump.size):
        up = jump[i]
        if used[i] or up < max(LEAST_STEP_W, LEAST_STEP_SHARE * level[i]):
            continue
        room = tolerance * up + noise_w
        for j in range(i + 1, min(i + REACH, jump.size)):
            if new[j]:
                break
            down = -jump[j]
            ends = abs(down - up) <= room or (drifts and abs(level[j] - level[i - 1]) <= room)
            if not used[j] and down > LEAST_LEFT * up and ends:
                out[made, 0], out[made, 1] = up, down
                out[made, 2], out[made, 3] = start_s[i], start_s[j]
                used[i] = used[j] = True
                made += 1
                break
            least = LEAST_LEFT * up if drifts else up - 2 * room
            if level[j] < level[i - 1] + least:
                break
    return made


@njit(cache=True, nogil=True)
def _cost(z, most=MOST_SIGMAS):  # pragma: no cover - compiled
    z = min(abs(z), most)
    return 0.5 * z * z if z < LINEAR_FROM else LINEAR_FROM * (z - 0.5 * LINEAR_FROM)


@njit(cache=True, nogil=True)
def factor_at(ages_s, factors, age_s):  # pragma: no cover - compiled
    """Draw at an age, as a factor of the usual one: linear in the logarithm of the age."""
    if not age_s > ages_s[0]:
        return factors[0]
    for b in range(1, ages_s.size):
        if age_s < ages_s[b]:
            share = np.log(age_s / ages_s[b - 1]) / np.log(ages_s[b] / ages_s[b - 1])
            return factors[b - 1] + share * (factors[b] - factors[b - 1])
    return factors[-1]


@njit(cache=True, nogil=True)
def best_course(
    level, jump, start, length, new, watts, ages, factors, edge, on, off, spread, flips, noise, path
):  # pragma: no cover - compiled
    """Write the least costly course to `path`: states of which bit c says whether c is on.

    `flips` holds the sets of switches that may change at one step, two at most; all that are on may
    go off at once. What is on draws `watts` times its factor at its age.
    """
    m, k, many = level.size, watts.size, spread.size
    back = np.empty((m, many), np.int16)
    cost = np.zeros(many)
    since = np.full((many, k), np.nan)
    drawn = np.zeros(many)
    cost2 = np.empty(many)
    since2 = np.full((many, k), np.nan)
    drawn2 = np.zeros(many)
    dwell = np.empty((many, k))
    # What is on draws at a level, if it was on before and if it is newly on; sums of the first.
    goes_on = np.zeros((many, k))
    fresh = np.empty(k)
    total = np.empty(many)
    spread_on = np.log(on[1] / 0.4)
    # Of each set of flips: its switches, and how far their steps differ from what is usual.
    flipped = np.empty((flips.size, 2), np.int64)
    flipped_n = np.zeros(flips.size, np.int64)
    width = np.empty(flips.size)
    for e in range(flips.size):
        square = noise * noise
        for c in range(k):
            if (flips[e] >> c) & 1:
                flipped[e, flipped_n[e]] = c
                flipped_n[e] += 1
                square += edge[c] * edge[c]
        width[e] = np.sqrt(square)
    for s in range(many):
        for c in range(k):
            cost[s] += 1.0 * ((s >> c) & 1)
    for i in range(m):
        now, middle = start[i], start[i] + 0.5 * length[i]
        limit = cost.min() + BEAM
        for c in range(k):
            fresh[c] = watts[c] * factor_at(ages, factors[c], 0.5 * length[i])
        for c in range(k):
            # Many courses have it on or off since the same moment.
            moment, draws, stays_on, stays_off = -1.0, 0.0, 0.0, 0.0
            for s in range(many):
                if cost[s] > limit:
                    continue
                if np.isnan(since[s, c]):
                    # Since when is not known after a gap: long enough to be settled.
                    goes_on[s, c], dwell[s, c] = watts[c] * factors[c, -1], 0.5
                    continue
                if since[s, c] != moment:
                    moment = since[s, c]
                    log_s = np.log(max(now - moment, 1.0))
                    stays_on = _cost((log_s - on[0, c]) / on[1, c]) + spread_on[c]
                    stays_off = 0.5 * _cost((log_s - off[0, c]) / off[1, c])
                    draws = watts[c] * factor_at(ages, factors[c], middle - moment)
                goes_on[s, c] = draws
                dwell[s, c] = stays_on if (s >> c) & 1 else stays_off
        for s in range(many):
            total[s] = 0.0
            for c in range(k):
                if (s >> c) & 1:
                    total[s] += goes_on[s, c]
        if i == 0 or new[i]:
            low = cost.argmin()
            for s in range(many):
                near = i == 0 or cost[s] <= cost[low] + 3.0
                cost2[s] = cost[s] if near else cost[low] + 3.0
                back[i, s] = s if near else low
                drawn2[s] = 0.0
                for c in range(k):
                    since2[s, c] = np.nan
                    if (s >> c) & 1:
                        drawn2[s] += watts[c] * factors[c, -1]
        else:
            for s in range(many):
                best, at, draws = np.inf, s, 0.0
                for e in range(flips.size):
                    was = s ^ flips[e]
                    if cost[was] > limit:
                        continue
                    paid = -AT_ONCE
                    then = total[was]
                    for n in range(flipped_n[e]):
                        c = flipped[e, n]
                        paid += SWITCHING + AT_ONCE + dwell[was, c]
                        then += fresh[c] if (s >> c) & 1 else -goes_on[was, c]
                    v = cost[was] + max(paid, 0.0)
                    if v < best:
                        v += _cost((jump[i] - then + drawn[was]) / width[e])
                        if v < best:
                            best, at, draws = v, was, then
                if s == 0:
                    for was in range(many):
                        if cost[was] > limit:
                            continue
                        paid, square, off_n = -AT_ONCE, noise * noise, 0
                        for c in range(k):
                            if (was >> c) & 1:
                                paid += SWITCHING + AT_ONCE + dwell[was, c]
                                square += edge[c] * edge[c]
                                off_n += 1
                        if off_n > 2:
                            v = cost[was] + paid
                            v += _cost((jump[i] + drawn[was]) / np.sqrt(square))
                            if v < best:
                                best, at, draws = v, was, 0.0
                cost2[s] = best
                drawn2[s] = draws
                back[i, s] = at
                for c in range(k):
                    since2[s, c] = now if ((s ^ at) >> c) & 1 else since[at, c]
        weight = min(np.log(1.0 + length[i] / LEVEL_S), MOST_WEIGHT)
        for s in range(many):
            z = (level[i] - drawn2[s]) / spread[s]
            # No load gives power back: a level far below what is on cannot be.
            cost2[s] += weight * (_cost(1.5 * z, np.inf) if z < 0 else _cost(z))
        cost, cost2 = cost2, cost
        since, since2 = since2, since
        drawn, drawn2 = drawn2, drawn
    path[m - 1] = cost.argmin()
    for i in range(m - 1, 0, -1):
        path[i - 1] = back[i, path[i]]
