"""A street of small invented houses with the same appliances and different habits."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from homeenergy.house.layouts import LogLayout
from homeenergy.simulate.appliances import small
from homeenergy.simulate.houses.build import (
    HousePlan,
    MainsPlan,
    SimulatedHouse,
    panel,
    simulate_house,
)
from homeenergy.simulate.houses.write import own_columns, write_folder
from homeenergy.units import NS_PER_S

APPLIANCES = panel(
    ("fridge", "Refrigerator", "refrigerator", "L1"),
    ("washing_machine", "Washing machine", "washing_machine", "L1"),
    ("dishwasher", "Dishwasher", "dishwasher", "L1"),
    ("dryer", "Tumble dryer", "tumble_dryer", "L1"),
    ("oven", "Oven", "oven", "L1"),
    ("television", "Television", "television", "L1"),
    ("freezer", "Chest freezer", "freezer", "L1"),
)
HOUSES_OF_TEN = (10, 10, 6, 4, 8, 9, 5)  # that have it


def write_street(
    folder: str | Path,
    *,
    houses: int = 12,
    days: int = 14,
    seed: int = 1,
    progress: Callable[[int, int, str], None] | None = None,
) -> list[Path]:
    """Write the folders of a street of invented houses, with logs every minute.

    Parameters
    ----------
    folder : path
        Where to; one folder a house is made in it.
    houses, days : int
        How many houses, and how long each was logged.
    seed : int
        The same seed gives the same street.
    progress : callable, optional
        Called with (done, of how many, name of the house).

    Returns
    -------
    list of Path
        The houses' folders, in order.

    Examples
    --------
    >>> import tempfile
    >>> from homeenergy.simulate import write_street
    >>> [path.name for path in write_street(tempfile.mkdtemp(), houses=2, days=2)]
    ['mill_lane_1', 'mill_lane_2']
    """
    made = []
    for number in range(1, houses + 1):
        house = simulate_house(_plan(number, days=days, seed=seed))
        made.append(Path(folder) / house.plan.name)
        _write(house, made[-1])
        if progress:
            progress(number, houses, house.plan.title)
    return made


def _plan(number: int, *, days: int, seed: int) -> HousePlan:
    rng = np.random.default_rng([seed, number])
    circuits = tuple(
        circuit
        for circuit, often in zip(APPLIANCES, HOUSES_OF_TEN, strict=True)
        if rng.uniform(0, 10) < often
    )
    return HousePlan(
        name=f"mill_lane_{number}",
        title=f"Mill Lane {number}",
        timezone="Europe/Amsterdam",
        start="2026-01-12",
        days=days,
        period_s=60,
        seed=int(rng.integers(1, 2**31)),
        system="single-phase",
        volts_v=230,
        frequency_hz=50,
        currency="EUR",
        price_per_kwh=0.31,
        standing_per_day=0.95,
        outdoor_mean_c=4.0,
        outdoor_trend_c_per_day=0.02,
        meter_starts_at_kwh=round(float(rng.uniform(2000, 30000)), 2),
        circuits=circuits,
        mains=(
            MainsPlan(
                name="mains",
                leg="L1",
                rating_a=50,
                step_w=1.0,
                unmonitored=((101, small.router), (102, small.lights)),
            ),
        ),
        holes=(),
        dropped=10,
        repeated=0,
        late=0,
    )


def _write(house: SimulatedHouse, folder: Path) -> None:
    log = LogLayout(
        files="logs/*.parquet",
        format="parquet",
        time_format="epoch_s",
        period_s=60,
        columns=own_columns(house.plan),
    )
    write_folder(house, folder, logs=(log,), made_by="homeenergy.simulate.write_street")
    first_s = house.calendar.start.value // NS_PER_S
    table = {"time": first_s + house.rows * house.plan.period_s}
    for name, watts in house.readings_w.items():
        table[name] = np.round(watts[house.rows]).astype(np.int32)
    (folder / "logs").mkdir()
    pq.write_table(pa.table(table), folder / "logs" / "readings.parquet")
