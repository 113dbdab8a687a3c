"""What the log of a circuit is like: counts, days and highest loads, in one pass over it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
from numba import njit
from numpy.typing import NDArray

from homeenergy.house.schedule import Circuit
from homeenergy.readings.doubt import Doubts
from homeenergy.readings.house import House
from homeenergy.readings.quality import is_long, made_from_what
from homeenergy.readings.store.kept import read_kept, write_kept
from homeenergy.readings.store.store import Store
from homeenergy.readings.trace import Trace
from homeenergy.trust.clamps.logged_load import LoggedLoad, logged_load
from homeenergy.units import NS_PER_S, S_PER_DAY, S_PER_H

FORMAT = 5  # of what is counted
DAY_NS = int(S_PER_DAY * NS_PER_S)
WINDOW_NS = 600 * NS_PER_S
WINDOWS_A_DAY = DAY_NS // WINDOW_NS
GAP_NS = 3600 * NS_PER_S  # across a longer one the readings next to it say little; own choice


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Days:
    """Figures of each day of a circuit, shape (n,): NaN with less than half of its readings.

    Days are 24 h from midnight as the clock stood when the log began; `first` counts from 1970.
    `mean_w`; `low_w`, `high_w`: least and greatest minute; `step_w`: least difference between
    neighbouring readings that differ.
    """

    first: int
    mean_w: NDArray[np.float64]
    low_w: NDArray[np.float64]
    high_w: NDArray[np.float64]
    step_w: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Windows:
    """Figures of each ten minutes of a circuit, shape (n,), in order and without gaps.

    `start_ns`: when it begins; `step_w`: least difference between neighbouring readings that
    differ, inf where none do, of which there are `steps`; `high_w`: greatest minute, NaN without.
    """

    start_ns: NDArray[np.int64]
    step_w: NDArray[np.float64]
    steps: NDArray[np.int64]
    high_w: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Facts:
    """What the tests ask of the log of one circuit, from one pass over its months.

    `gaps` counts stretches without a reading that are shorter than an hour, `missing` their
    samples; `missing_w` is the sum of the power of these, as the readings next to them have it.
    """

    circuit: Circuit
    period_s: float
    start: pd.Timestamp
    end: pd.Timestamp
    samples: int
    rises: int
    falls: int
    resets: int
    rejected: int
    rows: int
    conflicts: int
    longest_hole_s: float
    hole_at: pd.Timestamp
    gaps: int
    missing: int
    missing_w: float
    load: LoggedLoad
    days: Days
    windows: Windows
    doubts: Doubts

    @property
    def covered_days(self) -> float:
        """Time with readings [days]."""
        return self.samples * self.period_s / S_PER_DAY

    def at(self, block: int) -> pd.Timestamp:
        """Instant at which a block of `load` begins."""
        assert self.load.start is not None
        return self.load.start + pd.Timedelta(seconds=block * self.load.block_s)


def log_facts(house: House, circuit: Circuit) -> Facts | None:
    """Facts of a circuit's log without its samples in doubt; None without readings.

    O(samples) at the first need; then what was counted of a long log is kept in the store, with a
    hash of all that it depends on.
    """
    infos, period_ns = house.stored_months(circuit)
    infos = [info for info in infos if info.samples]
    if not infos:
        return None
    began = instant_of(infos[0].first_slot * period_ns)
    offset = began.tz_convert(house.timezone).utcoffset()
    offset_ns = round(offset.total_seconds()) * NS_PER_S if offset is not None else 0
    load, tally = _counted(house, circuit, offset_ns, is_kept=is_long(infos))
    ends = [(info.first_slot, info.first_slot + info.samples) for info in infos]
    holes = [b[0] - a[1] for a, b in pairwise(ends)]
    longest = int(np.argmax(holes)) if holes else 0
    return Facts(
        circuit=circuit,
        period_s=period_ns / NS_PER_S,
        start=instant_of(ends[0][0] * period_ns),
        end=instant_of(ends[-1][1] * period_ns),
        samples=tally.samples,
        rises=tally.rises,
        falls=tally.falls,
        resets=sum(info.resets for info in infos),
        rejected=sum(info.rejected for info in infos),
        rows=sum(info.rows for info in infos),
        conflicts=sum(info.conflicts for info in infos),
        longest_hole_s=holes[longest] * period_ns / NS_PER_S if holes else 0.0,
        hole_at=instant_of(ends[longest][1] * period_ns),
        gaps=tally.gaps,
        missing=tally.missing,
        missing_w=tally.missing_w,
        load=load,
        days=_days(load, tally),
        windows=_windows(load, tally),
        doubts=house.doubts(circuit),
    )


def _counted(
    house: House, circuit: Circuit, offset_ns: int, *, is_kept: bool
) -> tuple[LoggedLoad, _Tally]:
    """Count over the samples of a circuit, or read what was counted before."""
    path = Store(house.path / "store").facts_path(circuit.name)
    made_from = ""
    if is_kept:
        made_from = f"{FORMAT} {offset_ns} {made_from_what(house, circuit)}"
        found = _read(path, made_from, offset_ns)
        if found is not None:
            return found
    tally = _Tally(offset_ns)

    def sure() -> Iterator[Trace]:
        for month in house.months(circuit):
            trace = month.sure()
            tally.take(trace)
            yield trace

    load = logged_load(sure())
    if is_kept:
        with suppress(OSError):
            _write(path, made_from, load, tally)
    return load, tally


def _read(path: Path, made_from: str, offset_ns: int) -> tuple[LoggedLoad, _Tally] | None:
    """What `_write` kept; None where it is damaged or was made from something else."""
    kept = read_kept(path, made_from)
    if kept is None:
        return None
    greatest_w, block_s, missing_w = kept["numbers"].tolist()
    start_ns, at_top, below_top, greatest_n, *counts = kept["counts"].tolist()
    tally = _Tally(offset_ns)
    tally.samples, tally.rises, tally.falls, tally.gaps, tally.missing = counts
    tally.missing_w = missing_w
    tally.windows, tally.step_w, tally.steps = kept["windows"], kept["steps_w"], kept["steps"]
    blocks_w = kept["blocks_w"]
    load = LoggedLoad(
        greatest_w=greatest_w,
        at_top=at_top,
        below_top=below_top,
        greatest_n=greatest_n,
        blocks_w=blocks_w,
        block_s=block_s,
        start=instant_of(start_ns) if blocks_w.size else None,
    )
    return load, tally


def _write(path: Path, made_from: str, load: LoggedLoad, tally: _Tally) -> None:
    start_ns = load.start.value if load.start is not None else 0
    tops = (load.at_top, load.below_top, load.greatest_n)
    counts = [start_ns, *tops, tally.samples, tally.rises, tally.falls, tally.gaps, tally.missing]
    arrays = {
        "numbers": np.array([load.greatest_w, load.block_s, tally.missing_w]),
        "counts": np.array(counts, dtype=np.int64),
        "windows": tally.windows,
        "steps_w": tally.step_w,
        "steps": tally.steps,
        "blocks_w": load.blocks_w,
    }
    write_kept(path, made_from, arrays)


def instant_of(ns: int) -> pd.Timestamp:
    """Instant of so many nanoseconds since 1970."""
    return pd.Timestamp(ns, unit="ns", tz="UTC")


def from_when(house: House, facts: Facts, instant: pd.Timestamp) -> str:
    """Where a thing begins: local time, and file and line if they are known."""
    place = house.place_of(facts.circuit, instant)
    return f"from {local_time(house, instant)}{f', {place}' if place else ''}"


def local_time(house: House, instant: pd.Timestamp) -> str:
    """Local time of an instant, to the minute."""
    return f"{instant.tz_convert(house.timezone):%Y-%m-%d %H:%M}"


class _Tally:
    """Counts over the samples of a circuit, beside those of `logged_load`.

    Attributes
    ----------
    windows : numpy.ndarray, shape (n,), int64
        Ten minutes in which power changes, counted from 1970 by the clock as it stood when the log
        began; in order.
    step_w, steps : numpy.ndarray, shape (n,)
        The least step of each, and how many.
    """

    def __init__(self, offset_ns: int) -> None:
        self.offset_ns = offset_ns
        self.samples = self.rises = self.falls = self.gaps = self.missing = 0
        self.missing_w = 0.0
        self.windows = np.empty(0, dtype=np.int64)
        self.step_w = np.empty(0)
        self.steps = np.empty(0, dtype=np.int64)

    def take(self, trace: Trace) -> None:
        if not len(trace):
            return
        began_ns = trace.start.value + self.offset_ns
        ends_ns = began_ns + len(trace) * trace.period_ns
        first, number = began_ns // WINDOW_NS, -(-ends_ns // WINDOW_NS) - began_ns // WINDOW_NS
        step_w, steps = np.full(number, np.inf), np.zeros(number, dtype=np.int64)
        watts = np.ascontiguousarray(trace.watts)
        samples, rises = _count(watts, began_ns, trace.period_ns, step_w, steps)
        self.samples += samples
        self.rises += rises
        self.falls += int(steps.sum()) - rises
        if samples < watts.size:
            gaps, missing, missing_w = _gaps(watts, int(GAP_NS // trace.period_ns))
            self.gaps += gaps
            self.missing += missing
            self.missing_w += missing_w
        there = np.flatnonzero(steps)
        self._add(first + there, step_w[there], steps[there])

    def _add(
        self, windows: NDArray[np.int64], step_w: NDArray[np.float64], steps: NDArray[np.int64]
    ) -> None:
        """Add windows after those that are there; the first may be the last of them."""
        if self.windows.size and windows.size and windows[0] == self.windows[-1]:
            self.step_w[-1] = min(self.step_w[-1], step_w[0])
            self.steps[-1] += steps[0]
            windows, step_w, steps = windows[1:], step_w[1:], steps[1:]
        self.windows = np.r_[self.windows, windows]
        self.step_w = np.r_[self.step_w, step_w]
        self.steps = np.r_[self.steps, steps]

    def of(self, windows: NDArray[np.int64]) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
        """Least steps and numbers of steps of some windows; inf and 0 where none is."""
        if not self.windows.size:
            return np.full(windows.size, np.inf), np.zeros(windows.size, dtype=np.int64)
        at = np.minimum(np.searchsorted(self.windows, windows), self.windows.size - 1)
        there = self.windows[at] == windows
        return np.where(there, self.step_w[at], np.inf), np.where(there, self.steps[at], 0)


@njit(cache=True, nogil=True)
def _count(
    watts: NDArray[np.float32],
    began_ns: int,
    period_ns: int,
    step_w: NDArray[np.float64],
    steps: NDArray[np.int64],
) -> tuple[int, int]:  # pragma: no cover - compiled
    """Write the least step and the number of steps of each window; return samples and rises."""
    samples, rises, i = 0, 0, 0
    for window in range(steps.size):
        until_ns = (began_ns // WINDOW_NS + window + 1) * WINDOW_NS
        stop = min((until_ns - began_ns + period_ns - 1) // period_ns, watts.size)
        least, many = np.float32(np.inf), 0
        for k in range(i, min(stop, watts.size - 1)):
            step = watts[k + 1] - watts[k]  # comparisons with NaN are false
            size = abs(step)
            rises += step > 0
            many += size > 0
            least = size if (size > 0) & (size < least) else least
        for k in range(i, stop):
            samples += watts[k] == watts[k]
        step_w[window], steps[window], i = least, many, max(i, stop)
    return samples, rises


@njit(cache=True, nogil=True)
def _gaps(
    watts: NDArray[np.float32], longest: int
) -> tuple[int, int, float]:  # pragma: no cover - compiled
    """Stretches without a reading, their samples, and the sum of the power around them."""
    gaps, missing, missing_w, last = 0, 0, 0.0, -1
    for k in range(watts.size):
        if watts[k] != watts[k]:
            continue
        size = k - last - 1
        if 0 < size <= longest and last >= 0:
            gaps += 1
            missing += size
            missing_w += 0.5 * size * (np.float64(watts[last]) + np.float64(watts[k]))
        last = k
    return gaps, missing, missing_w


def _windows(load: LoggedLoad, tally: _Tally) -> Windows:
    start = (load.start.value if load.start is not None else 0) + tally.offset_ns
    blocks_w = load.blocks_w
    at = np.arange(blocks_w.size, dtype=np.int64) * round(load.block_s * NS_PER_S)
    window = (start + at) // WINDOW_NS
    begins = np.flatnonzero(np.r_[True, window[1:] != window[:-1]])[: window.size]
    here = window[begins]
    step_w, steps = tally.of(here)
    return Windows(
        start_ns=here * WINDOW_NS - tally.offset_ns,
        step_w=step_w,
        steps=steps,
        high_w=np.fmax.reduceat(np.abs(blocks_w), begins) if window.size else np.empty(0),
    )


def _days(load: LoggedLoad, tally: _Tally) -> Days:
    start = (load.start.value if load.start is not None else 0) + tally.offset_ns
    blocks = load.blocks_w
    at = np.arange(blocks.size, dtype=np.int64) * round(load.block_s * NS_PER_S)
    day = (start + at) // DAY_NS
    there = np.isfinite(blocks)
    day, blocks = day[there], blocks[there]
    if not day.size:
        nothing = np.empty(0)
        return Days(first=0, mean_w=nothing, low_w=nothing, high_w=nothing, step_w=nothing)
    first, number = int(day[0]), int(day[-1] - day[0]) + 1
    begins = np.flatnonzero(np.r_[True, day[1:] != day[:-1]])
    out = {name: np.full(number, np.nan) for name in ("mean_w", "low_w", "high_w", "step_w")}
    counts = np.diff(np.r_[begins, day.size])
    enough = counts * load.block_s >= S_PER_DAY / 2
    which = (day[begins] - first)[enough]
    out["mean_w"][which] = (np.add.reduceat(blocks, begins) / counts)[enough]
    out["low_w"][which] = np.minimum.reduceat(blocks, begins)[enough]
    out["high_w"][which] = np.maximum.reduceat(blocks, begins)[enough]
    least = np.full(number, np.inf)
    day_of = tally.windows // WINDOWS_A_DAY - first
    inside = (day_of >= 0) & (day_of < number)
    np.minimum.at(least, day_of[inside], tally.step_w[inside])
    out["step_w"][which] = np.where(np.isfinite(least), least, np.nan)[which]
    return Days(first=first, **out)


def aligned_blocks(facts: Sequence[Facts]) -> tuple[NDArray[np.float64], int] | None:
    """Block means of circuits, and the number of the first block since 1970.

    Shape (circuits, blocks), NaN where a circuit has none; None without circuits, where one has no
    block, or where blocks differ in length.
    """
    loads = [one.load for one in facts]
    if not loads or any(x.block_s != loads[0].block_s or x.start is None for x in loads):
        return None
    low = min(load.first_block for load in loads)
    stop = max(load.first_block + load.blocks_w.size for load in loads)
    blocks = np.full((len(loads), stop - low), np.nan)
    for row, load in zip(blocks, loads, strict=True):
        first = load.first_block - low
        row[first : first + load.blocks_w.size] = load.blocks_w
    return blocks, low


def common_blocks(facts: Sequence[Facts]) -> tuple[NDArray[np.float64], float] | None:
    """Block means of circuits where all have readings, shape (circuits, blocks), and hours.

    None where `aligned_blocks` gives none, or no block has all.
    """
    aligned = aligned_blocks(facts)
    if aligned is None:
        return None
    blocks = aligned[0][:, np.isfinite(aligned[0]).all(axis=0)]
    if not blocks.shape[1]:
        return None
    return blocks, blocks.shape[1] * facts[0].load.block_s / S_PER_H
