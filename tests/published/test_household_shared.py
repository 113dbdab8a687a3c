"""A real clamp that two appliances share: sub-meter 3, water heater and air conditioner.

The data set: see `household.py`. It says of sub-meter 3 which two appliances it feeds, not when
each ran; what is known is the season. Paris is warm from May to September and cold from November to
March (any table of climate normals), pulses of 0.7 kW are seen from April 2008 on
(`test_household.py`), and a water heater takes less where water comes in warmer.
"""

import numpy as np
import pandas as pd
import pytest

from homeenergy.cycles import split_loads
from homeenergy.readings.trace import Trace

from .household import HOUSE_ZONE

WARM, COLD = (5, 6, 7, 8, 9), (11, 12, 1, 2, 3)


def year_of(plain, year):
    watts = plain.loc[str(year), "Sub_metering_3"] * 60.0
    start = watts.index[0].tz_localize(HOUSE_ZONE).tz_convert("UTC")
    trace = Trace(label="sub 3", start=start, period_s=60.0, watts=watts.to_numpy(np.float32))
    return watts, split_loads(trace, n=2)


@pytest.fixture(scope="module")
def split_2008(plain):
    watts, shared = year_of(plain, 2008)
    frame = pd.DataFrame(
        {name: t.watts.astype(np.float64) for name, t in shared.traces.items()}, index=watts.index
    )
    return watts, shared, frame


def test_the_year_before_the_air_conditioner_has_one_load(plain):
    _, shared = year_of(plain, 2007)
    assert not shared.told
    assert any("only one size of draw" in why for why in shared.reasons)


def test_loads_follow_the_season(split_2008):
    _, shared, frame = split_2008
    assert shared.odds_of_several > 100
    by_day = frame.resample("D").sum() / 60_000
    heater, cooler = (by_day[name].groupby(by_day.index.month).mean() for name in frame)
    assert cooler[[1, 2, 3]].max() < 0.02
    assert cooler[list(WARM)].min() > 2 * cooler[list(COLD)].max()
    assert heater[list(WARM)].mean() < 0.8 * heater[list(COLD)].mean()


def test_long_heatings_stay_whole_and_short_pulses_are_the_other_load(split_2008):
    """Stretches of minutes with 5 Wh or more, as in `test_household.py`."""
    watts, _, frame = split_2008
    on = watts.to_numpy() >= 300
    edges = np.flatnonzero(np.diff(np.r_[0, on.astype(np.int8), 0])).reshape(-1, 2)
    upto = np.r_[np.zeros((1, 2)), np.cumsum(frame.to_numpy(), axis=0)]
    drawn = upto[edges[:, 1]] - upto[edges[:, 0]]
    length = edges[:, 1] - edges[:, 0]
    mean_w = drawn.sum(axis=1) / length
    heater = drawn[:, 0] / drawn.sum(axis=1)
    long = (length >= 30) & (mean_w > 900)
    short = (length <= 10) & (mean_w < 800)
    assert long.sum() > 1000
    assert short.sum() > 1000
    assert np.mean(heater[long] > 0.9) > 0.9
    assert np.mean(heater[short] < 0.1) > 0.9
