"""The idling panel at work: its controls, and what each asks."""

from __future__ import annotations

from typing import Any

from ipywidgets import Dropdown, HBox, Layout, SelectionSlider
from matplotlib.figure import Figure

from homeenergy.show.arrow_keys import keep_arrow_keys
from homeenergy.show.asking import Asking
from homeenergy.show.idle_questions import ALL, WHENEVER_H, IdleState, update
from homeenergy.show.known_house import KnownHouse

NATURAL = {"description_width": "initial"}
HOURS = [(f"{hours} h a day", float(hours)) for hours in range(1, 24)]


class IdlePanel:
    """Holds the controls, and asks what they say."""

    def __init__(self, known: KnownHouse) -> None:
        labels = [(known.labels[name], name) for name in known.findings]
        choices = [("all of them", ALL), *labels] if len(labels) > 1 else labels
        self.appliance = Dropdown(
            description="Appliance", options=choices, value=choices[0][1], style=NATURAL
        )
        self.off = SelectionSlider(
            description="Off for",
            options=[*HOURS, ("whenever nobody uses it", WHENEVER_H)],
            value=WHENEVER_H,
            style=NATURAL,
            layout=Layout(width="440px"),
            tooltip="Hours of a day for which it would be off, outside its runs",
        )
        self.asking = Asking(lambda state: update(known, state))
        for control in (self.appliance, self.off):
            self.asking.changes(control, self.ask)
        row = HBox([self.appliance, self.off], layout=Layout(flex_flow="row wrap"))
        self.children: list[Any] = [row, *self.asking.children, keep_arrow_keys()]
        self.ask()

    def ask(self) -> None:
        """Ask what the controls say."""
        state = IdleState(circuit=self.appliance.value, off_h_per_day=self.off.value)
        self.asking.ask(state)

    def still(self) -> Figure:
        """Give the figure with the sentence above it."""
        return self.asking.still()

    def words(self) -> str:
        """Say what the figure shows."""
        return self.asking.words()
