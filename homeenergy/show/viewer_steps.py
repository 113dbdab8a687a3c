"""Stepping from run to run and from peak to peak, and marking runs in the viewer's figure."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import pandas as pd

from homeenergy.cycles import house_cycles
from homeenergy.show.background import Step, in_background
from homeenergy.show.view import View, around, local_text, looking_at
from homeenergy.show.view_data import circuit_labels, highest_peaks_ns, next_run

if TYPE_CHECKING:
    from homeenergy.show.viewer import Viewer

AROUND_PEAK_NS = 10 * 60 * 1_000_000_000


@dataclass(slots=True)
class Steps:
    """Runs that are known, and where stepping stands."""

    tables: dict[str, pd.DataFrame] = field(default_factory=dict)
    at_run: tuple[str, int, View] | None = None
    at_peak: tuple[str, int] = ("", -1)


def step_run(viewer: Viewer, *, later: bool) -> None:
    """Look at the next or the previous run of the circuit to step through."""
    name = viewer.controls.jump.value
    if name is None:
        raise ValueError("no circuit is chosen")
    if not viewer.house.has_readings(name):
        raise ValueError("this circuit has no readings to step through")
    find_runs(viewer, (name,), then=lambda: _to_run(viewer, name, later=later))


def _to_run(viewer: Viewer, name: str, *, later: bool) -> None:
    table, at_run, view = viewer.steps.tables[name], viewer.steps.at_run, viewer.view
    label = circuit_labels(viewer.house)[name]
    if not len(table):
        raise ValueError(f"{label} has no runs: nothing in its log is told from rest")
    at_ns = (view.start_ns + view.end_ns) // 2
    if at_run is not None and (at_run[0], at_run[2]) == (name, view):
        at_ns = at_run[1]
    run = next_run(table, at_ns, later=later)
    if run is None:
        raise ValueError(f"{label} has no run {'after' if later else 'before'} this one")
    viewer.go(around(view, run.start_ns, run.end_ns))
    viewer.steps.at_run = (name, run.start_ns, viewer.view)
    viewer.say(f"{label}: run {run.number} of {len(table)}")


def step_peak(viewer: Viewer) -> None:
    """Look at the highest reading of a circuit; then at the next highest, and so on."""
    name = viewer.controls.jump.value
    there = name is not None and viewer.house.has_readings(name)
    peaks_ns = highest_peaks_ns(viewer.house, name) if there else ()
    if not len(peaks_ns):
        raise ValueError("this circuit has no readings to step through")
    last, number = viewer.steps.at_peak
    number = (number + 1) % len(peaks_ns) if last == name else 0
    viewer.steps.at_peak = (name, number)
    at_ns = int(peaks_ns[number])
    viewer.go(looking_at(viewer.view, at_ns - AROUND_PEAK_NS, at_ns + AROUND_PEAK_NS))
    when = local_text(at_ns, viewer.house.timezone)
    viewer.say(f"Peak {number + 1} of the {len(peaks_ns)} highest: {when}")


def find_runs(viewer: Viewer, names: Sequence[str], *, then: Callable[[], None]) -> None:
    """Find the runs of circuits of which they are not known yet, beside the notebook."""
    house, labels = viewer.house, circuit_labels(viewer.house)
    missing = [n for n in names if n not in viewer.steps.tables and house.has_readings(n)]
    if not missing:
        then()
        return

    def work(step: Step) -> dict[str, pd.DataFrame]:
        found = {}
        for number, name in enumerate(missing):
            step(number, len(missing), labels[name])
            found[name] = house_cycles(house, name).table
        return found

    def done(found: dict[str, pd.DataFrame]) -> None:
        viewer.controls.busy.children = []
        viewer.steps.tables = {**viewer.steps.tables, **found}
        viewer.tell(then)()

    def failed(why: str) -> None:
        viewer.controls.busy.children = []
        viewer.say(why, bad=True)

    busy = viewer.controls.busy
    in_background(work, within=busy, done=done, failed=failed, what="Finding runs")
