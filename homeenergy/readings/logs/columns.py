"""What the columns of a log hold, inferred from their heads and values."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from homeenergy.house.log_columns import UNITS as KNOWN_UNITS
from homeenergy.house.log_columns import Quantity
from homeenergy.readings.logs.labels import looks_like_mains

Holds = Literal["power", "energy", "apparent", "reactive", "volts", "amps", "factor", "other"]

UNITS: dict[str, tuple[Holds, str]] = {
    **dict.fromkeys(("w", "watt", "watts"), ("power", "W")),
    **dict.fromkeys(("kw", "kilowatt", "kilowatts"), ("power", "kW")),
    **dict.fromkeys(("milliwatt", "milliwatts"), ("power", "mW")),
    **dict.fromkeys(("wh", "watthour", "watthours"), ("energy", "Wh")),
    **dict.fromkeys(("kwh", "kilowatthour", "kilowatthours"), ("energy", "kWh")),
    **dict.fromkeys(("kj", "kilojoule", "kilojoules"), ("energy", "kJ")),
    **dict.fromkeys(("mj", "megajoule", "megajoules"), ("energy", "MJ")),
    **dict.fromkeys(("va", "voltampere", "voltamperes"), ("apparent", "VA")),
    "kva": ("apparent", "kVA"),
    **dict.fromkeys(("v", "volt", "volts"), ("volts", "V")),
    **dict.fromkeys(("a", "amp", "amps", "ampere", "amperes"), ("amps", "A")),
    **{unit: ("reactive", unit) for unit in ("var", "kvar", "varh", "kvarh")},
    **{
        unit: ("other", unit)
        for unit in (
            *("°c", "°f", "ºc", "℃", "℉", "degc", "degf", "celsius", "fahrenheit", "%", "percent"),
            *("hz", "hertz", "lux", "lx", "hpa", "mbar", "rpm", "dbm", "ppm", "m3", "m³", "l/min"),
            *("l/h", "gal", "eur", "usd", "gbp", "chf", "€", "$", "£", "ct", "ma", "mv", "mw"),
            *("mwh", "gwh", "vah", "kvah", "j", "gj", "joule", "joules", "kcal"),
            *("ws", "kws", "wmin", "kwmin", "btu", "btu/h", "therm", "hp"),
            *("w/m2", "w/m²", "m/s", "km/h", "mph"),
        )
    },
}
# Whose capitals distinguish a thousandth from a million.
_BY_CAPITALS: dict[str, tuple[Holds, str]] = {
    "mW": ("power", "mW"),
    "MW": ("power", "MW"),
    "MWh": ("energy", "MWh"),
}
_PLAIN_UNITS = {"kw", "wh", "kwh", "kva", "watts"}  # also inside a head, as in "kWh today"
_IN_BRACKETS: dict[str, tuple[Holds, str]] = {
    unit: ("other", unit)
    for unit in (
        *("c", "f", "k", "s", "h", "min", "ms", "l", "-", "°", "g", "kg", "t", "g co2", "kg co2"),
        *("gco2", "kgco2", "mm", "cm", "m", "pa", "kpa", "bar", "db"),
    )
}
_SPOKEN: tuple[tuple[Holds, str], ...] = (
    ("power", "power leistung wirkleistung puissance potencia potenza vermogen demand"),
    ("energy", "energy energie énergie energía energia zählerstand zaehlerstand meterstand"),
    ("volts", "voltage spannung tension tensión tensione spanning voltaje"),
    ("amps", "current strom courant intensité corriente corrente stroom"),
    ("apparent", "apparent scheinleistung apparente aparente schijnbaar"),
    ("reactive", "reactive blindleistung réactive reactiva reattiva blindvermogen"),
    ("factor", "pf powerfactor cosphi cosφ leistungsfaktor arbeidsfactor"),
    (
        "other",
        "temperature temp temperatur température temperatura temperatuur humidity feuchte "
        "feuchtigkeit luftfeuchtigkeit humidité humedad umidità vochtigheid frequency "
        "frequenz fréquence frecuencia frequenza frequentie rssi signal price preis prix "
        "precio prezzo prijs cost costs kosten coût irradiance setpoint sollwert consigne runtime "
        "co2 emissions emissionen émissions emisiones emissioni emissies "
        "uptime laufzeit duration dauer durée count counts anzahl pulse pulses impulse "
        "quality validity status flag flags qualität qualité kwaliteit calidad "
        "impulses impulsions impulsos impulsi pulsen",
    ),
)
_WORDS: dict[str, Holds] = {word: holds for holds, words in _SPOKEN for word in words.split()}
_TWO_WORDS: dict[tuple[str, str], Holds] = {
    ("power", "factor"): "factor",
    ("cos", "phi"): "factor",
    ("cos", "φ"): "factor",
    ("apparent", "power"): "apparent",
    ("reactive", "power"): "reactive",
    ("puissance", "apparente"): "apparent",
    ("puissance", "réactive"): "reactive",
    ("potencia", "aparente"): "apparent",
    ("potencia", "reactiva"): "reactive",
    ("reactive", "energy"): "reactive",
    ("meter", "reading"): "energy",
    ("total", "energy"): "energy",
    ("facteur", "puissance"): "factor",
    ("factor", "potencia"): "factor",
}
_ADJECTIVES = {"active", "real", "true", "avg", "average", "mean", "instantaneous", "value", "wert"}
_ADJECTIVES |= {"aktiv", "aktive", "mittelwert", "moyenne", "media", "in", "de", "di"}
_ADJECTIVES |= {"consumption", "usage", "verbrauch", "consumo", "consommation", "verbruik"}
_EXTREMES = {"min", "max", "minimum", "maximum", "peak", "std", "stddev"}
_POWER_SYMBOL = "P"  # ISO 80000-6
_BRACKETS = re.compile(r"[\[({<]\s*([^\[\](){}<>]*?)\s*[\])}>]")
_SCALED = re.compile(r"(\w+)\s*[x×*/]\s*[\d.,]+")  # as W x10
_PER_HOUR = re.compile(r"\b(k?W)h\s?(?:/|\bper\b)\s?(?:h|hour)\b", re.IGNORECASE)  # a power
_PARTS = re.compile(r"[\s_.,;:/|-]+")
_KILO = re.compile(r"kWh?$")
_CAMEL = re.compile(r"(?<=[a-zà-ÿ])(?=[A-ZÀ-Þ])")


@dataclass(frozen=True, slots=True, kw_only=True)
class Head:
    """What the head of a column says.

    `label` is what is left without unit and quantity, empty where that is nothing; `holds` is None
    where the head does not say what the column holds, `unit` where it does not name it. `extreme`:
    the least, greatest or scatter of a row's period, not its mean.
    """

    label: str
    holds: Holds | None = None
    unit: str | None = None
    extreme: bool = False


def read_head(name: str, *, unit: str = "") -> Head:
    """Part the head of a column into a label, what it holds, and the unit.

    Parameters
    ----------
    name : str
    unit : str
        Of a line of units, where there is one.
    """
    name, unit = (_PER_HOUR.sub(r"\1", one) for one in (name, unit))
    told = _unit(unit.strip("[](){} ")) if unit else None
    text = name.strip()
    for found in _BRACKETS.finditer(name):
        named = _unit(found[1]) or _IN_BRACKETS.get(found[1].casefold())
        scaled = _SCALED.fullmatch(found[1])
        if scaled and _unit(scaled[1]):
            named = ("other", found[1])
        if named:
            told, text = told or named, text.replace(found[0], " ")
    parts = [part for part in _PARTS.split(text) if part]
    if len(parts) == 1 and _unit(parts[0]) is None:
        parts = _camel(parts[0])
    whole = len(parts)
    if told is None and parts:
        told = _unit(parts[-1])
        parts = parts[:-1] if told else parts
    if told is None:
        inside = [part for part in parts if part.casefold() in _PLAIN_UNITS]
        if len(inside) == 1:
            told = _unit(inside[0])
            parts.remove(inside[0])
    if parts == [_POWER_SYMBOL]:
        parts = ["power"]
    lower = [part.casefold() for part in parts]
    extreme = bool(lower and (lower[-1] in _EXTREMES or (len(lower) > 1 and lower[0] in _EXTREMES)))
    said = _said(lower)
    holds, spelled = told or (said, None)
    if holds == "power" and said in ("apparent", "reactive", "factor"):
        holds = said  # a head such as "apparent power [W]" contradicts itself: the word counts
    if said == "factor" and spelled in ("%", "percent"):
        holds = said
    kept = _named(parts, said)
    label = " ".join(kept) if len(kept) < whole else " ".join(text.split())
    return Head(label=label, holds=holds, unit=spelled, extreme=extreme)


def _camel(text: str) -> list[str]:
    """Part words that begin with a capital; a k before W is of the unit only after a known word.

    "powerkW" is power in kW, "deskW" that of a desk in W.
    """
    kilo = _KILO.search(text)
    before = _CAMEL.split(text[: kilo.start()]) if kilo else []
    if kilo and before[-1].casefold() in _WORDS:
        return [*before, kilo[0]]
    return _CAMEL.split(text)


def _unit(text: str) -> tuple[Holds, str] | None:
    plain = text.strip().replace("·", "").replace("*", "")
    found = _BY_CAPITALS.get(plain) or UNITS.get(plain.casefold())
    return ("other", text.strip()) if found and found[0] == "other" else found


def unit_in_name(stem: str) -> str:
    """Unit that the name of a file says, as in "fridge_kW"; empty for none, or several."""
    said = {part.casefold(): part for part in re.split(r"[\W_]+", stem)}
    units = _PLAIN_UNITS & said.keys()
    return said[units.pop()] if len(units) == 1 else ""


def head_words() -> dict[str, Holds]:
    """Give the words, and pairs of words with a space between, that say what a column holds."""
    return {**_WORDS, **{" ".join(pair): holds for pair, holds in _TWO_WORDS.items()}}


def _said(words: Sequence[str]) -> Holds | None:
    """What the words of a head say that it holds; the last that says so counts."""
    plain = [word for word in words if word not in ("de", "di", "of")]
    pairs = [_TWO_WORDS[pair] for pair in pairwise(plain) if pair in _TWO_WORDS]
    if pairs:
        return pairs[-1]
    said = [_WORDS[word] for word in plain if word in _WORDS]
    return said[-1] if said else None


_OF_FACTORS = {"factor", "facteur", "cos", "phi", "φ", "cosphi"}
_POWERED = {"tool", "tools", "strip", "outlet", "supply", "shower", "wall", "bank", "sockets"}


def _named(parts: Sequence[str], said: Holds | None) -> list[str]:
    """What a head names, without words for what it holds at its end or its beginning."""
    kept = list(parts)
    spoken = set(_WORDS) | _ADJECTIVES | _EXTREMES | (_OF_FACTORS if said == "factor" else set())
    while kept and (kept[-1].casefold() in spoken or (len(kept[-1]) > 2 and _unit(kept[-1]))):
        kept.pop()
        pair = tuple(part.casefold() for part in parts[max(len(kept) - 1, 0) : len(kept) + 1])
        if kept and pair in _TWO_WORDS:
            kept.pop()
    first = kept[0].casefold() if kept else ""
    if len(kept) > 1 and len(kept) == len(parts) and first in _WORDS:
        return kept if kept[1].casefold() in _POWERED else kept[1:]
    return kept


NO_UNIT = "head without a unit, taken as power in W"
FEW_FALLS = 0.1  # of the steps of a counter that change it: resets, late rows
LEAST_RISES = 5
_OTHER: dict[Quantity, Quantity] = {"energy": "energy_counter", "energy_counter": "energy"}
FEW_VALUES = 8  # that rise by chance once in 40 000 times
_SURE_RISES = 30  # of a counter whose head does not say so
_MOST_W = 100_000.0  # what no house takes on average; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class Meaning:
    """Quantity and unit of readings, and what of it is a guess (empty where nothing is)."""

    quantity: Quantity
    unit: str
    guess: str = ""


def meaning(head: Head, values: ArrayLike, hours: NDArray[np.float64]) -> Meaning:
    """Quantity and unit of the readings of a column of power or energy.

    Parameters
    ----------
    head : Head
    values : array-like, shape (n,)
        Readings of some rows, in the order of the log; NaN = missing.
    hours : numpy.ndarray, shape (n,)
        When each was logged [h].

    Notes
    -----
    Own rule. Where the head says energy, a counter rises but for some resets and late rows. Where
    the head says nothing, a counter is taken only where the numbers cannot be power: they never
    fall in at least 30 rises, at the beginning, in the middle and at the end of the log, and as
    kWh mean at most 100 kW. Where the head says power, it is power.
    """
    seen = np.asarray(values, dtype=np.float64)
    there = ~np.isnan(seen)
    counter = _is_counter(seen[there])
    if head.holds == "energy":
        unit = head.unit or "kWh"
        guess = "" if head.unit else f"head without a unit, taken as {unit}"
        if counter:
            return Meaning(quantity="energy_counter", unit=unit, guess=guess)
        return Meaning(quantity="energy", unit=unit, guess=guess)
    if head.holds is None and _cannot_be_power(seen[there], hours[there]):
        return Meaning(
            quantity="energy_counter",
            unit="kWh",
            guess="only rises, which power does not: taken as an energy counter in kWh",
        )
    if head.unit in KNOWN_UNITS["power"]:
        return Meaning(quantity="power", unit=head.unit)
    return Meaning(quantity="power", unit="W", guess=NO_UNIT)


def with_others(
    meanings: Sequence[Meaning], values: Sequence[NDArray[np.float64]]
) -> list[Meaning]:
    """Meanings of the circuits of a log, of which energies of few values are as most others.

    Neither a counter that does not move, nor equal energies of all rows, nor a few that happen to
    rise can be told by themselves.
    """
    different = [np.unique(one[~np.isnan(one)]).size for one in values]
    told = Counter(
        (one.quantity, one.unit)
        for one, number in zip(meanings, different, strict=True)
        if number > 1
    )
    out = []
    for one, number in zip(meanings, different, strict=True):
        other = _OTHER.get(one.quantity)
        if number <= FEW_VALUES and other and told[other, one.unit] > told[one.quantity, one.unit]:
            one = replace(one, quantity=other)
        out.append(one)
    return out


def _cannot_be_power(values: NDArray[np.float64], hours: NDArray[np.float64]) -> bool:
    steps, span_h = np.diff(values), float(np.ptp(hours)) if hours.size else 0.0
    if np.count_nonzero(steps > 0) < _SURE_RISES or steps.min() < 0 or span_h <= 0:
        return False
    return 1000.0 * (values[-1] - values[0]) / span_h <= _MOST_W


def _is_counter(values: NDArray[np.float64]) -> bool:
    """Whether readings rise, but for a reset or a late row; a log may also run backwards."""
    steps = np.diff(values)
    ups, downs = int(np.count_nonzero(steps > 0)), int(np.count_nonzero(steps < 0))
    if values.size > 3 and downs == 0:
        return ups > 0
    return max(ups, downs) >= LEAST_RISES and min(ups, downs) <= FEW_FALLS * max(ups, downs)


def odd_cells(cells: Sequence[str], values: Sequence[float | None]) -> Counter[str]:
    """Texts among numbers, with how often they were met."""
    return Counter(cell for cell, value in zip(cells, values, strict=True) if value is None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Columns that together give one circuit.

    `names` are those of `LogColumn`, `head` that of the first; `legs` are those of columns that
    are summed; `guess` says what was not plain.
    """

    head: Head
    names: tuple[str | int, ...]
    factor: str | int | None = None
    legs: tuple[str, ...] = ()
    guess: str = ""


def group_columns(
    heads: dict[str | int, Head], *, guess: bool = False
) -> tuple[list[Group], dict[str | int, str]]:
    """Which columns give a circuit, alone or together.

    Parameters
    ----------
    heads : dict
        Head of each column that holds numbers.
    guess : bool
        Whether amps and volt-amperes are power at a power factor of 1 where nothing states it, and
        amps at nominal volts where none are logged.

    Returns
    -------
    groups : list of Group
    left_out : dict
        Why each other column is left out.
    """
    devices: dict[str, dict[str | int, Head]] = {}
    for name, head in heads.items():
        devices.setdefault(head.label.casefold(), {})[name] = head
    shared = {  # one voltage or power factor serves all
        holds: names[0]
        for holds in ("volts", "factor")
        if len(names := [n for n, head in heads.items() if head.holds == holds]) == 1
    }
    groups: list[Group] = []
    left_out: dict[str | int, str] = {}
    for device in devices.values():
        found, why = _one_device(device, shared, guess=guess)
        groups += found
        left_out |= why
    used = {name for group in groups for name in (*group.names, group.factor)}
    return groups, {name: why for name, why in left_out.items() if name not in used}


_LEFT_OUT: dict[Holds, str] = {
    "reactive": "is reactive power, not watts",
    "volts": "holds volts, which need amps and a power factor to give watts",
    "amps": "holds amps, which need volts and a power factor to give watts",
    "factor": "is a power factor",
    "apparent": "is apparent power, which needs a power factor to give watts",
}


def _one_device(
    device: dict[str | int, Head], shared: dict[str, str | int], *, guess: bool
) -> tuple[list[Group], dict[str | int, str]]:
    """Circuits of the columns that share a label, from what is nearest to power."""
    by: dict[Holds | None, list[str | int]] = {}
    for name, head in device.items():
        by.setdefault(head.holds, []).append(name)
    left_out: dict[str | int, str] = {}
    for holds, names in by.items():
        for name in names:
            if holds == "other":
                unit = device[name].unit
                left_out[name] = f"holds {unit}, not power" if unit else "is no power by its name"
            elif holds in _LEFT_OUT:
                left_out[name] = _LEFT_OUT[holds]
    chosen = by.get("power", []) + by.get(None, [])
    if chosen:
        left_out |= dict.fromkeys(by.get("energy", []), "is energy, and there is its power as well")
    chosen = chosen or by.get("energy", [])
    means = [name for name in chosen if not device[name].extreme]
    if means:
        left_out |= {
            name: "is no mean, and there is the mean as well"
            for name in chosen
            if device[name].extreme
        }
    groups = [
        Group(
            head=device[name],
            names=(name,),
            guess="" if means else "the least or greatest power of its period, not the mean",
        )
        for name in means or chosen
    ]
    factor = next(iter(by.get("factor", [])), shared.get("factor"))
    if not groups and (factor is not None or guess):
        volts = next(iter(by.get("volts", [])), shared.get("volts"))
        taken = [] if factor is not None else ["a power factor of 1"]
        of: tuple[str | int, ...] = ()
        if by.get("apparent"):
            of = (by["apparent"][0],)
        elif by.get("amps") and volts is not None:
            of = (volts, by["amps"][0])
        elif by.get("amps") and guess:
            of = (by["amps"][0],)
            taken.append("nominal volts")
        if of:
            why = f"no power: taken at {' and '.join(taken)}" if taken else ""
            groups = [Group(head=device[of[-1]], names=of, factor=factor, guess=why)]
    return groups, left_out


_LEG = re.compile(
    r"^(?P<base>.*?)[\s_.,/(-]*(?:\b|_)(?P<word>leg|phase|line|hot|pole|ph|l)?[\s_.-]*"
    r"(?P<leg>[123]|[abc])\)?$",
    re.IGNORECASE,
)
_SIDES = re.compile(
    r"^(?P<base>.+?)[\s_.,/(-]+(?P<leg>left|right)(?:[\s_-]*leg)?\)?$", re.IGNORECASE
)


def leg_of(label: str) -> tuple[str, str, bool] | None:
    """Part a label that ends with a leg into what it names and the leg (L1, L2, L3).

    Returns
    -------
    (base, leg, plain) or None
        `plain` where a word says that it is a leg, as in "dryer L1" or "dryer leg A"; "dryer A"
        may as well be the first of two dryers.
    """
    side = _SIDES.match(label.strip())
    if side:
        return side["base"].strip(), {"left": "L1", "right": "L2"}[side["leg"].lower()], False
    found = _LEG.match(label.strip())
    if found is None or (found["word"] is None and found["leg"].isdigit()):
        return None
    if found["word"] and not found["leg"].isdigit() and found["word"].lower() == "l":
        return None
    return found["base"].strip(" _-,/("), leg_marked(found["leg"]), found["word"] is not None


def leg_marked(mark: str) -> str:
    """The leg that a number or a letter marks: "2" and "b" are L2."""
    return f"L{'123abc'.index(mark.lower()) % 3 + 1}"


def names_mains(label: str) -> bool:
    """Whether a label names the incoming supply, or one leg of it and nothing else."""
    leg = leg_of(label)
    return looks_like_mains(label) or (leg is not None and not leg[0] and leg[2])


def sum_legs(
    groups: Sequence[Group], *, same_load: dict[str, bool], separate: Iterable[str]
) -> list[Group]:
    """Sum columns that are the legs of one load.

    Parameters
    ----------
    groups : sequence of Group
    same_load : dict
        For labels (in small letters) whose legs are not plain: whether their readings go up and
        down together.
    separate : iterable of str
        Labels in small letters whose legs stay circuits of their own, such as the mains.
    """
    kept = set(separate)
    parted: dict[str, list[tuple[str, bool, Group]]] = {}
    for group in groups:
        found = leg_of(group.head.label)
        if found and len(group.names) == 1:
            parted.setdefault(found[0].casefold(), []).append((found[1], found[2], group))
    out, done = [], set()
    for group in groups:
        if id(group) in done:
            continue
        found = leg_of(group.head.label)
        legs = parted.get(found[0].casefold(), []) if found and found[0] else []
        alike = {(one.head.holds, one.head.unit) for _, _, one in legs}
        plain = all(plain for _, plain, _ in legs)
        different = len({leg for leg, _, _ in legs}) == len(legs) > 1
        if not found or not different or len(alike) > 1 or found[0].casefold() in kept:
            out.append(group)
        elif group.head.holds == "energy" or (not plain and not same_load.get(found[0].casefold())):
            why = "may be a leg of one load with the others of its name"
            out.append(replace(group, guess=group.guess or why))
        else:
            done |= {id(one) for _, _, one in legs}
            out.append(
                Group(
                    head=replace(group.head, label=found[0]),
                    names=tuple(one.names[0] for _, _, one in legs),
                    legs=tuple(leg for leg, _, _ in legs),
                    guess="" if plain else "its legs are summed, since they work together",
                )
            )
    return out
