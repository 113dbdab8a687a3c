"""Rows that wait for their month to be written: in memory, and beyond a limit on disk."""

from __future__ import annotations

import shutil
from collections import defaultdict
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from homeenergy.readings.logs import Rows
from homeenergy.readings.months import month_edges, neighbours, split_months
from homeenergy.readings.rows import Values

LIMIT_BYTES = 300_000_000

Key = tuple[int, str, str]  # number of the [[log]], source, month


class Chunk:
    """Rows of one file, source and month, in the order of the file."""

    def __init__(self, times_ns: NDArray[np.int64], columns: dict[str, Values], late: int) -> None:
        self.late = late
        self.rows = times_ns.size
        self.nbytes = times_ns.nbytes + sum(values.nbytes for values in columns.values())
        self._held: tuple[NDArray[np.int64], dict[str, Values]] | None = (times_ns, columns)
        self._path: Path | None = None

    def spill(self, path: Path) -> None:
        """Move the rows to a file."""
        assert self._held is not None
        times, columns = self._held
        table = pa.table([times, *columns.values()], names=["", *columns])
        with pa.OSFile(str(path), "wb") as sink, pa.ipc.new_file(sink, table.schema) as writer:
            writer.write_table(table)
        self._held, self._path = None, path

    def read(self, names: Sequence[str]) -> tuple[NDArray[np.int64], list[Values]]:
        """Instants and the values of some circuits."""
        if self._held is not None:
            times, columns = self._held
            return times, [columns[name] for name in names]
        with pa.memory_map(str(self._path)) as source:
            table = pa.ipc.open_file(source).read_all()
            return table.column("").to_numpy(), [table.column(name).to_numpy() for name in names]

    @property
    def in_memory(self) -> bool:
        """Whether the rows are not on disk."""
        return self._held is not None


class Pool:
    """All rows read in one import, by log, source and month.

    Parameters
    ----------
    folder : Path
        Where rows go that do not fit; made when needed.
    limit_bytes : int
        Rows kept in memory at the most.
    """

    def __init__(self, folder: Path, *, limit_bytes: int = LIMIT_BYTES) -> None:
        self.folder, self.limit_bytes = folder, limit_bytes
        self.chunks: dict[Key, list[Chunk]] = defaultdict(list)
        self._bytes = self._spilled = 0

    def add(
        self, log: int, rows: Rows, *, only: set[str] | None = None
    ) -> dict[str, tuple[int, int]]:
        """Take in rows, of some months only if stated.

        Returns
        -------
        dict
            First and last instant in each month that the rows touch.
        """
        spans = {}
        for month, part in split_months(rows.times_ns):
            times = rows.times_ns[part]
            spans[month] = (int(times.min()), int(times.max()))
            if only is not None and month not in only:
                continue
            late = 0
            if np.any(times[1:] < times[:-1]):
                late = int(np.count_nonzero(times < np.maximum.accumulate(times)))
            columns = {name: values[part] for name, values in rows.columns.items()}
            chunk = Chunk(times, columns, late)
            self.chunks[log, rows.source, month].append(chunk)
            self._bytes += chunk.nbytes
        if self._bytes > self.limit_bytes:
            self._spill()
        return spans

    def _spill(self) -> None:
        self.folder.mkdir(parents=True, exist_ok=True)
        for chunks in self.chunks.values():
            for chunk in chunks:
                if chunk.in_memory:
                    chunk.spill(self.folder / f"{self._spilled}.arrow")
                    self._spilled += 1
        self._bytes = 0

    def month(
        self, log: int, source: str, month: str, *, names: Sequence[str], reach_ns: int
    ) -> tuple[NDArray[np.int64], list[Values]]:
        """Rows of a month and those at most `reach_ns` away from it."""
        low, high = month_edges(month)
        before, after = neighbours(month)
        times: list[NDArray[np.int64]] = []
        columns: list[list[Values]] = [[] for _ in names]
        for key in (before, month, after):
            for chunk in self.chunks.get((log, source, key), ()):
                stamps, values = chunk.read(names)
                if key != month:
                    near = np.flatnonzero((stamps >= low - reach_ns) & (stamps < high + reach_ns))
                    stamps, values = stamps[near], [value[near] for value in values]
                if stamps.size:
                    times.append(stamps)
                    for column, value in zip(columns, values, strict=True):
                        column.append(value)
        if len(times) == 1:
            return times[0], [column[0] for column in columns]
        if not times:
            return np.empty(0, dtype=np.int64), [np.empty(0) for _ in names]
        return np.concatenate(times), [np.concatenate(column) for column in columns]

    def counts(self, log: int, source: str, month: str) -> tuple[int, int]:
        """Rows of a month, and how many of them were out of order."""
        chunks = self.chunks.get((log, source, month), ())
        return sum(chunk.rows for chunk in chunks), sum(chunk.late for chunk in chunks)

    def close(self) -> None:
        """Forget all rows and delete what is on disk."""
        self.chunks.clear()
        shutil.rmtree(self.folder, ignore_errors=True)
