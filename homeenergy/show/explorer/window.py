"""The window of the run explorer: what it shows, and how it is drawn."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from html import escape
from typing import Any, cast
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from homeenergy.cycles import Cycles, find_cycles
from homeenergy.cycles.decisions import Decision
from homeenergy.cycles.house_cycles import (
    decided,
    runs_again,
    saved_settings,
    standby_between,
)
from homeenergy.cycles.shared.house_loads import as_divided
from homeenergy.findings.appliance.record import estimate_text, value_text
from homeenergy.findings.days import local_days
from homeenergy.house.clamp_errors import ClampErrors, clamp_errors
from homeenergy.house.schedule import Circuit
from homeenergy.readings.house import House
from homeenergy.readings.trace import Trace
from homeenergy.show.figures.runs import plot_runs, typical_day
from homeenergy.show.figures.style import BLACK, PURPLE, axis_days
from homeenergy.show.viewer.answers import Answer, Answers
from homeenergy.stats.estimate import Estimate, number_text
from homeenergy.stats.means import mean_of_runs
from homeenergy.units import NS_PER_S, WH_PER_KWH

# Settings that change what counts as a run, and leave the levels of the trace as they are.
MOVABLE = ("on_w", "low_w", "idle_w", "pause_s")
SIZE_IN, DOTS_PER_INCH = (9.6, 3.3), 90
POINTS = 3000  # of the curve: three for each pixel of this picture
MOST_TOLD = 12  # runs that the words list one by one
MARGINS = {"left": 0.075, "right": 0.96, "bottom": 0.27, "top": 0.89}
ROOM_BESIDE = 0.15  # of a run that is looked at closely
SPLIT_DASH = (0, (3, 1.5))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Read:
    """A circuit that has been read.

    `found` are its runs with no setting of `MOVABLE` and no decision about single runs; every
    other setting that a person saved is in them.
    """

    circuit: Circuit
    trace: Trace
    found: Cycles
    clamp_errors: ClampErrors
    timezone: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class State:
    """What is looked at: a window, settings in force on it, decisions about single runs.

    `settings` holds a kind and values of `MOVABLE`; what it does not name is inferred.
    """

    start: pd.Timestamp
    end: pd.Timestamp
    settings: Mapping[str, float | str]
    decisions: tuple[Decision, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RunWindow:
    """What the window shows.

    Attributes
    ----------
    trace : Trace
        Readings of the window.
    cycles : Cycles
        Runs at and around the window.
    table : pandas.DataFrame
        The runs that touch the window; the index numbers the rows of the table of `cycles`.
    runs : int
        How many begin in the window.
    run_kwh, standby_w : Estimate
        Of the complete runs that begin in the window, and of the time between runs there.
    """

    trace: Trace
    cycles: Cycles
    table: pd.DataFrame
    runs: int
    run_kwh: Estimate
    standby_w: Estimate


def read_circuit(house: House, circuit: str, *, decisions: tuple[Decision, ...]) -> Read:
    """Read a circuit and find its runs, with what house.toml says and settings that never move."""
    own = house.circuit(circuit)
    trace = house.trace(own)
    errors = clamp_errors(as_divided(house, own), house.supply)
    settings: dict[str, Any] = saved_settings(d for d in decisions if d.circuit == circuit)
    kept = {name: value for name, value in settings.items() if name not in (*MOVABLE, "kind")}
    found = find_cycles(trace, own.kind, floor=errors, **kept)
    return Read(
        circuit=own,
        trace=trace,
        found=found,
        clamp_errors=errors,
        timezone=str(house.timezone),
    )


def first_state(read: Read, decisions: tuple[Decision, ...], *, days: int = 1) -> State:
    """Begin with the day on which most runs are, and with what has been saved."""
    own = tuple(one for one in decisions if one.circuit == read.circuit.name)
    saved = saved_settings(own)
    settings = {name: saved[name] for name in (*MOVABLE, "kind") if name in saved}
    day = typical_day(read.found, read.timezone)
    start = day[0] if day else local_midnight(read.trace.start, read.timezone)
    return State(
        start=start,
        end=days_later(start, days, read.timezone),
        settings=settings,
        decisions=tuple(one for one in own if one.decision != "setting"),
    )


def update(read: Read, state: State, *, whole: bool = False) -> RunWindow:
    """Runs of a window under the settings and decisions of a state.

    Parameters
    ----------
    read : Read
    state : State
    whole : bool
        Look at the whole trace, and not only at and around the window, where it is long.

    Notes
    -----
    Levels of the trace are not searched for again, so that this takes a fraction of a second
    however long the trace is.
    """
    trace, found = read.trace, read.found
    part = trace.between(state.start, state.end)
    first = int((part.start - trace.start).as_unit("ns").value // trace.period_ns)
    settings: dict[str, Any] = dict(state.settings)
    kind = cast("str | None", settings.pop("kind", read.circuit.kind))
    cycles = found
    if state.settings:
        cycles = runs_again(
            found,
            settings,
            trace=trace,
            first=first,
            stop=first + len(part),
            kind=kind,
            floor=read.clamp_errors,
            **({"most": None} if whole else {}),
        )
    begins = pd.Timestamp(cycles.plateaus.start)
    span = trace.between(begins, begins + pd.Timedelta(cycles.plateaus.length * trace.period_ns))
    cycles = decided(cycles, state.decisions, trace=span, floor=read.clamp_errors)
    table = cycles.table
    inside = table[(table["start"] < state.end) & (table["end"] > state.start)]
    begun = inside[inside["start"] >= state.start]
    return RunWindow(
        trace=part,
        cycles=cycles,
        table=inside,
        runs=len(begun),
        run_kwh=run_kwh(begun, timezone=read.timezone),
        standby_w=standby_between(
            cycles,
            trace=trace,
            start=state.start,
            end=state.end,
            floor=read.clamp_errors,
        ),
    )


class RunAnswers(Answers):
    """What the viewer of the explorer is told: one circuit, its runs as the sliders have them.

    A run that is clicked there is chosen here, and the window follows where a person looks.
    """

    def __init__(self, panel: Any) -> None:
        self.panel, self.name = panel, panel.read.circuit.name
        state = panel.state
        super().__init__(panel.house, [self.name], start=state.start, end=state.end)

    def told(self) -> dict[str, Any]:
        """Runs, the levels that decide about them, the one that is chosen, where to split it."""
        panel, settings = self.panel, self.panel.window.cycles.settings
        names = (("on_w", "a run must reach"), ("low_w", "it lasts above"))
        levels = [
            [float(settings[key]), f"{text} {watts_text(settings[key])}"]
            for key, text in names
            if np.isfinite(settings[key])
        ]
        split_at, (said, _) = panel.split_at, self._runs({"lane": self.name})
        at_s = None if split_at is None else split_at.value / NS_PER_S
        chosen = panel.controls.run.value
        return {**said, "levels": levels, "chosen": chosen, "split": at_s, "told": True}

    def _open(self, question: Mapping[str, Any]) -> Answer:
        said, buffers = super()._open(question)
        return {**said, "about": self.told()}, buffers

    def _known_cycles(self, name: str) -> Cycles:
        return self.panel.window.cycles if name == self.name else super()._known_cycles(name)

    def _run(self, question: Mapping[str, Any]) -> Answer:
        answer = super()._run(question)
        self.panel.run(self.panel.choose, int(question["number"]))
        return answer

    def _seen(self, question: Mapping[str, Any]) -> Answer:
        ends = (pd.Timestamp(float(question[key]), unit="s", tz="UTC") for key in ("t0", "t1"))
        self.panel.run(self.panel.guarded(self.panel.seen), *(end.as_unit("ns") for end in ends))
        return super()._seen(question)


def run_kwh(table: pd.DataFrame, *, timezone: str) -> Estimate:
    """Mean energy of the complete runs of a table [kWh]."""
    whole = table[table["complete"]]
    day = local_days(whole["start"], timezone)
    return mean_of_runs(whole["energy_wh"].to_numpy(np.float64) / WH_PER_KWH, day)


def choices(inferred: float, *others: float, least: float, greatest: float) -> list[float]:
    """Round values between two, evenly spread in their logarithm, with some others exactly.

    Parameters
    ----------
    inferred : float
        Kept exactly, if finite; so are `others`.
    least, greatest : float
        Above 0.
    """
    steps = np.geomspace(least, max(greatest, 2 * least), 60)
    digits = np.maximum(10.0 ** np.floor(np.log10(steps) - 1), 0.1)
    rounded = set((np.round(steps / digits) * digits).round(6).tolist())
    exact = [value for value in (inferred, *others) if np.isfinite(value)]
    near = {r for r in rounded for value in exact if abs(r - value) < 0.02 * abs(value)}
    return sorted({0.0} | (rounded - near) | set(exact))


def local_midnight(instant: pd.Timestamp, timezone: str) -> pd.Timestamp:
    """Begin of the local day of an instant, in UTC."""
    date = instant.tz_convert(timezone).tz_localize(None).normalize()
    return _at(date, timezone)


def days_later(midnight: pd.Timestamp, days: int, timezone: str) -> pd.Timestamp:
    """Local midnight so many days later, in UTC, whatever the clocks do meanwhile."""
    date = midnight.tz_convert(timezone).tz_localize(None).normalize()
    return _at(date + pd.Timedelta(days=days), timezone)


def _at(date: pd.Timestamp, timezone: str) -> pd.Timestamp:
    # Where midnight is left out, or comes twice, a day begins with its first instant.
    day = pd.DatetimeIndex([date]).tz_localize(
        timezone, ambiguous=np.ones(1, dtype=bool), nonexistent="shift_forward"
    )
    return day.tz_convert("UTC").as_unit("ns")[0]


def steps_inside(window: RunWindow, row: int, *, most: int = 200) -> list[pd.Timestamp]:
    """Instants at which the power of a run changes, at most so many of the greatest changes."""
    cycles = window.cycles
    phases = cycles.phases(row)
    change_w = np.abs(np.diff(phases["mean_w"].to_numpy()))
    kept = np.sort(np.argsort(-change_w, kind="stable")[:most])
    return list(phases["start"].iloc[1 + kept])


def best_split(window: RunWindow, row: int) -> pd.Timestamp | None:
    """End of the longest stretch inside a run at less than a tenth of its greatest power."""
    phases = window.cycles.phases(row)
    levels = np.abs(phases["mean_w"].to_numpy())
    inner = phases[(levels < 0.1 * levels.max()) & (phases["start"] > phases["start"].iloc[0])]
    inner = inner[inner["end"] < phases["end"].iloc[-1]]
    if not len(inner):
        return None
    lasts = (inner["end"] - inner["start"]).to_numpy()
    return pd.Timestamp(inner["end"].iloc[int(lasts.argmax())])


def draw_window(
    read: Read,
    window: RunWindow,
    *,
    chosen: int | None = None,
    split_at: pd.Timestamp | None = None,
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
    """
    figure = Figure(figsize=SIZE_IN, dpi=DOTS_PER_INCH)
    # Fixed, because searching for margins would take as long as all the rest.
    figure.subplots_adjust(**MARGINS)
    ax = figure.add_subplot()
    trace = window.trace
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
    said.append(f"highest {watts_text(float(np.nanmax(trace.sure().watts)))}")
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
