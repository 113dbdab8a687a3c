"""Traces drawn by hand, second by second, and runs read back in seconds from their start."""

from __future__ import annotations

import numpy as np
import pandas as pd

from homeenergy.cycles import Cycles
from homeenergy.readings.trace import Trace

START = pd.Timestamp("2026-03-02", tz="UTC")
HOUR, DAY = 3600, 86_400

Piece = tuple[float, float]
"""Seconds, watts."""


def draw(
    length_s: int,
    *uses: tuple[int, list[Piece]],
    idle_w: float = 1.0,
    noise_w: float = 0.3,
    seed: int = 1,
) -> np.ndarray:
    """Watts at 1 s: idle, and from each of the given seconds on the pieces of a use."""
    watts = np.full(length_s, float(idle_w))
    for at_s, pieces in uses:
        shape = np.concatenate([np.full(int(n_s), float(w)) for n_s, w in pieces])
        watts[at_s : at_s + shape.size] = shape[: max(length_s - at_s, 0)]
    return watts + np.random.default_rng(seed).normal(0, noise_w, length_s)


def as_trace(watts, *, period_s: float = 1.0, label: str = "load") -> Trace:
    return Trace(label=label, start=START, period_s=period_s, watts=np.asarray(watts, np.float32))


def lasts_s(pieces: list[Piece]) -> int:
    return int(sum(n_s for n_s, _ in pieces))


def runs_s(cycles: Cycles) -> list[tuple[int, int]]:
    """Start and end of each run [s from the start of the trace]."""
    return [
        (
            round((start - START).total_seconds()),
            round((end - START).total_seconds()),
        )
        for start, end in zip(cycles.table["start"], cycles.table["end"], strict=True)
    ]


def near(found, expected, *, within_s: float = 2) -> bool:
    """Whether the runs are the expected ones, each boundary to within some seconds."""
    return len(found) == len(expected) and bool(
        np.all(np.abs(np.array(found) - np.array(expected)) <= within_s)
    )
