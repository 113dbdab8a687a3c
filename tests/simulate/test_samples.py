"""The sample houses as they are shipped."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from homeenergy.simulate.__main__ import main

SAMPLES = Path(__file__).parents[2] / "sample_data"
HOUSES = ("orchard_house", "canal_flat")


@pytest.mark.parametrize("name", HOUSES)
def test_every_file_is_there(name):
    folder = SAMPLES / name
    for file in ("house.toml", "meter_readings.csv", "bench.csv", "outdoor.csv"):
        assert (folder / file).stat().st_size > 100
    for file in ("runs", "standby", "clamps", "wiring", "logging"):
        assert len(pd.read_csv(folder / "truth" / f"{file}.csv")) > 0
    assert any((folder / "logs").iterdir())


def test_samples_are_small():
    files = [f for f in SAMPLES.rglob("*") if f.is_file() and "store" not in f.parts]
    assert 5e6 < sum(f.stat().st_size for f in files) < 15e6


@pytest.mark.parametrize("name", HOUSES)
def test_meter_agrees_with_the_true_energy(name):
    folder = SAMPLES / name
    meter = pd.read_csv(folder / "meter_readings.csv")
    assert meter["kwh"].is_monotonic_increasing
    assert (meter["kwh"] % 1 == 0).all()
    total = pd.read_csv(folder / "truth" / "wiring.csv")["energy_kwh"].sum()
    read = meter["kwh"].iloc[-1] - meter["kwh"].iloc[0]
    assert 0.6 * total < read < total


@pytest.mark.parametrize("name", HOUSES)
def test_runs_use_no_more_than_their_circuit(name):
    truth = SAMPLES / name / "truth"
    runs = pd.read_csv(truth / "runs.csv", parse_dates=["start", "end"])
    wiring = pd.read_csv(truth / "wiring.csv").groupby("circuit")["energy_kwh"].sum()
    used = runs.groupby("circuit")["energy_wh"].sum() / 1000
    assert (used <= wiring[used.index] * (1 + 1e-6)).all()
    assert (used > 0.7 * wiring[used.index]).sum() >= 8
    for _, of_circuit in runs.groupby("circuit"):
        starts = of_circuit["start"].to_numpy()[1:]
        assert (starts > of_circuit["end"].to_numpy()[:-1]).all()


def test_logged_energy_is_the_truth_within_the_clamp_errors():
    folder = SAMPLES / "orchard_house"
    logs = pd.concat(
        [pd.read_parquet(f) for f in sorted((folder / "logs").glob("*.parquet"))]
        + [pd.read_csv(f) for f in sorted((folder / "logs").glob("*.csv.gz"))]
    )
    clamps = pd.read_csv(folder / "truth" / "clamps.csv", index_col="circuit")
    wiring = pd.read_csv(folder / "truth" / "wiring.csv").groupby("circuit")["energy_kwh"].sum()
    for circuit in ("freezer", "water_heater", "heat_pump", "kiln", "range"):
        clamp = clamps.loc[circuit]
        ratio = clamp["ratio"] / clamp["right_multiplier"]
        kwh = logs[circuit].sum() / 3.6e6 / ratio
        # Holes of four hours in three weeks, rounding and offset of up to a watt and a half.
        slack = 0.03 * wiring[circuit] + 1.5 * 21 * 24 / 1000
        assert kwh == pytest.approx(wiring[circuit], abs=slack)


@pytest.mark.study
@pytest.mark.parametrize("name", HOUSES)
def test_samples_come_again_from_their_seeds(name, tmp_path):
    assert main([str(tmp_path), "--only", name]) == 0
    again = {f.relative_to(tmp_path): f for f in tmp_path.rglob("*") if f.is_file()}
    assert len(again) > 10
    for path, file in again.items():
        assert file.read_bytes() == (SAMPLES / path).read_bytes(), path


def test_standby_of_the_clamps_is_finite_for_all_that_idle():
    standby = pd.read_csv(SAMPLES / "orchard_house" / "truth" / "standby.csv")
    assert np.isfinite(standby["standby_w"]).all()
    assert standby.groupby("circuit")["share"].sum().to_numpy() == pytest.approx(1.0, abs=1e-3)
