"""Waves of known harmonics."""

import numpy as np


def wave(times_s, parts, *, frequency_hz=60.0):
    """Sum of (order, rms, degrees) as sines; order 0 is a constant."""
    total = np.zeros(len(times_s))
    for order, rms, degrees in parts:
        turn = 2 * np.pi * frequency_hz * order * np.asarray(times_s) + np.radians(degrees)
        total += rms if order == 0 else np.sqrt(2) * rms * np.sin(turn)
    return total


def instants(cycles, *, sample_rate_hz=8000.0, frequency_hz=60.0):
    return np.arange(round(cycles * sample_rate_hz / frequency_hz)) / sample_rate_hz
