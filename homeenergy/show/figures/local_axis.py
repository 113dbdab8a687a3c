"""A time axis in a house's local time, right on both sides of a clock change."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import tzinfo

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.ticker import Formatter, Locator
from numpy.typing import ArrayLike, NDArray

from homeenergy.house.zones import read_zone
from homeenergy.units import NS_PER_S, S_PER_DAY

DAY_NS = int(S_PER_DAY) * NS_PER_S
QUARTER_S = 900  # every zone of today is a whole number of quarters of an hour from UTC
CLOCK_STEPS_S = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200)
DAY_STEPS = (1, 2, 7, 14)
MONTH_STEPS = (1, 2, 3, 6, 12, 24, 60, 120)
INCHES_PER_LABEL = 0.75


def zone_of(timezone: str | tzinfo) -> tzinfo:
    """Give the zone itself, or the one of that name."""
    return read_zone(timezone) if isinstance(timezone, str) else timezone


def axis_days(instants_ns: ArrayLike) -> NDArray[np.float64]:
    """Position on the axis of instants in UTC [ns]: days since 1970, as matplotlib counts."""
    return np.asarray(instants_ns, dtype=np.int64) / DAY_NS


def instants_ns(instants: pd.Series | pd.DatetimeIndex) -> NDArray[np.int64]:
    """UTC nanoseconds since 1970 of instants with a time zone, shape (n,)."""
    if not len(instants):
        return np.empty(0, dtype=np.int64)
    index = pd.DatetimeIndex(instants).tz_convert("UTC").tz_localize(None).as_unit("ns")
    return np.asarray(index.view(np.int64))


def use_local_time(ax: Axes, timezone: str | tzinfo) -> None:
    """Give the x axis of `ax`, drawn with `axis_days`, ticks and labels in local time."""
    zone = zone_of(timezone)
    ax.xaxis.set_major_locator(LocalTimeLocator(zone))
    ax.xaxis.set_major_formatter(LocalTimeFormatter(zone))
    ax.set_xlabel(f"local time ({zone_name(zone)})")


def zone_name(zone: tzinfo) -> str:
    """Name of a zone, for people."""
    return str(getattr(zone, "key", zone))


def local_ticks(low_ns: int, high_ns: int, zone: tzinfo, *, most: int = 8) -> pd.DatetimeIndex:
    """Round local times between two instants, in the zone; about `most` of them.

    Notes
    -----
    Steps of less than a day are times of day, so on the night of a clock change one step is an
    hour longer or shorter, an hour that exists twice has two ticks, and one that is skipped none.
    """
    span_s = max((high_ns - low_ns) / NS_PER_S, 1e-3)
    if span_s / CLOCK_STEPS_S[-1] <= most:
        step_s = next(step for step in CLOCK_STEPS_S if span_s / step <= most)
        return _times_of_day(low_ns, high_ns, zone, step_s)
    span_days = span_s / S_PER_DAY
    days = [step for step in DAY_STEPS if span_days / step <= most]
    local = pd.DatetimeIndex(np.array([low_ns, high_ns], "M8[ns]")).tz_localize("UTC")
    first, last = local.tz_convert(zone).tz_localize(None).normalize()
    if days:
        dates = pd.date_range(first, last, freq="D")
        if days[0] < 7:
            dates = dates[(dates - pd.Timestamp(0)).days % days[0] == 0]
        else:
            mondays = (dates - pd.Timestamp("1970-01-05")).days
            dates = dates[mondays % days[0] == 0]
    else:
        months = next((s for s in MONTH_STEPS if span_days / (30.4 * s) <= most), MONTH_STEPS[-1])
        dates = pd.date_range(first.replace(day=1), last, freq="MS")
        dates = dates[(dates.year * 12 + dates.month - 1) % months == 0]
    first_instant = np.ones(len(dates), dtype=bool)
    ticks = dates.as_unit("ns").tz_localize(
        zone, ambiguous=first_instant, nonexistent="shift_forward"
    )
    return ticks[(instants_ns(ticks) >= low_ns) & (instants_ns(ticks) <= high_ns)]


def _times_of_day(low_ns: int, high_ns: int, zone: tzinfo, step_s: int) -> pd.DatetimeIndex:
    pace_ns = min(step_s, QUARTER_S) * NS_PER_S
    candidates = np.arange(-(-low_ns // pace_ns), high_ns // pace_ns + 1, dtype=np.int64) * pace_ns
    local = pd.DatetimeIndex(candidates.view("M8[ns]")).tz_localize("UTC").tz_convert(zone)
    return local[(local.hour * 3600 + local.minute * 60 + local.second) % step_s == 0]


class LocalTimeLocator(Locator):
    """Places ticks on round local times, fewer on a narrower axis."""

    def __init__(self, zone: tzinfo) -> None:
        self.zone = zone

    def __call__(self) -> list[float]:
        """Positions of the ticks in the present view."""
        low, high = sorted(self.axis.get_view_interval())  # type: ignore[union-attr]
        return self.tick_values(low, high)

    def tick_values(self, vmin: float, vmax: float) -> list[float]:
        """Positions of the ticks between two positions on the axis [days]."""
        if not (np.isfinite([vmin, vmax]).all() and abs(vmin) < 1e5 and abs(vmax) < 1e5):
            return []
        most = 8
        axes = getattr(self.axis, "axes", None)
        if axes is not None:
            width_in = axes.get_position().width * axes.get_figure(root=True).get_figwidth()
            most = max(2, int(width_in / INCHES_PER_LABEL))
        ticks = local_ticks(int(vmin * DAY_NS), int(vmax * DAY_NS), self.zone, most=most)
        return list(axis_days(instants_ns(ticks)))


class LocalTimeFormatter(Formatter):
    """Writes local times; the date below the first time of each day."""

    def __init__(self, zone: tzinfo) -> None:
        self.zone = zone

    def _local(self, values: Sequence[float]) -> pd.DatetimeIndex:
        ns = np.round(np.asarray(values, dtype=np.float64) * S_PER_DAY * 1000).astype(np.int64)
        instants = pd.DatetimeIndex((ns * 1_000_000).view("M8[ns]"))
        return instants.tz_localize("UTC").tz_convert(self.zone)

    def __call__(self, x: float, pos: int | None = None) -> str:  # noqa: ARG002
        """Write one instant in full, as under a pointer."""
        return f"{self._local([x])[0]:%Y-%m-%d %H:%M:%S}"

    def format_ticks(self, values: Sequence[float]) -> list[str]:
        """Labels of all ticks together."""
        if len(values) == 0:
            return []
        local = self._local(values)
        if len(values) > 1 and np.diff(values).min() > 26 / 24:
            return _date_labels(local)
        whole_days = len(values) > 1 and bool((local.hour == 0).all())
        if whole_days:
            return _date_labels(local)
        pattern = "%H:%M:%S" if (local.second != 0).any() else "%H:%M"
        labels = [f"{when:{pattern}}" for when in local]
        dates = [when.date() for when in local]
        moved = len({when.utcoffset() for when in local}) > 1
        twice = {
            label
            for label, date in zip(labels, dates, strict=True)
            if list(zip(labels, dates, strict=True)).count((label, date)) > 1
        }
        for i, when in enumerate(local):
            if moved and labels[i] in twice:
                labels[i] += f"\n{when:%Z}"
            elif i == 0 or dates[i] != dates[i - 1]:
                labels[i] += f"\n{when:%a} {when.day} {when:%b}"
        labels[0] += f"\n{local[0]:%Y}" if labels[0].count("\n") == 1 else ""
        return labels


def _date_labels(local: pd.DatetimeIndex) -> list[str]:
    monthly = bool((local.day == 1).all()) and len(local) > 1
    labels = [f"{when:%b}" if monthly else f"{when:%a}\n{when.day} {when:%b}" for when in local]
    for i, when in enumerate(local):
        if i == 0 or when.year != local[i - 1].year:
            labels[i] += f"\n{when:%Y}"
    return labels
