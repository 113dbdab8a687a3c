"""Remarks on circuits of which a bench comparison knows more than house.toml states."""

from __future__ import annotations

from homeenergy.errors import HouseError
from homeenergy.readings.house import House
from homeenergy.trust.check import bench_results


def bench_remarks(house: House) -> dict[str, str]:
    """Say, by circuit, that bench.csv knows a clamp of which no uncertainty is stated.

    Empty without a bench.csv, or with one that cannot be used, of which `check_house` complains.
    """
    try:
        results = bench_results(house)
    except HouseError:
        return {}
    remarks = {}
    for result in results:
        clamp = house.circuit(result.circuit).clamp
        if clamp.uncertainty is None and result.line_for(clamp):
            remarks[result.circuit] = (
                "bench.csv tells how far its clamp is known, house.toml does not: "
                "`homeenergy check` gives the line to write, and then the intervals hold it"
            )
    return remarks
