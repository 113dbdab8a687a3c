"""Trace: the mean power of one circuit on a regular grid."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.house.schedule import Clamp, Correction
from homeenergy.readings.store.grid import series_on_grid
from homeenergy.units import NS_PER_S, S_PER_H


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Trace:
    """One circuit on a regular grid.

    Attributes
    ----------
    label : str
        What the trace shows.
    start : pandas.Timestamp
        Instant (UTC) at which the first sample's period begins.
    period_s : float
        Length of a sample [s].
    watts : numpy.ndarray, shape (n,), float32
        Mean power of the period that begins at each instant [W]; NaN = missing. Read-only.
    doubt : numpy.ndarray, shape (n,), uint8, or None
        Flags of `homeenergy.readings.doubt.REASONS` for samples that no figure shall rest on, 0 for
        the others; None where no sample is in doubt. Read-only.

    Examples
    --------
    >>> import numpy as np, pandas as pd
    >>> from homeenergy import Trace
    >>> watts = np.full(1440, 2.0)  # a day in minutes: 2 W, and two boils
    >>> watts[480:486] = watts[780:789] = 1800.0
    >>> start = pd.Timestamp("2026-03-02T00:00Z")
    >>> kettle = Trace(label="Kettle", start=start, period_s=60, watts=watts)
    >>> kettle
    Trace('Kettle', 2026-03-02 00:00:00 UTC, 1440 samples of 60 s, 0.497 kWh)
    >>> kettle.between("2026-03-02 08:00", "2026-03-02 08:06").energy_wh
    180.0
    """

    label: str
    start: pd.Timestamp
    period_s: float
    watts: NDArray[np.float32]
    doubt: NDArray[np.uint8] | None = None

    def __post_init__(self) -> None:
        start = pd.Timestamp(self.start)
        if start.tzinfo is None:
            raise ValueError(
                f"start of trace {self.label!r} has no time zone: {start}. "
                "Give an instant, for example pd.Timestamp(..., tz='UTC')."
            )
        if not self.period_s > 0:
            raise ValueError(f"period_s must be positive, got {self.period_s!r}")
        watts = np.asarray(self.watts, dtype=np.float32)
        if watts.ndim != 1:
            raise ValueError(f"watts must have one dimension, got shape {watts.shape}")
        watts = watts.view()
        watts.flags.writeable = False
        if self.doubt is not None:
            if self.doubt.shape != watts.shape:
                raise ValueError(
                    f"doubt must have one flag a sample, {watts.shape}, got {self.doubt.shape}"
                )
            doubt = np.asarray(self.doubt, dtype=np.uint8).view()
            doubt.flags.writeable = False
            object.__setattr__(self, "doubt", doubt)
        object.__setattr__(self, "start", start.tz_convert("UTC").as_unit("ns"))
        object.__setattr__(self, "period_s", float(self.period_s))
        object.__setattr__(self, "watts", watts)

    def __len__(self) -> int:
        return self.watts.size

    def __repr__(self) -> str:
        return (
            f"Trace({self.label!r}, {self.start:%Y-%m-%d %H:%M:%S} UTC, {len(self)} samples of "
            f"{self.period_s:g} s, {self.energy_wh / 1000:.3f} kWh)"
        )

    def _repr_html_(self) -> str:
        from html import escape

        missing = 1 - self.covered_s / self.span_s if len(self) else 0.0
        rows = {
            "from": f"{self.start:%Y-%m-%d %H:%M:%S} UTC",
            "to": f"{self.end:%Y-%m-%d %H:%M:%S} UTC",
            "one sample": f"{self.period_s:g} s",
            "missing": f"{missing:.2%}",
            "energy": f"{self.energy_wh / 1000:.3f} kWh",
        }
        cells = "".join(f"<tr><th>{k}</th><td>{v}</td></tr>" for k, v in rows.items())
        return f"<table><caption>{escape(self.label)}</caption>{cells}</table>"

    @property
    def period_ns(self) -> int:
        """Length of a sample [ns]."""
        return round(self.period_s * NS_PER_S)

    @property
    def end(self) -> pd.Timestamp:
        """Instant (UTC) at which the last sample's period ends."""
        return self.instant(len(self))

    @property
    def span_s(self) -> float:
        """Time from `start` to `end` [s]."""
        return len(self) * self.period_s

    @property
    def energy_wh(self) -> float:
        """Energy of the samples that are there [Wh]; gaps add nothing. Summed in float64."""
        return float(np.nansum(self.watts, dtype=np.float64)) * self.period_s / S_PER_H

    @property
    def covered_s(self) -> float:
        """Time for which there are samples [s]."""
        return float(np.count_nonzero(~np.isnan(self.watts))) * self.period_s

    def instant(self, index: int) -> pd.Timestamp:
        """Instant (UTC) at which sample `index` begins; `len(trace)` gives the end."""
        return self.start + pd.Timedelta(int(index) * self.period_ns, unit="ns")

    def between(self, start: object = None, end: object = None) -> Trace:
        """Give the samples that begin in [start, end), as a view of the same memory.

        Parameters
        ----------
        start, end : timestamp or text, optional
            Instants with a time zone; without one they are taken as UTC. Half-open.

        Returns
        -------
        Trace
            Empty where the interval lies outside the trace.
        """
        lo = 0 if start is None else self._first_at_or_after(start)
        hi = len(self) if end is None else self._first_at_or_after(end)
        return self.samples(lo, max(lo, hi))

    def samples(self, first: int, stop: int) -> Trace:
        """Give samples [first, stop) as a view of the same memory."""
        first = min(max(first, 0), len(self))
        return Trace(
            label=self.label,
            start=self.instant(first),
            period_s=self.period_s,
            watts=self.watts[first : max(first, stop)],
            doubt=None if self.doubt is None else self.doubt[first : max(first, stop)],
        )

    def sure(self) -> Trace:
        """Give the trace with its samples in doubt missing; itself where none is."""
        if self.doubt is None:
            return self
        watts = np.where(self.doubt == 0, self.watts, np.float32(np.nan))
        return Trace(label=self.label, start=self.start, period_s=self.period_s, watts=watts)

    def doubted(self) -> pd.Series:
        """Give the samples in doubt, of any reason, as a Series of watts on a UTC index."""
        at = np.flatnonzero(self.doubt) if self.doubt is not None else np.empty(0, dtype=np.int64)
        ns = self.start.value + at * self.period_ns
        index = pd.DatetimeIndex(ns.view("M8[ns]")).tz_localize("UTC")
        return pd.Series(self.watts[at], index=index, name=self.label)

    def _first_at_or_after(self, when: object) -> int:
        instant = pd.Timestamp(when)  # type: ignore[arg-type]
        instant = instant.tz_localize("UTC") if instant.tzinfo is None else instant
        ns = int((instant.tz_convert("UTC").as_unit("ns") - self.start).value)
        return min(max(-(-ns // self.period_ns), 0), len(self))

    def times(self) -> pd.DatetimeIndex:
        """Instants (UTC) at which the samples begin, shape (n,)."""
        ns = self.start.value + np.arange(len(self), dtype=np.int64) * self.period_ns
        return pd.DatetimeIndex(ns.view("M8[ns]")).tz_localize("UTC")

    def to_series(self) -> pd.Series:
        """Give the trace as a pandas Series of watts on a UTC index."""
        return pd.Series(self.watts.copy(), index=self.times(), name=self.label)

    @classmethod
    def from_series(
        cls,
        series: pd.Series,
        *,
        label: str | None = None,
        period_s: float | None = None,
        hold_s: float | None = None,
    ) -> Trace:
        """Bring a Series of watts on to a regular grid.

        Parameters
        ----------
        series : pandas.Series
            Mean power [W] on a time-zone-aware index, in any order; NaN = missing.
        label : str, optional
            Default: the name of the series.
        period_s : float, optional
            Length of a sample [s]. Default: found from the index; where its pace changes or wanders
            its quickest usual step, which a `HouseWarning` says.
        hold_s : float, optional
            Longest step across which a value is held [s]; longer ones stay missing. Default: 30 s
            or 2.5 steps of the index, whichever is longer.

        Returns
        -------
        Trace
            A series that is regular already keeps its samples and their instants; any other goes
            to the grid by `homeenergy.readings.store.grid`, with its energy kept.

        Raises
        ------
        ValueError
            If the index is not made of instants with a time zone, or, where no `period_s` is
            given, holds fewer than two or comes at no clear pace; or if, where no `hold_s` is
            given, much of the time lies in steps too long to hold.
        """
        named = series.name if label is None and series.name is not None else label or "power"
        start_ns, period_ns, watts = series_on_grid(series, period_s=period_s, hold_s=hold_s)
        start = pd.Timestamp(start_ns, unit="ns", tz="UTC")
        return Trace(label=str(named), start=start, period_s=period_ns / NS_PER_S, watts=watts)


def as_trace(trace: Trace | pd.Series) -> Trace:
    """Give the trace itself, or the Series brought on to a regular grid."""
    if isinstance(trace, Trace):
        return trace
    if isinstance(trace, pd.Series):
        return Trace.from_series(trace)
    raise TypeError(
        f"expected a Trace or a pandas Series of watts with a time-zone-aware index, "
        f"got {type(trace).__name__}"
    )


def sure_trace(trace: Trace | pd.Series) -> Trace:
    """As `as_trace`, with samples in doubt missing: what figures rest on."""
    return as_trace(trace).sure()


def coarser_trace(trace: Trace, *, period_s: float) -> Trace:
    """Mean power of longer periods.

    Parameters
    ----------
    trace : Trace
    period_s : float
        Length of a sample of the result, a whole multiple of that of the trace [s].

    Returns
    -------
    Trace
        A period with a sample that is missing or in doubt is missing; a last one that is not whole
        is left out.

    Raises
    ------
    ValueError
        If `period_s` is no whole multiple.
    """
    trace = trace.sure()
    many = round(period_s / trace.period_s)
    if many < 1 or abs(many * trace.period_s - period_s) > 1e-9 * period_s:
        raise ValueError(
            f"period_s must be a whole multiple of {trace.period_s:g} s, got {period_s:g} s"
        )
    whole = len(trace) // many
    rows = trace.watts[: whole * many].reshape(whole, many)
    return Trace(
        label=trace.label,
        start=trace.start,
        period_s=period_s,
        watts=np.asarray(np.mean(rows, axis=1, dtype=np.float64), dtype=np.float32),
    )


_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def correct_in_place(
    watts: NDArray[np.float32], clamp: Clamp, *, first_slot: int, period_ns: int
) -> None:
    """Correct samples with what is in force at the instant at which each begins.

    Parameters
    ----------
    watts : numpy.ndarray, shape (n,), float32
        As stored; changed in place.
    clamp : Clamp
        Before its first dated correction the readings stay as they are stored.
    first_slot, period_ns : int
        Number of the first sample since 1970, and length of a sample [ns].
    """
    for lo, hi, correction in in_force(
        clamp, first=first_slot, stop=first_slot + watts.size, period_ns=period_ns
    ):
        here = watts[lo - first_slot : hi - first_slot]
        if correction.value != 1:
            here *= np.float32(correction.value)
        if correction.offset_w:
            here += np.float32(correction.offset_w)


def in_force(
    clamp: Clamp, *, first: int, stop: int, period_ns: int
) -> list[tuple[int, int, Correction]]:
    """What corrects samples [first, stop), counted from 1970: (from, to, correction) in order."""
    if not clamp.corrections:
        return [(first, stop, clamp.in_order[0])]
    edges = [_slot(correction.start, period_ns) for correction in clamp.corrections]
    ends = [*edges[1:], stop]
    pieces = [(first, edges[0], Correction(value=1.0))]
    pieces += [
        (edge, end, correction)
        for edge, end, correction in zip(edges, ends, clamp.corrections, strict=True)
    ]
    cut = [(max(lo, first), min(hi, stop), correction) for lo, hi, correction in pieces]
    return [(lo, hi, correction) for lo, hi, correction in cut if lo < hi]


def _slot(start: datetime | None, period_ns: int) -> int:
    """First sample that begins at an instant or after it."""
    if start is None:
        return -(2**62) // NS_PER_S
    since = start.astimezone(UTC) - _EPOCH
    ns = ((since.days * 86_400 + since.seconds) * 1_000_000 + since.microseconds) * 1000
    return -(-ns // period_ns)
