"""Kitchen, electronics, lights and motors: what neither heats for long nor washes."""

from __future__ import annotations

import numpy as np

from homeenergy.simulate.appliances.circuit import (
    Canvas,
    Watts,
    between,
    decay,
    element,
    flat,
    join,
    motor,
    on_off,
    seconds,
    wander,
)
from homeenergy.simulate.calendar import MEALS, WAKING


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


def constant_draw(canvas: Canvas, rng: np.random.Generator) -> None:
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
