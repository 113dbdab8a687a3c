"""What is told about the quality of readings."""

import numpy as np
import pytest

from homeenergy.readings import import_logs, open_house
from homeenergy.readings.quality import count_spikes, longest_stuck

from .folders import frame, iso_csv, make_house


def idle(number, seed=0):
    return np.round(5 + np.random.default_rng(seed).normal(0, 0.6, number)).astype("f4")


def test_lone_samples_are_spikes():
    watts = idle(5000)
    watts[[100, 900, 4000]] = [150, 2500, 4900]
    assert count_spikes(watts) == 3


def test_inrush_and_short_runs_are_no_spikes():
    watts = idle(5000)
    watts[100:700] += 120
    watts[100] = 1300  # inrush, then the compressor runs on
    watts[2000:2004] = 2000  # four samples are a use
    assert count_spikes(watts) == 0


def test_a_sample_beside_a_gap_is_no_spike():
    watts = idle(100)
    watts[50], watts[51] = 900, np.nan
    assert count_spikes(watts) == 0


def test_a_value_frozen_on_a_live_circuit_is_stuck():
    watts = (300 + np.random.default_rng(1).normal(0, 40, 20_000)).astype("f4")
    watts[7000:7400] = watts[7000]
    assert longest_stuck(watts) == 400


@pytest.mark.parametrize("level", [0, 3, 60])
def test_a_steady_load_in_whole_watts_is_not_stuck(level):
    watts = np.round(level + np.random.default_rng(2).normal(0, 0.2, 20_000)).astype("f4")
    watts[watts < 0] = 0
    assert longest_stuck(watts) == 0


def test_quality_of_a_house(tmp_path):
    whole = frame("2026-02-27", 40_000)
    whole.iloc[50:60, 0] = np.nan
    text = iso_csv(whole.drop(whole.index[1000:1500]))
    import_logs(make_house(tmp_path, {"a.csv": text}))
    table = open_house(tmp_path).quality()
    fridge, oven = table.loc["fridge"], table.loc["oven"]
    assert (fridge["gaps"], oven["gaps"]) == (2, 1)
    # 500 rows are missing; the row before is not held across so long a step.
    assert oven["longest_gap_s"] == 5000
    assert oven["coverage"] == pytest.approx(39_500 / 40_000)
    assert fridge["coverage"] == pytest.approx(39_490 / 40_000)
    assert oven["rows"] == 39_500
    kept = whole["oven"].drop(whole.index[1000:1500])
    assert kept.min() >= -5  # too little to be told from noise as large as these steps
    assert oven["negative_share"] == 0
    assert (oven["first"], oven["last"]) == (whole.index[0], whole.index[-1] + whole.index.freq)


@pytest.mark.parametrize(
    ("level", "noise", "decimals", "low", "high"),
    [
        (0.0, 0.5, 1, 0.0, 0.01),
        (0.0, 0.5, 0, 0.0, 0.01),
        (-2.0, 0.2, 1, 0.89, 0.91),
        (-2.0, 0.0, 1, 0.9, 0.9),
        (-40.0, 8.0, 1, 0.89, 0.91),
    ],
)
def test_noise_around_zero_is_not_negative_power(tmp_path, level, noise, decimals, low, high):
    """A tenth of the time 1500 W, else a level with noise."""
    rng = np.random.default_rng(4)
    watts = np.where(np.arange(20_000) % 1000 < 100, 1500.0, level) + rng.normal(0, noise, 20_000)
    table = frame("2026-03-01", 20_000, circuits=["oven"])
    table["oven"] = np.round(watts, decimals)
    log = '[[log]]\nfiles = "logs/*.csv"\n[log.columns]\noven = "oven"\n'
    import_logs(make_house(tmp_path, {"a.csv": iso_csv(table)}, log=log, circuits=["oven"]))
    share = open_house(tmp_path).quality().loc["oven", "negative_share"]
    assert low <= share <= high
