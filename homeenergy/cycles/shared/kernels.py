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
# A level counts more the longer it lasts: as the logarithm of its length in units of this, up to a
# limit.
LEVEL_S, MOST_WEIGHT = 10.0, 4.0


@njit(cache=True, nogil=True)
def match_steps(
    level, jump, start_s, new, used, tolerance, noise_w, drifts, out
):  # pragma: no cover - compiled
    """Write watts, start and end of each step up and the step down that undoes it; return how many.

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
                out[made, 0] = (up + down) / 2
                out[made, 1], out[made, 2] = start_s[i], start_s[j]
                used[i] = used[j] = True
                made += 1
                break
            least = LEAST_LEFT * up if drifts else up - 2 * room
            if level[j] < level[i - 1] + least:
                break
    return made


@njit(cache=True, nogil=True)
def _cost(z):  # pragma: no cover - compiled
    z = min(abs(z), MOST_SIGMAS)
    return 0.5 * z * z if z < LINEAR_FROM else LINEAR_FROM * (z - 0.5 * LINEAR_FROM)


@njit(cache=True, nogil=True)
def best_course(
    level, jump, start, length, new, watts, edge, on, off, sums, spread, flips, noise, path
):  # pragma: no cover - compiled
    """Write the least costly course to `path`: states of which bit c says whether c is on.

    `flips` holds the sets of switches that may change at one step, two at most, in the same way.
    """
    m, k, many = level.size, watts.size, sums.size
    back = np.empty((m, many), np.int16)
    cost = np.zeros(many)
    since = np.full((many, k), np.nan)
    cost2 = np.empty(many)
    since2 = np.full((many, k), np.nan)
    dwell = np.empty((many, k))
    spread_on = np.log(on[1] / 0.4)
    # Of each set of flips: its switches, and the step that they make by which of them are on then.
    flipped = np.empty((flips.size, 2), np.int64)
    flipped_n = np.zeros(flips.size, np.int64)
    step = np.zeros((flips.size, 4))
    width = np.empty(flips.size)
    step_cost = np.empty((flips.size, 4))
    then_on = np.zeros((many, flips.size), np.int64)
    for e in range(flips.size):
        square = noise * noise
        for c in range(k):
            if (flips[e] >> c) & 1:
                n = flipped_n[e]
                flipped[e, n] = c
                flipped_n[e] += 1
                square += edge[c] * edge[c]
                for s in range(many):
                    then_on[s, e] |= ((s >> c) & 1) << n
                for b in range(4):
                    step[e, b] += watts[c] if (b >> n) & 1 else -watts[c]
        width[e] = np.sqrt(square)
    for s in range(many):
        for c in range(k):
            cost[s] += 1.0 * ((s >> c) & 1)
    for i in range(m):
        now = start[i]
        if new[i] and i:
            low = cost.argmin()
            for s in range(many):
                cost2[s] = min(cost[s], cost[low] + 3.0)
                back[i, s] = s if cost[s] <= cost[low] + 3.0 else low
                for c in range(k):
                    since2[s, c] = np.nan
        elif i == 0:
            for s in range(many):
                cost2[s] = cost[s]
                back[i, s] = s
        else:
            for s in range(many):
                for c in range(k):
                    t = now - since[s, c]
                    if np.isnan(t):
                        dwell[s, c] = 0.5
                    elif (s >> c) & 1:
                        z = (np.log(max(t, 1.0)) - on[0, c]) / on[1, c]
                        dwell[s, c] = _cost(z) + spread_on[c]
                    else:
                        dwell[s, c] = 0.5 * _cost((np.log(max(t, 1.0)) - off[0, c]) / off[1, c])
            for e in range(flips.size):
                for b in range(4):
                    step_cost[e, b] = _cost((jump[i] - step[e, b]) / width[e])
            for s in range(many):
                best, at = np.inf, 0
                for e in range(flips.size):
                    was = s ^ flips[e]
                    paid = -AT_ONCE
                    for n in range(flipped_n[e]):
                        paid += SWITCHING + AT_ONCE + dwell[was, flipped[e, n]]
                    v = cost[was] + max(paid, 0.0) + step_cost[e, then_on[s, e]]
                    if v < best:
                        best, at = v, was
                cost2[s] = best
                back[i, s] = at
                for c in range(k):
                    since2[s, c] = now if ((s ^ at) >> c) & 1 else since[at, c]
        weight = min(np.log(1.0 + length[i] / LEVEL_S), MOST_WEIGHT)
        for s in range(many):
            z = (level[i] - sums[s]) / spread[s]
            # No load gives power back: a level below what is on is the less likely.
            cost2[s] += weight * (_cost(1.5 * z) if z < 0 else _cost(z))
        cost, cost2 = cost2, cost
        since, since2 = since2, since
    path[m - 1] = cost.argmin()
    for i in range(m - 1, 0, -1):
        path[i - 1] = back[i, path[i]]
