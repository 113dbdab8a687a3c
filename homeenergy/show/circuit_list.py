"""Which circuits a list shows, and in which order: by search, by leg, the largest first."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

import numpy as np

from homeenergy.house import Circuit
from homeenergy.readings.house import House
from homeenergy.show.view_data import circuit_labels

Order = Literal["as in the panel schedule", "largest first", "by leg"]
ORDERS: tuple[Order, ...] = ("as in the panel schedule", "largest first", "by leg")
SHOWN_FIRST = 6


def listed(
    house: House, *, search: str = "", leg: str | None = None, order: Order = ORDERS[0]
) -> tuple[Circuit, ...]:
    """Circuits that match, in order.

    Parameters
    ----------
    house : House
    search : str
        Words, of which each must occur in the circuit's name or its appliance; capitals are small.
    leg : str, optional
        Only circuits on this leg.
    order : str
        One of ORDERS. The largest are those with most energy in the log.
    """
    words = search.lower().split()
    labels = circuit_labels(house)
    found = [
        circuit
        for circuit in house.circuits
        if all(word in f"{circuit.name} {labels[circuit.name]}".lower() for word in words)
        and (leg is None or leg in circuit.legs)
    ]
    if order == "largest first":
        energies = energies_kwh(house)
        found.sort(key=lambda circuit: -energies.get(circuit.name, -np.inf))
    elif order == "by leg":
        found.sort(key=lambda circuit: (len(circuit.legs) != 1, circuit.legs))
    return tuple(found)


def energies_kwh(house: House) -> Mapping[str, float]:
    """Energy in the whole log of each circuit that has readings."""
    energies = {}
    for circuit in house.circuits:
        if house.has_readings(circuit) and (extent := house.overview.extent_ns(circuit)):
            energies[circuit.name] = house.overview.totals(circuit, *extent).energy_wh / 1000
    return energies


def circuits_to_begin_with(house: House) -> tuple[str, ...]:
    """The loads with most energy, in the order of the panel schedule; else whatever is there."""
    largest = [c for c in listed(house, order="largest first") if house.has_readings(c)]
    chosen = ([c for c in largest if c.role == "load"] or largest)[:SHOWN_FIRST]
    return tuple(circuit.name for circuit in house.circuits if circuit in chosen)


def circuit_text(house: House, circuit: Circuit) -> str:
    """Write a circuit for a list: what it feeds, and on which legs."""
    legs = f" ({', '.join(circuit.legs)})" if circuit.legs else ""
    missing = "" if house.has_readings(circuit) else ", no readings"
    return f"{circuit_labels(house)[circuit.name]}{legs}{missing}"
