"""What the pairs of a bench comparison tell of a clamp: its line, and how far its offset is known.

How far an offset is known before rests on what is in use and on the resolution of the clamp; the
pairs then tell more, by `homeenergy.trust.line_posterior`.
"""

from __future__ import annotations

from functools import partial
from math import inf, sqrt
from typing import NamedTuple

import numpy as np

from homeenergy.trust.line_posterior import LEVEL, LinePosterior, Values, line_posterior

OFFSET_LEVEL = 0.99  # an offset taken by chance spoils the multiplier
FEW = 3  # pairs that demand no offset
LARGEST_W = 6.0  # half a step of a clamp of 200 A at 240 V: common practice, no source
TELLS = 0.97  # of what was known of an offset before: less, and the pairs tell of it


class BenchLine(NamedTuple):
    """Line of reference on clamp reading, after the offset in use.

    `posterior` is None for one pair, which tells no scatter. `offset_w` is what the data demand to
    be added to the offset in use, `offset_half_w` how far the sum may be off at 95 %; both are None
    where the pairs do not tell. `left_w` is the standard uncertainty before the comparison of an
    offset that a line through the origin leaves out.
    """

    posterior: LinePosterior | None
    offset_w: float | None = None
    offset_half_w: float | None = None
    left_w: float = 0.0


def bench_line(
    clamp_w: Values,
    reference_w: Values,
    *,
    rounding_w: Values,
    stated_w: float,
    limit_w: float,
) -> BenchLine:
    """Find the line of a comparison.

    Parameters
    ----------
    clamp_w, reference_w : ndarray, shape (n,)
        Clamp as logged, and reference [W].
    rounding_w : ndarray, shape (n,)
        Standard uncertainty of each pair by rounding of both [W].
    stated_w : float
        Offset in use [W].
    limit_w : float
        Before the comparison, the offset of the clamp lies anywhere within this of zero alike; 0
        where nothing is known of it. An offset in use that lies beyond was found before, so it is
        no limit for it.

    Returns
    -------
    BenchLine
        With an offset where it differs from 0 at 99 %, if there are four pairs or more whose loads
        differ twofold: pairs nearly at one load show none. Beyond the limit, or where none is
        known, the pairs alone tell of the offset, if they do so to within the limit or `LARGEST_W`.
    """
    n = clamp_w.size
    fit = partial(
        line_posterior, clamp_w, reference_w - stated_w, known_u=rounding_w, scale=reference_w
    )
    if n == 1:
        return BenchLine(None, left_w=limit_w / sqrt(3))
    several = n > FEW and reference_w.max() >= 2 * reference_w.min()
    free = fit() if several else None
    if free and not _demands_offset(free) and free.offset_half(0.0) > (limit_w or LARGEST_W):
        free = None
    found_before = abs(stated_w) >= limit_w
    if free and (found_before or _refutes(free, -limit_w - stated_w, limit_w - stated_w)):
        line = free
    elif limit_w > 0:
        about_w = 0.0 if found_before else stated_w
        line = fit(low=-limit_w - about_w, high=limit_w - about_w)
    else:
        return BenchLine(fit(low=0.0, high=0.0))
    if several and _demands_offset(line):
        offset_w = float(line.mean[0])
        return BenchLine(line, offset_w, line.offset_half(offset_w))
    half_w = line.offset_half(0.0)
    tells = line is free or half_w < TELLS * LEVEL * limit_w
    left_w = limit_w / sqrt(3) or sqrt(line.squares(offset=0.0, slope=0.0)[0, 0])
    return BenchLine(line, None, half_w if tells else None, left_w)


def _refutes(line: LinePosterior, low: float, high: float) -> bool:
    """Whether the pairs say that the offset lies beyond its limits."""
    return max(line.below(low), 1 - line.below(high)) > (1 + OFFSET_LEVEL) / 2


def _demands_offset(line: LinePosterior) -> bool:
    """Whether the offset of a line differs from 0 more than chance explains."""
    return _refutes(line, 0.0, 0.0)


def pivot(line: LinePosterior, *, slope: float, offset_w: float) -> float:
    """Clamp reading at which what is left of slope and of offset is independent [W].

    What a reading c is off by, (true slope - slope) c + (true offset - offset), is then as far off
    as c times what is left there, and the offset times 1 - c / pivot, added in squares. Infinite
    where there is none.
    """
    squares = line.squares(offset=offset_w, slope=slope)
    lean = squares[0, 1] * np.sign(slope)
    return float(-squares[0, 0] / squares[0, 1]) if lean < 0 else inf
