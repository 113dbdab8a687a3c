"""When in the week power is drawn: a map of hours and weekdays."""

from __future__ import annotations

from datetime import tzinfo
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.estimate import number_text
from homeenergy.findings.daily import hourly_energy
from homeenergy.readings.trace import Trace, as_trace
from homeenergy.show.local_axis import zone_name, zone_of
from homeenergy.show.style import axes_for

if TYPE_CHECKING:
    from matplotlib.axes import Axes

WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
# Even steps of lightness, for all kinds of sight and in print; the number stands in each field too.
COLOURS = "Blues"
DARK = 0.55  # share of the scale above which a number is white
LEAST_OF_A_FIELD_H = 0.5


def plot_week_map(
    trace: Trace | pd.Series,
    *,
    timezone: str | tzinfo = "UTC",
    title: str | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Draw the mean power of each hour of each weekday.

    Parameters
    ----------
    trace : Trace or pandas.Series of watts
        At least some weeks of it, or the map shows single days.
    timezone : str or datetime.tzinfo
        Zone of hours and weekdays. The hour that comes twice when clocks go back counts twice.
    title : str, optional
        Default: the label of the trace and of how many days.
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes
        In each field the mean power, in W, or in kW where any is 10 kW or more; darker is more.
        A field of which less than half an hour was measured is hatched and has no number.

    Examples
    --------
    >>> import homeenergy as he
    >>> from homeenergy.show import plot_week_map
    >>> report = he.import_logs("sample_data/canal_flat")
    >>> house = he.open_house("sample_data/canal_flat")
    >>> ax = plot_week_map(house.trace("oven"), timezone=house.timezone)
    >>> [label.get_text() for label in ax.get_yticklabels()][:2]
    ['Mon', 'Tue']
    """
    trace = as_trace(trace)
    zone = zone_of(timezone)
    ax = axes_for(ax, (9.0, 3.0))
    watts = week_map_w(trace, timezone=zone)
    known = np.isfinite(watts)
    greatest_w = float(watts[known].max(initial=0.0))
    least_w = min(0.0, float(watts[known].min(initial=0.0)))
    kilo = greatest_w >= 10_000
    ax.imshow(
        np.ma.masked_invalid(watts),
        cmap=COLOURS,
        vmin=least_w,
        vmax=max(greatest_w, 1e-9),
        aspect="auto",
        extent=(0, 24, 7, 0),
        interpolation="nearest",
    )
    for day in range(7):
        for hour in range(24):
            darkness = (watts[day, hour] - least_w) / max(greatest_w - least_w, 1e-9)
            _write_field(ax, day, hour, watts[day, hour], darkness, kilo=kilo)
    ax.set_xticks(range(0, 25, 3), [f"{hour:02}:00" for hour in range(0, 25, 3)])
    ax.set_yticks(np.arange(7) + 0.5, WEEKDAYS)
    ax.tick_params(axis="y", length=0)
    ax.spines[["left", "bottom"]].set_visible(False)
    ax.set_xlabel(f"local hour ({zone_name(zone)})")
    days = trace.covered_s / 86_400
    unit = "kW" if kilo else "W"
    own = f"{trace.label}: mean power ({unit}), {days:.0f} days"
    ax.set_title(own if title is None else title, loc="left")
    return ax


def _write_field(
    ax: Axes, day: int, hour: int, watts_w: float, darkness: float, *, kilo: bool
) -> None:
    from matplotlib.patches import Rectangle

    if not np.isfinite(watts_w):
        field = Rectangle(
            (hour, day), 1, 1, facecolor="none", edgecolor="0.6", hatch="////", linewidth=0
        )
        ax.add_patch(field)
        return
    text = number_text(watts_w / 1000, 1) if kilo else number_text(watts_w, 0).replace(",", "")
    ax.text(
        hour + 0.5,
        day + 0.5,
        text,
        ha="center",
        va="center",
        fontsize=7.5,
        color="white" if darkness > DARK else "black",
    )


def week_map_w(trace: Trace, *, timezone: tzinfo) -> NDArray[np.float64]:
    """Mean power of each hour (column) of each weekday (row, Monday first) [W], shape (7, 24).

    A sample counts for the hour of UTC in which it begins; where a zone lies half an hour off,
    that hour is put down under the local hour in which it begins. O(n).
    """
    hours = hourly_energy(trace)
    out = np.full((7, 24), np.nan)
    if not len(hours):
        return out
    local = pd.DatetimeIndex(hours.index).tz_convert(timezone)
    field = local.day_of_week.to_numpy() * 24 + local.hour.to_numpy()
    kwh = np.bincount(field, weights=hours["kwh"].to_numpy(), minlength=7 * 24)
    covered_h = np.bincount(field, weights=hours["covered_h"].to_numpy(), minlength=7 * 24)
    enough = covered_h >= LEAST_OF_A_FIELD_H
    out.ravel()[enough] = kwh[enough] / covered_h[enough] * 1000
    return out
