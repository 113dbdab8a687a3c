"""Small kitchen appliances used by hand: kettle, toaster, microwave, coffee machine."""

from __future__ import annotations

import numpy as np

from homeenergy.simulate.calendar import MEALS, WAKING
from homeenergy.simulate.circuit import Canvas
from homeenergy.simulate.shapes import Watts, between, decay, element, flat, join, on_off, seconds


def kettle(canvas: Canvas, rng: np.random.Generator) -> None:
    """Kettle: one block per boil, at times boiled again minutes later, at times a false start."""
    canvas.idle(0.0 if rng.random() < 0.7 else between(rng, 0.3, 1.0))
    idle_w = float(canvas.watts[0])
    power_w = between(rng, 1350, 2950)
    # 0.5 to 1.5 litres from 15 to 100 degrees C at 4186 J/(kg K), with a tenth lost.
    for at_s in canvas.calendar.moments(rng, per_day=between(rng, 2.5, 6.5), spans=WAKING):
        at = max(int(at_s), canvas.free_from + 150)
        litres = between(rng, 0.4, 1.5)
        boil_s = round(litres * 4186 * 85 / (0.9 * power_w))
        shape = element(rng, boil_s, power_w) * decay(boil_s, 1.012, 1.0, tau_s=60.0)
        if rng.random() < 0.04:
            false_start = flat(seconds(rng, 4, 7), power_w)
            shape = join(false_start, flat(seconds(rng, 12, 30), idle_w), shape)
        end = canvas.run(at, shape, "boil")
        if rng.random() < 0.12:
            again = element(rng, seconds(rng, 11, 19), power_w)
            canvas.run(end + seconds(rng, 90, 600), again, "boil again")


def toaster(canvas: Canvas, rng: np.random.Generator) -> None:
    """Toaster: on some mornings two goes, seconds apart."""
    canvas.idle(0.0)
    power_w = between(rng, 700, 1300)
    toast_s = between(rng, 90, 170)
    for at_s in canvas.calendar.daily(rng, hour=between(rng, 6.8, 8.5), chance=0.75):
        at = max(at_s, canvas.free_from + 60)
        for _ in range(1 + (rng.random() < 0.4)):
            n_s = round(toast_s * between(rng, 0.85, 1.1))
            shape = element(rng, n_s, power_w) * decay(n_s, 1.05, 1.0, tau_s=15.0)
            at = canvas.run(at, shape, "toast") + seconds(rng, 8, 25)


def microwave(canvas: Canvas, rng: np.random.Generator) -> None:
    """Microwave oven: short uses, pulsed at part power, a clock all day."""
    canvas.idle(0.0 if rng.random() < 0.15 else between(rng, 1.0, 4.0))
    idle_w = float(canvas.watts[0])
    full_w, lamp_w = between(rng, 1000, 1650), between(rng, 15, 60)
    for at_s in canvas.calendar.moments(rng, per_day=between(rng, 2, 6), spans=MEALS):
        at = max(int(at_s), canvas.free_from + 45)
        if rng.random() < 0.3:
            n_s = seconds(rng, 120, 600)
            shape = on_off(
                rng, n_s, on_s=(9, 14), off_s=(10, 22), on_w=full_w, off_w=lamp_w + idle_w
            )
            name = "part power"
        else:
            n_s = seconds(rng, 20, 240)
            shape = decay(n_s, full_w, 0.94 * full_w, tau_s=90.0)
            shape[: min(2, n_s)] = lamp_w + idle_w  # the tube warms up first
            name = "full power"
        end = canvas.run(at, shape, name)
        canvas.tail(end + seconds(rng, 1, 4), flat(seconds(rng, 4, 20), 0.5 * lamp_w + idle_w))


def coffee_machine(canvas: Canvas, rng: np.random.Generator) -> None:
    """Coffee machine: heats, brews, then keeps warm with short pulses until it switches off."""
    canvas.idle(0.0 if rng.random() < 0.4 else between(rng, 0.4, 2.5))
    idle_w = float(canvas.watts[0])
    power_w, pump_w = between(rng, 1000, 1500), between(rng, 35, 60)
    pulse_every_s, pulse_s = between(rng, 45, 500), between(rng, 3, 14)
    auto_off_s = between(rng, 600, 7200)
    for at_s in canvas.calendar.moments(rng, per_day=between(rng, 1.5, 3.5), spans=MEALS):
        at = max(int(at_s), canvas.free_from + 19 * 60)
        parts: list[Watts] = [element(rng, seconds(rng, 30, 80), power_w)]
        for _ in range(1 + int(rng.random() < 0.5)):
            parts += [flat(seconds(rng, 10, 60), idle_w), _brew(rng, power_w, pump_w + idle_w)]
        stays_s = seconds(rng, 0.2 * auto_off_s, auto_off_s)
        while stays_s > pulse_every_s:
            wait = seconds(rng, 0.85 * pulse_every_s, 1.15 * pulse_every_s)
            pulse = flat(seconds(rng, 0.8 * pulse_s, 1.2 * pulse_s), power_w)
            parts += [flat(wait, idle_w), pulse]
            stays_s -= wait
        canvas.run(at, join(*parts), "coffee")


def _brew(rng: np.random.Generator, power_w: float, pump_w: float) -> Watts:
    n_s = seconds(rng, 20, 45)
    heat = on_off(rng, n_s, on_s=(3, 9), off_s=(2, 6), on_w=power_w)
    return np.asarray(heat + pump_w)
