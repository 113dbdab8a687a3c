"""Panel balance of 30 days of 16 circuits at 1 s, by the time of reading their columns."""

import os
import sys

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest

from homeenergy.readings import open_house
from homeenergy.readings.store.store import MonthInfo, Store
from homeenergy.simulate import simulate_appliance
from homeenergy.trust import panel_balance

from .timing import by_turns

pytestmark = pytest.mark.slow

DAYS = 30
APPLIANCES = ("refrigerator", "television", "washing_machine", "water_heater")
AIM_TIMES, MOST_TIMES = 4, 8  # the second holds on a busy machine


START = pd.Timestamp("2026-04-01", tz="UTC")
LEGS = ("L1", "L2")


def store_circuit(store, name, watts, *, role, leg):
    """Store a circuit's month; gives its lines of house.toml."""
    info = MonthInfo(
        circuit=name,
        month="2026-04",
        first_slot=START.value // 10**9,
        samples=watts.size,
        period_ns=10**9,
        signature="made",
        rows=watts.size,
    )
    store.write(info, np.round(watts).astype(np.float32))
    return f'[[circuit]]\nname = "{name}"\nrole = "{role}"\nlegs = ["{leg}"]\n'


@pytest.fixture(scope="module")
def house(tmp_path_factory):
    """Four simulated appliances, each on four circuits at other times of the day; both mains."""
    folder = tmp_path_factory.mktemp("panel")
    store = Store(folder / "store")
    months = [simulate_appliance(a, days=DAYS, seed=77).trace.watts for a in APPLIANCES]
    legs_w = {leg: np.full(months[0].size, 60.0, dtype=np.float32) for leg in LEGS}
    text = 'timezone = "UTC"\n[supply]\nsystem = "split-phase"\n'
    for k in range(16):
        watts = np.roll(months[k % 4], 4001 * k)
        leg = LEGS[k % 2]
        legs_w[leg] += watts
        text += store_circuit(store, f"circuit_{k}", watts, role="load", leg=leg)
    for leg, watts in legs_w.items():
        text += store_circuit(store, f"mains_{leg}", watts, role="mains", leg=leg)
    (folder / "house.toml").write_text(text)
    return open_house(folder)


def read_columns(house):
    paths = sorted((house.path / "store").glob("*/*.parquet"))
    return sum(pq.read_table(p, columns=["watts"])["watts"].to_numpy().size for p in paths)


def test_balance_of_a_month_takes_less_than_four_times_reading(house, pytestconfig):
    assert read_columns(house) == 18 * DAYS * 86_400
    found = panel_balance(house)
    assert not [c for c in found.concerns if c.weight == "wrong"]
    balance_s, reading_s = by_turns(
        lambda: panel_balance(house), lambda: read_columns(house), aim=AIM_TIMES
    )
    capture = pytestconfig.pluginmanager.getplugin("capturemanager")
    with capture.global_and_fixture_disabled():
        sys.stdout.write(
            f"\npanel balance of {DAYS} days of 16 circuits and 2 mains, by reading them: "
            f"{balance_s:.2f} s / {reading_s:.2f} s = {balance_s / reading_s:.1f}, "
            f"aim {AIM_TIMES}, limit {MOST_TIMES} (load of the machine {os.getloadavg()[0]:.1f})\n"
        )
    assert balance_s < MOST_TIMES * reading_s
