"""Draw millions of samples with a few thousand points, every peak kept."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from homeenergy.readings.trace import Trace

POINTS = 6000  # four for each pixel of a wide figure


def reduce_steps(
    trace: Trace, *, points: int = POINTS
) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
    """Corners of the step curve of a trace, least and greatest kept in every short stretch.

    Parameters
    ----------
    trace : Trace
    points : int
        About how many corners to return. A hole longer than one of `points` equal parts of the
        trace stays a hole; a shorter one could not be seen.

    Returns
    -------
    instants_ns : numpy.ndarray, shape (m,), int64
        UTC, nanoseconds since 1970; each value holds until the next instant.
    watts : numpy.ndarray, shape (m,), float32
        NaN ends each piece.

    Notes
    -----
    O(n). Pieces are cut at the holes first, because a least-and-greatest search over missing
    samples may pick one. m is at most `points` plus a few for each piece.
    """
    there = np.flatnonzero(~np.isnan(trace.watts))
    if not there.size:
        return np.empty(0, dtype=np.int64), np.empty(0, dtype=np.float32)
    shortest_hole = max(1, len(trace) // max(points, 1))
    cuts = np.flatnonzero(np.diff(there) > shortest_hole) + 1
    indices, watts = [], []
    for piece in np.split(there, cuts):
        values = np.ascontiguousarray(trace.watts[piece])
        share = max(4, int(points * piece.size / there.size) // 2 * 2)
        kept = _least_and_greatest(values, share)
        indices += [piece[kept], piece[-1:] + 1]
        watts += [values[kept], np.full(1, np.nan, dtype=np.float32)]
    index = np.concatenate(indices)
    return trace.start.value + index * trace.period_ns, np.concatenate(watts)


def _least_and_greatest(values: NDArray[np.float32], points: int) -> NDArray[np.int64]:
    if values.size <= 2 * points:
        return np.arange(values.size)
    from tsdownsample import MinMaxDownsampler

    # The indices come as uint64; adding a signed integer to those gives floats.
    picked = MinMaxDownsampler().downsample(values, n_out=points).astype(np.int64)
    return np.unique(np.r_[0, picked, values.size - 1])
