"""What a view shows: the envelope of each circuit at the width of the screen, and runs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import tzinfo

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.readings.house import House
from homeenergy.readings.overview import Envelope
from homeenergy.readings.pyramid import WIDTHS
from homeenergy.show.local_axis import instants_ns
from homeenergy.show.view import View, local_text, span_text

HIGHEST = 20  # peaks that can be stepped through
LEAST_PEAK = 0.05  # of the highest: below that it is rest


@dataclass(frozen=True, slots=True, kw_only=True)
class RunSpan:
    """A run within a view: its number (from 1), its ends (UTC, ns), and whether it is whole."""

    number: int
    start_ns: int
    end_ns: int
    complete: bool


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ViewData:
    """All that a picture of a view needs.

    `envelopes` holds None for a circuit without readings; `runs` only circuits whose runs are
    known; `labels` what a person calls each circuit.
    """

    view: View
    labels: Mapping[str, str]
    envelopes: Mapping[str, Envelope | None]
    runs: Mapping[str, tuple[RunSpan, ...]]


def view_data(
    house: House,
    view: View,
    *,
    points: int,
    runs: Mapping[str, pd.DataFrame] | None = None,
) -> ViewData:
    """Gather what a view shows.

    Parameters
    ----------
    house : House
    view : View
    points : int
        Columns of the screen: each circuit is given in so many stretches or more, each with its
        least and greatest sample.
    runs : mapping of str to DataFrame, optional
        Tables of the runs that are known, by circuit.

    Returns
    -------
    ViewData

    Notes
    -----
    O(points) for each circuit, once the house's overview is prepared.
    """
    envelopes: dict[str, Envelope | None] = {}
    for name in view.circuits:
        there = house.has_readings(name)
        span = (view.start_ns, view.end_ns)
        envelopes[name] = house.overview.envelope(name, *span, points=points) if there else None
    known = runs or {}
    return ViewData(
        view=view,
        labels=circuit_labels(house),
        envelopes=envelopes,
        runs={
            name: runs_inside(known[name], view.start_ns, view.end_ns)
            for name in view.circuits
            if view.runs and name in known
        },
    )


def circuit_labels(house: House) -> dict[str, str]:
    """Appliance of each circuit; with the circuit's name where two are called alike."""
    names = [circuit.appliance for circuit in house.circuits]
    return {
        c.name: c.appliance if names.count(c.appliance) == 1 else f"{c.appliance} ({c.name})"
        for c in house.circuits
    }


def runs_inside(table: pd.DataFrame, start_ns: int, end_ns: int) -> tuple[RunSpan, ...]:
    """Runs of a table that lie at least partly between two instants."""
    starts, ends = instants_ns(table["start"]), instants_ns(table["end"])
    inside = np.flatnonzero((starts < end_ns) & (ends > start_ns))
    complete = table["complete"].to_numpy(dtype=bool)
    return tuple(
        RunSpan(
            number=int(row) + 1,
            start_ns=int(starts[row]),
            end_ns=int(ends[row]),
            complete=bool(complete[row]),
        )
        for row in inside
    )


def next_run(table: pd.DataFrame, at_ns: int, *, later: bool) -> RunSpan | None:
    """The first run that begins after an instant, or the last one that begins before it."""
    starts, ends = instants_ns(table["start"]), instants_ns(table["end"])
    found = np.flatnonzero(starts > at_ns if later else starts < at_ns)
    if not found.size:
        return None
    row = int(found[0] if later else found[-1])
    return RunSpan(
        number=row + 1,
        start_ns=int(starts[row]),
        end_ns=int(ends[row]),
        complete=bool(table["complete"].iloc[row]),
    )


def highest_peaks_ns(house: House, circuit: str, *, most: int = HIGHEST) -> NDArray[np.int64]:
    """Instants of the highest readings, the highest first, each in an hour of its own.

    "An hour" is the widest stretch of the store's overview: 3600 samples. Hours beside a higher one
    are left out.
    """
    extent = house.overview.extent_ns(circuit)
    if extent is None:
        return np.empty(0, dtype=np.int64)
    period = house.overview.period_ns(circuit)
    width = WIDTHS[-1]
    first, stop = extent[0] // period // width, -(-(extent[1] // period) // width)
    greatest_w = house.overview.bins(circuit, len(WIDTHS) - 1, first, stop).greatest_w.copy()
    found: list[int] = []
    least_w = LEAST_PEAK * float(np.nanmax(greatest_w))
    while len(found) < most and not np.isnan(greatest_w).all():
        hour = int(np.nanargmax(greatest_w))
        if greatest_w[hour] < least_w:
            break
        begin = (first + hour) * width
        samples = house.overview.samples(circuit, begin, begin + width)
        found.append((begin + int(np.nanargmax(samples))) * period)
        greatest_w[max(hour - 1, 0) : hour + 2] = np.nan
    return np.array(found, dtype=np.int64)


def reading_text(
    data: ViewData, at_ns: int, *, zone: tzinfo, circuits: Sequence[str] | None = None
) -> str:
    """Say what circuits draw at an instant, as closely as the view shows it."""
    parts = [
        f"{data.labels[name]} {_power_text(envelope, at_ns)}"
        for name, envelope in data.envelopes.items()
        if circuits is None or name in circuits
    ]
    return f"{local_text(at_ns, zone)}: " + "; ".join(parts)


def _power_text(envelope: Envelope | None, at_ns: int) -> str:
    column = -1 if envelope is None else (at_ns - envelope.first_ns) // envelope.width_ns
    if envelope is None or not 0 <= column < len(envelope) or not envelope.count[column]:
        return "no reading"
    three = (envelope.least_w, envelope.mean_w, envelope.greatest_w)
    least, mean, greatest = (f"{round(float(watts[column])):,}" for watts in three)
    return f"{mean} W" if envelope.samples == 1 else f"{mean} W ({least} to {greatest})"


def in_words(data: ViewData, *, zone: tzinfo) -> str:
    """Say what a picture of the view shows, for those who do not see it."""
    view = data.view
    said = [f"Power from {span_text(view.start_ns, view.end_ns, zone)}"]
    for name, envelope in data.envelopes.items():
        label = data.labels[name]
        if envelope is None or not envelope.count.any():
            said.append(f"{label}: no readings here")
            continue
        mean_w = float(np.nansum(envelope.mean_w * envelope.count) / envelope.count.sum())
        text = f"{label}: mean {mean_w:,.0f} W, highest {np.nanmax(envelope.greatest_w):,.0f} W"
        runs = data.runs.get(name)
        count = "" if runs is None else f", {len(runs)} run{'' if len(runs) == 1 else 's'}"
        said.append(text + count)
    return ". ".join(said) + "."
