"""Apply the multipliers of a clamp to its readings, each from its date on."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

from homeenergy.house import Clamp
from homeenergy.units import NS_PER_S

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def correct_in_place(
    watts: NDArray[np.float32], clamp: Clamp, *, first_slot: int, period_ns: int
) -> None:
    """Multiply samples with what is in force at the instant at which each begins.

    Parameters
    ----------
    watts : numpy.ndarray, shape (n,), float32
        As stored; changed in place.
    clamp : Clamp
        Before its first dated correction the readings stay as they are stored.
    first_slot, period_ns : int
        Number of the first sample since 1970, and length of a sample [ns].
    """
    for lo, hi, multiplier in multipliers(
        clamp, first=first_slot, stop=first_slot + watts.size, period_ns=period_ns
    ):
        if multiplier != 1:
            watts[lo - first_slot : hi - first_slot] *= np.float32(multiplier)


def multipliers(
    clamp: Clamp, *, first: int, stop: int, period_ns: int
) -> list[tuple[int, int, float]]:
    """What multiplies samples [first, stop), counted from 1970: (from, to, multiplier) in order."""
    if not clamp.corrections:
        return [(first, stop, clamp.multiplier)]
    edges = [_slot(correction.start, period_ns) for correction in clamp.corrections]
    ends = [*edges[1:], stop]
    pieces = [(first, edges[0], 1.0)]
    pieces += [
        (edge, end, correction.value)
        for edge, end, correction in zip(edges, ends, clamp.corrections, strict=True)
    ]
    cut = [(max(lo, first), min(hi, stop), value) for lo, hi, value in pieces]
    return [(lo, hi, value) for lo, hi, value in cut if lo < hi]


def _slot(start: datetime | None, period_ns: int) -> int:
    """First sample that begins at an instant or after it."""
    if start is None:
        return -(2**62) // NS_PER_S
    since = start.astimezone(UTC) - _EPOCH
    ns = ((since.days * 86_400 + since.seconds) * 1_000_000 + since.microseconds) * 1000
    return -(-ns // period_ns)
