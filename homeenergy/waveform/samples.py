"""What comes in: sampled volts and amps, checked once at the door."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Samples = NDArray[np.float64]

LEAST_RUN = 3  # samples in a row at the very top
HIDDEN_STEPS = 4.0  # steps of the converter that a flat top must hide before it counts as clipped


def as_samples(values: ArrayLike, *, name: str) -> Samples:
    """Give one channel as float64 and refuse what is no record of numbers."""
    x = np.asarray(values, dtype=np.float64)
    if x.ndim != 1:
        raise ValueError(f"{name} must have one dimension, got shape {x.shape}")
    if not x.size:
        raise ValueError(f"{name} holds no samples")
    bad = np.flatnonzero(~np.isfinite(x))
    if bad.size:
        raise ValueError(
            f"{name} holds {bad.size} samples that are not numbers, the first at index {bad[0]}; "
            "measure a stretch without gaps"
        )
    return x


def checked_pair(
    volts_v: ArrayLike, amps_a: ArrayLike, *, allow_flat_tops: bool = False
) -> tuple[Samples, Samples]:
    """Give both channels as float64, of one length, moving and not clipped.

    Amps that are zero throughout are a load that is off, and pass.
    """
    volts, amps = as_samples(volts_v, name="volts"), as_samples(amps_a, name="amps")
    if volts.size != amps.size:
        raise ValueError(
            f"{volts.size} samples of volts but {amps.size} of amps; "
            "both must cover the same instants"
        )
    if np.ptp(volts) == 0:
        raise ValueError(
            f"no voltage: all {volts.size} samples are {volts[0]:g} V; "
            "check the voltage sensor and its channel"
        )
    if np.ptp(amps) == 0 and amps[0] != 0:
        raise ValueError(
            f"the amps do not move: all {amps.size} samples are {amps[0]:g} A; "
            "check the clamp and its channel"
        )
    if not allow_flat_tops:
        refuse_clipped(volts, name="volts", unit="V")
        refuse_clipped(amps, name="amps", unit="A")
    return volts, amps


def checked_rate(sample_rate_hz: float, *, frequency_hz: float) -> float:
    """Give the sample rate if it is above twice the line frequency (Nyquist, Shannon 1949)."""
    rate = float(sample_rate_hz)
    if not (np.isfinite(rate) and rate > 0):
        raise ValueError(f"sample_rate_hz must be positive, got {sample_rate_hz!r}")
    if rate <= 2 * frequency_hz:
        raise ValueError(
            f"{rate:g} samples a second are too few for a line frequency of {frequency_hz:g} Hz; "
            f"more than {2 * frequency_hz:g} are needed, and many times that for harmonics"
        )
    return rate


def refuse_clipped(x: Samples, *, name: str, unit: str) -> None:
    """Raise where the signal stands still at its highest magnitude as only a limit makes it.

    Own rule. The crest of a smooth wave that is rounded to steps of q stays for r samples within
    one step and has sagged by 4 q at r samples from its middle. A wave cut off at a limit has
    sagged by three times the height that is hidden. Flat tops that hide less than a few steps
    cannot be distinguished from rounding, and the levels of a rectangular wave are such steps.
    """
    top = float(np.abs(x).max())
    at_top = np.flatnonzero(np.abs(x) == top)
    if top == 0 or at_top.size < LEAST_RUN:
        return
    pieces = np.split(at_top, np.flatnonzero(np.diff(at_top) > 1) + 1)
    run = max(pieces, key=len)
    length = len(run)
    if length < LEAST_RUN:
        return
    steps = np.abs(np.diff(x[: 1 << 16]))
    step = float(steps[steps > 0].min())
    reach = length // 2
    around = [i for i in (run[0] - reach, run[-1] + reach) if 0 <= i < x.size]
    sag = max((top - abs(float(x[i])) for i in around), default=0.0)
    if sag > 3 * HIDDEN_STEPS * step:
        raise ValueError(
            f"the {name} are clipped: from sample {run[0]} on, {length} in a row stand at "
            f"{x[run[0]]:g} {unit}. Use a smaller gain or a sensor of a higher rating; "
            "give allow_flat_tops=True if the wave truly has flat tops"
        )


MOST_MEANS = 4


def _box(length: float) -> Samples:
    """Weights of a running mean over `length` samples, the last one taken in part."""
    whole = int(np.floor(length + 1e-9))
    part = max(length - whole, 0.0)
    return np.r_[np.ones(whole), part] if part > 1e-9 else np.ones(whole)


def cycle_weights(n: int, *, cycle_samples: float) -> Samples:
    """Weights for the first samples of a record, in whole cycles; they add up to 1.

    Parameters
    ----------
    n : int
        Length of the record [samples].
    cycle_samples : float
        Length of a cycle [samples]; need not be whole.

    Returns
    -------
    numpy.ndarray, shape (m,), m <= n

    Notes
    -----
    A plain mean of a record that does not hold whole cycles leaks: the piece of a cycle at its end
    counts as if it were typical. Here the record is trimmed to whole cycles, the last sample taken
    in part, and its edges are smoothed by up to three running means over one cycle. Each has a zero
    at every harmonic, so nothing leaks, and a small error of the frequency matters in a high power
    only (Hogenauer 1981: cascades of running means; use as weights of whole cycles: own). The first
    and last cycles weigh less than the middle; one cycle gets no smoothing, two cycles one.
    """
    cycles = int(np.floor(n / cycle_samples + 1e-9))
    if cycles < 1:
        raise ValueError(
            f"{n} samples are {n / cycle_samples:.2f} of a cycle; "
            "at least one whole cycle is needed"
        )
    for means in range(min(MOST_MEANS, cycles), 0, -1):
        edge = np.ones(1)
        for _ in range(means - 1):
            edge = np.convolve(edge, _box(cycle_samples))
        span = _box((cycles - means + 1) * cycle_samples)
        if edge.size + span.size - 1 <= n or means == 1:
            break
    span = span[:n]
    # Convolving with a long box of ones: a running sum, and the same later on taken off.
    rise = np.cumsum(edge)
    total = np.full(edge.size + span.size - 1, rise[-1])
    total[: rise.size] = rise
    fall = np.zeros_like(total)
    fall[span.size :] = rise[: total.size - span.size]
    # The last weight of the span may be a part of a sample.
    lost = np.zeros_like(total)
    lost[span.size - 1 :] = (1.0 - span[-1]) * edge[: total.size - span.size + 1]
    weights = total - fall - lost
    return np.asarray(weights / weights.sum())


def phasor(
    samples: Samples,
    weights: Samples,
    *,
    cycle_samples: float,
    order: int = 1,
    first: int = 0,
) -> complex:
    """RMS phasor of one harmonic, its angle that of a cosine at sample 0 of the record [rad].

    `first` is the number of samples of the record that lie before `samples`.
    """
    turns = (np.arange(first, first + weights.size) * (order / cycle_samples)) % 1.0
    turning = np.exp(-2j * np.pi * turns)
    return complex(np.sqrt(2.0) * ((weights * samples[: weights.size]) @ turning))


def phasors(
    samples: Samples, weights: Samples, *, cycle_samples: float, orders: NDArray[np.int64]
) -> NDArray[np.complex128]:
    """RMS phasors of several harmonics, shape (orders,)."""
    return np.array(
        [phasor(samples, weights, cycle_samples=cycle_samples, order=int(h)) for h in orders],
        dtype=np.complex128,
    )
