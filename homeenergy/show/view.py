"""What a viewer looks at: which circuits, from when to when, and how the view moves. No drawing."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, tzinfo
from typing import Literal

import pandas as pd

from homeenergy.readings.house import House

Arrangement = Literal["stacked", "one scale"]
LEAST_SAMPLES = 10  # a view never becomes narrower than so many samples
MARGIN = 0.03  # of the log, that may be seen before and after it


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """Circuits by name, from `start_ns` to `end_ns` (UTC, ns since 1970).

    `log_start_ns` and `log_end_ns` are what these circuits' logs span, and `period_ns` is their
    shortest sample: moves stay within them.
    """

    circuits: tuple[str, ...]
    start_ns: int
    end_ns: int
    log_start_ns: int
    log_end_ns: int
    period_ns: int
    arrangement: Arrangement = "stacked"
    runs: bool = False

    @property
    def width_ns(self) -> int:
        """Time that the view spans [ns]."""
        return self.end_ns - self.start_ns


def first_view(house: House, circuits: tuple[str, ...]) -> View:
    """All of the log of some circuits; those without readings stay, and are drawn as such."""
    view = View(
        circuits=circuits,
        start_ns=0,
        end_ns=1,
        log_start_ns=0,
        log_end_ns=0,
        period_ns=1,
    )
    view = with_circuits(view, house, circuits)
    return replace(view, start_ns=view.log_start_ns, end_ns=view.log_end_ns)


def with_circuits(view: View, house: House, circuits: tuple[str, ...]) -> View:
    """Look at other circuits, at the same time."""
    there = [name for name in circuits if house.has_readings(name)]
    if not there:  # look at where the log is, even if nothing is chosen
        there = [circuit.name for circuit in house.circuits if house.has_readings(circuit)]
    extents = [extent for name in there if (extent := house.overview.extent_ns(name))]
    return replace(
        view,
        circuits=circuits,
        log_start_ns=min((low for low, _ in extents), default=0),
        log_end_ns=max((high for _, high in extents), default=1),
        period_ns=min((house.overview.period_ns(name) for name in there), default=1),
    )


def looking_at(view: View, start_ns: int, end_ns: int) -> View:
    """Look from one instant to another, as far as the log and its samples allow."""
    log_ns = view.log_end_ns - view.log_start_ns
    margin_ns = int(log_ns * MARGIN)
    least_ns = LEAST_SAMPLES * view.period_ns
    width_ns = min(max(end_ns - start_ns, least_ns), max(log_ns + 2 * margin_ns, least_ns))
    if end_ns - start_ns < least_ns:
        start_ns = (start_ns + end_ns - width_ns) // 2
    latest_ns = max(view.log_end_ns + margin_ns - width_ns, view.log_start_ns - margin_ns)
    start_ns = min(max(start_ns, view.log_start_ns - margin_ns), latest_ns)
    return replace(view, start_ns=start_ns, end_ns=start_ns + width_ns)


def zoomed(view: View, times: float, *, at_ns: int | None = None) -> View:
    """Look `times` as closely; the instant `at_ns`, or else the middle, stays where it is."""
    middle_ns = (view.start_ns + view.end_ns) // 2 if at_ns is None else at_ns
    share = (middle_ns - view.start_ns) / max(view.width_ns, 1)
    width_ns = int(view.width_ns / times)
    least_ns = LEAST_SAMPLES * view.period_ns
    width_ns = max(width_ns, least_ns)
    start_ns = middle_ns - int(share * width_ns)
    return looking_at(view, start_ns, start_ns + width_ns)


def moved(view: View, share: float) -> View:
    """Look later by a share of the view's width; earlier, where it is negative."""
    by_ns = int(view.width_ns * share)
    return looking_at(view, view.start_ns + by_ns, view.end_ns + by_ns)


def whole_log(view: View) -> View:
    """Look at all of the log."""
    return looking_at(view, view.log_start_ns, view.log_end_ns)


def on_day(view: View, day: date, zone: tzinfo) -> View:
    """Look at one local day, of 23, 24 or 25 hours."""
    midnights = (pd.Timestamp(day) + pd.Timedelta(days=days) for days in (0, 1))
    start_ns, end_ns = (
        int(
            midnight.tz_localize(zone, ambiguous=True, nonexistent="shift_forward")
            .tz_convert("UTC")
            .as_unit("ns")
            .value
        )
        for midnight in midnights
    )
    return looking_at(view, start_ns, end_ns)


def around(view: View, start_ns: int, end_ns: int, *, context: float = 0.5) -> View:
    """Look at a stretch, with a share of its length before and after it."""
    least_ns = 4 * LEAST_SAMPLES * view.period_ns
    beside_ns = max(int((end_ns - start_ns) * context), least_ns)
    return looking_at(view, start_ns - beside_ns, end_ns + beside_ns)


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
