"""See the runs of an appliance, move what decides about them, and overrule single ones."""

from __future__ import annotations

from types import SimpleNamespace

from ipywidgets import (
    HTML,
    Button,
    DatePicker,
    Dropdown,
    HBox,
    Layout,
    Select,
    SelectionSlider,
    Text,
    VBox,
)

from homeenergy.readings.house import House
from homeenergy.show.explorer.panel import RunPanel
from homeenergy.show.panels.house_panel import offer_import, warning
from homeenergy.show.panels.widgets import Pictured, keep_arrow_keys, sentence

NATURAL = {"description_width": "initial"}
WIDE = {"description_width": "190px"}
LENGTHS = {"1 day": 1, "3 days": 3, "1 week": 7, "2 weeks": 14}
# Name of a setting of find_cycles: what a slider is called, and what it does.
SLIDERS = {
    "on_w": ("A run must reach", "Power that a run must reach at least once"),
    "low_w": ("It lasts while above", "Power above which neighbouring readings belong to a run"),
    "idle_w": ("Idle level", "Power from which the excess of a run is counted"),
    "pause_s": (
        "Longest pause inside it",
        "A longer break separates two runs; once moved, this is the only rule about breaks",
    ),
}


def button(text: str, tooltip: str) -> Button:
    """Give a button as wide as its text."""
    return Button(description=text, tooltip=tooltip, layout=Layout(width="auto"))


def make_controls(circuits: list[tuple[str, str]], *, circuit: str) -> SimpleNamespace:
    """Make all controls, without any effect yet."""
    sliders = {
        name: SelectionSlider(
            options=[("", 0.0)],
            description=label,
            tooltip=tooltip,
            style=WIDE,
            layout=Layout(width="560px"),
        )
        for name, (label, tooltip) in SLIDERS.items()
    }
    row = Layout(width="560px")
    return SimpleNamespace(
        circuit=Dropdown(description="Appliance", options=circuits, value=circuit, style=NATURAL),
        day=DatePicker(description="Day", style=NATURAL, layout=Layout(width="190px")),
        length=Dropdown(
            description="Show", options=LENGTHS, style=NATURAL, layout={"width": "140px"}
        ),
        earlier=button("Earlier", "Look at the days before"),
        later=button("Later", "Look at the days after"),
        busiest=button("Busiest day", "Look at the day on which most runs begin"),
        live=VBox(),
        answer=HTML(),
        kind=Dropdown(description="Kind of appliance", options=[""], style=WIDE, layout=row),
        sliders=sliders,
        as_saved=button("Back to what is saved", "Set the sliders to what run_decisions.csv says"),
        as_found=button("Back to what was found", "Set the sliders to what the readings suggest"),
        apply=button("Apply to all days", "Save these settings and use them for every day"),
        work=VBox(),
        run=Dropdown(description="Run", options=[], style=NATURAL, layout=Layout(width="460px")),
        closer=button("Look closer", "Look at this run, with little around it"),
        split_at=SelectionSlider(
            options=[("nowhere", 0)],
            description="Split it at",
            tooltip="Instants at which the power of the run changes",
            style=NATURAL,
            layout=Layout(width="460px"),
        ),
        split=button("Split", "Make two runs of it, at the instant chosen"),
        merge=button(
            "Merge with the next", "Make one run of this one, the next and what is between"
        ),
        discard=button("Discard", "Not a run: its energy counts as idle"),
        label=Text(description="Call it", placeholder="name of the programme", style=NATURAL),
        relabel=button("Save the name", "Write this name next to the run"),
        decisions=Select(
            description="Decided", options=[], rows=4, style=NATURAL, layout=Layout(width="720px")
        ),
        undo=button("Undo: delete the line", "Delete the chosen line of run_decisions.csv"),
        message=HTML(),
        file=HTML(),
    )


def laid_out(controls: SimpleNamespace) -> list:
    """Put the controls in the order in which they are used, which is that of the Tab key."""
    c = controls
    wrapped = Layout(flex_flow="row wrap", align_items="center")
    return [
        HBox([c.circuit, c.day, c.length, c.earlier, c.later, c.busiest], layout=wrapped),
        c.live,
        c.answer,
        c.message,
        HTML("<b>What counts as a run</b>"),
        c.kind,
        *c.sliders.values(),
        HBox([c.as_found, c.as_saved, c.apply], layout=wrapped),
        c.work,
        HTML("<b>One run by hand</b>"),
        HBox([c.run, c.closer, c.merge, c.discard], layout=wrapped),
        HBox([c.split_at, c.split], layout=wrapped),
        HBox([c.label, c.relabel], layout=wrapped),
        HTML("<b>What has been decided</b>"),
        c.file,
        c.decisions,
        HBox([c.undo]),
        keep_arrow_keys(),
    ]


def run_explorer(house: House, circuit: str | None = None) -> VBox:
    """See the runs of an appliance, and overrule how they were found.

    Parameters
    ----------
    house : House
        Without readings, the explorer offers to import the logs.
    circuit : str, optional
        Name of the circuit to begin with. Default: the first load with readings.

    Returns
    -------
    ipywidgets.VBox
        The viewer of this circuit with its runs shaded; a click chooses one. The sliders begin at
        what the readings say; move one, and runs, energy of a run and standby of the window
        follow at once. "Apply to all
        days" saves the settings. A single run can be split, merged with the next, discarded or
        given a name. All of it is kept in run_decisions.csv in the folder of the house, is used by
        every finding, and is undone by deleting its line, here or in the file. All controls can be
        reached with the Tab key. Where no kernel runs, a picture of the first window is
        shown instead.

    Raises
    ------
    HouseError
        If there is no such circuit.

    Examples
    --------
    >>> import homeenergy as he
    >>> from homeenergy.show import run_explorer
    >>> report = he.import_logs("sample_data/canal_flat")
    >>> house = he.open_house("sample_data/canal_flat")
    >>> explorer = run_explorer(house, "dishwasher")
    """
    frame = Pictured([])
    if circuit is not None:
        house.circuit(circuit)

    def show() -> None:
        read = [c for c in house.circuits if house.has_readings(c)]
        read.sort(key=lambda c: c.role != "load")
        try:
            first = circuit or read[0].name
            controls = make_controls([(c.appliance, c.name) for c in read], circuit=first)
            panel = RunPanel(house, first, controls=controls)
        except Exception as error:
            frame.children = [HTML(warning(sentence(error)))]
            return
        frame.figure_of, frame.words_of = panel.picture, panel.words
        frame.children = laid_out(controls)
        frame.panel = panel

    if house.has_store:
        show()
    else:
        frame.children = [offer_import(house, then=show)]
    return frame
