"""Sliders of the run explorer: they begin at what was found, and are saved for all days."""

from __future__ import annotations

from collections.abc import Callable
from html import escape
from typing import TYPE_CHECKING

import numpy as np
from ipywidgets import HTML

from homeenergy.cycles import Decision, add_decisions
from homeenergy.house.kinds import KINDS
from homeenergy.show.background import Step, Stopped, in_background
from homeenergy.show.run_drawing import answer_html, seconds_text, watts_text
from homeenergy.show.run_window import MOVABLE, Read, RunWindow, choices, run_kwh, update

if TYPE_CHECKING:
    from ipywidgets import SelectionSlider

    from homeenergy.show.run_panel import RunPanel

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
        """Save the settings and use them for all days, beside the notebook, with a bar."""
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
