"""Controls of the viewer, and the live figure between them."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any, Literal

import matplotlib
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
from matplotlib.artist import Artist
from matplotlib.figure import Figure

from homeenergy.house.schedule import Circuit
from homeenergy.readings.house import House
from homeenergy.show.figures.style import DAY_NS
from homeenergy.show.panels.widgets import keep_arrow_keys
from homeenergy.show.viewer.view import circuit_labels

if TYPE_CHECKING:
    from ipympl.backend_nbagg import Canvas

Order = Literal["as in the panel schedule", "largest first", "by leg"]
ORDERS: tuple[Order, ...] = ("as in the panel schedule", "largest first", "by leg")
SHOWN_FIRST = 6
WIDTH_IN, DPI = 8.6, 100
LABEL_IN, NOTE_IN, TITLE_IN, AXIS_IN = 1.75, 0.8, 0.4, 0.88
LEGEND_IN = 2.05
DRAW_AFTER_S = 0.01
SHOW_AFTER_S = 1.0  # by then the page has made room for a figure
WHEEL = 1.3  # how much closer one notch looks


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


class BeforeDrawing(Artist):
    """Draws nothing; calls a function before all else of the figure is drawn."""

    def __init__(self, action: Callable[[], None]) -> None:
        super().__init__()
        self.action = action
        self.set_zorder(-1e9)
        self.set_in_layout(False)

    def draw(self, renderer: Any) -> None:  # noqa: ARG002
        """Call the function."""
        self.action()


def new_figure(height_in: float, *, before_drawing: Callable[[], None]) -> Figure:
    """Give a figure with one Axes that belongs to no list of open figures, so nothing stays."""
    figure = Figure(figsize=(WIDTH_IN, height_in), dpi=DPI)
    figure.add_axes((0.2, 0.2, 0.7, 0.7))
    figure.add_artist(BeforeDrawing(before_drawing))
    set_margins(figure, stacked=True)
    return figure


def set_margins(figure: Figure, *, stacked: bool) -> None:
    """Leave room for names, notes and times: fixed, for finding out takes longer than drawing."""
    width_in, height_in = figure.get_size_inches()
    left, right = (LABEL_IN, NOTE_IN) if stacked else (0.75, LEGEND_IN)
    figure.axes[0].set_position(
        (
            left / width_in,
            AXIS_IN / height_in,
            (width_in - left - right) / width_in,
            (height_in - AXIS_IN - TITLE_IN) / height_in,
        )
    )


def draw_soon(canvas: Canvas) -> Callable[[], None]:
    """Give a function that draws once, shortly, for however many times it is called until then.

    The picture is pushed to the page. Left to ask for it, a busy page may overlook that it should.
    """
    waiting = False

    def draw() -> None:
        nonlocal waiting
        waiting = False
        canvas.draw()

    def ask() -> None:
        nonlocal waiting
        try:
            loop = asyncio.get_running_loop()
        except RuntimeError:  # no notebook: whoever wants a picture draws it
            canvas.draw_idle()
            return
        if not waiting:
            waiting = True
            loop.call_later(DRAW_AFTER_S, draw)

    return ask


@contextmanager
def _backend_kept() -> Iterator[None]:
    """Keep how all other figures are drawn: importing ipympl would change it."""
    backend = matplotlib.get_backend()
    yield
    if matplotlib.get_backend() != backend:
        matplotlib.use(backend)


def live_canvas(figure: Figure, *, run: Callable[..., None]) -> Canvas:
    """Give the widget that shows a figure and sends back what mouse and keys do to it.

    What it sends back is handled by `run`, see `one_thread`.
    """
    with _backend_kept():
        from ipympl.backend_nbagg import Canvas, FigureManager

    class Live(Canvas):
        def __init__(self) -> None:
            # Before the page knows of it: what the page then says at once would else be lost.
            self.on_msg(lambda *message: run(self._handle_message, *message))
            super().__init__(figure)
            self.on_msg(self._handle_message, remove=True)

    canvas = Live()
    manager = FigureManager(canvas, 0)
    # Its keys toggle grids and logarithmic axes; the viewer has keys of its own.
    canvas.mpl_disconnect(manager.key_press_handler_id)
    canvas.toolbar_visible = False
    canvas.header_visible = False
    canvas.footer_visible = False
    canvas.resizable = False
    canvas.capture_scroll = True
    _show_size(canvas)
    return canvas


def _show_size(canvas: Canvas) -> None:
    """Tell the page the size of the figure and draw it, also if it does not ask."""

    def show() -> None:
        width, height = canvas.figure.bbox.size
        canvas.manager.resize(width, height)
        canvas.draw()

    with suppress(RuntimeError):  # no notebook
        asyncio.get_running_loop().call_later(SHOW_AFTER_S, show)


def columns(figure: Figure) -> int:
    """How many columns of pixels the Axes is wide."""
    return max(int(figure.axes[0].bbox.width), 50)


def limits_ns(figure: Figure) -> tuple[int, int]:
    """Instants (UTC, ns) between which the Axes shows time."""
    low, high = sorted(figure.axes[0].get_xlim())
    return round(low * DAY_NS), round(high * DAY_NS)


def instant_of(x: float | None) -> int | None:
    """Instant (UTC, ns) of a place on the time axis; None outside."""
    return None if x is None or not np.isfinite(x) else round(float(x) * DAY_NS)
