"""What the columns of a log hold, inferred from their names and values."""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from collections.abc import Iterable, Sequence

import numpy as np

from homeenergy.house.layouts import Quantity

_UNIT = re.compile(
    r"^(.*?)[\s_.-]*[\[(]\s*(kwh|wh|kw|w|v|a)\s*[\])]$|^(.*?)[\s_.-]+(kwh|wh|kw|w|v|a)$", re.I
)
_SPELLED = {"kwh": "kWh", "wh": "Wh", "kw": "kW", "w": "W", "v": "V", "a": "A"}
_POWER = re.compile(r"power$", re.I)
_WORDS = (
    (re.compile(r"^(.*?)[\s_.-]*(watts?|power)$", re.I), "W"),
    (re.compile(r"^(.*?)[\s_.-]*(volts?|voltage)$", re.I), "V"),
    (re.compile(r"^(.*?)[\s_.-]*(amps?|amperes?|current)$", re.I), "A"),
)


def unit_in_name(name: str) -> tuple[str, str | None]:
    """Part a column's name into what it names and its unit.

    Returns
    -------
    stem, unit
        `unit` is one of W, kW, Wh, kWh, V, A, or None where the name does not tell.
    """
    if name.strip().lower() in _SPELLED:
        return name, _SPELLED[name.strip().lower()]
    found = _UNIT.match(name.strip())
    if found:
        stem = found[1] if found[2] else found[3]
        return stem or name, _SPELLED[(found[2] or found[4]).lower()]
    for pattern, unit in _WORDS:
        word = pattern.match(name.strip())
        if word:
            return word[1] or name, unit
    return name, None


def names_watts(name: str) -> bool:
    """Whether a name contains its unit, rather than only that it is of power."""
    return unit_in_name(name)[1] is not None and not _POWER.search(name.strip())


def circuit_names(stems: Iterable[str]) -> list[str]:
    """Short, different names made of letters, digits, _ and -."""
    names: list[str] = []
    for stem in stems:
        plain = unicodedata.normalize("NFKD", stem).encode("ascii", "ignore").decode()
        base = re.sub(r"[^a-z0-9-]+", "_", plain.lower()).strip("_-") or "circuit"
        name, number = base, 2
        while name in names:
            name, number = f"{base}_{number}", number + 1
        names.append(name)
    return names


FEW_FALLS = 0.1  # of the steps of a counter that change it: resets, late rows
LEAST_RISES = 5


def meaning(name: str, values: Sequence[float], remarks: list[str]) -> tuple[Quantity, str]:
    """Quantity and unit of readings; every guess becomes a remark.

    Parameters
    ----------
    name : str
        Of the column, with its unit where a line of units gives it.
    values : sequence of float
        Readings of some rows, in the order of the log; NaN = missing.
    remarks : list of str
        Is added to.
    """
    unit = unit_in_name(name)[1]
    there = np.array([value for value in values if value == value])
    counter = _is_counter(there)
    if unit in ("Wh", "kWh"):
        kind: Quantity = "energy_counter" if counter else "energy"
        why = (
            "the readings of a counter, since they only rise"
            if counter
            else "the energy of each row's period, since they rise and fall"
        )
        remarks.append(f"{name!r}: taken as {why}; check the quantity")
        return kind, unit
    if unit is None and counter and np.unique(there).size > LEAST_RISES:
        remarks.append(f"{name!r} only rises: taken as an energy counter in kWh, check the unit")
        return "energy_counter", "kWh"
    if unit is None or not names_watts(name):
        highest = f" (its highest reading is {there.max():g})" if there.size else ""
        remarks.append(f"{name!r} does not name its unit: taken as power in W{highest}, check")
    return "power", unit if unit in ("W", "kW") else "W"


def _is_counter(values: np.ndarray) -> bool:
    """Whether readings rise, but for a reset or a late row; a log may also run backwards."""
    steps = np.diff(values)
    ups, downs = int(np.count_nonzero(steps > 0)), int(np.count_nonzero(steps < 0))
    if values.size > 3 and downs == 0:
        return ups > 0
    return max(ups, downs) >= LEAST_RISES and min(ups, downs) <= FEW_FALLS * max(ups, downs)


def odd_cells(cells: Sequence[str], values: Sequence[float | None]) -> Counter[str]:
    """Texts among numbers, with how often they were met."""
    return Counter(cell for cell, value in zip(cells, values, strict=True) if value is None)


_MAINS = {"mains", "main", "grid", "incoming", "incomer", "total", "supply"}
_MAINS |= {"hausanschluss", "netz", "netzbezug", "netzanschluss", "hauptzähler", "hauptzaehler"}
_MAINS |= {"zuleitung", "gesamt", "gesamtverbrauch", "hauptleitung"}
_MAINS |= {"hoofdaansluiting", "hoofdmeter", "totaal", "réseau", "reseau", "général", "totale"}
_BESIDE_MAINS = {"breaker", "leg", "phase", "power", "meter", "house", "home", "whole", "left"}
_BESIDE_MAINS |= {"right", "in", "import", "use", "usage", "consumption", "active", "energy"}
_BESIDE_MAINS |= {"the", "l1", "l2", "l3", "1", "2", "3", "a", "b", "c"}


def looks_like_mains(label: str) -> bool:
    """Whether a label names the incoming supply, and nothing else."""
    words = set(label.lower().replace("_", " ").replace("-", " ").split())
    return bool(words & _MAINS) and words <= _MAINS | _BESIDE_MAINS
