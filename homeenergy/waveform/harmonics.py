"""Harmonics of volts and amps."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.waveform.samples import Samples
from homeenergy.waveform.whole_cycles import phasors


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
