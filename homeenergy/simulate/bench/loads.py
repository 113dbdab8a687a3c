"""The teaching bench: mains, loads, a clamp whose core saturates, a converter of n bits."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

Wave = NDArray[np.float64]

STEPS_PER_CYCLE = 4096  # of the simulated rectifier
SETTLING_CYCLES = 60
DIODE_V = 0.9  # forward drop of a rectifier diode under load; own assumption
LEAST_RAIL_V = 10.0  # a supply of constant power that draws more than this allows shuts down


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchMains:
    """Volts at the bench's outlet.

    Attributes
    ----------
    volts_v, frequency_hz : float
        Of the fundamental, rms [V], [Hz].
    sample_rate_hz : float
        [Hz]
    cycles : float
        Length of the record.
    harmonics : tuple of (order, share, degrees)
        Share of the fundamental, and angle of a sine.
    delay_s : float
        By how much later the first sample is taken: the second channel of a converter that takes
        them in turn [s].
    """

    volts_v: float = 120.0
    frequency_hz: float = 60.0
    sample_rate_hz: float = 7680.0
    cycles: float = 12.0
    harmonics: tuple[tuple[int, float, float], ...] = ()
    delay_s: float = 0.0

    @property
    def times_s(self) -> Wave:
        """Instants of the samples [s]; the fundamental rises through zero at 0."""
        n = round(self.cycles * self.sample_rate_hz / self.frequency_hz)
        return np.arange(n) / self.sample_rate_hz + self.delay_s

    @property
    def volts(self) -> Wave:
        """Samples of the volts [V]."""
        return self._wave(lambda _: 1.0 + 0j)

    def later(self, delay_s: float) -> BenchMains:
        """Give the same mains, sampled `delay_s` later."""
        return replace(self, delay_s=self.delay_s + delay_s)

    def _parts(self) -> list[tuple[int, float, float]]:
        rest = [(h, share * self.volts_v, degrees) for h, share, degrees in self.harmonics]
        return [(1, self.volts_v, 0.0), *rest]

    def _wave(self, admittance: Callable[[int], complex]) -> Wave:
        turn = 2 * np.pi * self.frequency_hz * self.times_s
        total = np.zeros(turn.size)
        for order, rms_v, degrees in self._parts():
            y = admittance(order)
            angle = order * turn + math.radians(degrees) + float(np.angle(y))
            total += math.sqrt(2) * rms_v * abs(y) * np.sin(angle)
        return total

    def _omega(self, order: int) -> float:
        return 2 * math.pi * self.frequency_hz * order


def heater_amps(mains: BenchMains, *, ohm: float) -> Wave:
    """Current of a resistor [A]: in step with the volts."""
    return mains.volts / ohm


def motor_amps(mains: BenchMains, *, ohm: float, henry: float) -> Wave:
    """Steady current of a resistance in series with an inductance [A]: it lags.

    A motor that runs under constant load looks like this from its terminals.
    """
    return mains._wave(lambda order: 1.0 / complex(ohm, mains._omega(order) * henry))


def capacitor_amps(mains: BenchMains, *, farad: float) -> Wave:
    """Steady current of a capacitor [A]: it leads by a quarter of a cycle."""
    return mains._wave(lambda order: complex(0.0, mains._omega(order) * farad))


def dimmer_amps(mains: BenchMains, *, ohm: float, cut_deg: float) -> Wave:
    """Current of a resistor behind a dimmer that opens `cut_deg` after each zero crossing [A].

    Reckoned from the zero crossings of the fundamental; 0 lets everything through, 180 nothing.
    """
    if not 0 <= cut_deg <= 180:
        raise ValueError(f"cut_deg must lie between 0 and 180 degrees, got {cut_deg!r}")
    turn = (2 * mains.frequency_hz * mains.times_s) % 1.0
    return np.where(turn >= cut_deg / 180.0, mains.volts / ohm, 0.0)


def rectifier_amps(
    mains: BenchMains, *, load_w: float, farad: float, source_ohm: float = 1.0
) -> Wave:
    """Steady current of a bridge rectifier with a smoothing capacitor and a constant load [A].

    The input stage of an electronic supply without correction: the bridge conducts only where the
    volts exceed those of the capacitor, so the current comes in short pulses about the crests.

    Parameters
    ----------
    mains : BenchMains
    load_w : float
        Power drawn from the capacitor [W].
    farad : float
        [F]
    source_ohm : float
        Resistance of wiring, inrush limiter and capacitor [ohm]; it sets how narrow pulses are.
    """
    key = (mains.volts_v, mains.frequency_hz, mains.harmonics)
    cycle = np.array(_rectifier_cycle(key, load_w, farad, source_ohm))
    at = (mains.frequency_hz * mains.times_s) % 1.0 * cycle.size
    return np.interp(at, np.arange(cycle.size + 1), np.r_[cycle, cycle[0]])


@lru_cache(maxsize=64)
def _rectifier_cycle(
    key: tuple[float, float, tuple[tuple[int, float, float], ...]],
    load_w: float,
    farad: float,
    source_ohm: float,
) -> tuple[float, ...]:
    """Walk to the steady state in equal steps, and give the current of its last cycle."""
    volts_v, frequency_hz, harmonics = key
    mains = BenchMains(
        volts_v=volts_v,
        frequency_hz=frequency_hz,
        harmonics=harmonics,
        sample_rate_hz=STEPS_PER_CYCLE * frequency_hz,
        cycles=1,
    )
    volts = mains.volts.tolist()
    step_s = 1.0 / mains.sample_rate_hz
    rail_v = max(volts) - 2 * DIODE_V
    amps: list[float] = []
    for _ in range(SETTLING_CYCLES):
        amps, before_v = [], rail_v
        for volt in volts:
            drive = abs(volt) - 2 * DIODE_V - rail_v
            # Implicit in the rail, so that a small resistance needs no smaller step.
            flow = max(drive, 0.0) / (source_ohm + step_s / farad)
            rail_v += step_s * (flow - load_w / max(rail_v, LEAST_RAIL_V)) / farad
            amps.append(math.copysign(flow, volt) if flow else 0.0)
        if abs(rail_v - before_v) < 1e-7 * max(rail_v, 1.0):
            break
    return tuple(amps)


SUBSTEPS = 8
KNEE_POWER = 9  # how suddenly the core saturates; own assumption


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
