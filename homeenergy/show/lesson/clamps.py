"""Values of the lesson on clamps, from the conductors of the teaching bench."""

from __future__ import annotations

import math
import tomllib
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from homeenergy.show.lesson.parts import Draw, Edition, Values
from homeenergy.simulate import ClampCase, Conductor
from homeenergy.waveform import phase_power_error

PUMP = Path(__file__).parent / "texts" / "pump.toml"
HEATER_A, LAG_DEG = 5.0, 53.0
RATING_A, SMALL_A = 50.0, 8.0
BETWEEN_A = {"120": 19.0, "230": 10.0}  # own assumption: water heaters of ordinary size
START_S, SETTLED_S = 60, 100  # of the pump in its log, and 40 s later
MINUTES_PER_DEGREE = 60.0


@cache
def pump_log() -> dict[str, Any]:
    """Give the start of the sample house's well pump: watts of three clamps, a second."""
    return tomllib.loads(PUMP.read_text(encoding="utf-8"))


def reads(edition: Edition, *conductors: Conductor) -> ClampCase:
    """Give a clamp round these conductors, whose logger takes the volts of L1."""
    return ClampCase(title=edition.name, conductors=conductors)


def between(edition: Edition, amps_a: float, *, second: bool = False) -> Conductor:
    """Give one of the two conductors of a resistance between L1 and L2.

    Its current is in step with the volts between the two, which lead those of L1 by half of what is
    missing to half a turn between L1 and L2.
    """
    lag_deg = -(180.0 - edition.leg_angle_deg) / 2
    label = "L2" if second else "L1"
    return Conductor(label=label, amps_a=amps_a, lag_deg=lag_deg, forward=not second)


def clamp_values(edition: Edition) -> Values:
    """Values of the steps."""
    volts_v = edition.volts_v
    motor = reads(edition, Conductor(label="motor", amps_a=HEATER_A, lag_deg=LAG_DEG))
    twice = reads(edition, Conductor(label="heater", amps_a=SMALL_A, passes=2))
    between_a = BETWEEN_A[edition.name]
    one_w = reads(edition, between(edition, between_a)).reads_w(volts_v=volts_v)
    between_w = edition.between_legs_v * between_a
    return {
        "volts_v": volts_v,
        "heater_a": HEATER_A,
        "heater_w": volts_v * HEATER_A,
        "twice_a": 2 * HEATER_A,
        "lag_deg": LAG_DEG,
        "lagging_w": motor.reads_w(volts_v=volts_v),
        "lagging_var": volts_v * HEATER_A * math.sin(math.radians(LAG_DEG)),
        "rating_a": RATING_A,
        "small_a": SMALL_A,
        "doubled_a": twice.reads_a,
        "halved_a": SMALL_A / 2,
        "limit_a": RATING_A / 2,
        "double_limit_a": RATING_A * 2,
        "between_a": between_a,
        "between_v": edition.between_legs_v,
        "between_w": between_w,
        "between_twice_w": 2 * between_w,
        "one_w": one_w,
        **_pump(),
    }


def _pump() -> Values:
    log = pump_log()

    def level_w(name: str, at_s: int) -> float:
        return float(np.median(log[name][at_s - 5 : at_s + 5]))

    before, after = START_S - 20, SETTLED_S
    steps = {
        name: level_w(name, after) - level_w(name, before)
        for name in ("well_pump", "mains_l1", "mains_l2")
    }
    return {
        "pump_w": steps["well_pump"],
        "pump_inrush_w": float(max(log["well_pump"])),
        "pump_l1_w": steps["mains_l1"],
        "pump_l2_w": steps["mains_l2"],
        "pump_l1_before_w": level_w("mains_l1", before),
        "pump_l1_level_w": level_w("mains_l1", after),
    }


def clamp_tasks(edition: Edition, draw: Draw) -> Values:
    """Values of one variant of the tasks."""
    turns, load_a = draw.choice((2, 3, 4, 5)), draw.choice((1.2, 1.6, 2.4, 3.6))
    first_a, second_a = draw.choice((8.0, 9.0, 10.0, 12.0)), draw.choice((2.0, 3.0, 4.0, 5.0))
    drawn_w, missed_h = draw.choice((3000.0, 3600.0, 4500.0)), draw.choice((2.0, 3.0, 4.0, 6.0))
    shift_deg, factor = draw.choice((1.0, 2.0, 3.0)), draw.choice((0.5, 0.6, 0.7))
    motor_w = draw.choice((300.0, 400.0, 600.0, 800.0))
    heater = Conductor(label="heater", amps_a=first_a)
    # L2 as a lag: its volts come later than those of L1.
    lamps = Conductor(label="lamps", amps_a=second_a, lag_deg=edition.leg_angle_deg)
    near = Conductor(label="lamps", amps_a=second_a)
    lag_deg = math.degrees(math.acos(factor))
    share = float(phase_power_error(MINUTES_PER_DEGREE * shift_deg, power_factor=factor))
    wrong = math.cos(math.radians(lag_deg + shift_deg)) / factor
    return {
        "turns": turns,
        "load_a": load_a,
        "turned_a": round(turns * load_a, 6),
        "turned_wrong_a": turns**2 * load_a,
        "first_a": first_a,
        "second_a": second_a,
        "same_a": reads(edition, heater, near).reads_a,
        "apart_a": first_a - second_a,
        "angle_deg": edition.leg_angle_deg,
        "opposite_a": reads(edition, heater, lamps).reads_a,
        "drawn_w": drawn_w,
        "missed_h": missed_h,
        "missed_kwh": drawn_w / 2 * missed_h / 1000,
        "drawn_kwh": drawn_w * missed_h / 1000,
        "shift_deg": shift_deg,
        "motor_w": motor_w,
        "motor_factor": factor,
        "motor_va": motor_w / factor,
        "motor_lag_deg": lag_deg,
        "seen_lag_deg": lag_deg - shift_deg,
        "shifted_w": motor_w * (1 + share),
        "shifted_wrong_w": motor_w * wrong,
    }
