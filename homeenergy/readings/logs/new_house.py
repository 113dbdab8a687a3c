"""Start a house: a folder with a house.toml to be corrected by hand, and the logs."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from pathlib import Path
from typing import Literal

from homeenergy.errors import HouseError
from homeenergy.files import write_text
from homeenergy.house import Tariff
from homeenergy.house.schedule import Circuit, Schedule
from homeenergy.house.toml_file import SAFETY, house_toml, read_schedule
from homeenergy.house.zones import read_region
from homeenergy.readings.logs.describe import Description, describe
from homeenergy.readings.logs.labels import looks_like_mains

_HEAD = f"""\
The panel schedule of this house. Correct it by hand; lines after # are comments.
{SAFETY}"""


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
        Log files of one layout. Copied into the folder's `logs` unless they are there already;
        the originals stay where they are.
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
    files = [Path(log) for log in ([logs] if isinstance(logs, str | Path) else logs)]
    described = describe(files, timezone=timezone)
    text = _text(described, name or folder.resolve().name, timezone, currency, price_per_kwh)
    _copy(files, folder / "logs")
    write_text(path, text)
    read_schedule(folder)  # what was written must be readable
    return path


def _copy(files: list[Path], logs: Path) -> None:
    taken: dict[Path, Path] = {}
    for file in files:
        copy = logs / file.name
        if copy in taken or (copy.exists() and not copy.samefile(file)):
            raise HouseError(
                f"a copy of {file} would overwrite another file of that name",
                path=copy,
                fix="Give the log another name.",
            )
        taken[copy] = file
    logs.mkdir(parents=True, exist_ok=True)
    for copy, file in taken.items():
        if not copy.exists():
            shutil.copy2(file, copy)


def _text(
    described: Description,
    name: str,
    timezone: str,
    currency: str | None,
    price_per_kwh: float | None,
) -> str:
    circuits = []
    for circuit in described.layout.columns:
        label = described.labels[circuit].replace("_", " ").strip() or circuit
        role: Literal["load", "mains"] = "mains" if looks_like_mains(label) else "load"
        circuits.append(Circuit(name=circuit, appliance=label, role=role))
    supply = [one.name for one in circuits if one.role == "mains"]
    tariff = None
    if currency is not None and price_per_kwh is not None:
        tariff = Tariff(currency=currency, price_per_kwh=float(price_per_kwh))
    schedule = Schedule(
        folder=Path(),
        name=name,
        timezone=read_region(timezone),
        tariff=tariff,
        circuits=tuple(circuits),
        logs=(described.layout,),
    )
    taken = f"\nTaken for mains by their names: {', '.join(supply)}. Check." if supply else ""
    remarks = ["How the logs are laid out, as found by looking at them. Please check:"]
    remarks += [f"- {remark}" for remark in described.remarks]
    return house_toml(schedule, head=_HEAD + taken, comments="all", log_remarks=remarks)
