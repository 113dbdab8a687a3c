"""Compare programmes, appliances and days by picking them."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

from ipywidgets import Checkbox, DatePicker, Dropdown, HBox, Layout, Text, VBox
from matplotlib.figure import Figure

from homeenergy.errors import HouseError
from homeenergy.findings import Findings
from homeenergy.readings.house import House
from homeenergy.show.explorer.drawing import count_text
from homeenergy.show.explorer.panel import AT_ONCE_SAMPLES
from homeenergy.show.panels.asking import Asking
from homeenergy.show.panels.compare_questions import (
    QUESTIONS,
    CompareState,
    first_state,
    two_programmes,
    update,
)
from homeenergy.show.panels.house_panel import KnownHouse, house_panel, programmes_of
from homeenergy.show.panels.widgets import keep_arrow_keys

NATURAL = {"description_width": "initial"}
RUN_WORDS = ("run", "load", "use")
# Which controls belong to which question; the rest are hidden, and the Tab key passes them over.
SHOWN = {
    "programmes": ("a", "programme_a", "programme_b", "per", "weekly"),
    "appliances": ("a", "b", "per", "weekly"),
    "weekend": ("a",),
    "weekdays": ("a",),
    "hours": ("a",),
    "change": ("a", "at", "weather"),
}


class ComparePanel:
    """Holds the controls, and asks what they say."""

    def __init__(self, known: KnownHouse) -> None:
        self.known = known
        state = first_state(known)
        self._make(state)
        self.asking = Asking(lambda state: update(known, state), slow=self._slow)
        self.list_programmes(state.programme_a, state.programme_b)
        self.arrange()
        self._wire()
        rows = [
            [self.what],
            [self.a, self.b],
            [self.programme_a, self.programme_b],
            [self.per, self.weekly, self.at, self.weather],
        ]
        wrapped = Layout(flex_flow="row wrap", align_items="center")
        self.children: list[Any] = [
            *(HBox(row, layout=wrapped) for row in rows),
            *self.asking.children,
            keep_arrow_keys(),
        ]
        self.ask()

    def _make(self, state: CompareState) -> None:
        circuits = [(self.known.labels[name], name) for name in self.known.findings]
        chosen: dict[str, Any] = {"style": NATURAL}
        self.what = Dropdown(
            description="Compare",
            options=QUESTIONS,
            value=state.what,
            layout={"width": "360px"},
            **chosen,
        )
        self.a = Dropdown(description="Appliance", options=circuits, value=state.a, **chosen)
        self.b = Dropdown(description="with", options=circuits, value=state.b, **chosen)
        self.programme_a = Dropdown(description="Programme", options=[], **chosen)
        self.programme_b = Dropdown(description="with", options=[], **chosen)
        self.per = Dropdown(description="per", options=[state.per], value=state.per, **chosen)
        self.weekly = Text(
            description="Runs a week",
            placeholder="as many as logged",
            tooltip="For what the difference is worth in a year; leave empty for as many as logged",
            continuous_update=False,
            layout={"width": "240px"},
            **chosen,
        )
        self.at = DatePicker(
            description="First day after",
            tooltip="Leave empty to find the day at which the readings change most",
            layout={"width": "240px"},
            **chosen,
        )
        self.weather = Checkbox(
            description="At the same outdoor temperature",
            value=state.weather,
            disabled=self.known.outdoor is None,
            indent=False,
            layout={"width": "auto"},
        )

    def _wire(self) -> None:
        self.asking.changes(self.what, self._other_question)
        self.asking.changes(self.per, self._other_unit)
        self.asking.changes(self.a, self._other_appliance)
        for control in (self.b, self.programme_a, self.programme_b, self.weekly):
            self.asking.changes(control, self.ask)
        for control in (self.at, self.weather):
            self.asking.changes(control, self.ask)

    def _other_question(self) -> None:
        with self.asking.silently():
            self.per.index = None
        self._other_unit()

    def _other_unit(self) -> None:
        self.arrange()
        self.ask()

    def _other_appliance(self) -> None:
        self.list_programmes()
        self.ask()

    def list_programmes(self, first: str = "", second: str = "") -> None:
        """List the programmes of the appliance, and choose two of them."""
        with self.asking.silently():
            try:
                table = programmes_of(self.known, self.a.value).table
                table = table.sort_values("n", ascending=False, kind="stable")
                pairs = zip(table["name"], table["n"], strict=True)
                names = [(f"{name}, {count_text(n)}", name) for name, n in pairs]
            except HouseError:  # said when programmes are asked for
                names = []
            if not first:
                first, second = two_programmes(self.known, self.a.value) or ("", "")
            values = [name for _, name in names]
            for control in (self.programme_a, self.programme_b):
                control.options = names
            if values:
                self.programme_a.value = first or values[0]
                self.programme_b.value = second or values[min(1, len(values) - 1)]

    def arrange(self) -> None:
        """Show the controls that belong to the question."""
        what, per = self.what.value, self.per.value
        with self.asking.silently():
            words = RUN_WORDS if what == "programmes" else ("day", *RUN_WORDS)
            self.per.options = words
            self.per.value = per if per in words else words[0]
        counts = self.state_but_numbers().counts_runs
        for name in ("a", "b", "programme_a", "programme_b", "per", "weekly", "at", "weather"):
            shown = name in SHOWN[what] and (name != "weekly" or counts)
            getattr(self, name).layout.display = None if shown else "none"

    def ask(self) -> None:
        """Ask what the controls say."""
        self.asking.ask(self.state())

    def state_but_numbers(self) -> CompareState:
        """What is asked, before what is written in the field is read."""
        return CompareState(
            what=self.what.value,
            a=self.a.value,
            b=self.b.value,
            programme_a=self.programme_a.value or "",
            programme_b=self.programme_b.value or "",
            per=self.per.value,
            at=self.at.value,
            weather=self.weather.value,
        )

    def state(self) -> CompareState:
        """What is asked.

        Raises
        ------
        ValueError
            If runs a week are no number.
        """
        state = self.state_but_numbers()
        return replace(state, weekly=_number(self.weekly.value)) if state.counts_runs else state

    def _slow(self, state: Any) -> bool:
        if state.what != "hours":
            return False
        infos, _ = self.known.house.stored_months(state.a)
        return sum(info.samples for info in infos) > AT_ONCE_SAMPLES

    def still(self) -> Figure:
        """Give the figure with the sentence above it."""
        return self.asking.still()

    def words(self) -> str:
        """Say what the figure shows."""
        return self.asking.words()


def _number(text: str) -> float | None:
    """Runs a week as a person writes them; None where nothing is written."""
    if not text.strip():
        return None
    try:
        number = float(text.replace(",", "."))
    except ValueError:
        number = math.nan
    if not 0 < number < math.inf:
        raise ValueError(
            f"{text.strip()!r} is not a number of runs a week; write a number such as 3.5, or "
            "leave it empty"
        )
    return number


def compare_panel(house: House, *, findings: Findings | None = None) -> VBox:
    """Compare programmes, appliances, days and hours by picking them.

    Parameters
    ----------
    house : House
        Without readings, the panel offers to import the logs.
    findings : Findings, optional
        Those of this house, if they are known already. Default: they are worked out once; for a
        house with many readings in a thread, with a bar and a button that stops it.

    Returns
    -------
    ipywidgets.VBox
        What to compare, and the answer as a sentence, a table and a figure. Below stands the
        Python that gives the same, with a button that copies it. All controls can be reached with
        the Tab key. Where no kernel runs, a picture of the first answer is shown instead.

    Examples
    --------
    >>> import homeenergy as he
    >>> from homeenergy.show import compare_panel
    >>> report = he.import_logs("sample_data/canal_flat")
    >>> panel = compare_panel(he.open_house("sample_data/canal_flat"))
    """
    return house_panel(house, findings=findings, make=ComparePanel)
