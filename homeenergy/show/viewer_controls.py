"""Buttons and fields of the trace viewer: what they are called, and where they stand."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

from ipywidgets import (
    HTML,
    Button,
    Checkbox,
    DatePicker,
    Dropdown,
    HBox,
    Layout,
    Text,
    VBox,
)

from homeenergy.readings.house import House
from homeenergy.show.arrow_keys import keep_arrow_keys
from homeenergy.show.circuit_list import ORDERS

NATURAL = {"description_width": "initial"}
ALL_LEGS = "all"
ARRANGEMENTS = ("stacked", "one scale")
DRAGS = ("measures", "moves", "zooms in")
KEYS_HELP = (
    "<details><summary>Keys</summary>Click on the figure, or reach it with Tab. Arrow keys move, "
    "<b>+</b> and <b>-</b> zoom, <b>Home</b> shows all, <b>N</b> and <b>P</b> go to the next and "
    "the previous run, <b>H</b> to the highest power, <b>,</b> and <b>.</b> move the reading one "
    "column, <b>Escape</b> clears the selection, <b>Tab</b> goes on to what is below.</details>"
)


def button(text: str, tooltip: str) -> Button:
    """Give a button as wide as its text."""
    return Button(description=text, tooltip=tooltip, layout=Layout(width="auto"))


def _field(text: str, **how: Any) -> Text:
    """Give a field that tells what is written when it is left, before any button is pressed."""
    return Text(description=text, continuous_update=False, style=NATURAL, **how)


def make_controls(house: House, *, save_in: str) -> SimpleNamespace:
    """Make all controls, without any effect yet."""
    legs = sorted({leg for circuit in house.circuits for leg in circuit.legs})
    narrow, time = Layout(width="auto"), Layout(width="230px")
    return SimpleNamespace(
        search=Text(description="Find", placeholder="part of a name", layout=narrow, style=NATURAL),
        leg=Dropdown(description="Leg", options=[ALL_LEGS, *legs], layout=narrow, style=NATURAL),
        order=Dropdown(description="Order", options=ORDERS, layout=narrow, style=NATURAL),
        choose_all=button("Show all listed", "Show every circuit of the list below"),
        choose_none=button("Show none", "Show no circuit"),
        earlier=button("Earlier", "Look half a width earlier (left arrow)"),
        later=button("Later", "Look half a width later (right arrow)"),
        closer=button("Closer", "Look twice as closely (+)"),
        wider=button("Wider", "Look at twice as much (-)"),
        everything=button("Whole log", "Look at all of the log (Home)"),
        back=button("Back", "Look again where you looked before"),
        day=DatePicker(description="Day", style=NATURAL, layout=Layout(width="190px")),
        drag=Dropdown(description="Dragging", options=DRAGS, layout=narrow, style=NATURAL),
        arrangement=Dropdown(
            description="Arrange", options=ARRANGEMENTS, layout=narrow, style=NATURAL
        ),
        runs=Checkbox(description="Mark runs", indent=False, layout=Layout(width="auto")),
        wheel=Checkbox(
            description="Wheel zooms", value=True, indent=False, layout=Layout(width="auto")
        ),
        jump=Dropdown(description="Step through", style=NATURAL),
        previous_run=button("Previous run", "Look at the run before the one in the middle (P)"),
        next_run=button("Next run", "Look at the run after the one in the middle (N)"),
        highest=button("Highest power", "Look at the highest reading; again for the next (H)"),
        start=_field("From", placeholder="2026-10-27 14:00", layout=time),
        end=_field("To", placeholder="2026-10-27 15:00", layout=time),
        measure=button("Measure", "Show what each circuit used between these local times"),
        clear=button("Clear", "Select nothing (Escape)"),
        folder=_field("Folder", value=save_in),
        save_picture=button("Save picture", "Save the figure as it is as PNG in the folder"),
        save_data=button("Save readings", "Save the readings that are selected, or else in view"),
        reading=HTML(),
        words=HTML(),
        table=HTML(),
        message=HTML(),
        busy=VBox([]),
    )


def laid_out(c: SimpleNamespace, *, names: Any, canvas: Any) -> VBox:
    """Put the list of circuits above the figure, and what is measured below it."""
    row = Layout(flex_flow="row wrap", align_items="center")
    leg = [c.leg] if len(c.leg.options) > 1 else []
    rows = [
        [c.search, *leg, c.order, c.choose_all, c.choose_none],
        [names],
        [c.earlier, c.later, c.closer, c.wider, c.everything, c.back, c.day],
        [c.jump, c.previous_run, c.next_run, c.highest, c.runs],
        [c.drag, c.arrangement, c.wheel],
    ]
    measured = HBox([c.start, c.end, c.measure, c.clear], layout=row)
    saved = HBox([c.folder, c.save_picture, c.save_data], layout=row)
    return VBox(
        [
            *(HBox(controls, layout=row) for controls in rows),
            c.busy,
            c.message,
            HBox([canvas], layout=Layout(overflow="auto hidden")),  # in a narrow window it scrolls
            c.reading,
            measured,
            c.table,
            saved,
            c.words,
            HTML(KEYS_HELP),
            keep_arrow_keys(),
        ]
    )
