"""Single runs in the run explorer: split, merged, discarded, given a name; and undone."""

from __future__ import annotations

from dataclasses import replace
from html import escape
from typing import TYPE_CHECKING

import pandas as pd

from homeenergy.cycles import Decision, add_decisions, remove_decisions
from homeenergy.cycles.decision_lines import Act
from homeenergy.cycles.decisions import FILE_NAME
from homeenergy.errors import HouseError
from homeenergy.show.run_drawing import run_text
from homeenergy.show.run_window import MOVABLE, best_split, steps_inside, update

if TYPE_CHECKING:
    from homeenergy.show.run_panel import RunPanel

ACTS: tuple[Act, ...] = ("split", "merge", "discard", "relabel")


class RunEdits:
    """The chosen run, and the list of what has been decided, on the panel."""

    def __init__(self, panel: RunPanel) -> None:
        self.panel = panel

    def wire(self) -> None:
        """Connect the controls."""
        panel, c = self.panel, self.panel.controls
        panel.changes(c.run, lambda _: self.choose())
        panel.changes(c.closer, lambda _: panel.draw())
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
        lost = ", fits no run any more" if astray else ""
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
