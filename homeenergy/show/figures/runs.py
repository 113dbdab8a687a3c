"""One circuit with its runs marked, and the energy of each run."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import tzinfo
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from numpy.typing import NDArray

from homeenergy.cycles import Cycles
from homeenergy.findings.appliance.record import estimate_text, is_bound, value_text
from homeenergy.findings.days import local_days
from homeenergy.readings.trace import Trace, as_trace, sure_trace
from homeenergy.show.figures.style import (
    BLACK,
    BLUE,
    GREEN,
    LOOKS,
    ORANGE,
    POINTS,
    VERMILION,
    axes_for,
    axis_days,
    instants_ns,
    mark_doubted,
    reduce_steps,
    use_local_time,
    write_beside,
    zone_of,
)
from homeenergy.stats.estimate import Estimate
from homeenergy.stats.means import mean_of_runs
from homeenergy.units import S_PER_H, WH_PER_KWH

RUN_LOOKS: dict[str, dict[str, Any]] = {
    "a run": {"facecolor": GREEN, "alpha": 0.2, "edgecolor": GREEN},
    "an incomplete run": {
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
        A run that the data's edge or a gap cuts is hatched.
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
    mark_doubted(ax, trace)
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
    mean_kwh: Estimate | None = None,
    timezone: str | tzinfo = "UTC",
    title: str | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Draw the energy of every run over time, with the mean of the complete ones.

    Parameters
    ----------
    cycles : Cycles
    mean_kwh : Estimate, optional
        What is said to be their mean [kWh], such as `finding.run_kwh`, which knows what the clamp
        may be off. Default: from the scatter of these runs alone.
    timezone : str or datetime.tzinfo
        Zone of the axis, and of the days: the interval allows for correlated runs of one day.
    title : str, optional
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes
        In kWh. A run that the data's edge or a gap cuts is an open square: its energy is a
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
            label="incomplete: at least this much",
            zorder=3,
        )
    if complete.any():
        day = local_days(table["start"], zone_of(timezone))
        mean_kwh = mean_kwh or mean_of_runs(kwh[complete], day[complete])
        if mean_kwh.low < 0 <= kwh.min():
            mean_kwh = mean_kwh.within(least=0.0)
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


def typical_day(cycles: Cycles, timezone: str | tzinfo) -> tuple[pd.Timestamp, pd.Timestamp] | None:
    """First and last instant of the local day on which most complete runs begin.

    Parameters
    ----------
    cycles : Cycles
    timezone : str or datetime.tzinfo

    Returns
    -------
    tuple of pandas.Timestamp, or None
        Half-open, in UTC. The earliest of days with equally many runs. None without any run.
    """
    table = cycles.table
    if not len(table):
        return None
    runs = table[table["complete"]] if table["complete"].any() else table
    zone = zone_of(timezone)
    dates = pd.DatetimeIndex(runs["start"]).tz_convert(zone).tz_localize(None).normalize()
    counts = dates.value_counts().sort_index()
    date = counts.index[int(counts.to_numpy().argmax())]
    edges = pd.DatetimeIndex([date, date + pd.Timedelta(days=1)]).tz_localize(
        zone, ambiguous=np.ones(2, dtype=bool), nonexistent="shift_forward"
    )
    start, end = edges.tz_convert("UTC")
    return start, end


MOST_ROWS = 8  # programmes drawn by themselves; the rarest beyond are put together
ALL, UNNAMED, OTHERS = "all runs", "no name", "others"
SPREAD = 0.3  # half the height of a row in which dots lie
STACK = 0.09  # vertical distance of dots of the same energy


def plot_run_distribution(
    cycles: Cycles,
    *,
    programmes: Sequence[object] | None = None,
    timezone: str | tzinfo = "UTC",
    title: str | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Draw a dot for the energy of each complete run, one row for each programme, with the means.

    Parameters
    ----------
    cycles : Cycles
    programmes : sequence of labels, optional
        One for each row of the table of `cycles`, as `find_programmes(cycles).of_run` gives them.
        Default: its column `label` where runs have been given names, else all in one row.
    timezone : str or datetime.tzinfo
        Zone of the days: the intervals allow for correlated runs of one day.
    title : str, optional
        Default: the label of the cycles.
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes
        The most frequent programme on top. The bar is the mean with its interval; at the right
        stand its value and how many runs it comes from.

    Raises
    ------
    ValueError
        If there are not as many labels as runs.

    Examples
    --------
    >>> import homeenergy as he
    >>> from homeenergy.cycles import house_cycles
    >>> from homeenergy.show import plot_run_distribution
    >>> report = he.import_logs("sample_data/canal_flat")
    >>> house = he.open_house("sample_data/canal_flat")
    >>> ax = plot_run_distribution(house_cycles(house, "washing_machine"))
    >>> ax.get_xlabel()
    'energy per run (kWh)'
    """
    rows = _rows(cycles, programmes, zone_of(timezone))
    ax = axes_for(ax, (9.0, 1.2 + 0.62 * max(len(rows), 1)))
    ax.set_xlabel("energy per run (kWh)")
    ax.grid(axis="x", color="0.88", linewidth=0.7)
    ax.set_title(cycles.label if title is None else title, loc="left")
    if not rows:
        ax.text(0.5, 0.5, "no complete run", transform=ax.transAxes, ha="center", va="center")
        ax.set_yticks([])
        return ax
    every = np.concatenate([row.kwh for row in rows])
    span = max(float(np.ptp(every)), 0.1 * float(np.abs(every).max()), 1e-6)
    for at, row in enumerate(rows):
        look = LOOKS[at % len(LOOKS)]
        ax.plot(
            row.kwh,
            at - _heaps(row.kwh, span / 90),
            look.marker,
            color=look.colour,
            markersize=4.5,
            alpha=0.7,
            markeredgewidth=0,
            zorder=5,
        )
        _draw_mean(ax, at, row)
    ax.set_yticks(range(len(rows)), [row.name for row in rows])
    ax.tick_params(axis="y", length=0)
    ax.set_ylim(len(rows) - 0.45, -0.55)
    low, high = float(every.min()), float(every.max())
    ax.set_xlim(min(0.0, low - 0.05 * span), max(high + 0.05 * span, 0.0))
    return ax


class _Row(NamedTuple):
    name: str
    kwh: NDArray[np.float64]
    mean_kwh: Estimate


def _rows(cycles: Cycles, programmes: Sequence[object] | None, zone: tzinfo) -> list[_Row]:
    table = cycles.table
    if programmes is None:
        given = table["label"].to_list() if "label" in table else [ALL] * len(table)
    else:
        given = list(programmes)
    if len(given) != len(table):
        raise ValueError(f"{len(given)} labels for {len(table)} runs; give one for each")
    names = np.array([_name(label) for label in given], dtype=object)
    complete = table["complete"].to_numpy(dtype=bool)
    kwh = table["energy_wh"].to_numpy(np.float64) / WH_PER_KWH
    counts = {name: int((names[complete] == name).sum()) for name in dict.fromkeys(names[complete])}
    order = sorted(counts, key=lambda name: (name == UNNAMED, -counts[name]))
    if len(order) > MOST_ROWS:
        rare = order[MOST_ROWS - 1 :]
        names[np.isin(names, rare)] = OTHERS
        order = [*order[: MOST_ROWS - 1], OTHERS]
    day = local_days(table["start"], zone)
    own = [(name, complete & (names == name)) for name in order]
    return [_Row(name, kwh[rows], mean_of_runs(kwh[rows], day[rows])) for name, rows in own]


def _name(label: object) -> str:
    missing = label is None or label == "" or (isinstance(label, float) and np.isnan(label))
    return UNNAMED if missing else str(label)


def _heaps(kwh: NDArray[np.float64], width: float) -> NDArray[np.float64]:
    """Height of each dot in its row: those of nearly the same energy lie above one another."""
    bins = np.round(kwh / width).astype(np.int64)
    height = np.zeros(kwh.size)
    for value in np.unique(bins):
        own = np.flatnonzero(bins == value)
        order = np.arange(own.size)
        offset = (order + 1) // 2 * np.where(order % 2, 1, -1) * STACK
        greatest = max(float(np.abs(offset).max()), SPREAD)
        height[own] = offset * SPREAD / greatest
    return height


def _draw_mean(ax: Axes, at: int, row: _Row) -> None:
    mean = row.mean_kwh
    if np.isfinite([mean.low, mean.high]).all():
        ax.plot([mean.low, mean.high], [at, at], color=BLACK, linewidth=1.6, zorder=4)
    ax.plot([mean.value] * 2, [at - 0.2, at + 0.2], color=BLACK, linewidth=1.6, zorder=4)
    one = f"{value_text(mean)} kWh\none run"
    many = f"{estimate_text(mean, of='runs')}\n{mean.n} runs"
    write_beside(ax, at, one if mean.n == 1 else many)


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
        the start, the median of all runs that still go on, while at least half of them do; the band
        holds the middle half of them. Where a few runs last far longer than the others, the axis
        ends before they do, and their number is written there.

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
    trace = sure_trace(trace)
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
            f"{longer} of {len(table)} continue →",
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
