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
    if not clamp.corrections:
        if clamp.multiplier != 1:
            watts *= np.float32(clamp.multiplier)
        return
    starts = [_slot(c.start, period_ns) - first_slot for c in clamp.corrections]
    edges = [min(max(at, 0), watts.size) for at in starts] + [watts.size]
    for correction, lo, hi in zip(clamp.corrections, edges[:-1], edges[1:], strict=True):
        watts[lo:hi] *= np.float32(correction.value)


def _slot(start: datetime | None, period_ns: int) -> int:
    """First sample that begins at an instant or after it."""
    if start is None:
        return -(2**62) // NS_PER_S
    since = start.astimezone(UTC) - _EPOCH
    ns = ((since.days * 86_400 + since.seconds) * 1_000_000 + since.microseconds) * 1000
    return -(-ns // period_ns)
