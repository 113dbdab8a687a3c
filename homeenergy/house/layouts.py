"""Read a [[log]] of house.toml: how one family of log files is laid out."""

from __future__ import annotations

import codecs
from difflib import get_close_matches
from typing import Any

from homeenergy.house.fields import Fields
from homeenergy.house.schedule import LogColumn, LogLayout, Quantity
from homeenergy.house.zones import read_zone

UNITS: dict[str, tuple[str, ...]] = {
    "power": ("W", "kW"),
    "energy": ("Wh", "kWh"),
    "energy_counter": ("Wh", "kWh"),
    "volts_and_amps": ("V A",),
}
TIME_FORMATS = ("iso", "epoch_s", "epoch_ms", "epoch_us", "epoch_ns")
_KEYS = (
    "files",
    "format",
    "layout",
    "delimiter",
    "decimal",
    "thousands",
    "encoding",
    "header",
    "lines_above_header",
    "lines_below_header",
    "missing",
    "time_columns",
    "time_format",
    "time_zone",
    "time_marks",
    "quantity",
    "unit",
    "period_s",
    "hold_s",
    "circuit_column",
    "value_column",
    "power_factor",
    "rolls_over_at",
    "columns",
)
_COLUMN_KEYS = ("column", "volts", "amps", "quantity", "unit", "power_factor", "rolls_over_at")


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
    log.only(_KEYS)
    kind = log.choice("format", ("csv", "parquet"), "csv")
    shape = log.choice("layout", ("wide", "long"), "wide")
    header = log.flag("header", True)
    if kind == "parquet" and not header:
        raise log.refuse("header", "must be true: the columns of a Parquet file have names")
    if kind == "parquet":
        for name in ("lines_above_header", "lines_below_header", "missing", "thousands"):
            if log.has(name):
                raise log.refuse(name, 'belongs to a log with `format = "csv"`')
    if not header and log.has("lines_below_header"):
        raise log.refuse(
            "lines_below_header", "needs a header", fix="Without one, write lines_above_header."
        )
    one_value = {}
    for name in ("circuit_column", "value_column"):
        if shape == "long" and not log.has(name):
            raise log.refuse(name, 'is missing; a log with `layout = "long"` needs it')
        if shape == "wide" and log.has(name):
            raise log.refuse(name, 'belongs to a log with `layout = "long"`')
        one_value[name] = log.column(name, header=header) if log.has(name) else None
    return LogLayout(
        files=_files(log),
        format=kind,
        layout=shape,
        delimiter=_one_character(log, "delimiter", ","),
        decimal=log.choice("decimal", (".", ","), "."),
        thousands=_thousands(log),
        encoding=_encoding(log),
        header=header,
        lines_above_header=_count(log, "lines_above_header"),
        lines_below_header=_count(log, "lines_below_header"),
        missing=log.texts("missing"),
        time_columns=_time_columns(log, header),
        time_format=_time_format(log),
        time_zone=_time_zone(log),
        time_marks=log.choice("time_marks", ("start", "end"), "start"),
        circuit_column=one_value["circuit_column"],
        value_column=one_value["value_column"],
        period_s=log.number("period_s", positive=True),
        hold_s=log.number("hold_s", positive=True),
        columns=_columns(log, shape=shape, header=header, circuits=circuits),
    )


def _files(log: Fields) -> str:
    pattern = log.text("files", required=True)
    if pattern.startswith("/") or ".." in pattern.split("/"):
        raise log.refuse("files", f"must stay inside the house's folder, got {pattern!r}")
    return pattern


def _one_character(log: Fields, name: str, default: str) -> str:
    text = log.text(name, default)
    if len(text) != 1:
        raise log.refuse(name, f'must be one character such as "," ";" or "\\t", got {text!r}')
    return text


def _thousands(log: Fields) -> str:
    mark = log.choice("thousands", ("", ",", ".", " ", "'"), "")
    decimal = log.choice("decimal", (".", ","), ".")
    if mark == decimal:
        other = "," if mark == "." else "."
        raise log.refuse(
            "thousands",
            f"is {mark!r}, which is the decimal mark",
            fix=f'If numbers look like 1{mark}234{other}5, write decimal = "{other}".',
        )
    return mark


def _count(log: Fields, name: str) -> int:
    number = log.number(name, 0)
    if number is None or number < 0 or number != int(number):
        raise log.refuse(name, f"must be a whole number of lines, got {number!r}")
    return int(number)


def _encoding(log: Fields) -> str:
    name = log.text("encoding", "utf-8")
    try:
        codecs.lookup(name)
    except LookupError:
        raise log.refuse("encoding", f'must be one such as "utf-8", got {name!r}') from None
    return name


def _time_columns(log: Fields, header: bool) -> tuple[str | int, ...]:
    names = log.table.get("time_columns", ["time"] if header else [1])
    if not isinstance(names, list) or len(names) not in (1, 2):
        raise log.refuse("time_columns", f"must be a list of one or two columns, got {names!r}")
    return tuple(log.as_column("time_columns", name, header=header) for name in names)


def _time_format(log: Fields) -> str:
    text = log.text("time_format", "iso")
    if text in TIME_FORMATS or "%" in text:
        return text
    near = get_close_matches(text, TIME_FORMATS, n=1, cutoff=0.4)
    raise log.refuse(
        "time_format",
        f"must be one of {', '.join(TIME_FORMATS)} or a pattern such as "
        f'"%d.%m.%Y %H:%M:%S", got {text!r}',
        fix=f'Did you mean "{near[0]}"?' if near else None,
    )


def _time_zone(log: Fields) -> str:
    name = log.text("time_zone", "UTC")
    try:
        read_zone(name)
    except ValueError as error:
        raise log.refuse(
            "time_zone",
            f"cannot be used: {error}",
            fix='Write a region ("Europe/Berlin"), "UTC", or a fixed offset ("UTC+01:00").',
        ) from None
    return name


def _columns(
    log: Fields, *, shape: str, header: bool, circuits: tuple[str, ...]
) -> dict[str, LogColumn]:
    columns = log.inner("columns", required=True)
    if not columns.table:
        raise log.refuse("columns", "is empty; expected one line a circuit")
    found: dict[str, LogColumn] = {}
    for circuit, value in columns.table.items():
        if circuit not in circuits:
            near = get_close_matches(circuit, circuits, n=1, cutoff=0.55)
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
    table.only(_COLUMN_KEYS)

    def setting(name: str) -> Fields:
        return table if table.has(name) else log

    pair = table.has("volts") or table.has("amps")
    default = "volts_and_amps" if pair else "power"
    source = table if pair else setting("quantity")
    quantity: Quantity = source.choice("quantity", tuple(UNITS), default)
    if quantity == "volts_and_amps":
        return _volts_and_amps(log, table, shape=shape, header=header)
    if not table.has("column"):
        raise table.refuse("column", "is missing; expected the column of this circuit")
    unit_from = table if table.has("quantity") or table.has("unit") else log
    unit = unit_from.choice("unit", UNITS[quantity], UNITS[quantity][0])
    for name, needs in (("power_factor", "volts_and_amps"), ("rolls_over_at", "energy_counter")):
        if table.has(name) and quantity != needs:
            raise table.refuse(name, f'belongs to `quantity = "{needs}"`')
    rolls = setting("rolls_over_at").number("rolls_over_at", positive=True)
    return LogColumn(
        names=(columns.as_column(circuit, own["column"], header=named),),
        quantity=quantity,
        unit=unit,
        rolls_over_at=rolls if quantity == "energy_counter" else None,
    )


def _volts_and_amps(log: Fields, table: Fields, *, shape: str, header: bool) -> LogColumn:
    if shape == "long":
        raise table.refuse(
            "volts", 'needs `layout = "wide"`: volts and amps must stand in the same row'
        )
    for name in ("volts", "amps"):
        if not table.has(name):
            raise table.refuse(name, "is missing; volts and amps are read from two columns")
    source = table if table.has("power_factor") else log
    factor = source.number("power_factor")
    if factor is None:
        raise table.refuse(
            "power_factor",
            "is missing: volts and amps give volt-amperes, not watts",
            fix="State the load's power factor: 1.0 for a plain heater, else as measured.",
        )
    if not 0 < factor <= 1:
        raise source.refuse("power_factor", f"must lie above 0 and be at most 1, got {factor!r}")
    names = tuple(table.column(name, header=header) for name in ("volts", "amps"))
    return LogColumn(names=names, quantity="volts_and_amps", unit="V A", power_factor=factor)
