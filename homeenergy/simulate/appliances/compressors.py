"""Refrigerators, freezers and dehumidifiers: a compressor under a thermostat."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from homeenergy.simulate.appliances.circuit import (
    Canvas,
    Watts,
    between,
    decay,
    element,
    flat,
    seconds,
    wander,
)
from homeenergy.simulate.calendar import WAKING


@dataclass(frozen=True, slots=True, kw_only=True)
class Compressor:
    """Make of a compressor. Times in seconds, `defrost_after_h` in hours of compressor time."""

    power_w: float
    inrush: float
    warm: float
    tau_s: float
    on_s: float
    off_s: float
    spread: float
    long_chance: float
    defrost_after_h: float | None
    heater_w: float = 0.0
    defrost_s: float = 0.0


def refrigerator(canvas: Canvas, rng: np.random.Generator) -> None:
    """Refrigerator: frost-free in most makes, with a lamp behind the door."""
    canvas.idle(0.0 if rng.random() < 0.3 else between(rng, 0.6, 4.0))
    frost_free = rng.random() < 0.7
    make = Compressor(
        power_w=between(rng, 55, 150),
        inrush=between(rng, 5, 14) if rng.random() < 0.85 else 1.3,
        warm=between(rng, 1.08, 1.5),
        tau_s=between(rng, 60, 400),
        on_s=between(rng, 600, 1700),
        off_s=between(rng, 800, 2700),
        spread=between(rng, 0.06, 0.18),
        long_chance=between(rng, 0.005, 0.02),
        defrost_after_h=between(rng, 6, 12) if frost_free else None,
        heater_w=between(rng, 140, 420),
        defrost_s=between(rng, 480, 1300),
    )
    _cycle(canvas, rng, make)
    lamp_w = between(rng, 10, 30) if rng.random() < 0.6 else between(rng, 1.5, 4)
    for at_s in canvas.calendar.moments(rng, per_day=between(rng, 6, 22), spans=WAKING):
        held_s = seconds(rng, 60, 600) if rng.random() < 0.03 else seconds(rng, 3, 40)
        canvas.add(int(at_s), flat(held_s, lamp_w))


def freezer(canvas: Canvas, rng: np.random.Generator) -> None:
    """Chest or upright freezer: longer periods, seldom opened."""
    canvas.idle(0.0 if rng.random() < 0.5 else between(rng, 0.4, 2.5))
    make = Compressor(
        power_w=between(rng, 60, 140),
        inrush=between(rng, 5, 15),
        warm=between(rng, 1.1, 1.6),
        tau_s=between(rng, 120, 600),
        on_s=between(rng, 900, 2600),
        off_s=between(rng, 1200, 3600),
        spread=between(rng, 0.04, 0.12),
        long_chance=between(rng, 0.003, 0.012),
        defrost_after_h=between(rng, 8, 14) if rng.random() < 0.4 else None,
        heater_w=between(rng, 180, 450),
        defrost_s=between(rng, 700, 1500),
    )
    _cycle(canvas, rng, make)


def dehumidifier(canvas: Canvas, rng: np.random.Generator) -> None:
    """Dehumidifier: compressor and fan under a humidity switch."""
    canvas.idle(between(rng, 0.8, 3.0))
    make = Compressor(
        power_w=between(rng, 180, 420),
        inrush=between(rng, 3, 8),
        warm=between(rng, 0.85, 0.97),
        tau_s=between(rng, 200, 600),
        on_s=between(rng, 1200, 4800),
        off_s=between(rng, 1500, 7200),
        spread=between(rng, 0.15, 0.35),
        long_chance=0.02,
        defrost_after_h=None,
    )
    _cycle(canvas, rng, make)


def _on_period(rng: np.random.Generator, make: Compressor, n_s: int) -> Watts:
    # A warm cabinet evaporates at a higher pressure, so the motor works harder while it lasts.
    load = 1.0 + 0.12 * min(max(n_s / make.on_s - 1.0, 0.0), 3.0)
    first_w = make.power_w * make.warm * load
    shape = decay(n_s, first_w, make.power_w, tau_s=make.tau_s * load**3)
    shape += wander(rng, n_s, sd_w=0.004 * make.power_w, tau_s=90.0)
    if n_s:
        shape[0] = make.inrush * make.power_w * between(rng, 0.7, 1.3)
    return shape


def _length(rng: np.random.Generator, typical_s: float, spread: float) -> int:
    return max(60, round(typical_s * float(np.exp(rng.normal(0.0, spread)))))


def _cycle(canvas: Canvas, rng: np.random.Generator, make: Compressor) -> None:
    n_s = canvas.watts.size
    # Begin somewhere within a period, so that the trace may start inside a run.
    at = -seconds(rng, 0, make.on_s + make.off_s)
    compressor_s = between(rng, 0, 1) * 3600 * (make.defrost_after_h or 0.0)
    programme = "compressor"
    while at < n_s:
        on_s = _length(rng, make.on_s, make.spread)
        off_s = max(300, _length(rng, make.off_s, make.spread))
        if programme == "after defrost":
            on_s = round(on_s * between(rng, 1.5, 2.6))
        elif rng.random() < make.long_chance:
            programme, on_s = "warm load", round(on_s * between(rng, 2.5, 8.0))
        at = canvas.run(at, _on_period(rng, make, on_s), programme) + off_s
        compressor_s += on_s
        programme = "compressor"
        if make.defrost_after_h is not None and compressor_s > 3600 * make.defrost_after_h:
            at = _defrost(canvas, rng, make, at)
            compressor_s, programme = 0.0, "after defrost"


def _defrost(canvas: Canvas, rng: np.random.Generator, make: Compressor, at: int) -> int:
    """Heat until the limit switch opens, then wait minutes for the water to drip off."""
    heat_s = _length(rng, make.defrost_s, 0.12)
    idle_w = float(canvas.watts[min(max(at, 0), canvas.watts.size - 1)])
    shape = element(rng, heat_s, make.heater_w) * decay(heat_s, 1.03, 1.0, tau_s=120.0) + idle_w
    return canvas.run(at, shape, "defrost") + seconds(rng, 300, 540)
