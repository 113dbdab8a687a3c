"""Appliances that the simulator's catalogue lacks, drawn by hand second by second.

Powers and times are invented, of the size that such appliances have. What is on is laid over a rest
level; noise of 1 W, whole watts.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from homeenergy.readings.trace import Trace

from .traces import DAY, HOUR, START

DAYS = 5
# One night this is when the wall socket is off; nothing is in use then.
OFF_S = (DAY + 3 * HOUR, DAY + 3 * HOUR + 1500)
Shape = NDArray[np.float64]
Draw = Callable[[np.random.Generator], "Drawn"]


@dataclass(kw_only=True)
class Drawn:
    """What one appliance draws: rest [W], uses as (second, watts), and what is no use."""

    idle_w: float
    uses: list[tuple[int, Shape]]
    other: list[tuple[int, Shape]] = field(default_factory=list)

    def power(self) -> Shape:
        watts = np.full(DAYS * DAY, self.idle_w)
        for at, shape in [*self.other, *self.uses]:
            watts[at : at + shape.size] = shape[: max(watts.size - at, 0)]
        return watts

    def energies_wh(self) -> Shape:
        return np.array([shape.sum() / 3600 for _, shape in self.uses])


def measured(watts: Shape, *, off: bool, seed: int = 1) -> Trace:
    """What a logger makes of the power; `off`: 25 minutes one night without any."""
    noisy = watts + np.random.default_rng(seed).normal(0, 1, watts.size)
    if off:
        noisy[OFF_S[0] : OFF_S[1]] = 0
    return Trace(label="load", start=START, period_s=1.0, watts=np.round(noisy).astype(np.float32))


def flat(n_s: float, watts: float) -> Shape:
    return np.full(round(n_s), float(watts))


def pieces(*parts: tuple[float, float]) -> Shape:
    return np.concatenate([flat(*part) for part in parts])


def pulses(n: int, *, on: tuple[float, float], off: tuple[float, float]) -> Shape:
    """`n` times (seconds, watts) on, then off; it ends with on."""
    return np.concatenate([pieces(on, off)] * (n - 1) + [flat(*on)])


def daily(
    rng: np.random.Generator, hours: tuple[float, ...], use: Callable[[], Shape]
) -> list[tuple[int, Shape]]:
    """A use at about these hours of each day."""
    return [
        (int(day * DAY + (h + rng.uniform(-0.4, 0.4)) * HOUR), use())
        for day in range(DAYS)
        for h in hours
    ]


def by_itself(
    rng: np.random.Generator, use: Callable[[], Shape], pause_s: tuple[float, float]
) -> list[tuple[int, Shape]]:
    """Uses day and night, with pauses between; none in the night's minutes without power."""
    found, at = [], int(rng.uniform(*pause_s))
    while True:
        shape = use()
        if at < OFF_S[1] and at + shape.size > OFF_S[0]:
            at = OFF_S[1] + 600
        if at + shape.size >= DAYS * DAY:
            return found
        found.append((at, shape))
        at += shape.size + int(rng.uniform(*pause_s))


def wander(rng: np.random.Generator, n_s: int, watts: float, *, sd_w: float, every_s: int) -> Shape:
    levels = rng.normal(watts, sd_w, n_s // every_s + 1)
    return np.repeat(np.maximum(levels, 0.5 * watts), every_s)[:n_s]


def microwave_at_half_power(rng):
    def use():
        return pulses(int(rng.integers(6, 16)), on=(14, 1240), off=(16, 42))

    return Drawn(idle_w=2.4, uses=daily(rng, (7.5, 12.5, 19), use))


def washer_with_soak(rng):
    def use():
        turning = pulses(60, on=(12, 140), off=(4, 6))
        heat = flat(rng.uniform(600, 900), 2050)
        return np.concatenate(
            [
                flat(90, 30),
                turning,
                heat,
                turning,
                flat(1800, 3.5),
                turning,
                turning,
                flat(420, 420),
            ]
        )

    return Drawn(idle_w=0.8, uses=daily(rng, (10,), use))


def heat_pump_dryer(rng):
    def use():
        n = int(rng.uniform(5400, 8400))
        return np.linspace(480, 740, n) + 60 * (np.arange(n) % 400 < 300)

    return Drawn(idle_w=0.6, uses=daily(rng, (14,), use))


def dishwasher_with_quiet_phase(rng):
    def use():
        return pieces(
            (300, 55), (rng.uniform(700, 900), 1950), (1500, 60), (1200, 3), (400, 60),
            (rng.uniform(500, 700), 1950), (300, 60), (60, 32),
        )  # fmt: skip

    return Drawn(idle_w=0.7, uses=daily(rng, (20,), use))


def espresso_machine(rng):
    def use():
        warm = pulses(int(rng.integers(20, 40)), on=(5, 1300), off=(40, 3))
        return np.concatenate([flat(140, 1300), flat(30, 3), warm])

    return Drawn(idle_w=1.2, uses=daily(rng, (7, 15), use))


def induction_hob(rng):
    def use():
        strong = pulses(int(rng.integers(60, 120)), on=(4, 1900), off=(5, 12))
        return np.concatenate([flat(240, 2100), strong])

    return Drawn(idle_w=1.0, uses=daily(rng, (12, 18.5), use))


def oven(rng):
    def use():
        baking = pulses(int(rng.integers(14, 26)), on=(60, 2440), off=(90, 38))
        return np.concatenate([flat(rng.uniform(480, 720), 2440), baking])

    return Drawn(idle_w=1.5, uses=daily(rng, (18,), use))


def television_with_night_updates(rng):
    def use():
        return wander(rng, int(rng.uniform(5400, 12000)), 105, sd_w=10, every_s=20)

    updates = [(day * DAY + int(4.5 * HOUR), flat(480, 17)) for day in range(DAYS)]
    return Drawn(idle_w=8, uses=daily(rng, (19.5,), use), other=updates)


def gaming_computer(rng):
    def use():
        return wander(rng, int(rng.uniform(3600, 9000)), 260, sd_w=50, every_s=7)

    return Drawn(idle_w=12, uses=daily(rng, (20,), use))


def laser_printer(rng):
    def use():
        return np.concatenate(
            [flat(14, 620), flat(4, 25), pulses(int(rng.integers(4, 12)), on=(3, 560), off=(9, 28))]
        )

    return Drawn(idle_w=3.2, uses=daily(rng, (9, 11.5, 16), use))


def towel_heater(rng):
    return Drawn(idle_w=0.5, uses=daily(rng, (6, 21), lambda: flat(7200, 410)))


def underfloor_heating(rng):
    uses = by_itself(rng, lambda: flat(rng.uniform(600, 1800), 820), (900, 2700))
    return Drawn(idle_w=1.1, uses=uses)


def pool_pump(rng):
    return Drawn(idle_w=2.0, uses=daily(rng, (9,), lambda: flat(8 * HOUR, 920)))


def sump_pump(rng):
    uses = by_itself(rng, lambda: flat(rng.integers(10, 16), 460), (1800, 5400))
    return Drawn(idle_w=0.0, uses=uses)


def circulation_pump(rng):
    uses = by_itself(rng, lambda: flat(rng.uniform(800, 1000), 26), (2400, 3000))
    return Drawn(idle_w=1.0, uses=uses)


def laptop(rng):
    def use():
        full, end = rng.uniform(3600, 5400), np.exp(-np.arange(3600) / 2000)
        return np.concatenate([flat(full, 62), 18 + 44 * end])

    return Drawn(idle_w=0.4, uses=daily(rng, (10, 19), use))


def rice_cooker(rng):
    def use():
        return np.concatenate(
            [flat(rng.uniform(1300, 1700), 610), pulses(40, on=(6, 610), off=(54, 1.5))]
        )

    return Drawn(idle_w=1.5, uses=daily(rng, (12, 18), use))


def slow_cooker(rng):
    return Drawn(idle_w=0.0, uses=daily(rng, (11,), lambda: flat(rng.uniform(5, 7) * HOUR, 210)))


def bicycle_battery(rng):
    def use():
        end = np.exp(-np.arange(2400) / 900)
        return np.concatenate([flat(rng.uniform(5400, 10000), 182), 20 + 162 * end])

    return Drawn(idle_w=0.6, uses=daily(rng, (18,), use))


def dehumidifier(rng):
    uses = by_itself(rng, lambda: flat(rng.uniform(1200, 3000), 305), (1200, 2700))
    return Drawn(idle_w=2.1, uses=uses)


def heat_pump_water_heater(rng):
    def use():
        return np.linspace(430, 640, int(rng.uniform(3, 4.5) * HOUR))

    return Drawn(idle_w=3.0, uses=daily(rng, (6, 17), use))


def filament_printer(rng):
    def use():
        n = int(rng.uniform(3, 6) * HOUR)
        bed = 70 + 60 * (np.arange(n) % 45 < 18)
        return np.concatenate([flat(260, 265), bed])

    return Drawn(idle_w=5.0, uses=daily(rng, (13,), use))


def toaster(rng):
    return Drawn(
        idle_w=0.0, uses=daily(rng, (7, 8.5, 17), lambda: flat(rng.uniform(120, 190), 905))
    )


def cooker_hood(rng):
    def use():
        return np.concatenate(
            [flat(rng.uniform(200, 900), rng.choice([72, 120, 195])) for _ in range(3)]
        )

    return Drawn(idle_w=0.9, uses=daily(rng, (12, 18.5), use))


def car_charger_that_balances(rng):
    uses = []
    for day in range(DAYS):
        hours = rng.uniform(1.5, 5)
        whole = flat(hours * HOUR, 7250)
        if day % 2 == 0:
            at = round(0.7 * whole.size)
            whole = np.concatenate([whole[:at], flat(600, 9), whole[at:]])
        uses.append((int(day * DAY + rng.uniform(17, 18.5) * HOUR), whole))
    return Drawn(idle_w=5.0, uses=uses)


def air_purifier(rng):
    def use():
        return np.concatenate(
            [flat(rng.uniform(900, 5400), rng.choice([6, 11, 24, 48])) for _ in range(14)]
        )[: 12 * HOUR]

    return Drawn(idle_w=0.9, uses=daily(rng, (9,), use))


def washes_minutes_apart(rng):
    def use():
        turning = pulses(int(rng.integers(60, 100)), on=(12, 150), off=(4, 6))
        return np.concatenate([flat(60, 30), turning, flat(800, 2050), turning, flat(400, 430)])

    uses = []
    for day in range(DAYS):
        at = int(day * DAY + rng.uniform(9, 11) * HOUR)
        for _ in range(2):
            uses.append((at, use()))
            at += uses[-1][1].size + int(rng.uniform(180, 480))
    return Drawn(idle_w=0.7, uses=uses)


def pod_coffee(rng):
    def use():
        return pieces((24, 1420), (rng.uniform(5, 60), 2.5), (22, 1300))

    return Drawn(idle_w=0.5, uses=daily(rng, (7, 10, 15), use))


def dimmed_lamp(rng):
    def use():
        scenes = rng.choice([14, 28, 55], 3)
        return np.concatenate([flat(rng.uniform(1200, 3600), w) for w in scenes])

    return Drawn(idle_w=0.4, uses=daily(rng, (6.5, 18), use))


def robot_vacuum(rng):
    def use():
        return flat(rng.uniform(5400, 7000), 28)

    charges = daily(rng, (11,), use)
    away = [(at - 2700, flat(2700, 0.6)) for at, _ in charges]
    return Drawn(idle_w=3.2, uses=charges, other=away)


APPLIANCES: dict[str, Draw] = {
    draw.__name__: draw
    for draw in (
        microwave_at_half_power, washer_with_soak, heat_pump_dryer, dishwasher_with_quiet_phase,
        espresso_machine, induction_hob, oven, television_with_night_updates, gaming_computer,
        laser_printer, towel_heater, underfloor_heating, pool_pump, sump_pump, circulation_pump,
        laptop, rice_cooker, slow_cooker, bicycle_battery, dehumidifier, heat_pump_water_heater,
        filament_printer, toaster, cooker_hood, car_charger_that_balances, air_purifier,
        washes_minutes_apart, pod_coffee, dimmed_lamp, robot_vacuum,
    )
}  # fmt: skip
"""What draws each, by name."""
