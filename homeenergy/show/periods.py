"""The same day as a quick and as a slow logger would have it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import tzinfo
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from homeenergy.readings import coarser_trace
from homeenergy.readings.trace import Trace, as_trace
from homeenergy.show.local_axis import axis_days, use_local_time
from homeenergy.show.reduce import reduce_steps
from homeenergy.show.style import BLUE, axes_for

if TYPE_CHECKING:
    from matplotlib.axes import Axes

LANE_FILLED = 0.85


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
    scale = LANE_FILLED / max(highest, 1e-9)
    for row, lane in enumerate(lanes):
        floor = len(lanes) - 1 - row
        instants, watts = reduce_steps(lane)
        days = axis_days(instants)
        ax.axhline(floor, color="0.75", linewidth=0.6, zorder=1)
        ax.fill_between(
            days, floor, floor + watts * scale, step="post", color=BLUE, alpha=0.3, linewidth=0
        )
        ax.plot(days, floor + watts * scale, color=BLUE, linewidth=0.9, drawstyle="steps-post")
        top_w = float(np.nanmax(lane.watts)) if len(lane) else np.nan
        ax.annotate(
            f"highest\n{top_w:,.0f} W",
            (1.0, floor + LANE_FILLED / 2),
            xycoords=("axes fraction", "data"),
            xytext=(6, 0),
            textcoords="offset points",
            va="center",
            fontsize=9,
            annotation_clip=False,
        )
    middles = [len(lanes) - 1 - row + LANE_FILLED / 2 for row in range(len(lanes))]
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
