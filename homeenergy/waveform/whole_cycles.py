"""Means over whole cycles: weights under which no harmonic leaks into a mean or a phasor.

A record seldom holds a whole number of samples in a whole number of cycles. A plain mean then
leaks: the piece of a cycle at the end is counted as if it were typical. Here a record is trimmed to
whole cycles of its fitted frequency, the last sample taken in part, and the edges are then smoothed
by running means over one cycle, repeated up to three times. Every running mean over one cycle has a
zero at every harmonic, so their cascade has a multiple zero there: nothing leaks, and a small error
of the frequency, or the fraction of a sample at the edge, matters in the fourth power only.

The price: the first and last cycles of a record weigh less than those in its middle. A short record
gets fewer smoothings: one cycle none, two cycles one.

References
----------
E. B. Hogenauer, An economical class of digital filters for decimation and interpolation, IEEE
Transactions on Acoustics, Speech and Signal Processing 29 (1981) 155-162 (cascades of running
means and their zeros; from memory). Use as weights of whole cycles: own.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from homeenergy.waveform.samples import Samples

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
