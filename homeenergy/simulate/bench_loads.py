"""A teaching bench: mains at an outlet, and the current of ideal and real loads, sample by sample.

Currents of loads side by side add up: `heater_amps(...) + capacitor_amps(...)`.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Wave = NDArray[np.float64]

STEPS_PER_CYCLE = 4096  # of the simulated rectifier
SETTLING_CYCLES = 60
DIODE_V = 0.9  # forward drop of a rectifier diode under load, from memory of data sheets
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


def resonant_amps(mains: BenchMains, *, ohm: float, henry: float, farad: float) -> Wave:
    """Steady current of resistance, inductance and capacitance in series [A]."""

    def admittance(order: int) -> complex:
        omega = mains._omega(order)
        return 1.0 / complex(ohm, omega * henry - 1.0 / (omega * farad))

    return mains._wave(admittance)


def half_wave_amps(mains: BenchMains, *, ohm: float) -> Wave:
    """Current of a heater behind an ideal diode, as in the low setting of a hair dryer [A]."""
    return np.clip(mains.volts, 0.0, None) / ohm


def dimmer_amps(mains: BenchMains, *, ohm: float, cut_deg: float) -> Wave:
    """Current of a resistor behind a dimmer that opens `cut_deg` after each zero crossing [A].

    Reckoned from the zero crossings of the fundamental; 0 lets everything through, 180 nothing.
    """
    if not 0 <= cut_deg <= 180:
        raise ValueError(f"cut_deg must lie between 0 and 180 degrees, got {cut_deg!r}")
    turn = (2 * mains.frequency_hz * mains.times_s) % 1.0
    return np.where(turn >= cut_deg / 180.0, mains.volts / ohm, 0.0)


def pulse_amps(mains: BenchMains, *, height_a: float, width_deg: float) -> Wave:
    """Rectangular pulses centred on the crests of the volts [A]: a rectifier as textbooks draw it.

    `width_deg` of each half cycle of 180 degrees.
    """
    phase = (2 * mains.frequency_hz * mains.times_s) % 1.0 - 0.5
    sign = np.where((mains.frequency_hz * mains.times_s) % 1.0 < 0.5, 1.0, -1.0)
    return np.where(np.abs(phase) < width_deg / 360.0, height_a, 0.0) * sign


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
