"""Mains and circuits that are logged at paces of their own."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from homeenergy.errors import HouseError
from homeenergy.readings import import_logs, open_house
from homeenergy.readings.trace import Trace
from homeenergy.trust import panel_balance
from homeenergy.trust.panel.common_grid import coarser, common_period_s

DAY_S = 86_400
START = pd.Timestamp("2026-03-02T00:00Z")


@given(
    size=st.integers(2, 12),
    late=st.integers(0, 40),
    watts=st.lists(st.floats(-3000, 9000, width=32), max_size=80),
)
def test_longer_samples_are_the_means_that_pandas_gives(size, late, watts):
    start = START + pd.Timedelta(seconds=late)
    trace = Trace(label="oven", start=start, period_s=1, watts=np.array(watts))
    found = coarser(trace, float(size))
    index = pd.date_range(start, periods=len(watts), freq="1s")
    by = pd.Series(watts, index=index, dtype=np.float64).resample(f"{size}s", origin="epoch")
    expected = by.mean()[by.count() == size]
    assert found.period_s == size
    assert found.watts == pytest.approx(expected.to_numpy(), abs=1e-3)
    if len(found):
        assert found.start == expected.index[0]


def test_a_sample_that_misses_one_is_missing_and_one_with_a_doubt_is_in_doubt():
    watts = np.array([1, 2, np.nan, 4, 5, 6], dtype=np.float32)
    doubt = np.array([0, 3, 0, 0, 0, 0], dtype=np.uint8)
    found = coarser(Trace(label="oven", start=START, period_s=1, watts=watts, doubt=doubt), 2.0)
    np.testing.assert_array_equal(found.watts, [1.5, np.nan, 5.5])
    assert found.doubt.tolist() == [3, 0, 0]


def test_the_common_period_holds_whole_numbers_of_all():
    assert common_period_s([1, 3]) == 3
    assert common_period_s([4, 10, 1]) == 20
    assert common_period_s([900.0]) == 900
    with pytest.raises(HouseError, match="periods of 1 s and 900 s"):
        common_period_s([1, 900])


def test_a_clamp_is_found_backwards_beside_mains_of_another_pace(tmp_path):
    """Mains every second, a kettle every 2 s, a heater backwards every 4 s."""
    rng = np.random.default_rng(4)
    days = 2
    kettle, heater = np.zeros(days * DAY_S), np.zeros(days * DAY_S)
    for day in range(days):
        for hour in rng.uniform(6, 22, 8):
            at = int(day * DAY_S + hour * 3600)
            kettle[at : at + 160] = 2000
        for hour in rng.uniform(0, 23, 8):
            at = int(day * DAY_S + hour * 3600)
            heater[at : at + 900] = 800
    mains = kettle + heater + 150 + rng.normal(0, 2, kettle.size)
    logs = {"mains": (mains, 1), "kettle": (kettle, 2), "heater": (-heater, 4)}
    circuits, blocks = ['name = "Mill house"', 'timezone = "UTC"'], []
    for name, (watts, period_s) in logs.items():
        own = watts.reshape(-1, period_s).mean(axis=1).round(1)
        index = pd.date_range(START, periods=own.size, freq=f"{period_s}s", name="time")
        (tmp_path / "logs").mkdir(exist_ok=True)
        pd.Series(own, index=index, name=name).to_csv(tmp_path / "logs" / f"{name}.csv")
        role = 'role = "mains"' if name == "mains" else ""
        circuits += ["[[circuit]]", f'name = "{name}"', role]
        blocks += ["[[log]]", f'files = "logs/{name}.csv"', f'columns.{name} = "{name}"']
    text = "\n".join([*circuits, *blocks])
    (tmp_path / "house.toml").write_text(text, encoding="utf-8")
    import_logs(tmp_path)
    balance = panel_balance(open_house(tmp_path))
    assert balance.period_s == 4
    judged = {one.circuit: one for one in balance.circuits}
    assert balance.explanation.circuits["heater"].factor == pytest.approx(-1, abs=0.02)
    assert judged["kettle"].answer == "agrees"
    assert balance.base_w.value == pytest.approx(150, abs=3)
