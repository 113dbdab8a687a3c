"""A panel that rests on the findings of a house: imports, works them out once, then shows it."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, Protocol

from homeenergy.readings.house import House
from homeenergy.show.background import Step, Stopped, in_background, sentence
from homeenergy.show.known_house import KnownHouse, known_house
from homeenergy.show.offer_import import offer_import, warning
from homeenergy.show.one_thread import runner

if TYPE_CHECKING:
    from ipywidgets import VBox
    from matplotlib.figure import Figure

    from homeenergy.findings import Findings

AT_ONCE_SAMPLES = 32_000_000  # of all circuits: so many are worked out in about a second


class Panel(Protocol):
    """What is shown once the findings are there."""

    children: list[Any]

    def still(self) -> Figure:
        """Give a picture for where no kernel runs."""

    def words(self) -> str:
        """Say what it shows."""


def house_panel(
    house: House, *, findings: Findings | None, make: Callable[[KnownHouse], Panel]
) -> VBox:
    """Show a panel, after offering to import and working out the findings if need be.

    A house with many readings is worked out beside the notebook, with a bar and a button to stop.
    The panel is then the attribute `panel` of the box.
    """
    from ipywidgets import HTML, Button

    from homeenergy.show.pictured import Pictured

    frame = Pictured([])
    run = runner()

    def show(known: KnownHouse) -> None:
        panel = make(known)
        frame.figure_of, frame.words_of = panel.still, panel.words
        frame.children = tuple(panel.children)
        frame.panel = panel

    def failed(why: str) -> None:
        again = Button(description="Try again", layout={"width": "auto"})
        again.on_click(lambda _: run(begin))
        frame.children = [HTML(warning(why)), again]

    def done(known: KnownHouse) -> None:
        try:
            show(known)
        except (ValueError, OSError) as error:
            failed(sentence(error))

    def work(step: Step) -> KnownHouse:
        try:
            return known_house(house, findings=findings, progress=step)
        except Stopped:
            raise ValueError("Stopped before all appliances were worked out.") from None

    def begin() -> None:
        if findings is None and _samples(house) > AT_ONCE_SAMPLES:
            what = f"Working out what {house.name} uses"
            in_background(work, within=frame, done=done, failed=failed, what=what)
            return
        try:
            show(known_house(house, findings=findings))
        except (ValueError, OSError) as error:
            failed(sentence(error))

    if house.has_store:
        begin()
    else:
        frame.children = [offer_import(house, then=begin)]
    return frame


def _samples(house: House) -> int:
    loads = [c for c in house.circuits if c.role == "load" and house.has_readings(c)]
    return sum(info.samples for circuit in loads for info in house.stored_months(circuit)[0])
