"""A house whose circuits were logged at 1 s for a year, made of simulated months."""

from __future__ import annotations

from functools import cache
from itertools import islice, pairwise

import numpy as np
import pandas as pd
import pytest

from homeenergy.readings.store.store import MonthInfo, Store
from homeenergy.simulate import simulate_appliance

YEAR = 2025
YEAR_CIRCUITS = {"fridge": "refrigerator", "tv": "television", "washer": "washing_machine"}
# One of them in the tests that guard a change, all in the studies.
YEAR_CASES = [
    pytest.param(name, marks=() if name == "washer" else pytest.mark.study)
    for name in YEAR_CIRCUITS
]
NS_PER_S = 1_000_000_000


@cache
def month_of(appliance: str, noise_w: float) -> np.ndarray:
    """Watts of a month of 31 days, made once for all circuits with such an appliance."""
    truth = simulate_appliance(appliance, days=31, seed=3001, noise_w=noise_w, resolution_w=1.0)
    return truth.trace.watts


def month_starts(year: int = YEAR) -> pd.DatetimeIndex:
    return pd.date_range(f"{year}-01-01", periods=13, freq="MS", tz="UTC")


def write_year(folder, circuits: dict[str, str], *, months: int = 12, noise_w: float = 1.0):
    """Store `months` months of each circuit (name: appliance); a month of 31 days, again and again.

    The months go through the store's own writer, so reading them is what reading a house costs.
    """
    lines = ['name = "Year house"\ntimezone = "UTC"\n\n[supply]\nsystem = "single-phase"\n']
    store = Store(folder / "store")
    starts = month_starts()
    for name, appliance in circuits.items():
        lines.append(f'[[circuit]]\nname = "{name}"\n')
        month = month_of(appliance, noise_w)
        for first, after in islice(pairwise(starts), months):
            n = int((after - first).total_seconds())
            info = MonthInfo(
                circuit=name,
                month=f"{first:%Y-%m}",
                first_slot=first.value // NS_PER_S,
                samples=n,
                period_ns=NS_PER_S,
                signature="made",
                rows=n,
            )
            store.write(info, np.ascontiguousarray(month[:n]))
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "house.toml").write_text("\n".join(lines), encoding="utf-8")
    return folder
