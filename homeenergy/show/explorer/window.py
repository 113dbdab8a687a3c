"""Runs of one circuit on a window, as they are and as other settings would have them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, cast

import numpy as np
import pandas as pd

from homeenergy.cycles import Cycles, find_cycles
from homeenergy.cycles.decisions import Decision
from homeenergy.cycles.house_cycles import (
    decided,
    runs_again,
    saved_settings,
    standby_between,
)
from homeenergy.findings.days import local_days
from homeenergy.house.clamp_floor import ClampFloor, clamp_floor
from homeenergy.house.schedule import Circuit
from homeenergy.readings.house import House
from homeenergy.readings.trace import Trace
from homeenergy.show.figures.runs import typical_day
from homeenergy.stats.estimate import Estimate
from homeenergy.stats.means import mean_of_runs
from homeenergy.units import WH_PER_KWH

# Settings that change what counts as a run, and leave the levels of the trace as they are.
MOVABLE = ("on_w", "low_w", "idle_w", "pause_s")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Read:
    """A circuit that has been read.

    `found` are its runs with no setting of `MOVABLE` and no decision about single runs; every
    other setting that a person saved is in them.
    """

    circuit: Circuit
    trace: Trace
    found: Cycles
    floor: ClampFloor
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
    floor = clamp_floor(own, house.supply)
    settings: dict[str, Any] = saved_settings(d for d in decisions if d.circuit == circuit)
    kept = {name: value for name, value in settings.items() if name not in (*MOVABLE, "kind")}
    found = find_cycles(trace, own.kind, floor=floor, **kept)
    return Read(
        circuit=own,
        trace=trace,
        found=found,
        floor=floor,
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
            floor=read.floor,
            **({"most": None} if whole else {}),
        )
    begins = pd.Timestamp(cycles.plateaus.start)
    span = trace.between(begins, begins + pd.Timedelta(cycles.plateaus.length * trace.period_ns))
    cycles = decided(cycles, state.decisions, trace=span, floor=read.floor)
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
            floor=read.floor,
        ),
    )


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
