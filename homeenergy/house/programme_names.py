"""The [[programme]] tables of house.toml: what a person calls the programmes of a machine."""

from __future__ import annotations

from homeenergy.house.fields import Fields
from homeenergy.house.schedule import ProgrammeName


def read_programmes(top: Fields, *, circuits: tuple[str, ...]) -> tuple[ProgrammeName, ...]:
    """Read and check every [[programme]].

    Parameters
    ----------
    top : Fields
        The whole file.
    circuits : tuple of str
        Names of the circuits there are.

    Returns
    -------
    tuple of ProgrammeName

    Raises
    ------
    HouseError
        For an unknown circuit, a name used twice on a circuit, or a length that is not above 0.
    """
    names: list[ProgrammeName] = []
    for table in top.tables("programme"):
        name = _read(table, circuits)
        if any((name.circuit, name.name) == (n.circuit, n.name) for n in names):
            raise table.refuse(
                "name",
                f"{name.name!r} already names a programme of {name.circuit!r}",
                fix="Each programme of a circuit needs a name of its own.",
            )
        names.append(name)
    return tuple(names)


def _read(table: Fields, circuits: tuple[str, ...]) -> ProgrammeName:
    table.only(("circuit", "name", "minutes", "kwh"))
    circuit = table.text("circuit", required=True)
    if circuit not in circuits:
        raise table.refuse(
            "circuit",
            f"must be the name of a circuit, got {circuit!r}",
            fix=f"Circuits: {', '.join(circuits)}.",
        )
    name = table.text("name", required=True)
    if ":" in name:  # `homeenergy compare` parts circuit and programme there
        raise table.refuse("name", f"must not hold a colon, got {name!r}")
    minutes = table.number("minutes", required=True, positive=True)
    kwh = table.number("kwh", required=True, positive=True)
    assert minutes is not None
    assert kwh is not None
    return ProgrammeName(circuit=circuit, name=name, minutes=minutes, kwh=kwh)
