"""Compare from a panel: the questions, and the controls that ask them."""

from __future__ import annotations

import datetime
import math
from dataclasses import dataclass, replace
from typing import Any, Literal

from ipywidgets import Checkbox, DatePicker, Dropdown, HBox, Layout, Text, VBox
from matplotlib.figure import Figure

from homeenergy.errors import HouseError
from homeenergy.findings import (
    Findings,
    before_after,
    compare_appliances,
    compare_programmes,
    compare_weekdays,
    compare_weekend,
)
from homeenergy.findings.appliance.record import interval_text, value_text
from homeenergy.findings.change import Change
from homeenergy.findings.comparison.circuits import RUNS
from homeenergy.findings.comparison.comparison import LEAST_VALUES, Comparison, Per, p_remark
from homeenergy.findings.comparison.times import Comparisons, compare_hours
from homeenergy.house.kinds import KINDS
from homeenergy.readings.house import House
from homeenergy.show.explorer.panel import AT_ONCE_SAMPLES
from homeenergy.show.explorer.window import count_text
from homeenergy.show.figures.comparison import plot_before_after, plot_comparison, plot_differences
from homeenergy.show.panels.asking import Answer, Asking, Row, figure_of
from homeenergy.show.panels.house_panel import KnownHouse, house_panel, opening_code, programmes_of
from homeenergy.show.panels.marks import change_marks, comparison_marks, differences_marks
from homeenergy.show.panels.widgets import keep_arrow_keys
from homeenergy.stats.estimate import Estimate

INTERVAL = "95 % interval"
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


def answer_of(found: Comparison | Comparisons | Change, *, code: str) -> Answer:
    """Put what the library found into an answer."""
    if isinstance(found, Comparison):
        return _of_one(found, code)
    if isinstance(found, Comparisons):
        return _of_many(found, code)
    return _of_change(found, code)


def _of_one(found: Comparison, code: str) -> Answer:
    rows: list[Row] = [
        _row(found.name_a, found.a, n=f"{found.a.n:,}"),
        _row(found.name_b, found.b, n=f"{found.b.n:,}"),
        _row("difference", found.difference),
        _row("ratio", found.ratio),
    ]
    money = found.cost_per_year
    if money is not None:
        rows.append(_row(f"difference in a year ({money.unit})", money))
    counted = found.counted or found.per
    return Answer(
        sentence=found.sentence,
        heads=("", f"{counted}s", f"kWh per {found.per}", INTERVAL),
        rows=tuple(rows),
        notes=(f"Method: {found.method}; {_p(found)}.", *found.remarks),
        code=code,
        result=found,
        draw=lambda: figure_of(
            lambda ax: plot_comparison(found, title="", ax=ax), size_in=(9.0, 2.7)
        ),
        marks=lambda words: comparison_marks(found, words),
    )


def _row(name: str, estimate: Estimate, *, n: str = "") -> Row:
    return name, n, value_text(estimate), interval_text(estimate)


def _p(found: Comparison) -> str:
    small = "p < 0.0001" if found.p < 1e-4 else f"p = {found.p:.2g}"
    return small + p_remark(found)


def _of_many(found: Comparisons, code: str) -> Answer:
    rows = [
        (
            one.name_a,
            f"{one.a.n:,}",
            value_text(one.a),
            value_text(one.difference),
            interval_text(one.difference),
            "< 0.0001" if one.p < 1e-4 else f"{one.p:.2g}",
            "yes" if one.differs else "no",
        )
        for one in found.all
    ]
    first = found.all[0]
    remarks = dict.fromkeys(remark for one in found.all for remark in one.remarks)
    return Answer(
        sentence=found.sentence,
        heads=(
            "",
            f"{first.counted or 'day'}s",
            f"kWh per {first.per}",
            f"more than {first.name_b}",
            INTERVAL,
            "p",
            "shown",
        ),
        rows=tuple(rows),
        notes=(
            f"Method, of {first.name_a}: {first.method}. All p are {found.correction}.",
            *remarks,
        ),
        code=code,
        result=found,
        draw=lambda: figure_of(
            lambda ax: plot_differences(found, title="", ax=ax), size_in=(9.4, 3.4)
        ),
        marks=lambda words: differences_marks(found, words),
    )


def _of_change(found: Change, code: str) -> Answer:
    rows = [
        ("a day before", value_text(found.before_kwh), interval_text(found.before_kwh)),
        ("a day after", value_text(found.after_kwh), interval_text(found.after_kwh)),
        ("difference", value_text(found.size_kwh), interval_text(found.size_kwh)),
    ]
    same = [
        word
        for word, used in (("weather", found.balance is not None), ("weekday", found.weekday))
        if used
    ]
    method = f"Method: regression on {found.regression.n} days"
    method += f", at the same {' and '.join(same)}." if same else "."
    return Answer(
        sentence=found.sentence,
        heads=("", "kWh", INTERVAL),
        rows=tuple(rows),
        notes=(method, *found.remarks),
        code=code,
        result=found,
        draw=lambda: figure_of(
            lambda ax: plot_before_after(found, title="", ax=ax), size_in=(9.4, 3.4)
        ),
        marks=lambda words: change_marks(found, words),
    )


What = Literal["programmes", "appliances", "weekend", "weekdays", "hours", "change"]
QUESTIONS: dict[str, What] = {
    "Two programmes of one appliance": "programmes",
    "Two appliances": "appliances",
    "Weekends with other days": "weekend",
    "Days of the week": "weekdays",
    "Hours of the day": "hours",
    "Before a day with after it": "change",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class CompareState:
    """What is asked.

    Attributes
    ----------
    what : str
        One of `QUESTIONS`.
    a, b : str
        Circuits; `b` counts only for two appliances.
    programme_a, programme_b : str
        Names of programmes of `a`.
    per : str
        "run", "load", "use"; "day" for two appliances.
    weekly : float or None
        Runs a week that the worth in a year counts; None: as seen.
    at : datetime.date or None
        First day after a change; None: the day at which the data change most.
    weather : bool
        Whether to compare before with after at the same weather.
    """

    what: What = "programmes"
    a: str = ""
    b: str = ""
    programme_a: str = ""
    programme_b: str = ""
    per: Per = "run"
    weekly: float | None = None
    at: datetime.date | None = None
    weather: bool = False

    @property
    def counts_runs(self) -> bool:
        """Whether runs a week matter to this question."""
        return self.what in ("programmes", "appliances") and self.per in RUNS


def first_state(known: KnownHouse) -> CompareState:
    """What to ask first: two programmes where there are two, else what the house allows."""
    circuits = list(known.findings)
    state = CompareState(a=circuits[0], weather=known.outdoor is not None)
    for kind in (name for name, one in KINDS.items() if one.by_hand):
        for name in circuits:
            found = two_programmes(known, name) if known.findings[name].kind == kind else None
            if found is not None:
                other = next((one for one in circuits if one != name), name)
                return replace(state, a=name, b=other, programme_a=found[0], programme_b=found[1])
    if len(circuits) > 1:
        return replace(state, what="appliances", b=circuits[1], per="day")
    return replace(state, what="weekend", b=circuits[0])


def two_programmes(known: KnownHouse, circuit: str) -> tuple[str, str] | None:
    """The two most frequent programmes with enough runs, the one with more energy first."""
    try:
        table = programmes_of(known, circuit).table
    except HouseError:
        return None
    table = table[table["n"] >= LEAST_VALUES].nlargest(2, "n", keep="first")
    if len(table) < 2:
        return None
    first, second = table.sort_values("kwh", ascending=False)["name"]
    return str(first), str(second)


def update(known: KnownHouse, state: CompareState) -> Answer:
    """Answer what is asked.

    Parameters
    ----------
    known : KnownHouse
    state : CompareState

    Returns
    -------
    Answer

    Raises
    ------
    HouseError
        If something would be compared with itself, or too little was seen of a side.
    """
    found = _found(known, state)
    return answer_of(found, code=code_of(known, state))


def _found(known: KnownHouse, state: CompareState) -> Comparison | Comparisons | Change:
    finding = known.findings[state.a]
    if state.what == "programmes":
        programmes = programmes_of(known, state.a)
        if len(programmes.table) < 2:
            raise HouseError(
                f"all runs of {finding.appliance} are of one programme",
                fix="Compare something else, or another appliance.",
            )
        return compare_programmes(
            finding,
            programmes,
            a=state.programme_a,
            b=state.programme_b,
            tariff=known.house.tariff,
            weekly=state.weekly,
            per=state.per,
        )
    if state.what == "appliances":
        weekly = state.weekly if state.counts_runs else None
        return compare_appliances(finding, known.findings[state.b], per=state.per, weekly=weekly)
    if state.what == "weekend":
        return compare_weekend(finding)
    if state.what == "weekdays":
        return compare_weekdays(finding)
    if state.what == "hours":
        return compare_hours(known.house.trace(state.a), finding=finding)
    outdoor = known.outdoor if state.weather else None
    try:
        return before_after(finding.daily, at=state.at, outdoor=outdoor, clamp=finding.clamp_errors)
    except HouseError as error:
        if outdoor is None or "temperature" not in error.what:
            raise
        raise HouseError(error.what, fix="Compare without the outdoor temperature.") from error


def code_of(known: KnownHouse, state: CompareState) -> str:
    """Python that gives what `update` gives, as `found`."""
    circuits = {"one": state.a}
    if state.what == "appliances":
        circuits["other"] = state.b
    imports, lines = _programmes_call(known, state) or _plain_call(known, state)
    opening = opening_code(known, list(dict.fromkeys(circuits.values())), imports=imports)
    names = [f"{name} = findings[{circuit!r}]" for name, circuit in circuits.items()]
    return "\n".join([*opening, *names, *lines, "found"])


def _weekly(state: CompareState) -> str:
    counts = state.weekly is not None and state.counts_runs
    return f", weekly={state.weekly:g}" if counts else ""


def _programmes_call(known: KnownHouse, state: CompareState) -> tuple[list[str], list[str]] | None:
    if state.what != "programmes":
        return None
    imports = [
        "from homeenergy.cycles import find_programmes",
        "from homeenergy.findings import compare_programmes",
    ]
    names, named = [], ""
    if any(name.circuit == state.a for name in known.house.schedule.programmes):
        names = [f"names = [n for n in house.schedule.programmes if n.circuit == {state.a!r}]"]
        named = ", names=names"
    per = "" if state.per == "run" else f", per={state.per!r}"
    return imports, [
        *names,
        f"programmes = find_programmes(one.cycles{named})",
        "found = compare_programmes(",
        "    one,",
        "    programmes,",
        f"    a={state.programme_a!r},",
        f"    b={state.programme_b!r},",
        f"    tariff=house.tariff{_weekly(state)}{per},",
        ")",
    ]


def _plain_call(known: KnownHouse, state: CompareState) -> tuple[list[str], list[str]]:
    if state.what == "change":
        given = "" if state.at is None else f", at={state.at.isoformat()!r}"
        imports, outdoor = ["from homeenergy.findings import before_after"], ""
        if state.weather and known.outdoor is not None:
            imports.append("from homeenergy.readings import read_outdoor")
            outdoor = ", outdoor=read_outdoor(house)"
        return imports, [f"found = before_after(one.daily{given}{outdoor}, clamp=one.clamp_errors)"]
    call = {
        "appliances": f"compare_appliances(one, other, per={state.per!r}{_weekly(state)})",
        "weekend": "compare_weekend(one)",
        "weekdays": "compare_weekdays(one)",
        "hours": f"compare_hours(house.trace({state.a!r}), finding=one)",
    }[state.what]
    return [f"from homeenergy.findings import {call.split('(')[0]}"], [f"found = {call}"]


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
