"""The picture and the words of a window of runs."""

from __future__ import annotations

from dataclasses import replace
from html import escape
from io import BytesIO
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from homeenergy.findings.appliance.record import estimate_text, value_text
from homeenergy.readings.trace import Trace
from homeenergy.show.explorer.window import Read, RunWindow
from homeenergy.show.figures.local_axis import axis_days
from homeenergy.show.figures.runs import plot_runs
from homeenergy.show.figures.style import BLACK, PURPLE
from homeenergy.stats.estimate import Estimate, number_text
from homeenergy.units import WH_PER_KWH

SIZE_IN, DOTS_PER_INCH = (9.6, 3.3), 90
POINTS = 3000  # of the curve: three for each pixel of this picture
MOST_TOLD = 12  # runs that the words list one by one
MARGINS = {"left": 0.075, "right": 0.96, "bottom": 0.27, "top": 0.89}
ROOM_BESIDE = 0.15  # of a run that is looked at closely
SPLIT_DASH = (0, (3, 1.5))


def draw_window(
    read: Read,
    window: RunWindow,
    *,
    chosen: int | None = None,
    split_at: pd.Timestamp | None = None,
    closer: bool = False,
) -> Figure:
    """Draw the runs of a window, the levels that decide about them, and what is chosen.

    Parameters
    ----------
    read : Read
    window : RunWindow
    chosen : int, optional
        Row of the run that has a frame.
    split_at : pandas.Timestamp, optional
        Where a line shows that it would be split.
    closer : bool
        Draw the chosen run with little around it, and not the whole window.
    """
    figure = Figure(figsize=SIZE_IN, dpi=DOTS_PER_INCH)
    # Fixed, because searching for margins would take as long as all the rest.
    figure.subplots_adjust(**MARGINS)
    ax = figure.add_subplot()
    trace = around_run(read, window, chosen) if closer and chosen is not None else window.trace
    cycles = replace(window.cycles, standby=window.standby_w)
    plot_runs(trace, cycles, timezone=read.timezone, title="", points=POINTS, ax=ax)
    settings = window.cycles.settings
    for name, label, dash in (
        ("on_w", "a run must reach", (0, (1, 1))),
        ("low_w", "it lasts above", (0, (5, 1, 1, 1))),
    ):
        if np.isfinite(settings[name]):
            text = f"{label} {watts_text(settings[name])}"
            ax.axhline(settings[name], color=PURPLE, linestyle=dash, linewidth=1.1, label=text)
    if chosen is not None:
        row = window.cycles.table.iloc[chosen]
        low, high = axis_days([row["start"].value, row["end"].value])
        ax.axvspan(low, high, fill=False, edgecolor=BLACK, linewidth=1.4, zorder=5)
    if split_at is not None:
        (at,) = axis_days([split_at.value])
        ax.axvline(at, color=BLACK, linestyle=SPLIT_DASH, linewidth=1.6, zorder=6, label="split")
    if not trace.covered_s:
        ax.text(0.5, 0.5, "no readings here", transform=ax.transAxes, ha="center", va="center")
    elif not len(window.table):
        ax.text(0.5, 0.9, "no run here", transform=ax.transAxes, ha="center", va="center")
    if ax.get_legend_handles_labels()[0]:
        ax.legend(
            loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=6, frameon=False, fontsize=8.5
        )
    return figure


def around_run(read: Read, window: RunWindow, row: int) -> Trace:
    """Readings of a run, with some before and after it."""
    run = window.cycles.table.iloc[row]
    room = (run["end"] - run["start"]) * ROOM_BESIDE
    return read.trace.between(run["start"] - room, run["end"] + room)


def png_of(figure: Figure) -> bytes:
    """Give a figure as a PNG."""
    data = BytesIO()
    figure.savefig(data, format="png", dpi=DOTS_PER_INCH)
    return data.getvalue()


def words_of(read: Read, window: RunWindow, *, chosen: int | None = None) -> str:
    """Say what the picture shows."""
    zone = ZoneInfo(read.timezone)
    trace = window.trace
    said = [f"{read.circuit.appliance}, power over local time"]
    if len(trace):
        start, end = (t.tz_convert(zone) for t in (trace.start, trace.end))
        said[0] += f" from {start:%a %Y-%m-%d %H:%M} to {end:%a %Y-%m-%d %H:%M}"
    if not trace.covered_s:
        return f"{said[0]}. No readings here."
    said.append(f"highest {watts_text(float(np.nanmax(trace.watts)))}")
    said.append(f"{count_text(len(window.table))} shaded")
    said += [run_text(run, zone) for run in window.table.head(MOST_TOLD).itertuples()]
    if len(window.table) > MOST_TOLD:
        said.append(f"and {len(window.table) - MOST_TOLD} more")
    if chosen is not None:
        said.append(f"run {chosen + 1} has a frame")
    return ". ".join(said) + "."


def run_text(run: Any, zone: ZoneInfo) -> str:
    """Name a run, a tuple of its row: "3: Thu 5 Mar 19:10:05 to 20:41:17, 0.92 kWh"."""
    start, end = run.start.tz_convert(zone), run.end.tz_convert(zone)
    until = f"{end:%H:%M:%S}" if start.date() == end.date() else f"{end:%a %H:%M:%S}"
    text = f"{run.Index + 1}: {start:%a} {start.day} {start:%b %H:%M:%S} to {until}, "
    text += f"{number_text(run.energy_wh / WH_PER_KWH, 3)} kWh"
    if not run.complete:
        text += ", incomplete"
    label = getattr(run, "label", "")
    return f"{text}, {label}" if label else text


def count_text(runs: int) -> str:
    """Count runs."""
    return f"{runs} run{'' if runs == 1 else 's'}"


def watts_text(power_w: float) -> str:
    """Write a power with a sensible number of digits."""
    places = 0 if abs(power_w) >= 10 else 1
    return f"{number_text(power_w, places)} W" if np.isfinite(power_w) else "not found"


def seconds_text(span_s: float) -> str:
    """Write a length of time: 40 s, 2 min 30 s, 1 h 5 min."""
    if not np.isfinite(span_s):
        return "not found"
    if span_s < 60:
        return f"{span_s:.3g} s"
    whole_s = round(span_s)
    if whole_s < 3600:
        parts = (whole_s // 60, "min"), (whole_s % 60, "s")
    else:
        parts = (whole_s // 3600, "h"), (round(whole_s % 3600 / 60), "min")
    return " ".join(f"{number} {unit}" for number, unit in parts if number)


def answer_html(rows: list[tuple[str, int, Estimate, Estimate]], *, caption: str) -> str:
    """Write a small table: what, runs, energy of a run, standby."""
    left = "style='text-align: left'"
    cells = "".join(
        f"<tr><th scope='row' {left}>{escape(name)}</th><td {left}>{runs}</td>"
        f"<td {left}>{escape(_kwh_text(kwh))}</td><td {left}>{escape(estimate_text(standby))}</td>"
        "</tr>"
        for name, runs, kwh, standby in rows
    )
    names = ("runs", "energy of a run", "standby")
    heads = "".join(f"<th scope='col' {left}>{name}</th>" for name in names)
    return (
        f"<table><caption {left}>{escape(caption)}</caption>"
        f"<thead><tr><td></td>{heads}</tr></thead><tbody>{cells}</tbody></table>"
    )


def _kwh_text(kwh: Estimate) -> str:
    if kwh.n == 1:
        return f"{value_text(kwh)} kWh (one complete run)"
    # What uses energy cannot use less than none.
    clipped = kwh.within(least=0.0) if kwh.value >= 0 > kwh.low > -np.inf else kwh
    return estimate_text(clipped, of="runs")
