"""The sample houses: one of split phase by the second, one of three phases by the minute."""

from __future__ import annotations

from functools import partial
from pathlib import Path

from homeenergy.house.layouts import LogLayout
from homeenergy.simulate.appliances import washing
from homeenergy.simulate.appliances.small import (
    bathroom_fan,
    coffee_machine,
    computer,
    constant_draw,
    lights,
    router,
    toaster,
    vacuum_cleaner,
)
from homeenergy.simulate.houses.build import (
    Hole,
    HousePlan,
    MainsPlan,
    SimulatedHouse,
    panel,
    simulate_house,
)
from homeenergy.simulate.houses.write import own_columns, write_folder, write_long, write_wide

# Orchard house: over the end of daylight saving time.
CSV_DATES = ("2026-10-31", "2026-11-01", "2026-11-02")

# What differs from a circuit of 15 A on one leg.
LARGE = {"breaker_a": 40, "rating_a": 50}
ONE_LEG = {"clamp_on": "first leg", "multiplier": 2.0, "rating_a": 50}
TANK = ONE_LEG | {"breaker_a": 30, "season": "some"}
INVERTER = LARGE | {"draw": "heat_pump", "season": "strong"}
COLD_FILL = partial(washing.washing_machine, heater_w=0.0)
SMALL_HEATER = partial(washing.dishwasher, heater_w=830.0, twice_chance=0.0)
ORCHARD_CIRCUITS = panel(
    ("fridge", "Refrigerator", "refrigerator", "L1"),
    ("freezer", "Chest freezer", "freezer", "L2"),
    ("well_pump", "Well pump", "well_pump", "L1 L2", ONE_LEG | {"breaker_a": 20}),
    ("water_heater", "Water heater", "water_heater", "L1 L2", TANK),
    ("range", "Range with oven", "oven", "L1 L2", LARGE | {"season": "none"}),
    ("heat_pump", "Heat pump", "heat_pump", "L1 L2", INVERTER),
    ("kiln", "Pottery kiln", "kiln", "L1 L2", {"breaker_a": 60, "rating_a": 100}),
    ("washer", "Washing machine", "washing_machine", "L1", {"breaker_a": 20, "draw": COLD_FILL}),
    ("dishwasher", "Dishwasher", "dishwasher", "L2", {"breaker_a": 20, "draw": SMALL_HEATER}),
    ("microwave", "Microwave oven", "microwave", "L1", {"breaker_a": 20, "season": "none"}),
    ("television", "Television", "television", "L2", {"season": "none"}),
    ("lights", "Lights upstairs", "lights", "L1", {"season": "some"}),
    breaker_a=15,
)

ORCHARD = HousePlan(
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
    circuits=tuple(ORCHARD_CIRCUITS),
    mains=tuple(
        MainsPlan(name=name, leg=leg, rating_a=200, step_w=step_w, unmonitored=unmonitored)
        for name, leg, step_w, unmonitored in (
            ("mains_l1", "L1", 1.0, ((101, router), (102, coffee_machine), (103, lights))),
            ("mains_l2", "L2", 2.0, ((201, constant_draw), (202, vacuum_cleaner), (203, computer))),
        )
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

LOG_REMARKS = ("The logger wrote Parquet, except around the end of daylight saving time.",)
ORCHARD_LOGS = (
    LogLayout(
        files="logs/*.parquet",
        format="parquet",
        time_format="epoch_s",
        period_s=1,
        columns=own_columns(ORCHARD),
    ),
    LogLayout(
        files="logs/*.csv.gz",
        time_format="%Y-%m-%d %H:%M:%S",
        time_zone="America/Denver",
        period_s=1,
        columns=own_columns(ORCHARD),
    ),
)


def write_orchard_house(folder: Path) -> SimulatedHouse:
    """Build the house and write its folder."""
    house = simulate_house(ORCHARD)
    write_folder(house, folder, logs=ORCHARD_LOGS, log_remarks=LOG_REMARKS)
    write_wide(house, folder / "logs", csv_dates=CSV_DATES)
    return house


# Canal flat: over the start of summer time.
ONE_LOAD = partial(washing.dishwasher, twice_chance=0.0)
BACKWARDS = {"backwards": True, "multiplier": -1.0}
FLAT_CIRCUITS = panel(
    ("fridge", "Refrigerator", "refrigerator", "L1"),
    ("washing_machine", "Washing machine", "washing_machine", "L2"),
    ("dryer", "Tumble dryer", "tumble_dryer", "L3", {"season": "some"}),
    ("dishwasher", "Dishwasher", "dishwasher", "L1", {"draw": ONE_LOAD}),
    ("hob", "Hob", "hob", "L1 L2", {"season": "none"}),
    ("oven", "Oven", "oven", "L3", {"season": "none"}),
    ("kettle", "Kettle", "kettle", "L2", {"season": "none"}),
    ("water_heater", "Water heater", "water_heater", "L3", BACKWARDS | {"season": "some"}),
    ("television", "Television", "television", "L2", {"season": "none"}),
    ("ventilation", "Ventilation", "ventilation", "L1"),
)

FLAT = HousePlan(
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
    circuits=tuple(FLAT_CIRCUITS),
    mains=tuple(
        MainsPlan(name=f"mains_{leg}", leg=leg, rating_a=50, step_w=1.0, unmonitored=unmonitored)
        for leg, unmonitored in (
            ("L1", ((101, router), (102, lights))),
            ("L2", ((201, computer), (202, toaster))),
            ("L3", ((301, bathroom_fan), (302, vacuum_cleaner))),
        )
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

FLAT_LOGS = (
    LogLayout(
        files="logs/*.csv.gz",
        layout="long",
        delimiter=";",
        decimal=",",
        time_columns=("tijd",),
        time_format="%d.%m.%Y %H:%M:%S",
        time_zone="Europe/Amsterdam",
        time_marks="end",
        period_s=60,
        circuit_column="groep",
        value_column="kW",
        columns=own_columns(FLAT, unit="kW"),
    ),
)


def write_canal_flat(folder: Path) -> SimulatedHouse:
    """Build the flat and write its folder."""
    house = simulate_house(FLAT)
    write_folder(house, folder, logs=FLAT_LOGS)
    write_long(house, folder / "logs")
    return house
