"""Compare what a person names in one line: a circuit, or a programme of one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from homeenergy.cycles.programmes import Programmes, find_programmes
from homeenergy.errors import HouseError
from homeenergy.findings.appliance.house import house_findings
from homeenergy.findings.appliance.record import ApplianceFinding
from homeenergy.findings.comparison.circuits import RUNS, compare_appliances, compare_programmes
from homeenergy.findings.comparison.comparison import WORTH_SEEING, Comparison, Per
from homeenergy.readings.house import House


def compare_named(
    house: House,
    *,
    a: str,
    b: str,
    per: Per | None = None,
    weekly: float | None = None,
    worth_seeing: float = WORTH_SEEING,
) -> Comparison:
    """Compare two circuits, or two programmes.

    Parameters
    ----------
    house : House
        With its logs imported.
    a, b : str
        "dryer" is a circuit, "washer:Quick wash" a programme of one, by its name, the beginning of
        it, or its number in the order in which programmes were first seen.
    per : str, optional
        "day", "run", "load" or "use". Default: "run" for programmes, "day" for circuits.
    weekly, worth_seeing
        As for `compare`.

    Returns
    -------
    Comparison

    Raises
    ------
    HouseError
        If a name is unknown or fits several programmes, both are the same, or too little was seen.
    """
    circuit_a, programme_a = _parted(a)
    circuit_b, programme_b = _parted(b)
    if (programme_a is None) != (programme_b is None):
        raise HouseError(
            f"{a!r} and {b!r}: a programme and a whole circuit cannot be compared",
            fix="Name a programme on both sides, as in washer:1, or on neither.",
        )
    if circuit_a == circuit_b and programme_a is None:
        raise HouseError(
            f"circuit {circuit_a!r} would be compared with itself",
            fix="Name two circuits, or two programmes of one: washer:1 washer:2.",
        )
    circuits = list(dict.fromkeys([circuit_a, circuit_b]))
    rows = house_findings(house, circuits=circuits).appliances
    found = {row.circuit: row for row in rows}
    one, other = found[circuit_a], found[circuit_b]
    if programme_a is None or programme_b is None:
        return compare_appliances(
            one, other, per=per or "day", weekly=weekly, worth_seeing=worth_seeing
        )
    if per is not None and per not in RUNS:
        raise HouseError(
            f"programmes are compared per run, not per {per}", fix="Leave out --per, or say run."
        )
    groups = {name: _programmes(house, finding) for name, finding in found.items()}
    name_a = _chosen(groups[circuit_a], programme_a, circuit_a)
    name_b = _chosen(groups[circuit_b], programme_b, circuit_b)
    if circuit_a == circuit_b:
        return compare_programmes(
            one,
            groups[circuit_a],
            a=name_a,
            b=name_b,
            tariff=house.tariff,
            weekly=weekly,
            per=per or "run",
            worth_seeing=worth_seeing,
        )
    return compare_appliances(
        _only(one, groups[circuit_a], name_a),
        _only(other, groups[circuit_b], name_b),
        per=per or "run",
        weekly=weekly,
        names=(f"{one.appliance}, {name_a}", f"{other.appliance}, {name_b}"),
        worth_seeing=worth_seeing,
    )


def _parted(text: str) -> tuple[str, str | None]:
    circuit, colon, programme = text.partition(":")
    return circuit, programme.strip() if colon else None


def _programmes(house: House, finding: ApplianceFinding) -> Programmes:
    names = [name for name in house.schedule.programmes if name.circuit == finding.circuit]
    return find_programmes(finding.cycles, names=names)


def _chosen(programmes: Programmes, asked: str, circuit: str) -> str:
    """Name of the programme that a person means."""
    names = list(programmes.table["name"])
    if asked in names:
        return asked
    if asked.isdecimal() and 1 <= int(asked) <= len(names):
        return str(names[int(asked) - 1])
    near = [name for name in names if asked and name.lower().startswith(asked.lower())]
    if len(near) == 1:
        return str(near[0])
    there = "\n  ".join(
        f"{circuit}:{number} is {row.name!r}, {row.n} runs"
        for number, row in enumerate(programmes.table.itertuples(), start=1)
    )
    what = "fits several programmes" if near else "is not a programme"
    raise HouseError(f"{asked!r} {what} of {circuit!r}", fix=there)


def _only(finding: ApplianceFinding, programmes: Programmes, name: str) -> ApplianceFinding:
    """The findings with the runs of one programme alone."""
    own = programmes.runs(name)
    table = finding.cycles.table[own].reset_index(drop=True)
    runs = int(np.sum(table["complete"]))
    return replace(finding, cycles=replace(finding.cycles, table=table), runs=runs)
