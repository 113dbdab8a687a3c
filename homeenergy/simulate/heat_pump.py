"""An inverter heat pump that follows the outdoor temperature."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from homeenergy.simulate.circuit import Canvas
from homeenergy.simulate.shapes import Watts, between, flat, join, ramp, seconds, wander
from homeenergy.simulate.weather import outdoor_celsius

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
    Own model, from memory of how such machines behave: the house loses heat in proportion to its
    distance from 20 deg C; the compressor meets the loss by modulating between its least and its
    most power, and cycles on and off where the least is too much; the coefficient of performance
    falls by 2.5 % a kelvin below 7 deg C. Below `defrost_below_c` the machine defrosts every
    `defrost_every_s` of compressor time: the compressor stops, the valve turns, it runs hard for
    minutes and turns back. The crankcase heater is on while the compressor is off and it is cold.
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
