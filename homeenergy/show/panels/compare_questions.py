"""The questions of the comparing panel, and their answers."""

from __future__ import annotations

import datetime
from dataclasses import dataclass, replace
from typing import Literal

from homeenergy.errors import HouseError
from homeenergy.findings import (
    before_after,
    compare_appliances,
    compare_programmes,
    compare_weekdays,
    compare_weekend,
)
from homeenergy.findings.appliance.record import interval_text, value_text
from homeenergy.findings.change import Change
from homeenergy.findings.comparison.circuits import RUNS
from homeenergy.findings.comparison.comparison import LEAST_VALUES, Comparison, Per
from homeenergy.findings.comparison.times import Comparisons, compare_hours
from homeenergy.house.kinds import KINDS
from homeenergy.show.figures.comparison import plot_before_after, plot_comparison, plot_differences
from homeenergy.show.panels.answer import Answer, Row, figure_of
from homeenergy.show.panels.house_panel import KnownHouse, opening_code, programmes_of
from homeenergy.stats.estimate import Estimate

INTERVAL = "95 % interval"


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
    )


def _row(name: str, estimate: Estimate, *, n: str = "") -> Row:
    return name, n, value_text(estimate), interval_text(estimate)


def _p(found: Comparison) -> str:
    small = "p < 0.0001" if found.p < 1e-4 else f"p = {found.p:.2g}"
    return f"{small} ({found.correction})" if found.correction else small


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
        change = before_after(finding.daily, at=state.at, outdoor=outdoor)
    except HouseError as error:
        if outdoor is None or "temperature" not in error.what:
            raise
        raise HouseError(error.what, fix="Compare without the outdoor temperature.") from error
    return change.with_clamp(finding.floor)


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
        return imports, [
            f"change = before_after(one.daily{given}{outdoor})",
            "found = change.with_clamp(one.floor)",
        ]
    call = {
        "appliances": f"compare_appliances(one, other, per={state.per!r}{_weekly(state)})",
        "weekend": "compare_weekend(one)",
        "weekdays": "compare_weekdays(one)",
        "hours": f"compare_hours(house.trace({state.a!r}), finding=one)",
    }[state.what]
    return [f"from homeenergy.findings import {call.split('(')[0]}"], [f"found = {call}"]
