import numpy as np
import pandas as pd
import pytest

from homeenergy.simulate import simulate_appliance
from homeenergy.simulate.appliances.catalogue import appliance_names

DAYS = 6


@pytest.fixture(scope="module", params=appliance_names())
def circuit(request):
    return simulate_appliance(request.param, days=DAYS, seed=11)


def seconds_from_start(circuit, column):
    since = circuit.runs[column] - circuit.true_trace.start
    return (since / pd.Timedelta(seconds=1)).round().astype(int).to_numpy()


def test_runs_are_in_order_and_apart(circuit):
    starts, ends = seconds_from_start(circuit, "start"), seconds_from_start(circuit, "end")
    assert (ends > starts).all()
    assert (starts[1:] > ends[:-1]).all()
    assert ends.max(initial=0) <= DAYS * 86400


def test_energy_of_runs_is_what_the_trace_holds(circuit):
    watts = circuit.true_trace.watts.astype(np.float64)
    starts, ends = seconds_from_start(circuit, "start"), seconds_from_start(circuit, "end")
    energies = [watts[a:b].sum() / 3600 for a, b in zip(starts, ends, strict=True)]
    assert circuit.runs["energy_wh"].to_numpy() == pytest.approx(np.array(energies), rel=1e-5)


@pytest.mark.parametrize(
    "name", ["water_heater", "freezer", "kettle", "oven", "dishwasher", "kiln", "heat_pump"]
)
def test_runs_and_standby_add_up_to_the_trace(name):
    for seed in range(40, 46):
        circuit = simulate_appliance(name, days=DAYS, seed=seed)
        idle_s = (
            DAYS * 86400 - (circuit.runs["end"] - circuit.runs["start"]).dt.total_seconds().sum()
        )
        total = circuit.runs["energy_wh"].sum() + circuit.standby_w * idle_s / 3600
        extra = circuit.true_trace.energy_wh - total
        if name == "dishwasher":  # its display may stay on after the end, at up to 9 W for 3 h
            assert -1e-3 <= extra <= 9 * 3 * 2 * DAYS
        else:
            assert extra == pytest.approx(0.0, abs=1e-4 * total)


def test_power_is_never_negative(circuit):
    assert circuit.true_trace.watts.min() >= 0


def test_same_seed_same_second(circuit):
    again = simulate_appliance(circuit.name, days=DAYS, seed=11)
    assert again.trace.watts.tobytes() == circuit.trace.watts.tobytes()
    pd.testing.assert_frame_equal(again.runs, circuit.runs)


def test_another_seed_is_another_make(circuit):
    other = simulate_appliance(circuit.name, days=DAYS, seed=12)
    assert other.trace.watts.tobytes() != circuit.trace.watts.tobytes()


def test_every_kind_is_there():
    kinds = {simulate_appliance(n, days=1, seed=1).kind for n in appliance_names()}
    assert kinds == {"thermostatic", "batch", "manual", "modulating", "continuous"}


def test_longer_periods_are_means():
    fine = simulate_appliance("kettle", days=2, seed=5)
    coarse = simulate_appliance("kettle", days=2, seed=5, period_s=60)
    mean = fine.trace.watts.reshape(-1, 60).mean(axis=1)
    np.testing.assert_allclose(coarse.trace.watts, mean, rtol=1e-4, atol=1e-3)
    pd.testing.assert_frame_equal(coarse.runs, fine.runs)


def test_noise_and_rounding_are_on_the_trace_only():
    clean = simulate_appliance("freezer", days=1, seed=3)
    noisy = simulate_appliance("freezer", days=1, seed=3, noise_w=4.0, resolution_w=2.0)
    assert set(np.unique(noisy.trace.watts % 2)) == {0.0}
    spread = np.std(noisy.trace.watts - clean.trace.watts)
    assert spread == pytest.approx(np.hypot(4.0, 2.0 / np.sqrt(12)), rel=0.03)
    pd.testing.assert_frame_equal(noisy.runs, clean.runs)


def test_days_are_local_days():
    night = simulate_appliance(
        "router", days=1, seed=1, start="2026-11-01", timezone="America/Denver"
    )
    assert len(night.trace) == 25 * 3600
    assert night.trace.start == pd.Timestamp("2026-11-01 06:00", tz="UTC")


@pytest.mark.parametrize(
    ("change", "words"),
    [({"name": "unicorn"}, "choose one of"), ({"period_s": 1.5}, "whole"), ({"days": 0}, "days")],
)
def test_nonsense_is_refused(change, words):
    options = {"name": "kettle", "days": 1, "seed": 1} | change
    with pytest.raises(ValueError, match=words):
        simulate_appliance(options.pop("name"), **options)
