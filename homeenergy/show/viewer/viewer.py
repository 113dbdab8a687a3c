"""The trace viewer at work: what each button, key and movement of the mouse does."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import date
from html import escape
from pathlib import Path
from typing import Any

import pandas as pd
from ipywidgets import Checkbox, HBox, Layout
from matplotlib.figure import Figure
from matplotlib.widgets import SpanSelector

from homeenergy.cycles import house_cycles
from homeenergy.readings.house import House
from homeenergy.show.figures.style import VERMILION, axis_days
from homeenergy.show.panels.widgets import Step, in_background, runner, sentence
from homeenergy.show.viewer.controls import (
    ALL_LEGS,
    DRAGS,
    WHEEL,
    WIDTH_IN,
    circuit_text,
    circuits_to_begin_with,
    columns,
    draw_soon,
    instant_of,
    laid_out,
    limits_ns,
    listed,
    live_canvas,
    make_controls,
    new_figure,
    set_margins,
)
from homeenergy.show.viewer.drawing import ViewDrawing, picture_height_in
from homeenergy.show.viewer.span import file_stem, save_picture, save_readings, span_table
from homeenergy.show.viewer.view import (
    View,
    ViewData,
    around,
    circuit_labels,
    first_view,
    highest_peaks_ns,
    in_words,
    local_text,
    looking_at,
    moved,
    next_run,
    on_day,
    reading_text,
    view_data,
    whole_log,
    with_circuits,
    zoomed,
)

AROUND_PEAK_NS = 10 * 60 * 1_000_000_000


@dataclass(slots=True)
class Steps:
    """Runs that are known, and the one stepped to."""

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
        raise ValueError(f"{label} has no runs: nothing in its log rises above rest")
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
    """Find the runs of circuits of which they are not known yet, in a thread of its own."""
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


STEP = 0.5  # of the width, for arrows and buttons
CLOSER = 2.0
MODES = dict(zip(DRAGS, ("NONE", "PAN", "ZOOM"), strict=True))


def connect(viewer: Viewer) -> None:
    """Let controls, mouse and keys act on a viewer."""
    _connect_controls(viewer)
    _connect_figure(viewer)


def _connect_controls(viewer: Viewer) -> None:
    c = viewer.controls
    for button, action in (
        (c.earlier, lambda: viewer.go(moved(viewer.view, -STEP))),
        (c.later, lambda: viewer.go(moved(viewer.view, STEP))),
        (c.closer, lambda: viewer.go(zoomed(viewer.view, CLOSER))),
        (c.wider, lambda: viewer.go(zoomed(viewer.view, 1 / CLOSER))),
        (c.everything, lambda: viewer.go(whole_log(viewer.view))),
        (c.back, viewer.back),
        (c.previous_run, lambda: step_run(viewer, later=False)),
        (c.next_run, lambda: step_run(viewer, later=True)),
        (c.highest, lambda: step_peak(viewer)),
        (c.measure, viewer.measure_fields),
        (c.clear, viewer.clear_selection),
        (c.save_picture, viewer.save_picture),
        (c.save_data, viewer.save_data),
        (c.choose_all, lambda: _choose_listed(viewer)),
        (c.choose_none, lambda: viewer.choose(())),
    ):
        button.on_click(_click(viewer, action))

    def on(control: Any, action: Callable[[Any], Any]) -> None:
        def changed(change: dict[str, Any]) -> None:
            if not viewer.quiet:
                viewer.tell(action)(change["new"])

        control.observe(lambda change: viewer.run(changed, change), names="value")

    for control in (c.search, c.leg):
        on(control, lambda _: viewer.list_circuits())
    on(c.order, lambda _: _reorder(viewer))
    on(c.day, lambda day: _to_day(viewer, day))
    on(c.arrangement, lambda how: viewer.go(replace(viewer.view, arrangement=how)))
    on(c.runs, viewer.mark_runs)
    on(c.drag, lambda how: _drag(viewer, MODES[how]))
    on(c.wheel, lambda zooms: setattr(viewer.canvas, "capture_scroll", zooms))
    for box in viewer.boxes.values():
        on(box, lambda _: viewer.choose([n for n, one in viewer.boxes.items() if one.value]))


def _click(viewer: Viewer, action: Callable[[], Any]) -> Callable[[Any], None]:
    return lambda _: viewer.tell(action)()


def _reorder(viewer: Viewer) -> None:
    viewer.list_circuits()
    viewer.choose(viewer.view.circuits)


def _to_day(viewer: Viewer, day: date | None) -> None:
    if day is not None:
        viewer.go(on_day(viewer.view, day, viewer.house.timezone))


def _choose_listed(viewer: Viewer) -> None:
    shown = viewer.names.children
    viewer.choose([name for name, box in viewer.boxes.items() if box in shown])


def _drag(viewer: Viewer, mode: str) -> None:
    """Let dragging over the figure measure, move or zoom."""
    toolbar = viewer.canvas.toolbar
    if toolbar.mode.name == mode:
        return
    if mode == "PAN" or (mode == "NONE" and toolbar.mode.name == "PAN"):
        toolbar.pan()
    else:
        toolbar.zoom()


def _connect_figure(viewer: Viewer) -> None:
    canvas, ax = viewer.canvas, viewer.figure.axes[0]

    def turned(event: Any) -> None:
        if viewer.controls.wheel.value and event.inaxes is ax:
            at_ns = instant_of(event.xdata)
            viewer.go(zoomed(viewer.view, WHEEL**event.step, at_ns=at_ns))

    def pointed(event: Any) -> None:
        if event.inaxes is ax:
            lane = len(viewer.view.circuits) - 1 - math.floor(event.ydata)
            viewer.read_at(instant_of(event.xdata), lane=lane)

    def pressed(event: Any) -> None:
        if event.inaxes is ax and canvas.toolbar.mode.name != "NONE":
            viewer.remember()

    keys: dict[str, Callable[[], Any]] = {
        "left": lambda: viewer.go(moved(viewer.view, -STEP)),
        "right": lambda: viewer.go(moved(viewer.view, STEP)),
        "+": lambda: viewer.go(zoomed(viewer.view, CLOSER)),
        "=": lambda: viewer.go(zoomed(viewer.view, CLOSER)),
        "-": lambda: viewer.go(zoomed(viewer.view, 1 / CLOSER)),
        "home": lambda: viewer.go(whole_log(viewer.view)),
        "backspace": viewer.back,
        "n": lambda: step_run(viewer, later=True),
        "p": lambda: step_run(viewer, later=False),
        "h": lambda: step_peak(viewer),
        ",": lambda: viewer.step_reading(-1),
        ".": lambda: viewer.step_reading(1),
        "escape": viewer.clear_selection,
    }

    leaves = ""

    def typed(event: Any) -> None:
        nonlocal leaves
        key = (event.key or "").lower()
        leaves = key if key in ("tab", "shift+tab") else ""
        if key in keys:
            viewer.tell(keys[key])()

    def let_go(event: Any) -> None:
        # The figure keeps all keys to itself, and would hold those who use no mouse for ever.
        # Not when the key goes down: the page takes no second one while the first is held.
        nonlocal leaves
        if leaves and (event.key or "").lower().endswith("tab"):
            (viewer.controls.start if leaves == "tab" else viewer.controls.wheel).focus()
            leaves = ""

    canvas.mpl_connect("scroll_event", viewer.tell(turned))
    canvas.mpl_connect("motion_notify_event", pointed)
    canvas.mpl_connect("button_press_event", pressed)
    canvas.mpl_connect("button_release_event", lambda _: viewer.draw_soon())
    canvas.mpl_connect("key_press_event", typed)
    canvas.mpl_connect("key_release_event", let_go)


MOST_REMEMBERED = 50  # views to go back to
MOST_READ = 8  # circuits whose readings are written at once


class Viewer:
    """Holds what is looked at, and keeps figure, controls and tables in step with it.

    Attributes
    ----------
    view : View
        What is looked at.
    selection : (int, int) or None
        Instants (UTC, ns) between which is measured.
    box : ipywidgets.HBox
        All of it, to be shown.
    """

    def __init__(
        self,
        house: House,
        circuits: Sequence[str] | None = None,
        *,
        start: object = None,
        end: object = None,
        save_in: str = "saved",
    ) -> None:
        chosen = circuits_to_begin_with(house) if circuits is None else tuple(circuits)
        self.house = house
        self.selection: tuple[int, int] | None = None
        self.steps = Steps()
        self.view = first_view(house, chosen)
        low, high = house.instant_ns(start), house.instant_ns(end)
        if low is not None or high is not None:
            low = self.view.log_start_ns if low is None else low
            self.view = looking_at(self.view, low, self.view.log_end_ns if high is None else high)
        self.data: ViewData | None = None
        self._shown: tuple[Any, ...] = ()
        self._limits: tuple[Any, ...] = ()
        self._earlier_views: list[View] = []
        self.quiet = False
        self._reading_ns: int | None = None
        self.controls = make_controls(house, save_in=save_in)
        height_in = picture_height_in(len(chosen), stacked=True)
        self.figure = new_figure(height_in, before_drawing=self._before_drawing)
        self.drawing = ViewDrawing(self.figure.axes[0], house.timezone)
        self.run = runner()
        self.canvas = live_canvas(self.figure, run=self.run)
        self.draw_soon = draw_soon(self.canvas)
        self.span = SpanSelector(
            self.figure.axes[0],
            lambda low, high: self.tell(self._dragged)(low, high),
            "horizontal",
            interactive=True,
            props={"facecolor": VERMILION, "alpha": 0.15},
        )
        self.boxes = {
            circuit.name: Checkbox(
                value=circuit.name in chosen,
                description=circuit_text(house, circuit),
                indent=False,
                layout=Layout(width="auto", margin="2px 10px 2px 2px"),
            )
            for circuit in house.circuits
        }
        self.names = HBox(
            layout=Layout(flex_flow="row wrap", max_height="120px", overflow="hidden auto")
        )
        self.list_circuits()
        self.box = laid_out(self.controls, names=self.names, canvas=self.canvas)
        self._name_jumps()
        connect(self)
        self._before_drawing()

    def picture(self) -> Figure:
        """Give the figure as it is."""
        return self.figure

    def words(self) -> str:
        """Say what the figure shows."""
        return "" if self.data is None else in_words(self.data, zone=self.house.timezone)

    def refresh(self) -> None:
        """Gather and draw what is looked at, unless the figure shows just that."""
        ax = self.figure.axes[0]
        if self._limits and ax.get_xlim() != self._limits[0]:
            self.view = looking_at(self.view, *limits_ns(self.figure))
        shown = (self.view, columns(self.figure), tuple(self.steps.tables))
        if shown == self._shown:
            ax.set_ylim(*self._limits[1])
            return
        self.data = view_data(self.house, self.view, points=shown[1], runs=self.steps.tables)
        self.drawing.draw(self.data)
        self._limits, self._shown = (ax.get_xlim(), ax.get_ylim()), shown
        day = self.controls.day
        if day.value and on_day(self.view, day.value, self.house.timezone) != self.view:
            day.value = None  # so that the same day can be picked again
        self.controls.words.value = (
            f"<details><summary>The figure in words</summary>{escape(self.words())}</details>"
        )

    def go(self, view: View) -> None:
        """Look at something else."""
        if view != self.view:
            self.remember()
            self._look(view)

    def _look(self, view: View) -> None:
        resize = (view.circuits, view.arrangement) != (self.view.circuits, self.view.arrangement)
        self.view = view
        if resize:
            stacked = view.arrangement == "stacked"
            height_in = picture_height_in(len(view.circuits), stacked=stacked)
            self.figure.set_size_inches(WIDTH_IN, height_in)
            set_margins(self.figure, stacked=stacked)
            self._name_jumps()
        if self._limits:
            self._limits = (self.figure.axes[0].get_xlim(), *self._limits[1:])
        self.draw_soon()

    def _name_jumps(self) -> None:
        labels = circuit_labels(self.house)
        jump, kept = self.controls.jump, self.controls.jump.value
        jump.options = [(labels[name], name) for name in self.view.circuits]
        if self.view.circuits:
            jump.value = kept if kept in self.view.circuits else self.view.circuits[0]

    @contextmanager
    def setting_controls(self) -> Iterator[None]:
        """While controls are set to what is looked at, they have no effect."""
        self.quiet = True
        try:
            yield
        finally:
            self.quiet = False

    def remember(self) -> None:
        """Keep where one looks now, to come back to."""
        self._earlier_views = [*self._earlier_views[-MOST_REMEMBERED:], self.view]

    def back(self) -> None:
        """Look again where one looked before, at the circuits of now."""
        while self._earlier_views:
            last = self._earlier_views.pop()
            if (last.start_ns, last.end_ns) != (self.view.start_ns, self.view.end_ns):
                return self._look(looking_at(self.view, last.start_ns, last.end_ns))
        return None

    def choose(self, names: Sequence[str]) -> None:
        """Look at these circuits, in the order of the list."""
        order = [c.name for c in listed(self.house, order=self.controls.order.value)]
        chosen = tuple(name for name in order if name in names)
        with self.setting_controls():
            for name, box in self.boxes.items():
                box.value = name in chosen
        self.go(with_circuits(self.view, self.house, chosen))
        if self.view.runs:
            find_runs(self, chosen, then=self.draw_soon)
        if self.selection:
            self.select(*self.selection)

    def _dragged(self, low: float, high: float) -> None:
        start_ns, end_ns = instant_of(low), instant_of(high)
        if start_ns is None or end_ns is None or start_ns >= end_ns:
            self.clear_selection()
        else:
            self.select(start_ns, end_ns)

    def select(self, start_ns: int, end_ns: int) -> None:
        """Measure what lies between two instants."""
        start, end = (pd.Timestamp(at, unit="ns", tz="UTC") for at in (start_ns, end_ns))
        table = span_table(self.house, self.view.circuits, start=start, end=end)
        self.selection = (start_ns, end_ns)
        self.controls.table.value = table._repr_html_()
        self.controls.start.value, self.controls.end.value = map(self._local, (start_ns, end_ns))
        self.span.extents = tuple(axis_days([start_ns, end_ns]))
        self.span.set_visible(True)
        self.draw_soon()

    def clear_selection(self) -> None:
        """Measure nothing."""
        self.selection = None
        self.controls.table.value = ""
        self.span.clear()
        self.draw_soon()

    def measure_fields(self) -> None:
        """Measure between the times that are written in the fields."""
        fields = (self.controls.start.value, self.controls.end.value)
        start_ns, end_ns = map(self._instant, fields)
        self.select(start_ns, end_ns)

    def mark_runs(self, on: bool) -> None:
        """Mark runs in the figure, after finding them."""
        self.go(replace(self.view, runs=on))
        if on:
            find_runs(self, self.view.circuits, then=self.draw_soon)

    def save_picture(self) -> Path:
        """Save the figure as it is."""
        stem = file_stem(self.house, self.view.start_ns, self.view.end_ns)
        path = save_picture(self.figure, self.controls.folder.value, stem=stem)
        self.say(f"Saved {path}")
        return path

    def save_data(self) -> Path:
        """Save the readings of what is selected, or else of what is in view."""
        start_ns, end_ns = self.selection or (self.view.start_ns, self.view.end_ns)
        path, period_s = save_readings(
            self.house,
            self.view.circuits,
            self.controls.folder.value,
            start_ns=start_ns,
            end_ns=end_ns,
        )
        self.say(f"Saved {path}, a row for each {period_s:g} s")
        return path

    def read_at(self, at_ns: int | None, *, lane: int | None = None) -> None:
        """Write what the circuits draw at an instant; of many, only the one in a lane."""
        if self.data is None or at_ns is None:
            return
        names = list(self.view.circuits)
        if len(names) > MOST_READ:
            names = [names[min(max(lane or 0, 0), len(names) - 1)]]
        self._reading_ns = at_ns
        text = reading_text(self.data, at_ns, zone=self.house.timezone, circuits=names)
        self.controls.reading.value = f"<span role='status'>{escape(text)}</span>"

    def step_reading(self, columns_later: int) -> None:
        """Read one column later or earlier, for those who use no mouse."""
        if self.data is None:
            return
        widths = [envelope.width_ns for envelope in self.data.envelopes.values() if envelope]
        width_ns = min(widths, default=self.view.width_ns)
        first_ns, last_ns = self.view.start_ns, self.view.end_ns - 1
        at_ns = self._reading_ns
        if at_ns is None or not first_ns <= at_ns <= last_ns:
            at_ns = (first_ns + last_ns) // 2
        at_ns = min(max(at_ns + columns_later * width_ns, first_ns), last_ns)
        self.read_at(at_ns)
        self.drawing.mark(float(axis_days([at_ns])[0]))
        self.draw_soon()

    def list_circuits(self) -> None:
        """List the circuits that match what is searched for."""
        controls = self.controls
        leg = None if controls.leg.value == ALL_LEGS else controls.leg.value
        found = listed(
            self.house, search=controls.search.value, leg=leg, order=controls.order.value
        )
        self.names.children = [self.boxes[circuit.name] for circuit in found]

    def tell(self, action: Callable[..., Any]) -> Callable[..., None]:
        """Wrap what a control does, so that what goes wrong becomes one sentence in the box."""

        def act(*given: Any) -> None:
            self.say("")
            try:
                action(*given)
            except Exception as error:
                self.say(sentence(error), bad=True)

        return lambda *given: self.run(act, *given)

    def say(self, text: str, *, bad: bool = False) -> None:
        """Write a sentence above the figure."""
        role, tag = ("alert", "b") if bad else ("status", "span")
        said = f"<{tag} role='{role}'>{escape(text)}</{tag}>" if text else ""
        self.controls.message.value = said

    def _before_drawing(self) -> None:
        # Whole pictures: of two that come quickly one after the other the page may drop the first,
        # and what differs from one that was dropped cannot be shown.
        self.canvas._force_full = True
        try:
            self.refresh()
        except Exception as error:
            self.say(sentence(error), bad=True)

    def _local(self, at_ns: int) -> str:
        """Local time as text that means this instant; with its offset in an hour that is twice."""
        local = pd.Timestamp(at_ns, unit="ns", tz="UTC").tz_convert(self.house.timezone)
        text = f"{local:%Y-%m-%d %H:%M:%S}"
        whole_s_ns = at_ns - at_ns % 1_000_000_000
        return text if self.house.instant_ns(text) == whole_s_ns else f"{text}{local:%z}"

    def _instant(self, text: str) -> int:
        try:
            at_ns = self.house.instant_ns(text)
        except ValueError:
            at_ns = None
        if at_ns is None or not text.strip():
            raise ValueError(f"{text!r} is not a time; write it for example as 2026-10-27 14:00")
        return at_ns
