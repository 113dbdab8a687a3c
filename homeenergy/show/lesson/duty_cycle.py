"""Values of the lesson on duty cycle, from the thermostat model."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from homeenergy.show.lesson.parts import Draw, Edition, Values
from homeenergy.simulate import CabinetModel, run_cabinet

ROOM_C, WARM_C, WORN = 22.0, 34.0, 2.0
LOGGED_H, INRUSH_W = 12.0, 1000.0
USE_W, USE_H, STANDBY_W = 60.0, 3.0, 8.0
DAYS = 365


def fahrenheit(celsius: float) -> float:
    """Degrees Celsius as degrees Fahrenheit."""
    return 1.8 * celsius + 32.0


def run_and_rest_s(model: CabinetModel, *, room_c: float) -> tuple[float, float]:
    """How long a run and a rest of a thermostat last, in closed form [s].

    Notes
    -----
    The temperature goes towards its goal exponentially, with the time constant heat capacity over
    leak: tau ln((T1 - goal) / (T2 - goal)); infinite where the other limit is never reached.
    """
    tau_s = 3600.0 * model.heat_capacity_wh_per_k / model.leak_w_per_k
    low, high = model.set_c - model.band_k / 2, model.set_c + model.band_k / 2
    goal = room_c - model.compressor_w * model.cooling_per_w / model.leak_w_per_k
    run = tau_s * math.log((high - goal) / (low - goal)) if goal < low else math.inf
    rest = tau_s * math.log((room_c - low) / (room_c - high)) if room_c > high else math.inf
    return run, rest


def logged_watts(*, hours_h: float = LOGGED_H, inrush_w: float = INRUSH_W) -> NDArray[np.float64]:
    """Power of the cabinet a second, with the inrush of the motor in the first second of a run."""
    watts = run_cabinet(ROOM_C, hours_h=hours_h, period_s=1.0).trace.watts.astype(np.float64)
    watts[(watts > 0) & ~np.r_[False, watts[:-1] > 0]] = inrush_w
    return watts


def duty_cycle_values(edition: Edition) -> Values:
    """Values of the steps: the cabinet in two rooms, with a worn seal, as slow loggers see it."""
    model = CabinetModel()
    worn = CabinetModel(leak_w_per_k=WORN * model.leak_w_per_k)
    run_s, rest_s = run_and_rest_s(model, room_c=ROOM_C)
    worn_run_s, worn_rest_s = run_and_rest_s(worn, room_c=ROOM_C)
    share, warm = model.duty_cycle(ROOM_C), model.duty_cycle(WARM_C)
    cooling_w = model.compressor_w * model.cooling_per_w
    drop_k, low_c = cooling_w / model.leak_w_per_k, model.set_c - model.band_k / 2
    heat_w = model.leak_w_per_k * (ROOM_C - model.set_c)
    watts = logged_watts()
    return {
        "compressor_w": model.compressor_w,
        "cooling_per_w": model.cooling_per_w,
        "cooling_w": cooling_w,
        "leak": model.leak_w_per_k,
        "twice_leak": worn.leak_w_per_k,
        "room_c": ROOM_C,
        "room_f": fahrenheit(ROOM_C),
        "set_c": model.set_c,
        "set_f": fahrenheit(model.set_c),
        "low_c": low_c,
        "high_c": low_c + model.band_k,
        "degrees_k": ROOM_C - model.set_c,
        "heat_w": heat_w,
        "heat_kwh": 24 * heat_w / 1000,
        "share": share,
        "share_percent": 100 * share,
        "day_kwh": model.kwh_per_day(ROOM_C),
        "full_kwh": 24 * model.compressor_w / 1000,
        "run_min": run_s / 60,
        "rest_min": rest_s / 60,
        "warm_c": WARM_C,
        "warm_f": fahrenheit(WARM_C),
        "warm_degrees_k": WARM_C - model.set_c,
        "warm_share": warm,
        "warm_percent": 100 * warm,
        "warm_kwh": model.kwh_per_day(WARM_C),
        "celsius_kwh": model.kwh_per_day(ROOM_C) * WARM_C / ROOM_C,
        "drop_k": drop_k,
        "never_c": model.set_c + drop_k,
        "never_f": fahrenheit(model.set_c + drop_k),
        "stuck_c": low_c + drop_k,
        "worn_share": worn.duty_cycle(ROOM_C),
        "worn_percent": 100 * worn.duty_cycle(ROOM_C),
        "worn_run_min": worn_run_s / 60,
        "worn_rest_min": worn_rest_s / 60,
        "inrush_w": INRUSH_W,
        "half_day_wh": watts.sum() / 3600,
        "hour_w": watts.reshape(-1, 3600).mean(axis=1).max(),
        **_standby(edition),
    }


def _standby(edition: Edition) -> Values:
    rest_h = 24.0 - USE_H
    standby_kwh = STANDBY_W * rest_h * DAYS / 1000
    return {
        "use_w": USE_W,
        "use_h": USE_H,
        "use_kwh": USE_W * USE_H * DAYS / 1000,
        "standby_w": STANDBY_W,
        "rest_h": rest_h,
        "standby_kwh": standby_kwh,
        "standby_day_kwh": standby_kwh / DAYS,
        "standby_whole_kwh": STANDBY_W * 24 * DAYS / 1000,
        "standby_cost": standby_kwh * edition.price_per_kwh,
        "price": edition.price_per_kwh,
        "currency": edition.currency,
    }


def duty_cycle_tasks(edition: Edition, draw: Draw) -> Values:
    """Values of one variant of the tasks."""
    freezer_w, freezer_share = draw.choice((70.0, 85.0, 95.0, 110.0)), draw.choice((0.3, 0.4, 0.45))
    counted_h, counted_kwh = draw.choice((24.0, 48.0, 72.0)), draw.choice((0.91, 1.12, 1.25, 1.38))
    counted_w = draw.choice((90.0, 100.0, 120.0, 140.0))
    cold_c, kitchen_c = draw.choice((4.0, 5.0)), draw.choice((20.0, 22.0, 24.0))
    cellar_c, kitchen_share = draw.choice((10.0, 12.0, 14.0)), draw.choice((0.32, 0.36, 0.4, 0.44))
    devices, device_w = draw.choice((5, 8, 12)), draw.choice((0.8, 1.5, 2.5, 4.0))
    device_h = draw.choice((18.0, 20.0, 22.0))
    counted_share = counted_kwh * 1000 / counted_h / counted_w
    limit_k = (kitchen_c - cold_c) / kitchen_share
    cellar_share = kitchen_share * (cellar_c - cold_c) / (kitchen_c - cold_c)
    devices_kwh = devices * device_w * device_h * DAYS / 1000
    return {
        "freezer_w": freezer_w,
        "freezer_share": freezer_share,
        "freezer_percent": 100 * freezer_share,
        "freezer_kwh": freezer_w * freezer_share * 24 / 1000,
        "freezer_full_kwh": freezer_w * 24 / 1000,
        "counted_h": counted_h,
        "counted_kwh": counted_kwh,
        "counted_w": counted_w,
        "counted_mean_w": counted_kwh * 1000 / counted_h,
        "counted_share": counted_share,
        "counted_inverse": 1 / counted_share,
        "counted_percent": 100 * counted_share,
        "cold_c": cold_c,
        "kitchen_c": kitchen_c,
        "cellar_c": cellar_c,
        "kitchen_share": kitchen_share,
        "kitchen_percent": 100 * kitchen_share,
        "cellar_share": cellar_share,
        "cellar_percent": 100 * cellar_share,
        "cellar_wrong_share": kitchen_share * cellar_c / kitchen_c,
        "limit_k": limit_k,
        "limit_c": cold_c + limit_k,
        "limit_wrong_c": kitchen_c / kitchen_share,
        "devices": devices,
        "device_w": device_w,
        "device_h": device_h,
        "devices_kwh": devices_kwh,
        "devices_cost": devices_kwh * edition.price_per_kwh,
        "devices_day_cost": devices_kwh * edition.price_per_kwh / DAYS,
        "price": edition.price_per_kwh,
        "currency": edition.currency,
    }
