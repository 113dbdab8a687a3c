"""The trace viewer at work: what each button, key and movement of the mouse does."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from html import escape
from typing import TYPE_CHECKING, Any

import pandas as pd
from ipywidgets import Checkbox, HBox, Layout
from matplotlib.figure import Figure
from matplotlib.widgets import SpanSelector

from homeenergy.readings.house import House
from homeenergy.show.background import sentence
from homeenergy.show.circuit_list import circuit_text, circuits_to_begin_with, listed
from homeenergy.show.local_axis import axis_days
from homeenergy.show.one_thread import runner
from homeenergy.show.span_table import span_table
from homeenergy.show.style import VERMILION
from homeenergy.show.view import (
    View,
    first_view,
    looking_at,
    on_day,
    with_circuits,
)
from homeenergy.show.view_data import (
    ViewData,
    circuit_labels,
    in_words,
    reading_text,
    view_data,
)
from homeenergy.show.view_drawing import ViewDrawing, picture_height_in
from homeenergy.show.view_files import file_stem, save_picture, save_readings
from homeenergy.show.viewer_controls import ALL_LEGS, laid_out, make_controls
from homeenergy.show.viewer_events import connect
from homeenergy.show.viewer_figure import (
    WIDTH_IN,
    columns,
    draw_soon,
    instant_of,
    limits_ns,
    live_canvas,
    new_figure,
    set_margins,
)
from homeenergy.show.viewer_steps import Steps, find_runs

if TYPE_CHECKING:
    from pathlib import Path

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
            raise ValueError(f"{text!r} is no time; write it for example as 2026-10-27 14:00")
        return at_ns
