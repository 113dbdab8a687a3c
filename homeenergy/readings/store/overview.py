"""Long stretches of a house at a glance, from whole minutes and hours wherever they suffice."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.house.schedule import Circuit
from homeenergy.readings.doubt import NO_DOUBTS, Doubts
from homeenergy.readings.store.bins import (
    COLUMNS,
    WIDTHS,
    Bins,
    bins_of_bins,
    bins_of_samples,
    is_stored,
    stored_bins,
)
from homeenergy.readings.store.importing import mending_store
from homeenergy.readings.store.store import MonthInfo, anew_if_rewritten
from homeenergy.readings.trace import correct_in_place, in_force
from homeenergy.units import NS_PER_S, S_PER_H

MOST_DOUBTED = 2000  # stretches that are drawn
CHUNK = 1 << 17  # samples that are kept together
KEPT_BYTES = 80 << 20

Progress = Callable[[int, int, str], None]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Envelope:
    """Least, greatest and mean power in equal stretches of time.

    Attributes
    ----------
    label : str
        Appliance of the circuit.
    first_ns, width_ns : int
        Instant (UTC, ns since 1970) at which the first stretch begins, and their length.
    samples : int
        Samples in a stretch; 1 where samples are not aggregated.
    least_w, greatest_w : numpy.ndarray, shape (n,), float32
        NaN where nothing was logged.
    mean_w : numpy.ndarray, shape (n,), float64
        Of the samples that are there.
    count : numpy.ndarray, shape (n,)
        Samples that are there, and not in doubt: those that are count for nothing above.
    doubted_ns : numpy.ndarray, shape (m, 2), int64
        Instants [from, to) of the readings in doubt, a row for each stretch of them.
    doubted_w : numpy.ndarray, shape (m,), float32
        The first reading of each.
    """

    label: str
    first_ns: int
    width_ns: int
    samples: int
    least_w: NDArray[np.float32]
    greatest_w: NDArray[np.float32]
    mean_w: NDArray[np.float64]
    count: NDArray[np.int32]
    doubted_ns: NDArray[np.int64] = field(default_factory=lambda: np.empty((0, 2), np.int64))
    doubted_w: NDArray[np.float32] = field(default_factory=lambda: np.empty(0, np.float32))

    def __len__(self) -> int:
        return self.count.size

    @property
    def width_s(self) -> float:
        """Length of a stretch [s]."""
        return self.width_ns / NS_PER_S

    @property
    def starts_ns(self) -> NDArray[np.int64]:
        """Instants at which the stretches begin, shape (n,)."""
        return self.first_ns + np.arange(len(self), dtype=np.int64) * self.width_ns

    def to_frame(self) -> pd.DataFrame:
        """One row a stretch, on a UTC index."""
        index = pd.DatetimeIndex(self.starts_ns.view("M8[ns]")).tz_localize("UTC")
        names = ("least_w", "mean_w", "greatest_w", "count")
        return pd.DataFrame({name: getattr(self, name) for name in names}, index=index)


@dataclass(frozen=True, slots=True, kw_only=True)
class Totals:
    """What one circuit did in a span of time.

    `energy_wh` is the plain sum of the samples that are there and not in doubt, `mean_w` their
    mean; `least_w`, `greatest_w` and `mean_w` are NaN where there is none. `span_s` is the length
    of the span in whole samples, `covered_s` how much of it was logged.
    """

    energy_wh: float
    mean_w: float
    least_w: float
    greatest_w: float
    covered_s: float
    span_s: float


class Stored(Protocol):
    """What an overview asks of a `House`."""

    path: Path

    @property
    def circuits(self) -> tuple[Circuit, ...]:
        """Those of the panel schedule."""

    def circuit(self, name: str) -> Circuit:
        """Give the circuit with a name."""

    def has_readings(self, circuit: str | Circuit) -> bool:
        """Whether any readings of a circuit have been imported."""

    def stored_months(self, circuit: str | Circuit) -> tuple[list[MonthInfo], int]:
        """Months of a circuit, and the length of a sample [ns]."""

    def doubts(self, circuit: str | Circuit) -> Doubts:
        """Samples of a circuit that are in doubt."""


class Overview:
    """Reads a house at any width. One is kept by each `House`; see `House.overview`.

    What was read last is kept in memory, up to `kept_bytes` of it. A month that is imported again
    is noticed at the next question. Several threads may ask, each about circuits of its own.
    """

    def __init__(self, house: Stored, *, kept_bytes: int = KEPT_BYTES) -> None:
        self.house = house
        self.kept_bytes = kept_bytes
        self._store = mending_store(house.path)
        self._months: dict[str, tuple[int, list[MonthInfo], int, Doubts]] = {}
        self._kept: OrderedDict[tuple[Any, ...], Bins | NDArray[np.float32]] = OrderedDict()
        self._used_bytes = 0
        self._keeping = threading.Lock()

    def extent_ns(self, circuit: str | Circuit) -> tuple[int, int] | None:
        """Instants of the first reading and of the end of the last one; None if there is none."""
        infos, period = self._stored(self._circuit(circuit))
        there = [info for info in infos if info.samples]
        if not there:
            return None
        return there[0].first_slot * period, (there[-1].first_slot + there[-1].samples) * period

    def period_ns(self, circuit: str | Circuit) -> int:
        """Length of a sample [ns]."""
        return self._stored(self._circuit(circuit))[1]

    def unprepared(self) -> list[tuple[MonthInfo, Circuit]]:
        """Months of which minutes and hours have not been summed up yet."""
        there = [circuit for circuit in self.house.circuits if self.house.has_readings(circuit)]
        found = [
            (info, c) for c in there for info in self.house.stored_months(c)[0] if info.samples
        ]
        return [(info, c) for info, c in found if info.samples and not is_stored(self._store, info)]

    def prepare(self, *, progress: Progress | None = None) -> None:
        """Sum up minutes and hours of all months now, and not when they are first needed.

        Parameters
        ----------
        progress : callable, optional
            Called as ``progress(done, total, text)`` before each month; the months of a circuit
            are summed up with its first. What it raises ends the work; what was done stays.
        """
        waiting = self.unprepared()
        for done, (info, circuit) in enumerate(waiting):
            if progress:
                progress(done, len(waiting), f"{circuit.appliance}, {info.month}")
            self._doubts(circuit)  # for which all of its months are read, and summed up as well
            stored_bins(self._store, info, 0)
        if progress:
            progress(len(waiting), len(waiting), "ready")

    @anew_if_rewritten
    def envelope(
        self, circuit: str | Circuit, start_ns: int | None, end_ns: int | None, *, points: int
    ) -> Envelope:
        """As `House.envelope`, with instants in UTC [ns]."""
        if points < 1:
            raise ValueError(f"points must be at least 1, got {points}")
        found = self._circuit(circuit)
        period = self.period_ns(found)
        extent = self.extent_ns(found) or (0, 0)
        low = (extent[0] if start_ns is None else start_ns) // period
        high = -(-(extent[1] if end_ns is None else end_ns) // period)
        width = max(1, (high - low) // points)
        level = max((k for k, w in enumerate(WIDTHS) if w <= width), default=None)
        per_bin = 1 if level is None else WIDTHS[level]
        width = width // per_bin * per_bin
        first, stop = low // width, max(-(-high // width), low // width)
        if level is None:
            watts = self.samples(found, first * width, stop * width)
            bins = bins_of_samples(watts, first=first * width, width=width)
        else:
            times = width // per_bin
            fine = self.bins(found, level, first * times, stop * times)
            bins = bins_of_bins(fine, width=times) if times > 1 else fine
        doubted_ns, doubted_w = self._doubted(found, first * width, stop * width)
        return Envelope(
            label=found.appliance,
            first_ns=first * width * period,
            width_ns=width * period,
            samples=width,
            least_w=bins.least_w,
            greatest_w=bins.greatest_w,
            mean_w=bins.mean_w,
            count=bins.count,
            doubted_ns=doubted_ns,
            doubted_w=doubted_w,
        )

    @anew_if_rewritten
    def totals(self, circuit: str | Circuit, start_ns: int, end_ns: int) -> Totals:
        """Energy, mean, least and greatest of the samples that begin in [start, end) (UTC, ns)."""
        found = self._circuit(circuit)
        period = self.period_ns(found)
        low, high = -(-start_ns // period), -(-end_ns // period)
        extent = self.extent_ns(found) or (0, 0)
        inside = max(low, extent[0] // period), min(high, extent[1] // period)
        whole = Bins.nothing(0, 1)
        for part in self._parts(found, *inside, level=len(WIDTHS) - 1):
            whole.take_in(part)
        count, sum_w = int(whole.count[0]), float(whole.sum_w[0])
        return Totals(
            energy_wh=sum_w * (period / NS_PER_S) / S_PER_H,
            mean_w=float(whole.mean_w[0]),
            least_w=float(whole.least_w[0]),
            greatest_w=float(whole.greatest_w[0]),
            covered_s=count * period / NS_PER_S,
            span_s=max(high - low, 0) * period / NS_PER_S,
        )

    def _parts(self, circuit: Circuit, low: int, high: int, *, level: int) -> list[Bins]:
        """Samples [low, high), as single bins 0: wide ones inside, finer ones at both ends."""
        if high <= low:
            return []
        if level < 0:
            watts = self.samples(circuit, low, high)
            return [bins_of_samples(watts, first=0, width=watts.size)]
        width = WIDTHS[level]
        first, stop = -(-low // width), high // width
        if first >= stop:
            return self._parts(circuit, low, high, level=level - 1)
        inner = self.bins(circuit, level, first, stop)
        return [
            bins_of_bins(Bins(**{**_fields(inner), "first": 0}), width=len(inner)),
            *self._parts(circuit, low, first * width, level=level - 1),
            *self._parts(circuit, stop * width, high, level=level - 1),
        ]

    @anew_if_rewritten
    def samples(self, circuit: str | Circuit, first: int, stop: int) -> NDArray[np.float32]:
        """Samples [first, stop), counted from 1970 [W]; NaN where none is, or it is in doubt."""
        watts = self._as_logged(circuit, first, stop)
        flags = self._doubts(self._circuit(circuit)).flags(first, watts.size)
        if flags is not None:
            watts[flags != 0] = np.nan
        return watts

    def _as_logged(self, circuit: str | Circuit, first: int, stop: int) -> NDArray[np.float32]:
        found = self._circuit(circuit)
        infos, period = self._stored(found)
        watts = np.full(max(stop - first, 0), np.nan, dtype=np.float32)
        for info in infos:
            low, high = max(info.first_slot, first), min(info.first_slot + info.samples, stop)
            at = low
            while at < high:
                chunk = (at - info.first_slot) // CHUNK
                begins = info.first_slot + chunk * CHUNK
                piece = self._chunk(info, chunk)
                until = min(high, begins + piece.size)
                watts[at - first : until - first] = piece[at - begins : until - begins]
                at = until
        correct_in_place(watts, found.clamp, first_slot=first, period_ns=period)
        return watts

    @anew_if_rewritten
    def bins(self, circuit: str | Circuit, level: int, first: int, stop: int) -> Bins:
        """Bins [first, stop) of WIDTHS[level] samples, corrected, without samples in doubt."""
        found = self._circuit(circuit)
        infos, period = self._stored(found)
        width = WIDTHS[level]
        out = Bins.nothing(first, max(stop - first, 0))
        for info in infos:
            ends = info.first_slot + info.samples
            if info.samples and info.first_slot < stop * width and ends > first * width:
                out.take_in(self._month_bins(info, level))
        return self._sure(found, self._corrected(found, out, width, period), width)

    def _sure(self, circuit: Circuit, bins: Bins, width: int) -> Bins:
        """Bins without the samples in doubt: those that hold one need their samples again."""
        doubts, low, high = self._doubts(circuit), bins.first, bins.first + len(bins)
        near = np.flatnonzero((doubts.stop > low * width) & (doubts.first < high * width))
        for one in near:
            begin = max(int(doubts.first[one]) // width, low)
            end = min((int(doubts.stop[one]) - 1) // width + 1, high)
            again = bins_of_samples(
                self.samples(circuit, begin * width, end * width), first=begin * width, width=width
            )
            here = slice(begin - low, end - low)
            for name in COLUMNS:
                getattr(bins, name)[here] = getattr(again, name)
        return bins

    def _doubted(
        self, circuit: Circuit, first: int, stop: int
    ) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
        """Instants [from, to) of stretches in doubt that begin within samples; first readings."""
        doubts, period = self._doubts(circuit), self.period_ns(circuit)
        near = np.flatnonzero((doubts.stop > first) & (doubts.first < stop))[:MOST_DOUBTED]
        ends = np.stack([doubts.first[near], doubts.stop[near]], axis=1) * period
        watts = [self._as_logged(circuit, int(at), int(at) + 1)[0] for at in doubts.first[near]]
        return ends, np.array(watts, dtype=np.float32)

    def _doubts(self, circuit: Circuit) -> Doubts:
        self._stored(circuit)
        return self._months[circuit.name][3]

    def _corrected(self, circuit: Circuit, bins: Bins, width: int, period_ns: int) -> Bins:
        low, high = bins.first * width, (bins.first + len(bins)) * width
        pieces = in_force(circuit.clamp, first=low, stop=high, period_ns=period_ns)
        if len(pieces) == 1:
            return bins.corrected(pieces[0][2])
        out = Bins.nothing(bins.first, len(bins))
        for piece_low, piece_high, correction in pieces:
            begin, end = -(-piece_low // width), piece_high // width
            if begin < end:
                out.take_in(_cut(bins, begin, end).corrected(correction))
        # A bin that holds the instant of a correction needs its samples again.
        for cut in {lo // width for lo, _, _ in pieces[1:] if lo % width}:
            watts = self.samples(circuit, cut * width, (cut + 1) * width)
            out.take_in(bins_of_samples(watts, first=cut * width, width=width))
        return out

    def _chunk(self, info: MonthInfo, number: int) -> NDArray[np.float32]:
        def read() -> NDArray[np.float32]:
            stop = min((number + 1) * CHUNK, info.samples)
            return self._store.read_part(info, number * CHUNK, stop).copy()

        return self._keep((info.circuit, info.month, "samples", number), read)

    def _month_bins(self, info: MonthInfo, level: int) -> Bins:
        key = (info.circuit, info.month, "bins", level)
        return self._keep(key, lambda: stored_bins(self._store, info, level))

    def _keep(self, key: tuple[Any, ...], read: Callable[[], Any]) -> Any:
        """What was read under this key, or read it now and forget what was not used for longest."""
        with self._keeping:
            if key in self._kept:
                self._kept.move_to_end(key)
                return self._kept[key]
        value = read()  # which takes long, and may go on in several threads
        with self._keeping:
            if key not in self._kept:
                self._kept[key] = value
                self._used_bytes += _bytes(value)
            while self._used_bytes > self.kept_bytes and len(self._kept) > 1:
                self._used_bytes -= _bytes(self._kept.popitem(last=False)[1])
        return value

    def _circuit(self, circuit: str | Circuit) -> Circuit:
        return self.house.circuit(circuit if isinstance(circuit, str) else circuit.name)

    def _stored(self, circuit: Circuit) -> tuple[list[MonthInfo], int]:
        """Months of a circuit, read again when its folder has changed."""
        folder = self._store.folder / circuit.name
        changed = folder.stat().st_mtime_ns if folder.exists() else -1
        known = self._months.get(circuit.name)
        if known is None or known[0] != changed:
            infos, period = self.house.stored_months(circuit)
            with self._keeping:
                for key in [key for key in self._kept if key[0] == circuit.name]:
                    self._used_bytes -= _bytes(self._kept.pop(key))
            doubts = self.house.doubts(circuit) if infos else NO_DOUBTS
            known = self._months[circuit.name] = (changed, infos, period, doubts)
        return known[1], known[2]


def _bytes(kept: Bins | NDArray[np.float32]) -> int:
    return kept.bytes if isinstance(kept, Bins) else kept.nbytes


def _fields(bins: Bins) -> dict[str, Any]:
    return {name: getattr(bins, name) for name in Bins.__slots__}


def _cut(bins: Bins, first: int, stop: int) -> Bins:
    """Bins [first, stop) of those that are there."""
    at = slice(max(first - bins.first, 0), max(stop - bins.first, 0))
    values = {k: v if k == "first" else v[at] for k, v in _fields(bins).items()}
    return Bins(**{**values, "first": bins.first + at.start})
