"""Several circuits on one local time axis."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import tzinfo
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from homeenergy.readings.trace import Trace, as_trace
from homeenergy.show.figures.local_axis import axis_days, use_local_time
from homeenergy.show.figures.style import LOOKS, POINTS, axes_for, reduce_steps

if TYPE_CHECKING:
    from matplotlib.axes import Axes


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
        Holes stay holes. A long trace is drawn with fewer points, its peaks kept.
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
        If there is nothing to draw, or more circuits than can be told apart on one scale.
    """
    given = [traces] if isinstance(traces, Trace | pd.Series) else list(traces)
    shown = [as_trace(trace) for trace in given]
    if not shown:
        raise ValueError("no trace to draw; give at least one")
    in_lanes = len(shown) > 1 if lanes is None else lanes
    if not in_lanes and len(shown) > MOST_OVERLAID:
        raise ValueError(
            f"{len(shown)} circuits on one scale cannot be told apart; "
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
        floor = len(traces) - 1 - row
        instants_ns, watts = reduce_steps(trace, points=points)
        days = axis_days(instants_ns)
        peak_w = float(np.nanmax(watts)) if watts.size else np.nan
        lowest_w = min(0.0, float(np.nanmin(watts))) if watts.size else 0.0
        scale = LANE_FILLED / max(peak_w - lowest_w, LEAST_LANE_W) if np.isfinite(peak_w) else 1.0
        heights = floor + (watts - min(lowest_w, 0.0)) * scale
        colour = LOOKS[row % 2].colour  # neighbours differ; the name stands beside the lane
        zero = floor - lowest_w * scale
        ax.axhline(zero, color="0.75", linewidth=0.6, zorder=1)
        ax.fill_between(
            days, zero, heights, step="post", color=colour, alpha=0.22, linewidth=0, zorder=2
        )
        ax.plot(days, heights, color=colour, linewidth=0.9, drawstyle="steps-post", zorder=3)
        note = f"{peak_w:,.0f} W" if np.isfinite(peak_w) else "no data"
        ax.annotate(
            note,
            (1.0, floor + LANE_FILLED / 2),
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
