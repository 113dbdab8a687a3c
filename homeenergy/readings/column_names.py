"""What a column's name says: the unit of its values, and a short name for its circuit."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable

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
    """Whether a name tells its unit, rather than only that it is of power."""
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
