"""Months of the store: calendar months in UTC, written YYYY-MM."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray


def month_of(ns: int) -> str:
    """Month in which an instant (UTC, ns) lies."""
    return str(np.datetime64(ns, "ns").astype("M8[M]"))


def month_edges(month: str) -> tuple[int, int]:
    """First instant of a month and of the next one [ns]."""
    first = np.datetime64(month, "M")
    edges = np.array([first, first + 1]).astype("M8[ns]").view(np.int64)
    return int(edges[0]), int(edges[1])


def neighbours(month: str) -> tuple[str, str]:
    """Give the month before and the month after."""
    here = np.datetime64(month, "M")
    return str(here - 1), str(here + 1)


def month_slots(month: str, period_ns: int) -> tuple[int, int]:
    """Slots [first, stop) that begin in a month, counted from the Unix epoch."""
    low, high = month_edges(month)
    return -(-low // period_ns), -(-high // period_ns)


def split_months(times_ns: NDArray[np.int64]) -> Iterator[tuple[str, slice | NDArray[np.intp]]]:
    """Rows of each month, as a slice where the rows are in order."""
    if times_ns.size == 0:
        return
    low, high = int(times_ns.min()), int(times_ns.max())
    first, last = np.datetime64(month_of(low), "M"), np.datetime64(month_of(high), "M")
    if first == last:
        yield str(first), slice(0, times_ns.size)
        return
    ascending = bool(np.all(times_ns[1:] >= times_ns[:-1]))
    for month in np.arange(first, last + 1):
        edges = month_edges(str(month))
        if ascending:
            start, stop = (int(at) for at in np.searchsorted(times_ns, edges))
            if stop > start:
                yield str(month), slice(start, stop)
        else:
            rows = np.flatnonzero((times_ns >= edges[0]) & (times_ns < edges[1]))
            if rows.size:
                yield str(month), rows
