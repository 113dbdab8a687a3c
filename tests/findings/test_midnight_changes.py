"""Days in zones whose clocks change at midnight."""

import numpy as np
import pandas as pd
import pytest

from homeenergy.findings import daily_energy
from homeenergy.readings import Trace


@pytest.mark.parametrize(
    ("zone", "start", "changed", "length_h"),
    [
        ("America/Santiago", "2026-09-04T04:00Z", "2026-09-06", 23),
        ("Africa/Cairo", "2026-04-22T22:00Z", "2026-04-24", 23),
        ("America/Havana", "2026-10-30T04:00Z", "2026-11-01", 25),
    ],
)
def test_day_of_the_change_has_its_own_length(zone, start, changed, length_h):
    trace = Trace(
        label="heater",
        start=pd.Timestamp(start),
        period_s=60,
        watts=np.full(5 * 1440, 1000, dtype=np.float32),
    )
    days = daily_energy(trace, timezone=zone)
    day = days[days["day"].dt.strftime("%Y-%m-%d") == changed].iloc[0]
    assert day["day_h"] == length_h
    assert day["kwh"] == pytest.approx(length_h)
    assert days["kwh"].sum() == pytest.approx(120)
