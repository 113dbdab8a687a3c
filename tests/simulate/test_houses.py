from dataclasses import replace

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest

from homeenergy.house.toml_file import read_schedule
from homeenergy.simulate.houses.build import Hole, simulate_house
from homeenergy.simulate.houses.samples import FLAT, FLAT_LOGS, ORCHARD, ORCHARD_LOGS
from homeenergy.simulate.houses.write import write_folder, write_long, write_wide

SMALL_ORCHARD = replace(
    ORCHARD,
    start="2026-10-31",
    days=2,
    holes=(
        Hole(local_time="2026-10-31 04:00", minutes=30),
        Hole(local_time="2026-10-31 12:00", minutes=60, circuit="lights", circuit_only=True),
    ),
    dropped=40,
    repeated=20,
    late=10,
)
SMALL_FLAT = replace(
    FLAT,
    start="2026-03-28",
    days=3,
    holes=(Hole(circuit="kettle", run=2, minutes=9),),
    dropped=5,
    repeated=4,
    late=3,
)


@pytest.fixture(scope="module", params=[SMALL_ORCHARD, SMALL_FLAT], ids=["orchard", "flat"])
def house(request):
    return simulate_house(request.param)


def written(house, folder, *, csv_dates=()):
    logs = ORCHARD_LOGS if house.plan.name == "orchard_house" else FLAT_LOGS
    write_folder(house, folder, logs=logs)
    if house.plan.name == "orchard_house":
        write_wide(house, folder / "logs", csv_dates=csv_dates)
    else:
        write_long(house, folder / "logs")
    return {p.relative_to(folder): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def test_same_seed_same_bytes(house, tmp_path):
    first = written(house, tmp_path / "a", csv_dates=("2026-11-01",))
    again = written(simulate_house(house.plan), tmp_path / "b", csv_dates=("2026-11-01",))
    assert first == again


def test_another_seed_gives_other_bytes(tmp_path):
    first, other = (
        written(simulate_house(replace(SMALL_FLAT, seed=seed)), tmp_path / str(seed))
        for seed in (1, 2)
    )
    same = [p for p in first if first[p] == other.get(p)]
    assert [p.name for p in same] == ["house.toml"]


def test_each_leg_of_the_supply_carries_the_sum_of_its_loads(house):
    plan = house.plan
    for mains in plan.mains:
        faults = house.faults[mains.name]
        hours = house.readings_w[mains.name].size * plan.period_s / 3600
        read_kwh = house.readings_w[mains.name].sum(dtype=float) * plan.period_s / 3.6e6
        true_kwh = (read_kwh - faults.offset_w * hours / 1000) / faults.ratio
        on_leg = house.leg_kwh["leg"] == mains.leg
        assert true_kwh == pytest.approx(house.leg_kwh["energy_kwh"][on_leg].sum(), rel=1e-3)


def test_mains_follow_the_circuits_sample_by_sample(house):
    plan = house.plan
    for mains in plan.mains:
        reading = house.readings_w[mains.name].astype(float)
        rest = (reading - house.faults[mains.name].offset_w) / house.faults[mains.name].ratio
        for circuit in plan.circuits:
            if circuit.legs == (mains.leg,):
                faults = house.faults[circuit.name]
                sign = -1 if faults.backwards else 1
                own = sign * house.readings_w[circuit.name].astype(float)
                rest -= (own - faults.offset_w) / faults.ratio
        spikes = house.spikes["sample"].to_numpy()
        rest = np.delete(rest, spikes)
        # What is left are loads, so never below zero but for noise and rounding.
        assert rest.min() > -12


def test_meter_reads_what_all_legs_took(house):
    assert house.meter_wh[-1] / 1000 == pytest.approx(house.leg_kwh["energy_kwh"].sum(), rel=1e-9)


def test_readings_are_truth_with_the_clamp_faults(house):
    plan = house.plan
    for circuit in plan.circuits:
        faults = house.faults[circuit.name]
        reading = house.readings_w[circuit.name].astype(float)
        mine = house.spikes["circuit"] == circuit.name
        reading = np.delete(reading, house.spikes["sample"][mine])
        sign = -1 if faults.backwards else 1
        hours = reading.size * plan.period_s / 3600
        read_kwh = sign * reading.sum() * plan.period_s / 3.6e6
        kwh = (read_kwh - faults.offset_w * hours / 1000) / faults.ratio
        legs = house.leg_kwh[house.leg_kwh["circuit"] == circuit.name]
        true_kwh = legs["energy_kwh"].iloc[: 1 if circuit.clamp_on == "first leg" else 2].sum()
        # Rounding of a steady idle draw to whole watts may all go one way.
        assert kwh == pytest.approx(true_kwh, rel=1e-3, abs=0.5 * hours / 1000 + 1e-6)


def test_multiplier_is_what_the_clamp_needs(house):
    for circuit in house.plan.circuits:
        bench = house.bench[house.bench["circuit"] == circuit.name]
        if len(bench):
            found = (bench["reference_w"] / bench["clamp_w"]).median()
            assert found == pytest.approx(circuit.multiplier, rel=0.04)


def test_gap_inside_a_run_lies_inside_it():
    house = simulate_house(SMALL_FLAT)
    kettle = house.runs[house.runs["circuit"] == "kettle"].iloc[2]
    ((lo, hi),) = house.gaps
    assert house.instant(lo) <= kettle["end"]
    assert house.instant(hi) >= kettle["start"]
    assert not np.isin(np.arange(lo, hi), house.rows).any()


def test_house_toml_is_understood(house, tmp_path):
    written(house, tmp_path / "h")
    schedule = read_schedule(tmp_path / "h")
    names = [c.name for c in schedule.circuits]
    assert names == [m.name for m in house.plan.mains] + [c.name for c in house.plan.circuits]
    multipliers = {c.name: c.clamp.multiplier for c in schedule.circuits}
    assert all(multipliers[c.name] == c.multiplier for c in house.plan.circuits)
    assert all(set(log.columns) == set(names) for log in schedule.logs)


def test_wide_logs_hold_the_readings(tmp_path):
    house = simulate_house(SMALL_ORCHARD)
    written(house, tmp_path, csv_dates=("2026-11-01",))
    first = pq.read_table(tmp_path / "logs" / "2026-10-31.parquet").to_pandas()
    samples = (first["time"] - house.calendar.start.timestamp()).astype(int).to_numpy()
    np.testing.assert_array_equal(first["fridge"], house.readings_w["fridge"][samples])
    assert first["lights"].isna().sum() > 3500
    night = pd.read_csv(tmp_path / "logs" / "2026-11-01.csv.gz")
    assert night["time"].str.startswith("2026-11-01 01:3").sum() > 1190
    assert len(night) > 25 * 3600 - 60


def test_long_logs_hold_the_readings(tmp_path):
    house = simulate_house(SMALL_FLAT)
    written(house, tmp_path)
    log = pd.read_csv(tmp_path / "logs" / "2026-03.csv.gz", sep=";", decimal=",")
    assert not log["tijd"].str.contains("29.03.2026 02:3", regex=False).any()
    heater = log["kW"][log["groep"] == "water_heater"].to_numpy()
    np.testing.assert_allclose(
        heater, house.readings_w["water_heater"][house.rows][: heater.size] / 1000, atol=1e-6
    )
    assert heater.min() < -1
