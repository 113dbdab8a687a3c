"""All runs of an appliance, laid one on another from their starts, with their median."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.readings.trace import Trace, as_trace
from homeenergy.show.style import BLACK, LOOKS, axes_for
from homeenergy.units import S_PER_H

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from homeenergy.cycles import Cycles

MOST_RUNS = 200  # evenly picked of more: so many show the shape, and more are a smear
COLUMNS = 900  # of the picture: each run is averaged over so many stretches of time
# The median goes on while at least this share of the runs does, the picture while a tenth does.
LEAST_GOING = 0.5
SHOWN_SHARE, MARGIN = 0.9, 1.1


def plot_aligned_runs(
    trace: Trace | pd.Series,
    cycles: Cycles,
    *,
    runs: Sequence[int] | None = None,
    title: str | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Draw every complete run from its own start, with the median of all.

    Parameters
    ----------
    trace : Trace or pandas.Series of watts
        In which the runs were found.
    cycles : Cycles
    runs : sequence of int, optional
        Rows of the table of `cycles`, such as those of one programme. Default: all that are
        complete and lie in the trace.
    title : str, optional
        Default: the label of the trace and how many runs are drawn.
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes
        Thin lines are runs, of more than 200 an even choice. The thick line is, at each time since
        the start, the median of all runs that still go on, as far as half of them do; the band
        holds the middle half of them. Where a few runs last far longer than the others, the axis
        ends before they do, and their number stands there.

    Notes
    -----
    Power is averaged over a nine hundredth of the axis, where samples are shorter.

    Examples
    --------
    >>> import homeenergy as he
    >>> from homeenergy.cycles import house_cycles
    >>> from homeenergy.show import plot_aligned_runs
    >>> report = he.import_logs("sample_data/canal_flat")
    >>> house = he.open_house("sample_data/canal_flat")
    >>> cycles = house_cycles(house, "dryer")
    >>> ax = plot_aligned_runs(house.trace("dryer"), cycles)
    >>> ax.get_ylabel()
    'power (W)'
    """
    trace = as_trace(trace)
    ax = axes_for(ax, (9.0, 3.2))
    rows = np.flatnonzero(cycles.table["complete"]) if runs is None else np.asarray(runs, np.int64)
    table = cycles.table.iloc[rows]
    inside = (table["start"] >= trace.start) & (table["end"] <= trace.end)
    table = table[inside.to_numpy()]
    ax.set_ylabel("power (W)")
    ax.grid(axis="y", color="0.88", linewidth=0.7)
    ax.set_title(_title(trace, len(table)) if title is None else title, loc="left")
    if not len(table):
        ax.text(0.5, 0.5, "no complete run", transform=ax.transAxes, ha="center", va="center")
        ax.set_xlabel("time since the start of the run")
        return ax
    bin_s, longer, watts = _aligned(trace, table)
    unit, unit_s = ("h", S_PER_H) if watts.shape[1] * bin_s > 3 * S_PER_H else ("min", 60.0)
    if watts.shape[1] * bin_s <= 120:
        unit, unit_s = "s", 1.0
    edges = np.arange(watts.shape[1] + 1) * bin_s / unit_s
    picked = np.unique(np.linspace(0, len(table) - 1, min(MOST_RUNS, len(table))).astype(np.int64))
    for run in picked:
        ax.stairs(
            watts[run],
            edges,
            baseline=None,
            color=LOOKS[0].colour,
            linewidth=0.7,
            alpha=float(np.clip(6 / picked.size, 0.15, 0.6)),
            label="a run" if run == picked[0] else None,
            zorder=2,
        )
    _draw_middle(ax, edges, watts)
    ax.set_xlim(0, edges[-1])
    ax.set_ylim(min(0.0, 1.1 * float(np.nanmin(watts))), 1.1 * max(float(np.nanmax(watts)), 1.0))
    ax.set_xlabel(f"time since the start of the run ({unit})")
    if longer:
        ax.text(
            0.995,
            0.97,
            f"{longer} of {len(table)} go on →",
            transform=ax.transAxes,
            ha="right",
            va="top",
            fontsize=9,
        )
    legend = ax.legend(loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=3, frameon=False)
    legend.legend_handles[0].set_alpha(0.8)  # type: ignore[union-attr]
    return ax


def _title(trace: Trace, count: int) -> str:
    return f"{trace.label}: {count:,} run{'' if count == 1 else 's'}"


def _draw_middle(ax: Axes, edges: NDArray[np.float64], watts: NDArray[np.float64]) -> None:
    runs = len(watts)
    going = np.count_nonzero(~np.isnan(watts), axis=0) >= LEAST_GOING * runs
    stop = int(np.flatnonzero(going)[-1]) + 1 if going.any() else 0
    if not stop:
        return
    quarter, middle, upper = np.nanquantile(watts[:, :stop], [0.25, 0.5, 0.75], axis=0)
    if runs >= 4:
        ax.fill_between(
            edges[: stop + 1],
            np.r_[quarter, quarter[-1]],
            np.r_[upper, upper[-1]],
            step="post",
            facecolor=LOOKS[4].colour,
            alpha=0.35,
            linewidth=0,
            label="middle half",
            zorder=3,
        )
    ax.stairs(
        middle,
        edges[: stop + 1],
        baseline=None,
        color=BLACK,
        linewidth=1.8,
        label="median",
        zorder=4,
    )


def _aligned(trace: Trace, table: pd.DataFrame) -> tuple[float, int, NDArray[np.float64]]:
    """Width of a stretch [s], how many runs go on, mean power of each run in each stretch [W].

    The last has shape (runs, stretches); NaN after the end of a run, and where nothing was
    measured.
    """
    ns = trace.start.value
    first = (pd.DatetimeIndex(table["start"]).as_unit("ns").asi8 - ns) // trace.period_ns
    stop = (pd.DatetimeIndex(table["end"]).as_unit("ns").asi8 - ns) // trace.period_ns
    lasts = stop - first
    usual = float(np.quantile(lasts, SHOWN_SHARE)) * MARGIN
    shown = int(lasts.max()) if lasts.max() <= 2 * usual else int(np.ceil(usual))
    each = max(1, -(-shown // COLUMNS))
    out = np.full((len(table), -(-shown // each)), np.nan)
    for row, a, b in zip(out, first.tolist(), stop.tolist(), strict=True):
        watts = trace.watts[a : min(b, a + out.shape[1] * each)].astype(np.float64)
        there = ~np.isnan(watts)
        at = np.arange(0, watts.size, each)
        counts = np.add.reduceat(there, at, dtype=np.int64)
        sums = np.add.reduceat(np.where(there, watts, 0.0), at)
        row[: at.size] = np.where(counts > 0, sums / np.maximum(counts, 1), np.nan)
    longer = int(np.count_nonzero(lasts > out.shape[1] * each))
    return each * trace.period_s, longer, out
