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
from homeenergy.readings.quality import made_from_what
from homeenergy.readings.store.kept import read_kept, write_kept
from homeenergy.readings.store.store import Store
from homeenergy.readings.trace import Trace
from homeenergy.trust.clamps.logged_load import LoggedLoad, logged_load
from homeenergy.units import NS_PER_S, S_PER_DAY, S_PER_H

FORMAT = 4  # of what is counted
DAY_NS = int(S_PER_DAY * NS_PER_S)
WINDOW_NS = 600 * NS_PER_S
WINDOWS_A_DAY = DAY_NS // WINDOW_NS


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
    """What the tests ask of the log of one circuit, from one pass over its months."""

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

    O(samples) at the first need; then what was counted is kept in the store, with a hash of all
    that it depends on.
    """
    infos, period_ns = house.stored_months(circuit)
    infos = [info for info in infos if info.samples]
    if not infos:
        return None
    began = instant_of(infos[0].first_slot * period_ns)
    offset = began.tz_convert(house.timezone).utcoffset()
    offset_ns = round(offset.total_seconds()) * NS_PER_S if offset is not None else 0
    load, tally = _counted(house, circuit, offset_ns)
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
        load=load,
        days=_days(load, tally),
        windows=_windows(load, tally),
        doubts=house.doubts(circuit),
    )


def _counted(house: House, circuit: Circuit, offset_ns: int) -> tuple[LoggedLoad, _Tally]:
    """Count over the samples of a circuit, or read what was counted before."""
    path = Store(house.path / "store").facts_path(circuit.name)
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
    with suppress(OSError):
        _write(path, made_from, load, tally)
    return load, tally


def _read(path: Path, made_from: str, offset_ns: int) -> tuple[LoggedLoad, _Tally] | None:
    """What `_write` kept; None where it is damaged or was made from something else."""
    kept = read_kept(path, made_from)
    if kept is None:
        return None
    greatest_w, block_s = kept["numbers"].tolist()
    start_ns, at_top, below_top, greatest_n, samples, rises, falls = kept["counts"].tolist()
    tally = _Tally(offset_ns)
    tally.samples, tally.rises, tally.falls = samples, rises, falls
    tally.step_w = dict(zip(kept["windows"].tolist(), kept["steps_w"].tolist(), strict=True))
    tally.steps = dict(zip(kept["windows"].tolist(), kept["steps"].tolist(), strict=True))
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
    counts = [start_ns, *tops, tally.samples, tally.rises, tally.falls]
    arrays = {
        "numbers": np.array([load.greatest_w, load.block_s]),
        "counts": np.array(counts, dtype=np.int64),
        "windows": np.array(list(tally.step_w), dtype=np.int64),
        "steps_w": np.array(list(tally.step_w.values()), dtype=np.float64),
        "steps": np.array(list(tally.steps.values()), dtype=np.int64),
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
    """Counts over the samples of a circuit, beside those of `logged_load`."""

    def __init__(self, offset_ns: int) -> None:
        self.offset_ns = offset_ns
        self.samples = self.rises = self.falls = 0
        self.step_w: dict[int, float] = {}  # by window
        self.steps: dict[int, int] = {}

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
        for at in np.flatnonzero(steps):
            window = first + int(at)
            self.step_w[window] = min(float(step_w[at]), self.step_w.get(window, np.inf))
            self.steps[window] = int(steps[at]) + self.steps.get(window, 0)


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
        while i < stop:
            samples += int(not np.isnan(watts[i]))
            step = watts[i + 1] - watts[i] if i + 1 < watts.size else np.float32(0)
            if abs(step) > 0:  # NaN is not
                steps[window] += 1
                rises += int(step > 0)
                step_w[window] = min(step_w[window], np.float64(abs(step)))
            i += 1
    return samples, rises


def _windows(load: LoggedLoad, tally: _Tally) -> Windows:
    start = (load.start.value if load.start is not None else 0) + tally.offset_ns
    blocks_w = load.blocks_w
    at = np.arange(blocks_w.size, dtype=np.int64) * round(load.block_s * NS_PER_S)
    window = (start + at) // WINDOW_NS
    begins = np.flatnonzero(np.r_[True, window[1:] != window[:-1]])[: window.size]
    here = window[begins]
    return Windows(
        start_ns=here * WINDOW_NS - tally.offset_ns,
        step_w=np.array([tally.step_w.get(int(one), np.inf) for one in here]),
        steps=np.array([tally.steps.get(int(one), 0) for one in here], dtype=np.int64),
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
    least: dict[int, float] = {}
    for window, step in tally.step_w.items():
        day_of = window // WINDOWS_A_DAY
        least[day_of] = min(step, least.get(day_of, np.inf))
    out["step_w"][which] = [least.get(first + int(one), np.nan) for one in which]
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
