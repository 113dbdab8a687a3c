"""See what appliances take waiting and working, and what switching them off would save."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil
from typing import Any

from ipywidgets import Dropdown, HBox, Layout, SelectionSlider, VBox
from matplotlib.figure import Figure

from homeenergy.errors import HouseError
from homeenergy.findings import (
    Findings,
    combine_savings,
    idle_or_use,
    switch_off_when_idle,
    switching_off,
)
from homeenergy.findings.appliance.record import (
    clipped,
    is_bound,
    percent_text,
    value_and_interval,
)
from homeenergy.findings.loads.idle import IdleUse
from homeenergy.findings.saving.saving import saved_text
from homeenergy.findings.saving.switching_off import SwitchingOff
from homeenergy.house.kinds import KINDS
from homeenergy.readings.house import House
from homeenergy.show.figures.idle import figure_text, plot_idle_use
from homeenergy.show.panels.asking import Answer, Asking, Row, figure_of, joined
from homeenergy.show.panels.house_panel import KnownHouse, house_panel, opening_code
from homeenergy.show.panels.marks import idle_marks
from homeenergy.show.panels.widgets import keep_arrow_keys
from homeenergy.stats.estimate import Estimate

ALL = ""  # in place of a circuit
WHENEVER_H = 24.0  # more than any appliance waits: off whenever nobody uses it
MOST_NAMED = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class IdleState:
    """What is asked: of a circuit or of `ALL`, and hours of a day for which it would be off."""

    circuit: str = ALL
    off_h_per_day: float = WHENEVER_H


def update(known: KnownHouse, state: IdleState) -> Answer:
    """Answer what is asked.

    Parameters
    ----------
    known : KnownHouse
    state : IdleState

    Returns
    -------
    Answer
        Its `result` is a list of SwitchingOff, which hold the IdleUse.

    Raises
    ------
    HouseError
        Of one appliance, if its energy is below zero; of all, if none can be split.
    """
    off_h = None if state.off_h_per_day >= WHENEVER_H else state.off_h_per_day
    rows, left_out = _idle_uses(known, state.circuit)
    found = [switching_off(row, off_h_per_day=off_h) for row in rows]
    one = state.circuit != ALL
    circuits = [row.finding.circuit for row in rows]
    cautions = dict.fromkeys(text for each in found for text in each.cautions)
    return Answer(
        sentence=_of_one(found[0]) if one else _of_all(found, off_h),
        heads=(
            "",
            "kWh a week idle",
            "kWh a week in use",
            "share waiting",
            "saved in a year, off",
            "has to stay on",
        ),
        rows=tuple(_row(known, each) for each in found),
        notes=left_out,
        code=(_code_of_one if one else _code_of_all)(known, circuits, off_h),
        result=found,
        draw=lambda: figure_of(
            lambda ax: plot_idle_use(rows, title="", ax=ax),
            size_in=(10.5, 1.7 + 0.42 * len(rows)),
        ),
        marks=lambda words: idle_marks(rows, words),
        cautions=tuple(cautions),
    )


def _idle_uses(known: KnownHouse, circuit: str) -> tuple[list[IdleUse], tuple[str, ...]]:
    """What each takes while idle, and sentences about those of which it is not known."""
    if circuit != ALL:
        return [idle_or_use(known.findings[circuit])], ()
    rows, left_out = [], []
    for finding in known.findings.values():
        try:
            rows.append(idle_or_use(finding))
        except HouseError as error:
            left_out.append(f"Left out: {error.what}.")
    if not rows:
        raise HouseError("for no appliance can idle be separated from use", fix=" ".join(left_out))
    return rows, tuple(left_out)


def _of_one(found: SwitchingOff) -> str:
    return f"{found.idle_use.sentence} {found.sentence}"


def _of_all(found: list[SwitchingOff], off_h: float | None) -> str:
    waits = [each.idle_use for each in found if _waits_more(each.idle_use)]
    number = len(found)
    text = f"Of {number} appliance{'s' if number > 1 else ''}, these data show "
    text += f"{len(waits) or 'none'} to take more while idle than in use"
    text += f": {joined([row.finding.appliance for row in waits])}." if waits else "."
    may = [each for each in found if each.kwh_per_year is not None]
    if not may:
        return f"{text} None of them may be switched off between uses."
    known = [each for each in may if each.kwh_per_year is not None and each.kwh_per_year.resolved]
    most = sorted(known, key=lambda e: -(e.kwh_per_year.value if e.kwh_per_year else 0.0))
    savings = [switch_off_when_idle(each.idle_use, off_h_per_day=off_h) for each in may]
    when = "whenever nobody uses them" if off_h is None else f"for {off_h:g} h a day"
    together = combine_savings(savings).sentence
    text += f" {len(may)} may be switched off {when}: {together[0].lower()}{together[1:]}"
    if most and len(may) > 1:
        names = joined([each.idle_use.finding.appliance for each in most[:MOST_NAMED]])
        text += f" Most is saved at: {names}."
    return text


def _waits_more(row: IdleUse) -> bool:
    by_hand = KINDS[row.finding.kind].by_hand
    return by_hand and row.idle_share.resolved and row.idle_share.low > 0.5


def _row(known: KnownHouse, found: SwitchingOff) -> Row:
    row, finding = found.idle_use, found.idle_use.finding
    saved = ""
    if found.kwh_per_year is not None:
        saved = saved_text(clipped(found.kwh_per_year, finding))
        if found.cost_per_year is not None:
            saved += f" or {saved_text(clipped(found.cost_per_year, finding))}"
    return (
        known.labels[finding.circuit],
        figure_text(clipped(row.idle_kwh_per_week, finding)),
        value_and_interval(clipped(row.use_kwh_per_week, finding)),
        _share(row.idle_share),
        saved,
        found.reason,
    )


def _share(share: Estimate) -> str:
    if is_bound(share):
        return f"at most {ceil(100 * share.high - 1e-9)} %"
    return percent_text(share.value)


def _code_of_one(known: KnownHouse, circuits: list[str], off_h: float | None) -> str:
    imports = ["from homeenergy.findings import idle_or_use, switching_off"]
    lines = [
        f"idle_use = idle_or_use(findings[{circuits[0]!r}])",
        f"found = [switching_off(idle_use{_hours(off_h)})]",
        "idle_use.sentence, found[0].sentence",
    ]
    return "\n".join([*opening_code(known, circuits, imports=imports), *lines])


def _code_of_all(known: KnownHouse, circuits: list[str], off_h: float | None) -> str:
    names = "combine_savings, idle_or_use, switch_off_when_idle, switching_off"
    imports = [f"from homeenergy.findings import {names}"]
    lines = [
        f"circuits = {circuits!r}",
        "idle_uses = [idle_or_use(findings[name]) for name in circuits]",
        f"found = [switching_off(one{_hours(off_h)}) for one in idle_uses]",
        "may = [one.idle_use for one in found if one.kwh_per_year is not None]",
        f"savings = [switch_off_when_idle(one{_hours(off_h)}) for one in may]",
        "combine_savings(savings).sentence if savings else 'All have to stay on.'",
    ]
    return "\n".join([*opening_code(known, None, imports=imports), *lines])


def _hours(off_h: float | None) -> str:
    return "" if off_h is None else f", off_h_per_day={off_h!r}"


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


def idle_panel(house: House, *, findings: Findings | None = None) -> VBox:
    """See what appliances take waiting, and what being off for part of the day would save.

    Parameters
    ----------
    house : House
        Without readings, the panel offers to import the logs.
    findings : Findings, optional
        As for `compare_panel`.

    Returns
    -------
    ipywidgets.VBox
        One appliance or all, and hours of a day off; the answer as a sentence, a table, a figure
        and what to beware of, with the Python that gives the same and a button that copies it.
        Appliances that have to stay on are listed, with the reason. Where no kernel runs, a picture
        of the first answer is shown instead.

    Examples
    --------
    >>> import homeenergy as he
    >>> from homeenergy.show import idle_panel
    >>> report = he.import_logs("sample_data/canal_flat")
    >>> panel = idle_panel(he.open_house("sample_data/canal_flat"))
    """
    return house_panel(house, findings=findings, make=IdlePanel)
