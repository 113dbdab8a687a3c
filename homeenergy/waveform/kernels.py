"""Sums over samples in one pass through memory, compiled."""

from __future__ import annotations

import numba

# Sums may be reordered, so that several samples are taken at once; NaN stay NaN.
_compile = numba.njit(cache=True, nogil=True, fastmath={"reassoc", "contract"})


@_compile
def add_products(sums, v, i):
    """Add sums of v i, v v, i i and the number of samples to `sums`, shape (4,)."""
    vi, vv, ii = 0.0, 0.0, 0.0
    for k in range(v.size):
        vi += v[k] * i[k]
        vv += v[k] * v[k]
        ii += i[k] * i[k]
    sums[0] += vi
    sums[1] += vv
    sums[2] += ii
    sums[3] += v.size


@_compile
def add_shared(now, later, v, i, first_share, step):
    """Share samples between two periods: sample k gives `first_share + k step` to the later one."""
    vi, vv, ii = 0.0, 0.0, 0.0
    later_vi, later_vv, later_ii, shares = 0.0, 0.0, 0.0, 0.0
    for k in range(v.size):
        share = min(max(first_share + k * step, 0.0), 1.0)
        vi += v[k] * i[k]
        vv += v[k] * v[k]
        ii += i[k] * i[k]
        later_vi += share * v[k] * i[k]
        later_vv += share * v[k] * v[k]
        later_ii += share * i[k] * i[k]
        shares += share
    later[0] += later_vi
    later[1] += later_vv
    later[2] += later_ii
    later[3] += shares
    now[0] += vi - later_vi
    now[1] += vv - later_vv
    now[2] += ii - later_ii
    now[3] += v.size - shares
