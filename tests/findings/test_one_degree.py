"""Rooms one degree cooler, or warmer: what it saves follows from the line of days and weather."""

import numpy as np
import pandas as pd
import pytest

from homeenergy.findings import house_findings
from homeenergy.findings.saving.one_degree import one_degree

from .small_house import made_house

DAYS, DAY = 60, 1440


def found_for(folder, *, slope_w, balance_c, celsius, season="strong", base_w=200.0):
    """A load that draws `slope_w` for each degree beyond a balance point, all day."""
    rng = np.random.default_rng(2)
    beyond = np.maximum(balance_c - celsius if slope_w > 0 else celsius - balance_c, 0)
    watts = base_w + abs(slope_w) * beyond * (1 + 0.02 * rng.normal(size=DAYS))
    house = made_house(
        folder / "house",
        {"heater": np.repeat(watts, DAY)},
        circuits={"heater": f'kind = "modulating"\nseason = "{season}"'},
    )
    findings = house_findings(house)
    hours = pd.date_range(findings.start, periods=DAYS * 24, freq="h")
    (finding,) = findings.appliances
    return finding, pd.Series(np.repeat(celsius, 24), index=hours)


@pytest.mark.parametrize("slope_w", [50.0, -50.0])
def test_a_degree_saves_the_slope_on_each_day_beyond_the_balance_point(tmp_path, slope_w):
    celsius = 14 + 12 * np.sin(np.arange(DAYS) * 0.7)
    balance_c = 16.0 if slope_w > 0 else 12.0
    finding, outdoor = found_for(tmp_path, slope_w=slope_w, balance_c=balance_c, celsius=celsius)
    (action,) = one_degree(finding, outdoor=outdoor)
    away = balance_c - celsius if slope_w > 0 else celsius - balance_c
    saved = abs(slope_w) * (np.maximum(away, 0) - np.maximum(away - 1, 0))  # by hand
    kwh = action.saving.kwh_per_year
    assert kwh.value == pytest.approx(saved.mean() * 8.760, rel=0.03)
    assert kwh.low < saved.mean() * 8.760 < kwh.high
    assert ("cooler" if slope_w > 0 else "warmer") in action.do.text
    assert action.is_sure
    figures = action.rests_on[0].figures
    assert figures["degree_kwh"].value == pytest.approx(abs(slope_w) * 0.024, rel=0.03)
    assert figures["saved_share"] == pytest.approx(
        saved.mean() * 0.024 / finding.kwh_per_day.value, rel=0.03
    )


def test_nothing_is_said_of_what_does_not_follow_the_weather(tmp_path):
    celsius = 8 + 4 * np.sin(np.arange(DAYS) * 0.7)
    flat, outdoor = found_for(tmp_path / "flat", slope_w=0.0, balance_c=16.0, celsius=celsius)
    assert one_degree(flat, outdoor=outdoor) == []
    assert one_degree(flat, outdoor=None) == []
    fridge, outdoor = found_for(
        tmp_path / "fridge", slope_w=-2.0, balance_c=5.0, celsius=celsius, season="some"
    )
    assert one_degree(fridge, outdoor=outdoor) == []
