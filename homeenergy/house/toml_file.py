"""Read house.toml, the description of a house, and refuse what cannot be meant."""

from __future__ import annotations

import re
from pathlib import Path
from zoneinfo import ZoneInfo

from homeenergy.house.carbon import read_carbon
from homeenergy.house.clamps import read_clamp
from homeenergy.house.fields import Fields
from homeenergy.house.kinds import KINDS, SEASONS
from homeenergy.house.layouts import read_layout
from homeenergy.house.load_toml import load_toml
from homeenergy.house.programme_names import read_programmes
from homeenergy.house.schedule import Circuit, Schedule, Supply
from homeenergy.house.tariff_toml import read_tariff
from homeenergy.house.write_up import read_write_up
from homeenergy.house.zones import read_region

LEGS: dict[str, tuple[str, ...]] = {
    "single-phase": ("L1",),
    "split-phase": ("L1", "L2"),
    "three-phase": ("L1", "L2", "L3"),
}
KEYS = (
    "name",
    "timezone",
    "supply",
    "tariff",
    "carbon",
    "write_up",
    "circuit",
    "programme",
    "log",
)
_NAME = re.compile(r"[A-Za-z0-9_-]+")


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
    top.only(KEYS)
    name = top.text("name", path.parent.resolve().name)
    zone = top.text("timezone", required=True)
    try:
        timezone = read_region(zone)
    except ValueError as error:
        raise top.refuse(
            "timezone",
            f"cannot be used: {error}",
            fix='Write the region the house stands in, such as "Europe/Berlin".',
        ) from None
    supply = _supply(top.inner("supply"))
    circuits = tuple(_circuit(table, supply, timezone) for table in top.tables("circuit"))
    _refuse_repeated_names(top, circuits)
    names = tuple(circuit.name for circuit in circuits)
    return Schedule(
        folder=path.parent,
        name=name,
        timezone=timezone,
        circuits=circuits,
        supply=supply,
        tariff=read_tariff(top.inner("tariff")) if top.has("tariff") else None,
        carbon=read_carbon(top.inner("carbon")) if top.has("carbon") else None,
        logs=tuple(read_layout(log, circuits=names) for log in top.tables("log")),
        programmes=read_programmes(top, circuits=names),
        write_up=read_write_up(top.inner("write_up")),
    )


def _supply(table: Fields) -> Supply:
    table.only(("system", "volts_v", "frequency_hz"))
    return Supply(
        system=table.choice("system", tuple(LEGS), "single-phase"),
        volts_v=table.number("volts_v", positive=True),
        frequency_hz=table.number("frequency_hz", positive=True),
    )


def _circuit(table: Fields, supply: Supply, timezone: ZoneInfo) -> Circuit:
    table.only(("name", "appliance", "kind", "season", "role", "legs", "breaker_a", "clamp"))
    name = table.text("name", required=True)
    if not _NAME.fullmatch(name):
        raise table.refuse("name", f"must be made of letters, digits, _ and -, got {name!r}")
    legs, possible = table.texts("legs"), LEGS[supply.system]
    if any(leg not in possible for leg in legs) or len(set(legs)) != len(legs):
        raise table.refuse(
            "legs",
            f"must be a choice of {', '.join(possible)} ({supply.system} supply), "
            f"each once, got {list(legs)}",
        )
    return Circuit(
        name=name,
        appliance=table.text("appliance", name),
        kind=table.choice("kind", tuple(KINDS), none=True),
        season=table.choice("season", SEASONS, none=True),
        role=table.choice("role", ("load", "mains"), "load"),
        legs=legs,
        breaker_a=table.number("breaker_a", positive=True),
        clamp=read_clamp(table.inner("clamp"), legs=possible, timezone=timezone),
    )


def _refuse_repeated_names(top: Fields, circuits: tuple[Circuit, ...]) -> None:
    seen: dict[str, int] = {}
    for number, circuit in enumerate(circuits, start=1):
        # Names become folder names, and some disks do not tell capitals from small letters.
        first = seen.setdefault(circuit.name.lower(), number)
        if first != number:
            raise top.refuse(
                f"circuit[{number}].name",
                f"{circuit.name!r} is already the name of circuit[{first}]",
                fix="Each circuit needs a name of its own.",
            )
