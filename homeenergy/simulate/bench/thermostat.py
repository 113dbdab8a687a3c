"""A refrigerator under a thermostat, from its heat balance."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from homeenergy.readings import Trace
from homeenergy.units import WH_PER_KWH

H_PER_DAY = 24.0


@dataclass(frozen=True, slots=True, kw_only=True)
class CabinetModel:
    """A cold cabinet and its compressor; the numbers are those of an ordinary refrigerator.

    Attributes
    ----------
    compressor_w : float
        Electric power while it runs [W].
    cooling_per_w : float
        Heat moved for each watt: the coefficient of performance.
    leak_w_per_k : float
        Heat that comes in for each degree between room and cabinet [W/K].
    heat_capacity_wh_per_k : float
        Of all that is cooled [Wh/K].
    set_c, band_k : float
        Middle of the thermostat's band and its width [deg C], [K].
    """

    compressor_w: float = 120.0
    cooling_per_w: float = 1.5
    leak_w_per_k: float = 3.5
    heat_capacity_wh_per_k: float = 8.0
    set_c: float = 4.0
    band_k: float = 3.0

    def duty_cycle(self, room_c: float) -> float:
        """Share of the time that it runs: heat that leaks in over heat that it can move, 0 to 1.

        Exact for a narrow band: over whole periods as much heat goes out as comes in.
        """
        cooling_w = self.compressor_w * self.cooling_per_w
        return min(max(self.leak_w_per_k * (room_c - self.set_c) / cooling_w, 0.0), 1.0)

    def kwh_per_day(self, room_c: float) -> float:
        """Energy of a day [kWh]: compressor power times duty cycle times 24 h."""
        return self.compressor_w * self.duty_cycle(room_c) * H_PER_DAY / WH_PER_KWH


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CabinetRecord:
    """What the model did: temperatures at the beginning of each sample, power during it."""

    trace: Trace
    inside_c: NDArray[np.float64]
    room_c: NDArray[np.float64]
    model: CabinetModel

    @property
    def duty_cycle(self) -> float:
        """Share of the time that the compressor ran."""
        return float(np.mean(self.trace.watts > 0))

    def to_frame(self) -> pd.DataFrame:
        """One row a sample, on a UTC index."""
        columns = {"watts": self.trace.watts, "inside_c": self.inside_c, "room_c": self.room_c}
        return pd.DataFrame(columns, index=self.trace.times())


def run_cabinet(
    room_c: ArrayLike,
    *,
    hours_h: float = 24.0,
    period_s: float = 10.0,
    model: CabinetModel | None = None,
    start: pd.Timestamp | str = "2026-07-01T00:00Z",
) -> CabinetRecord:
    """Let a thermostat keep a cabinet cold.

    Parameters
    ----------
    room_c : float, or array_like, shape (n,)
        Temperature of the room [deg C]; several are spread evenly over the time, and joined by
        straight lines.
    hours_h, period_s : float
        Length of the record [h] and of a sample [s].
    model : CabinetModel, optional
    start : timestamp or text
        Instant of the first sample.

    Returns
    -------
    CabinetRecord

    Notes
    -----
    Own model: C dT/dt = leak (room - T) - cooling while it runs, solved exactly within a sample.
    The thermostat looks once a sample. It begins at the upper end of the band, running.
    """
    model = model or CabinetModel()
    n = round(hours_h * 3600.0 / period_s)
    if n < 1:
        raise ValueError(f"{hours_h:g} h hold no sample of {period_s:g} s")
    given = np.atleast_1d(np.asarray(room_c, dtype=np.float64))
    room = np.interp(np.linspace(0, 1, n), np.linspace(0, 1, given.size), given)
    decay = math.exp(-period_s / 3600.0 * model.leak_w_per_k / model.heat_capacity_wh_per_k)
    drop_k = model.compressor_w * model.cooling_per_w / model.leak_w_per_k
    low, high = model.set_c - model.band_k / 2, model.set_c + model.band_k / 2
    inside, on = np.empty(n), np.empty(n, dtype=bool)
    temperature, running = high, True
    for k, outside in enumerate(room.tolist()):
        running = temperature > low if running else temperature >= high
        inside[k], on[k] = temperature, running
        goal = outside - drop_k if running else outside
        temperature = goal + (temperature - goal) * decay
    trace = Trace(
        label="Refrigerator (model)",
        start=pd.Timestamp(start),
        period_s=period_s,
        watts=np.where(on, model.compressor_w, 0.0).astype(np.float32),
    )
    return CabinetRecord(trace=trace, inside_c=inside, room_c=room, model=model)
