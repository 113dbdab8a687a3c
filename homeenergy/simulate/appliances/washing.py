"""What washes and dries: washing machines, tumble dryers, dishwashers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from homeenergy.simulate.appliances.circuit import (
    Canvas,
    Watts,
    between,
    element,
    flat,
    join,
    on_off,
    ramp,
    seconds,
    wander,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Washer:
    """Make of a washing machine."""

    heater_w: float
    tumble_w: float
    reverse_on_s: float
    reverse_off_s: float
    electronics_w: float
    spin_w: float
    interim_spin: bool
    soaks: bool


PROGRAMMES: tuple[tuple[str, float, float, float, int, float], ...] = (
    # name, heating min, washing min, chance of the heating to be split, rinses, final spin min
    ("cotton 60", 16.0, 42.0, 0.5, 3, 8.0),
    ("mixed 40", 9.0, 30.0, 0.3, 3, 7.0),
    ("eco 40-60", 7.0, 95.0, 0.7, 2, 9.0),
    ("quick 30", 3.5, 10.0, 0.0, 2, 5.0),
    ("wool", 3.0, 14.0, 0.0, 2, 2.5),
)


def washing_machine(
    canvas: Canvas, rng: np.random.Generator, *, heater_w: float | None = None
) -> None:
    """Washing machine with a motor that reverses, and its own heater unless it fills hot."""
    standby_w = 0.0 if rng.random() < 0.4 else between(rng, 0.3, 1.5)
    canvas.idle(standby_w)
    make = Washer(
        heater_w=between(rng, 1750, 2250) if heater_w is None else heater_w,
        tumble_w=between(rng, 90, 220),
        reverse_on_s=between(rng, 8, 18),
        reverse_off_s=between(rng, 3, 8),
        electronics_w=between(rng, 2, 7),
        spin_w=between(rng, 280, 650),
        interim_spin=rng.random() < 0.8,
        soaks=rng.random() < 0.5,
    )
    display_w = between(rng, 2, 8) if rng.random() < 0.6 else 0.0
    favourites = rng.choice(len(PROGRAMMES), size=3, replace=False)
    hour, chance = between(rng, 8, 19), between(rng, 0.35, 0.8)
    for at_s in canvas.calendar.daily(rng, hour=hour, spread_h=1.5, chance=chance):
        at = max(at_s, canvas.free_from + 300)
        for _ in range(1 + (rng.random() < 0.3)):
            name, shape = _wash(rng, make, PROGRAMMES[int(rng.choice(favourites))])
            end = canvas.run(at, shape, name)
            until_open_s = seconds(rng, 200, 2 * 3600 if display_w else 7200)
            again = seconds(rng, 230, 900)
            canvas.tail(end, flat(min(until_open_s, again), standby_w + display_w))
            at = end + again
        canvas.tail(end, flat(until_open_s, standby_w + display_w))
        canvas.free_from = end + until_open_s


def _tumble(rng: np.random.Generator, make: Washer, minutes: float) -> Watts:
    n_s = round(60 * minutes)
    turning = on_off(
        rng,
        n_s,
        on_s=(0.8 * make.reverse_on_s, 1.2 * make.reverse_on_s),
        off_s=(0.8 * make.reverse_off_s, 1.2 * make.reverse_off_s),
        on_w=1.0,
    )
    torque = make.tumble_w * (1 + rng.normal(0.0, 0.12, n_s))
    return make.electronics_w + turning * np.maximum(torque, 20.0)


def _heat(rng: np.random.Generator, make: Washer, minutes: float) -> Watts:
    shape = _tumble(rng, make, minutes)
    heating = element(rng, shape.size, make.heater_w)
    if rng.random() < 0.2 and shape.size > 400:
        # A pressure switch lets the heater drop out until water is topped up.
        off = seconds(rng, 100, shape.size - 200)
        heating[off : off + seconds(rng, 40, 180)] = 0.0
    return shape + heating


def _fill(rng: np.random.Generator, make: Washer) -> Watts:
    return flat(seconds(rng, 50, 150), make.electronics_w + between(rng, 3, 8))


def _drain(rng: np.random.Generator, make: Washer) -> Watts:
    return flat(seconds(rng, 40, 90), make.electronics_w + between(rng, 22, 38))


def _spin(rng: np.random.Generator, make: Washer, minutes: float, top_w: float) -> Watts:
    """Distributing the load, then running up in steps and coasting down with the drain pump on."""
    up_s = round(60 * minutes * 0.45)
    steady_s = round(60 * minutes * 0.55)
    shape = join(
        _tumble(rng, make, between(rng, 0.5, 1.5)),
        ramp(up_s, 0.35 * top_w, top_w),
        ramp(steady_s, 0.75 * top_w, 0.68 * top_w),
    )
    shape = shape + 25.0 + wander(rng, shape.size, sd_w=0.03 * top_w, tau_s=6.0)
    return join(np.maximum(shape, make.electronics_w), flat(seconds(rng, 15, 35), 4.0))


def _wash(
    rng: np.random.Generator,
    make: Washer,
    programme: tuple[str, float, float, float, int, float],
) -> tuple[str, Watts]:
    name, heat_min, wash_min, split_chance, rinses, spin_min = programme
    heat_min *= between(rng, 0.75, 1.3)
    parts = [_fill(rng, make)]
    if rng.random() < split_chance:
        share = between(rng, 0.6, 0.85)
        parts += [_heat(rng, make, heat_min * share), _tumble(rng, make, 0.3 * wash_min)]
        parts += [_heat(rng, make, heat_min * (1 - share)), _tumble(rng, make, 0.4 * wash_min)]
    else:
        parts += [_heat(rng, make, heat_min), _tumble(rng, make, 0.6 * wash_min)]
    if make.soaks:
        for _ in range(seconds(rng, 1, 3)):
            soak_s = seconds(rng, 120, 600)
            parts += [
                flat(soak_s, 0.5 * make.electronics_w),
                _tumble(rng, make, between(rng, 1, 3)),
            ]
    parts += [_tumble(rng, make, 0.3 * wash_min), _drain(rng, make)]
    for _ in range(rinses):
        if make.interim_spin and name != "wool":
            parts.append(_spin(rng, make, between(rng, 1.0, 2.0), 0.6 * make.spin_w))
        parts += [_fill(rng, make), _tumble(rng, make, between(rng, 3, 6)), _drain(rng, make)]
    parts += [_spin(rng, make, spin_min * between(rng, 0.8, 1.2), make.spin_w)]
    # Loosening turns, the last thing a drum does.
    for _ in range(seconds(rng, 0, 3)):
        parts += [flat(seconds(rng, 8, 25), make.electronics_w), _tumble(rng, make, 0.2)]
    return name, join(*parts)


def tumble_dryer(
    canvas: Canvas, rng: np.random.Generator, *, heater_w: float | None = None
) -> None:
    """Vented or condensing dryer: the element cycles more and more as the load dries."""
    canvas.idle(0.0 if rng.random() < 0.5 else between(rng, 0.3, 2.5))
    idle_w = float(canvas.watts[0])
    heater_w = between(rng, 1700, 2600) if heater_w is None else heater_w
    motor_w = between(rng, 180, 300)
    anti_crease = rng.random() < 0.65
    pulse_every_s = seconds(rng, 90, 150)
    reversing = rng.random() < 0.4
    hour = between(rng, 10, 20)
    for at_s in canvas.calendar.daily(rng, hour=hour, spread_h=1.6, chance=between(rng, 0.3, 0.65)):
        at = max(at_s, canvas.free_from + 600)
        shape = _dry(rng, heater_w, motor_w, idle_w, reversing=reversing)
        if anti_crease:
            shape = join(shape, _anti_crease(rng, motor_w, idle_w, pulse_every_s))
        canvas.run(at, shape, "timed" if shape.size < 3000 else "sensor dry")


def _dry(
    rng: np.random.Generator, heater_w: float, motor_w: float, idle_w: float, *, reversing: bool
) -> Watts:
    steady_s = seconds(rng, 900, 2100)
    cycling_s = seconds(rng, 600, 2400)
    cool_s = seconds(rng, 240, 600)
    heat = flat(steady_s + cycling_s + cool_s, 0.0)
    heat[: steady_s + cycling_s] = element(rng, steady_s + cycling_s, heater_w)
    at, off_s = steady_s, 60.0
    while at < steady_s + cycling_s:
        off = seconds(rng, 0.7 * off_s, 1.3 * off_s)
        heat[at : at + off] = 0.0
        at += off + seconds(rng, 60, 200)
        off_s = min(off_s * 1.15, 300.0)
    shape = heat + motor_w * 0.9 + wander(rng, heat.size, sd_w=0.03 * motor_w, tau_s=20.0)
    shape[0] += 3.0 * motor_w
    if reversing:
        every_s = seconds(rng, 60, 300)
        for gap in range(3):
            shape[every_s + gap :: every_s] = idle_w + 2.0
    if rng.random() < 0.12:
        # Stopped, a shirt taken out, and started again.
        cut = seconds(rng, 300, shape.size - 300)
        shape = join(shape[:cut], flat(seconds(rng, 120, 300), idle_w + 3.0), shape[cut:])
    return shape


def _anti_crease(rng: np.random.Generator, motor_w: float, idle_w: float, every_s: int) -> Watts:
    """Short turns every two minutes or so, until the door opens."""
    pulses = seconds(rng, 3, 16)
    parts: list[Watts] = []
    for _ in range(pulses):
        turn = flat(seconds(rng, 5, 10), motor_w * between(rng, 0.9, 1.1))
        turn[0] *= 2.0
        parts += [flat(every_s - turn.size, idle_w + 2.0), turn]
    return join(*parts)


@dataclass(frozen=True, slots=True, kw_only=True)
class Dishwasher:
    """Make of a dishwasher."""

    heater_w: float
    pump_w: float
    drain_w: float
    drying_w: float
    drying_s: float
    closing_drain: bool


DISHWASHER_PROGRAMMES: tuple[tuple[str, bool, float, float, float, bool], ...] = (
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
    favourites = rng.choice(len(DISHWASHER_PROGRAMMES), size=2, replace=False)
    hours = [between(rng, 19, 22)] + ([between(rng, 12.5, 14)] if rng.random() < 0.4 else [])
    for index, hour in enumerate(hours):
        chance = between(rng, 0.6, 0.95) if index == 0 else 0.3
        for at_s in canvas.calendar.daily(rng, hour=hour, chance=chance):
            if index and _busy(canvas, at_s):
                continue
            name, shape = _programme(
                rng, make, DISHWASHER_PROGRAMMES[int(rng.choice(favourites))], standby_w
            )
            end = canvas.run(at_s, shape, name)
            if index == 0 and second_rng.random() < twice_chance:
                name, shape = _programme(second_rng, make, DISHWASHER_PROGRAMMES[-1], standby_w)
                end = canvas.run(end + seconds(second_rng, 40, 400), shape, name)
            if display_w:
                canvas.tail(end, flat(seconds(rng, 300, 3 * 3600), standby_w + display_w))


def _busy(canvas: Canvas, at_s: int) -> bool:
    """Whether a programme of three hours, with its display after it, would meet another run."""
    return any(lo < at_s + 6 * 3600 and at_s < hi + 600 for lo, hi, _, _ in canvas.spans)


def _pump(rng: np.random.Generator, make: Dishwasher, minutes: float) -> Watts:
    n_s = round(60 * minutes)
    return make.pump_w + wander(rng, n_s, sd_w=0.05 * make.pump_w, tau_s=8.0)


def _drain_dishes(rng: np.random.Generator, make: Dishwasher, rest_w: float) -> Watts:
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
    parts = [flat(seconds(rng, 20, 60), rest_w + 5.0), _drain_dishes(rng, make, rest_w)]
    if prewash:
        parts += [_pump(rng, make, between(rng, 3, 6)), _drain_dishes(rng, make, rest_w)]
    heat = _pump(rng, make, heat_min * between(rng, 0.8, 1.25))
    parts += [_pump(rng, make, between(rng, 1, 4)), heat + element(rng, heat.size, make.heater_w)]
    # The pump rests for some seconds now and then to let the suds settle.
    wash = _pump(rng, make, wash_min * between(rng, 0.9, 1.1))
    for at in range(seconds(rng, 200, 500), wash.size - 60, 420):
        wash[at : at + seconds(rng, 4, 20)] = rest_w + 2.0
    parts += [wash, _drain_dishes(rng, make, rest_w)]
    for _ in range(seconds(rng, 1, 2)):
        parts += [_pump(rng, make, between(rng, 2, 5)), _drain_dishes(rng, make, rest_w)]
    final = _pump(rng, make, final_min * between(rng, 0.85, 1.2))
    parts += [final + element(rng, final.size, make.heater_w), _pump(rng, make, 2.0)]
    parts.append(flat(seconds(rng, 45, 75), make.drain_w))
    # Without a pulse at its end, drying that draws nothing cannot be distinguished from idle.
    if drying and make.closing_drain:
        dry_s = round(make.drying_s * between(rng, 0.9, 1.1))
        parts.append(flat(dry_s, rest_w + make.drying_w))
        parts.append(flat(seconds(rng, 50, 65), make.drain_w))
    return name, join(*parts)
