"""Coarse steps of the readings, told from all circuits of a log together."""

import numpy as np
import pandas as pd
import pytest

import homeenergy as he
from homeenergy.trust.coarse_logs import coarse_steps_w

PERIOD_S, DAYS = 60, 8
N = DAYS * 86_400 // PERIOD_S


def house_in_steps(folder, step_w):
    """A fan that never stops, a refrigerator and a kettle, read in steps; true kWh per day."""
    rng = np.random.default_rng(77)
    minute = np.arange(N)
    loads = {
        "fan": np.full(N, 32.0),
        "fridge": np.where(minute % 45 < 16, 95.0, 3.0),
        "kettle": np.where(minute % 720 < 4, 2040.0, 0.0),
    }
    read = {k: np.maximum(w + rng.normal(0, 8 + 0.03 * w), 0) for k, w in loads.items()}
    table = pd.DataFrame({k: np.round(w / step_w) * step_w for k, w in read.items()})
    table.insert(0, "time", pd.date_range("2026-03-02", periods=N, freq=f"{PERIOD_S}s", tz="UTC"))
    table.to_csv(folder / "log.csv", index=False)
    he.new_house(folder / "house", logs=[folder / "log.csv"], timezone="UTC")
    he.import_logs(folder / "house")
    kwh = {name: w.mean() * 24 / 1000 for name, w in loads.items()}
    return he.open_house(folder / "house"), kwh


def test_steps_of_100_w_are_said_and_the_interval_holds_the_truth(tmp_path):
    house, true_kwh = house_in_steps(tmp_path, 100.0)
    assert coarse_steps_w(house) == dict.fromkeys(true_kwh, 100.0)
    for one in he.house_findings(house).appliances:
        assert one.kwh_per_day.low <= true_kwh[one.circuit] <= one.kwh_per_day.high
        assert any("steps of 100 W" in remark for remark in one.remarks)
        assert not one.standby_w.resolved


@pytest.mark.parametrize("step_w", [1.0, 10.0])
def test_finer_steps_are_left_to_each_circuit(tmp_path, step_w):
    house, _ = house_in_steps(tmp_path, step_w)
    assert coarse_steps_w(house) == {}
    for one in he.house_findings(house).appliances:
        assert not any("as all its circuits show" in remark for remark in one.remarks)


def test_loads_of_a_level_or_two_each_have_no_coarse_step(tmp_path):
    """Switched loads of 500, 1,000 and 1,500 W: all multiples of 500 W, and no step of a logger."""
    at = np.arange(N)
    table = pd.DataFrame(
        {
            "heater": np.where(at % 90 < 30, 500.0, 0.0),
            "iron": np.where(at % 400 < 20, 1000.0, 0.0),
            "oven": np.where(at % 700 < 60, np.where(at % 700 < 20, 1500.0, 500.0), 0.0),
        }
    )
    table.insert(0, "time", pd.date_range("2026-03-02", periods=N, freq="60s", tz="UTC"))
    table.to_csv(tmp_path / "log.csv", index=False)
    he.new_house(tmp_path / "house", logs=[tmp_path / "log.csv"], timezone="UTC")
    he.import_logs(tmp_path / "house")
    assert coarse_steps_w(he.open_house(tmp_path / "house")) == {}
