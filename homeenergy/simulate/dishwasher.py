"""Dishwashers: two heatings, and half an hour of drying that looks like the end."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from homeenergy.simulate.circuit import Canvas
from homeenergy.simulate.shapes import Watts, between, element, flat, join, seconds, wander


@dataclass(frozen=True, slots=True, kw_only=True)
class Dishwasher:
    """Make of a dishwasher."""

    heater_w: float
    pump_w: float
    drain_w: float
    drying_w: float
    drying_s: float
    closing_drain: bool


PROGRAMMES: tuple[tuple[str, bool, float, float, float, bool], ...] = (
    # name, prewash, main heating min, main wash min, final heating min, drying
    ("eco", False, 9.0, 55.0, 10.0, True),
    ("auto", True, 13.0, 24.0, 13.0, True),
    ("intensive", True, 19.0, 30.0, 17.0, True),
    ("quick", False, 7.0, 9.0, 5.0, False),
)


def dishwasher(
    canvas: Canvas,
    rng: np.random.Generator,
    *,
    heater_w: float | None = None,
    twice_chance: float = 0.08,
) -> None:
    """Dishwasher, run most evenings; with `twice_chance` a second load follows at once."""
    # A stream of its own: whether a second load follows changes nothing about the first.
    second_rng = rng.spawn(1)[0]
    standby_w = 0.0 if rng.random() < 0.45 else between(rng, 0.3, 2.0)
    canvas.idle(standby_w)
    make = Dishwasher(
        heater_w=between(rng, 1700, 2150) if heater_w is None else heater_w,
        pump_w=between(rng, 45, 95),
        drain_w=between(rng, 18, 40),
        drying_w=between(rng, 0, 4),
        drying_s=between(rng, 1200, 2200),
        closing_drain=rng.random() < 0.8,
    )
    display_w = between(rng, 2, 9) if rng.random() < 0.5 else 0.0
    favourites = rng.choice(len(PROGRAMMES), size=2, replace=False)
    hours = [between(rng, 19, 22)] + ([between(rng, 12.5, 14)] if rng.random() < 0.4 else [])
    for index, hour in enumerate(hours):
        chance = between(rng, 0.6, 0.95) if index == 0 else 0.3
        for at_s in canvas.calendar.daily(rng, hour=hour, chance=chance):
            if index and _busy(canvas, at_s):
                continue
            name, shape = _programme(rng, make, PROGRAMMES[int(rng.choice(favourites))], standby_w)
            end = canvas.run(at_s, shape, name)
            if index == 0 and second_rng.random() < twice_chance:
                name, shape = _programme(second_rng, make, PROGRAMMES[-1], standby_w)
                end = canvas.run(end + seconds(second_rng, 40, 400), shape, name)
            if display_w:
                canvas.tail(end, flat(seconds(rng, 300, 3 * 3600), standby_w + display_w))


def _busy(canvas: Canvas, at_s: int) -> bool:
    """Whether a programme of three hours, with its display after it, would meet another run."""
    return any(lo < at_s + 6 * 3600 and at_s < hi + 600 for lo, hi, _, _ in canvas.spans)


def _pump(rng: np.random.Generator, make: Dishwasher, minutes: float) -> Watts:
    n_s = round(60 * minutes)
    return make.pump_w + wander(rng, n_s, sd_w=0.05 * make.pump_w, tau_s=8.0)


def _drain(rng: np.random.Generator, make: Dishwasher, rest_w: float) -> Watts:
    return join(
        flat(seconds(rng, 3, 15), rest_w + 2.0),
        flat(seconds(rng, 30, 70), make.drain_w),
        flat(seconds(rng, 20, 90), rest_w + 4.5),  # the inlet valve
    )


def _programme(
    rng: np.random.Generator,
    make: Dishwasher,
    programme: tuple[str, bool, float, float, float, bool],
    rest_w: float,
) -> tuple[str, Watts]:
    name, prewash, heat_min, wash_min, final_min, drying = programme
    parts = [flat(seconds(rng, 20, 60), rest_w + 5.0), _drain(rng, make, rest_w)]
    if prewash:
        parts += [_pump(rng, make, between(rng, 3, 6)), _drain(rng, make, rest_w)]
    heat = _pump(rng, make, heat_min * between(rng, 0.8, 1.25))
    parts += [_pump(rng, make, between(rng, 1, 4)), heat + element(rng, heat.size, make.heater_w)]
    # The pump rests for some seconds now and then to let the suds settle.
    wash = _pump(rng, make, wash_min * between(rng, 0.9, 1.1))
    for at in range(seconds(rng, 200, 500), wash.size - 60, 420):
        wash[at : at + seconds(rng, 4, 20)] = rest_w + 2.0
    parts += [wash, _drain(rng, make, rest_w)]
    for _ in range(seconds(rng, 1, 2)):
        parts += [_pump(rng, make, between(rng, 2, 5)), _drain(rng, make, rest_w)]
    final = _pump(rng, make, final_min * between(rng, 0.85, 1.2))
    parts += [final + element(rng, final.size, make.heater_w), _pump(rng, make, 2.0)]
    parts.append(flat(seconds(rng, 45, 75), make.drain_w))
    # Without a pulse at its end, drying that draws nothing cannot be told from idle.
    if drying and make.closing_drain:
        dry_s = round(make.drying_s * between(rng, 0.9, 1.1))
        parts.append(flat(dry_s, rest_w + make.drying_w))
        parts.append(flat(seconds(rng, 50, 65), make.drain_w))
    return name, join(*parts)
