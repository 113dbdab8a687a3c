"""The run explorer at work: what is looked at, and what each control does."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from html import escape
from typing import Any

import pandas as pd
from matplotlib.figure import Figure

from homeenergy.cycles import Decision, read_decisions
from homeenergy.readings.house import House
from homeenergy.show.alternative import image_html
from homeenergy.show.background import Step, in_background, sentence
from homeenergy.show.debounce import debounced
from homeenergy.show.offer_import import warning
from homeenergy.show.one_thread import runner
from homeenergy.show.run_controls import laid_out, make_controls
from homeenergy.show.run_drawing import answer_html, draw_window, png_of, words_of
from homeenergy.show.run_edits import RunEdits
from homeenergy.show.run_sliders import RunSliders
from homeenergy.show.run_window import (
    Read,
    RunWindow,
    State,
    days_later,
    first_state,
    local_midnight,
    read_circuit,
    update,
)

AT_ONCE_SAMPLES = 8_000_000  # so many are read and searched in about half a second
WAIT_S = 0.06  # after the last move of a slider, before all is found again


class RunPanel:
    """Holds what is looked at, and keeps picture, controls and lists in step with it.

    Attributes
    ----------
    read : Read
        The circuit.
    state, saved : State
        What the sliders say, and what run_decisions.csv says, on the same window.
    window, before : RunWindow
        The window as the sliders, and as the file would have it.
    decisions : tuple of Decision
        All lines of the file.
    """

    read: Read
    state: State
    saved: State
    window: RunWindow
    before: RunWindow
    decisions: tuple[Decision, ...]

    def __init__(self, house: House, circuit: str, *, circuits: list[tuple[str, str]]) -> None:
        self.house, self.zone = house, house.timezone
        self.run = runner()
        self.controls = make_controls(circuits, circuit=circuit)
        self.sliders, self.edits = RunSliders(self), RunEdits(self)
        self.ready, self._quiet = False, False
        self._before_of: State | None = None
        self._refresh_soon = debounced(self.guarded(self.refresh), wait_s=WAIT_S)
        self.draw_soon = debounced(self.guarded(self.draw), wait_s=WAIT_S)
        self._wire()
        self.children = laid_out(self.controls)
        self.open(circuit)

    def open(self, circuit: str) -> None:
        """Read another circuit; a long one beside the notebook, with a bar."""
        self.say("")
        self.ready = False
        decisions = read_decisions(self.house)
        infos, _ = self.house.stored_months(circuit)

        def work(step: Step) -> Read:
            step(0, 2, "reading")
            found = read_circuit(self.house, circuit, decisions=decisions)
            step(1, 2, "drawing")
            return found

        def done(read: Read) -> None:
            self.read, self.decisions, self.ready = read, decisions, True
            self.state = self.saved = self._first_state()
            try:
                with self.silently():
                    self.sliders.begin(read)
                self.edits.list_decisions()
                self.refresh()
            finally:
                self.controls.work.children = []

        if sum(info.samples for info in infos) <= AT_ONCE_SAMPLES:
            done(work(lambda *_: None))
            return
        in_background(
            work,
            within=self.controls.work,
            done=self.guarded(done),
            failed=self.failed,
            what=f"Finding the runs of {circuit}",
        )

    def _first_state(self) -> State:
        return first_state(self.read, self.decisions, days=self.controls.length.value)

    def look_at(self, start: pd.Timestamp) -> None:
        """Move the window to begin at a local midnight."""
        end = days_later(start, self.controls.length.value, str(self.zone))
        self.state = replace(self.state, start=start, end=end)
        self.saved = replace(self.saved, start=start, end=end)
        self.refresh()

    def use(self, settings: Mapping[str, float | str], *, soon: bool = False) -> None:
        """Look at the window with these settings; `soon`: once they no longer change."""
        self.state = replace(self.state, settings=settings)
        if soon:
            self._refresh_soon()
        else:
            self.refresh()

    def decided(self, decisions: tuple[Decision, ...]) -> None:
        """Take what the file holds now."""
        self.decisions = decisions
        self.controls.work.children = []  # figures of what was in force before
        now = self._first_state()
        self.state = self.saved = replace(
            self.saved, settings=now.settings, decisions=now.decisions
        )
        self.edits.list_decisions()
        self.refresh()

    @property
    def moved(self) -> bool:
        """Whether the sliders say something else than what is saved."""
        return dict(self.state.settings) != dict(self.saved.settings)

    def refresh(self) -> None:
        """Find the runs of the window again, and show them."""
        self.window = update(self.read, self.state)
        if not self.moved:
            self.before, self._before_of = self.window, self.saved
        elif self._before_of is not self.saved:
            self.before, self._before_of = update(self.read, self.saved), self.saved
        with self.silently():
            self.sliders.show()
            self.edits.list_runs()
        self.draw()

    def draw(self) -> None:
        """Draw the window, and put the figures below it."""
        self.controls.picture.value = image_html(self.words(), png=png_of(self.picture()))
        shown = [("as saved" if self.moved else "now", self.before)]
        shown += [("with these sliders", self.window)] if self.moved else []
        self.controls.answer.value = answer_html(
            [(name, window.runs, window.run_kwh, window.standby_w) for name, window in shown],
            caption=f"{self.read.circuit.appliance}, runs that begin in this window",
        )

    def picture(self) -> Figure:
        """Give the figure of what is looked at."""
        if not self.ready:
            return Figure(figsize=(1, 1))
        row = self.controls.run.value
        split_at = None if row is None or self.moved else self.controls.split_at.value or None
        closer = bool(self.controls.closer.value)
        return draw_window(self.read, self.window, chosen=row, split_at=split_at, closer=closer)

    def words(self) -> str:
        """Say what the figure shows."""
        if not self.ready:
            return ""
        return words_of(self.read, self.window, chosen=self.controls.run.value)

    def say(self, text: str) -> None:
        """Show a warning, or none."""
        self.controls.message.value = warning(text) if text else ""

    def say_plainly(self, text: str) -> None:
        """Show what was done."""
        self.controls.message.value = f"<span role='status'>{escape(text)}</span>"

    def failed(self, text: str) -> None:
        """Show why long work gave nothing."""
        self.controls.work.children = []
        self.say(text)

    @contextmanager
    def silently(self) -> Iterator[None]:
        """Change controls without their taking effect."""
        before, self._quiet = self._quiet, True
        try:
            yield
        finally:
            self._quiet = before

    def guarded(self, act: Callable[..., None]) -> Callable[..., None]:
        """Give the same function, with what goes wrong shown as a sentence."""

        def guarded(*given: Any) -> None:
            try:
                act(*given)
            except Exception as error:
                self.say(sentence(error))

        return guarded

    def changes(self, control: Any, act: Callable[[Any], None]) -> None:
        """Do something with the value of a control when a person has changed it."""
        guarded = self.guarded(act)

        def changed(change: Any) -> None:
            if not self._quiet and (self.ready or control is self.controls.circuit):
                guarded(change["new"])

        control.observe(lambda change: self.run(changed, change), names="value")

    def clicks(self, control: Any, act: Callable[[], None]) -> None:
        """Do something when a button is pressed."""
        guarded = self.guarded(act)

        def clicked() -> None:
            if self.ready:
                guarded()

        control.on_click(lambda _: self.run(clicked))

    def _wire(self) -> None:
        c = self.controls
        self.changes(c.circuit, self.open)
        self.changes(c.day, self._go_to_day)
        self.changes(c.length, lambda _: self.look_at(self.state.start))
        self.clicks(c.earlier, lambda: self._step(-1))
        self.clicks(c.later, lambda: self._step(1))
        self.clicks(c.busiest, lambda: self.look_at(self._first_state().start))
        self.sliders.wire()
        self.edits.wire()

    def _go_to_day(self, date: Any) -> None:
        if date is not None:
            noon = pd.Timestamp(date) + pd.Timedelta(hours=12)  # comes once on any day
            self.look_at(local_midnight(noon.tz_localize(self.zone), str(self.zone)))

    def _step(self, direction: int) -> None:
        days = direction * self.controls.length.value
        self.look_at(days_later(self.state.start, days, str(self.zone)))
