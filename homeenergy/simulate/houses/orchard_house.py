"""Orchard house: split phase, one-second logs over the end of daylight saving time."""

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
from homeenergy.simulate.houses.write import columns_toml, write_folder, write_wide

CSV_DATES = ("2026-10-31", "2026-11-01", "2026-11-02")
BOTH = ("L1", "L2")

CIRCUITS = (
    CircuitPlan(
        name="fridge",
        appliance="Refrigerator",
        kind="thermostatic",
        draw=compressors.refrigerator,
        seed=1,
        legs=("L1",),
        breaker_a=15,
        rating_a=20,
    ),
    CircuitPlan(
        name="freezer",
        appliance="Chest freezer",
        kind="thermostatic",
        draw=compressors.freezer,
        seed=2,
        legs=("L2",),
        breaker_a=15,
        rating_a=20,
    ),
    CircuitPlan(
        name="well_pump",
        appliance="Well pump",
        kind="thermostatic",
        draw=small.well_pump,
        seed=3,
        legs=BOTH,
        breaker_a=20,
        rating_a=50,
        clamp_on="first leg",
        multiplier=2.0,
    ),
    CircuitPlan(
        name="water_heater",
        appliance="Water heater",
        kind="thermostatic",
        season="some",
        draw=heating.water_heater,
        seed=4,
        legs=BOTH,
        breaker_a=30,
        rating_a=50,
        clamp_on="first leg",
        multiplier=2.0,
    ),
    CircuitPlan(
        name="range",
        appliance="Range with oven",
        kind="manual",
        season="none",
        draw=heating.oven,
        seed=5,
        legs=BOTH,
        breaker_a=40,
        rating_a=50,
    ),
    CircuitPlan(
        name="heat_pump",
        appliance="Heat pump",
        kind="modulating",
        season="strong",
        draw="heat_pump",
        seed=6,
        legs=BOTH,
        breaker_a=40,
        rating_a=50,
    ),
    CircuitPlan(
        name="kiln",
        appliance="Pottery kiln",
        kind="batch",
        draw=heating.kiln,
        seed=7,
        legs=BOTH,
        breaker_a=60,
        rating_a=100,
    ),
    CircuitPlan(
        name="washer",
        appliance="Washing machine",
        kind="batch",
        draw=partial(washing.washing_machine, heater_w=0.0),
        seed=8,
        legs=("L1",),
        breaker_a=20,
        rating_a=20,
    ),
    CircuitPlan(
        name="dishwasher",
        appliance="Dishwasher",
        kind="batch",
        draw=partial(washing.dishwasher, heater_w=830.0, twice_chance=0.0),
        seed=9,
        legs=("L2",),
        breaker_a=20,
        rating_a=20,
    ),
    CircuitPlan(
        name="microwave",
        appliance="Microwave oven",
        kind="manual",
        season="none",
        draw=small.microwave,
        seed=10,
        legs=("L1",),
        breaker_a=20,
        rating_a=20,
    ),
    CircuitPlan(
        name="television",
        appliance="Television",
        kind="manual",
        season="none",
        draw=small.television,
        seed=11,
        legs=("L2",),
        breaker_a=15,
        rating_a=20,
    ),
    CircuitPlan(
        name="lights",
        appliance="Lights upstairs",
        kind="manual",
        season="some",
        draw=small.lights,
        seed=12,
        legs=("L1",),
        breaker_a=15,
        rating_a=20,
    ),
)

PLAN = HousePlan(
    name="orchard_house",
    title="Orchard house",
    timezone="America/Denver",
    start="2026-10-18",
    days=21,
    period_s=1,
    seed=618,
    system="split-phase",
    volts_v=120,
    frequency_hz=60,
    currency="USD",
    price_per_kwh=0.15,
    standing_per_day=0.40,
    outdoor_mean_c=9.0,
    outdoor_trend_c_per_day=-0.35,
    meter_starts_at_kwh=48213.37,
    circuits=CIRCUITS,
    mains=(
        MainsPlan(
            name="mains_l1",
            leg="L1",
            rating_a=200,
            step_w=1.0,
            unmonitored=(
                (101, small.router),
                (102, small.coffee_machine),
                (103, small.lights),
            ),
        ),
        MainsPlan(
            name="mains_l2",
            leg="L2",
            rating_a=200,
            step_w=2.0,
            unmonitored=(
                (201, small.always_on),
                (202, small.vacuum_cleaner),
                (203, small.computer),
            ),
        ),
    ),
    holes=(
        Hole(local_time="2026-10-21 02:14:07", minutes=161),
        Hole(circuit="kiln", run=0, into_run=0.4, minutes=23),
        Hole(local_time="2026-10-29 13:40:51", minutes=8.5),
        Hole(local_time="2026-11-02 20:05:30", minutes=3.2),
        Hole(local_time="2026-11-05 09:31:12", minutes=47),
        Hole(local_time="2026-11-01 10:12:00", minutes=95, circuit="lights", circuit_only=True),
    ),
    dropped=900,
    repeated=140,
    late=60,
    keep_order=("2026-11-01 00:30", "2026-11-01 03:00"),
)

LOG_TOML = f"""\
# The logger wrote Parquet, except around the end of daylight saving time.
[[log]]
files = "logs/*.parquet"
format = "parquet"
layout = "wide"
time_columns = ["time"]
time_format = "epoch_s"
time_marks = "start"
quantity = "power"
unit = "W"
period_s = 1

{columns_toml(PLAN)}
[[log]]
files = "logs/*.csv.gz"
format = "csv"
layout = "wide"
delimiter = ","
time_columns = ["time"]
time_format = "%Y-%m-%d %H:%M:%S"
time_zone = "America/Denver"
time_marks = "start"
quantity = "power"
unit = "W"
period_s = 1

{columns_toml(PLAN)}"""


def write_orchard_house(folder: Path) -> SimulatedHouse:
    """Build the house and write its folder."""
    house = simulate_house(PLAN)
    write_folder(house, folder, log_toml=LOG_TOML)
    write_wide(house, folder / "logs", csv_dates=CSV_DATES)
    return house
