"""What is told about the quality of readings."""

import numpy as np
import pytest

from homeenergy.readings import import_logs, open_house

from .folders import frame, iso_csv, make_house


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
