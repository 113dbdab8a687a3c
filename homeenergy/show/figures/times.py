"""Power over time: traces, one trace in several periods, hours of the week and of use."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from datetime import tzinfo

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from numpy.typing import NDArray

from homeenergy.findings.appliance.record import clipped, interval_text, value_text
from homeenergy.findings.days import hourly_energy
from homeenergy.findings.loads.lighting import HoursOfUse
from homeenergy.readings import coarser_trace
from homeenergy.readings.trace import Trace, as_trace, sure_trace
from homeenergy.show.figures.style import (
    BLUE,
    LOOKS,
    POINTS,
    axes_for,
    axis_days,
    mark_doubted,
    reduce_steps,
    use_local_time,
    zone_name,
    zone_of,
)
from homeenergy.stats.estimate import number_text

MOST_OVERLAID = len(LOOKS)
LANE_FILLED = 0.82  # the rest parts a lane from the next
LEAST_LANE_W = 50.0  # so that the noise of a clamp does not fill a lane


def plot_traces(
    traces: Trace | pd.Series | Iterable[Trace | pd.Series],
    *,
    timezone: str | tzinfo = "UTC",
    lanes: bool | None = None,
    title: str | None = None,
    points: int = POINTS,
    ax: Axes | None = None,
) -> Axes:
    """Draw the power of one or several circuits over local time.

    Parameters
    ----------
    traces : Trace or pandas.Series of watts, or several of them
        Gaps stay gaps. A long trace is drawn with fewer points, its peaks kept.
    timezone : str or datetime.tzinfo
        Zone of the axis; the night the clocks change has its true length.
    lanes : bool, optional
        True: each circuit in a lane of its own, scaled to its own peak (50 W at the least), which
        is written at the right. False: all on one scale in watts. Default: lanes for two
        circuits and more.
    title : str, optional
    points : int
        About how many points to draw of each circuit.
    ax : matplotlib.axes.Axes, optional
        Where to draw. Default: a new figure.

    Returns
    -------
    matplotlib.axes.Axes

    Raises
    ------
    ValueError
        If there is nothing to draw, or more circuits than can be distinguished on one scale.
    """
    given = [traces] if isinstance(traces, Trace | pd.Series) else list(traces)
    shown = [as_trace(trace) for trace in given]
    if not shown:
        raise ValueError("no trace to draw; give at least one")
    in_lanes = len(shown) > 1 if lanes is None else lanes
    if not in_lanes and len(shown) > MOST_OVERLAID:
        raise ValueError(
            f"{len(shown)} circuits on one scale cannot be distinguished; "
            f"draw at most {MOST_OVERLAID}, or use lanes=True"
        )
    height_in = 0.9 + 0.5 * len(shown) if in_lanes else 3.4
    ax = axes_for(ax, (9.0, max(height_in, 2.6)))
    if in_lanes:
        _draw_lanes(ax, shown, points)
    else:
        _draw_on_one_scale(ax, shown, points)
    spans = [trace for trace in shown if len(trace)]
    if spans:
        ends = axis_days([min(t.start for t in spans).value, max(t.end for t in spans).value])
        ax.set_xlim(*ends)
    use_local_time(ax, timezone)
    ax.grid(axis="x", color="0.88", linewidth=0.7)
    if title is not None:
        ax.set_title(title, loc="left")
    return ax


def _draw_on_one_scale(ax: Axes, traces: list[Trace], points: int) -> None:
    for trace, look in zip(traces, LOOKS, strict=False):
        instants_ns, watts = reduce_steps(trace, points=points)
        ax.plot(
            axis_days(instants_ns),
            watts,
            color=look.colour,
            linestyle=look.dash,
            linewidth=1.0,
            drawstyle="steps-post",
            label=trace.label,
        )
    for trace in traces:
        mark_doubted(ax, trace)
    ax.set_ylabel("power (W)")
    ax.grid(axis="y", color="0.88", linewidth=0.7)
    if len(traces) > 1:
        ax.legend(
            loc="lower right",
            bbox_to_anchor=(1.0, 1.0),
            ncols=len(traces),
            frameon=False,
            handlelength=3.2,
        )


def _draw_lanes(ax: Axes, traces: list[Trace], points: int) -> None:
    for row, trace in enumerate(traces):
        bottom = len(traces) - 1 - row
        instants_ns, watts = reduce_steps(trace, points=points)
        days = axis_days(instants_ns)
        peak_w = float(np.nanmax(watts)) if watts.size else np.nan
        lowest_w = min(0.0, float(np.nanmin(watts))) if watts.size else 0.0
        scale = LANE_FILLED / max(peak_w - lowest_w, LEAST_LANE_W) if np.isfinite(peak_w) else 1.0
        heights = bottom + (watts - min(lowest_w, 0.0)) * scale
        colour = LOOKS[row % 2].colour  # neighbours differ; the name is next to the lane
        zero = bottom - lowest_w * scale
        ax.axhline(zero, color="0.75", linewidth=0.6, zorder=1)
        ax.fill_between(
            days, zero, heights, step="post", color=colour, alpha=0.22, linewidth=0, zorder=2
        )
        ax.plot(days, heights, color=colour, linewidth=0.9, drawstyle="steps-post", zorder=3)
        mark_doubted(ax, trace, zero=zero, scale=scale, within=(bottom, bottom + LANE_FILLED))
        note = f"{peak_w:,.0f} W" if np.isfinite(peak_w) else "no data"
        ax.annotate(
            note,
            (1.0, bottom + LANE_FILLED / 2),
            xycoords=("axes fraction", "data"),
            xytext=(6, 0),
            textcoords="offset points",
            va="center",
            fontsize=9,
            annotation_clip=False,
        )
    top = len(traces) - 1
    ax.annotate(
        "highest",
        (1.0, top + 1.05),
        xycoords=("axes fraction", "data"),
        xytext=(6, 0),
        textcoords="offset points",
        va="bottom",
        fontsize=9,
        color="0.35",
        annotation_clip=False,
    )
    ax.set_ylim(-0.12, top + 1.0)
    ax.set_yticks([top - i + LANE_FILLED / 2 for i in range(top + 1)], [t.label for t in traces])
    ax.tick_params(axis="y", length=0)
    ax.spines["left"].set_visible(False)


WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
# Even steps of lightness, for all kinds of sight and in print; the number is in each field too.
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
    trace = sure_trace(trace)
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


PERIOD_FILLED = 0.85


def plot_periods(
    trace: Trace | pd.Series,
    *,
    periods_s: Sequence[float] = (1, 60, 900, 3600),
    timezone: str | tzinfo = "UTC",
    title: str | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Draw one trace in periods of several lengths, one lane each, all on the same scale.

    Parameters
    ----------
    trace : Trace or pandas.Series of watts
    periods_s : sequence of float
        Whole multiples of the period of the trace [s].
    timezone : str or datetime.tzinfo
    title : str, optional
        Default: the label of the trace.
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes
        The highest value of each lane is written at its right.
    """
    trace = as_trace(trace)
    ax = axes_for(ax, (9.0, 0.8 + 0.85 * len(periods_s)))
    lanes = [coarser_trace(trace, period_s=period_s) for period_s in periods_s]
    highest = max((float(np.nanmax(lane.watts)) for lane in lanes if len(lane)), default=1.0)
    scale = PERIOD_FILLED / max(highest, 1e-9)
    for row, lane in enumerate(lanes):
        bottom = len(lanes) - 1 - row
        instants, watts = reduce_steps(lane)
        days = axis_days(instants)
        ax.axhline(bottom, color="0.75", linewidth=0.6, zorder=1)
        ax.fill_between(
            days, bottom, bottom + watts * scale, step="post", color=BLUE, alpha=0.3, linewidth=0
        )
        ax.plot(days, bottom + watts * scale, color=BLUE, linewidth=0.9, drawstyle="steps-post")
        top_w = float(np.nanmax(lane.watts)) if len(lane) else np.nan
        ax.annotate(
            f"highest\n{top_w:,.0f} W",
            (1.0, bottom + PERIOD_FILLED / 2),
            xycoords=("axes fraction", "data"),
            xytext=(6, 0),
            textcoords="offset points",
            va="center",
            fontsize=9,
            annotation_clip=False,
        )
    middles = [len(lanes) - 1 - row + PERIOD_FILLED / 2 for row in range(len(lanes))]
    ax.set_yticks(middles, [f"every {period_name(period_s)}" for period_s in periods_s])
    ax.tick_params(axis="y", length=0)
    ax.spines["left"].set_visible(False)
    ax.set_ylim(-0.1, len(lanes))
    ax.set_xlim(*axis_days([trace.start.value, trace.end.value]))
    use_local_time(ax, timezone)
    ax.set_title(trace.label if title is None else title, loc="left")
    return ax


def period_name(period_s: float) -> str:
    """Write a period for people: 15 min, 1 h."""
    for size_s, unit in ((3600, "h"), (60, "min")):
        if period_s >= size_s and period_s % size_s == 0:
            return f"{period_s / size_s:g} {unit}"
    return f"{period_s:g} s"


MINUTES = 60


def plot_hours_of_use(use: HoursOfUse, *, title: str | None = None, ax: Axes | None = None) -> Axes:
    """Draw for how many minutes of each hour of the local day a load is on, on average.

    Parameters
    ----------
    use : HoursOfUse
    title : str, optional
        Default: the appliance, its hours a day and its watts when on.
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes
        A bar an hour; hours that were never seen have a cross and no bar.
    """
    ax = axes_for(ax, (9.0, 2.9))
    minutes = MINUTES * use.by_hour["on_h"].to_numpy(np.float64)
    hours = use.by_hour["hour"].to_numpy(np.float64)
    seen = np.isfinite(minutes)
    ax.bar(
        hours[seen] + 0.06,
        minutes[seen],
        width=0.88,
        align="edge",
        facecolor=BLUE,
        edgecolor=BLUE,
        linewidth=0.8,
    )
    if not seen.all():
        ax.plot(
            hours[~seen] + 0.5,
            np.full((~seen).sum(), 1.0),
            linestyle="none",
            marker="x",
            color="black",
            label="never seen",
        )
        ax.legend(loc="upper left", frameon=False)
    ax.set_xlim(0, 24)
    ax.set_xticks(range(0, 25, 3), [f"{h:02d}:00" for h in range(0, 25, 3)])
    top = float(np.nanmax(minutes)) if seen.any() else 0.0
    ax.set_ylim(0, max(1.15 * top, 1.0) if top < 52 else MINUTES)
    ax.set_ylabel("on (minutes of the hour)")
    ax.set_xlabel("time of day")
    ax.grid(axis="y", color="0.88", linewidth=0.7)
    ax.set_title(_title(use) if title is None else title, loc="left")
    return ax


def _title(use: HoursOfUse) -> str:
    name = use.finding.appliance
    hours = clipped(use.hours_per_day, use.finding)
    if not (hours.value > 0 and math.isfinite(use.on_w.value)):
        return f"{name}: never on in {use.finding.days:.0f} days"
    text = f"{name}: {value_text(hours)} h a day ({interval_text(hours, of='days')})"
    return f"{text}, {use.on_w.value:,.0f} W when on, {use.finding.days:.0f} days"
