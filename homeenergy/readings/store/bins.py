"""Least, greatest and sum of each minute and hour of a month, kept next to the store."""

from __future__ import annotations

import json
from contextlib import suppress
from dataclasses import asdict, dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from homeenergy.files import replacing
from homeenergy.house.schedule import Correction
from homeenergy.readings.store.kept import KEPT_FROM
from homeenergy.readings.store.store import FLOATS, VERIFIED, MonthInfo, Store, sum_of_words

WIDTHS = (60, 3600)
FORMAT = 2
TOGETHER = 1 << 17  # samples that are summed up in one go, so that they stay in the cache
_KEY = b"homeenergy"
COLUMNS = ("least_w", "greatest_w", "sum_w", "count")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Bins:
    """Bins `first`, `first` + 1, and so on; a bin's number times its width is its first sample.

    `least_w` and `greatest_w` are float32 and NaN where no sample is there, `sum_w` is float64
    and 0 there, `count` is how many samples are there.
    """

    first: int
    least_w: NDArray[np.float32]
    greatest_w: NDArray[np.float32]
    sum_w: NDArray[np.float64]
    count: NDArray[np.int32]

    def __len__(self) -> int:
        return self.count.size

    @property
    def bytes(self) -> int:
        """Memory that the arrays take."""
        return sum(getattr(self, name).nbytes for name in COLUMNS)

    @property
    def mean_w(self) -> NDArray[np.float64]:
        """Mean of the samples that are there [W]; NaN where none is."""
        out = np.full(len(self), np.nan)
        return np.divide(self.sum_w, self.count, out=out, where=self.count > 0)

    @classmethod
    def nothing(cls, first: int, number: int) -> Bins:
        """Bins without samples, to be filled."""
        return cls(
            first=first,
            least_w=np.full(number, np.nan, dtype=np.float32),
            greatest_w=np.full(number, np.nan, dtype=np.float32),
            sum_w=np.zeros(number),
            count=np.zeros(number, dtype=np.int32),
        )

    def take_in(self, other: Bins) -> None:
        """Add the samples of other bins of the same width, where they are the same bins."""
        low, high = (
            max(self.first, other.first),
            min(self.first + len(self), other.first + len(other)),
        )
        if high <= low:
            return
        here = slice(low - self.first, high - self.first)
        there = slice(low - other.first, high - other.first)
        np.fmin(self.least_w[here], other.least_w[there], out=self.least_w[here])
        np.fmax(self.greatest_w[here], other.greatest_w[there], out=self.greatest_w[here])
        self.sum_w[here] += other.sum_w[there]
        self.count[here] += other.count[there]

    def corrected(self, correction: Correction) -> Bins:
        """Bins of samples corrected; a negative multiplier makes the least the greatest."""
        factor, offset_w = np.float32(correction.value), np.float32(correction.offset_w)
        if factor == 1 and offset_w == 0:
            return self
        least_w = self.least_w * factor + offset_w
        greatest_w = self.greatest_w * factor + offset_w
        if factor < 0:
            least_w, greatest_w = greatest_w, least_w
        return Bins(
            first=self.first,
            least_w=least_w,
            greatest_w=greatest_w,
            sum_w=self.sum_w * float(factor) + self.count * float(offset_w),
            count=self.count,
        )


def bins_of_samples(watts: NDArray[np.float32], *, first: int, width: int) -> Bins:
    """Sum samples up in bins.

    Parameters
    ----------
    watts : numpy.ndarray, shape (n,), float32
        NaN = missing.
    first : int
        Number of the first sample since 1970.
    width : int
        Samples in a bin. The first and the last bin may hold only part of theirs.

    Returns
    -------
    Bins
    """
    bins = Bins.nothing(first // width, -(-(first % width + watts.size) // width))
    least_w, greatest_w, sum_w, count = (getattr(bins, name) for name in COLUMNS)
    step = max(TOGETHER // width, 1) * width
    edges = [0, *range(step - first % width, watts.size, step), watts.size]
    for low, high in pairwise(edges):
        table = _in_columns(watts[low:high], first + low, width, np.float32(np.nan))
        at = (first + low) // width - bins.first
        here = slice(at, at + table.shape[1])
        np.fmin.reduce(table, axis=0, out=least_w[here])
        np.fmax.reduce(table, axis=0, out=greatest_w[here])
        missing = np.isnan(table)
        if missing.any():
            np.subtract(len(table), np.add.reduce(missing, axis=0, dtype=np.int32), out=count[here])
            np.copyto(table, 0, where=missing)
        else:
            count[here] = len(table)
        np.add.reduce(table, axis=0, dtype=np.float64, out=sum_w[here])
    return bins


def bins_of_bins(bins: Bins, *, width: int) -> Bins:
    """Put `width` bins together into one, counted from bin 0."""
    first = bins.first

    def columns(values: NDArray, nothing: float) -> NDArray:
        return _in_columns(values, first, width, values.dtype.type(nothing))

    return Bins(
        first=first // width,
        least_w=np.fmin.reduce(columns(bins.least_w, np.nan), axis=0),
        greatest_w=np.fmax.reduce(columns(bins.greatest_w, np.nan), axis=0),
        sum_w=np.add.reduce(columns(bins.sum_w, 0), axis=0),
        count=np.add.reduce(columns(bins.count, 0), axis=0, dtype=np.int32),
    )


def _in_columns(values: NDArray, first: int, width: int, nothing: object) -> NDArray:
    """One column a bin: reducing along the first axis is several times quicker than along rows."""
    before = first % width
    after = -(before + values.size) % width
    padded = np.empty(before + values.size + after, dtype=values.dtype)
    padded[:before], padded[before + values.size :] = nothing, nothing
    padded[before : before + values.size] = values
    return np.ascontiguousarray(padded.reshape(-1, width).T)


def month_bins(info: MonthInfo, watts: NDArray[np.float32]) -> tuple[Bins, ...]:
    """Bins of a month, one entry a width of WIDTHS, worked out from its samples."""
    minutes = bins_of_samples(watts, first=info.first_slot, width=WIDTHS[0])
    return minutes, bins_of_bins(minutes, width=WIDTHS[1] // WIDTHS[0])


def stored_bins(store: Store, info: MonthInfo, level: int) -> Bins:
    """Bins of one width of a month, from its file next to the store, which is made if need be.

    Notes
    -----
    The file carries what the month's file says of itself. Where the two differ, because the month
    was imported again, or the file is damaged or was deleted, it is worked out and written anew.
    Where it cannot be written, as on a disk for reading only, the answer is the same.
    """
    found = _read(store.overview_path(info.circuit, info.month), info, level)
    if found is not None:
        return found
    watts = np.empty(info.samples, dtype=np.float32)
    store.read_into(info, watts)
    levels = month_bins(info, watts)
    with suppress(OSError):
        _write(store.overview_path(info.circuit, info.month), info, levels)
    return levels[level]


def keep_bins(store: Store, info: MonthInfo, watts: NDArray[np.float32]) -> None:
    """Keep the bins of a long month whose samples have been read for another reason.

    Those of a short one are worked out in milliseconds when they are asked for.
    """
    if info.samples >= KEPT_FROM and not is_stored(store, info):
        with suppress(OSError):
            _write(store.overview_path(info.circuit, info.month), info, month_bins(info, watts))


def is_stored(store: Store, info: MonthInfo) -> bool:
    """Whether the file of a month's bins is there and belongs to the month as it is."""
    try:
        metadata = pq.read_metadata(store.overview_path(info.circuit, info.month)).metadata or {}
        return metadata.get(_KEY) is not None and _belongs(json.loads(metadata[_KEY]), info)
    except (OSError, pa.ArrowException, ValueError):
        return False


def _belongs(note: dict, info: MonthInfo) -> bool:
    return note.get("format") == [FORMAT, *WIDTHS] and note.get("month") == asdict(info)


def _read(path: Path, info: MonthInfo, level: int) -> Bins | None:
    try:
        with pq.ParquetFile(path, **VERIFIED) as file:
            note = json.loads((file.schema_arrow.metadata or {})[_KEY])
            if not _belongs(note, info):
                return None
            table = file.read_row_group(level, use_threads=False)
            columns = [table.column(name).to_numpy() for name in COLUMNS]
        if sum_of_words(*columns) != note["words"][level]:
            return None
    except (OSError, pa.ArrowException, KeyError, IndexError, TypeError, ValueError):
        return None
    first = info.first_slot // WIDTHS[level]
    least_w, greatest_w, sum_w, count = columns
    return Bins(first=first, least_w=least_w, greatest_w=greatest_w, sum_w=sum_w, count=count)


def _write(path: Path, info: MonthInfo, levels: tuple[Bins, ...]) -> None:
    """Write a row group a width, in one stroke."""
    words = [sum_of_words(*(getattr(bins, name) for name in COLUMNS)) for bins in levels]
    note = json.dumps(
        {"format": [FORMAT, *WIDTHS], "month": asdict(info), "words": words}, sort_keys=True
    )
    kinds = (pa.float32(), pa.float32(), pa.float64(), pa.int32())
    fields = [pa.field(name, kind) for name, kind in zip(COLUMNS, kinds, strict=True)]
    schema = pa.schema(fields, metadata={_KEY: note.encode()})
    path.parent.mkdir(parents=True, exist_ok=True)
    options = {**FLOATS, "column_encoding": dict.fromkeys(COLUMNS[:3], "BYTE_STREAM_SPLIT")}
    with (
        replacing(path, lasting=False) as temporary,
        pq.ParquetWriter(temporary, schema, **options) as file,
    ):
        for bins in levels:
            arrays = [pa.array(getattr(bins, name)) for name in COLUMNS]
            table = pa.Table.from_arrays(arrays, schema=schema)
            file.write_table(table, row_group_size=max(len(bins), 1))
