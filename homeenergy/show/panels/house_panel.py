"""A panel that rests on the findings of a house: imports, works them out once, then shows it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from html import escape
from typing import Any, Protocol

import pandas as pd
from ipywidgets import VBox
from matplotlib.figure import Figure

from homeenergy.cycles.programmes import Programmes, find_programmes
from homeenergy.errors import HouseError
from homeenergy.findings import Findings, house_findings
from homeenergy.findings.appliance.record import ApplianceFinding
from homeenergy.readings import read_outdoor
from homeenergy.readings.house import House
from homeenergy.readings.outdoor import FILE_NAME
from homeenergy.readings.store.importing import import_logs
from homeenergy.show.panels.widgets import Step, Stopped, in_background, runner, sentence
from homeenergy.show.viewer.view import circuit_labels


def offer_import(house: House, *, then: Callable[[], None]) -> VBox:
    """Say that nothing has been imported, with a button that does it and calls `then`."""
    from ipywidgets import HTML, Button, VBox

    run = runner()
    button = Button(description="Import the logs now", layout={"width": "max-content"})
    text = HTML(f"Nothing has been imported for {escape(house.name)} yet.")
    box = VBox([text, button])

    def failed(why: str) -> None:
        text.value = warning(why)
        box.children = [text, button]

    def begin() -> None:
        in_background(
            lambda step: import_logs(house.path, progress=step),
            within=box,
            done=lambda _: then(),
            failed=failed,
            what="Importing",
        )

    button.on_click(lambda _: run(begin))
    return box


def warning(text: str) -> str:
    """Write a sentence so that it is seen, and read out at once."""
    return f"<b role='alert'>{escape(text)}</b>"


Progress = Callable[[int, int, str], None]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class KnownHouse:
    """A house and its findings, by circuit, the greatest user first.

    `programmes` is filled as circuits are asked for. `outdoor` is None without outdoor.csv.
    """

    house: House
    findings: dict[str, ApplianceFinding]
    labels: dict[str, str]
    outdoor: pd.Series | None = None
    programmes: dict[str, Programmes] = field(default_factory=dict)


def known_house(
    house: House, *, findings: Findings | None = None, progress: Progress | None = None
) -> KnownHouse:
    """Work out the findings of a house, unless they are given.

    Raises
    ------
    HouseError
        If nothing can be found, or outdoor.csv cannot be used.
    """
    if findings is None:
        findings = house_findings(house, progress=progress)
    there = {row.circuit: row for row in findings.appliances if row.days}
    if not there:
        raise HouseError(
            "none of these appliances has readings",
            path=house.path,
            fix="Check the [log.columns] of house.toml, then run: homeenergy import FOLDER",
        )
    return KnownHouse(
        house=house,
        findings=there,
        labels=circuit_labels(house),
        outdoor=read_outdoor(house) if (house.path / FILE_NAME).is_file() else None,
    )


def programmes_of(known: KnownHouse, circuit: str) -> Programmes:
    """Programmes of a circuit, with the names that house.toml gives them.

    Raises
    ------
    HouseError
        If fewer than 3 of its runs were seen whole.
    """
    if circuit not in known.programmes:
        names = [name for name in known.house.schedule.programmes if name.circuit == circuit]
        found = find_programmes(known.findings[circuit].cycles, names=names)
        known.programmes[circuit] = found
    return known.programmes[circuit]


def opening_code(known: KnownHouse, circuits: list[str] | None, *, imports: list[str]) -> list[str]:
    """Lines that open the house and find what these circuits, or all, use.

    Under some tariffs a cost depends on the whole house, so all of it is worked out.
    """
    tariff = known.house.tariff
    whole = circuits is None or (tariff is not None and tariff.needs_house)
    chosen = "" if whole else f", circuits={circuits!r}"
    return [
        "import homeenergy as he",
        *imports,
        "",
        f"house = he.open_house({known.house.path.as_posix()!r})",
        f"rows = he.house_findings(house{chosen}).appliances",
        "findings = {row.circuit: row for row in rows}",
    ]


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

    A house with many readings is worked out in a thread, with a bar and a button to stop.
    The panel is then the attribute `panel` of the box.
    """
    from ipywidgets import HTML, Button

    from homeenergy.show.panels.widgets import Pictured

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
