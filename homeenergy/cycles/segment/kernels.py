"""The compiled inner loops: count levels, open windows about changes, place the optimal changes.

What atoms are is said in `homeenergy.cycles.segment.atoms`. All sums are float64.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

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
            total, n = _sum_of_seen(watts[i:last])
            sums[block] += total
            counts[block] += n
            i = last
        k += 1


@njit(cache=True, nogil=True, fastmath={"reassoc", "nsz"})
def _sum_of_seen(x):  # pragma: no cover - compiled
    """Sum and number of the samples that are there."""
    total, n = 0.0, 0
    for i in range(x.size):
        seen = not np.isnan(x[i])
        total += np.float64(x[i]) if seen else 0.0
        n += seen
    return total, n


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


@njit(cache=True, nogil=True)
def copy_row(to, i, of, k) -> None:  # pragma: no cover - compiled
    """Copy row `k` of a table to row `i` of another; assigning rows takes seconds to compile."""
    for column in range(of.shape[1]):
        to[i, column] = of[k, column]


@njit(cache=True, nogil=True)
def join_atoms(atoms, ends, out) -> None:  # pragma: no cover - compiled
    """Write to `out` the rows of segments of atoms; `ends` as `optimal_changes` gives them."""
    first = 0
    for segment in range(ends.size):
        row = out[segment]
        copy_row(out, segment, atoms, first)
        for r in range(first + 1, ends[segment]):
            atom = atoms[r]
            row[1] = atom[1]
            row[2] += atom[2]
            row[3] += atom[3]
            row[4] += atom[4]
            row[5] = min(row[5], atom[5])
            row[6] = max(row[6], atom[6])
        first = ends[segment]


@njit(cache=True, nogil=True)
def stretches(mean_w, n, sum_w, hole_follows, low_w, on_w):  # pragma: no cover - compiled
    """Unbroken stretches of plateaus above `low_w`; none goes on across a gap.

    Returns, for each, the first plateau and the one after the last, samples, sum of the samples
    [W], and samples in plateaus above `on_w`.
    """
    m = mean_w.size
    first, stop = np.empty(m, np.int64), np.empty(m, np.int64)
    held, above = np.empty(m, np.int64), np.empty(m, np.int64)
    total = np.empty(m)
    k = 0
    inside = False
    for i in range(m):
        if mean_w[i] > low_w:
            if not inside:
                first[k], held[k], above[k], total[k] = i, 0, 0, 0.0
            held[k] += n[i]
            total[k] += sum_w[i]
            above[k] += n[i] if mean_w[i] > on_w else 0
            inside = i + 1 < m and not hole_follows[i] and mean_w[i + 1] > low_w
            if not inside:
                stop[k] = i + 1
                k += 1
    return first[:k].copy(), stop[:k].copy(), held[:k].copy(), total[:k].copy(), above[:k].copy()


@njit(cache=True, nogil=True)
def greatest_within(values, first, stop):  # pragma: no cover - compiled
    """Greatest of the values of each range [first, stop)."""
    greatest = np.full(first.size, -np.inf)
    for k in range(first.size):
        for i in range(first[k], stop[k]):
            greatest[k] = max(greatest[k], values[i])
    return greatest


@njit(cache=True, nogil=True)
def quiet_stretches(
    mean_w, n, hole_follows, tolerance_w, share, least_n, blip_n
):  # pragma: no cover - compiled
    """Levels and samples of stretches of plateaus that stay near their own mean for `least_n`.

    Near is within `tolerance_w` or `share` of the mean, whichever is more. What lies further off
    for at most `blip_n` samples is passed over once the stretch holds six times as many.
    """
    levels, held = np.empty(mean_w.size), np.empty(mean_w.size)
    made = 0
    total = 0.0
    count = 0.0
    for i in range(mean_w.size):
        if count > 0:
            level = total / count
            near = abs(mean_w[i] - level) <= max(tolerance_w, share * abs(level))
            if near:
                total += mean_w[i] * n[i]
                count += n[i]
            elif not (n[i] <= blip_n and count > 6 * blip_n):
                if count >= least_n:
                    levels[made], held[made] = level, count
                    made += 1
                total, count = mean_w[i] * n[i], float(n[i])
        else:
            total, count = mean_w[i] * n[i], float(n[i])
        if hole_follows[i]:
            if count >= least_n:
                levels[made], held[made] = total / count, count
                made += 1
            total, count = 0.0, 0.0
    return levels[:made], held[:made]


@njit(cache=True, nogil=True)
def sums_within(first, stop, excess_w, at, reach_n, out) -> None:  # pragma: no cover - compiled
    """Sum of samples [W] from the start of each of the plateaus `at` to `reach_n` samples later.

    `excess_w` is the sum of each plateau, spread evenly over it; `reach_n` ascends. `out` has a
    row for each of `at`, a column for each reach.
    """
    for row in range(at.size):
        i, before, start = at[row], 0.0, first[at[row]]
        for column in range(reach_n.size):
            end = start + reach_n[column]
            while i < first.size and stop[i] <= end:
                before += excess_w[i]
                i += 1
            part = 0.0
            if i < first.size and first[i] < end:
                part = excess_w[i] * (end - first[i]) / (stop[i] - first[i])
            out[row, column] = before + part


# Where kernels are less than exp(-20) of their greatest height, they add nothing that counts.
FAR2 = 40.0


@njit(cache=True, nogil=True)
def _held_by_others(known_number, weight, own, other) -> float:  # pragma: no cover - compiled
    """Weight of all that is known, but for two numbers."""
    held = 0.0
    for k in range(weight.size):
        if known_number[k] != own and known_number[k] != other:
            held += weight[k]
    return held


@njit(cache=True, nogil=True)
def _plus(a, b) -> float:  # pragma: no cover - compiled
    """log(exp(a) + exp(b))."""
    if a == -np.inf and b == -np.inf:
        return -np.inf
    high = max(a, b)
    return high + np.log(np.exp(a - high) + np.exp(b - high))


@njit(cache=True, nogil=True)
def best_partitions(
    windows,
    asked,
    inside,
    between,
    first,
    start_s,
    stop_s,
    worth,
    opening,
    works,
    number,
    per_s,
    per_wh,
    known,
    known_number,
    weight,
    unknown,
    typical,
    spread,
    volume,
    cut,
    likely,
) -> None:  # pragma: no cover - compiled
    """Best partition into runs of each of the `windows` [a, b) of pieces, and its probabilities.

    `asked` says which breaks may part runs. `inside`, `worth` and `works` are sums over all pieces
    before (of the first also over breaks); `between` and `first` are by break and by piece.
    `known` runs (logarithms of length, worth and opening, as is `opening`, in widths of a kernel,
    `per_s` and `per_wh` of them a natural unit) count by `weight`, but for those of the numbers at
    both ends; `unknown` more lie evenly in a `volume`. Written are `cut`, whether a break parts two
    runs, and `likely`, how likely the run of a piece is among all partitions of its window.
    """
    close, away2 = np.empty(weight.size, np.int64), np.empty(weight.size)
    for window in range(windows.shape[0]):
        a, b = windows[window]
        if b - a < 2:
            continue
        heads = np.empty(b - a + 1, np.int64)
        heads[0] = a
        q = 1
        for i in range(a + 1, b):
            if asked[i - 1]:
                heads[q] = i
                q += 1
        heads[q] = b
        score = np.full((q, q), -np.inf)
        for r in range(q):
            i = heads[r]
            own = other = number[i]
            held = _held_by_others(known_number, weight, own, own)
            near = 0
            for k in range(weight.size):
                away = (opening[i] - known[k, 2]) ** 2
                if known_number[k] != own and away <= FAR2:
                    close[near], away2[near] = k, away
                    near += 1
            for t in range(r, q):
                j = heads[t + 1] - 1
                if works[j + 1] == works[i] and t > r:
                    continue
                log_worth = np.log(worth[j + 1] - worth[i])
                lasts = np.log(max(stop_s[j] - start_s[i], 1e-9)) * per_s
                bears = log_worth * per_wh
                if number[j] != other:
                    other = number[j]
                    held = _held_by_others(known_number, weight, own, other)
                density = 0.0
                for m in range(near):
                    k = close[m]
                    z = away2[m] + (lasts - known[k, 0]) ** 2
                    if z <= FAR2 and known_number[k] != other:
                        z += (bears - known[k, 1]) ** 2
                        if z <= FAR2:
                            density += weight[k] * np.exp(-0.5 * z)
                like = 0.0
                if held > 0.0:
                    like = np.log((density * volume + unknown) / (held + unknown))
                less = min((log_worth - np.log(typical)) / spread, 0.0)
                score[r, t] = first[i] + inside[j] - inside[i] + like
                score[r, t] -= 0.5 * less * less
                if r > 0:
                    score[r, t] += between[i - 1]
        best = np.full(q + 1, -np.inf)
        forward = np.full(q + 1, -np.inf)
        backward = np.full(q + 1, -np.inf)
        came = np.zeros(q + 1, np.int64)
        best[0] = forward[0] = backward[q] = 0.0
        for t in range(q):
            for r in range(t + 1):
                if best[r] + score[r, t] > best[t + 1]:
                    best[t + 1] = best[r] + score[r, t]
                    came[t + 1] = r
                forward[t + 1] = _plus(forward[t + 1], forward[r] + score[r, t])
        for r in range(q - 1, -1, -1):
            for t in range(r, q):
                backward[r] = _plus(backward[r], score[r, t] + backward[t + 1])
        t = q
        while t > 0:
            r = came[t]
            here = np.exp(forward[r] + score[r, t - 1] + backward[t] - forward[q])
            for i in range(heads[r], heads[t]):
                likely[i] = min(here, 1.0)
            if r > 0:
                cut[heads[r] - 1] = True
            t = r


DIGIT_BITS = 16
DIGITS = 1 << DIGIT_BITS


def weighted_quantile(
    values: NDArray[np.float64], weights: NDArray[np.floating | np.integer], target: float
) -> float:
    """Least value such that all values up to it weigh at least `target` together.

    `values` hold no NaN, weights are not negative. Where all weigh less than `target` it is the
    greatest value, and NaN where there are none. O(n): the bits of a float64, read from the left,
    order numbers as the numbers themselves do, so four histograms of 16 bits each tell the value.
    """
    if not values.size:
        return float("nan")
    contiguous = np.ascontiguousarray(values, np.float64)
    heavy = np.ascontiguousarray(weights, np.float64)  # of one type: it is compiled once
    return float(_quantile(contiguous.view(np.uint64), heavy, float(target)))


@njit(cache=True, nogil=True)
def _quantile(bits, weights, target) -> float:  # pragma: no cover - compiled
    keys = np.empty(bits.size, np.uint64)
    heavy = np.empty(bits.size, np.float64)
    sign = np.uint64(1) << np.uint64(63)
    below = 0.0
    left = bits.size
    found = np.uint64(0)
    held = np.empty(DIGITS)
    for digit in range(3, -1, -1):
        shift = np.uint64(DIGIT_BITS * digit)
        held[:] = 0.0
        if digit == 3:
            for i in range(left):
                held[_ascending(bits[i], sign) >> shift] += weights[i]
        else:
            for i in range(left):
                held[(keys[i] >> shift) & np.uint64(DIGITS - 1)] += heavy[i]
        at = -1
        for b in range(DIGITS):
            if held[b] > 0:
                at = b
                if below + held[b] >= target:
                    break
                below += held[b]
        if at < 0:
            return np.nan
        kept = 0
        for i in range(left):
            key = _ascending(bits[i], sign) if digit == 3 else keys[i]
            if np.int64((key >> shift) & np.uint64(DIGITS - 1)) == at:
                keys[kept] = key
                heavy[kept] = weights[i] if digit == 3 else heavy[i]
                kept += 1
        left = kept
        found |= np.uint64(at) << shift
    value = np.empty(1, np.uint64)
    value[0] = found ^ sign if found & sign else ~found
    return value.view(np.float64)[0]


@njit(cache=True, nogil=True, inline="always")
def _ascending(bits, sign):  # pragma: no cover - compiled
    """Bits of a float64, turned so that they ascend: all of negative numbers, else the sign."""
    return ~bits if bits & sign else bits | sign
