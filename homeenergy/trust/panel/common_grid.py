"""Circuits that are logged at paces of their own, on the grid that all of them have in common."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from math import lcm

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.errors import HouseError
from homeenergy.readings.trace import Trace
from homeenergy.units import NS_PER_S

MOST_S = 60.0  # of longer samples, steps of one circuit are seldom seen alone


def common_period_s(periods_s: Iterable[float]) -> float:
    """The shortest sample into which those of all circuits fit whole [s].

    Raises
    ------
    HouseError
        If it is longer than a minute and than all of them.
    """
    periods = sorted(set(periods_s))
    common_s = lcm(*(round(one * NS_PER_S) for one in periods)) / NS_PER_S
    if len(periods) > 1 and common_s > MOST_S:
        raise HouseError(
            f"circuits with periods of {' and '.join(f'{one:g} s' for one in periods)} are "
            "compared, and no samples of a minute or less hold a whole number of each",
            fix="State the same period_s for their logs in house.toml and import with --rebuild.",
        )
    return common_s


def coarser(trace: Trace, period_s: float) -> Trace:
    """Means over longer samples, which begin at multiples of their length; NaN where one misses."""
    size = round(period_s / trace.period_s)
    if size == 1:
        return trace
    period_ns = round(period_s * NS_PER_S)
    start_ns = -(-trace.start.value // period_ns) * period_ns
    skip = round((start_ns - trace.start.value) / trace.period_ns)
    count = max(len(trace) - skip, 0) // size

    def whole(of_samples: NDArray[np.generic]) -> NDArray[np.generic]:
        return of_samples[skip : skip + count * size].reshape(-1, size)

    return replace(
        trace,
        start=pd.Timestamp(start_ns, tz="UTC"),
        period_s=period_s,
        watts=whole(trace.watts).mean(axis=1, dtype=np.float64).astype(np.float32),
        doubt=None if trace.doubt is None else whole(trace.doubt).max(axis=1),
    )


def common_stretch(traces: Sequence[Trace]) -> list[Trace]:
    """Traces on one grid, cut to the stretch that all of them cover.

    Raises
    ------
    HouseError
        If their periods have none in common or nothing is common to them.
    """
    period_s = common_period_s(trace.period_s for trace in traces)
    traces = [coarser(trace, period_s) for trace in traces]
    start, end = max(t.start for t in traces), min(t.end for t in traces)
    if start >= end:
        raise HouseError(
            "the circuits that are compared have no time in common",
            fix="Look at `homeenergy quality`, which shows what each circuit covers.",
        )
    return [trace.between(start, end) for trace in traces]


def on_grid(trace: Trace, grid: Trace) -> NDArray[np.float32]:
    """Samples of a trace on the grid of another, or their means; NaN where it has none."""
    trace = coarser(trace, grid.period_s)
    offset = round((trace.start - grid.start).value / grid.period_ns)
    if offset == 0 and len(trace) == len(grid):
        return trace.watts
    watts = np.full(len(grid), np.nan, dtype=np.float32)
    watts[offset : offset + len(trace)] = trace.watts
    return watts
