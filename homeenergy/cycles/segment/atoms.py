"""Compiled loops that compress a stretch of samples to atoms.

An *atom* is a short piece of the trace that no reasonable segmentation would cut: a row of (first,
stop, samples that are there, their sum, sum of squares, least, greatest). All sums are float64.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit

from homeenergy.cycles.segment.kernels import copy_row

BLOCK = 1 << 16
# A tile's tree of sums stays in the nearest cache.
TILE_DEPTH = 9
TILE = 1 << TILE_DEPTH


@njit(cache=True, nogil=True)
def compress(watts, origin, tau, out) -> int:  # pragma: no cover - compiled
    """Compress one block of at most BLOCK samples to atoms by dyadic merging.

    Neighbouring halves become one when that raises the sum of squares by less than `tau` (Ward's
    criterion), from pairs upwards, so a level change is never absorbed sample by sample. Tiles are
    merged inside first, then whole tiles with one another, which comes to the same. Rows of `out`
    are atoms; returns how many were written. O(n).
    """
    tiles = watts.size // TILE
    count, total = np.empty(2 * TILE), np.empty(2 * TILE)
    whole, base = np.empty(2 * TILE, np.uint8), np.zeros(32, np.int64)
    tile_count, tile_total = np.empty(2 * tiles + 1), np.empty(2 * tiles + 1)
    tile_whole = np.empty(2 * tiles + 1, np.uint8)
    row_of = np.empty(tiles + 1, np.int64)
    made: Any = np.int64(0)  # a plain 0 is compiled for itself
    for t in range(tiles + 1):  # the last is what is left, and may be empty
        row_of[t] = made
        x = watts[t * TILE : (t + 1) * TILE]
        at = origin + t * TILE
        tile_count[t] = TILE
        tile_total[t] = _sum(x)
        if x.size < TILE or np.isnan(tile_total[t]):
            depth = _fold(x, tau, count, total, whole, base)
            root = base[depth]
            tile_count[t], tile_total[t], tile_whole[t] = count[root], total[root], whole[root]
            made = _write(x, at, depth, count, total, whole, base, out, made)
            continue
        squares = _sum_of_squares(x)
        # No merge inside raises the sum of squares by more than all of it about the mean.
        spread = squares - tile_total[t] * tile_total[t] / TILE
        tile_whole[t] = 1.01 * spread + 1e-9 * squares < tau or _fold_full(
            x, tau, total, whole, base
        )
        if tile_whole[t]:
            row = out[made]
            row[0], row[1], row[2], row[3] = at, at + TILE, TILE, tile_total[t]
            row[4] = squares
            row[5], row[6] = _extremes(x)
            made += 1
        else:
            made = _write_full(x, at, total, whole, base, out, made)
    depth = _fold_up(tiles, tau, tile_count, tile_total, tile_whole, base)
    return _join_tiles(tiles, depth, tile_count, tile_total, tile_whole, base, row_of, out, made)


@njit(cache=True, nogil=True, fastmath={"reassoc", "nsz"})
def _sum(x) -> float:  # pragma: no cover - compiled
    total = 0.0
    for i in range(x.size):
        total += np.float64(x[i])
    return total


@njit(cache=True, nogil=True, fastmath={"reassoc", "nsz"})
def _sum_of_squares(x) -> float:  # pragma: no cover - compiled
    total = 0.0
    for i in range(x.size):
        total += np.float64(x[i]) * np.float64(x[i])
    return total


@njit(cache=True, nogil=True, fastmath={"nnan", "nsz"})
def _extremes(x):  # pragma: no cover - compiled
    """Least and greatest of samples none of which is missing."""
    least = greatest = x[0]
    for i in range(x.size):
        least = x[i] if x[i] < least else least
        greatest = x[i] if x[i] > greatest else greatest
    return least, greatest


@njit(cache=True, nogil=True)
def _fold_full(x, tau, total, whole, base) -> bool:  # pragma: no cover - compiled
    """Tree, from pairs up, of a tile without missing samples; return whether it is one atom."""
    size, limit = TILE // 2, 2 * tau
    for i in range(size):
        a, b = np.float64(x[2 * i]), np.float64(x[2 * i + 1])
        total[i] = a + b
        whole[i] = (a - b) * (a - b) < limit
    base[1] = below = 0
    for depth in range(2, TILE_DEPTH + 1):
        base[depth] = here = below + size
        size //= 2
        limit *= 2
        total_of, whole_of = total[below:here], whole[below:here]
        total_here, whole_here = total[here : here + size], whole[here : here + size]
        for i in range(size):
            a, b = total_of[2 * i], total_of[2 * i + 1]
            total_here[i] = a + b
            whole_here[i] = whole_of[2 * i] & whole_of[2 * i + 1] & ((a - b) * (a - b) < limit)
        below = here
    return whole[below] > 0


@njit(cache=True, nogil=True)
def _write_full(x, at, total, whole, base, out, made) -> int:  # pragma: no cover - compiled
    """Write the atoms of a tile without missing samples; return how many there are now."""
    pos = np.int64(0)
    while pos < TILE:
        k = 0
        while (pos >> (k + 1)) << (k + 1) == pos and whole[base[k + 1] + (pos >> (k + 1))]:
            k += 1
        stop = pos + (1 << k)
        squares = 0.0
        least = greatest = x[pos]
        for i in range(pos, stop):
            squares += np.float64(x[i]) * np.float64(x[i])
            least = x[i] if x[i] < least else least
            greatest = x[i] if x[i] > greatest else greatest
        row = out[made]
        row[0], row[1], row[2] = at + pos, at + stop, stop - pos
        row[3] = total[base[k] + (pos >> k)] if k else np.float64(x[pos])
        row[4], row[5], row[6] = squares, least, greatest
        made += 1
        pos = stop
    return made


@njit(cache=True, nogil=True)
def _fold(x, tau, count, total, whole, base) -> int:  # pragma: no cover - compiled
    """Tree of at most TILE samples, some of which may be missing; return its depth."""
    for i in range(x.size):
        missing = np.isnan(x[i])
        count[i] = 0.0 if missing else 1.0
        total[i] = 0.0 if missing else x[i]
        whole[i] = True
    return _fold_up(x.size, tau, count, total, whole, base)


@njit(cache=True, nogil=True)
def _fold_up(size, tau, count, total, whole, base) -> int:  # pragma: no cover - compiled
    """Build the tree above `size` leaves; return its depth. What is missing joins its like only."""
    base[0] = 0
    depth = 0
    while size > 1:
        below = base[depth]
        here = below + size
        size //= 2
        for i in range(size):
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
    return depth


@njit(cache=True, nogil=True)
def _reach(pos, n, depth, whole, base) -> int:  # pragma: no cover - compiled
    """Depth of the largest whole node that begins at leaf `pos` of `n`."""
    k = 0
    while (
        k < depth
        and (pos >> (k + 1)) << (k + 1) == pos
        and pos + (1 << (k + 1)) <= n
        and whole[base[k + 1] + (pos >> (k + 1))]
    ):
        k += 1
    return k


@njit(cache=True, nogil=True)
def _write(x, at, depth, count, total, whole, base, out, made) -> int:  # pragma: no cover
    """Write the atoms of a tree of samples; return how many there are now."""
    pos = np.int64(0)
    while pos < x.size:
        k = _reach(pos, x.size, depth, whole, base)
        stop = pos + (1 << k)
        c = count[base[k] + (pos >> k)]
        if c > 0:
            squares, least, greatest = 0.0, np.inf, -np.inf
            for i in range(pos, stop):
                value = np.float64(x[i])
                if not np.isnan(value):
                    squares += value * value
                    least = min(least, value)
                    greatest = max(greatest, value)
            row = out[made]
            row[0], row[1], row[2] = at + pos, at + stop, c
            row[3], row[4] = total[base[k] + (pos >> k)], squares
            row[5], row[6] = least, greatest
            made += 1
        pos = stop
    return made


@njit(cache=True, nogil=True)
def _join_tiles(n, depth, count, total, whole, base, row_of, out, made) -> int:  # pragma: no cover
    """Join the rows of tiles that are one atom, in place; return how many rows are left."""
    left: Any = np.int64(0)
    pos = np.int64(0)
    while pos < n:
        k = _reach(pos, n, depth, whole, base) if whole[pos] else 0
        stop = pos + (1 << k)
        begin, end = row_of[pos], row_of[stop]
        if whole[pos] and end > begin:
            copy_row(out, left, out, begin)
            for r in range(begin + 1, end):
                out[left, 1] = out[r, 1]
                out[left, 4] += out[r, 4]
                out[left, 5] = min(out[left, 5], out[r, 5])
                out[left, 6] = max(out[left, 6], out[r, 6])
            out[left, 2], out[left, 3] = count[base[k] + (pos >> k)], total[base[k] + (pos >> k)]
            left += 1
        else:
            for r in range(begin, end):
                copy_row(out, left, out, r)
                left += 1
        pos = stop
    for r in range(row_of[n], made):
        copy_row(out, left, out, r)
        left += 1
    return left


@njit(cache=True, nogil=True)
def merge_alike(atoms, n, tau_high, long_gap) -> int:  # pragma: no cover - compiled
    """Merge the first `n` atoms in place, most similar first, while it costs less than `tau_high`.

    Ward's criterion as in `compress`; pairs that are each other's cheapest partner merge, the limit
    doubling from `tau_high` / 64. Atoms more than `long_gap` samples apart are not merged.
    Returns how many are left.
    """
    # Rows stay where they are until the end; `at` says which are left, `cost` what each would add
    # if it joined the next one.
    at = np.arange(n + 1)
    cost = np.empty(n + 1)
    for i in range(n):
        cost[i] = _joining(atoms, at, i, n, long_gap)
    tau = tau_high / 64
    while n > 1:
        left = np.inf
        made = 0
        i = 0
        while i < n:
            c = cost[i]
            row = at[i]
            at[made] = row
            if c < tau and c <= left and c < cost[i + 1]:
                other = at[i + 1]
                atoms[row, 1] = atoms[other, 1]
                for k in range(2, 5):
                    atoms[row, k] += atoms[other, k]
                atoms[row, 5] = min(atoms[row, 5], atoms[other, 5])
                atoms[row, 6] = max(atoms[row, 6], atoms[other, 6])
                left = cost[i + 1]
                # Both costs that this atom has a part in are to be worked out again.
                cost[max(made - 1, 0)] = cost[made] = -1.0
                i += 2
            else:
                left = cost[made] = c
                i += 1
            made += 1
        for i in range(made):
            if cost[i] < 0:
                cost[i] = _joining(atoms, at, i, made, long_gap)
        rare = n - made <= n // 50
        n = made
        if rare and tau >= tau_high:
            break
        if rare:
            tau = min(2 * tau, tau_high)
    for i in range(n):
        for k in range(7):
            atoms[i, k] = atoms[at[i], k]
    return n


@njit(cache=True, nogil=True)
def _joining(atoms, at, i, n, long_gap) -> float:  # pragma: no cover - compiled
    """What joining the i-th atom that is left with the next would add to the sum of squares."""
    if i + 1 >= n or atoms[at[i + 1], 0] - atoms[at[i], 1] > long_gap:
        return np.inf
    ca, cb = atoms[at[i], 2], atoms[at[i + 1], 2]
    d = atoms[at[i], 3] * cb - atoms[at[i + 1], 3] * ca
    return d * d / (ca * cb * (ca + cb))
