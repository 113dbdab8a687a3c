"""Apply the multipliers and offsets of a clamp to its readings, each from its date on."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

from homeenergy.house import Clamp, Correction
from homeenergy.units import NS_PER_S

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def correct_in_place(
    watts: NDArray[np.float32], clamp: Clamp, *, first_slot: int, period_ns: int
) -> None:
    """Correct samples with what is in force at the instant at which each begins.

    Parameters
    ----------
    watts : numpy.ndarray, shape (n,), float32
        As stored; changed in place.
    clamp : Clamp
        Before its first dated correction the readings stay as they are stored.
    first_slot, period_ns : int
        Number of the first sample since 1970, and length of a sample [ns].
    """
    for lo, hi, correction in in_force(
        clamp, first=first_slot, stop=first_slot + watts.size, period_ns=period_ns
    ):
        here = watts[lo - first_slot : hi - first_slot]
        if correction.value != 1:
            here *= np.float32(correction.value)
        if correction.offset_w:
            here += np.float32(correction.offset_w)


def in_force(
    clamp: Clamp, *, first: int, stop: int, period_ns: int
) -> list[tuple[int, int, Correction]]:
    """What corrects samples [first, stop), counted from 1970: (from, to, correction) in order."""
    if not clamp.corrections:
        return [(first, stop, clamp.in_order[0])]
    edges = [_slot(correction.start, period_ns) for correction in clamp.corrections]
    ends = [*edges[1:], stop]
    pieces = [(first, edges[0], Correction(value=1.0))]
    pieces += [
        (edge, end, correction)
        for edge, end, correction in zip(edges, ends, clamp.corrections, strict=True)
    ]
    cut = [(max(lo, first), min(hi, stop), correction) for lo, hi, correction in pieces]
    return [(lo, hi, correction) for lo, hi, correction in cut if lo < hi]


def _slot(start: datetime | None, period_ns: int) -> int:
    """First sample that begins at an instant or after it."""
    if start is None:
        return -(2**62) // NS_PER_S
    since = start.astimezone(UTC) - _EPOCH
    ns = ((since.days * 86_400 + since.seconds) * 1_000_000 + since.microseconds) * 1000
    return -(-ns // period_ns)
