"""Values of the lesson on power factor, from the library."""

from __future__ import annotations

import math
from typing import Any

from homeenergy.show.lesson.parts import SAMPLES_PER_CYCLE, Draw, Edition, Values
from homeenergy.simulate import (
    BenchMains,
    capacitor_amps,
    dimmer_amps,
    heater_amps,
    motor_amps,
    rectifier_amps,
)

SUPPLY_W, SUPPLY_FARAD = 100.0, 330e-6  # of the electronic supply
FIFTH_DEG = 180.0  # a fifth harmonic that flattens the crests, as that of many supplies at once
FIFTH_SHARE = 0.06
WIRE_OHM = 0.5


def least_current_farad(mains: BenchMains, amps: Any) -> float:
    """Capacitor that, in parallel with a load, makes the current of both least [F].

    Parameters
    ----------
    mains : BenchMains
        Of whole cycles.
    amps : numpy.ndarray
        The load's current at its samples [A].

    Notes
    -----
    The mean square of i + C g, g being the current of one farad, is a parabola in C; it is least
    where C is minus the mean of i g over that of g squared. With pure sines this cancels the
    reactive power. Own derivation.
    """
    each = capacitor_amps(mains, farad=1.0)
    return -float((amps * each).mean() / (each * each).mean())


def power_factor_values(edition: Edition) -> Values:
    """Values of the steps: each load measured on the mains of the edition."""
    mains, volts_v = edition.mains(), edition.volts_v
    heater = edition.measured(mains, heater_amps(mains, ohm=edition.heater_ohm))
    current = motor_amps(mains, ohm=edition.motor_ohm, henry=edition.motor_h)
    motor = edition.measured(mains, current)
    best_farad = least_current_farad(mains, current)
    best = edition.measured(mains, current + capacitor_amps(mains, farad=best_farad))
    return {
        "volts_v": volts_v,
        "hertz": edition.frequency_hz,
        "twice_hz": 2 * edition.frequency_hz,
        "heater_ohm": edition.heater_ohm,
        "least_ohm": round(edition.heater_ohm / 2),
        "most_ohm": 3 * edition.heater_ohm,
        "heater_w": heater.real_w,
        "heater_a": heater.amps_a,
        "crest_w": 2 * heater.real_w,
        "crest_root_w": math.sqrt(2) * heater.real_w,
        "motor_ohm": edition.motor_ohm,
        "motor_mh": 1000 * edition.motor_h,
        "most_mh": 2500 * edition.motor_h,
        "motor_a": motor.amps_a,
        "motor_w": motor.real_w,
        "motor_va": motor.apparent_va,
        "motor_var": motor.fundamental_reactive_var,
        "motor_factor": motor.power_factor,
        "motor_inverse": 1 / motor.power_factor,
        "motor_lag_deg": math.degrees(math.acos(motor.power_factor)),
        "most_uf": 1e6 * edition.most_farad,
        "best_uf": 1e6 * best_farad,
        "least_a": best.amps_a,
        "less_percent": 100 * (1 - best.amps_a / motor.amps_a),
        "wire_ohm": WIRE_OHM,
        "wire_before_w": WIRE_OHM * motor.amps_a**2,
        "wire_after_w": WIRE_OHM * best.amps_a**2,
        **_distorted(edition, current),
        **_dimmed(edition),
    }


def _distorted(edition: Edition, motor: Any) -> Values:
    mains = edition.mains()
    supply = rectifier_amps(mains, load_w=SUPPLY_W, farad=SUPPLY_FARAD)
    alone = edition.measured(mains, supply)
    both_farad = least_current_farad(mains, motor + supply)
    both = edition.measured(mains, motor + supply + capacitor_amps(mains, farad=both_farad))
    rough = edition.mains(harmonics=((5, FIFTH_SHARE, FIFTH_DEG),))
    late = motor_amps(rough, ohm=edition.motor_ohm, henry=edition.motor_h)
    return {
        "supply_w": alone.real_w,
        "supply_a": alone.amps_a,
        "supply_factor": alone.power_factor,
        "both_uf": 1e6 * both_farad,
        "both_a": both.amps_a,
        "both_w": both.real_w,
        "both_factor": both.power_factor,
        "rough_uf": 1e6 * least_current_farad(rough, late),
    }


def _dimmed(edition: Edition) -> Values:
    # Between samples, so that the cut is in the middle of two.
    mains = edition.mains().later(0.5 / (edition.frequency_hz * SAMPLES_PER_CYCLE))
    half = edition.measured(mains, dimmer_amps(mains, ohm=edition.lamp_ohm, cut_deg=90))
    return {
        "lamp_ohm": edition.lamp_ohm,
        "lamp_w": edition.volts_v**2 / edition.lamp_ohm,
        "half_w": half.real_w,
        "dimmer_factor": half.power_factor,
    }


def power_factor_tasks(edition: Edition, draw: Draw) -> Values:
    """Values of one variant of the tasks."""
    volts_v, turn = edition.volts_v, 2 * math.pi * edition.frequency_hz
    fan_a, fan_factor = draw.choice((1.5, 2.0, 2.5, 3.0, 4.0)), draw.choice((0.6, 0.65, 0.7, 0.75))
    plate_w = draw.choice((200.0, 300.0, 400.0, 600.0, 750.0))
    plate_factor = draw.choice((0.6, 0.68, 0.72, 0.8))
    pump_w, pump_factor = draw.choice((1000.0, 1250.0, 1400.0, 1586.0)), draw.choice((0.7, 0.8))
    pump_v = edition.between_legs_v if edition.name == "120" else volts_v
    plate_va = plate_w / plate_factor
    plate_var = math.sqrt(plate_va**2 - plate_w**2)
    before_a, after_a = pump_w / pump_factor / pump_v, pump_w / pump_v
    saved_w = WIRE_OHM * (before_a**2 - after_a**2)
    return {
        "volts_v": volts_v,
        "hertz": edition.frequency_hz,
        "wire_ohm": WIRE_OHM,
        "fan_a": fan_a,
        "fan_factor": fan_factor,
        "fan_w": volts_v * fan_a * fan_factor,
        "fan_va": volts_v * fan_a,
        "fan_wrong_w": volts_v * fan_a / fan_factor,
        "plate_w": plate_w,
        "plate_factor": plate_factor,
        "plate_va": plate_va,
        "plate_var": plate_var,
        "plate_a": plate_va / volts_v,
        "plate_before_a": plate_w / volts_v,
        "plate_wrong_a": plate_w * plate_factor / volts_v,
        "plate_uf": 1e6 * plate_var / (turn * volts_v**2),
        "plate_wrong_uf": 1e6 * plate_va / (turn * volts_v**2),
        "pump_w": pump_w,
        "pump_v": pump_v,
        "pump_factor": pump_factor,
        "pump_before_a": before_a,
        "pump_after_a": after_a,
        "pump_before_w": WIRE_OHM * before_a**2,
        "pump_beyond_va": pump_w / pump_factor - pump_w,
        "saved_w": saved_w,
        "saved_percent": 100 * saved_w / pump_w,
    }
