"""Degree days, and means of local days, against figures worked by hand and published ones."""

import numpy as np
import pandas as pd
import pytest

from homeenergy.findings.weather.models import daily_temperature, degree_days


def test_glossary_examples_in_fahrenheit():
    """Glossary of the U.S. Environmental Protection Agency, and a city's list of questions."""
    assert degree_days((60.0 + 40.0) / 2, base_c=65.0) == 15.0
    assert degree_days((90.0 + 70.0) / 2, base_c=65.0, season="cooling") == 15.0
    assert degree_days(50.0, base_c=65.0) == 15.0
    assert degree_days(75.0, base_c=65.0, season="cooling") == 10.0
    assert degree_days(75.0, base_c=65.0) == 0.0


def test_the_same_days_in_celsius():
    celsius = (np.array([50.0, 75.0]) - 32) / 1.8
    assert degree_days(celsius, base_c=(65 - 32) / 1.8) * 1.8 == pytest.approx([15.0, 0.0])


def test_bad_arguments():
    with pytest.raises(ValueError, match="season must be"):
        degree_days(1.0, base_c=2.0, season="winter")
    assert np.isnan(degree_days(np.nan, base_c=15.0))


def test_day_of_25_hours_is_weighted_by_time():
    """Clocks go back in Denver on 1 November 2026: that day has 25 h."""
    index = pd.date_range("2026-11-01T06:00Z", "2026-11-02T07:00Z", freq="h")
    outdoor = pd.Series(np.arange(26.0), index=index)
    table = daily_temperature(outdoor, timezone="America/Denver")
    assert len(table) == 1
    row = table.iloc[0]
    assert (row["day_h"], row["covered_h"]) == (25.0, 25.0)
    assert row["mean_c"] == pytest.approx(12.5)
    assert (row["min_c"], row["max_c"]) == (0.0, 25.0)


def test_irregular_readings_are_weighted_by_the_time_they_stand_for():
    """Two hours at 0, then a line to 10 in two hours: mean (0 x 2 + 5 x 2) / 4."""
    index = pd.DatetimeIndex(
        ["2026-01-01T00:00Z", "2026-01-01T01:00Z", "2026-01-01T02:00Z", "2026-01-01T04:00Z"]
    )
    row = daily_temperature(pd.Series([0.0, 0.0, 0.0, 10.0], index=index)).iloc[0]
    assert row["mean_c"] == pytest.approx(2.5)
    assert row["covered_h"] == 4.0


def test_a_hole_is_not_covered():
    index = pd.date_range("2026-01-01", periods=49, freq="h", tz="UTC")
    outdoor = pd.Series(5.0, index=index).drop(index[6:18])
    table = daily_temperature(outdoor)
    assert table["covered_h"].tolist() == [11.0, 24.0]
    assert table["mean_c"].tolist() == [5.0, 5.0]


def test_a_file_of_daily_means_counts_for_its_local_day():
    index = pd.date_range("2026-03-28", periods=3, freq="D", tz="Europe/Amsterdam")
    outdoor = pd.Series([1.0, 2.0, 3.0], index=index.tz_convert("UTC"))
    table = daily_temperature(outdoor, timezone="Europe/Amsterdam")
    assert table["mean_c"].tolist() == [1.0, 2.0, 3.0]
    assert table["day_h"].tolist() == [24.0, 23.0, 24.0]
    assert table["covered_h"].tolist() == [24.0, 23.0, 24.0]


def test_hourly_readings_equal_pandas_on_days_without_holes():
    rng = np.random.default_rng(4)
    index = pd.date_range("2026-02-01", periods=24 * 5 * 60 + 1, freq="min", tz="UTC")
    outdoor = pd.Series(rng.normal(size=index.size).cumsum() / 50, index=index)
    middle = (outdoor + outdoor.shift(-1)) / 2  # a line's mean over its minute
    wanted = middle.dropna().groupby(middle.dropna().index.normalize()).mean()
    found = daily_temperature(outdoor)
    assert found["mean_c"].to_numpy() == pytest.approx(wanted.to_numpy(), abs=1e-9)


def test_temperatures_need_a_time_zone():
    index = pd.date_range("2026-01-01", periods=5, freq="h")
    with pytest.raises(ValueError, match="time zone"):
        daily_temperature(pd.Series(1.0, index=index))
