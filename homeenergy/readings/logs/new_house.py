"""Start a house: a folder with a house.toml to be corrected by hand, and the logs."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath

from homeenergy.errors import HouseError
from homeenergy.files import write_text
from homeenergy.house import Tariff
from homeenergy.house.layouts import LogLayout
from homeenergy.house.log_columns import NOMINAL_V, LogColumn
from homeenergy.house.schedule import (
    Circuit,
    CircuitLoad,
    Clamp,
    Schedule,
    Supply,
    circuit_names,
)
from homeenergy.house.toml_file import LEGS, SAFETY, house_toml, read_schedule
from homeenergy.house.zones import read_region
from homeenergy.readings.logs.columns import leg_of, names_mains
from homeenergy.readings.logs.dialogue import (
    SPLIT_PHASE,
    Ask,
    ask_clock,
    ask_legs,
    ask_mains,
    ask_supply,
    ask_units,
)
from homeenergy.readings.logs.gather import Gathered, find_files, gather
from homeenergy.readings.logs.labels import amps_in, kind_of, loads_of
from homeenergy.readings.logs.propose import Description
from homeenergy.readings.logs.sample import first_lines

_HEAD = f"""\
The panel schedule of this house. Correct it by hand; lines after # are comments.
{SAFETY}"""
# Common practice, no source: where homes are fed at 120/240 V from three wires.
_SPLIT_PHASE = ("America/", "US/", "Canada/", "Pacific/Honolulu")
_NOT_SPLIT = ("America/Argentina", "America/Santiago", "America/Montevideo", "America/Asuncion")


@dataclass(frozen=True, slots=True, kw_only=True)
class NewHouse:
    """A house that was begun, and what was understood of its logs.

    `doubts` says of a circuit what is a guess, `samples` holds some readings of each as logged;
    `left_out` why a file is not read. `copied_bytes` is what was copied into the folder, and
    `supply_told` whether names or a person told how the house is supplied.
    """

    path: Path
    schedule: Schedule
    labels: dict[str, str]
    samples: dict[str, tuple[float, ...]]
    doubts: dict[str, str]
    remarks: tuple[str, ...]
    left_out: dict[str, str]
    copied_bytes: int
    supply_told: bool


def new_house(
    folder: str | Path,
    *,
    logs: str | Path | Sequence[str | Path],
    timezone: str,
    name: str | None = None,
    currency: str | None = None,
    price_per_kwh: float | None = None,
) -> Path:
    """Write a starter house.toml and put copies of the logs next to it.

    Parameters
    ----------
    folder : path
        Made if it is not there.
    logs : path or sequence of paths
        Log files, or folders of them, of one or several layouts; also spreadsheets, JSON and
        .zip archives, of which the sheets, records and files are written as CSV. Copied into the
        folder's `logs` unless they are there already; the originals stay where they are.
    timezone : str
        Time zone of the house, such as "Europe/Berlin"; also taken for times without an offset.
    name, currency, price_per_kwh : optional
        Of the house and its tariff.

    Returns
    -------
    Path
        The house.toml.

    Raises
    ------
    HouseError
        If there is a house.toml already, a log cannot be described, or a copy would overwrite
        another file. Nothing is written then.
    """
    tariff = None
    if currency is not None and price_per_kwh is not None:
        tariff = Tariff(currency=currency, price_per_kwh=float(price_per_kwh))
    given = [Path(log) for log in ([logs] if isinstance(logs, str | Path) else logs)]
    return begin_house(folder, logs=given, timezone=timezone, name=name, tariff=tariff).path


def begin_house(
    folder: str | Path,
    *,
    logs: Sequence[Path],
    timezone: str,
    name: str | None = None,
    tariff: Tariff | None = None,
    link: bool = False,
    ask: Ask | None = None,
) -> NewHouse:
    """Begin a house as `new_house` does, and say what was understood.

    Parameters
    ----------
    folder, logs, timezone, name
        As for `new_house`.
    tariff : Tariff, optional
    link : bool
        Whether the folder gets links to the logs in place of copies.
    ask : callable, optional
        Asks a person a question with some answers, of which the first is the proposal.
    """
    folder = Path(folder)
    path = folder / "house.toml"
    if path.exists():
        raise HouseError(
            "is there already, and is not overwritten",
            path=path,
            fix="`homeenergy describe FILE` prints a [[log]] block that you can add to it.",
        )
    try:
        read_region(timezone)
    except ValueError as error:
        raise HouseError(str(error)) from None
    if not logs:
        raise HouseError("no log file was given")
    with tempfile.TemporaryDirectory(prefix="homeenergy-") as unpacked:
        places, others = find_files(logs, unpacked=Path(unpacked))
        beside = {path for path in places if _is_of_house(path)}
        places = {path: place for path, place in places.items() if path not in beside}
        found = gather(places, given=logs, timezone=timezone)
        if ask is not None:
            asked = (
                ask_clock(ask_units(one, ask), ask, timezone=timezone) for one in found.descriptions
            )
            found = replace(found, descriptions=tuple(asked))
        schedule = _schedule(
            found, timezone=timezone, tariff=tariff, name=name, folder=folder, ask=ask
        )
        remarks = _remarks(found)
        text = _text(schedule, remarks)
        copied = _copy(found.places, folder / "logs", link=link, unpacked=Path(unpacked))
        for own in beside:
            shutil.copy2(own, folder / own.name)
    write_text(path, text)
    described = found.descriptions
    return NewHouse(
        path=path,
        schedule=read_schedule(folder),  # what was written must be readable
        labels={c: label for one in described for c, label in one.labels.items()},
        samples={c: some for one in described for c, some in one.samples.items()},
        doubts={c: doubt for one in described for c, doubt in one.doubts.items()},
        remarks=tuple(remarks),
        left_out=others
        | found.left_out
        | {own.name: "no log; it was put next to house.toml" for own in sorted(beside)},
        copied_bytes=copied,
        supply_told=ask is not None or any("L3" in one.legs for one in schedule.circuits),
    )


_OF_HOUSE = {
    "outdoor.csv": ({"time", "celsius"}, {"time", "fahrenheit"}),
    "bench.csv": ({"circuit", "reference_w", "clamp_w"},),
    "meter_readings.csv": ({"time", "kwh"},),
}


def _is_of_house(path: Path) -> bool:
    """Whether a file is one of those that a house has next to its house.toml, by name and head."""
    heads = _OF_HOUSE.get(path.name)
    lines = first_lines(path) if heads else []
    cells = {cell.strip().casefold() for cell in lines[0].split(",")} if lines else set()
    return any(head <= cells for head in heads or ())


def _copy(places: dict[Path, PurePosixPath], logs: Path, *, link: bool, unpacked: Path) -> int:
    """Put files where they belong; give the bytes that were copied."""
    targets = {file: logs / place for file, place in places.items()}
    for file, target in targets.items():
        if target.exists() and not target.samefile(file):
            raise HouseError(
                f"a copy of {file} would overwrite another file of that name",
                path=target,
                fix="Give the log another name.",
            )
        inside = logs.exists() and logs.resolve() in file.resolve().parents
        if inside and not target.exists():
            raise HouseError(
                "lies in the folder of the new house already, where its place would be "
                f"{target.relative_to(logs.parent)}",
                path=file,
                fix="Move the logs to another folder first, and give that.",
            )
    logs.mkdir(parents=True, exist_ok=True)
    copied = 0
    for file, target in targets.items():
        if target.exists():
            continue
        target.parent.mkdir(parents=True, exist_ok=True)
        if link and unpacked not in file.parents:
            _link(file, target)
            continue
        shutil.copy2(file, target)
        copied += target.stat().st_size
    return copied


def _link(file: Path, target: Path) -> None:
    try:
        target.symlink_to(file.resolve())
    except OSError:  # where links need a right that the user lacks
        os.link(file, target)


def _schedule(
    found: Gathered,
    *,
    timezone: str,
    tariff: Tariff | None,
    name: str | None,
    folder: Path,
    ask: Ask | None,
) -> Schedule:
    circuits: dict[str, Circuit] = {}
    for one in found.descriptions:
        for circuit in one.layout.columns:
            circuits.setdefault(circuit, _circuit(circuit, one.labels[circuit], one))
    named = _with_loads(list(circuits.values()))
    if ask is not None:
        named = ask_mains(named, ask)
    supply = _supply(named, timezone)
    if ask is not None:
        supply = ask_supply(named, supply, ask)
        named = ask_legs(named, supply, ask)
    volts_v = (
        supply.volts_v or (SPLIT_PHASE.volts_v if _is_split_phase(timezone) else None) or NOMINAL_V
    )
    legs = LEGS[supply.system]
    fitting = [one if set(one.legs) <= set(legs) else replace(one, legs=()) for one in named]
    return Schedule(
        folder=Path(),
        name=name or folder.resolve().name,
        timezone=read_region(timezone),
        tariff=tariff,
        supply=supply,
        circuits=tuple(fitting),
        logs=tuple(_at_volts(one.layout, volts_v) for one in found.descriptions),
    )


def _at_volts(layout: LogLayout, volts_v: float) -> LogLayout:
    """A layout whose amps alone are taken at the volts of this supply."""
    columns = {
        name: column if column.volts_v is None else replace(column, volts_v=volts_v)
        for name, column in layout.columns.items()
    }
    return replace(layout, columns=columns)


def _circuit(name: str, label: str, one: Description) -> Circuit:
    """What the name of a circuit says of it, as far as it is plain."""
    text = label.replace("_", " ").strip() or name
    leg = leg_of(label)
    mains = names_mains(label) or name in one.mains
    breaker, clamp = amps_in(text)
    return Circuit(
        name=name,
        appliance=f"Mains {text}" if leg is not None and not leg[0] else text,
        role="mains" if mains else "load",
        kind=None if mains else kind_of(text),
        legs=one.legs.get(name, () if leg is None or not (leg[2] or mains) else (leg[1],)),
        breaker_a=breaker,
        clamp=Clamp(rating_a=clamp),
    )


def _with_loads(circuits: list[Circuit]) -> list[Circuit]:
    """Circuits with the loads that their names join: "refrigerator and freezer" is two."""
    joined = {one.name: loads_of(one.appliance) for one in circuits if one.role == "load"}
    labels = [label for several in joined.values() for label in several]
    names = iter(circuit_names([*(one.name for one in circuits), *labels])[len(circuits) :])

    def loads(circuit: Circuit) -> tuple[CircuitLoad, ...]:
        return tuple(
            CircuitLoad(name=next(names), appliance=label, kind=kind_of(label))
            for label in joined.get(circuit.name, ())
        )

    return [replace(one, loads=loads(one)) for one in circuits]


def _supply(circuits: Sequence[Circuit], timezone: str) -> Supply:
    """System of the supply, from the legs that names tell of and the zone."""
    legs = {leg for circuit in circuits for leg in circuit.legs}
    if "L3" in legs:
        return Supply(system="three-phase")
    if "L2" not in legs:
        return Supply()
    return SPLIT_PHASE if _is_split_phase(timezone) else Supply(system="three-phase")


def _is_split_phase(timezone: str) -> bool:
    return timezone.startswith(_SPLIT_PHASE) and not timezone.startswith(_NOT_SPLIT)


def _remarks(found: Gathered) -> list[str]:
    """Remarks on all logs, then those on one of several."""
    told = [dict.fromkeys(one.remarks) for one in found.descriptions]
    of_all = [remark for remark in told[0] if all(remark in one for one in told)]
    own = [
        f"{one.layout.files}: {remark}"
        for one, remarks in zip(found.descriptions, told, strict=True)
        for remark in remarks
        if remark not in of_all
    ]
    return of_all + own


def _text(schedule: Schedule, remarks: Sequence[str]) -> str:
    supply = [one.name for one in schedule.circuits if one.role == "mains"]
    taken = f"\nTaken for mains by their names: {', '.join(supply)}. Check." if supply else ""
    noted = ["How the logs are laid out, as found by looking at them. Please check:"]
    noted += [f"- {remark}" for remark in remarks]
    return house_toml(schedule, head=_HEAD + taken, comments="all", log_remarks=noted)


def understood(house: NewHouse) -> list[str]:
    """What was understood, on one screen: a line a circuit, the doubtful ones first."""
    columns = {
        circuit: column for log in house.schedule.logs for circuit, column in log.columns.items()
    }
    supply = house.schedule.supply.system
    order = sorted(house.schedule.circuits, key=lambda one: one.name not in house.doubts)
    rows = [("circuit", "read from", "as", "first, largest, last", "role, legs, kind")]
    for one in order:
        column = columns[one.name]
        loads = " and ".join(load.name for load in one.loads)
        about = ["mains" if one.role == "mains" else "", "+".join(one.legs), one.kind or loads]
        mark = "? " if one.name in house.doubts else "  "
        some = house.samples.get(one.name, ())
        rows.append(
            (
                mark + one.name,
                _source(column),
                f"{_WORDS[column.quantity]} {column.unit}",
                ", ".join(f"{value:g}" for value in some),
                " ".join(filter(None, about)),
            )
        )
    rows[0] = (f"  {rows[0][0]}", *rows[0][1:])
    wide = [max(len(row[at]) for row in rows) for at in range(len(rows[0]))]
    lines = [
        "  ".join(cell.ljust(w) for cell, w in zip(row, wide, strict=True)).rstrip() for row in rows
    ]
    told = "" if house.supply_told else ", assumed: correct it in house.toml if it is another"
    lines += ["", f"Supply: {supply}{told}."]
    lines += [f"Not read: {name}: {why}." for name, why in house.left_out.items()]
    return lines + [f"- {remark}" for remark in house.remarks]


_WORDS = {
    "power": "power",
    "energy": "energy of each row",
    "energy_counter": "counter",
    "volts_and_amps": "volts x amps",
    "apparent_power": "apparent power",
    "state": "on and off",
    "temperature": "temperature",
    "other": "no power, in",
}


def _source(column: LogColumn) -> str:
    sign = " x " if column.quantity == "volts_and_amps" else " + "
    volts = () if column.volts_v is None else (f"{column.volts_v:g} V",)
    names = sign.join(map(str, (*volts, *column.names)))
    if column.factor_column is not None:
        names += f" x {column.factor_column}"
    return f"{column.files}: {names}" if column.files else names
