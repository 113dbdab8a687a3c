"""Which circuits a list shows, and in which order: by search, by leg, the largest first."""

from __future__ import annotations

from collections.abc import Mapping
from types import SimpleNamespace
from typing import Any, Literal

import numpy as np
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

from homeenergy.house.schedule import Circuit
from homeenergy.readings.house import House
from homeenergy.show.panels.widgets import keep_arrow_keys
from homeenergy.show.viewer.view import circuit_labels

Order = Literal["as in the panel schedule", "largest first", "by leg"]
ORDERS: tuple[Order, ...] = ("as in the panel schedule", "largest first", "by leg")
SHOWN_FIRST = 6


def listed(
    house: House, *, search: str = "", leg: str | None = None, order: Order = ORDERS[0]
) -> tuple[Circuit, ...]:
    """Circuits that match, in order.

    Parameters
    ----------
    house : House
    search : str
        Words, of which each must occur in the circuit's name or its appliance; capitals are small.
    leg : str, optional
        Only circuits on this leg.
    order : str
        One of ORDERS. The largest are those with most energy in the log.
    """
    words = search.lower().split()
    labels = circuit_labels(house)
    found = [
        circuit
        for circuit in house.circuits
        if all(word in f"{circuit.name} {labels[circuit.name]}".lower() for word in words)
        and (leg is None or leg in circuit.legs)
    ]
    if order == "largest first":
        energies = energies_kwh(house)
        found.sort(key=lambda circuit: -energies.get(circuit.name, -np.inf))
    elif order == "by leg":
        found.sort(key=lambda circuit: (len(circuit.legs) != 1, circuit.legs))
    return tuple(found)


def energies_kwh(house: House) -> Mapping[str, float]:
    """Energy in the whole log of each circuit that has readings."""
    energies = {}
    for circuit in house.circuits:
        if house.has_readings(circuit) and (extent := house.overview.extent_ns(circuit)):
            energies[circuit.name] = house.overview.totals(circuit, *extent).energy_wh / 1000
    return energies


def circuits_to_begin_with(house: House) -> tuple[str, ...]:
    """The loads with most energy, in the order of the panel schedule; else whatever is there."""
    largest = [c for c in listed(house, order="largest first") if house.has_readings(c)]
    chosen = ([c for c in largest if c.role == "load"] or largest)[:SHOWN_FIRST]
    return tuple(circuit.name for circuit in house.circuits if circuit in chosen)


def circuit_text(house: House, circuit: Circuit) -> str:
    """Write a circuit for a list: what it feeds, and on which legs."""
    legs = f" ({', '.join(circuit.legs)})" if circuit.legs else ""
    missing = "" if house.has_readings(circuit) else ", no readings"
    return f"{circuit_labels(house)[circuit.name]}{legs}{missing}"


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
    """Give a field that reports what is written when it is left, before any button is pressed."""
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
