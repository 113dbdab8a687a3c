"""Effective values and powers of three phases, after IEEE Std 1459-2010."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, fields

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from homeenergy.waveform.power import rate_and_frequency
from homeenergy.waveform.samples import Samples, checked_pair, cycle_weights

PHASES = 3
TURN = np.exp(2j * np.pi / 3)


@dataclass(frozen=True, slots=True, kw_only=True)
class ThreePhaseMeasures:
    """What three phases carry. Symbols of IEEE Std 1459-2010 in brackets.

    Attributes
    ----------
    effective_v, effective_a : float
        Of a balanced supply and load that would lose as much in the wires [Ve, Ie].
    fundamental_effective_v, fundamental_effective_a : float
        [Ve1, Ie1]
    neutral_a : float
        RMS of the sum of the three currents; 0 in a supply of three wires.
    real_w, effective_apparent_va, nonactive_var, power_factor : float
        [P, Se = 3 Ve Ie, N = sqrt(Se^2 - P^2), P / Se]
    positive_w, positive_reactive_var, positive_apparent_va, positive_factor : float
        Of the fundamental's positive sequence [P1+, Q1+, S1+, PF1+].
    fundamental_effective_va, unbalance_va : float
        [Se1 = 3 Ve1 Ie1, SU1 = sqrt(Se1^2 - (S1+)^2)]
    nonfundamental_va : float
        [SeN = sqrt(Se^2 - Se1^2)]
    current_distortion_var, voltage_distortion_var, harmonic_apparent_va : float
        [DeI, DeV, SeH]
    thd_volts, thd_amps : float
        [VeH / Ve1, IeH / Ie1]
    frequency_hz : float
    cycles : int
    """

    effective_v: float
    effective_a: float
    fundamental_effective_v: float
    fundamental_effective_a: float
    neutral_a: float
    real_w: float
    effective_apparent_va: float
    nonactive_var: float
    power_factor: float
    positive_w: float
    positive_reactive_var: float
    positive_apparent_va: float
    positive_factor: float
    fundamental_effective_va: float
    unbalance_va: float
    nonfundamental_va: float
    current_distortion_var: float
    voltage_distortion_var: float
    harmonic_apparent_va: float
    thd_volts: float
    thd_amps: float
    frequency_hz: float
    cycles: int

    def to_frame(self) -> pd.DataFrame:
        """One row with every quantity as a column."""
        return pd.DataFrame([{f.name: getattr(self, f.name) for f in fields(self)}])


def measure_three_phase(
    volts_v: ArrayLike,
    amps_a: ArrayLike,
    *,
    sample_rate_hz: float,
    wires: int = 4,
    frequency_hz: float | None = None,
    allow_flat_tops: bool = False,
) -> ThreePhaseMeasures:
    """Effective values, powers and unbalance of three phases.

    Parameters
    ----------
    volts_v, amps_a : array_like, shape (3, n)
        Phases a, b, c in the order in which they follow one another; volts to neutral (four wires)
        or to any common point (three wires) [V], [A].
    sample_rate_hz : float
        [Hz]
    wires : int
        4 with a neutral, 3 without.
    frequency_hz : float, optional
        Default: fitted to the volts of phase a.
    allow_flat_tops : bool
        As for `measure_power`.

    Returns
    -------
    ThreePhaseMeasures

    Raises
    ------
    ValueError
        As `measure_power`, and where the shape is not (3, n) or wires neither 3 nor 4.

    References
    ----------
    IEEE Std 1459-2010, 3.2.2.8 and 3.2.3.1, with equal resistances of line and neutral and equal
    losses of star and delta loads:
    Ie^2 = (Ia^2 + Ib^2 + Ic^2 + In^2) / 3 and
    Ve^2 = (3 (Va^2 + Vb^2 + Vc^2) + Vab^2 + Vbc^2 + Vca^2) / 18 with four wires;
    Ie^2 = (Ia^2 + Ib^2 + Ic^2) / 3 and Ve^2 = (Vab^2 + Vbc^2 + Vca^2) / 9 with three.
    """
    if wires not in (3, 4):
        raise ValueError(f"wires must be 3 or 4, got {wires!r}")
    volts, amps = np.asarray(volts_v, np.float64), np.asarray(amps_a, np.float64)
    for name, x in (("volts", volts), ("amps", amps)):
        if x.ndim != 2 or x.shape[0] != PHASES:
            raise ValueError(f"{name} must have shape (3, n), got {x.shape}")
    for v, i in zip(volts, amps, strict=True):
        checked_pair(v, i, allow_flat_tops=allow_flat_tops)
    rate, line_hz = rate_and_frequency(volts[0], sample_rate_hz, frequency_hz)
    cycles = int(volts.shape[1] * line_hz / rate + 1e-6)
    weights = cycle_weights(volts.shape[1], cycle_samples=rate / line_hz)
    volts, amps = volts[:, : weights.size], amps[:, : weights.size]
    first = _fundamentals(volts, weights, rate / line_hz)
    return _measures(
        squares_v=_effective_v2(lambda p, q: _mean_square(volts, p, q, weights), wires),
        squares_a=_effective_a2(amps, weights, wires),
        fundamental_v2=_effective_v2(lambda p, q: _phasor_square(first, p, q), wires),
        volts1=first,
        amps1=_fundamentals(amps, weights, rate / line_hz),
        neutral_a=math.sqrt(float(weights @ amps.sum(axis=0) ** 2)),
        real_w=float(np.sum((volts * amps) @ weights)),
        wires=wires,
        frequency_hz=line_hz,
        cycles=cycles,
    )


def _fundamentals(volts: Samples, weights: Samples, cycle: float) -> NDArray[np.complex128]:
    turning = np.exp(-2j * np.pi * ((np.arange(weights.size) / cycle) % 1.0))
    return np.asarray(np.sqrt(2.0) * (volts @ (weights * turning)))


def _mean_square(x: Samples, p: int, q: int | None, weights: Samples) -> float:
    difference = x[p] if q is None else x[p] - x[q]
    return float(weights @ difference**2)


def _phasor_square(x: NDArray[np.complex128], p: int, q: int | None) -> float:
    return float(abs(x[p] if q is None else x[p] - x[q]) ** 2)


def _effective_v2(square: Callable[[int, int | None], float], wires: int) -> float:
    lines = sum(square(p, q) for p, q in ((0, 1), (1, 2), (2, 0)))
    if wires == 3:
        return float(lines / 9)
    return float((3 * sum(square(p, None) for p in range(PHASES)) + lines) / 18)


def _effective_a2(amps: Samples, weights: Samples, wires: int) -> float:
    squares = float(np.sum(amps**2 @ weights))
    if wires == 4:
        squares += float(weights @ amps.sum(axis=0) ** 2)
    return squares / 3


def _rest(whole: float, part: float) -> float:
    return math.sqrt(max(whole**2 - part**2, 0.0))


def _measures(
    *,
    squares_v: float,
    squares_a: float,
    fundamental_v2: float,
    volts1: NDArray[np.complex128],
    amps1: NDArray[np.complex128],
    neutral_a: float,
    real_w: float,
    wires: int,
    frequency_hz: float,
    cycles: int,
) -> ThreePhaseMeasures:
    ve, ie, ve1 = math.sqrt(squares_v), math.sqrt(squares_a), math.sqrt(fundamental_v2)
    ie1_squares = float(np.sum(np.abs(amps1) ** 2))
    if wires == 4:
        ie1_squares += float(abs(amps1.sum()) ** 2)
    ie1 = math.sqrt(ie1_squares / 3)
    turns = np.array([1.0, TURN, TURN**2])
    s_plus = 3 * complex(turns @ volts1 / 3) * complex(turns @ amps1 / 3).conjugate()
    se, se1 = 3 * ve * ie, 3 * ve1 * ie1
    veh, ieh = _rest(ve, ve1), _rest(ie, ie1)
    return ThreePhaseMeasures(
        effective_v=ve,
        effective_a=ie,
        fundamental_effective_v=ve1,
        fundamental_effective_a=ie1,
        neutral_a=neutral_a,
        real_w=real_w,
        effective_apparent_va=se,
        nonactive_var=_rest(se, real_w),
        power_factor=real_w / se if se > 0 else math.nan,
        positive_w=s_plus.real,
        positive_reactive_var=s_plus.imag,
        positive_apparent_va=abs(s_plus),
        positive_factor=s_plus.real / abs(s_plus) if abs(s_plus) > 0 else math.nan,
        fundamental_effective_va=se1,
        unbalance_va=_rest(se1, abs(s_plus)),
        nonfundamental_va=_rest(se, se1),
        current_distortion_var=3 * ve1 * ieh,
        voltage_distortion_var=3 * veh * ie1,
        harmonic_apparent_va=3 * veh * ieh,
        thd_volts=veh / ve1 if ve1 > 0 else math.nan,
        thd_amps=ieh / ie1 if ie1 > 0 else math.nan,
        frequency_hz=frequency_hz,
        cycles=cycles,
    )
