"""What the name of a circuit tells about it: mains, kind of appliance, breaker and clamp."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Collection, Sequence

_MAINS = {"mains", "main", "grid", "incoming", "incomer", "total", "supply", "service"}
_MAINS |= {"hausanschluss", "netz", "netzbezug", "netzanschluss", "hauptzähler", "hauptzaehler"}
_MAINS |= {"zuleitung", "gesamt", "gesamtverbrauch", "hauptleitung", "gesamtleistung"}
_MAINS |= {"gesamtstrom", "gesamtbezug", "hausverbrauch"}
_MAINS |= {"hoofdaansluiting", "hoofdmeter", "totaal", "réseau", "reseau", "général", "totale"}
_MAINS |= {"red", "acometida", "rete", "generale"}
_BESIDE_MAINS = {"breaker", "leg", "phase", "power", "meter", "house", "home", "whole", "left"}
_BESIDE_MAINS |= {"right", "in", "import", "use", "usage", "consumption", "active", "energy"}
_BESIDE_MAINS |= {"leistung", "verbrauch", "puissance", "consommation", "potencia", "potenza"}
_BESIDE_MAINS |= {"the", "l1", "l2", "l3", "1", "2", "3", "a", "b", "c", "panel", "haus", "maison"}
_WHOLE = {("whole", "house"), ("whole", "home"), ("house", "total"), ("home", "total")}


def looks_like_mains(label: str) -> bool:
    """Whether a label names the incoming supply, and nothing else."""
    words = re.split(r"[\s_().,/-]+", label.lower().strip("() "))
    if tuple(words[:2]) in _WHOLE:
        return set(words) <= _MAINS | _BESIDE_MAINS
    return bool(set(words) & _MAINS) and set(words) <= _MAINS | _BESIDE_MAINS


def same_name(label: str) -> str:
    """Give a name without its capitals and needless blanks, in which spellings of one differ."""
    return " ".join(label.casefold().split())


def meant_by(name: str, spelled: Sequence[str | None], listed: Collection[str]) -> list[int]:
    """Which of the names in a log are that of a circuit: those spelled so, and those like it.

    What differs in capitals and blanks alone is like it, unless it is like several that are listed.
    """
    like = [one for one in listed if same_name(one) == same_name(name)]
    return [
        at
        for at, one in enumerate(spelled)
        if one == name or (one and len(like) == 1 and same_name(one) == same_name(name))
    ]


# Plain words for appliances of which every make behaves so; what may be of several kinds, such as
# an air conditioner or a pump, is left to be found from the readings.
_KINDS = {
    "thermostatic": (
        "fridge refrigerator freezer kuhlschrank gefrierschrank gefriertruhe refrigerateur frigo "
        "congelateur koelkast vriezer frigorifero congelatore nevera frigorifico congelador"
    ),
    "batch": (
        "dishwasher washer spulmaschine geschirrspuler waschmaschine trockner kiln vaatwasser "
        "wasmachine wasdroger lavastoviglie lavatrice lavavajillas lavadora secadora dryer"
    ),
    "manual": (
        "oven kettle toaster microwave cooktop hob television tv wasserkocher backofen herd "
        "kochfeld mikrowelle fernseher four bouilloire waterkoker magnetron forno bollitore horno "
        "hervidor lights lamp light licht beleuchtung"
    ),
    "continuous": "router modem ventilation luftung",
}
_KIND_OF = {word: kind for kind, words in _KINDS.items() for word in words.split()}
_KIND_OF |= {"lave-vaisselle": "batch", "lave-linge": "batch", "seche-linge": "batch"}
_TWO = {"washing machine": "batch", "heat pump": "modulating", "warme pumpe": "modulating"}
_TWO |= {"warmepumpe": "modulating", "water heater": "thermostatic", "hot water": "thermostatic"}
_TWO |= {"well pump": "thermostatic", "sump pump": "thermostatic", "pompe a chaleur": "modulating"}
_TWO |= {"coffee machine": "manual", "coffee maker": "manual", "kaffeemaschine": "manual"}
_TWO |= {"machine a cafe": "manual", "koffiezetapparaat": "manual"}
_TWO |= {"tumble dryer": "batch", "chauffe-eau": "thermostatic", "boiler pump": ""}


_AND = "and|und|et|y|e|en"


def kind_of(label: str) -> str | None:
    """Kind of appliance that a label names plainly; None where it does not, or names several."""
    plain = unicodedata.normalize("NFKD", label.lower()).encode("ascii", "ignore").decode()
    plain = " ".join(re.split(r"[\s_.,/]+", plain))
    kinds = {kind for words, kind in _TWO.items() if words in plain}
    for words in _TWO:
        plain = plain.replace(words, " ")
    kinds |= {kind for word, kind in _KIND_OF.items() if word in plain.split()}
    several = re.search(rf"[&+]|\b(?:{_AND})\b", plain)
    return kinds.pop() or None if len(kinds) == 1 and not several else None


# A stroke is left out: a fridge/freezer or a washer/dryer is one machine.
_JOINT = re.compile(rf"\s+(?:{_AND})\s+|\s*[&+]\s*", re.IGNORECASE)


def loads_of(label: str) -> list[str]:
    """Appliances that a label joins, where all of them are plain names; else none."""
    parts = _JOINT.split(label.strip())
    return parts if 2 <= len(parts) <= 4 and all(map(kind_of, parts)) else []


_AMPS = re.compile(r"(?P<a>\d{2,3})\s*A\b")


def amps_in(label: str) -> tuple[float | None, float | None]:
    """Ratings of breaker and clamp [A] that a label states, as in "oven (breaker 32 A)"."""
    found = _AMPS.search(label)
    if not found:
        return None, None
    low, rating = label.lower(), float(found["a"])
    if re.search(r"\b(?:ct|clamp|wandler|pince)\b", low):
        return None, rating
    if re.search(r"\b(?:breaker|brk|mcb|fuse|sicherung|disjoncteur|automaat)\b", low):
        return rating, None
    return None, None
