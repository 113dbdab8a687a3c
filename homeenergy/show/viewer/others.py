"""Lanes of the viewer that are no circuit's power: what else was logged or written down.

Temperatures outdoors, what the utility meter showed, and whatever logs hold that is no power.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.readings import read_outdoor
from homeenergy.readings.house import House
from homeenergy.readings.outdoor import FILE_NAME as OUTDOOR_FILE
from homeenergy.readings.store.overview import Envelope
from homeenergy.show.figures.style import instants_ns
from homeenergy.show.panels.widgets import sentence
from homeenergy.trust.typed_readings import read_meter
from homeenergy.units import NS_PER_S, S_PER_H, WH_PER_KWH

# No circuit's name holds a space.
OUTDOOR = "outdoor temperature"
METER = "utility meter"
MINUTE_NS = 60 * NS_PER_S


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lane:
    """What one lane shows in a stretch of time: planes of shape (3, n), and what is in doubt."""

    first_ns: int
    step_ns: int
    samples: int
    planes: NDArray[np.float32]
    doubted: list[tuple[float, float, float]] = field(default_factory=list)

    def told(self, name: str) -> dict[str, Any]:
        """Give all but the planes, for the page."""
        return {
            "lane": name,
            "t0": self.first_ns / NS_PER_S,
            "step": self.step_ns / NS_PER_S,
            "n": self.planes.shape[1],
            "samples": self.samples,
            "doubted": self.doubted,
        }


Read = Callable[[int, int, int], Lane]  # from when to when [ns], and in how many stretches


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Other:
    """A quantity that is no circuit's power: how it is called, its unit, and how it is read.

    `extent_ns` is from when to when it was logged; None of what a person wrote down.
    """

    label: str
    unit: str
    read: Read
    period_s: float | None = None
    extent_ns: tuple[int, int] | None = None


def others_of(house: House) -> tuple[dict[str, Other], list[str]]:
    """Give what a house has besides power, by name, and why some of it cannot be shown."""
    found = _logged(house)
    remarks = []
    for name, read in ((OUTDOOR, _outdoor), (METER, _meter)):
        try:
            other = read(house)
        except (ValueError, OSError) as error:
            remarks.append(sentence(error))
        else:
            found |= {} if other is None else {name: other}
    return found, remarks


def _logged(house: House) -> dict[str, Other]:
    others, units = house.others(), house.other_units
    found = {}
    for circuit in others.circuits:
        name = circuit.name
        if not others.has_readings(name):
            continue

        def read(start_ns: int, end_ns: int, points: int, name: str = name) -> Lane:
            return lane_of(others.overview.envelope(name, start_ns, end_ns, points=points))

        found[name] = Other(
            label=circuit.appliance,
            unit=units[name],
            read=read,
            period_s=others.overview.period_ns(name) / NS_PER_S,
            extent_ns=others.overview.extent_ns(name),
        )
    return found


def _outdoor(house: House) -> Other | None:
    if not (house.path / OUTDOOR_FILE).is_file():
        return None
    series = read_outdoor(house)
    return Other(
        label="Outdoor temperature",
        unit="°C",
        read=lambda start, end, points: lane_of_series(series, start, end, points=points),
    )


def _meter(house: House) -> Other | None:
    table = read_meter(house.schedule)
    if table is None or len(table) < 2:
        return None
    at_ns, kwh = instants_ns(table["time"]), table["kwh"].to_numpy(np.float64)
    return Other(
        label="Utility meter, mean between readings",
        unit="W",
        read=lambda start, end, points: lane_of_register(at_ns, kwh, start, end, points=points),
    )


def lane_of(envelope: Envelope) -> Lane:
    """Planes of an envelope: least, greatest, mean."""
    planes = (envelope.least_w, envelope.greatest_w, envelope.mean_w)
    ends_s = envelope.doubted_ns / NS_PER_S
    doubted = zip(ends_s[:, 0].tolist(), ends_s[:, 1].tolist(), envelope.doubted_w, strict=True)
    return Lane(
        first_ns=envelope.first_ns,
        step_ns=envelope.width_ns,
        samples=envelope.samples,
        planes=np.stack([plane.astype("<f4") for plane in planes]),
        doubted=[(low, high, float(watts)) for low, high, watts in doubted],
    )


def lane_of_series(series: pd.Series, start_ns: int, end_ns: int, *, points: int) -> Lane:
    """Least, greatest and mean of a series of instants, in stretches of its usual step or more."""
    at_ns, values = instants_ns(pd.Series(series.index)), series.to_numpy(np.float64)
    usual_ns = int(np.median(np.diff(at_ns))) if at_ns.size > 1 else 3600 * NS_PER_S
    step_ns = usual_ns * max((end_ns - start_ns) // points // max(usual_ns, 1), 1)
    first, stop = start_ns // step_ns, -(-end_ns // step_ns)
    planes = np.full((3, max(stop - first, 0)), np.nan, dtype="<f4")
    inside = (at_ns >= first * step_ns) & (at_ns < stop * step_ns)
    if inside.any():
        groups = pd.Series(values[inside]).groupby(at_ns[inside] // step_ns - first)
        found = groups.agg(["min", "max", "mean"])
        planes[:, found.index.to_numpy(np.int64)] = found.to_numpy().T
    return Lane(
        first_ns=first * step_ns, step_ns=step_ns, samples=step_ns // usual_ns, planes=planes
    )


def lane_of_register(
    at_ns: NDArray[np.int64],
    kwh: NDArray[np.float64],
    start_ns: int,
    end_ns: int,
    *,
    points: int,
) -> Lane:
    """Mean power from one reading of a register to the next [W], in stretches of minutes or more.

    Where the register went back, as where the meter was exchanged, it is not known.
    """
    taken_w = np.diff(kwh) * WH_PER_KWH * S_PER_H / (np.diff(at_ns) / NS_PER_S)
    taken_w[taken_w < 0] = np.nan
    step_ns = MINUTE_NS * max((end_ns - start_ns) // points // MINUTE_NS, 1)
    first, stop = start_ns // step_ns, max(-(-end_ns // step_ns), start_ns // step_ns)
    edges = np.arange(first, stop + 1, dtype=np.int64) * step_ns
    planes = np.full((3, stop - first), np.nan, dtype="<f4")
    # Of each stretch, the first and the last of the times between readings that it touches.
    low = np.maximum(np.searchsorted(at_ns, edges[:-1], side="right") - 1, 0)
    high = np.minimum(np.searchsorted(at_ns, edges[1:], side="left"), taken_w.size)
    there = high > low
    if there.any():
        bounds = np.stack([low[there], high[there]], axis=1).ravel()
        padded = np.append(taken_w, np.nan)
        planes[0, there] = np.fmin.reduceat(padded, bounds)[::2]
        planes[1, there] = np.fmax.reduceat(padded, bounds)[::2]
        known_s = np.diff(at_ns) / NS_PER_S * np.isfinite(taken_w)
        taken_j = known_s * np.nan_to_num(taken_w)
        sums = (np.append(0.0, np.cumsum(part)) for part in (known_s, taken_j))
        seconds, joules = (np.diff(np.interp(edges, at_ns, one)) for one in sums)
        with np.errstate(invalid="ignore", divide="ignore"):
            planes[2, there] = (joules / seconds)[there]
    planes[:, np.isnan(planes[0])] = np.nan
    return Lane(
        first_ns=first * step_ns, step_ns=step_ns, samples=step_ns // MINUTE_NS, planes=planes
    )
