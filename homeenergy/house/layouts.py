"""How a family of log files is laid out: a [[log]] of house.toml."""

from __future__ import annotations

import codecs
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Annotated, Any, Literal

from homeenergy.house.schema import (
    NEAR,
    Fields,
    Key,
    commented,
    keys_of,
    read_keys,
    toml_key,
    toml_value,
    write_keys,
)
from homeenergy.house.zones import read_zone

Quantity = Literal["power", "energy", "energy_counter", "volts_and_amps"]
UNITS: dict[str, tuple[str, ...]] = {
    "power": ("W", "kW"),
    "energy": ("Wh", "kWh"),
    "energy_counter": ("Wh", "kWh"),
    "volts_and_amps": ("V A",),
}
TIME_FORMATS = ("iso", "epoch_s", "epoch_ms", "epoch_us", "epoch_ns")
CSV_ONLY = (
    "delimiter",
    "decimal",
    "thousands",
    "encoding",
    "header",
    "lines_above_header",
    "lines_below_header",
    "missing",
)
MARKS = ("", ",", ".", " ", "'")


def _is_known_encoding(name: str) -> bool:
    try:
        codecs.lookup(name)
    except LookupError:
        return False
    return True


def _time_format(fields: Fields, name: str) -> str:
    text = fields.text(name) or ""
    if text in TIME_FORMATS or "%" in text:
        return text
    near = get_close_matches(text, TIME_FORMATS, n=1, cutoff=0.4)
    raise fields.refuse(
        name,
        f"must be one of {', '.join(TIME_FORMATS)} or a pattern such as "
        f'"%d.%m.%Y %H:%M:%S", got {text!r}',
        fix=f'Did you mean "{near[0]}"?' if near else fields.show(name),
    )


def _time_zone(fields: Fields, name: str) -> str:
    text = fields.text(name) or ""
    try:
        read_zone(text)
    except ValueError as error:
        raise fields.refuse(
            name,
            f"cannot be used: {error}",
            fix='Write a region ("Europe/Berlin"), "UTC", or a fixed offset ("UTC+01:00").',
        ) from None
    return text


def _as_it_is(fields: Fields, name: str) -> Any:
    return fields.table[name]


_COUNT = {
    "check": lambda lines: lines >= 0 and lines == int(lines),
    "must": "be a whole number of lines",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class LogColumn:
    """Where one circuit's readings are in a log.

    `names` holds one column, or volts then amps for `quantity="volts_and_amps"`. In a long log it
    is the name that the circuit column carries. Without a header, columns are numbers from 1.
    """

    names: tuple[str | int, ...]
    quantity: Quantity = "power"
    unit: str = "W"
    power_factor: float | None = None
    rolls_over_at: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LogLayout:
    """How one family of log files is laid out: a [[log]] of house.toml.

    `missing` holds texts that mean a missing value, besides the usual ones; `thousands` is the
    mark between the thousands of its numbers, if any.
    """

    files: Annotated[
        str,
        Key(
            help="which files, from this folder",
            example="logs/*.csv",
            check=lambda files: not files.startswith("/") and ".." not in files.split("/"),
            must="stay inside the house's folder",
        ),
    ]
    columns: Annotated[Mapping[str, LogColumn], Key(help="where the readings of each circuit are")]
    format: Annotated[
        Literal["csv", "parquet"],
        Key(help="csv (also .csv.gz) or parquet", example="parquet", always=True),
    ] = "csv"
    layout: Annotated[
        Literal["wide", "long"],
        Key(
            help="wide: a column for each circuit; long: a row for each",
            example="long",
            always=True,
        ),
    ] = "wide"
    delimiter: Annotated[
        str,
        Key(
            help="between the cells of a row",
            example=";",
            always=True,
            check=lambda mark: len(mark) == 1,
            must='be one character such as "," ";" or "\\t"',
        ),
    ] = ","
    decimal: Annotated[str, Key(help="decimal mark", example=",", one_of=(".", ","))] = "."
    thousands: Annotated[
        str,
        Key(help="mark between thousands: 1,234.5", example=",", one_of=MARKS),
    ] = ""
    encoding: Annotated[
        str,
        Key(
            help="of the text",
            example="latin-1",
            check=_is_known_encoding,
            must='be one such as "utf-8"',
        ),
    ] = "utf-8"
    header: Annotated[bool, Key(help="without one, columns are numbered from 1", example=False)] = (
        True
    )
    lines_above_header: Annotated[
        int, Key(help="lines to skip before the header", example=3, **_COUNT)
    ] = 0
    lines_below_header: Annotated[
        int, Key(help="lines to skip after it, such as one of units", example=1, **_COUNT)
    ] = 0
    missing: Annotated[
        tuple[str, ...],
        Key(help="texts that mean a missing value", example=["ERR", "--"]),
    ] = ()
    time_columns: Annotated[
        tuple[str | int, ...],
        Key(
            help="two are joined: date, time of day",
            kind="a list of one or two columns",
            example=["time"],
            read=_as_it_is,
            always=True,
        ),
    ] = ("time",)
    time_format: Annotated[
        str,
        Key(
            help='iso, epoch_s, epoch_ms or a pattern: "%d.%m.%Y %H:%M"',
            kind=f"{', '.join(TIME_FORMATS)} or a pattern",
            example="epoch_s",
            read=_time_format,
            always=True,
        ),
    ] = "iso"
    time_zone: Annotated[
        str,
        Key(
            help="of times that carry no offset from UTC",
            kind="a region, UTC or a fixed offset",
            example="Europe/Berlin",
            read=_time_zone,
            always=True,
        ),
    ] = "UTC"
    time_marks: Annotated[
        Literal["start", "end"],
        Key(help="the start or the end of a row's period", example="end", always=True),
    ] = "start"
    circuit_column: Annotated[
        str | int | None,
        Key(
            help="of a long log: where circuits are named",
            kind="a column",
            example="circuit",
            read=_as_it_is,
        ),
    ] = None
    value_column: Annotated[
        str | int | None,
        Key(
            help="of a long log: where their readings are",
            kind="a column",
            example="watts",
            read=_as_it_is,
        ),
    ] = None
    period_s: Annotated[
        float | None,
        Key(help="between two rows; else found from them", unit="s", example=1, positive=True),
    ] = None
    hold_s: Annotated[
        float | None,
        Key(
            help="a value holds across a step of at most this",
            unit="s",
            example=30,
            positive=True,
        ),
    ] = None

    @property
    def lines_before_rows(self) -> int:
        """Lines of a CSV before its first row of readings."""
        return self.lines_above_header + int(self.header) + self.lines_below_header


@dataclass(frozen=True, slots=True, kw_only=True)
class Readings:
    """What the columns of a log hold, said of all or of one of them."""

    quantity: Annotated[
        Quantity,
        Key(
            help="energy is that of a row's period; a counter only rises",
            example="energy",
            always=True,
        ),
    ] = "power"
    unit: Annotated[
        str,
        Key(
            help="W or kW; Wh or kWh",
            example="kWh",
            kind='"W", "kW", "Wh" or "kWh"',
            read=_as_it_is,
            always=True,
        ),
    ] = "W"
    power_factor: Annotated[
        float | None,
        Key(
            help="of volts_and_amps: 1.0 for a plain heater, else as measured",
            example=0.95,
            check=lambda factor: 0 < factor <= 1,
            must="lie above 0 and be at most 1",
        ),
    ] = None
    rolls_over_at: Annotated[
        float | None,
        Key(
            help="of an energy_counter: where it begins again at 0, in its unit",
            example=100000,
            positive=True,
        ),
    ] = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ColumnName:
    """Where the readings of one circuit stand: the column's name, or a table with these keys."""

    column: Annotated[
        str | int | None,
        Key(help="what the log calls it", kind="a column", example="kitchen", read=_as_it_is),
    ] = None
    volts: Annotated[
        str | int | None,
        Key(help="column of volts, with amps", kind="a column", example="V", read=_as_it_is),
    ] = None
    amps: Annotated[
        str | int | None,
        Key(help="column of amps, with volts", kind="a column", example="I", read=_as_it_is),
    ] = None


_EXAMPLE = 'fridge = "kitchen"'


def read_layout(log: Fields, *, circuits: tuple[str, ...]) -> LogLayout:
    """Check one [[log]] table.

    Parameters
    ----------
    log : Fields
        The table.
    circuits : tuple of str
        Names of the circuits of the panel schedule.

    Raises
    ------
    HouseError
        Naming the key and what was expected.
    """
    values = read_keys(log, LogLayout, Readings)
    for name in ("quantity", "unit", "power_factor", "rolls_over_at"):
        del values[name]  # what its columns take where they say nothing of their own
    parquet, header = values["format"] == "parquet", values["header"]
    if parquet and not header:
        raise log.refuse("header", "must be true: the columns of a Parquet file have names")
    if parquet:
        for name in ("lines_above_header", "lines_below_header", "missing", "thousands"):
            if log.has(name):
                raise log.refuse(name, 'belongs to a log with `format = "csv"`')
    if not header and log.has("lines_below_header"):
        raise log.refuse(
            "lines_below_header", "needs a header", fix="Without one, write lines_above_header."
        )
    shape = values["layout"]
    for name in ("circuit_column", "value_column"):
        if shape == "long" and not log.has(name):
            raise log.refuse(
                name, 'is missing; a log with `layout = "long"` needs it', fix=log.show(name)
            )
        if shape == "wide" and log.has(name):
            raise log.refuse(name, 'belongs to a log with `layout = "long"`')
        if log.has(name):
            _column_name(log, name, values[name], header=header)
    _refuse_same_marks(log, values["thousands"], values["decimal"])
    return LogLayout(
        **values | {"time_columns": _time_columns(log, header)},
        columns=_columns(log, shape=shape, header=header, circuits=circuits),
    )


def _refuse_same_marks(log: Fields, thousands: str, decimal: str) -> None:
    if thousands == decimal:
        other = "," if thousands == "." else "."
        raise log.refuse(
            "thousands",
            f"is {thousands!r}, which is the decimal mark",
            fix=f'If numbers look like 1{thousands}234{other}5, write decimal = "{other}".',
        )


def _time_columns(log: Fields, header: bool) -> tuple[str | int, ...]:
    names = log.table.get("time_columns", ["time"] if header else [1])
    if not isinstance(names, list) or len(names) not in (1, 2):
        what = f"must be a list of one or two columns, got {names!r}"
        raise log.refuse("time_columns", what, fix=log.show("time_columns"))
    return tuple(_column_name(log, "time_columns", name, header=header) for name in names)


def _column_name(fields: Fields, name: str, value: Any, *, header: bool) -> str | int:
    """Check that `value` names a column: by its name where there is a header, else its number."""
    if header and isinstance(value, str):  # a header may leave a name empty
        return value
    if not header and isinstance(value, int) and not isinstance(value, bool) and value >= 1:
        return value
    expected = "the name of a column" if header else "the number of a column, from 1"
    fix = fields.show(name) if header else "Columns are numbered where `header = false`."
    raise fields.refuse(name, f"must be {expected}, got {value!r}", fix=fix)


def _columns(
    log: Fields, *, shape: str, header: bool, circuits: tuple[str, ...]
) -> dict[str, LogColumn]:
    if not log.has("columns"):
        fix = f"Write [log.columns] and below it for each circuit a line such as: {_EXAMPLE}"
        raise log.refuse("columns", "is missing; expected a table", fix=fix)
    columns = log.inner("columns")
    if not columns.table:
        fix = f"Write a line for each circuit such as: {_EXAMPLE}"
        raise log.refuse("columns", "is empty; expected one line a circuit", fix=fix)
    found: dict[str, LogColumn] = {}
    for circuit, value in columns.table.items():
        if circuit not in circuits:
            near = get_close_matches(circuit, circuits, n=1, cutoff=NEAR)
            raise columns.refuse(
                circuit,
                "is not a circuit of the panel schedule",
                fix=f"Did you mean `{near[0]}`?"
                if near
                else f"Circuits: {', '.join(circuits) or 'none'}.",
            )
        column = _column(log, columns, circuit, value, shape=shape, header=header)
        for other, taken in found.items():
            if set(taken.names) & set(column.names) and column.quantity != "volts_and_amps":
                raise columns.refuse(circuit, f"takes the same column as `{other}`")
        found[circuit] = column
    return found


def _column(
    log: Fields, columns: Fields, circuit: str, value: Any, *, shape: str, header: bool
) -> LogColumn:
    own = value if isinstance(value, dict) else {"column": value}
    named = header or shape == "long"  # in a long log a circuit is known by a text
    table = Fields(own, path=log.path, where=columns.key(circuit))
    table.only({**keys_of(ColumnName), **keys_of(Readings)})

    def setting(name: str) -> Fields:
        return table if table.has(name) else log

    pair = table.has("volts") or table.has("amps")
    default = "volts_and_amps" if pair else "power"
    source = table if pair else setting("quantity")
    quantity: Any = source.choice("quantity", tuple(UNITS)) or default
    if quantity == "volts_and_amps":
        return _volts_and_amps(log, table, shape=shape, header=header)
    if not table.has("column"):
        raise table.missing("column", "the column of this circuit")
    unit_from = table if table.has("quantity") or table.has("unit") else log
    unit = unit_from.choice("unit", UNITS[quantity]) or UNITS[quantity][0]
    for name, needs in (("power_factor", "volts_and_amps"), ("rolls_over_at", "energy_counter")):
        if table.has(name) and quantity != needs:
            raise table.refuse(name, f'belongs to `quantity = "{needs}"`')
    rolls = setting("rolls_over_at").number("rolls_over_at", positive=True)
    return LogColumn(
        names=(_column_name(columns, circuit, own["column"], header=named),),
        quantity=quantity,
        unit=unit,
        rolls_over_at=rolls if quantity == "energy_counter" else None,
    )


def _volts_and_amps(log: Fields, table: Fields, *, shape: str, header: bool) -> LogColumn:
    if shape == "long":
        raise table.refuse(
            "volts", 'needs `layout = "wide"`: volts and amps must be in the same row'
        )
    for name in ("volts", "amps"):
        if not table.has(name):
            what = "is missing; volts and amps are read from two columns"
            raise table.refuse(name, what, fix=table.show(name))
    source = table if table.has("power_factor") else log
    factor = source.read(keys_of(Readings)["power_factor"])
    if factor is None:
        raise table.refuse(
            "power_factor",
            "is missing: volts and amps give volt-amperes, not watts",
            fix="State the load's power factor: 1.0 for a plain heater, else as measured.",
        )
    names = tuple(
        _column_name(table, name, table.table[name], header=header) for name in ("volts", "amps")
    )
    return LogColumn(names=names, quantity="volts_and_amps", unit="V A", power_factor=factor)


def layout_toml(
    layout: LogLayout,
    *,
    remarks: Sequence[str] = (),
    comments: Literal["none", "short", "all"] = "short",
) -> str:
    """Write a layout as a [[log]] block.

    Parameters
    ----------
    layout : LogLayout
    remarks : sequence of str
        Become comments above the block.
    comments : str
        As for `homeenergy.house.schema.write_keys`.

    Returns
    -------
    str
        TOML that `read_schedule` reads back as the same layout.
    """
    quantity, unit = _commonest(layout)
    skip = CSV_ONLY if layout.format == "parquet" else ()
    shared = Readings(quantity=quantity, unit=unit)
    none = ("power_factor", "rolls_over_at")
    lines = [f"# {remark}" for remark in remarks] + ["[[log]]"]
    lines += write_keys(layout, comments=comments, skip=skip)
    lines += write_keys(shared, comments=comments, skip=none)
    meaning = "" if comments == "none" else "circuit = what the log calls it"
    lines += ["", commented("[log.columns]", meaning)]
    for circuit, column in layout.columns.items():
        lines.append(f"{toml_key(circuit)} = {_column_toml(column, quantity, unit)}")
    return "\n".join(lines) + "\n"


def _commonest(layout: LogLayout) -> tuple[Quantity, str]:
    pairs = Counter(
        (column.quantity, column.unit)
        for column in layout.columns.values()
        if column.quantity != "volts_and_amps"
    )
    return pairs.most_common(1)[0][0] if pairs else ("power", "W")


def _column_toml(column: LogColumn, quantity: str, unit: str) -> str:
    if column.quantity == "volts_and_amps":
        volts, amps = column.names
        factor = column.power_factor
        return toml_value({"volts": volts, "amps": amps, "power_factor": factor})
    own: dict[str, object] = {"column": column.names[0]}
    if (column.quantity, column.unit) != (quantity, unit):
        own |= {"quantity": column.quantity, "unit": column.unit}
    if column.rolls_over_at is not None:
        own["rolls_over_at"] = float(column.rolls_over_at)
    return toml_value(own if len(own) > 1 else column.names[0])
