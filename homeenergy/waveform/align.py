"""Channels that are not sampled at the same instants, and clamps that turn the phase."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable, Iterator

import numpy as np
from numpy.typing import ArrayLike

from homeenergy.waveform.samples import Samples, as_samples

HALF_TAPS = 16
KAISER_BETA = 12.0
MINUTES_PER_DEGREE = 60.0

Pair = tuple[ArrayLike, ArrayLike]


def align_channels(
    volts_v: ArrayLike,
    amps_a: ArrayLike,
    *,
    sample_rate_hz: float,
    skew_s: float,
) -> tuple[Samples, Samples]:
    """Bring amps on to the instants of the volts, for channels sampled one after the other.

    Parameters
    ----------
    volts_v, amps_a : array_like, shape (n,)
        [V], [A]
    sample_rate_hz : float
        Samples of each channel a second [Hz].
    skew_s : float
        By how much later than the volts the amps are sampled [s]; negative: earlier. A converter
        that takes k channels in turn at an even pace skews neighbours by 1 / (k sample_rate_hz).

    Returns
    -------
    volts, amps : numpy.ndarray, shape (m,)
        Of one length, a few dozen samples shorter than before: their ends are not known.

    Raises
    ------
    ValueError
        Unequal lengths, gaps, or records too short to interpolate in.

    Notes
    -----
    Interpolation by a sine cardinal of 33 taps under a Kaiser window (beta 12): error below 1e-5
    of the amplitude up to a third of the sample rate. O(n) time.

    References
    ----------
    Laakso et al. 1996 (fractional delay filters).
    """
    volts, amps = as_samples(volts_v, name="volts"), as_samples(amps_a, name="amps")
    if volts.size != amps.size:
        raise ValueError(f"{volts.size} samples of volts but {amps.size} of amps")
    whole, taps = _delay_taps(skew_s * sample_rate_hz)
    lost = taps.size - 1 + abs(whole)
    if volts.size <= lost:
        raise ValueError(
            f"{volts.size} samples are too few: aligning the channels uses up {lost} of them"
        )
    return _aligned(volts, amps, whole, taps)


def aligned_chunks(
    chunks: Iterable[Pair], *, sample_rate_hz: float, skew_s: float
) -> Iterator[tuple[Samples, Samples]]:
    """Do what `align_channels` does for a stream; the first few dozen samples are lost.

    Chunks may have any length. Memory: one chunk and the taps.
    """
    whole, taps = _delay_taps(skew_s * sample_rate_hz)
    lost = taps.size - 1 + abs(whole)
    waiting: deque[tuple[Samples, Samples]] = deque()
    held = 0
    for volts, amps in chunks:
        v, i = np.asarray(volts, dtype=np.float64), np.asarray(amps, dtype=np.float64)
        if v.shape != i.shape:
            raise ValueError(f"a chunk holds {v.size} samples of volts but {i.size} of amps")
        waiting.append((v, i))
        held += v.size
        if held <= lost:
            continue
        v = np.concatenate([pair[0] for pair in waiting])
        i = np.concatenate([pair[1] for pair in waiting])
        yield _aligned(v, i, whole, taps)
        keep = v.size - (held - lost)
        waiting.clear()
        waiting.append((v[v.size - keep :].copy(), i[i.size - keep :].copy()))
        held = keep


def _delay_taps(shift: float) -> tuple[int, Samples]:
    """Whole samples, and the taps that read the amps a fraction of a sample earlier."""
    if not math.isfinite(shift):
        raise ValueError("skew_s and sample_rate_hz must be finite")
    whole = round(shift)
    at = np.arange(-HALF_TAPS, HALF_TAPS + 1) + (shift - whole)
    reach = HALF_TAPS + 0.5
    window = np.i0(KAISER_BETA * np.sqrt(np.clip(1 - (at / reach) ** 2, 0, None)))
    taps = np.sinc(at) * window
    return whole, np.asarray(taps / taps.sum())


def _aligned(volts: Samples, amps: Samples, whole: int, taps: Samples) -> tuple[Samples, Samples]:
    # Sample k of the amps was taken at k + shift: the value at k is `shift` samples earlier.
    smooth = np.convolve(amps, taps[::-1], mode="valid")
    middle = volts[HALF_TAPS : volts.size - HALF_TAPS]
    if whole > 0:
        return middle[whole:], smooth[: smooth.size - whole]
    if whole < 0:
        return middle[:whole], smooth[-whole:]
    return middle, smooth


def correct_clamp(
    volts_v: ArrayLike,
    amps_a: ArrayLike,
    *,
    sample_rate_hz: float,
    frequency_hz: float,
    ratio_error: float = 0.0,
    phase_min: float = 0.0,
    skew_s: float = 0.0,
) -> tuple[Samples, Samples]:
    """Take the known ratio and phase error of a clamp out of its readings.

    Parameters
    ----------
    volts_v, amps_a : array_like, shape (n,)
        [V], [A]; amps at the nominal ratio.
    sample_rate_hz, frequency_hz : float
        Sample rate and line frequency [Hz].
    ratio_error : float
        (reading - truth) / truth of the current, as IEC 61869-2 has it: 0.01 reads 1 % high.
    phase_min : float
        Phase displacement [minutes of arc], positive where the reading leads the current. Data
        sheets differ: some count it positive where the current leads. 60 minutes are one degree.
    skew_s : float
        As for `align_channels`; both are corrected at once [s].

    Returns
    -------
    volts, amps : numpy.ndarray, shape (m,)

    Notes
    -----
    The phase is turned by a constant delay. That is right for the fundamental; what a clamp does to
    each harmonic is another matter, and small clamps do not state it.
    """
    if not ratio_error > -1:
        raise ValueError(f"ratio_error must be above -1, got {ratio_error!r}")
    lead_s = phase_min / MINUTES_PER_DEGREE / 360.0 / frequency_hz
    volts, amps = align_channels(
        volts_v, amps_a, sample_rate_hz=sample_rate_hz, skew_s=skew_s + lead_s
    )
    return volts, amps / (1.0 + ratio_error)


def phase_power_error(
    phase_min: ArrayLike, *, power_factor: ArrayLike, leading: bool = False
) -> Samples:
    """Relative error of the watts that an uncorrected phase error of the current makes.

    Parameters
    ----------
    phase_min : array_like
        By how much the reading of the current leads the current [minutes of arc].
    power_factor : array_like
        Of the load, sinusoidal volts and amps, broadcast against `phase_min`.
    leading : bool
        True where the load's current leads, default: it lags.

    Returns
    -------
    numpy.ndarray
        (reading - truth) / truth = cos(phi - d) / cos(phi) - 1, phi positive for a lagging load.
        Own, from the definition of real power.

    Examples
    --------
    >>> round(100 * float(phase_power_error(60, power_factor=0.5)), 3)
    3.008
    """
    d = np.radians(np.asarray(phase_min, dtype=np.float64) / MINUTES_PER_DEGREE)
    phi = np.arccos(np.asarray(power_factor, dtype=np.float64)) * (-1.0 if leading else 1.0)
    return np.asarray(np.cos(phi - d) / np.cos(phi) - 1.0)


def skew_power_error(
    skew_s: ArrayLike, *, frequency_hz: float, power_factor: ArrayLike, leading: bool = False
) -> Samples:
    """Relative error of the watts where amps sampled `skew_s` after the volts are not aligned.

    Amps that are taken later look as if they led: a skew is a phase error of
    360 x 60 x frequency x skew minutes of arc. Parameters and result as for `phase_power_error`.
    """
    turn_min = np.asarray(skew_s, dtype=np.float64) * frequency_hz * 360.0 * MINUTES_PER_DEGREE
    return phase_power_error(turn_min, power_factor=power_factor, leading=leading)
