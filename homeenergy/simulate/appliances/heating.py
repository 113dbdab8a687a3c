"""What heats: ovens, plates, water, rooms, a kiln; a heat pump that follows the weather."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

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
from homeenergy.simulate.calendar import Calendar


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


def outdoor_celsius(
    calendar: Calendar,
    *,
    seed: int,
    mean_c: float,
    daily_swing_c: float,
    trend_c_per_day: float = 0.0,
) -> NDArray[np.float64]:
    """Hourly outdoor temperature [deg C], coldest at six in the morning.

    Returns
    -------
    numpy.ndarray, shape (hours + 1,)
        At each full hour from the start of the calendar, its end included.

    Notes
    -----
    Own model: a daily cosine, weather that wanders over about two days, and a trend.
    """
    rng = np.random.default_rng([seed, 4001])
    hours = np.arange(calendar.n_s // 3600 + 1)
    day = np.searchsorted(calendar.midnights_s, hours * 3600, side="right") - 1
    day = np.minimum(day, calendar.days)
    clock_h = hours - calendar.midnights_s[day] / 3600
    swing = -daily_swing_c / 2 * np.cos(2 * np.pi * (clock_h - 6.0) / 24)
    weather = wander(rng, hours.size, sd_w=3.2, tau_s=48.0)
    return mean_c + trend_c_per_day * hours / 24 + swing + weather


STEP_S = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class HeatPump:
    """Make of a heat pump. Electric power of the outdoor unit from `least_w` to `most_w`."""

    least_w: float
    most_w: float
    indoor_w: float
    controller_w: float
    crankcase_w: float
    crankcase_below_c: float
    loss_w_per_k: float
    cop_at_7c: float
    defrost_below_c: float
    defrost_every_s: float


def draw_make(rng: np.random.Generator) -> HeatPump:
    """Draw a make at random."""
    return HeatPump(
        least_w=between(rng, 280, 480),
        most_w=between(rng, 2200, 3800),
        indoor_w=between(rng, 25, 70),
        controller_w=between(rng, 4, 12),
        crankcase_w=between(rng, 25, 60) if rng.random() < 0.75 else 0.0,
        crankcase_below_c=between(rng, 5, 14),
        loss_w_per_k=between(rng, 110, 190),
        cop_at_7c=between(rng, 3.4, 4.4),
        defrost_below_c=between(rng, 2, 6),
        defrost_every_s=between(rng, 2700, 6600),
    )


def heat_pump(canvas: Canvas, rng: np.random.Generator) -> None:
    """Heat pump under invented winter weather."""
    outdoor_c = outdoor_celsius(
        canvas.calendar, seed=int(rng.integers(2**31)), mean_c=between(rng, 1, 9), daily_swing_c=8.0
    )
    run_heat_pump(canvas, rng, draw_make(rng), outdoor_c)


def run_heat_pump(
    canvas: Canvas, rng: np.random.Generator, make: HeatPump, outdoor_c: NDArray[np.float64]
) -> None:
    """Run `make` through hourly `outdoor_c` [deg C]; one run is one on-period of the compressor.

    Notes
    -----
    Own assumption of how such machines behave: the house loses heat in proportion to its distance
    from 20 deg C; the compressor meets the loss by modulating between its least and its most power,
    and cycles on and off where the least is too much; the coefficient of performance falls by 2.5 %
    a kelvin below 7 deg C. Below `defrost_below_c` the machine defrosts every `defrost_every_s` of
    compressor time: the compressor stops, the valve turns, it runs hard for minutes and turns back.
    The crankcase heater is on while the compressor is off and it is cold.
    """
    n_s = canvas.watts.size
    # Piecewise linear between the hours, constant over a step.
    steps_c = np.interp(np.arange(0, n_s, STEP_S) / 3600, np.arange(outdoor_c.size), outdoor_c)
    cold = np.repeat(steps_c < make.crankcase_below_c, STEP_S)[:n_s]
    canvas.idle(np.where(cold, make.controller_w + make.crankcase_w, make.controller_w))
    # The indoor unit and its controller hang on one leg; the rest lies across both.
    canvas.first_leg_w = 0.5 * (canvas.watts + make.controller_w)
    need_w = _needed_power(rng, make, steps_c)
    at, since_defrost_s = seconds(rng, 0, 1800), 0.0
    while at < n_s:
        on, off_s = _on_stretch(rng, make, need_w, at // STEP_S)
        if on.size == 0:
            at += 1800
            continue
        shape, since_defrost_s = _with_defrosts(rng, make, on, steps_c, at, since_defrost_s)
        indoor = make.controller_w + np.where(shape < 0, 0.35, 1.0) * make.indoor_w
        shape = np.abs(shape)
        end = canvas.run(at, shape + indoor, "heating")
        lo, hi = at, min(end, n_s)
        canvas.first_leg_w[lo:hi] = (0.5 * shape + indoor)[: hi - lo]
        at = end + off_s


def _needed_power(
    rng: np.random.Generator, make: HeatPump, steps_c: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Electric power that would just hold the house at 20 deg C, for each step [W]."""
    cop = make.cop_at_7c * np.exp(0.025 * (steps_c - 7.0))
    gains = wander(rng, steps_c.size, sd_w=350.0, tau_s=90.0)
    heat_w = np.maximum(make.loss_w_per_k * (19.0 - steps_c) - 400.0 + gains, 0.0)
    return np.asarray(heat_w / cop, dtype=np.float64)


def _on_stretch(
    rng: np.random.Generator, make: HeatPump, need_w: NDArray[np.float64], step: int
) -> tuple[Watts, int]:
    """Compressor power until it stops [W a second], and how long it then rests [s]."""
    look = need_w[step : step + 60]
    if look.size == 0 or float(look.mean()) < 0.08 * make.least_w:
        return np.empty(0), 1800
    if float(look.mean()) >= make.least_w:
        below = np.flatnonzero(need_w[step:] < 0.9 * make.least_w)
        length = int(below[0]) if below.size else need_w.size - step
        power = np.clip(need_w[step : step + max(length, 12)], make.least_w, make.most_w)
        off_s = seconds(rng, 600, 1500)
    else:
        share = float(look.mean()) / make.least_w
        length = seconds(rng, 9, 16) + round(12 * share / (1.05 - share))
        power = np.full(min(length, 240), make.least_w * between(rng, 1.0, 1.15))
        off_s = max(300, round(power.size * STEP_S * (1 - share) / share))
    shape = _inverter(rng, make, power)
    return shape, min(off_s, 6 * 3600)


def _inverter(rng: np.random.Generator, make: HeatPump, power_w: NDArray[np.float64]) -> Watts:
    """Soft start, frequency held in steps of about 4 %, and a wander of the refrigerant circuit."""
    held = np.round(np.log(power_w) / 0.04) * 0.04
    shape = np.repeat(np.exp(held), STEP_S)
    n = shape.size
    shape = shape + wander(rng, n, sd_w=0.012, tau_s=600.0) * shape
    start = min(seconds(rng, 60, 180), n)
    shape[:start] = ramp(start, 0.15 * make.least_w, float(shape[start - 1]))
    return shape


def _with_defrosts(
    rng: np.random.Generator,
    make: HeatPump,
    on: Watts,
    steps_c: NDArray[np.float64],
    at: int,
    since_s: float,
) -> tuple[Watts, float]:
    """Put defrosts into an on-period. Negative values mark defrosting, when the fan rests."""
    parts: list[Watts] = []
    done = 0
    while done < on.size:
        until = round(make.defrost_every_s * between(rng, 0.9, 1.15) - since_s)
        piece = on[done : done + max(until, 60)]
        parts.append(piece)
        done += piece.size
        since_s += piece.size
        if done >= on.size:
            break
        since_s = 0.0
        step = min((at + done) // STEP_S, steps_c.size - 1)
        if steps_c[step] < make.defrost_below_c:
            parts.append(-_defrost(rng, make))
    return join(*parts), since_s


def _defrost(rng: np.random.Generator, make: HeatPump) -> Watts:
    hard = seconds(rng, 150, 420)
    return join(
        flat(seconds(rng, 20, 60), 5.0),
        ramp(40, 0.3 * make.least_w, 0.55 * make.most_w),
        ramp(hard, 0.55 * make.most_w, 0.7 * make.most_w),
        flat(seconds(rng, 30, 60), 5.0),
        ramp(90, 0.3 * make.least_w, 0.8 * make.most_w),
    )
