"""What a panel of questions works out once for a house, so that every answer after it is quick."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from homeenergy.cycles import Programmes, find_programmes
from homeenergy.errors import HouseError
from homeenergy.findings import ApplianceFinding, Findings, house_findings
from homeenergy.readings import read_outdoor
from homeenergy.readings.house import House
from homeenergy.readings.outdoor import FILE_NAME
from homeenergy.show.view_data import circuit_labels

if TYPE_CHECKING:
    import pandas as pd

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

    Under a tariff with steps the price depends on the whole house, so all of it is worked out.
    """
    tariff = known.house.tariff
    whole = circuits is None or (tariff is not None and tariff.is_stepped)
    chosen = "" if whole else f", circuits={circuits!r}"
    return [
        "import homeenergy as he",
        *imports,
        "",
        f"house = he.open_house({known.house.path.as_posix()!r})",
        f"rows = he.house_findings(house{chosen}).appliances",
        "findings = {row.circuit: row for row in rows}",
    ]
