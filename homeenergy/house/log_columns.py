"""Where a log holds the readings of one circuit: a line of [log.columns]."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

from homeenergy.house.schema import Fields, Key, keys_of, toml_value

Quantity = Literal[
    "power",
    "energy",
    "energy_counter",
    "volts_and_amps",
    "apparent_power",
    "state",
    "temperature",
    "other",
]
UNITS: dict[str, tuple[str, ...]] = {
    "power": ("W", "kW", "mW", "MW"),
    "energy": ("Wh", "kWh", "MWh", "kJ", "MJ"),
    "energy_counter": ("Wh", "kWh", "MWh", "kJ", "MJ"),
    "volts_and_amps": ("V A",),
    "apparent_power": ("VA", "kVA"),
    "state": ("on",),
    "temperature": ("C", "F"),
    "other": (),  # whatever is said
}
_SCALES = {"m": 1e-3, "k": 1e3, "M": 1e6}  # SI prefixes
_JOULES_A_WH = 3600.0
_SPELLED = {
    "watt": "W",
    "kilowatt": "kW",
    "milliwatt": "mW",
    "watthour": "Wh",
    "kilowatthour": "kWh",
    "kilojoule": "kJ",
    "megajoule": "MJ",
    "voltampere": "VA",
}
NOMINAL_V = 230.0  # where neither volts are logged nor the supply is known (IEC 60038)
LONGEST_UNIT = 8  # letters; own choice
SWITCHED = ("state", "temperature")  # what says when a load is on, and no watts
NAME = re.compile(r"[A-Za-z0-9_-]+")  # of what has a folder in the store
NEEDS_FACTOR = ("volts_and_amps", "apparent_power")


def scale_of(unit: str) -> float:
    """How many W, Wh or VA a unit is; 1 for any other."""
    if unit in ("kJ", "MJ"):
        return _SCALES[unit[0]] / _JOULES_A_WH
    return _SCALES.get(unit[:1], 1.0) if unit[1:] in ("W", "Wh", "VA") else 1.0


def spelled_unit(text: str) -> str:
    """A unit that is written out, as kilowatts, in short; any other as it is."""
    return _SPELLED.get(text.casefold().removesuffix("s"), text)


def unit_of(text: str, quantity: Quantity) -> str | None:
    """Unit of a quantity as house.toml spells it; None where it is none.

    Capitals count only where they distinguish mW from MW.
    """
    known = UNITS[quantity]
    text = spelled_unit(text)
    if text in known:
        return text
    alike = [unit for unit in known if unit.casefold() == text.casefold()]
    return alike[0] if len(alike) == 1 else None


def as_it_is(fields: Fields, name: str) -> Any:
    """Value of a key as TOML has it."""
    return fields.table[name]


@dataclass(frozen=True, slots=True, kw_only=True)
class LogColumn:
    """Where one circuit's readings are in a log.

    `names` holds one column, several that are summed, or volts then amps for
    `quantity="volts_and_amps"`; `volts_v` is a number where no volts are logged. In a long log it
    is the name that the circuit column carries. Without a header, columns are numbers from 1.
    `factor_column` holds the power factor of each row, where `power_factor` is not one number, as
    a share or in percent (`factor_unit`).
    `files` restricts the circuit to files of that name, where each circuit has files of its own.
    """

    names: tuple[str | int, ...]
    quantity: Quantity = "power"
    unit: str = "W"
    power_factor: float | None = None
    volts_v: float | None = None
    rolls_over_at: float | None = None
    factor_column: str | int | None = None
    factor_unit: Literal["1", "%"] = "1"
    files: str | None = None

    @property
    def needed(self) -> tuple[str | int, ...]:
        """All columns that it is read from."""
        return self.names if self.factor_column is None else (*self.names, self.factor_column)

    def is_in(self, path: Path) -> bool:
        """Whether a file holds readings of the circuit."""
        return self.files is None or path.match(self.files)


@dataclass(frozen=True, slots=True, kw_only=True)
class Readings:
    """What the columns of a log hold, said of all or of one of them."""

    quantity: Annotated[
        Quantity,
        Key(
            help="energy is that of a row's period; a counter only rises",
            example="energy",
            always=True,
            more='"state" is on or off (1, 0, on, off, true, false); "temperature" is that of a\n'
            "wire, motor, pipe or flue which warms up while the load is on. Either gives runs\n"
            'and hours; with `watts` of the circuit also energy. "other" is no circuit\'s, such\n'
            "as volts, and is only looked at: its line has a name of its own, and a unit.",
        ),
    ] = "power"
    unit: Annotated[
        str,
        Key(
            help="W, kW, mW, MW; Wh, kWh, MWh, kJ, MJ; VA, kVA; C or F; of other, any",
            example="kWh",
            kind='"W", "kW", "mW", "MW", "Wh", "kWh", "MWh", "kJ", "MJ", "VA", "kVA", "on", '
            '"C" or "F"; of other, any',
            read=as_it_is,
            always=True,
        ),
    ] = "W"
    power_factor: Annotated[
        float | str | int | None,
        Key(
            help="of volts and amps or apparent power: a number, or a column",
            kind="a number above 0 and at most 1, or a column",
            example=0.95,
            read=as_it_is,
            more="1.0 for a plain heater, else as measured.",
        ),
    ] = None
    power_factor_unit: Annotated[
        Literal["1", "%"],
        Key(help="of a column of power factors: 1 or %", example="%"),
    ] = "1"
    rolls_over_at: Annotated[
        float | None,
        Key(
            help="of an energy_counter: where it begins again at 0, in its unit",
            example=100000,
            least=0.01,  # no register is that small; own choice
        ),
    ] = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ColumnName:
    """Where the readings of one circuit stand: the column's name, or a table with these keys."""

    column: Annotated[
        str | int | None,
        Key(help="what the log calls it", kind="a column", example="kitchen", read=as_it_is),
    ] = None
    volts: Annotated[
        str | int | None,
        Key(help="column of volts, with amps", kind="a column", example="V", read=as_it_is),
    ] = None
    volts_v: Annotated[
        float | None,
        Key(
            help="in place of volts, where none are logged: those of the supply",
            example=230,
            positive=True,
        ),
    ] = None
    columns: Annotated[
        list[str | int] | None,
        Key(
            help="several that are summed: the legs of one load",
            kind="a list of columns",
            example=["dryer L1", "dryer L2"],
            read=as_it_is,
            more="Where one of them is missing, the sum is missing.",
        ),
    ] = None
    amps: Annotated[
        str | int | None,
        Key(
            help="column of amps, with volts or volts_v",
            kind="a column",
            example="I",
            read=as_it_is,
        ),
    ] = None
    files: Annotated[
        str | None,
        Key(
            help="only in files of this name, where each circuit has its own",
            example="fridge*.csv",
            more='The end of their path counts: "fridge/*" is all in folders of that name.',
        ),
    ] = None


def column_name(fields: Fields, name: str, value: Any, *, header: bool) -> str | int:
    """Check that `value` names a column: by its name where there is a header, else its number."""
    if header and isinstance(value, str):  # a header may leave a name empty
        return value
    if not header and isinstance(value, int) and not isinstance(value, bool) and value >= 1:
        return value
    expected = "the name of a column" if header else "the number of a column, from 1"
    fix = fields.show(name) if header else "Columns are numbered where `header = false`."
    raise fields.refuse(name, f"must be {expected}, got {value!r}", fix=fix)


def read_column(
    log: Fields, columns: Fields, circuit: str, value: Any, *, shape: str, header: bool
) -> LogColumn:
    """Check the line of one circuit.

    Parameters
    ----------
    log, columns : Fields
        The [[log]] and its [log.columns].
    circuit : str
    value : object
        As TOML has it.
    shape : str
        "wide" or "long".
    header : bool

    Raises
    ------
    HouseError
        Naming the key and what was expected.
    """
    own = value if isinstance(value, dict) else {"column": value}
    named = header or shape == "long"  # in a long log a circuit is known by a text
    table = Fields(own, path=log.path, where=columns.key(circuit))
    table.only({**keys_of(ColumnName), **keys_of(Readings)})

    def setting(name: str) -> Fields:
        return table if table.has(name) else log

    pair = any(map(table.has, ("volts", "volts_v", "amps")))
    default = "volts_and_amps" if pair else "power"
    source = table if pair else setting("quantity")
    quantity: Any = source.choice("quantity", tuple(UNITS)) or default
    files = table.text("files")
    if files is not None and shape == "long":
        raise table.refuse(
            "files", 'needs `layout = "wide"`: a long log names circuits in its rows'
        )
    names: tuple[str | int, ...]
    volts_v = None
    if quantity == "volts_and_amps":
        names, volts_v = _volts_and_amps(table, shape=shape, header=header)
        unit = "V A"
    else:
        if not isinstance(value, dict):
            names = (column_name(columns, circuit, value, header=named),)
        else:
            names = _one_or_several(table, quantity, shape=shape, header=named)
        unit_from = table if table.has("quantity") or table.has("unit") else log
        unit = _unit(unit_from, quantity)
    for name, needs in (
        ("power_factor", NEEDS_FACTOR),
        ("power_factor_unit", NEEDS_FACTOR),
        ("rolls_over_at", ("energy_counter",)),
    ):
        if table.has(name) and quantity not in needs:
            raise table.refuse(name, f'belongs to `quantity = "{needs[0]}"`')
    rolls = setting("rolls_over_at").number("rolls_over_at")
    factor, factor_column = None, None
    if quantity in NEEDS_FACTOR:
        factor, factor_column = _factor(setting("power_factor"), shape=shape, header=header)
    factor_unit: Any = setting("power_factor_unit").choice("power_factor_unit", ("1", "%")) or "1"
    return LogColumn(
        names=names,
        quantity=quantity,
        unit=unit,
        power_factor=factor,
        volts_v=volts_v,
        rolls_over_at=rolls if quantity == "energy_counter" else None,
        factor_column=factor_column,
        factor_unit="1" if factor_column is None else factor_unit,
        files=files,
    )


def _unit(fields: Fields, quantity: Quantity) -> str:
    if quantity != "other":
        return fields.choice("unit", UNITS[quantity]) or UNITS[quantity][0]
    unit = (fields.text("unit") or "").strip()
    if not 0 < len(unit) <= LONGEST_UNIT:
        what = f"must be that of the readings, 1 to {LONGEST_UNIT} letters, got {unit!r}"
        raise fields.refuse("unit", what, fix='Of volts, write unit = "V".')
    return unit


def _one_or_several(
    table: Fields, quantity: str, *, shape: str, header: bool
) -> tuple[str | int, ...]:
    """Column of a circuit, or those that are summed."""
    if not table.has("columns"):
        if not table.has("column"):
            raise table.missing("column", "the column of this circuit")
        return (column_name(table, "column", table.table["column"], header=header),)
    listed = table.table["columns"]
    if shape == "long":
        raise table.refuse("columns", 'needs `layout = "wide"`: they must be in the same row')
    if table.has("column") or not isinstance(listed, list) or len(set(map(str, listed))) < 2:
        what = f"must be a list of two columns or more, in place of `column`, got {listed!r}"
        raise table.refuse("columns", what, fix=table.show("columns"))
    if quantity == "energy_counter":
        raise table.refuse(
            "columns",
            "cannot be counters: each may begin again at another time than the others",
            fix="Make each of them a circuit of its own.",
        )
    return tuple(column_name(table, "columns", one, header=header) for one in listed)


def _volts_and_amps(
    table: Fields, *, shape: str, header: bool
) -> tuple[tuple[str | int, ...], float | None]:
    """Columns of both, or that of the amps and the volts."""
    if shape == "long":
        raise table.refuse(
            "volts", 'needs `layout = "wide"`: volts and amps must be in the same row'
        )
    stated = table.has("volts_v")
    if stated and table.has("volts"):
        raise table.refuse("volts_v", "is in place of `volts`, a column", fix="Leave one out.")
    needed = ("amps",) if stated else ("volts", "amps")
    for name in needed:
        if not table.has(name):
            what = "is missing; volts and amps are read from two columns"
            fix = f"{table.show(name)}. Where no volts are logged: {table.show('volts_v')}."
            raise table.refuse(name, what, fix=fix)
    names = tuple(column_name(table, one, table.table[one], header=header) for one in needed)
    return names, table.number("volts_v", positive=True)


def _factor(source: Fields, *, shape: str, header: bool) -> tuple[float | None, str | int | None]:
    """Power factor as a number, or the column that holds it."""
    value = source.table.get("power_factor")
    if value is None:
        raise source.refuse(
            "power_factor",
            "is missing: volts and amps give volt-amperes, not watts",
            fix="State the load's power factor: 1.0 for a plain heater, else as measured; or the "
            "column that holds it.",
        )
    number = not isinstance(value, bool) and isinstance(value, int | float)
    if isinstance(value, str) or (number and not header and value > 1):
        if shape == "long":
            raise source.refuse("power_factor", "of a long log must be a number")
        return None, column_name(source, "power_factor", value, header=header)
    if not number or not 0 < value <= 1:
        what = f"must lie above 0 and be at most 1, or name a column, got {value!r}"
        raise source.refuse("power_factor", what, fix=source.show("power_factor"))
    return float(value), None


def column_toml(column: LogColumn, quantity: str, unit: str) -> str:
    """Write the line of one circuit; `quantity` and `unit` are those that need no saying."""
    own: dict[str, object] = {} if column.files is None else {"files": column.files}
    if column.quantity == "volts_and_amps":
        if column.volts_v is None:
            own |= dict(zip(("volts", "amps"), column.names, strict=True))
        else:
            own |= {"amps": column.names[0], "volts_v": column.volts_v}
    else:
        one = len(column.names) == 1
        own |= {"column": column.names[0]} if one else {"columns": list(column.names)}
        if (column.quantity, column.unit) != (quantity, unit):
            own |= {"quantity": column.quantity, "unit": column.unit}
    if column.quantity in NEEDS_FACTOR:
        own["power_factor"] = column.power_factor or column.factor_column
        if column.factor_unit != "1":
            own["power_factor_unit"] = column.factor_unit
    if column.rolls_over_at is not None:
        own["rolls_over_at"] = float(column.rolls_over_at)
    return toml_value(own if list(own) != ["column"] else column.names[0])
