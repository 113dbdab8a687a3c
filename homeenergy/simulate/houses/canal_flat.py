"""Canal flat: three phases at 230 V, one-minute logs over the start of summer time."""

from __future__ import annotations

from functools import partial
from pathlib import Path

from homeenergy.house.layouts import LogLayout
from homeenergy.simulate.appliances import small
from homeenergy.simulate.appliances.washing import dishwasher
from homeenergy.simulate.houses.build import (
    Hole,
    HousePlan,
    MainsPlan,
    SimulatedHouse,
    panel,
    simulate_house,
)
from homeenergy.simulate.houses.write import own_columns, write_folder, write_long

ONE_LOAD = partial(dishwasher, twice_chance=0.0)
BACKWARDS = {"backwards": True, "multiplier": -1.0}
CIRCUITS = panel(
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
    circuits=tuple(CIRCUITS),
    mains=tuple(
        MainsPlan(name=f"mains_{leg}", leg=leg, rating_a=50, step_w=1.0, unmonitored=unmonitored)
        for leg, unmonitored in (
            ("L1", ((101, small.router), (102, small.lights))),
            ("L2", ((201, small.computer), (202, small.toaster))),
            ("L3", ((301, small.bathroom_fan), (302, small.vacuum_cleaner))),
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

LOGS = (
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
        columns=own_columns(PLAN, unit="kW"),
    ),
)


def write_canal_flat(folder: Path) -> SimulatedHouse:
    """Build the flat and write its folder."""
    house = simulate_house(PLAN)
    write_folder(house, folder, logs=LOGS)
    write_long(house, folder / "logs")
    return house
