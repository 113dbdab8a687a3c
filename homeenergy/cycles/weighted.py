"""Weighted quantiles without sorting: the level below which so much of the time or energy lies."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

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
    return float(_quantile(contiguous.view(np.uint64), weights, float(target)))


@njit(cache=True, nogil=True)
def _quantile(bits, weights, target) -> float:  # pragma: no cover - compiled
    keys = np.empty(bits.size, np.uint64)
    heavy = np.empty(bits.size, np.float64)
    sign = np.uint64(1) << np.uint64(63)
    for i in range(bits.size):
        # Turned so that they ascend: all bits of negative numbers, the sign of the others.
        keys[i] = ~bits[i] if bits[i] & sign else bits[i] | sign
        heavy[i] = weights[i]
    below = 0.0
    left = bits.size
    found = np.uint64(0)
    held = np.empty(DIGITS)
    for digit in range(3, -1, -1):
        shift = np.uint64(DIGIT_BITS * digit)
        held[:] = 0.0
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
            if np.int64((keys[i] >> shift) & np.uint64(DIGITS - 1)) == at:
                keys[kept] = keys[i]
                heavy[kept] = heavy[i]
                kept += 1
        left = kept
        found |= np.uint64(at) << shift
    value = np.empty(1, np.uint64)
    value[0] = found ^ sign if found & sign else ~found
    return value.view(np.float64)[0]
