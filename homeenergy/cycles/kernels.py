"""The compiled inner loops: count levels, compress a stretch to atoms, place the optimal changes.

An *atom* is a short piece of the trace that no reasonable segmentation would cut: its number of
samples, their sum, sum of squares, least and greatest. All sums are float64.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

BLOCK = 1 << 16
LEVEL_BINS = 1 << 16
STEP_BINS = 1 << 12


@njit(cache=True, nogil=True)
def count_levels(
    bits: NDArray[np.uint32], watts: NDArray[np.float32], last: float, levels, steps
) -> float:  # pragma: no cover - compiled
    """Add a chunk to the histograms of levels and of steps by level; return its last sample.

    The upper bits of a float32 are sign, exponent and leading mantissa bits, so they number the
    bins of a logarithmic histogram (0.8 % wide with 16 bits) without computing a logarithm.
    `steps[e, b]` counts the absolute differences in bin b between neighbours of which the later one
    has binary exponent e.
    """
    previous = last
    one = np.empty(1, np.float32)
    one_bits = one.view(np.uint32)
    for i in range(watts.size):
        x = watts[i]
        if np.isnan(x):
            previous = np.nan
            continue
        b = bits[i]
        levels[b >> 16] += 1
        if not np.isnan(previous):
            one[0] = abs(x - previous)
            steps[(b >> 23) & 255, one_bits[0] >> 19] += 1
        previous = x
    return previous


@njit(cache=True, nogil=True)
def compress(watts, origin, tau, out) -> int:  # pragma: no cover - compiled
    """Compress one block of at most BLOCK samples to atoms by dyadic merging.

    Neighbouring halves become one when that raises the sum of squares by less than `tau` (Ward's
    criterion), from pairs upwards, so a level change is never absorbed sample by sample. Rows of
    `out` are (first, stop, n, sum, sumsq, least, greatest); returns how many were written. O(n).
    """
    n = watts.size
    count = np.empty(2 * n, np.float64)
    total = np.empty(2 * n, np.float64)
    whole = np.empty(2 * n, np.bool_)
    for i in range(n):
        x = watts[i]
        if np.isnan(x):
            count[i], total[i] = 0.0, 0.0
        else:
            count[i], total[i] = 1.0, x
        whole[i] = True
    base = np.zeros(32, np.int64)
    size = n
    depth = 0
    while size > 1:
        below = base[depth]
        here = below + size
        half = size // 2
        for i in range(half):
            a, b = below + 2 * i, below + 2 * i + 1
            ca, cb = count[a], count[b]
            count[here + i] = ca + cb
            total[here + i] = total[a] + total[b]
            ok = whole[a] and whole[b] and (ca > 0) == (cb > 0)
            if ok and ca > 0:
                d = total[a] * cb - total[b] * ca
                ok = d * d < tau * ca * cb * (ca + cb)
            whole[here + i] = ok
        depth += 1
        base[depth] = here
        size = half
    made = 0
    pos = 0
    while pos < n:
        k = 0
        while (
            k < depth
            and (pos >> (k + 1)) << (k + 1) == pos
            and pos + (1 << (k + 1)) <= n
            and whole[base[k + 1] + (pos >> (k + 1))]
        ):
            k += 1
        stop = pos + (1 << k)
        c = count[base[k] + (pos >> k)]
        if c > 0:
            squares, least, greatest = 0.0, np.inf, -np.inf
            for i in range(pos, stop):
                x = np.float64(watts[i])
                if not np.isnan(x):
                    squares += x * x
                    least = min(least, x)
                    greatest = max(greatest, x)
            row = out[made]
            row[0], row[1], row[2] = origin + pos, origin + stop, c
            row[3], row[4] = total[base[k] + (pos >> k)], squares
            row[5], row[6] = least, greatest
            made += 1
        pos = stop
    return made


@njit(cache=True, nogil=True)
def merge_alike(atoms, n, tau_high, long_gap) -> int:  # pragma: no cover - compiled
    """Merge the first `n` atoms in place, most alike first, while that costs less than `tau_high`.

    Ward's criterion as in `compress`; pairs that are each other's cheapest partner merge, the limit
    doubling from `tau_high` / 64. Atoms more than `long_gap` samples apart stay apart. Returns how
    many are left.
    """
    cost = np.empty(n, np.float64)
    tau = tau_high / 64
    while n > 1:
        for i in range(n - 1):
            ca, cb = atoms[i, 2], atoms[i + 1, 2]
            d = atoms[i, 3] * cb - atoms[i + 1, 3] * ca
            cost[i] = d * d / (ca * cb * (ca + cb))
            if atoms[i + 1, 0] - atoms[i, 1] > long_gap:
                cost[i] = np.inf
        cost[n - 1] = np.inf
        left = np.inf
        made = 0
        i = 0
        while i < n:
            c = cost[i]
            if made != i:
                for k in range(7):
                    atoms[made, k] = atoms[i, k]
            if c < tau and c <= left and c < cost[i + 1]:
                atoms[made, 1] = atoms[i + 1, 1]
                for k in range(2, 5):
                    atoms[made, k] += atoms[i + 1, k]
                atoms[made, 5] = min(atoms[made, 5], atoms[i + 1, 5])
                atoms[made, 6] = max(atoms[made, 6], atoms[i + 1, 6])
                left = cost[i + 1]
                i += 2
            else:
                left = c
                i += 1
            made += 1
        rare = n - made <= n // 50
        n = made
        if rare and tau >= tau_high:
            break
        if rare:
            tau = min(2 * tau, tau_high)
    return n


@njit(cache=True, nogil=True)
def open_windows(watts, origin, from_, to, out) -> int:  # pragma: no cover - compiled
    """Atoms of one block: a sample each inside the windows [from_, to), one for all between two.

    Returns how many were written.
    """
    w = np.searchsorted(to, origin, side="right")
    made = 0
    joined = False
    for i in range(watts.size):
        x = np.float64(watts[i])
        at = origin + i
        while w < from_.size and to[w] <= at:
            w += 1
            joined = False
        inside = w < from_.size and from_[w] <= at
        if np.isnan(x):
            continue
        if inside or not joined:
            out[made, 0], out[made, 1], out[made, 2] = at, at + 1, 1.0
            out[made, 3], out[made, 4], out[made, 5], out[made, 6] = x, x * x, x, x
            made += 1
            joined = not inside
        else:
            k = made - 1
            out[k, 1] = at + 1
            out[k, 2] += 1.0
            out[k, 3] += x
            out[k, 4] += x * x
            out[k, 5] = min(out[k, 5], x)
            out[k, 6] = max(out[k, 6], x)
    return made


@njit(cache=True, nogil=True)
def sum_by_block(watts, origin, first, stop, block_n, sums, counts) -> None:  # pragma: no cover
    """Add the samples inside the ranges [first, stop) to the sums of blocks of `block_n` samples.

    `watts` begins with sample number `origin`; missing samples are passed over.
    """
    k = np.searchsorted(stop, origin, side="right")
    while k < first.size and first[k] < origin + watts.size:
        i = max(first[k] - origin, 0)
        end = min(stop[k] - origin, watts.size)
        while i < end:
            block = (origin + i) // block_n
            last = min(end, (block + 1) * block_n - origin)
            total, n = 0.0, 0
            for j in range(i, last):
                x = np.float64(watts[j])
                if not np.isnan(x):
                    total += x
                    n += 1
            sums[block] += total
            counts[block] += n
            i = last
        k += 1


@njit(cache=True, nogil=True)
def optimal_changes(n, sums, squares, penalty, min_n):  # pragma: no cover - compiled
    """Segmentation of weighted atoms with the least sum of squares plus `penalty` a change.

    Pruned exact search (Killick, Fearnhead & Eckley 2012, PELT). A candidate is dropped only once
    `min_n` samples have passed since it lost, because with a minimum length it can still be the
    best start of segments that its rival is too young for.

    Returns the last atom (exclusive) of each segment.
    """
    m = n.size
    cn = np.zeros(m + 1)
    cs = np.zeros(m + 1)
    cq = np.zeros(m + 1)
    for i in range(m):
        cn[i + 1] = cn[i] + n[i]
        cs[i + 1] = cs[i] + sums[i]
        cq[i + 1] = cq[i] + squares[i]
    best = np.full(m + 1, np.inf)
    best[0] = -penalty
    back = np.zeros(m + 1, np.int64)
    alive = np.empty(m + 1, np.int64)
    lost_at = np.full(m + 1, -1, np.int64)
    value = np.empty(m + 1)
    alive[0] = 0
    n_alive = 1
    for t in range(1, m + 1):
        low = np.inf
        for j in range(n_alive):
            s = alive[j]
            w = cn[t] - cn[s]
            d = cs[t] - cs[s]
            v = best[s] + (cq[t] - cq[s]) - d * d / w
            value[j] = v
            if (w >= min_n or (s == 0 and t == m)) and v + penalty < low:
                low = v + penalty
                back[t] = s
        best[t] = low
        kept = 0
        for j in range(n_alive):
            s = alive[j]
            if lost_at[s] < 0 and value[j] > low:
                lost_at[s] = t
            if lost_at[s] < 0 or cn[t] - cn[lost_at[s]] < min_n - 1:
                alive[kept] = s
                kept += 1
        alive[kept] = t
        n_alive = kept + 1
    ends = np.empty(m, np.int64)
    k = 0
    t = m
    while t > 0:
        ends[k] = t
        k += 1
        t = back[t]
    return ends[:k][::-1].copy()
