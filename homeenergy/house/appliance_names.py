"""What appliances are called where several circuits of a house feed one of a name."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from homeenergy.house.schedule import Circuit


def appliance_names(circuits: Sequence[Circuit]) -> dict[str, str]:
    """Name of the appliance of each circuit, with the circuit's where several would be the same.

    Parameters
    ----------
    circuits : sequence of Circuit
        All of a house, so that a name does not depend on what is looked at.

    Examples
    --------
    >>> from homeenergy.house.schedule import Circuit
    >>> from homeenergy.house.appliance_names import appliance_names
    >>> kitchen, cellar = (Circuit(name=n, appliance="Fridge") for n in ("kitchen", "cellar"))
    >>> appliance_names([kitchen, cellar, Circuit(name="oven", appliance="Oven")])
    {'kitchen': 'Fridge (kitchen)', 'cellar': 'Fridge (cellar)', 'oven': 'Oven'}
    """
    count = Counter(c.appliance.casefold() for c in circuits)
    return {
        c.name: f"{c.appliance} ({c.name})" if count[c.appliance.casefold()] > 1 else c.appliance
        for c in circuits
    }
