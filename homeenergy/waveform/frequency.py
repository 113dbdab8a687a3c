"""Line frequency of a record."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from homeenergy.waveform.samples import Samples, as_samples, checked_rate, cycle_weights, phasor

FIRST_LOOK_CYCLES = 12
LEAST_CYCLES = 6.0  # below, the halves hold too few cycles to keep harmonics apart
LEAST_SHARE = 0.5  # of the alternating part, as rms, that must be at the line frequency
GROWTH = 4


def line_frequency(
    samples: ArrayLike,
    *,
    sample_rate_hz: float,
    between_hz: tuple[float, float] = (40.0, 70.0),
) -> float:
    """Frequency of the fundamental, for volts better than amps.

    Parameters
    ----------
    samples : array_like, shape (n,)
        At least one whole cycle; more cycles, better known.
    sample_rate_hz : float
        Samples a second [Hz].
    between_hz : (float, float)
        Where to look for it [Hz].

    Returns
    -------
    float
        [Hz]

    Raises
    ------
    ValueError
        If the record is shorter than one cycle, too slowly sampled, or shows no line frequency.

    Notes
    -----
    A first look by least squares of a constant and one sine, frequency by frequency, over at most
    12 cycles. From 6 cycles on it is refined by the advance of the phase from the first half of the
    record to the second, each taken over whole cycles; shorter records by least squares of a
    constant, the fundamental and its odd harmonics: to the fifth, from 2 cycles on to the ninth.
    O(n) time.

    References
    ----------
    IEEE Std 1057-2017, fit of a sine with four parameters: the frequency is what makes the residual
    smallest. For a fraction of a period a one-dimensional search of the residual does better than
    the iteration (Haendel 2000). Frequency from the advance of phase: common practice, no source.
    """
    x = as_samples(samples, name="samples")
    low_hz, high_hz = between_hz
    rate = checked_rate(sample_rate_hz, frequency_hz=high_hz)
    if x.size < rate / high_hz:
        raise ValueError(
            f"{x.size} samples at {rate:g} Hz are {1000 * x.size / rate:.1f} ms, fewer than one "
            f"cycle; at least {1000 / low_hz:.0f} ms are needed to find the line frequency"
        )
    if np.ptp(x) == 0:
        raise ValueError(f"no line frequency: all {x.size} samples are {x[0]:g}")
    short = x[: int(FIRST_LOOK_CYCLES * rate / low_hz)]
    guess_hz, step_hz = _first_look(short, rate, low_hz, high_hz)
    if x.size * guess_hz / rate < LEAST_CYCLES:
        found = _least_squares(x, rate, guess_hz, step_hz)
        if x.size * found < rate * (1 - 1e-6):
            raise ValueError(
                f"{x.size} samples are {x.size * found / rate:.2f} of a cycle of {found:.1f} Hz; "
                "at least one whole cycle is needed"
            )
    else:
        found = _advance_of_phase(x, rate, guess_hz)
    _refuse_noise(x, rate, found, between_hz)
    return found


def _residual(x: Samples, rate: float, frequency_hz: float, orders: tuple[int, ...]) -> float:
    turn = 2 * np.pi * frequency_hz * np.arange(x.size) / rate
    columns = [np.ones(x.size)]
    for order in orders:
        columns += [np.cos(order * turn), np.sin(order * turn)]
    design = np.stack(columns, axis=1)
    coefficients, *_ = np.linalg.lstsq(design, x, rcond=None)
    return float(((x - design @ coefficients) ** 2).sum())


def _first_look(x: Samples, rate: float, low_hz: float, high_hz: float) -> tuple[float, float]:
    step_hz = rate / x.size / 6
    # Thinned, but far above the Nyquist rate of what is looked for.
    every = max(1, int(rate / (16 * high_hz)))
    thin, thin_rate = x[::every], rate / every
    grid = np.arange(low_hz, high_hz + step_hz, step_hz)
    left = [_residual(thin, thin_rate, f, (1,)) for f in grid]
    return float(grid[int(np.argmin(left))]), float(step_hz)


def _least_squares(x: Samples, rate: float, guess_hz: float, step_hz: float) -> float:
    from scipy.optimize import minimize_scalar

    odd = (1, 3, 5) if x.size * guess_hz < 2 * rate else (1, 3, 5, 7, 9)
    orders = tuple(h for h in odd if 2.2 * h * guess_hz < rate)
    found = minimize_scalar(
        lambda f: _residual(x, rate, f, orders),
        bounds=(guess_hz - 2 * step_hz, guess_hz + 2 * step_hz),
        method="bounded",
        options={"xatol": 1e-10},
    )
    return float(found.x)


def _advance_of_phase(x: Samples, rate: float, guess_hz: float) -> float:
    frequency = guess_hz
    length = min(x.size, int(FIRST_LOOK_CYCLES * rate / frequency))
    while True:
        frequency = _settle(x[:length], rate, frequency)
        if length == x.size:
            return frequency
        length = min(x.size, GROWTH * length)


def _settle(x: Samples, rate: float, frequency: float) -> float:
    half = x.size // 2
    for _ in range(12):
        cycle = rate / frequency
        weights = cycle_weights(half, cycle_samples=cycle)
        first = phasor(x[:half], weights, cycle_samples=cycle)
        second = phasor(x[half : 2 * half], weights, cycle_samples=cycle, first=half)
        change = float(np.angle(second * np.conj(first))) * rate / (2 * np.pi * half)
        frequency += change
        if abs(change) < 1e-11 * frequency:
            break
    return frequency


def _refuse_noise(
    x: Samples, rate: float, frequency_hz: float, between_hz: tuple[float, float]
) -> None:
    cycle = rate / frequency_hz
    weights = cycle_weights(x.size, cycle_samples=cycle)
    alternating = float(np.sqrt(weights @ (x[: weights.size] - weights @ x[: weights.size]) ** 2))
    fundamental = abs(phasor(x, weights, cycle_samples=cycle))
    if fundamental < LEAST_SHARE * alternating:
        raise ValueError(
            f"no line frequency between {between_hz[0]:g} and {between_hz[1]:g} Hz: the strongest "
            f"wave there is {fundamental:.3g} of {alternating:.3g} (rms); "
            "check the sensor, or give frequency_hz"
        )
