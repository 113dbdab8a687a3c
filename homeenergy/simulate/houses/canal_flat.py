"""Canal flat: three phases at 230 V, one-minute logs over the start of summer time."""

from __future__ import annotations

from functools import partial
from pathlib import Path

from homeenergy.simulate.appliances import compressors, heating, small, washing
from homeenergy.simulate.houses.build import (
    CircuitPlan,
    Hole,
    HousePlan,
    MainsPlan,
    SimulatedHouse,
    simulate_house,
)
from homeenergy.simulate.houses.write import columns_toml, write_folder, write_long

CIRCUITS = (
    CircuitPlan(
        name="fridge",
        appliance="Refrigerator",
        kind="thermostatic",
        draw=compressors.refrigerator,
        seed=1,
        legs=("L1",),
        breaker_a=16,
        rating_a=20,
    ),
    CircuitPlan(
        name="washing_machine",
        appliance="Washing machine",
        kind="batch",
        draw=washing.washing_machine,
        seed=2,
        legs=("L2",),
        breaker_a=16,
        rating_a=20,
    ),
    CircuitPlan(
        name="dryer",
        appliance="Tumble dryer",
        kind="batch",
        season="some",
        draw=washing.tumble_dryer,
        seed=3,
        legs=("L3",),
        breaker_a=16,
        rating_a=20,
    ),
    CircuitPlan(
        name="dishwasher",
        appliance="Dishwasher",
        kind="batch",
        draw=partial(washing.dishwasher, twice_chance=0.0),
        seed=4,
        legs=("L1",),
        breaker_a=16,
        rating_a=20,
    ),
    CircuitPlan(
        name="hob",
        appliance="Hob",
        kind="manual",
        season="none",
        draw=heating.hob,
        seed=5,
        legs=("L1", "L2"),
        breaker_a=16,
        rating_a=20,
    ),
    CircuitPlan(
        name="oven",
        appliance="Oven",
        kind="manual",
        season="none",
        draw=heating.oven,
        seed=6,
        legs=("L3",),
        breaker_a=16,
        rating_a=20,
    ),
    CircuitPlan(
        name="kettle",
        appliance="Kettle",
        kind="manual",
        season="none",
        draw=small.kettle,
        seed=7,
        legs=("L2",),
        breaker_a=16,
        rating_a=20,
    ),
    CircuitPlan(
        name="water_heater",
        appliance="Water heater",
        kind="thermostatic",
        season="some",
        draw=heating.water_heater,
        seed=8,
        legs=("L3",),
        breaker_a=16,
        rating_a=20,
        backwards=True,
        multiplier=-1.0,
    ),
    CircuitPlan(
        name="television",
        appliance="Television",
        kind="manual",
        season="none",
        draw=small.television,
        seed=9,
        legs=("L2",),
        breaker_a=16,
        rating_a=20,
    ),
    CircuitPlan(
        name="ventilation",
        appliance="Ventilation",
        kind="continuous",
        draw=small.ventilation,
        seed=10,
        legs=("L1",),
        breaker_a=16,
        rating_a=20,
    ),
)

PLAN = HousePlan(
    name="canal_flat",
    title="Canal flat",
    timezone="Europe/Amsterdam",
    start="2026-02-01",
    days=90,
    period_s=60,
    seed=1883,
    system="three-phase",
    volts_v=230,
    frequency_hz=50,
    currency="EUR",
    price_per_kwh=0.31,
    standing_per_day=0.95,
    outdoor_mean_c=4.0,
    outdoor_trend_c_per_day=0.09,
    meter_starts_at_kwh=15730.62,
    circuits=CIRCUITS,
    mains=(
        MainsPlan(
            name="mains_L1",
            leg="L1",
            rating_a=50,
            step_w=1.0,
            unmonitored=((101, small.router), (102, small.lights)),
        ),
        MainsPlan(
            name="mains_L2",
            leg="L2",
            rating_a=50,
            step_w=1.0,
            unmonitored=((201, small.computer), (202, small.toaster)),
        ),
        MainsPlan(
            name="mains_L3",
            leg="L3",
            rating_a=50,
            step_w=1.0,
            unmonitored=((301, small.bathroom_fan), (302, small.vacuum_cleaner)),
        ),
    ),
    holes=(
        Hole(local_time="2026-02-11 03:20", minutes=340),
        Hole(circuit="dishwasher", run=12, into_run=0.3, minutes=14),
        Hole(local_time="2026-03-08 17:05", minutes=26),
        Hole(local_time="2026-04-19 22:48", minutes=655),
        Hole(local_time="2026-04-03 08:00", minutes=1500, circuit="kettle", circuit_only=True),
    ),
    dropped=260,
    repeated=90,
    late=45,
)

LOG_TOML = f"""\
[[log]]
files = "logs/*.csv.gz"
format = "csv"
layout = "long"
delimiter = ";"
decimal = ","
time_columns = ["tijd"]
time_format = "%d.%m.%Y %H:%M:%S"
time_zone = "Europe/Amsterdam"
time_marks = "end"
quantity = "power"
unit = "kW"
period_s = 60
circuit_column = "groep"
value_column = "kW"

{columns_toml(PLAN)}"""


def write_canal_flat(folder: Path) -> SimulatedHouse:
    """Build the flat and write its folder."""
    house = simulate_house(PLAN)
    write_folder(house, folder, log_toml=LOG_TOML)
    write_long(house, folder / "logs")
    return house
