"""Pieces of power over time, one value a second [W], from which runs are put together."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

Watts = NDArray[np.float64]


def between(rng: np.random.Generator, low: float, high: float) -> float:
    """Draw one number evenly."""
    return float(rng.uniform(low, high))


def seconds(rng: np.random.Generator, low: float, high: float) -> int:
    """Draw a whole number of seconds evenly, both ends included."""
    return int(rng.integers(round(low), round(high) + 1))


def flat(n_s: int, power_w: float) -> Watts:
    """Steady power."""
    return np.full(max(n_s, 0), power_w, dtype=np.float64)


def ramp(n_s: int, first_w: float, last_w: float) -> Watts:
    """Power that changes evenly."""
    return np.linspace(first_w, last_w, max(n_s, 0))


def decay(n_s: int, first_w: float, last_w: float, *, tau_s: float) -> Watts:
    """Power that falls (or rises) exponentially from `first_w` towards `last_w`."""
    return last_w + (first_w - last_w) * np.exp(-np.arange(max(n_s, 0)) / tau_s)


def wander(rng: np.random.Generator, n_s: int, *, sd_w: float, tau_s: float) -> Watts:
    """Stationary first-order wandering about zero with correlation time `tau_s` [W]."""
    if n_s <= 0:
        return np.empty(0)
    keep = float(np.exp(-1.0 / tau_s))
    shocks = rng.normal(0.0, sd_w * np.sqrt(1 - keep**2), n_s)
    shocks[0] = rng.normal(0.0, sd_w)
    return np.asarray(lfilter([1.0], [1.0, -keep], shocks), dtype=np.float64)


def join(*parts: Watts) -> Watts:
    """One piece after another."""
    return np.concatenate(parts)


def element(rng: np.random.Generator, n_s: int, power_w: float) -> Watts:
    """Power of a heating element; the supply makes it wander by some parts in a thousand."""
    return flat(n_s, power_w) + wander(rng, n_s, sd_w=0.002 * power_w, tau_s=240.0)


def motor(
    n_s: int, power_w: float, *, inrush: float = 1.0, warm: float = 1.0, tau_s: float = 200.0
) -> Watts:
    """Power of a motor started direct: a second of `inrush` times, then `warm` times down to 1."""
    shape = decay(n_s, warm * power_w, power_w, tau_s=tau_s)
    if n_s > 0:
        shape[0] = inrush * power_w
    return shape


def on_off(
    rng: np.random.Generator,
    n_s: int,
    *,
    on_s: tuple[float, float],
    off_s: tuple[float, float],
    on_w: float,
    off_w: float = 0.0,
) -> Watts:
    """Alternating on and off stretches, each of a length drawn evenly, cut to `n_s`."""
    shape = flat(n_s, off_w)
    at = 0
    while at < n_s:
        on = seconds(rng, *on_s)
        shape[at : at + on] = on_w
        at += on + seconds(rng, *off_s)
    return shape
