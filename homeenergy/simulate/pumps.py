"""Motors that start direct: well pump, sump pump, vacuum cleaner."""

from __future__ import annotations

import numpy as np

from homeenergy.simulate.calendar import WAKING
from homeenergy.simulate.circuit import Canvas
from homeenergy.simulate.shapes import between, flat, motor, seconds, wander


def well_pump(canvas: Canvas, rng: np.random.Generator) -> None:
    """Well pump: refills the pressure tank in half a minute to a minute and a half."""
    canvas.idle(0.0)
    power_w, inrush = between(rng, 650, 1600), between(rng, 4, 6)
    fill_s = between(rng, 30, 85)
    spans = ((6.0, 9.0, 4.0), (9.0, 17.0, 4.0), (17.0, 23.0, 5.0), (0.0, 6.0, 0.6))
    for at_s in canvas.calendar.moments(rng, per_day=between(rng, 15, 40), spans=spans):
        at = max(int(at_s), canvas.free_from + seconds(rng, 40, 180))
        watering = rng.random() < 0.01
        # While a tap stays open the pump fills the tank against it.
        n_s = seconds(rng, 1200, 4000) if watering else round(fill_s * between(rng, 0.9, 1.5))
        shape = motor(n_s, power_w, inrush=inrush * between(rng, 0.6, 1.1), warm=1.06, tau_s=12)
        shape[1:] += wander(rng, n_s - 1, sd_w=0.004 * power_w, tau_s=10.0)
        canvas.run(at, shape, "watering" if watering else "refill")


def sump_pump(canvas: Canvas, rng: np.random.Generator) -> None:
    """Sump pump: seconds at a time, often after rain and hardly ever when dry."""
    canvas.idle(0.0)
    power_w, inrush = between(rng, 300, 800), between(rng, 4, 7)
    empty_s = between(rng, 8, 30)
    at = seconds(rng, 0, 3600)
    wet = rng.random() < 0.5
    next_change = at
    while at < canvas.watts.size:
        if at >= next_change:
            wet = not wet
            next_change = at + seconds(rng, 12 * 3600, 72 * 3600)
        n_s = max(5, round(empty_s * between(rng, 0.9, 1.1)))
        shape = motor(n_s, power_w, inrush=inrush * between(rng, 0.6, 1.0), warm=1.08, tau_s=4.0)
        end = canvas.run(at, shape, "pump out")
        at = end + round(between(rng, 480, 1500) if wet else between(rng, 3 * 3600, 14 * 3600))


def vacuum_cleaner(canvas: Canvas, rng: np.random.Generator) -> None:
    """Vacuum cleaner: one session, at times switched off for seconds to move a chair."""
    canvas.idle(0.0)
    power_w = between(rng, 600, 1400)
    chance = between(rng, 0.25, 0.6)
    for at_s in canvas.calendar.daily(rng, hour=between(rng, 9, 18), spread_h=2, chance=chance):
        n_s = seconds(rng, 200, 1500)
        shape = motor(n_s, power_w, inrush=1.8, warm=1.03, tau_s=60.0)
        shape += wander(rng, n_s, sd_w=0.03 * power_w, tau_s=4.0)
        for _ in range(seconds(rng, 0, 3)):
            cut = seconds(rng, 40, n_s - 60)
            shape[cut : cut + seconds(rng, 5, 40)] = 0.0
        canvas.run(max(at_s, canvas.free_from + 1800), shape, "cleaning")


def bathroom_fan(canvas: Canvas, rng: np.random.Generator) -> None:
    """Extract fan with a run-on timer."""
    canvas.idle(between(rng, 0.3, 1.2))
    power_w, run_on_s = between(rng, 14, 45), between(rng, 300, 1200)
    for at_s in canvas.calendar.moments(rng, per_day=between(rng, 3, 8), spans=WAKING):
        at = max(int(at_s), canvas.free_from + 60)
        n_s = seconds(rng, 90, 900) + round(run_on_s)
        canvas.run(at, flat(n_s, power_w) + wander(rng, n_s, sd_w=0.2, tau_s=60.0), "fan")
