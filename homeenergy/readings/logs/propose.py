"""From a sample of a log to a proposed layout: which circuits it holds, and in what unit."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from homeenergy.errors import HouseError
from homeenergy.house.layouts import LogLayout, layout_toml
from homeenergy.house.log_columns import LONGEST_UNIT, NOMINAL_V, LogColumn, scale_of
from homeenergy.house.schedule import circuit_names
from homeenergy.house.schema import toml_key, toml_value
from homeenergy.readings.logs.columns import (
    NO_UNIT,
    Group,
    Head,
    Meaning,
    group_columns,
    leg_of,
    meaning,
    odd_cells,
    read_head,
    sum_legs,
    with_others,
)
from homeenergy.readings.logs.digits import split_unit, without_prefix
from homeenergy.readings.logs.labels import looks_like_mains, same_name
from homeenergy.readings.logs.pace import Source
from homeenergy.readings.logs.read import FACTOR_MOST, Rows
from homeenergy.readings.logs.roles import (
    Roles,
    Table,
    counts_rows,
    has_one_row,
    has_times_across,
    is_of_circuit,
    kept_rows,
    listed,
    measured_of,
    numbers_circuits,
    one_spelling,
    refuse_days_of_many_rows,
    refuse_numbers_with_letters,
    refuse_several,
    text_roles,
    times_across,
)
from homeenergy.readings.logs.tables import MISSING, STATES

_ON_OFF = {word: float(number) for word, number in STATES.items()} | {"1": 1.0, "0": 0.0}
_MOST_ODD = 10  # a tenth of the cells of a column of states; own choice
_FEW_WORDS = 5  # different ones in place of numbers; own choice
_SAME_ENERGY = 0.1  # share by which they may differ, as readings are rounded; own choice
_VERY_NEARLY = 0.01
_TOGETHER = 0.9  # share of the samples with load in which both legs have it; own choice
_ABSURD_KW = 100.0  # no circuit of a house carries more; common practice, no source
_SHARED_NAME = "shares its name with another, but for capitals and blanks"


@dataclass(frozen=True, slots=True, kw_only=True)
class Description:
    """A proposed layout, what was seen, and what a person should check.

    `labels` holds the log's own name of each circuit, and `unnamed` lists those that it has no name
    for but what they hold; `legs` those whose columns say on which legs they are. `samples` holds
    some readings of each as logged, `doubts` what of it is a guess; `mains` those that the readings
    show to be the mains. `sources` are rows that were looked at, up to some millions, moved to
    where no file was passed over between them; `span_ns` is the first and last instant of all.
    `rows` are those of the first file with all circuits, and `on_change` says whether they come on
    change.
    """

    layout: LogLayout
    labels: dict[str, str]
    remarks: tuple[str, ...]
    legs: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    samples: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    doubts: Mapping[str, str] = field(default_factory=dict)
    unnamed: frozenset[str] = frozenset()
    mains: frozenset[str] = frozenset()
    sources: Sequence[Source] = field(default=(), repr=False, compare=False)
    span_ns: tuple[int, int] = (0, 0)
    rows: Sequence[Rows] = field(default=(), repr=False, compare=False)
    on_change: bool = False

    def toml(self) -> str:
        """Give the layout as a [[log]] block of house.toml, remarks as comments above it."""
        return layout_toml(self.layout, remarks=self.remarks)

    def __str__(self) -> str:
        return self.toml()


def propose(base: LogLayout, table: Table, remarks: list[str]) -> Description:
    """Find the columns that hold readings, and what they mean.

    Raises
    ------
    HouseError
        If no column holds power or energy.
    """
    others = [name for name in table.names if name not in base.time_columns]
    numbers: list[str | int] = []
    texts: list[str | int] = []
    missing: set[str] = set()
    for name in others:
        cells = table.filled(name)
        values = [table.number(cell) for cell in cells]
        odd = odd_cells(cells, values)
        refuse_numbers_with_letters(table, name, odd)
        # A head that says power holds numbers, though most cells say OFF in place of one.
        said = table.head_of(name).holds in ("power", "energy") and len(odd) <= _FEW_WORDS
        few = odd.total() < len(cells) if said else odd.total() * 2 <= len(cells)
        if cells and not few:
            texts.append(name)
        elif any(value is not None and value == value for value in values):
            numbers.append(name)
            missing |= set(odd)
            remarks += [
                f"column {name!r}: {cell!r} is not a number, and occurs in {times} of the "
                f"{len(cells)} rows looked at: taken as missing"
                for cell, times in odd.items()
            ]
        else:
            remarks.append(f"column {name!r} is empty in the rows looked at, and left out")
    counting = [name for name in numbers if counts_rows(table, name)]
    if counting and len(counting) < len(numbers):
        numbers = [name for name in numbers if name not in counting]
        remarks.append(f"column {listed(counting)} is left out: it numbers the rows")
    base = replace(base, missing=tuple(sorted(missing)))
    numbered = [name for name in numbers if not texts and numbers_circuits(table, name)][:1]
    numbers, texts = [name for name in numbers if name not in numbered], [*texts, *numbered]
    if not numbers:
        return _states(base, table, texts, remarks)
    if has_times_across(base, table, numbers):
        raise times_across(table)
    heads = {name: table.head_of(name) for name in numbers}
    groups, left_out = group_columns(heads)
    if not groups:
        groups, left_out = group_columns(heads, guess=True)
    remarks += _left_out_remarks(left_out)
    only = kept_rows(table, [*texts, *numbers], remarks)
    base = replace(base, only=only)
    texts = [name for name in texts if name not in only]
    roles = text_roles(table, texts)
    if roles.circuit is not None:  # a number of a channel beside it is no reading
        groups.sort(key=lambda group: group.head.holds not in ("power", "energy"))
    if roles.circuit is not None and len(groups) > 1:
        same = [g for g in groups if is_of_circuit(table, roles.circuit, g.names[0])]
        groups = [g for g in groups if g not in same] or groups
    series = len(groups) > 1 and all(g.head.holds == "power" for g in groups) and has_one_row(table)
    if (
        roles.circuit is not None
        and 1 <= len(groups) <= 2
        and len(groups[0].names) == 1
        and not series  # of which a column of texts says how the rows are
    ):
        for group in groups[1:]:
            remarks.append(f"column {group.names[0]!r} is left out")
        if numbered:
            refuse_days_of_many_rows(base, table)
        return _long(base, table, roles, groups[0].names[0], remarks)
    units = {cell for cell in table.cells(roles.unit) if cell} if roles.unit is not None else set()
    remarks += [
        f"column {name!r} holds texts, and is left out"
        for name in texts
        if name != roles.unit or len(units) != 1
    ]
    if not groups:
        reasons = "; ".join(f"{name!r} {why}" for name, why in left_out.items())
        raise HouseError(
            f"no column holds power or energy: {reasons}",
            path=table.path,
            fix="A column that is power all the same needs a head that says so. The temperature "
            "of a wire, flue or pipe says when a load is on: write "
            'quantity = "temperature".',
        )
    refuse_days_of_many_rows(base, table)
    if len(units) == 1:
        told = units.pop()
        groups = [_with_unit(group, told) for group in groups]
        remarks.append(f"the unit is that of column {roles.unit!r}: {told}")
    remarks += _to_look_at(heads, left_out)
    return _wide(base, table, groups, remarks)


def _to_look_at(heads: Mapping[str | int, Head], left_out: Mapping[str | int, str]) -> list[str]:
    """How to keep what is no power, such as volts, for the viewer."""
    found = [
        (name, head.unit)
        for name, head in heads.items()
        if name in left_out and head.holds in ("volts", "other")
        if head.unit and len(head.unit) <= LONGEST_UNIT
    ]
    if not found:
        return []
    own = circuit_names([str(name) for name, _ in found])
    lines = [
        f"{toml_key(key)} = {toml_value({'column': name, 'quantity': 'other', 'unit': unit})}"
        for key, (name, unit) in zip(own, found, strict=True)
    ]
    more = f", and {len(lines) - 3} more in the same way" if len(lines) > 3 else ""
    what = f"to look at what is no power as well, add to [log.columns]{more}: "
    return [what + "; ".join(lines[:3])]


def _with_unit(group: Group, unit: str) -> Group:
    """A group with a unit that its head does not name."""
    told = read_head(str(group.names[0]), unit=unit)
    of_power = group.head.unit is None and told.holds in ("power", "energy")
    return replace(group, head=replace(told, label=group.head.label)) if of_power else group


def _states(
    base: LogLayout, table: Table, texts: Sequence[str | int], remarks: list[str]
) -> Description:
    """Circuits of a log that says when something was on, and no numbers."""
    states: list[str | int] = []
    missing: set[str] = set(base.missing)
    for name in texts:
        cells = [cell for cell in table.filled(name) if cell not in MISSING]
        odd = Counter(cell for cell in cells if cell.casefold() not in _ON_OFF)
        if cells and odd.total() * _MOST_ODD <= len(cells):
            states.append(name)
            missing |= set(odd)
            remarks += [
                f"column {name!r}: {cell!r} is neither on nor off, and occurs in {times} of the "
                f"{len(cells)} rows looked at: taken as missing"
                for cell, times in odd.items()
            ]
    if not states:
        raise HouseError("no column holds numbers, and none holds on and off", path=table.path)
    words = {cell for name in states for cell in table.filled(name)}
    table.known |= {cell: _ON_OFF.get(cell.casefold(), float("nan")) for cell in words}
    base = replace(base, missing=tuple(sorted(missing)))
    circuit = text_roles(table, [name for name in texts if name not in states]).circuit
    who = None if circuit is None else np.array(table.cells(circuit), dtype=object)
    names = states if who is None else sorted({cell for cell in who if cell})
    labels = [
        head.label or str(name) for name, head in ((one, read_head(str(one))) for one in names)
    ]
    found, columns = _Found(table), {}
    for name, label, own in zip(names, labels, circuit_names(labels), strict=True):
        columns[own] = LogColumn(names=(name,), quantity="state", unit="on")
        values = table.values(name) if who is None else table.values(states[0])[who == name]
        found.add(own, Group(head=Head(label=label), names=(name,)), label, values, None)
    remarks.append(
        f"{listed(names)}: on and off, without watts. It gives runs and hours; for energy, write "
        "watts of each into its [[circuit]]"
    )
    if circuit is None:
        return found.description(replace(base, columns=columns), remarks)
    layout = replace(
        base, layout="long", circuit_column=circuit, value_column=states[0], columns=columns
    )
    return found.description(layout, remarks)


def _factor_unit(table: Table, name: str | int | None) -> Literal["1", "%"]:
    """Unit of a column of power factors, which are in percent where one is above 1."""
    if name is None or np.nanmax(np.abs(table.values(name)), initial=0.0) <= FACTOR_MOST:
        return "1"
    return "%"


def _left_out_remarks(left_out: Mapping[str | int, str]) -> list[str]:
    by_reason: dict[str, list[str | int]] = {}
    for name, why in left_out.items():
        by_reason.setdefault(why, []).append(name)
    return [f"column {listed(names)} is left out: it {why}" for why, names in by_reason.items()]


def _wide(
    base: LogLayout, table: Table, groups: Sequence[Group], remarks: list[str]
) -> Description:
    groups = _without_energies_of_powers(table, groups, remarks)
    mains = {g.head.label.casefold() for g in groups if looks_like_mains(g.head.label)}
    of_legs = {leg[0] for label in mains if (leg := leg_of(label)) is not None}
    groups = sum_legs(groups, same_load=_same_load(table, groups), separate=of_legs | mains)
    labels = [_label(group) for group in groups]
    circuits = circuit_names(
        label.replace("Column ", "circuit_") if not base.header else label for label in labels
    )
    alike = Counter(map(same_name, labels))
    found = _Found(table)
    columns = {}
    hours = table.logged_at()
    readings: list[NDArray[np.float64]] = [
        np.sum([table.values(name) for name in group.names], axis=0) for group in groups
    ]
    meanings = with_others(
        [meaning(g.head, own, hours) for g, own in zip(groups, readings, strict=True)], readings
    )
    for circuit, label, group, values, meant in zip(
        circuits, labels, groups, readings, meanings, strict=True
    ):
        head = group.head
        if alike[same_name(label)] > 1 and not group.guess:
            group = replace(group, guess=_SHARED_NAME)
        if head.holds in ("amps", "apparent"):
            columns[circuit] = LogColumn(
                names=group.names,
                quantity="volts_and_amps" if head.holds == "amps" else "apparent_power",
                unit="V A" if head.holds == "amps" else head.unit or "VA",
                power_factor=None if group.factor is not None else 1.0,
                volts_v=NOMINAL_V if head.holds == "amps" and len(group.names) == 1 else None,
                factor_column=group.factor,
                factor_unit=_factor_unit(table, group.factor),
            )
            found.add(circuit, group, label, table.values(group.names[-1]), None)
            continue
        columns[circuit] = LogColumn(names=group.names, quantity=meant.quantity, unit=meant.unit)
        found.add(circuit, group, label, values, meant)
    remarks += found.remarks()
    return found.description(replace(base, columns=columns), remarks)


def _without_energies_of_powers(
    table: Table, groups: Sequence[Group], remarks: list[str]
) -> list[Group]:
    """Columns without the energies of loads whose power is logged as well, as "fridge today".

    Own rule. The label of the energy begins with that of the power, and in the rows looked at it
    rises by what the power gives. Without such a label it stays, and is in doubt where it rises by
    very nearly what a power gives.
    """
    powers = [g for g in groups if g.head.holds == "power" and len(g.names) == 1]
    kept = []
    for group in groups:
        label = group.head.label.casefold()
        of = [g for g in powers if label.startswith(f"{g.head.label.casefold()} ")]
        if group.head.holds != "energy":
            kept.append(group)
        elif not of:
            near = [g for g in powers if _is_energy_of(table, group, g, within=_VERY_NEARLY)]
            may = f"may be the energy of {near[0].names[0]!r}" if near else ""
            kept.append(replace(group, guess=group.guess or may))
        elif any(_is_energy_of(table, group, power) for power in of):
            remarks.append(
                f"column {group.names[0]!r} is left out: it is the energy of {of[0].names[0]!r}"
            )
        else:
            kept.append(replace(group, guess=f"may be the energy of {of[0].names[0]!r}"))
    return kept


def _is_energy_of(
    table: Table, energy: Group, power: Group, *, within: float = _SAME_ENERGY
) -> bool:
    """Whether an energy, counted on or of each row, is what a power gives."""
    order = np.argsort(table.logged_at(), kind="stable")
    hours = table.logged_at()[order]
    wh, watts = (
        table.values(one.names[0])[order] * scale_of(one.head.unit or "kWh")
        for one in (energy, power)
    )
    steps = np.diff(hours)
    near = (steps > 0) & (steps <= 1.5 * np.median(steps))  # a sample has gaps
    given = float(np.nansum((steps * (watts[1:] + watts[:-1]) / 2)[near]))
    told = np.clip(np.diff(wh), 0.0, None), wh[1:]
    sums = [float(np.nansum(one[near])) for one in told]
    return given > 0 and any(abs(one - given) <= within * given for one in sums)


def _label(group: Group) -> str:
    name = group.names[-1]
    if group.head.label:
        return group.head.label
    return str(name) if isinstance(name, str) and name.strip() else f"Column {name}"


def _same_load(table: Table, groups: Sequence[Group]) -> dict[str, bool]:
    """For labels such as "dryer A" and "dryer B": whether they have load at the same instants."""
    by_base: dict[str, list[NDArray[np.float64]]] = {}
    for group in groups:
        base, _, side = group.head.label.rpartition(" ")
        if base and side.casefold() in ("a", "b", "c", "left", "right"):
            by_base.setdefault(base.casefold(), []).append(table.values(group.names[0]))
    together = {}
    for base, columns in by_base.items():
        on = [values > max(0.05 * np.nanmax(values, initial=0.0), 1e-3) for values in columns]
        either, both = np.any(on, axis=0), np.all(on, axis=0)
        varies = either.any() and not either.all()
        together[base] = bool(varies and both.sum() >= _TOGETHER * either.sum())
    return together


@dataclass(slots=True)
class _Found:
    """What is gathered of each circuit on the way."""

    table: Table
    labels: dict[str, str] = field(default_factory=dict)
    legs: dict[str, tuple[str, ...]] = field(default_factory=dict)
    samples: dict[str, tuple[float, ...]] = field(default_factory=dict)
    doubts: dict[str, str] = field(default_factory=dict)
    unnamed: set[str] = field(default_factory=set)
    guesses: dict[str, list[tuple[str, float]]] = field(default_factory=dict)
    energies: dict[str, list[str]] = field(default_factory=dict)

    def add(
        self,
        circuit: str,
        group: Group,
        label: str,
        values: NDArray[np.float64],
        meant: Meaning | None,
    ) -> None:
        """Note what is known of a circuit."""
        self.labels[circuit] = label
        if not group.head.label or group.head.label == f"Column {group.names[-1]}":
            self.unnamed.add(circuit)
        if group.legs:
            self.legs[circuit] = group.legs
        there = values[~np.isnan(values)]
        if there.size:
            farthest = there[np.argmax(np.abs(there))]
            self.samples[circuit] = (float(there[0]), float(farthest), float(there[-1]))
        guess = group.guess or (meant.guess if meant else "")
        named = str(group.names[0])
        if guess:
            self.doubts[circuit] = guess
            highest = float(there.max()) if there.size else np.nan
            self.guesses.setdefault(guess, []).append((named, highest))
        if meant and meant.quantity != "power":
            self.energies.setdefault(meant.quantity, []).append(named)

    def remarks(self) -> list[str]:
        """One remark for each guess and quantity, however many circuits it is about.

        Readings that would be absurd in kW are in W, and then nothing is in doubt.
        """
        out = []
        unnamed = self.guesses.get(NO_UNIT, [])
        of_all = len(unnamed) == len(self.labels)  # where others have a unit, it is no slip
        if of_all and any(highest > _ABSURD_KW for _, highest in unnamed):
            self.doubts = {c: doubt for c, doubt in self.doubts.items() if doubt != NO_UNIT}
        for quantity, names in self.energies.items():
            why = (
                "the readings of a counter, since they only rise"
                if quantity == "energy_counter"
                else "the energy of each row's period, since they rise and fall"
            )
            out.append(f"{listed(names)}: taken as {why}; check the quantity")
        for guess, about in self.guesses.items():
            name, highest = max(about, key=lambda one: one[1])
            of = f", of {name!r}" if len(about) > 1 else ""
            top = f" (the highest reading is {highest:g}{of})" if highest == highest else ""
            out.append(f"{listed([name for name, _ in about])}: {guess}{top}, check")
        return out

    def description(self, layout: LogLayout, remarks: Sequence[str]) -> Description:
        """All of it."""
        return Description(
            layout=layout,
            labels=self.labels,
            remarks=tuple(remarks),
            legs=self.legs,
            samples=self.samples,
            doubts=self.doubts,
            unnamed=frozenset(self.unnamed),
        )


def _long(
    base: LogLayout, table: Table, roles: Roles, value: str | int, remarks: list[str]
) -> Description:
    """Circuits of a log with a row for each reading."""
    assert roles.circuit is not None
    who = one_spelling(table, roles.circuit, remarks)
    values, hours = table.values(value), table.logged_at()
    value_head = table.head_of(value)
    wanted = ~np.isnan(values)
    only = dict(base.only)
    for column, text in only.items():
        wanted &= np.array(table.cells(column), dtype=object) == text
    if roles.measured is not None:
        measured = np.array(table.cells(roles.measured), dtype=object)
        kinds = {text: measured_of(text) for text in sorted(set(measured)) if text}
        best = [t for holds in ("power", "energy") for t, h in kinds.items() if h.holds == holds]
        if not best:
            raise HouseError(
                f"no row holds power or energy by its {roles.measured!r}: {listed(sorted(kinds))}",
                path=table.path,
            )
        only[str(roles.measured)] = best[0]
        value_head = replace(kinds[best[0]], label="")
        wanted &= measured == best[0]
        remarks.append(f"only rows with {best[0]!r} in column {roles.measured!r} are read")
    else:
        refuse_several(table, roles.circuit, value)
    units = None
    if table.units_in_cells:
        parts = [split_unit(cell)[1] for cell in table.cells(value)]
        units = np.array([without_prefix(unit)[0] for unit in parts], dtype=object)
        remarks.append("the unit of each circuit is that of its cells")
    if roles.unit is not None:
        units = np.array(table.cells(roles.unit), dtype=object)
    names: list[str | int] = [name for name in sorted(set(who)) if name]
    heads: dict[str | int, Head] = {}
    for name in names:
        mine = (who == name) & wanted
        if not mine.any():
            remarks.append(f"circuit {name!r} has no numbers, and is left out")
            continue
        of_values = None if units is None else units[mine]
        heads[name] = _long_head(str(name), value_head, of_values, others=names)
    groups, left_out = group_columns(heads)
    remarks += [r.replace("column", "circuit", 1) for r in _left_out_remarks(left_out)]
    groups = [group for group in groups if len(group.names) == 1]
    if not groups:
        raise HouseError("no circuit of it holds power or energy", path=table.path)
    found, columns = _Found(table), {}
    clear = Counter(group.head.label.casefold() for group in groups)
    labels = [
        g.head.label if g.head.label and clear[g.head.label.casefold()] == 1 else str(g.names[0])
        for g in groups
    ]
    rows = [(who == group.names[0]) & wanted for group in groups]
    meanings = with_others(
        [meaning(g.head, values[mine], hours[mine]) for g, mine in zip(groups, rows, strict=True)],
        [values[mine] for mine in rows],
    )
    alike = Counter(map(same_name, labels))
    for circuit, label, group, mine, meant in zip(
        circuit_names(labels), labels, groups, rows, meanings, strict=True
    ):
        if alike[same_name(label)] > 1:
            group = replace(group, guess=_SHARED_NAME)
        columns[circuit] = LogColumn(
            names=(group.names[0],), quantity=meant.quantity, unit=meant.unit
        )
        found.add(circuit, group, label, values[mine], meant)
    remarks += found.remarks()
    layout = replace(
        base,
        layout="long",
        circuit_column=roles.circuit,
        value_column=value,
        unit_column=roles.unit,
        only=only,
        columns=columns,
    )
    return found.description(layout, remarks)


def _long_head(
    name: str, value: Head, units: NDArray[np.object_] | None, *, others: Sequence[str | int]
) -> Head:
    """What the name of a circuit, the head of the values and their units say together."""
    own = read_head(name)
    lettered = name.endswith((" A", "_A")) and f"{name[:-1]}B" in others
    if not own.label or lettered:
        own = Head(label=name)  # a circuit called A, not amps
    if units is not None:
        told = [read_head(text) for text in units if text]
        for holds in ("power", "energy"):
            spelled = Counter(head.unit for head in told if head.holds == holds)
            if spelled:
                return replace(own, holds=holds, unit=spelled.most_common(1)[0][0])
        if told:
            return replace(own, holds=told[0].holds, unit=told[0].unit)
    if own.holds is not None and own.holds != value.holds:
        return own
    return replace(own, holds=value.holds, unit=own.unit or value.unit)
