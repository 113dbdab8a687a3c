"""See the runs of an appliance, move what decides about them, and overrule single ones."""

from __future__ import annotations

from typing import TYPE_CHECKING

from homeenergy.readings.house import House
from homeenergy.show.background import sentence
from homeenergy.show.offer_import import offer_import, warning

if TYPE_CHECKING:
    from ipywidgets import VBox


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
        A window of days with the runs shaded. The sliders begin at what the readings say; move
        one, and runs, energy of a run and standby of the window follow at once. "Apply to all
        days" saves the settings. A single run can be split, merged with the next, discarded or
        given a name. All of it is kept in run_decisions.csv in the folder of the house, is used by
        every finding, and is undone by deleting its line, here or in the file. All controls can be
        reached with the Tab key. Where no kernel runs, a picture of the first window stands in its
        place.

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
    from ipywidgets import HTML

    from homeenergy.show.pictured import Pictured
    from homeenergy.show.run_panel import RunPanel

    frame = Pictured([])
    if circuit is not None:
        house.circuit(circuit)

    def show() -> None:
        read = [c for c in house.circuits if house.has_readings(c)]
        read.sort(key=lambda c: c.role != "load")
        try:
            panel = RunPanel(
                house,
                circuit or read[0].name,
                circuits=[(c.appliance, c.name) for c in read],
            )
        except Exception as error:
            frame.children = [HTML(warning(sentence(error)))]
            return
        frame.figure_of, frame.words_of = panel.picture, panel.words
        frame.children = panel.children
        frame.panel = panel

    if house.has_store:
        show()
    else:
        frame.children = [offer_import(house, then=show)]
    return frame
