"""What a house has that a notebook can show: its largest load, a machine with two programmes.

Each function gives it, or raises a HouseError that says in one sentence that the house has none.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from itertools import combinations
from typing import Any, TypeVar

import pandas as pd

from homeenergy.cycles import house_cycles
from homeenergy.errors import HouseError
from homeenergy.findings import Findings, find_changes, idle_or_use, programme_uses
from homeenergy.findings.appliance.record import ApplianceFinding
from homeenergy.findings.comparison.comparison import LEAST_VALUES, Comparison
from homeenergy.findings.loads.idle import IdleUse
from homeenergy.findings.loads.programmes import ProgrammeUses
from homeenergy.findings.several_changes import Changes
from homeenergy.house.kinds import KINDS, STARTS_ITSELF
from homeenergy.house.schedule import Circuit
from homeenergy.readings import House, import_logs, open_house, read_outdoor
from homeenergy.readings.outdoor import FILE_NAME as OUTDOOR_FILE
from homeenergy.show.figures.runs import typical_day
from homeenergy.show.my_house.chosen import is_sample, sample_houses
from homeenergy.show.viewer.answers import clock_offsets
from homeenergy.show.viewer.view import log_extent_ns
from homeenergy.stats.estimate import number_text
from homeenergy.units import NS_PER_S

MOST_COMPARED = 5
LAMPS = re.compile(r"(?<![a-z])(light|lamp)", re.IGNORECASE)  # English words, own list
Found = TypeVar("Found")


def say(text: str) -> None:
    """Show a text, in Markdown, where the cell stands."""
    from IPython.display import Markdown, display

    display(Markdown(text))


@contextmanager
def or_say_why() -> Iterator[None]:
    """Show in one sentence what a house has not, in place of an error, and go on."""
    try:
        yield
    except HouseError as error:
        what = error.what[:1].upper() + error.what[1:]
        if error.path is not None:
            what = f"{what.rstrip('.')}: {error.path}"
        hint = f" {error.fix}" if error.fix else ""
        say(f"*Not shown for this house. {what.rstrip('.')}.{hint}*")


def largest(findings: Findings, *, most: int = 6) -> list[ApplianceFinding]:
    """Appliances with the most energy, the greatest first; at most so many.

    Raises
    ------
    HouseError
        If none has readings and used energy.
    """
    found = [row for row in findings.appliances if row.days and row.kwh_per_day.value > 0]
    return some_of(found, "no circuit of this house has used energy")[:most]


def with_runs(findings: Findings, *, least: int = 3) -> list[ApplianceFinding]:
    """Appliances of which so many runs were seen whole: first what a person starts.

    Raises
    ------
    HouseError
        If there is none.
    """
    found = [row for row in findings.appliances if row.runs >= least]
    found.sort(key=lambda row: not KINDS[row.kind].by_hand)
    return some_of(found, f"no circuit of this house has {least} runs that were seen whole")


def in_focus(findings: Findings) -> ApplianceFinding:
    """The appliance to look at from every side: one with programmes, else with runs, else any.

    Raises
    ------
    HouseError
        If no circuit has used energy.
    """
    with suppress(HouseError):
        return two_programmes(findings)[0]
    with suppress(HouseError):
        return with_runs(findings)[0]
    return largest(findings)[0]


def two_programmes(
    findings: Findings, *, house: House | None = None
) -> tuple[ApplianceFinding, ProgrammeUses]:
    """A machine with two programmes of enough runs, and what they use.

    Parameters
    ----------
    findings : Findings
    house : House, optional
        For costs, and the names that its house.toml gives to programmes.

    Raises
    ------
    HouseError
        If there is none.
    """
    told = {} if house is None else {"tariff": house.tariff, "names": house.schedule.programmes}
    for row in findings.appliances:
        if not KINDS[row.kind].programmes or row.runs < 2 * LEAST_VALUES:
            continue
        uses = programme_uses(row, **told)  # type: ignore[arg-type]
        if sum(use.runs >= LEAST_VALUES for use in uses.uses) >= 2:
            return row, uses
    raise HouseError(
        f"no machine of this house shows two programmes of {LEAST_VALUES} runs each",
        fix="A longer log may.",
    )


def two_of_a_kind(findings: Findings) -> tuple[ApplianceFinding, ApplianceFinding]:
    """Two appliances to compare: of one kind if there are such, near in energy, the greater first.

    Raises
    ------
    HouseError
        If fewer than two have been seen for some days.
    """
    days = [row for row in findings.appliances if len(row.daily) >= LEAST_VALUES]
    days = [row for row in days if row.kwh_per_day.value > 0]
    pairs = list(combinations(days, 2))
    if not pairs:
        raise HouseError(f"fewer than two circuits of it have {LEAST_VALUES} days of readings")

    def unlike(pair: tuple[ApplianceFinding, ApplianceFinding]) -> tuple[bool, bool, float]:
        a, b = pair
        by_itself = KINDS[a.kind].stays_on == STARTS_ITSELF
        return a.kind != b.kind, not by_itself, a.kwh_per_day.value / b.kwh_per_day.value

    return min(pairs, key=unlike)


def idling(findings: Findings, *, most: int = MOST_COMPARED) -> list[IdleUse]:
    """What draws power between its uses and may be switched off, the greatest draw first.

    Raises
    ------
    HouseError
        If nothing does.
    """
    found = []
    for row in findings.appliances:
        if not row.days or not KINDS[row.kind].by_hand or not row.runs:
            continue
        use = idle_or_use(row)
        if use.idle_kwh_per_day.resolved and use.idle_kwh_per_day.value > 0:
            found.append(use)
    found.sort(key=lambda use: -use.idle_kwh_per_day.value)
    none = "nothing that a person switches draws a measurable power between its uses"
    return some_of(found, none)[:most]


def outdoor_of(house: House) -> pd.Series:
    """Outdoor temperature next to the house's logs.

    Raises
    ------
    HouseError
        If there is no outdoor.csv, or it cannot be used.
    """
    if not (house.path / OUTDOOR_FILE).is_file():
        raise HouseError(
            f"its folder holds no {OUTDOOR_FILE} with times and outdoor temperatures",
            fix="With one, days can be compared at the same weather.",
        )
    return read_outdoor(house)


def driven_by_weather(findings: Findings) -> ApplianceFinding:
    """The largest appliance that follows the weather.

    Raises
    ------
    HouseError
        If there is none.
    """
    found = [row for row in findings.appliances if row.days and row.season.strength == "strong"]
    return some_of(found, "no appliance of this house is known to follow the weather")[0]


def lamps(findings: Findings) -> ApplianceFinding:
    """The circuit of lights, by its name.

    Raises
    ------
    HouseError
        If no circuit is called so.
    """
    named = [row for row in findings.appliances if row.days and row.runs]
    found = [row for row in named if LAMPS.search(f"{row.appliance} {row.circuit}")]
    return some_of(found, "no circuit of this house is called lights or lamps")[0]


def changed(findings: Findings, *, outdoor: pd.Series | None = None) -> dict[str, Changes]:
    """Search each appliance for days from which on it used more or less, by circuit.

    What has too few days, or a weather that does not fit, is left out.
    """
    found = {}
    for row in findings.appliances:
        try:
            found[row.circuit] = find_changes(row.daily, outdoor=outdoor)
        except HouseError:
            continue
    return found


def some_of(found: Sequence[Found] | pd.DataFrame | None, none: str) -> Any:
    """Give what was found, if there is any.

    Raises
    ------
    HouseError
        With this sentence, if there is none.
    """
    if found is None or not len(found):
        raise HouseError(none)
    return found if isinstance(found, pd.DataFrame) else list(found)


def a_day(house: House, row: ApplianceFinding) -> dict[str, pd.Timestamp]:
    """Start and end of the local day with most runs of an appliance; else of one amid the log."""
    day = typical_day(row.cycles, house.timezone)
    if day is None:
        trace = house.trace(row.circuit)
        middle = (trace.start + (trace.end - trace.start) / 2).tz_convert(house.timezone)
        day = middle.normalize(), middle.normalize() + pd.DateOffset(days=1)
    return {"start": day[0], "end": day[1]}


def log_of(house: House) -> tuple[pd.Timestamp, pd.Timestamp]:
    """First and last instant of all readings of a house, in its local time."""
    first_ns, last_ns = log_extent_ns(house)
    first, last = (pd.Timestamp(at, unit="ns", tz="UTC") for at in (first_ns, last_ns))
    return first.tz_convert(house.timezone), last.tz_convert(house.timezone)


def busiest_start(house: House, circuits: Sequence[str]) -> tuple[str, pd.Timestamp]:
    """Of some circuits the one with most runs, and the start of the run in their middle.

    Raises
    ------
    HouseError
        If none of them has runs.
    """
    starts = {name: house_cycles(house, name).table["start"] for name in circuits}
    name = max(starts, key=lambda one: len(starts[one]), default="")
    if not name or not len(starts[name]):
        raise HouseError("the circuits looked at have no runs")
    return name, starts[name].iloc[len(starts[name]) // 2]


def clock_change(house: House) -> pd.Timestamp:
    """The first instant of the log at which the clocks change.

    Raises
    ------
    HouseError
        If there is none.
    """
    first_ns, last_ns = log_extent_ns(house)
    changes = [at for at, _, _ in clock_offsets(house, first_ns, last_ns)[1:]]
    inside = [at for at in changes if first_ns < at * NS_PER_S < last_ns]
    return pd.Timestamp(
        some_of(inside, "the clocks do not change in this log")[0], unit="s", tz="UTC"
    )


def another_house(house: House) -> tuple[House, str]:
    """For a sample house the other one, imported, and a circuit that both have.

    Raises
    ------
    HouseError
        For a person's own house: which one to compare it with, only a person knows.
    """
    if not is_sample(house):
        raise HouseError(
            "no second house is named",
            fix='Write he.open_house("path of its folder"), "circuit" in place of '
            "another_house(house); the circuit must have the same name in both.",
        )
    folder = next(one for one in sample_houses(house.path.parent) if one.name != house.path.name)
    import_logs(folder)
    other = open_house(folder)
    names = [c.name for c in other.circuits if c.role == "load"]
    both = [c.name for c in house.circuits if c.name in names]
    return other, some_of(both, "the two houses have no circuit of one name")[0]


def answered(question: Callable[[ApplianceFinding], Found], findings: Findings) -> list[Found]:
    """Answers to one question about every appliance that has one.

    Raises
    ------
    HouseError
        If none has.
    """
    found = []
    for row in findings.appliances:
        with suppress(HouseError):
            found.append(question(row))
    return some_of(found, "no appliance has enough days for this question")


def by_chance(comparisons: Sequence[Comparison]) -> str:
    """How many of some answers are significant, and how many chance alone would make so."""
    shown = [one for one in comparisons if one.differs]
    text = (
        f"{len(shown)} of {len(comparisons)} differ significantly; where nothing differs, chance "
        f"makes {number_text(len(comparisons) / 20, 1)} of so many seem to."
    )
    return "\n".join([text, "", *(f"- {one.sentence}" for one in shown)])


def middle(house: House) -> pd.Timestamp:
    """Local midnight of the day in the middle of the log."""
    first, last = log_of(house)
    return (first + (last - first) / 2).normalize()


def outdoor_or_none(house: House) -> pd.Series | None:
    """Outdoor temperature next to the house's logs, if there is any."""
    with suppress(HouseError):
        return outdoor_of(house)
    return None


def heat_pump(findings: Findings) -> ApplianceFinding:
    """The largest machine whose power follows the load.

    Raises
    ------
    HouseError
        If there is none.
    """
    found = [row for row in findings.appliances if row.runs and KINDS[row.kind].varying]
    return some_of(found, "no machine of this house works at varying power")[0]


def changes_in_words(searched: Mapping[str, Changes], findings: Findings) -> str:
    """Say which appliances changed, when and by how much; one sentence where none did."""
    names = {row.circuit: row.appliance for row in findings.appliances}
    found = {name: one for name, one in searched.items() if one.changes}
    if not searched:
        return "No appliance of this house has enough days to look for a change."
    if not found:
        many = f"None of {len(searched)} appliances shows" if len(searched) > 1 else "It shows"
        return f"{many} a significant change." if len(searched) > 1 else f"{many} no change."
    return "\n".join(f"- {names[name]}: {one.sentence}" for name, one in found.items())


def different_clamps(house: House, *, most: int = 3) -> list[Circuit]:
    """Circuits of which each is measured in a way of its own; at most so many."""
    ways: dict[object, Circuit] = {}
    for circuit in house.circuits:
        clamp = circuit.clamp
        ways.setdefault((len(circuit.legs), clamp.conductors, clamp.multiplier), circuit)
    return list(ways.values())[:most]
