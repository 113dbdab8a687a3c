"""The shape of each run in a few numbers: energy, duration, time at high power, heatings."""

from __future__ import annotations

import numpy as np
import pandas as pd

from homeenergy.cycles.result import Cycles
from homeenergy.units import S_PER_H

# High power is nearer to the level at which most energy is used than to rest.
HIGH_LEVEL, LEVEL_OF_MOST_ENERGY = 0.5, 0.75
# A thermostat's or a valve's break in one heating, and a surge that is none. Own rule.
SHORTEST_BREAK_S, SHORTEST_HEATING_S = 90.0, 30.0


def run_shapes(cycles: Cycles) -> pd.DataFrame:
    """Describe each run by what tells programmes apart.

    Parameters
    ----------
    cycles : Cycles

    Returns
    -------
    pandas.DataFrame
        Indexed as `cycles.table`: energy_wh (above standby), duration_s, high_share (of the run's
        time at high power, 0 to 1), heatings (stretches at high power; breaks shorter than 90 s
        do not part them). `attrs["high_w"]` is the power that counts as high [W]: half way from
        rest to the level below which three quarters of the energy of all complete runs is used.
    """
    table, plateaus = cycles.table, cycles.plateaus
    sign = -1.0 if cycles.settings.get("backwards") else 1.0
    a = np.searchsorted(plateaus.first, plateaus.numbers(table["start"]))
    b = np.searchsorted(plateaus.stop, plateaus.numbers(table["end"])) + 1
    level_w = sign * plateaus.mean_w
    rest_w = sign * cycles.rest.measured_w
    rest_w = rest_w if np.isfinite(rest_w) else 0.0
    within = _within(a[table["complete"]], b[table["complete"]], len(plateaus))
    high_w = _high_w(level_w[within], plateaus.n[within], rest_w=rest_w)
    high = level_w >= high_w
    high_n = np.r_[0, np.cumsum(np.where(high, plateaus.n, 0))]
    all_n = np.r_[0, np.cumsum(plateaus.n)]
    edge_s = plateaus.period_s
    heatings = [
        _heatings(plateaus.first[i:j][high[i:j]], plateaus.stop[i:j][high[i:j]], period_s=edge_s)
        for i, j in zip(a, b, strict=True)
    ]
    shapes = pd.DataFrame(
        {
            "energy_wh": sign * table["above_standby_wh"],
            "duration_s": table["duration_s"],
            "high_share": (high_n[b] - high_n[a]) / np.maximum(all_n[b] - all_n[a], 1),
            "heatings": np.array(heatings, dtype=np.int64),
        },
        index=table.index,
    )
    shapes.attrs["high_w"] = high_w
    return shapes


def _within(a: np.ndarray, b: np.ndarray, count: int) -> np.ndarray:
    """Which of `count` plateaus lie in one of the runs [a, b)."""
    marks = np.zeros(count + 1, np.int64)
    np.add.at(marks, a, 1)
    np.add.at(marks, b, -1)
    return np.cumsum(marks)[:-1] > 0


def _high_w(level_w: np.ndarray, n: np.ndarray, *, rest_w: float) -> float:
    """Power from which on it counts as high [W]; infinite where nothing is above rest."""
    used_wh = np.maximum(level_w - rest_w, 0.0) * n / S_PER_H
    if not used_wh.sum() > 0:
        return float("inf")
    order = np.argsort(level_w, kind="stable")
    upto = np.cumsum(used_wh[order]) / used_wh.sum()
    most_w = level_w[order][np.searchsorted(upto, LEVEL_OF_MOST_ENERGY)]
    return float(rest_w + HIGH_LEVEL * (most_w - rest_w))


def _heatings(first: np.ndarray, stop: np.ndarray, *, period_s: float) -> int:
    """Stretches at high power, from the first and stop samples of the plateaus there."""
    if not first.size:
        return 0
    parts = np.r_[True, (first[1:] - stop[:-1]) * period_s >= SHORTEST_BREAK_S]
    begins = first[parts]
    ends = stop[np.r_[parts[1:], True]]
    return int(np.sum((ends - begins) * period_s >= min(SHORTEST_HEATING_S, period_s * 1.5)))
