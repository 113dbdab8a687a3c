"""One pass over the samples of a circuit: all that may be in doubt, and what is ordinary."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from homeenergy.readings.stretches import Flats, Watts

BORNE_OUT = 3  # so often
STEPS_KEPT = 20_000
LEAST_STEP_W = 1e-3

# The ends of whole numbers in a computer and rows of nines, also in tenths and hundredths.
CODES = np.unique(
    [
        end / part
        for end in (32767, 32768, 65535, 2**31 - 1, 2**31, 2**32 - 1, 9999, 99999, 999999)
        for part in (1, 10, 100)
    ]
)
BELOW_ZERO = np.array([999.0])  # after a minus alone: so many watts are ordinary
_SAME = 1e-6  # of a code


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ordinary:
    """What is ordinary for a circuit, over all months that were scanned; changed by each.

    `borne_out` are the greatest powers above and below zero that two readings next to each other
    reach, `levels` counts stretches by the upper half of their value's bits: sign, exponent and
    seven bits of the fraction.
    """

    multipliers: NDArray[np.float64]
    limit_w: float
    borne_out: NDArray[np.float64]
    levels: NDArray[np.int64]

    @classmethod
    def of(cls, multipliers: tuple[float, ...], limit_w: float) -> Ordinary:
        """Begin, with nothing known of the log."""
        return cls(
            multipliers=np.unique(np.array(multipliers, dtype=np.float64)),
            limit_w=limit_w,
            borne_out=np.zeros((2, BORNE_OUT)),
            levels=np.zeros(1 << 16, dtype=np.int64),
        )

    def borne_out_w(self, watts: NDArray) -> NDArray[np.float64]:
        """Power that neighbouring readings bear out, on the side of zero of each value [W]."""
        above, below = (float(w[w > 0].min(initial=np.inf)) for w in self.borne_out)
        above, below = (0.0 if np.isinf(w) else w for w in (above, below))
        return np.where(watts >= 0, above, below)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scan:
    """What one pass over the samples of a month found.

    Attributes
    ----------
    samples : int
        Readings that are there.
    least_w, greatest_w : float
        0 where none is beyond.
    short : Flats
        Stretches of one value that are above both neighbours and zero, or below, by so much.
    pairs : NDArray
        First of two samples that both are.
    lasting : NDArray
        Samples after which power rises, for two samples or more.
    long : Flats
        Stretches of two samples or more, but not of zeros.
    live : int
        Stretches that are not of zeros.
    steps_w : NDArray
        Some of the steps between these.
    least_step_w : float
        The least of all.
    """

    samples: int
    least_w: float
    greatest_w: float
    short: Flats
    pairs: NDArray[np.int64]
    lasting: NDArray[np.int64]
    long: Flats
    live: int
    steps_w: NDArray[np.float32]
    least_step_w: float


def scan(
    watts: Watts, ordinary: Ordinary, *, longest: int, some_w: float, lasting_w: float
) -> Scan:
    """Look at the samples of a month once, and add to what is ordinary.

    Parameters
    ----------
    watts : numpy.ndarray, shape (n,), float32
        NaN = missing.
    ordinary : Ordinary
    longest : int
        Samples of a short stretch, at most.
    some_w, lasting_w : float
        By how much short stretches and lasting steps must be above what is next to them [W].
    """
    watts = np.ascontiguousarray(watts)
    # Memory that is not written to costs nothing.
    places = np.empty((6, watts.size + 1), dtype=np.int64)
    every = max(1, watts.size // STEPS_KEPT)
    steps_w = np.empty(watts.size // every + 1, dtype=np.float32)
    counts, extremes = _scan(
        watts,
        watts.view(np.uint32),
        ordinary.levels,
        ordinary.borne_out,
        ordinary.multipliers,
        ordinary.limit_w,
        longest,
        np.float32(some_w),
        np.float32(lasting_w),
        np.float32(LEAST_STEP_W),
        every,
        places,
        steps_w,
    )
    samples, short, pairs, lasting, long, live, steps = counts
    places_of = [places[row, :size].copy() for row, size in enumerate((short, short, pairs))]
    at, size = places[4, :long].copy(), places[5, :long].copy()
    return Scan(
        samples=samples,
        least_w=extremes[0],
        greatest_w=extremes[1],
        short=Flats(places_of[0], places_of[1], watts[places_of[0]]),
        pairs=places_of[2],
        lasting=places[3, :lasting].copy(),
        long=Flats(at, size, watts[at]),
        live=live,
        steps_w=steps_w[: -(-steps // every)],
        least_step_w=extremes[2],
    )


@njit(cache=True, nogil=True)
def _scan(  # type: ignore[no-untyped-def]
    watts,
    bits,
    levels,
    borne_out,
    multipliers,
    limit_w,
    longest,
    some_w,
    lasting_w,
    least_step_w,
    every,
    places,
    steps_w,
):  # pragma: no cover - compiled
    """Fill `places` and `steps_w`; how many of each, and the extremes. NaN compares as false."""
    n = watts.size
    samples, short, pairs, lasting, long, live, steps, due = 0, 0, 0, 0, 0, 0, 0, 0
    zero = np.float32(0)
    least_w, greatest_w, last = zero, zero, zero
    finest_w = np.float32(np.inf)
    begin = 0
    for i in range(1, n + 1):
        value = watts[begin]
        after = watts[i] if i < n else np.float32(np.nan)
        if after == value:
            continue
        size, first, begin = i - begin, begin, i
        if value != value:
            continue
        samples += size
        least_w, greatest_w = min(least_w, value), max(greatest_w, value)
        if value != 0:
            levels[bits[first] >> 16] += 1
            if live:
                step = abs(value - last)
                if step > least_step_w:
                    if steps == due:
                        steps_w[due // every] = step
                        due += every
                    steps += 1
                    finest_w = min(finest_w, step)
            last = value
            live += 1
            if size > 1:
                places[4, long], places[5, long] = first, size
                long += 1
            side = 0 if value > 0 else 1
            # What this stretch and the next one, or three of its own samples, bear out.
            both = min(value, after) if side == 0 else min(-value, -after)
            if after == after and borne_out[side, 2] < both <= limit_w:
                _bear_out(borne_out[side], both, side, multipliers)
            if size > longest and abs(value) > borne_out[side, 2]:
                for _ in range(borne_out.shape[1]):
                    _bear_out(borne_out[side], abs(value), side, multipliers)
        if first == 0:
            continue
        before = watts[first - 1]
        rises = value > before + some_w
        falls = -value > -before + some_w
        if not (rises or falls):
            continue
        sign = np.float32(1) if rises else np.float32(-1)
        here, left, right = sign * value, sign * before, sign * after
        if size <= longest and here > some_w and here > right + some_w:
            places[0, short], places[1, short] = first, size
            short += 1
        second = sign * watts[first + 1] if first + 1 < n else np.float32(np.nan)
        third = sign * watts[first + 2] if first + 2 < n else np.float32(np.nan)
        low = min(here, second)
        if second == second and low > max(left, third, zero) + some_w and third == third:
            places[2, pairs] = first
            pairs += 1
        if rises and here - left >= lasting_w and second - left >= lasting_w:
            places[3, lasting] = first - 1
            lasting += 1
    counts = (samples, short, pairs, lasting, long, live, steps)
    return counts, (float(least_w), float(greatest_w), float(finest_w))


@njit(cache=True, nogil=True)
def _bear_out(highest, power_w, side, multipliers):  # type: ignore[no-untyped-def] # pragma: no cover
    """Put a power among the highest, in order, if it is above one of them and no error code.

    `side` is 1 where it is below zero.
    """
    if power_w <= highest[-1] or _is_code((1 - 2 * side) * power_w, multipliers):
        return
    at = highest.size - 1
    while at > 0 and highest[at - 1] < power_w:
        highest[at] = highest[at - 1]
        at -= 1
    highest[at] = power_w


@njit(cache=True, nogil=True)
def _is_code(power_w, multipliers):  # type: ignore[no-untyped-def] # pragma: no cover
    for multiplier in multipliers:
        raw = power_w / multiplier
        for code in CODES:
            if abs(abs(raw) - code) <= _SAME * code:
                return True
        for code in BELOW_ZERO:
            if abs(raw + code) <= _SAME * code:
                return True
    return False


@njit(cache=True)
def are_codes(watts, multipliers):  # type: ignore[no-untyped-def] # pragma: no cover - compiled
    """Which powers are error codes of a logger."""
    found = np.zeros(watts.size, dtype=np.bool_)
    for i in range(watts.size):
        found[i] = _is_code(np.float64(watts[i]), multipliers)
    return found
