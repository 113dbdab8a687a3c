"""Electronics and lights: television, computer, router, lamps, and what is always on."""

from __future__ import annotations

import numpy as np

from homeenergy.simulate.calendar import WAKING
from homeenergy.simulate.circuit import Canvas
from homeenergy.simulate.shapes import Watts, between, flat, seconds, wander


def _levels(canvas: Canvas, rng: np.random.Generator, *, low_w: float, high_w: float) -> Watts:
    """Idle power that steps between two levels, once or twice a day."""
    idle = np.full(canvas.watts.size, low_w)
    for at_s in canvas.calendar.moments(rng, per_day=1.5, spans=((0.0, 24.0, 1.0),)):
        idle[int(at_s) : int(at_s) + seconds(rng, 1800, 5 * 3600)] = high_w
    return idle


def television(canvas: Canvas, rng: np.random.Generator) -> None:
    """Television set: wanders with the picture; its network chip wakes; fetches a guide."""
    if rng.random() < 0.6:
        low_w = between(rng, 0.3, 1.5)
        canvas.idle(_levels(canvas, rng, low_w=low_w, high_w=low_w + between(rng, 6, 17)))
    else:
        canvas.idle(between(rng, 0.3, 1.0))
    power_w = between(rng, 45, 160)
    for at_s in canvas.calendar.daily(rng, hour=between(rng, 2, 5), spread_h=0.2, chance=0.8):
        canvas.tail(at_s, flat(seconds(rng, 300, 600), 17.0))
    for hour, chance in ((between(rng, 7, 9), 0.3), (between(rng, 18.5, 20.5), 0.92)):
        for at_s in canvas.calendar.daily(rng, hour=hour, chance=chance):
            n_s = seconds(rng, 1800, 3 * 3600)
            if any(lo < at_s + n_s + 900 and at_s < hi + 900 for lo, hi, _, _ in canvas.spans):
                continue
            picture = wander(rng, n_s, sd_w=0.07 * power_w, tau_s=25.0)
            shape = np.clip(power_w + picture, 0.75 * power_w, 1.3 * power_w)
            shape[: seconds(rng, 4, 12)] = 0.6 * power_w
            canvas.run(at_s, shape, "viewing")


def computer(canvas: Canvas, rng: np.random.Generator) -> None:
    """Desktop computer with its screen."""
    canvas.idle(between(rng, 0.8, 5.0))
    base_w, busy_w = between(rng, 45, 90), between(rng, 40, 120)
    weekdays = range(5) if rng.random() < 0.5 else range(7)
    starts: list[int] = []
    for hour in (between(rng, 8.3, 9.5), between(rng, 13.2, 14.2)):
        starts += canvas.calendar.daily(
            rng, hour=hour, spread_h=0.25, chance=0.85, weekdays=weekdays
        )
    for at_s in sorted(starts):
        at = max(at_s, canvas.free_from + 900)
        n_s = seconds(rng, 3600, 3.5 * 3600)
        load = np.maximum(wander(rng, n_s, sd_w=1.0, tau_s=40.0) - 0.6, 0.0)
        canvas.run(at, base_w + np.minimum(busy_w * 0.6 * load, busy_w), "session")


def lights(canvas: Canvas, rng: np.random.Generator) -> None:
    """Lights of one circuit: a run lasts from the first lamp on to the last lamp off."""
    canvas.idle(0.0)
    lamps_w = rng.uniform(8, 75, int(rng.integers(2, 5)))
    lit = np.zeros(canvas.watts.size)
    spans = ((6.3, 8.2, 2.0), (17.0, 23.0, 5.0))
    for lamp_w in lamps_w:
        for at_s in canvas.calendar.moments(rng, per_day=between(rng, 1, 2.5), spans=spans):
            stop = int(at_s) + seconds(rng, 120, 3 * 3600)
            # A lamp that burns already is simply left on.
            new = lit[int(at_s) : stop]
            if not new.size or (new[0] > 0 and rng.random() < 0.5):
                continue
            lit[int(at_s) : stop] += lamp_w
    edges = np.flatnonzero(np.diff(np.r_[0, (lit > 0).astype(np.int8), 0]))
    for lo, hi in edges.reshape(-1, 2):
        canvas.run(int(lo), lit[lo:hi], "lit")


def router(canvas: Canvas, rng: np.random.Generator) -> None:
    """Router: on all the time, never idle."""
    n_s = canvas.watts.size
    canvas.watts[:] = between(rng, 6, 14) + np.abs(wander(rng, n_s, sd_w=0.35, tau_s=300.0))


def always_on(canvas: Canvas, rng: np.random.Generator) -> None:
    """Something that draws 80 to 105 W all day, with a slow swing of its own."""
    n_s = canvas.watts.size
    canvas.watts[:] = between(rng, 80, 105) + wander(rng, n_s, sd_w=0.6, tau_s=7200.0)


def ventilation(canvas: Canvas, rng: np.random.Generator) -> None:
    """House ventilation: never off, a higher speed for some hours of the day."""
    low_w, high_w = between(rng, 18, 35), between(rng, 45, 80)
    n_s = canvas.watts.size
    canvas.watts[:] = low_w
    for at_s in canvas.calendar.moments(rng, per_day=3.0, spans=WAKING):
        canvas.watts[int(at_s) : int(at_s) + seconds(rng, 900, 5400)] = high_w
    canvas.watts += wander(rng, n_s, sd_w=0.25, tau_s=900.0)


def car_charger(canvas: Canvas, rng: np.random.Generator) -> None:
    """Car charger: hours at full current, then a taper; its own electronics idle."""
    idle_w = between(rng, 2, 7)
    canvas.idle(idle_w)
    power_w = between(rng, 3400, 7400)
    for at_s in canvas.calendar.daily(
        rng, hour=between(rng, 18.5, 23.0), spread_h=0.7, chance=between(rng, 0.35, 0.7)
    ):
        at = max(at_s, canvas.free_from + 3600)
        n_s = seconds(rng, 3600, 5 * 3600)
        shape = power_w + wander(rng, n_s, sd_w=0.003 * power_w, tau_s=600.0)
        soft_s = seconds(rng, 5, 20)
        shape[:soft_s] *= np.linspace(0.1, 1.0, soft_s)
        if rng.random() < 0.6:
            taper_s = min(seconds(rng, 600, 2400), n_s // 3)
            shape[-taper_s:] *= np.linspace(1.0, 0.25, taper_s)
        canvas.run(at, shape + idle_w, "charge")
