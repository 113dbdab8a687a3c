"""A sample of a log, and what its columns of texts, dates and numbered heads tell."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from homeenergy.errors import HouseError
from homeenergy.house.layouts import LogLayout
from homeenergy.readings.logs.columns import Head, Holds, leg_of, read_head
from homeenergy.readings.logs.digits import split_unit, without_prefix
from homeenergy.readings.logs.labels import same_name
from homeenergy.readings.logs.sample import number
from homeenergy.readings.logs.time_formats import is_date, is_stamp, is_time_of_day
from homeenergy.units import H_PER_DAY

_LONG_NAMES = 400
_LOOKED_AT = 200  # cells
_LEAST_COUNTED = 10  # rows that are numbered one by one; own choice
_LEAST_REPEATS = 1.8  # rows at an instant of a log with a row for each circuit; own choice
_STATES = {"on", "off", "ok", "true", "false", "idle", "running", "standby", "good", "valid"}
_STATES |= {"ein", "aus", "an", "marche", "arret", "yes", "no", "active", "inactive", "online"}
_GOOD = {"good", "ok", "valid", "gut", "gültig", "bon", "bonne", "valide", "goed", "geldig"}
_BAD = {"bad", "invalid", "error", "err", "fault", "faulty", "fail", "failed", "nok", "suspect"}
_BAD |= {"stale", "uncertain", "ungültig", "fehler", "fehlerhaft", "schlecht", "erreur", "invalide"}
_BAD |= {"mauvais", "mauvaise", "fout", "ongeldig", "slecht"}
_QUALITY = {"quality", "validity", "qualität", "qualitaet", "qualité", "kwaliteit", "calidad"}
_WORD = re.compile(r"[^\W\d_]+")
_TIME_OR_NUMBER = re.compile(
    r"(?:h|he|hh|hr|hour|stunde|heure|uur|kwh|v|value|interval|period|wert)?"
    r"[ _]*\d{1,3}(?:[:.]\d\d.*)?",
    re.IGNORECASE,
)
_NUMBERED = re.compile(r"(.*?\D)\d{1,4}\s*")
_LONGEST_MARK = 2  # letters of what stands in every row, as N for "not estimated"
_MOST_MARKS = 4  # such as estimated, corrected, missing; own choice
_MOSTLY_GOOD = 0.9  # own choice
_ONE_PACE = 0.9  # of the steps between rows
# Symbols of IEC 80000-6, and V for volts.
_SYMBOLS: dict[str, Holds] = {"p": "power", "u": "volts", "v": "volts", "i": "amps"}
_SYMBOLS |= {"s": "apparent", "q": "reactive", "f": "other", "pf": "factor"}
_OF_POWER = {"active", "real"}  # where others are reactive or apparent
_BEFORE_SYMBOL = re.compile(r"(.*\w)[\s_.:/-]+")
_MOST_MEASURED = 20


@dataclass(slots=True)
class Table:
    """A sample of any log as texts: what the guesses look at.

    `hours` says when each row was logged [h], where that is known; `heads` are those of columns
    that have numbers for names although they have heads.
    """

    path: Path
    names: list[str | int]
    rows: Sequence[tuple[str, ...]]
    head: int
    decimal: str
    thousands: str = ""
    units: tuple[str, ...] | None = None
    hours: NDArray[np.float64] | None = None
    heads: tuple[str, ...] | None = None
    units_in_cells: bool = False
    file_unit: str = ""  # that the names of its files say
    ends: bool = False  # whether a head or 24:00 says that times mark the ends of periods
    in_utc: bool = False  # whether the times are written in UTC, whatever the zone of the house
    known: dict[str, float | None] = field(default_factory=dict)  # numbers of cells met before
    read: dict[str | int, NDArray[np.float64]] = field(default_factory=dict)
    stripped: dict[str | int, list[str]] = field(default_factory=dict)

    def cells(self, name: str | int, *, head: bool = False) -> Sequence[str]:
        """Cells of a column, at the head of the log only if stated."""
        if name not in self.stripped:
            at = self.names.index(name)
            self.stripped[name] = [row[at].strip() for row in self.rows]
        return self.stripped[name][: self.head] if head else self.stripped[name]

    def number(self, cell: str) -> float | None:
        """Value of a cell; NaN if it is missing, None if it is no number."""
        if cell not in self.known:
            text, unit = split_unit(cell) if self.units_in_cells else (cell, "")
            value = number(text, decimal=self.decimal, thousands=self.thousands)
            _, scale = without_prefix(unit)
            self.known[cell] = scale * value if scale != 1 and value is not None else value
        return self.known[cell]

    def filled(self, name: str | int) -> list[str]:
        """Cells of a column that are not empty."""
        return [cell for cell in self.cells(name) if cell]

    def values(self, name: str | int) -> NDArray[np.float64]:
        """Numbers of a column; NaN = missing, or a text."""
        if name not in self.read:
            read = [self.number(cell) for cell in self.cells(name)]
            self.read[name] = np.array([np.nan if value is None else value for value in read])
        return self.read[name]

    def head_of(self, name: str | int) -> Head:
        """What the head of a column says; of a unit that it leaves out, the files' names."""
        head = self._head_of(name)
        told = read_head(f"[{self.file_unit}]")
        if head.unit is None and head.holds in (None, told.holds):
            return replace(head, holds=told.holds, unit=told.unit)
        return head

    def _head_of(self, name: str | int) -> Head:
        if isinstance(name, int):
            unit = self.unit_of(name)
            told = read_head(self.heads[name - 1] if self.heads else "", unit=unit)
            return told if told.label else replace(told, label=f"Column {name}")
        unit = self.unit_of(name) or (self.units[self.names.index(name)] if self.units else "")
        if name.endswith((" A", "_A")) and f"{name[:-1]}B" in self.names:  # a leg, not amps
            head = read_head(name[:-1], unit=unit)
            return replace(head, label=f"{head.label} A")
        return self._by_symbol(name) or read_head(name, unit=unit)

    def _by_symbol(self, name: str) -> Head | None:
        """What a head says that ends with a symbol, as "fridge.U" next to "fridge.P" does."""
        found = _BEFORE_SYMBOL.match(name)
        if found is None or (holds := _SYMBOLS.get(name[found.end() :].casefold())) is None:
            return None
        same = {
            one[found.end() :].casefold()
            for one in map(str, self.names)
            if one.startswith(found[0])
        }
        return Head(label=found[1], holds=holds) if "p" in same and same & {"u", "v", "i"} else None

    def unit_of(self, name: str | int) -> str:
        """Unit in the cells of a column, that of most without a prefix; empty for none."""
        if not self.units_in_cells:
            return ""
        met = Counter(split_unit(cell)[1] for cell in self.filled(name)[:_LOOKED_AT])
        return without_prefix(met.most_common(1)[0][0])[0] if met else ""

    def logged_at(self) -> NDArray[np.float64]:
        """When each row was logged [h]; one after the other where that is not known."""
        return np.arange(float(len(self.rows))) if self.hours is None else self.hours


@dataclass(frozen=True, slots=True)
class Roles:
    """Which columns of texts name circuits, units, and what is measured."""

    circuit: str | int | None = None
    unit: str | int | None = None
    measured: str | int | None = None


def text_roles(table: Table, texts: Sequence[str | int]) -> Roles:
    """Find the column that names circuits, by what the others are."""
    roles: dict[str, str | int] = {}
    instead: dict[str, str | int] = {}
    for name in texts:
        different = {cell for cell in table.cells(name) if cell}
        counted = sum(table.number(text) is not None for text in different)
        if 2 * counted > len(different) and not numbers_circuits(table, name):
            continue  # numbers, with a word in place of most
        heads = [measured_of(text) for text in different]
        if not different or {text.casefold() for text in different} <= _STATES:
            continue
        if all(is_time_of_day(text) or is_date(text) or is_stamp(text) for text in different):
            continue  # the other end of a row's period
        if all(_is_unit(text) for text in different):  # also V beside W, which is a symbol too
            roles.setdefault("unit", name)
        elif len(different) > 1 and all(head.holds and not head.label for head in heads):
            roles.setdefault("measured", name)
        elif (
            len(different) <= _LONG_NAMES
            and read_head(str(name)).holds != "other"
            and not _marks_rows(table, name)
        ):
            # "power" in every row names a circuit only where nothing else does.
            of_all = len(different) == 1 and bool(heads[0].holds) and not heads[0].label
            (instead if of_all else roles).setdefault("circuit", name)
    return Roles(**(instead | roles))


def _marks_rows(table: Table, name: str | int) -> bool:
    """Whether a column says something of rows of one series, as that one was estimated.

    All rows follow each other at one pace then, and those of one text do not; or all hold the same
    letter.
    """
    if table.hours is None:
        return False
    who = np.array(table.cells(name), dtype=object)
    texts = set(who)
    if len(texts) == 1:
        return len(who[0]) <= _LONGEST_MARK
    return (
        len(texts) <= _MOST_MARKS
        and _at_one_pace(table.hours)
        and not all(_at_one_pace(table.hours[who == text]) for text in texts)
    )


def _at_one_pace(hours: NDArray[np.float64]) -> bool:
    steps = np.diff(np.sort(hours[~np.isnan(hours)]))
    usual = np.median(steps) if steps.size else 0.0
    if not usual:
        return not steps.size
    return bool(np.mean(np.abs(steps - usual) <= usual / 2) >= _ONE_PACE)


def kept_rows(table: Table, texts: Sequence[str | int], remarks: list[str]) -> dict[str, str]:
    """Which rows are good, where one column says so of each: it, and its word for that.

    Own rule. All its words are known for good or bad ones, and one of them for good. A column of
    which the head says so itself need not have a bad one in the rows looked at. Several columns may
    be of a circuit each; rows that one calls bad are left out as long as nine of ten stay.
    """
    found: dict[str, str] = {}
    for name in texts:
        met = Counter(cell for cell in table.cells(name) if cell)
        good = [text for text in met if text.casefold() in _GOOD]
        bad = {text: times for text, times in met.items() if text.casefold() in _BAD}
        of_quality = _QUALITY & set(_WORD.findall(str(name).casefold()))
        plain = len(good) == 1 and len(good) + len(bad) == len(met)
        if plain and isinstance(name, str) and (bad or of_quality):
            found[name] = good[0]
        elif bad or (of_quality and 1 < len(met) <= _MOST_MARKS):
            said = ", ".join(f"{text!r} in {times}" for text, times in met.most_common(_MOST_MARKS))
            remarks.insert(
                0,
                f"column {name!r} has {said} of {met.total()} rows: all are read alike. If some "
                "are no readings, take them out of the log, or write `only` into its [[log]]",
            )
    sound = [[cell == text for cell in table.cells(name)] for name, text in found.items()]
    if len(found) > 1 and np.mean(np.all(sound, axis=0)) < _MOSTLY_GOOD:  # of a circuit each
        remarks.insert(0, f"columns {listed([*found])} say which readings are bad: all are read")
        return {}
    remarks += [
        f"only rows with {text!r} in column {name!r} are read" for name, text in found.items()
    ]
    return found


def _is_unit(text: str) -> bool:
    """Whether a cell is the name of a unit, and nothing else."""
    head = read_head(text)
    return bool(head.unit) and not head.label.strip(text)


def measured_of(text: str) -> Head:
    """What a cell says that is measured: words, a unit, or the symbol of a quantity."""
    word = text.strip().casefold()
    holds = "power" if word in _OF_POWER else _SYMBOLS.get(word)
    return read_head(text) if holds is None else Head(label="", holds=holds)


def counts_rows(table: Table, name: str | int) -> bool:
    """Whether a column numbers the rows, one after the other; its head says nothing else."""
    steps = np.diff(table.values(name)[: table.head])
    if steps.size < _LEAST_COUNTED or table.head_of(name).holds is not None:
        return False
    return bool(np.all(steps == 1) or np.all(steps == -1))


def has_one_row(table: Table) -> bool:
    """Whether every instant has one row, as where each row holds all circuits."""
    return np.unique(table.logged_at()).size == len(table.rows)


def is_of_circuit(table: Table, circuit: str | int, name: str | int) -> bool:
    """Whether a column says the same in all rows of a circuit, as the number of a table does."""
    first: dict[str, str] = {}
    cells = zip(table.cells(circuit), table.cells(name), strict=True)
    return all(first.setdefault(who, cell) == cell for who, cell in cells)


def numbers_circuits(table: Table, name: str | int) -> bool:
    """Whether a column holds the numbers of circuits, of which each has a row at each instant."""
    values, hours = table.values(name), table.logged_at()
    different = np.unique(values)
    whole = not np.isnan(values).any() and bool(np.all(values == np.round(values)))
    if table.head_of(name).holds or not whole or not 2 <= different.size <= _LONG_NAMES:
        return False
    instants = np.unique(hours).size
    pairs = np.unique(np.column_stack([hours, values]), axis=0).shape[0]
    return pairs == values.size >= _LEAST_REPEATS * instants


def times_across(table: Table) -> HouseError:
    """Build the error for a table with a row for each day and a column for each time of it."""
    return HouseError(
        "seems to hold a row for each day and a column for each time of day",
        path=table.path,
        fix="Export it as a list, with a date and a time of day in each row.",
    )


def has_times_across(base: LogLayout, table: Table, numbers: Sequence[str | int]) -> bool:
    """Whether as many columns as a day has hours, or parts of them, are numbered or times."""
    named = [name for name in numbers if _TIME_OR_NUMBER.fullmatch(str(name).strip())]
    alike = Counter(found[1] for name in numbers if (found := _NUMBERED.fullmatch(str(name))))
    parts = max(alike.values(), default=0) >= 2 * (H_PER_DAY - 1)  # more than a panel has circuits
    return (len(named) >= H_PER_DAY - 1 or parts) and _has_dates_alone(base, table)


def _has_dates_alone(base: LogLayout, table: Table) -> bool:
    """Whether no column says at what time of its day a row was logged."""
    dates = table.filled(base.time_columns[0])
    return len(base.time_columns) == 1 and all(is_date(cell) for cell in dates)


def refuse_days_of_many_rows(base: LogLayout, table: Table) -> None:
    """Refuse a log whose times are dates alone, with many rows a day."""
    when = base.time_columns[0]
    dates = table.filled(when)
    if len(set(dates)) * 2 > len(dates) or not _has_dates_alone(base, table):
        return
    others = listed([name for name in table.names if name != when])
    raise HouseError(
        f"column {when!r} holds dates, and most have several rows: what tells the time of day of "
        f"each is not found among {others}",
        path=table.path,
        fix="Export the log with a date and a time of day in each row.",
    )


def one_spelling(table: Table, circuit: str | int, remarks: list[str]) -> NDArray[np.object_]:
    """Name the circuit of each row, in one spelling where some differ in capitals and blanks alone.

    Those that have readings at the same instants are circuits of their own.
    """
    who = np.array(table.cells(circuit), dtype=object)
    hours = table.logged_at()
    alike: dict[str, list[str]] = {}
    for name, _ in Counter(who).most_common():
        alike.setdefault(same_name(name), []).append(name)
    for first, *others in alike.values():
        instants = [set(hours[who == name]) for name in (first, *others)]
        if others and len(set.union(*instants)) == sum(map(len, instants)):
            who[np.isin(who, others)] = first
            remarks.append(
                f"{listed(others)} and {first!r} differ in capitals or blanks alone, and never "
                "have a reading at the same time: taken as one circuit"
            )
    return who


def refuse_several(table: Table, circuit: str | int, value: str | int) -> None:
    """Refuse several readings of a circuit at an instant that another column distinguishes."""
    keys = list(zip(table.cells(circuit), table.logged_at().tolist(), strict=True))
    values = table.values(value).tolist()
    seen: dict[tuple[str, float], list[float]] = {}
    for key, reading in zip(keys, values, strict=True):
        if reading == reading:
            seen.setdefault(key, []).append(reading)
    again = [some for some in seen.values() if len(some) > 1]
    if table.hours is None or len(again) < len(seen) / 10:
        return
    equal = sum(len(set(some)) > 1 for some in again) < len(seen) / 10  # as a repeat is, or a leg
    telling: dict[str | int, Sequence[str]] = {}
    for name in table.names:
        cells = table.cells(name)
        different = sorted(set(cells))
        if name in (circuit, value) or not 2 <= len(different) <= _MOST_MEASURED:
            continue
        if equal and not all(leg_of(text) for text in different):
            continue
        telling[name] = cells
        if len(set(zip(keys, cells, strict=True))) == len(keys):
            raise HouseError(
                f"column {name!r} tells several readings of a circuit at one instant from each "
                f"other: {listed(different)}; which is power is not clear",
                path=table.path,
                fix=f"Write the [[log]] block by hand, with only = {{ {name} = "
                f'"{different[0]}" }} for the rows that hold it. If they are parts of '
                "one power, such as legs, export their sum.",
            )
    if not equal and len(set(zip(keys, *telling.values(), strict=True))) == len(keys):
        raise HouseError(
            f"several rows are of one circuit, as column {circuit!r} names them, and of one "
            f"instant; columns {listed([*telling])} together tell them from each other",
            path=table.path,
            fix="Export a file for each circuit, or one column with a name for each.",
        )


def refuse_numbers_with_letters(table: Table, name: str | int, odd: Counter[str]) -> None:
    """Refuse cells such as 1.2k among plain numbers: they are readings, and not missing."""
    for cell in odd:
        number_of, letters = split_unit(cell)
        if letters and table.number(number_of) is not None and len(letters) == 1:
            raise HouseError(
                f"{cell!r} stands among plain numbers, as where {letters!r} is for a factor",
                path=table.path,
                column=name,
                fix="Export numbers without letters, all in one unit.",
            )


def listed(names: Sequence[str | int], *, most: int = 3) -> str:
    """Some names, and how many more there are."""
    more = len(names) - most
    some = ", ".join(repr(name) for name in names[:most])
    return f"{some} and {more} more" if more > 0 else some
