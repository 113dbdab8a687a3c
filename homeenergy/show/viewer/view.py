"""What is looked at: which circuits, from when to when, what that holds. No drawing."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import tzinfo
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.readings.house import House
from homeenergy.readings.store.bins import WIDTHS
from homeenergy.readings.store.overview import Envelope
from homeenergy.show.figures.style import instants_ns
from homeenergy.units import NS_PER_S, WH_PER_KWH

Arrangement = Literal["stacked", "one scale"]
SHOWN_FIRST = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """Circuits by name, from `start_ns` to `end_ns` (UTC, ns since 1970)."""

    circuits: tuple[str, ...]
    start_ns: int
    end_ns: int
    arrangement: Arrangement = "stacked"
    runs: bool = False


def first_view(house: House, circuits: tuple[str, ...]) -> View:
    """All of the log of some circuits; those without readings stay, and are drawn as such."""
    there = [name for name in circuits if house.has_readings(name)]
    if not there:  # look at where the log is, even if nothing is chosen
        there = [circuit.name for circuit in house.circuits if house.has_readings(circuit)]
    extents = [extent for name in there if (extent := house.overview.extent_ns(name))]
    return View(
        circuits=circuits,
        start_ns=min((low for low, _ in extents), default=0),
        end_ns=max((high for _, high in extents), default=1),
    )


def local_text(instant_ns: int, zone: tzinfo, *, seconds: bool = True) -> str:
    """Write an instant as a person reads it in the house: Tue 27 Oct 2026 14:03:22."""
    local = pd.Timestamp(instant_ns, unit="ns", tz="UTC").tz_convert(zone)
    return f"{local:%a} {local.day} {local:%b %Y %H:%M}" + (f":{local:%S}" if seconds else "")


def span_text(start_ns: int, end_ns: int, zone: tzinfo) -> str:
    """Write from when to when, and how long that is."""
    seconds = end_ns - start_ns < 7_200_000_000_000
    start, end = (local_text(at, zone, seconds=seconds) for at in (start_ns, end_ns))
    if start[:-8] == end[:-8] and seconds:
        end = end[-8:]
    elif start[:-5] == end[:-5]:
        end = end[-5:]
    return f"{start} to {end} ({length_text((end_ns - start_ns) / 1e9)})"


def length_text(length_s: float) -> str:
    """Write a length of time with the unit that fits it."""
    for size_s, unit in ((86_400, "days"), (3600, "h"), (60, "min")):
        if length_s >= 2 * size_s or (length_s >= size_s and unit != "days"):
            return f"{length_s / size_s:.3g} {unit}"
    return f"{length_s:.3g} s"


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
    """Appliance of each circuit; with the circuit's name where two have the same name."""
    names = [circuit.appliance for circuit in house.circuits]
    return {
        c.name: c.appliance if names.count(c.appliance) == 1 else f"{c.appliance} ({c.name})"
        for c in house.circuits
    }


def log_extent_ns(house: House, *others: tuple[int, int] | None) -> tuple[int, int]:
    """First and last instant of all readings, and of others; an hour from now where none is."""
    extents = [
        extent
        for circuit in house.circuits
        if house.has_readings(circuit) and (extent := house.overview.extent_ns(circuit))
    ]
    extents += [extent for extent in others if extent]
    if not extents:
        now = pd.Timestamp.now("UTC").floor("h").as_unit("ns").value
        return now, now + 3600 * NS_PER_S
    return min(low for low, _ in extents), max(high for _, high in extents)


def energies_kwh(house: House) -> Mapping[str, float]:
    """Energy in the whole log of each circuit that has readings."""
    energies = {}
    for circuit in house.circuits:
        if house.has_readings(circuit) and (extent := house.overview.extent_ns(circuit)):
            energies[circuit.name] = house.overview.totals(circuit, *extent).energy_wh / WH_PER_KWH
    return energies


def circuits_to_begin_with(house: House) -> tuple[str, ...]:
    """The loads with most energy, in the order of the panel schedule; else whatever is there.

    Loads of one circuit are in its lane.
    """
    energies = energies_kwh(house)
    largest = sorted(house.circuits, key=lambda c: -energies.get(c.name, -np.inf))
    largest = [c for c in largest if c.name in energies]
    lanes = [c for c in largest if c.role == "shared" or (c.role == "load" and not c.part_of)]
    chosen = (lanes or largest)[:SHOWN_FIRST]
    return tuple(circuit.name for circuit in house.circuits if circuit in chosen)


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


def highest_peaks_ns(house: House, circuit: str, *, most: int = HIGHEST) -> NDArray[np.int64]:
    """Instants of the highest readings, the highest first, each in an hour of its own.

    "An hour" is the widest stretch of the store's overview: 3600 samples. Hours next to a higher
    one are left out.
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
        if envelope.doubted_w.size:
            text += f", {envelope.doubted_w.size} readings in doubt"
        runs = data.runs.get(name)
        count = "" if runs is None else f", {len(runs)} run{'' if len(runs) == 1 else 's'}"
        said.append(text + count)
    return ". ".join(said) + "."
