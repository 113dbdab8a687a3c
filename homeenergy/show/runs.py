"""One circuit with its runs marked, and the energy of each run."""

from __future__ import annotations

from datetime import tzinfo
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.findings.daily import local_days
from homeenergy.findings.means import mean_of_runs
from homeenergy.findings.wording import estimate_text, is_bound
from homeenergy.readings.trace import Trace, as_trace
from homeenergy.show.local_axis import axis_days, instants_ns, use_local_time, zone_of
from homeenergy.show.reduce import POINTS, reduce_steps
from homeenergy.show.style import BLACK, BLUE, GREEN, ORANGE, VERMILION, axes_for
from homeenergy.units import WH_PER_KWH

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from homeenergy.cycles import Cycles

RUN_LOOKS: dict[str, dict[str, Any]] = {
    "a run": {"facecolor": GREEN, "alpha": 0.2, "edgecolor": GREEN},
    "a run cut short by the data": {
        "facecolor": "none",
        "alpha": 0.7,
        "edgecolor": ORANGE,
        "hatch": "////",
    },
}
LEAST_NUMBER_SHARE = 0.035  # of the axis: a number nearer to the last one is left out


def plot_runs(
    trace: Trace | pd.Series,
    cycles: Cycles,
    *,
    timezone: str | tzinfo = "UTC",
    standby: bool = True,
    title: str | None = None,
    points: int = POINTS,
    ax: Axes | None = None,
) -> Axes:
    """Draw a circuit with every run shaded and numbered, and the standby draw as a line.

    Parameters
    ----------
    trace : Trace or pandas.Series of watts
        What is drawn; may be a part (a day) of what the runs were found in.
    cycles : Cycles
        Runs; those outside the trace are left out. Numbers count the rows of its table from 1.
        A run that the data's edge or a hole cuts is hatched.
    timezone : str or datetime.tzinfo
        Zone of the axis.
    standby : bool
        Draw the standby level.
    title : str, optional
        Default: the label of the trace.
    points : int
        About how many points to draw.
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes
    """
    trace = as_trace(trace)
    ax = axes_for(ax, (9.0, 3.2))
    table = cycles.table
    inside = (table["start"] < trace.end) & (table["end"] > trace.start)
    shown = axis_days([trace.start.value, trace.end.value])
    _shade_runs(ax, table[inside.to_numpy()], shown)
    corners_ns, watts = reduce_steps(trace, points=points)
    ax.plot(
        axis_days(corners_ns), watts, color=BLUE, linewidth=1.0, drawstyle="steps-post", zorder=3
    )
    if standby and np.isfinite(cycles.standby.high):
        level_w = cycles.standby.high if is_bound(cycles.standby) else cycles.standby.value
        ax.axhline(
            level_w,
            color=VERMILION,
            linestyle=(0, (6, 2)),
            linewidth=1.2,
            zorder=4,
            label=f"standby {estimate_text(cycles.standby)}",
        )
    if len(trace):
        ax.set_xlim(*shown)
    peak_w = float(np.nanmax(watts)) if watts.size else 1.0
    lowest_w = min(0.0, float(np.nanmin(watts))) if watts.size else 0.0
    ax.set_ylim(lowest_w * 1.1, max(peak_w, 1.0) * 1.18)
    use_local_time(ax, timezone)
    ax.set_ylabel("power (W)")
    ax.grid(axis="y", color="0.88", linewidth=0.7)
    ax.set_title(trace.label if title is None else title, loc="left")
    if ax.get_legend_handles_labels()[0]:
        ax.legend(loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=3, frameon=False)
    return ax


def _shade_runs(ax: Axes, runs: pd.DataFrame, shown: NDArray[np.float64]) -> None:
    starts = axis_days(instants_ns(runs["start"]))
    ends = axis_days(instants_ns(runs["end"]))
    for kind, look in RUN_LOOKS.items():
        own = (runs["complete"] == (kind == "a run")).to_numpy(dtype=bool)
        if own.any():
            # One artist for all of them: some hundreds of separate ones take a second.
            ax.broken_barh(
                np.c_[starts, ends - starts][own].tolist(),
                (0, 1),
                transform=ax.get_xaxis_transform(),
                linewidth=0.8,
                zorder=1,
                label=kind,
                **look,
            )
    narrowest = LEAST_NUMBER_SHARE * (shown[1] - shown[0])
    free_from = -np.inf
    for number, low, high in zip(runs.index + 1, starts, ends, strict=True):
        middle = (max(low, shown[0]) + min(high, shown[1])) / 2
        if middle - narrowest / 2 >= free_from:
            free_from = middle + narrowest / 2
            ax.annotate(
                str(number),
                (middle, 0.985),
                xycoords=("data", "axes fraction"),
                ha="center",
                va="top",
                fontsize=9,
                annotation_clip=True,
                clip_on=True,
            )


def plot_run_energies(
    cycles: Cycles,
    *,
    timezone: str | tzinfo = "UTC",
    title: str | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Draw the energy of every run over time, with the mean of the complete ones.

    Parameters
    ----------
    cycles : Cycles
    timezone : str or datetime.tzinfo
        Zone of the axis, and of the days whose runs may be alike, which the interval allows for.
    title : str, optional
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes
        In kWh. A run that the data's edge or a hole cuts is an open square: its energy is a
        least value, and it does not count in the mean.
    """
    ax = axes_for(ax, (9.0, 2.8))
    table = cycles.table
    complete = table["complete"].to_numpy(dtype=bool)
    days = axis_days(instants_ns(table["start"]))
    kwh = table["energy_wh"].to_numpy(dtype=np.float64) / WH_PER_KWH
    ax.plot(days[complete], kwh[complete], "o", color=BLUE, markersize=4.5, label="a run", zorder=3)
    if not complete.all():
        ax.plot(
            days[~complete],
            kwh[~complete],
            "s",
            markerfacecolor="none",
            markeredgecolor=VERMILION,
            markersize=6,
            label="cut short: at least this much",
            zorder=3,
        )
    if complete.any():
        day = local_days(table["start"], zone_of(timezone))
        mean_kwh = mean_of_runs(kwh[complete], day[complete])
        ax.axhline(
            mean_kwh.value,
            color=BLACK,
            linestyle=(0, (6, 2)),
            linewidth=1.0,
            label=f"mean of complete: {estimate_text(mean_kwh, of='runs')}",
        )
    else:
        ax.text(0.5, 0.5, "no complete run", transform=ax.transAxes, ha="center", va="center")
    low_kwh, high_kwh = (float(f(kwh, initial=0.0)) for f in (np.min, np.max))
    ax.set_ylim(1.1 * low_kwh, 1.1 * high_kwh if high_kwh > 0 or low_kwh < 0 else 1.0)
    ax.set_ylabel("energy per run (kWh)")
    ax.grid(axis="y", color="0.88", linewidth=0.7)
    use_local_time(ax, timezone)
    if title is not None:
        ax.set_title(title, loc="left")
    if ax.get_legend_handles_labels()[0]:
        ax.legend(loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=3, frameon=False)
    return ax
