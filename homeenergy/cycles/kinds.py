"""Kinds: how an appliance behaves, inferred from its plateaus and runs."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from homeenergy.cycles.fragments import Fragments
from homeenergy.cycles.plateaus import Plateaus
from homeenergy.house.schedule import Kind
from homeenergy.units import S_PER_DAY

# A machine with a heater and a motor has working levels this far apart; an element, a lamp or a
# compressor has not.
MIXED_RATIO = 4.0


def _working_levels(
    plateaus: Plateaus, fragments: Fragments, *, idle_w: float
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Levels above idle [W], ascending, and samples, of all plateaus inside fragments."""
    inside = np.zeros(len(plateaus) + 1, np.int64)
    np.add.at(inside, fragments.first_plateau, 1)
    np.add.at(inside, fragments.stop_plateau, -1)
    inside = np.cumsum(inside)[:-1] > 0
    excess = plateaus.mean_w[inside] - idle_w
    order = np.argsort(excess, kind="stable")
    return excess[order], plateaus.n[inside][order]


def is_mixed(plateaus: Plateaus, fragments: Fragments, *, idle_w: float) -> bool:
    """Whether work is done at levels far apart, as by a machine with a heater and a motor."""
    excess, n = _working_levels(plateaus, fragments, idle_w=idle_w)
    if not n.size:
        return False
    upto = np.cumsum(n) / n.sum()
    low, high = excess[np.searchsorted(upto, [0.15, 0.9])]
    return bool(high >= MIXED_RATIO * low)


def infer_kind(
    plateaus: Plateaus,
    fragments: Fragments,
    runs: list[tuple[int, int]],
    first: NDArray[np.int64],
    stop: NDArray[np.int64],
    *,
    mixed: bool,
    idle_w: float,
) -> tuple[Kind, float]:
    """Kind of an appliance and how sure that is (0 to 1).

    Never at rest, or nothing that stands out: continuous. Working levels far apart: batch. Levels
    that wander over long runs: modulating. Many alike runs spread evenly over day and night:
    thermostatic. Else a person switches it. Own rules.
    """
    covered_n = int(plateaus.n.sum())
    if not len(runs) or not covered_n:
        return "continuous", 0.9 if len(plateaus) < 50 else 0.6
    period_s = plateaus.period_s
    lasts_s = (stop - first) * period_s
    share = lasts_s.sum() / (covered_n * period_s)
    if share > 0.98:
        return "continuous", 0.6
    excess, n = _working_levels(plateaus, fragments, idle_w=idle_w)
    upto = np.cumsum(n) / n.sum()
    low, high = excess[np.searchsorted(upto, [0.1, 0.9])]
    spread = high / max(low, 1e-9)
    per_day = len(runs) * S_PER_DAY / (covered_n * period_s)
    every_s = np.diff(first) * period_s
    even = float(np.std(every_s) / np.mean(every_s)) if every_s.size > 2 else np.inf
    if per_day >= 4 and even < 0.75 and spread < 3:
        return "thermostatic", float(np.clip(1.1 - 0.8 * even, 0.5, 0.99))
    if spread >= 2 and np.median(lasts_s) > 600 and share > 0.2 and not _few_levels(excess, n):
        return "modulating", float(np.clip(0.3 + 0.15 * spread, 0.4, 0.9))
    if mixed:
        return "batch", float(np.clip(0.4 + 0.05 * spread, 0.5, 0.95))
    return "manual", float(np.clip(0.3 + 0.5 * min(even, 1.2), 0.4, 0.9))


def _few_levels(excess: NDArray[np.float64], n: NDArray[np.int64]) -> bool:
    """Whether most of the working time is spent near two levels."""
    counts, edges = np.histogram(np.log(np.maximum(excess, 1e-9)), bins=24, weights=n)
    del edges
    return bool(np.sort(counts)[-4:].sum() > 0.8 * counts.sum())
