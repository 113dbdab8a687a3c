"""Sliders of the run explorer: they begin at what was found, and are saved for all days."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from html import escape
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
from ipywidgets import HTML, SelectionSlider
from matplotlib.figure import Figure

from homeenergy.cycles.decisions import (
    FILE_NAME,
    Act,
    Decision,
    add_decisions,
    read_decisions,
    remove_decisions,
)
from homeenergy.errors import HouseError
from homeenergy.house.kinds import KINDS
from homeenergy.readings.house import House
from homeenergy.show.explorer.window import (
    MOVABLE,
    Read,
    RunAnswers,
    RunWindow,
    State,
    answer_html,
    around_run,
    best_split,
    choices,
    days_later,
    draw_window,
    first_state,
    local_midnight,
    read_circuit,
    run_kwh,
    run_text,
    seconds_text,
    steps_inside,
    update,
    watts_text,
    words_of,
)
from homeenergy.show.panels.house_panel import warning
from homeenergy.show.panels.widgets import Step, Stopped, debounced, in_background, runner, sentence
from homeenergy.show.viewer.trace_viewer import live_widget
from homeenergy.units import NS_PER_S

ACTS: tuple[Act, ...] = ("split", "merge", "discard", "relabel")


class RunEdits:
    """The chosen run, and the list of what has been decided, on the panel."""

    def __init__(self, panel: RunPanel) -> None:
        self.panel = panel

    def wire(self) -> None:
        """Connect the controls."""
        panel, c = self.panel, self.panel.controls
        panel.changes(c.run, lambda _: self.choose())
        panel.clicks(c.closer, self.look_closer)
        panel.changes(c.split_at, lambda _: panel.draw_soon())
        panel.clicks(c.split, lambda: self.decide("split"))
        panel.clicks(c.merge, lambda: self.decide("merge"))
        panel.clicks(c.discard, lambda: self.decide("discard"))
        panel.clicks(c.relabel, lambda: self.decide("relabel"))
        panel.clicks(c.undo, self.undo)

    def list_runs(self) -> None:
        """List the runs of the window, the one that was chosen still chosen if it is there."""
        panel, c = self.panel, self.panel.controls
        rows = [int(row) for row in panel.window.table.index]
        kept = c.run.value if c.run.value in rows else (rows[0] if rows else None)
        c.run.options = [
            (run_text(run, panel.zone), run.Index) for run in panel.window.table.itertuples()
        ]
        c.run.value = kept
        self.list_steps()
        for name in ("run", "closer", "split_at", "label", *ACTS):
            getattr(c, name).disabled = not rows or panel.moved

    def list_steps(self) -> None:
        """List the instants at which the chosen run can be split."""
        panel, slider = self.panel, self.panel.controls.split_at
        row = panel.controls.run.value
        steps = [] if row is None else steps_inside(panel.window, row)
        one_day = panel.state.end - panel.state.start <= pd.Timedelta("25h")
        pattern = "%H:%M:%S" if one_day else "%a %H:%M:%S"
        named = [(f"{when.tz_convert(panel.zone):{pattern}}", when) for when in steps]
        slider.options = named or [("nowhere", 0)]
        best = None if row is None else best_split(panel.window, row)
        slider.value = best if best in steps else slider.options[len(slider.options) // 2][1]
        table = panel.window.cycles.table
        named_run = row is not None and "label" in table
        panel.controls.label.value = str(table["label"].iloc[row]) if named_run else ""

    def choose(self) -> None:
        """Look at another run."""
        with self.panel.silently():
            self.list_steps()
        self.panel.draw()

    def look_closer(self) -> None:
        """Move the viewer to the chosen run, with little around it."""
        panel = self.panel
        part = around_run(panel.read, panel.window, panel.controls.run.value)
        panel.look(part.start, part.end)

    def decide(self, act: Act) -> None:
        """Do something with the chosen run, and save that."""
        panel = self.panel
        new = self._decision(act)
        tried = replace(panel.saved, decisions=(*panel.saved.decisions, new))
        if new in update(panel.read, tried).cycles.by_hand.unmatched:
            raise HouseError(f"this cannot be done here: {new.words(panel.zone)}")
        panel.decided(add_decisions(panel.house, [new]))
        panel.say_plainly(f"Saved: {new.words(panel.zone)}.")

    def _decision(self, act: Act) -> Decision:
        panel, c = self.panel, self.panel.controls
        row = c.run.value
        if row is None or panel.moved:
            raise HouseError(
                "apply the settings to all days, or put them back, before you change a single run"
            )
        table = panel.window.cycles.table
        start, end, value = table["start"].iloc[row], table["end"].iloc[row], ""
        if act == "split":
            start, end = c.split_at.value or None, None
            if start is None:
                raise HouseError("the power of this run does not change: nowhere to split it")
        elif act == "merge":
            if row + 1 >= len(table):
                raise HouseError("this is the last run: there is no next one to merge it with")
            end = table["end"].iloc[row + 1]
        elif act == "relabel":
            value = c.label.value.strip()
            if not value:
                raise HouseError("write a name for the run first")
        circuit = panel.read.circuit.name
        return Decision(circuit=circuit, decision=act, start=start, end=end, value=value)

    def list_decisions(self) -> None:
        """List the lines of the file about this circuit, and which of them fit no run any more."""
        panel, c = self.panel, self.panel.controls
        own = [one for one in panel.decisions if one.circuit == panel.read.circuit.name]
        astray = set()
        if own:
            hand = update(panel.read, panel.saved, whole=True).cycles.by_hand
            astray = {one.line for one in hand.unmatched}
        c.decisions.options = [(self._line(one, astray=one.line in astray), one) for one in own]
        c.decisions.index = len(own) - 1 if own else None
        c.undo.disabled = not own
        where = escape(str(panel.house.path / FILE_NAME))
        held = f"{len(own)} in" if own else "Nothing yet; it will be kept in"
        c.file.value = f"{held} <code>{where}</code>"

    def _line(self, one: Decision, *, astray: bool) -> str:
        note = f" ({one.note})" if one.note else ""
        lost = ", no longer matches a run" if astray else ""
        return f"line {one.line}: {one.words(self.panel.zone)}{note}{lost}"

    def undo(self) -> None:
        """Delete the chosen line of the file."""
        panel, one = self.panel, self.panel.controls.decisions.value
        if one is None:
            raise HouseError("choose a line to delete")
        panel.decisions = remove_decisions(panel.house, [one])
        if one.decision == "setting" and one.setting[0] not in (*MOVABLE, "kind"):
            panel.open(one.circuit)  # the levels of the trace change with it
        else:
            panel.decided(panel.decisions)
        panel.say_plainly(f"Undone: {one.words(panel.zone)}.")


AS_STATED = "as stated"
LONGEST_PAUSE_S = 6 * 3600.0
LEAST_W = 0.5


class RunSliders:
    """What counts as a run, on the panel."""

    def __init__(self, panel: RunPanel) -> None:
        self.panel = panel
        self.greatest_w = 10 * LEAST_W

    def wire(self) -> None:
        """Connect the controls."""
        panel, c = self.panel, self.panel.controls
        panel.changes(c.kind, self.choose_kind)
        for name, slider in c.sliders.items():
            panel.changes(slider, self.mover(name))
        panel.clicks(c.as_found, lambda: panel.use({}))
        panel.clicks(c.as_saved, lambda: panel.use(dict(panel.saved.settings)))
        panel.clicks(c.apply, self.apply)

    def begin(self, read: Read) -> None:
        """Take the range of another circuit, and list the kinds, its own first."""
        plateaus = read.found.plateaus
        both_w = np.abs(np.r_[plateaus.least_w, plateaus.greatest_w])
        self.greatest_w = float(both_w.max(initial=10 * LEAST_W))
        source = "house.toml says" if read.circuit.kind else "the readings look"
        first = (f"{read.found.kind}, as {source}", AS_STATED)
        self.panel.controls.kind.options = [first, *[(kind, kind) for kind in KINDS]]

    def show(self) -> None:
        """Put the sliders to what is in force."""
        panel = self.panel
        c, state = panel.controls, panel.state
        c.kind.value = state.settings.get("kind", AS_STATED)
        for name, slider in c.sliders.items():
            self._show_one(name, slider)
        c.apply.disabled = c.as_saved.disabled = not panel.moved
        c.as_found.disabled = not state.settings

    def _show_one(self, name: str, slider: SelectionSlider) -> None:
        read, state, in_force = self.panel.read, self.panel.state, self.panel.window.cycles.settings
        seconds = name == "pause_s"
        # Levels of a trace whose sign is turned lie below zero; their sizes are shown.
        sign = -1.0 if in_force["backwards"] and not seconds else 1.0
        inferred = sign * float(read.found.settings[name])
        now = sign * float(state.settings.get(name, in_force[name]))
        least = read.trace.period_s if seconds else LEAST_W
        most = LONGEST_PAUSE_S if seconds else self.greatest_w
        text = seconds_text if seconds else watts_text
        options = [
            (text(value) + (", as found" if value == inferred else ""), sign * value)
            for value in choices(inferred, now, least=least, greatest=most)
        ]
        if not np.isfinite(now):
            options.insert(0, ("not found", -np.inf))
        if slider.options != tuple(options):  # else it would be made anew under the pointer
            slider.options = options
        slider.value = sign * now if np.isfinite(now) else -np.inf

    def mover(self, name: str) -> Callable[[float], None]:
        """Give what happens when the slider of a setting is moved."""

        def move(value: float) -> None:
            panel = self.panel
            settings = dict(panel.state.settings)
            if value == panel.read.found.settings[name] or not np.isfinite(value):
                settings.pop(name, None)
            else:
                settings[name] = value
            panel.use(settings, soon=True)

        return move

    def choose_kind(self, kind: str) -> None:
        """Take another kind of appliance, or that which is stated."""
        settings = {k: v for k, v in self.panel.state.settings.items() if k != "kind"}
        self.panel.use(settings if kind == AS_STATED else {**settings, "kind": kind})

    def apply(self) -> None:
        """Save the settings and use them for all days, in a thread of its own, with a bar."""
        panel = self.panel
        read, state, saved = panel.read, panel.state, panel.saved
        circuit = read.circuit.name
        new = [
            Decision(circuit=circuit, decision="setting", value=setting_text(name, value))
            for name, value in state.settings.items()
        ]
        old = [one for one in panel.decisions if _is_movable(one, circuit)]

        def work(step: Step) -> tuple[RunWindow, RunWindow, tuple[Decision, ...]]:
            try:
                step(0, 3, "runs of all days as they are")
                before = update(read, saved, whole=True)
                step(1, 3, "runs of all days with these settings")
                after = update(read, state, whole=True)
                step(2, 3, "saving")
            except Stopped:
                raise ValueError("Stopped. Nothing was saved.") from None
            return before, after, add_decisions(panel.house, new, instead_of=old)

        def done(result: tuple[RunWindow, RunWindow, tuple[Decision, ...]]) -> None:
            before, after, decisions = result
            panel.decided(decisions)
            rows = [
                (
                    name,
                    len(window.cycles.table),
                    run_kwh(window.cycles.table, timezone=read.timezone),
                    window.cycles.standby,
                )
                for name, window in (("before", before), ("now", after))
            ]
            days = f"Saved, and in force for all {read.trace.covered_s / 86_400:.0f} days"
            panel.controls.work.children = [HTML(answer_html(rows, caption=escape(days)))]

        panel.say("")
        in_background(
            work,
            within=panel.controls.work,
            done=panel.guarded(done),
            failed=panel.failed,
            what="Applying to all days",
        )


def setting_text(name: str, value: float | str) -> str:
    """Write a setting as a line of the file has it."""
    return f"{name}={value}" if isinstance(value, str) else f"{name}={value:.6g}"


def _is_movable(one: Decision, circuit: str) -> bool:
    own = one.circuit == circuit and one.decision == "setting"
    return own and one.setting[0] in (*MOVABLE, "kind")


MOST_SEEN = pd.Timedelta(days=31)  # of which runs are found again at each move of a slider
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

    def __init__(self, house: House, circuit: str, *, controls: SimpleNamespace) -> None:
        self.house, self.zone = house, house.timezone
        self.run = runner()
        self.controls = controls
        self.sliders, self.edits = RunSliders(self), RunEdits(self)
        self.ready, self._quiet = False, False
        self._before_of: State | None = None
        self._refresh_soon = debounced(self.guarded(self.refresh), wait_s=WAIT_S)
        self.draw_soon = debounced(self.guarded(self.draw), wait_s=WAIT_S)
        self.live: Any = None
        self._seen: tuple[pd.Timestamp, pd.Timestamp] | None = None
        self._wire()
        self.open(circuit)

    def open(self, circuit: str) -> None:
        """Read another circuit; a long one in a thread of its own, with a bar."""
        self.say("")
        self.ready = False
        decisions = read_decisions(self.house)
        infos, _ = self.house.stored_months(circuit)

        def work(step: Step) -> Read:
            step(0, 2, "reading")
            found = read_circuit(self.house, circuit, decisions=decisions)
            self.house.overview.prepare(progress=step)
            return found

        def done(read: Read) -> None:
            self.read, self.decisions, self.ready = read, decisions, True
            self.state = self.saved = self._first_state()
            try:
                with self.silently():
                    self.sliders.begin(read)
                self.edits.list_decisions()
                self.live = None
                self.refresh()
                self.answers = RunAnswers(self)
                self.live = live_widget(self.answers)
                self.controls.live.children = [self.live]
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
        self.look(start, end)

    def look(self, start: pd.Timestamp, end: pd.Timestamp) -> None:
        """Move the viewer."""
        ends = {"t0": start.value / NS_PER_S, "t1": end.value / NS_PER_S}
        self.tell({"kind": "look", "told": True, **ends})

    def tell(self, said: dict[str, Any]) -> None:
        """Tell the viewer something, if it is there yet."""
        if self.live is not None:
            self.live.send(said)

    def seen(self, start: pd.Timestamp, end: pd.Timestamp) -> None:
        """Follow where a person looks in the viewer, beyond the window; within it all stays."""
        if not self.ready or self._seen == (start, end):
            return
        if self.state.start <= start and end <= self.state.end:
            return
        self._seen = start, end
        middle, half = start + (end - start) / 2, min(end - start, MOST_SEEN) / 2
        start, end = middle - half, middle + half
        self.state = replace(self.state, start=start, end=end)
        self.saved = replace(self.saved, start=start, end=end)
        self._before_of = None
        self.refresh()

    def choose(self, number: int) -> None:
        """Choose a run that was clicked in the viewer."""
        if number in [row for _, row in self.controls.run.options]:
            self.controls.run.value = number

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
        """Show the runs in the viewer, and the figures below it."""
        if self.live is not None:
            self.tell(self.answers.told())
        shown = [("as saved" if self.moved else "now", self.before)]
        shown += [("with these sliders", self.window)] if self.moved else []
        within = "in this window: runs that begin, rest between runs"
        self.controls.answer.value = answer_html(
            [(name, window.runs, window.run_kwh, window.standby_w) for name, window in shown],
            caption=f"{self.read.circuit.appliance} {within}",
        )

    @property
    def split_at(self) -> pd.Timestamp | None:
        """Where the chosen run would be split."""
        row, at = self.controls.run.value, self.controls.split_at.value
        return None if row is None or self.moved or not at else at

    def picture(self) -> Figure:
        """Give the figure of what is looked at, for where no kernel runs."""
        if not self.ready:
            return Figure(figsize=(1, 1))
        row = self.controls.run.value
        return draw_window(self.read, self.window, chosen=row, split_at=self.split_at)

    def words(self) -> str:
        """Say what the figure shows."""
        if not self.ready:
            return ""
        return f"Figure. {words_of(self.read, self.window, chosen=self.controls.run.value)}"

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
