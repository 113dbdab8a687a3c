"""Elements under a thermostat: oven, water heater, iron, kiln, space heater, hob."""

from __future__ import annotations

import numpy as np

from homeenergy.simulate.circuit import Canvas
from homeenergy.simulate.shapes import Watts, between, element, flat, join, on_off, seconds


def oven(canvas: Canvas, rng: np.random.Generator) -> None:
    """Electric oven: a long first heating, then its thermostat, with lamp, fan and clock."""
    idle_w = between(rng, 2, 20) if rng.random() < 0.8 else 0.0
    canvas.idle(idle_w)
    power_w, side_w = between(rng, 1900, 3200), between(rng, 25, 70)
    runs_on = rng.random() < 0.4
    # Elements lie across both legs; clock, lamp and fan between the first leg and neutral.
    canvas.first_leg_w = np.full(canvas.watts.size, idle_w)
    for at_s in canvas.calendar.daily(
        rng, hour=between(rng, 16.5, 18.5), spread_h=0.8, chance=between(rng, 0.35, 0.8)
    ):
        at = max(at_s, canvas.free_from + 900)
        preheat_s, bake_s = seconds(rng, 420, 900), seconds(rng, 600, 4500)
        on = between(rng, 25, 60)
        heat = join(
            element(rng, preheat_s, power_w),
            flat(seconds(rng, 40, 120), 0.0),
            _thermostat(rng, bake_s, power_w, on_s=on, off_s=on * between(rng, 1.2, 3.0)),
        )
        shape = heat + side_w + idle_w
        if runs_on:
            shape = join(shape, flat(seconds(rng, 240, 1200), 0.4 * side_w + idle_w))
        canvas.run(at, shape, "roast" if power_w > 2500 else "bake")
        lo, hi = at, min(at + shape.size, canvas.watts.size)
        half = 0.5 * np.pad(heat, (0, shape.size - heat.size))
        canvas.first_leg_w[lo:hi] = (shape - half)[: hi - lo]


def _thermostat(
    rng: np.random.Generator, n_s: int, power_w: float, *, on_s: float, off_s: float
) -> Watts:
    gate = on_off(
        rng, n_s, on_s=(0.8 * on_s, 1.2 * on_s), off_s=(0.8 * off_s, 1.2 * off_s), on_w=1.0
    )
    return gate * element(rng, n_s, power_w)


def hob(canvas: Canvas, rng: np.random.Generator) -> None:
    """Hob of two plates whose regulators switch them on and off; a clock in some makes."""
    idle_w = between(rng, 0.5, 3.0) if rng.random() < 0.6 else 0.0
    canvas.idle(idle_w)
    # With two phases, each plate has its own.
    canvas.first_leg_w = np.full(canvas.watts.size, idle_w)
    plates_w = (between(rng, 1100, 1500), between(rng, 1700, 2300))
    for at_s in canvas.calendar.daily(rng, hour=between(rng, 17.5, 18.8), chance=0.8):
        at = max(at_s, canvas.free_from + 900)
        n_s = seconds(rng, 600, 2700)
        shape = flat(n_s, idle_w)
        for plate_w in plates_w[: 1 + int(rng.random() < 0.5)]:
            begin = 0 if plate_w == plates_w[0] else seconds(rng, 0, n_s // 3)
            boost_s = min(seconds(rng, 180, 420), n_s - begin)
            shape[begin : begin + boost_s] += element(rng, boost_s, plate_w)
            rest = n_s - begin - boost_s
            shape[begin + boost_s :] += _thermostat(rng, rest, plate_w, on_s=8, off_s=17)
            if plate_w == plates_w[0]:
                first = shape.copy()
        last = int(np.flatnonzero(shape > idle_w)[-1]) + 1
        canvas.run(at, shape[:last], "cooking")
        kept = canvas.first_leg_w[at : at + last]
        kept[:] = first[: kept.size]


def water_heater(canvas: Canvas, rng: np.random.Generator) -> None:
    """Storage water heater: one on-period after each draw-off, and some for standing loss.

    The thermostat closes once `dead_band_wh` are missing and opens when they are back.
    """
    canvas.idle(0.0)
    power_w = between(rng, 1900, 4600)
    dead_band_wh, loss_w = between(rng, 250, 550), between(rng, 40, 90)
    n_s = canvas.watts.size
    spans = ((6.3, 8.5, 4.0), (11.0, 14.0, 1.5), (18.0, 22.0, 4.0))
    moments = canvas.calendar.moments(rng, per_day=between(rng, 5, 9), spans=spans)
    drawn_wh = np.zeros(n_s // 60 + 1)
    for at_s in moments:
        # 5 to 45 litres at the tap, heated by 40 K: 46.5 Wh a litre.
        np.add.at(drawn_wh, int(at_s) // 60, min(rng.exponential(16.0), 60.0) * 46.5)
    missing_wh, since, heating = between(rng, 0, dead_band_wh), 0, False
    for minute in range(n_s // 60):
        missing_wh += drawn_wh[minute] + loss_w / 60
        if heating:
            missing_wh -= power_w / 60
        if heating and missing_wh <= 0:
            end = minute * 60 + seconds(rng, 0, 59)
            canvas.run(since, element(rng, end - since, power_w), "heating")
            heating = False
        elif not heating and missing_wh > dead_band_wh:
            since, heating = minute * 60 + seconds(rng, 60, 119), True
    if heating and since < n_s:
        canvas.run(since, element(rng, n_s - since + 60, power_w), "heating")


def iron(canvas: Canvas, rng: np.random.Generator) -> None:
    """Iron: thermostat pulses with pauses up to minutes are one session of ironing."""
    canvas.idle(0.0)
    power_w = between(rng, 1200, 2400)
    for at_s in canvas.calendar.daily(
        rng, hour=between(rng, 14, 20), spread_h=1.5, chance=between(rng, 0.25, 0.5)
    ):
        parts: list[Watts] = [element(rng, seconds(rng, 80, 160), power_w)]
        for _ in range(seconds(rng, 5, 25)):
            parts += [
                flat(seconds(rng, 40, 170), 0.0),
                element(rng, seconds(rng, 6, 30), power_w),
            ]
        canvas.run(max(at_s, canvas.free_from + 1800), join(*parts), "ironing")


def space_heater(canvas: Canvas, rng: np.random.Generator) -> None:
    """Panel heater: each on-period of its thermostat, through the heated hours of the day."""
    canvas.idle(between(rng, 0.5, 2.0) if rng.random() < 0.5 else 0.0)
    idle_w = float(canvas.watts[0])
    power_w = between(rng, 750, 2000)
    on_s, off_s = between(rng, 240, 900), between(rng, 300, 1500)
    for at_s in canvas.calendar.daily(rng, hour=between(rng, 6, 16), spread_h=0.3):
        at, stops = max(at_s, canvas.free_from + 900), at_s + seconds(rng, 3 * 3600, 6 * 3600)
        first = True
        while at < stops:
            n_s = seconds(rng, 0.7 * on_s, 1.3 * on_s) * (2 if first else 1)
            shape = idle_w + element(rng, n_s, power_w)
            at = canvas.run(at, shape, "heating") + seconds(rng, 0.7 * off_s, 1.3 * off_s)
            first = False


def kiln(canvas: Canvas, rng: np.random.Generator) -> None:
    """Pottery kiln: a firing of many hours, elements switched by a controller in a fixed beat.

    The share of each beat that is on rises up the ramp to the soak; then the kiln is off.
    """
    idle_w = between(rng, 2, 6)
    canvas.idle(idle_w)
    power_w, beat_s = between(rng, 5000, 9500), seconds(rng, 12, 40)
    for at_s in canvas.calendar.daily(
        rng, hour=between(rng, 8, 20), spread_h=1.0, chance=between(rng, 0.12, 0.3)
    ):
        at = max(at_s, canvas.free_from + 12 * 3600)
        glaze = rng.random() < 0.5
        beats = round(between(rng, 6.5, 9.5) * 3600 / beat_s)
        rise = np.linspace(0.18, 1.0, beats) ** (0.8 if glaze else 1.1)
        soak = np.full(round(between(rng, 600, 2400) / beat_s), between(rng, 0.55, 0.8))
        on_s = np.round(np.r_[rise, soak] * beat_s).astype(np.int64)
        phase = np.tile(np.arange(beat_s), on_s.size)
        gate = phase < np.repeat(on_s, beat_s)
        shape = idle_w + gate * element(rng, gate.size, power_w)
        shape = shape[: int(np.flatnonzero(gate)[-1]) + 1]
        canvas.run(at, shape, "glaze firing" if glaze else "bisque firing")
