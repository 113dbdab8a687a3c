"""Start a house: a folder with a house.toml to be corrected by hand, and the logs."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from pathlib import Path

from homeenergy.errors import HouseError
from homeenergy.house import read_schedule
from homeenergy.house.zones import read_region
from homeenergy.readings.logs.columns import looks_like_mains
from homeenergy.readings.logs.describe import Description, describe
from homeenergy.readings.logs.layout_text import layout_toml, toml_value

_HEAD = """\
# The panel schedule of this house. Correct it by hand; lines after # are comments.
# Opening a panel exposes live parts that can kill. If a clamp has to be moved or a label
# checked inside the panel, have a qualified electrician do it.

name = {name}
timezone = {timezone}{hint:>{pad}}# says when a day begins

[supply]
system = "single-phase"        # single-phase, split-phase (120/240 V) or three-phase
# volts_v = 230                # one leg to neutral
# frequency_hz = 50

{tariff}
# One block for each circuit:
#   name        short, as used in [log.columns] below
#   appliance   what you call it
#   kind        thermostatic, batch, manual, modulating or continuous; found if left out
#   role        "load", or "mains" for the incoming supply (one circuit for each leg)
#   legs        ["L1"], or ["L1", "L2"] for a 240 V load of a split-phase supply
#   breaker_a   rating of its breaker
#   clamp       {{ rating_a = 50, multiplier = 1.0 }}; the multiplier is 2 where a 240 V load is
#               logged on one leg only, -1 for a clamp that sits backwards
"""


def new_house(
    folder: str | Path,
    *,
    logs: str | Path | Sequence[str | Path],
    timezone: str,
    name: str | None = None,
    currency: str | None = None,
    price_per_kwh: float | None = None,
) -> Path:
    """Write a starter house.toml and put copies of the logs beside it.

    Parameters
    ----------
    folder : path
        Made if it is not there.
    logs : path or sequence of paths
        Log files of one layout. Copied into the folder's `logs` unless they are there already;
        the originals stay where they are.
    timezone : str
        Where the house stands, such as "Europe/Berlin"; also taken for times without an offset.
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
    path.write_text(text, encoding="utf-8")
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
    zone = toml_value(timezone)
    head = _HEAD.format(
        name=toml_value(name),
        timezone=zone,
        hint="",
        pad=max(1, 20 - len(zone)),
        tariff=_tariff(currency, price_per_kwh),
    )
    circuits = []
    for circuit in described.layout.columns:
        label = described.labels[circuit].replace("_", " ").strip() or circuit
        lines = ["[[circuit]]", f"name = {toml_value(circuit)}", f"appliance = {toml_value(label)}"]
        if looks_like_mains(label):
            lines.append('role = "mains"                 # taken from its name: check')
        circuits.append("\n".join(lines))
    remarks = ["How the logs are laid out, as found by looking at them. Please check:"]
    remarks += [f"- {remark}" for remark in described.remarks]
    return "\n".join(
        [head, "\n\n".join(circuits), "", layout_toml(described.layout, remarks=remarks)]
    )


def _tariff(currency: str | None, price_per_kwh: float | None) -> str:
    if currency is None or price_per_kwh is None:
        return (
            "# [tariff]                     # for costs\n"
            f"# currency = {toml_value(currency or 'EUR')}\n# price_per_kwh = 0.30\n"
            "# standing_per_day = 0.40\n"
        )
    return (
        f"[tariff]\ncurrency = {toml_value(currency)}\n"
        f"price_per_kwh = {toml_value(float(price_per_kwh))}\n"
        "# standing_per_day = 0.40\n"
    )
