"""Read house.toml, the description of a house, and write it; refuse what cannot be meant."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import tzinfo
from pathlib import Path
from typing import Any, Literal
from zoneinfo import ZoneInfo

from homeenergy.house.layouts import LogLayout, layout_toml, read_layout
from homeenergy.house.limits import Limits
from homeenergy.house.log_columns import NAME
from homeenergy.house.measures import Measure, read_measures
from homeenergy.house.schedule import (
    CarbonFactor,
    Circuit,
    CircuitLoad,
    Clamp,
    Correction,
    ProgrammeName,
    Schedule,
    Supply,
    divided_circuits,
    other_units,
    switched,
)
from homeenergy.house.schema import Fields, commented, keys_of, load_toml, read_keys, write_keys
from homeenergy.house.sources import read_sources, source_toml
from homeenergy.house.tariff import Tariff
from homeenergy.house.tariff_toml import read_tariff
from homeenergy.house.write_up import WriteUpDetails

Comments = Literal["none", "short", "all"]
# What everybody must have read who fills in a panel schedule.
SAFETY = """\
Opening a panel exposes live parts that can kill. If a clamp has to be moved or a label
checked inside the panel, have a qualified electrician do it."""
LEGS: dict[str, tuple[str, ...]] = {
    "single-phase": ("L1",),
    "split-phase": ("L1", "L2"),
    "three-phase": ("L1", "L2", "L3"),
}
_CONDUCTOR = re.compile(r"-?(?:[1-9]\d*\*)?(L[123])")


def read_schedule(folder: str | Path) -> Schedule:
    """Read and check the house.toml in a folder.

    Parameters
    ----------
    folder : path
        The house's folder, or its house.toml itself.

    Returns
    -------
    Schedule

    Raises
    ------
    HouseError
        Naming the file, the key (circuits and logs are counted from 1) and what was expected.
    """
    folder = Path(folder)
    path = folder if folder.name == "house.toml" else folder / "house.toml"
    top = Fields(load_toml(path), path=path)
    values = read_keys(top, Schedule)
    values["name"] = values["name"] or path.parent.resolve().name
    supply = Supply(**read_keys(top.inner("supply"), Supply))
    circuits = tuple(_circuit(row, supply, values["timezone"]) for row in top.tables("circuit"))
    _refuse_repeated_names(top, circuits)
    names = tuple(circuit.name for circuit in circuits)
    appliances = tuple(circuit.name for circuit in divided_circuits(circuits))
    limits = Limits(**read_keys(top.inner("limits"), Limits))
    logs = [read_layout(log, circuits=names) for log in top.tables("log")]
    _refuse_other_names(top, appliances, logs)
    circuits = _with_watts(top, circuits, logs)
    carbon = read_keys(top.inner("carbon"), CarbonFactor) if top.has("carbon") else None
    return Schedule(
        **values,
        folder=path.parent,
        supply=supply,
        tariff=read_tariff(top.inner("tariff")) if top.has("tariff") else None,
        carbon=None if carbon is None else CarbonFactor(**carbon),
        write_up=WriteUpDetails(**read_keys(top.inner("write_up"), WriteUpDetails)),
        circuits=circuits,
        programmes=_programmes(top, appliances),
        measures=read_measures(top, appliances),
        limits=limits,
        logs=tuple(replace(log, limits=limits) for log in logs),
        sources=read_sources(top, circuits=(*names, *other_units(logs))),
    )


def _circuit(table: Fields, supply: Supply, timezone: ZoneInfo) -> Circuit:
    values = read_keys(table, Circuit)
    values["appliance"] = values["appliance"] or values["name"]
    legs, possible = values["legs"], LEGS[supply.system]
    if any(leg not in possible for leg in legs) or len(set(legs)) != len(legs):
        raise table.refuse(
            "legs",
            f"must be a choice of {', '.join(possible)} ({supply.system} supply), "
            f"each once, got {list(legs)}",
        )
    clamp = _clamp(table.inner("clamp"), legs=possible, timezone=timezone)
    return Circuit(**values, clamp=clamp, loads=_loads(table, values, timezone))


def _numbered_loads(name: str, appliance: str, count: int) -> tuple[CircuitLoad, ...]:
    """Loads that nobody named; of one there is nothing to divide."""
    places = range(1, count + 1) if count > 1 else ()
    return tuple(CircuitLoad(name=f"{name}_{i}", appliance=f"{appliance} {i}") for i in places)


def _loads(table: Fields, values: Mapping[str, Any], timezone: tzinfo) -> tuple[CircuitLoad, ...]:
    """Loads that share a circuit, as named or as many as are said."""
    rows, count = table.tables("load"), values["load_count"]
    if not rows:
        return _numbered_loads(values["name"], values["appliance"], int(count or 1))
    if values["role"] != "load":
        raise table.refuse("load", "belongs to a circuit of loads, not to the mains")
    if not 2 <= len(rows) <= 4 or count not in (None, len(rows)):
        raise table.refuse(
            "load",
            f"must name two to four loads{'' if count is None else f', as many as {count:g}'}, "
            f"got {len(rows)}",
            fix="A circuit with one load needs no [[circuit.load]].",
        )
    found = []
    for row in rows:
        own = read_keys(row, CircuitLoad)
        own["appliance"] = own["appliance"] or own["name"]
        if (own["alone_from"] is None) != (own["alone_to"] is None):
            raise row.refuse("alone_from", "and alone_to belong together")
        for name in ("alone_from", "alone_to"):
            if own[name] is not None and own[name].tzinfo is None:
                own[name] = own[name].replace(tzinfo=timezone)
        found.append(CircuitLoad(**own))
    return tuple(found)


def _clamp(table: Fields, *, legs: tuple[str, ...], timezone: tzinfo) -> Clamp:
    values = read_keys(table, Clamp)
    for text in values["conductors"]:
        match = _CONDUCTOR.fullmatch(text)
        if match is None or match[1] not in legs:
            raise table.refuse(
                "conductors",
                f"must list legs ({', '.join(legs)}) that run through the clamp, got {text!r}",
                fix='"-L2" runs against the arrow of the clamp, "2*L1" passes through it twice.',
            )
    table.choice("volts_leg", legs)
    if not isinstance(values["multiplier"], list):
        return Clamp(**values)
    corrections = _corrections(table, values, timezone)
    last = corrections[-1]
    return Clamp(
        **values
        | {"multiplier": last.value, "corrections": corrections}
        | {name: getattr(last, name) for name in _further(last)}
    )


def _further(correction: Correction) -> list[str]:
    """What a correction says in addition to its multiplier and date."""
    declared = keys_of(type(correction)).values()
    return [one.attribute for one in declared if one.attribute not in ("value", "start")]


def _corrections(
    table: Fields, values: Mapping[str, object], timezone: tzinfo
) -> tuple[Correction, ...]:
    """Dated corrections; keys that one leaves out are as the clamp says."""
    rows = table.tables("multiplier")
    if not rows:
        raise table.refuse("multiplier", "is an empty list; expected a number or corrections")
    found: list[Correction] = []
    for number, row in enumerate(rows):
        own = Correction(**read_keys(row, Correction))
        if number and own.start is None:
            raise row.missing("from", "a date: only the first multiplier holds from the start")
        shared: dict[str, Any] = {n: values[n] for n in _further(own) if not row.has(n)}
        if own.start is not None and own.start.tzinfo is None:
            shared["start"] = own.start.replace(tzinfo=timezone)
        own = replace(own, **shared)
        earlier = found[-1].start if found else None
        if own.start is not None and earlier is not None and own.start <= earlier:
            raise row.refuse("from", "must be later than the one before it")
        found.append(own)
    return tuple(found)


def _with_watts(
    top: Fields, circuits: tuple[Circuit, ...], logs: Sequence[LogLayout]
) -> tuple[Circuit, ...]:
    """Circuits, those with states with their watts as the clamp's multiplier.

    A state is 1 while the circuit is on: what it draws is then its watts, as uncertain as they are.
    """
    held, found = switched(logs), []
    logged = {name for log in logs for name in log.columns}
    for number, one in enumerate(circuits, start=1):
        if one.watts is not None and one.name in logged - set(held):
            raise top.refuse(
                f"circuit[{number}].watts",
                "belongs to a circuit whose log holds states or temperatures",
                fix='Where its log does, write quantity = "state" in the [[log]].',
            )
        if one.watts is not None and held.get(one.name) == "state":
            if one.clamp != Clamp(rating_a=one.clamp.rating_a):
                raise top.refuse(f"circuit[{number}].clamp", "does not belong to states")
            clamp = Clamp(multiplier=one.watts, uncertainty=one.watts_uncertainty)
            one = replace(one, clamp=clamp)
        found.append(one)
    return tuple(found)


def _refuse_other_names(top: Fields, appliances: Sequence[str], logs: Sequence[LogLayout]) -> None:
    """Refuse names of other quantities that are not their own in the store."""
    taken = {name.lower(): "" for name in appliances}
    for number, log in enumerate(logs, start=1):
        for name, column in log.columns.items():
            if column.quantity != "other":
                continue
            key = f"log[{number}].columns.{name}"
            if NAME.fullmatch(name) is None:
                raise top.refuse(key, "must be made of letters, digits, _ and -")
            said = f"{name} {column.unit}"
            if taken.setdefault(name.lower(), said) != said:
                raise top.refuse(
                    key,
                    f"{name!r} is the name of a circuit, a load or something in another unit",
                    fix=f"Another quantity needs a name of its own, such as {name}_volts.",
                )


def _refuse_repeated_names(top: Fields, circuits: tuple[Circuit, ...]) -> None:
    seen: dict[str, int] = {}
    for number, circuit in enumerate(circuits, start=1):
        for place, load in enumerate(circuit.loads, start=1):
            named = [
                name.lower() for c in circuits for name in (c.name, *(x.name for x in c.loads))
            ]
            if named.count(load.name.lower()) > 1:
                raise top.refuse(
                    f"circuit[{number}].load[{place}].name",
                    f"{load.name!r} is the name of another circuit or load",
                    fix="Each circuit and each load needs a name of its own.",
                )
        # Names become folder names, and some disks do not tell capitals from small letters.
        first = seen.setdefault(circuit.name.lower(), number)
        if first != number:
            raise top.refuse(
                f"circuit[{number}].name",
                f"{circuit.name!r} is already the name of circuit[{first}]",
                fix="Each circuit needs a name of its own.",
            )


def _programmes(top: Fields, circuits: tuple[str, ...]) -> tuple[ProgrammeName, ...]:
    found: list[ProgrammeName] = []
    for row in top.tables("programme"):
        one = ProgrammeName(**read_keys(row, ProgrammeName))
        if one.circuit not in circuits:
            raise row.refuse(
                "circuit",
                f"must be the name of a circuit, got {one.circuit!r}",
                fix=f"Circuits: {', '.join(circuits)}.",
            )
        if any((one.circuit, one.name) == (n.circuit, n.name) for n in found):
            raise row.refuse(
                "name",
                f"{one.name!r} already names a programme of {one.circuit!r}",
                fix="Each programme of a circuit needs a name of its own.",
            )
        found.append(one)
    return tuple(found)


def house_toml(
    schedule: Schedule,
    *,
    head: str = "",
    comments: Comments = "none",
    log_remarks: Sequence[str] = (),
) -> str:
    """Write a house.toml.

    Parameters
    ----------
    schedule : Schedule
    head : str
        Lines of a comment at the top.
    comments : str
        "short" says behind each line what it means. "all" also explains further, and shows keys and
        tables that are left out behind a #: in the first table of a sort.
    log_remarks : sequence of str
        Become comments above the first [[log]].

    Returns
    -------
    str
        TOML that `read_schedule` reads back as the same schedule.
    """
    parts = ["\n".join(f"# {line}".rstrip() for line in head.splitlines())] if head else []
    parts.append("\n".join(write_keys(schedule, comments=comments)))
    parts.append(_table("[supply]", schedule.supply, comments))
    example = _example if comments == "all" else lambda *_: ""
    if schedule.tariff is not None:
        parts += _tariff_tables(schedule.tariff, comments)
    else:
        parts.append(example("tariff", "[tariff]", Tariff))
    if schedule.carbon is not None:
        parts.append(_table("[carbon]", schedule.carbon, comments))
    else:
        parts.append(example("carbon", "[carbon]", CarbonFactor))
    if schedule.write_up != WriteUpDetails():
        parts.append(_table("[write_up]", schedule.write_up, comments))
    else:
        parts.append(example("write_up", "[write_up]", WriteUpDetails))
    if schedule.limits != Limits():
        parts.append(_table("[limits]", schedule.limits, comments))
    else:
        parts.append(example("limits", "[limits]", Limits))
    for number, circuit in enumerate(schedule.circuits):
        said = "none" if number and comments == "all" else comments
        own = circuit if circuit.watts is None else replace(circuit, clamp=Clamp())
        numbered = circuit.loads == _numbered_loads(
            circuit.name, circuit.appliance, len(circuit.loads)
        )
        parts.append(_table("[[circuit]]", own, said))
        parts += [_table("[[circuit.load]]", one, said) for one in circuit.loads if not numbered]
    parts += [_table("[[programme]]", one, comments) for one in schedule.programmes]
    if not schedule.programmes:
        parts.append(example("programme", "[[programme]]", ProgrammeName))
    parts += [_table("[[measure]]", one, comments) for one in schedule.measures]
    if not schedule.measures:
        parts.append(example("measure", "[[measure]]", Measure))
    for number, log in enumerate(schedule.logs):
        remarks = log_remarks if number == 0 else ()
        parts.append(layout_toml(log, remarks=remarks, comments=comments).rstrip())
    parts += [source_toml(one, comments=comments).rstrip() for one in schedule.sources]
    return "\n\n".join(part for part in parts if part) + "\n"


def _example(name: str, head: str, table: type) -> str:
    """A table that is left out, behind a #."""
    lines = [commented(f"# {head}", keys_of(Schedule)[name].key.help)]
    lines += [f"# {one.example}" for one in keys_of(table).values() if one.example]
    return "\n".join(lines)


def _table(head: str, table: object, comments: Comments) -> str:
    return "\n".join([head, *write_keys(table, comments=comments)])


def _tariff_tables(tariff: Tariff, comments: Comments) -> list[str]:
    parts = [_table("[tariff]", tariff, comments)]
    for season in tariff.seasons:
        begins = f'from = "{season.month:02d}-{season.day:02d}"'
        lines = write_keys(season, comments=comments, skip=("from",))
        parts.append("\n".join(["[[tariff.season]]", *lines, begins]))
    parts += [_table("[[tariff.period]]", one, comments) for one in tariff.periods]
    parts += [_table("[[tariff.block]]", one, comments) for one in tariff.blocks]
    parts += [_table("[[tariff.demand]]", one, comments) for one in tariff.demand]
    for change in tariff.changes:
        parts.append(_table("[[tariff.change]]", change, comments))
        parts += [_table("[[tariff.change.period]]", one, comments) for one in change.periods]
        parts += [_table("[[tariff.change.block]]", one, comments) for one in change.blocks]
        parts += [_table("[[tariff.change.demand]]", one, comments) for one in change.demand]
    return parts
