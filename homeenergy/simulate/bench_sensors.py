"""Sensors of the teaching bench: a clamp whose core saturates, and a converter of n bits."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

Wave = NDArray[np.float64]

SUBSTEPS = 8
KNEE_POWER = 9  # how suddenly the core gives up; from memory of magnetisation curves, no source


def saturating_clamp_amps(
    primary_a: ArrayLike,
    *,
    sample_rate_hz: float,
    turns: float = 2000.0,
    burden_ohm: float = 20.0,
    magnetising_h: float = 12.0,
    knee_wb: float = 0.004,
) -> Wave:
    """What a current transformer gives, referred to its primary [A].

    Parameters
    ----------
    primary_a : array_like, shape (n,)
        Current through the clamp [A].
    sample_rate_hz : float
        [Hz]
    turns, burden_ohm : float
        Of the secondary; the resistance of winding and burden together [ohm].
    magnetising_h : float
        Inductance of the secondary on the unsaturated core [H].
    knee_wb : float
        Flux linkage (weber-turns) at which the magnetising current has doubled [Wb].

    Returns
    -------
    numpy.ndarray, shape (n,)
        The secondary current times the turns. It leads a little, as the magnetising current is
        missing from it; above the knee it collapses within each half cycle.

    Notes
    -----
    Own model: the burden's volts are the rate of the flux linkage psi; the magnetising current is
    (psi / L) (1 + (psi / knee)^8). Implicit steps, eight to a sample, Newton's method. No
    hysteresis: the core's losses are left out.
    """
    x = np.asarray(primary_a, dtype=np.float64) / turns
    if x.ndim != 1 or x.size < 2:
        raise ValueError(f"primary_a must hold at least two samples, got shape {x.shape}")
    fine = np.interp(np.arange((x.size - 1) * SUBSTEPS + 1) / SUBSTEPS, np.arange(x.size), x)
    step_s = 1.0 / (sample_rate_hz * SUBSTEPS)
    # Begin where the flux swings about zero, as it does once the transient of switching on is over.
    psi = -float(np.mean(np.cumsum(fine))) * step_s * burden_ohm
    psi = min(max(psi, -knee_wb), knee_wb)
    out = np.empty(x.size)
    for k, drive in enumerate(fine.tolist()):
        if k:
            psi = _next_linkage(psi, drive, step_s * burden_ohm, magnetising_h, knee_wb)
        if k % SUBSTEPS == 0:
            out[k // SUBSTEPS] = drive - _magnetising_a(psi, magnetising_h, knee_wb)
    return out * turns


def _magnetising_a(psi: float, magnetising_h: float, knee_wb: float) -> float:
    return psi / magnetising_h * (1.0 + (psi / knee_wb) ** (KNEE_POWER - 1))


def _next_linkage(psi: float, drive: float, reach: float, henry: float, knee: float) -> float:
    """Solve new = psi + reach (drive - magnetising(new)), `reach` being step times resistance."""
    new = psi
    for _ in range(60):
        error = new - psi - reach * (drive - _magnetising_a(new, henry, knee))
        slope = 1.0 + reach / henry * (1.0 + KNEE_POWER * (new / knee) ** (KNEE_POWER - 1))
        change = error / slope
        new -= change
        if abs(change) < 1e-13 * knee:
            break
    return new


def clamp_lead_deg(*, burden_ohm: float, magnetising_h: float, frequency_hz: float) -> float:
    """By how much an unsaturated clamp's reading leads [degrees]: atan(R / (2 pi f L))."""
    return math.degrees(math.atan2(burden_ohm, 2 * math.pi * frequency_hz * magnetising_h))


def converter_readings(values: ArrayLike, *, bits: int, full_scale: float) -> Wave:
    """What a converter of n bits gives, in the unit of the values.

    Parameters
    ----------
    values : array_like
    bits : int
        2 to 24.
    full_scale : float
        Highest magnitude that it can read; beyond it the readings are clipped.

    Returns
    -------
    numpy.ndarray
        Rounded to steps of 2 full_scale / 2**bits; its standard error is the step over the root of
        12 where the signal covers many steps (W. R. Bennett, Spectra of quantized signals, 1948).
    """
    if not 2 <= bits <= 24:
        raise ValueError(f"bits must lie between 2 and 24, got {bits!r}")
    if not full_scale > 0:
        raise ValueError(f"full_scale must be positive, got {full_scale!r}")
    step = 2 * full_scale / 2**bits
    codes = np.round(np.asarray(values, dtype=np.float64) / step)
    return np.asarray(np.clip(codes, -(2 ** (bits - 1)), 2 ** (bits - 1) - 1) * step)
