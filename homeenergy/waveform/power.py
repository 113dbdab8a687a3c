"""Power of sampled volts and amps of one phase, after IEEE Std 1459-2010."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from homeenergy.waveform.samples import (
    Samples,
    as_samples,
    checked_pair,
    checked_rate,
    cycle_weights,
    phasor,
    phasors,
)

FIRST_LOOK_CYCLES = 12
LEAST_CYCLES = 6.0  # below, the halves hold too few cycles to resolve harmonics
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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Harmonics:
    """RMS phasors by order, all shape (orders,); angle 0 is where the volts' fundamental crests.

    Attributes
    ----------
    orders : numpy.ndarray of int
        1 is the fundamental.
    volts, amps : numpy.ndarray of complex
        [V], [A]
    frequency_hz : float
        Of the fundamental.
    """

    orders: NDArray[np.int64]
    volts: NDArray[np.complex128]
    amps: NDArray[np.complex128]
    frequency_hz: float

    def __post_init__(self) -> None:
        for name in ("orders", "volts", "amps"):
            view = getattr(self, name).view()
            view.flags.writeable = False
            object.__setattr__(self, name, view)

    @property
    def watts_w(self) -> NDArray[np.float64]:
        """Real power of each order [W]; negative: the load feeds it back."""
        return np.asarray((self.volts * self.amps.conj()).real)

    def to_frame(self) -> pd.DataFrame:
        """One row an order: rms, share of the fundamental, angles, watts."""
        with np.errstate(divide="ignore", invalid="ignore"):
            return pd.DataFrame(
                {
                    "order": self.orders,
                    "frequency_hz": self.orders * self.frequency_hz,
                    "volts_v": np.abs(self.volts),
                    "amps_a": np.abs(self.amps),
                    "volts_share": np.abs(self.volts) / abs(self.volts[0]),
                    "amps_share": np.abs(self.amps) / abs(self.amps[0]),
                    "volts_angle_deg": np.degrees(np.angle(self.volts)),
                    "amps_angle_deg": np.degrees(np.angle(self.amps)),
                    "real_w": self.watts_w,
                }
            )


def harmonic_table(
    volts: Samples,
    amps: Samples,
    sample_rate_hz: float,
    frequency_hz: float,
    weights: Samples,
    *,
    most: int,
) -> Harmonics:
    """Phasors of the orders up to `most` that lie below half the sample rate."""
    below = int(np.ceil(sample_rate_hz / (2 * frequency_hz) - 1e-9)) - 1
    orders = np.arange(1, max(1, min(most, below)) + 1, dtype=np.int64)
    cycle = sample_rate_hz / frequency_hz
    volts_by_order = phasors(volts, weights, cycle_samples=cycle, orders=orders)
    amps_by_order = phasors(amps, weights, cycle_samples=cycle, orders=orders)
    # Time counts from the crest of the volts' fundamental.
    back = np.exp(-1j * orders * np.angle(volts_by_order[0]))
    return Harmonics(
        orders=orders,
        volts=volts_by_order * back,
        amps=amps_by_order * back,
        frequency_hz=frequency_hz,
    )


IN_STEP_DEG = 0.05  # a smaller angle is called neither lagging nor leading


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerMeasures:
    """What one phase carries. Symbols of IEEE Std 1459-2010 in brackets; volts and amps are rms.

    Attributes
    ----------
    volts_v, amps_a : float
        Of everything, the DC part included [V, I].
    fundamental_v, fundamental_a : float
        [V1, I1]
    harmonic_v, harmonic_a : float
        All but the fundamental, the DC part included as the standard has it [VH, IH].
    dc_v, dc_a : float
        Means; a DC part of the record may also be the zero error of a converter.
    real_w : float
        Mean of volts times amps [P].
    apparent_va : float
        [S = V I]
    nonactive_var : float
        sqrt(S^2 - P^2) [N]. It is reactive power only where neither volts nor amps are distorted.
    fundamental_w, fundamental_reactive_var, fundamental_apparent_va : float
        [P1, Q1, S1]; Q1 is positive where the current lags.
    harmonic_w : float
        P - P1 [PH]
    current_distortion_var, voltage_distortion_var, harmonic_apparent_va : float
        [DI = V1 IH, DV = VH I1, SH = VH IH]
    nonfundamental_va : float
        sqrt(S^2 - S1^2) [SN]
    power_factor : float
        P / S; NaN without current.
    displacement_factor : float
        P1 / S1, cosine of the angle between the fundamentals [PF1].
    angle_deg : float
        By which the fundamental of the current lags that of the volts; negative: leads.
    crest_volts, crest_amps : float
        Highest magnitude over rms.
    thd_volts, thd_amps : float
        VH / V1 and IH / I1: relative to the fundamental.
    frequency_hz : float
    cycles : int
        Whole cycles that were used.
    """

    volts_v: float
    amps_a: float
    fundamental_v: float
    fundamental_a: float
    harmonic_v: float
    harmonic_a: float
    dc_v: float
    dc_a: float
    real_w: float
    apparent_va: float
    nonactive_var: float
    fundamental_w: float
    fundamental_reactive_var: float
    fundamental_apparent_va: float
    harmonic_w: float
    current_distortion_var: float
    voltage_distortion_var: float
    harmonic_apparent_va: float
    nonfundamental_va: float
    power_factor: float
    displacement_factor: float
    angle_deg: float
    crest_volts: float
    crest_amps: float
    thd_volts: float
    thd_amps: float
    frequency_hz: float
    cycles: int

    @property
    def side(self) -> str:
        """`lagging`, `leading` or `in step`: the current's fundamental against the volts'."""
        if not math.isfinite(self.angle_deg):
            return "no current"
        if abs(self.angle_deg) < IN_STEP_DEG or abs(abs(self.angle_deg) - 180) < IN_STEP_DEG:
            return "in step"
        return "lagging" if self.angle_deg > 0 else "leading"

    def to_frame(self) -> pd.DataFrame:
        """One row with every quantity as a column, and `side`."""
        row: dict[str, object] = {f.name: getattr(self, f.name) for f in fields(self)}
        return pd.DataFrame([{**row, "side": self.side}])


def measure_power(
    volts_v: ArrayLike,
    amps_a: ArrayLike,
    *,
    sample_rate_hz: float,
    frequency_hz: float | None = None,
    allow_flat_tops: bool = False,
) -> PowerMeasures:
    """RMS values, powers, power factors and distortion of one phase.

    Parameters
    ----------
    volts_v, amps_a : array_like, shape (n,)
        Samples at the same instants [V], [A]; any number of cycles from one on, whole or not. Where
        the channels are sampled one after the other, see `align_channels`.
    sample_rate_hz : float
        Samples of each channel a second [Hz].
    frequency_hz : float, optional
        Line frequency [Hz]. Default: fitted to the volts.
    allow_flat_tops : bool
        True where a wave is flat at its top by nature, not by the limit of the converter.

    Returns
    -------
    PowerMeasures

    Raises
    ------
    ValueError
        Unequal lengths, gaps, no voltage, clipped or flat signals, fewer than one cycle, a sample
        rate of twice the line frequency or less.

    Notes
    -----
    Means are over whole cycles of the fitted frequency, with smoothed edges (`whole_cycles`), so
    nothing leaks from one harmonic into another. O(n) time; four arrays of n float64.

    References
    ----------
    IEEE Std 1459-2010, 3.1.2 (single phase, nonsinusoidal).

    Examples
    --------
    >>> t = np.arange(2000) / 6000
    >>> volts, amps = 170 * np.sin(377 * t), 2 * np.sin(377 * t - np.pi / 3)
    >>> found = measure_power(volts, amps, sample_rate_hz=6000)
    >>> round(found.real_w, 3), round(found.power_factor, 6), found.side
    (85.0, 0.5, 'lagging')
    """
    volts, amps = checked_pair(volts_v, amps_a, allow_flat_tops=allow_flat_tops)
    rate, line_hz = rate_and_frequency(volts, sample_rate_hz, frequency_hz)
    cycles = int(volts.size * line_hz / rate + 1e-6)
    weights = cycle_weights(volts.size, cycle_samples=rate / line_hz)
    volts, amps = volts[: weights.size], amps[: weights.size]
    table = harmonic_table(volts, amps, rate, line_hz, weights, most=1)
    v1, i1 = complex(table.volts[0]), complex(table.amps[0])
    return _measures(
        mean_v=float(weights @ volts),
        mean_a=float(weights @ amps),
        rms_v=math.sqrt(float(weights @ volts**2)),
        rms_a=math.sqrt(float(weights @ amps**2)),
        real_w=float(weights @ (volts * amps)),
        fundamental_va=v1 * i1.conjugate(),
        fundamental_v=abs(v1),
        fundamental_a=abs(i1),
        peak_v=float(np.abs(volts).max()),
        peak_a=float(np.abs(amps).max()),
        frequency_hz=line_hz,
        cycles=cycles,
    )


def measure_harmonics(
    volts_v: ArrayLike,
    amps_a: ArrayLike,
    *,
    sample_rate_hz: float,
    frequency_hz: float | None = None,
    most: int = 40,
    allow_flat_tops: bool = False,
) -> Harmonics:
    """Table of harmonics of volts and amps.

    Parameters
    ----------
    volts_v, amps_a, sample_rate_hz, frequency_hz, allow_flat_tops
        As for `measure_power`.
    most : int
        Highest order; orders from half the sample rate on are left out.

    Returns
    -------
    Harmonics

    Raises
    ------
    ValueError
        As `measure_power`.
    """
    volts, amps = checked_pair(volts_v, amps_a, allow_flat_tops=allow_flat_tops)
    rate, line_hz = rate_and_frequency(volts, sample_rate_hz, frequency_hz)
    weights = cycle_weights(volts.size, cycle_samples=rate / line_hz)
    return harmonic_table(volts, amps, rate, line_hz, weights, most=most)


def root_mean_square(
    samples: ArrayLike, *, sample_rate_hz: float, frequency_hz: float | None = None
) -> float:
    """RMS of one channel over whole cycles, in the unit of the samples."""
    x = as_samples(samples, name="samples")
    rate, line_hz = rate_and_frequency(x, sample_rate_hz, frequency_hz)
    weights = cycle_weights(x.size, cycle_samples=rate / line_hz)
    return math.sqrt(float(weights @ x[: weights.size] ** 2))


def rate_and_frequency(
    volts: Samples, sample_rate_hz: float, frequency_hz: float | None
) -> tuple[float, float]:
    """Give the checked sample rate, and the line frequency as given or else fitted [Hz]."""
    if frequency_hz is None:
        return float(sample_rate_hz), line_frequency(volts, sample_rate_hz=sample_rate_hz)
    if not (math.isfinite(frequency_hz) and frequency_hz > 0):
        raise ValueError(f"frequency_hz must be positive, got {frequency_hz!r}")
    rate = checked_rate(sample_rate_hz, frequency_hz=frequency_hz)
    if volts.size * frequency_hz < rate * (1 - 1e-9):
        raise ValueError(
            f"{volts.size} samples are {volts.size * frequency_hz / rate:.2f} of a cycle of "
            f"{frequency_hz:g} Hz; at least one whole cycle is needed"
        )
    return rate, float(frequency_hz)


def _ratio(part: float, whole: float) -> float:
    return part / whole if whole > 0 else math.nan


def _rest(whole: float, part: float) -> float:
    """Root of the difference of two squares; rounding must not make it imaginary."""
    return math.sqrt(max(whole**2 - part**2, 0.0))


def _measures(
    *,
    mean_v: float,
    mean_a: float,
    rms_v: float,
    rms_a: float,
    real_w: float,
    fundamental_va: complex,
    fundamental_v: float,
    fundamental_a: float,
    peak_v: float,
    peak_a: float,
    frequency_hz: float,
    cycles: int,
) -> PowerMeasures:
    apparent_va = rms_v * rms_a
    harmonic_v, harmonic_a = _rest(rms_v, fundamental_v), _rest(rms_a, fundamental_a)
    s1_va = abs(fundamental_va)
    angle = math.degrees(np.angle(fundamental_va)) if s1_va > 0 else math.nan
    return PowerMeasures(
        volts_v=rms_v,
        amps_a=rms_a,
        fundamental_v=fundamental_v,
        fundamental_a=fundamental_a,
        harmonic_v=harmonic_v,
        harmonic_a=harmonic_a,
        dc_v=mean_v,
        dc_a=mean_a,
        real_w=real_w,
        apparent_va=apparent_va,
        nonactive_var=_rest(apparent_va, real_w),
        fundamental_w=fundamental_va.real,
        fundamental_reactive_var=fundamental_va.imag,
        fundamental_apparent_va=s1_va,
        harmonic_w=real_w - fundamental_va.real,
        current_distortion_var=fundamental_v * harmonic_a,
        voltage_distortion_var=harmonic_v * fundamental_a,
        harmonic_apparent_va=harmonic_v * harmonic_a,
        nonfundamental_va=_rest(apparent_va, s1_va),
        power_factor=_ratio(real_w, apparent_va),
        displacement_factor=_ratio(fundamental_va.real, s1_va),
        angle_deg=angle,
        crest_volts=_ratio(peak_v, rms_v),
        crest_amps=_ratio(peak_a, rms_a),
        thd_volts=_ratio(harmonic_v, fundamental_v),
        thd_amps=_ratio(harmonic_a, fundamental_a),
        frequency_hz=frequency_hz,
        cycles=cycles,
    )
