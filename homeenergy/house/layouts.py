"""How a family of log files is laid out: a [[log]] of house.toml."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from pathlib import Path
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

Quantity = Literal["power", "energy", "energy_counter", "volts_and_amps", "apparent_power"]
UNITS: dict[str, tuple[str, ...]] = {
    "power": ("W", "kW"),
    "energy": ("Wh", "kWh"),
    "energy_counter": ("Wh", "kWh"),
    "volts_and_amps": ("V A",),
    "apparent_power": ("VA", "kVA"),
}
NEEDS_FACTOR = ("volts_and_amps", "apparent_power")
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
# Own choices: a thousandth of a second; the month on either side that the store looks at.
SHORTEST_S, LONGEST_S = 0.001, 31 * 86_400.0


def _stays_inside(files: str) -> bool:
    try:
        list(Path("no folder of this name").glob(files))
    except (ValueError, IndexError, NotImplementedError):  # such as "a**b", "." and "/x"
        return False
    return not files.startswith("/") and ".." not in files.split("/") and "\0" not in files


def _is_known_encoding(name: str) -> bool:
    try:
        return "0".encode(name).decode(name) == "0"
    except (LookupError, ValueError):  # such as "base64", which is none of text
        return False


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


def _texts(fields: Fields, name: str) -> Mapping[str, str]:
    value = fields.get(name, dict)
    for column, text in value.items():
        if not isinstance(text, str):
            raise fields.refuse(name, f"must give a text for {column!r}, got {text!r}")
    texts: Mapping[str, str] = value
    return texts


_COUNT = {
    "check": lambda lines: lines >= 0 and lines == int(lines),
    "must": "be a whole number of lines",
    "most": 100_000,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class LogColumn:
    """Where one circuit's readings are in a log.

    `names` holds one column, several that are summed, or volts then amps for
    `quantity="volts_and_amps"`. In a long log it is the name that the circuit column carries.
    Without a header, columns are numbers from 1. `factor_column` holds the power factor of each
    row, where `power_factor` is not one number. `files` restricts the circuit to files of that
    name, where each circuit has files of its own.
    """

    names: tuple[str | int, ...]
    quantity: Quantity = "power"
    unit: str = "W"
    power_factor: float | None = None
    rolls_over_at: float | None = None
    factor_column: str | int | None = None
    files: str | None = None

    @property
    def needed(self) -> tuple[str | int, ...]:
        """All columns that it is read from."""
        return self.names if self.factor_column is None else (*self.names, self.factor_column)

    def is_in(self, path: Path) -> bool:
        """Whether a file holds readings of the circuit."""
        return self.files is None or path.match(self.files)


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
            check=_stays_inside,
            must="stay inside the house's folder, and be a pattern of files",
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
    unit_column: Annotated[
        str | int | None,
        Key(
            help="of a long log: where the unit of each reading is",
            kind="a column",
            example="unit",
            read=_as_it_is,
        ),
    ] = None
    only: Annotated[
        Mapping[str, str],
        Key(
            help="of a long log: only rows with these texts are read",
            kind="a table of columns and texts",
            example={"field": "power"},
            read=_texts,
        ),
    ] = field(default_factory=dict)
    period_s: Annotated[
        float | None,
        Key(
            help="between two rows; else found from them",
            unit="s",
            example=1,
            positive=True,
            least=SHORTEST_S,
            most=LONGEST_S,
        ),
    ] = None
    hold_s: Annotated[
        float | None,
        Key(
            help="a value holds across a step of at most this",
            unit="s",
            example=30,
            positive=True,
            most=LONGEST_S,
        ),
    ] = None
    silence_s: Annotated[
        float | None,
        Key(
            help="rows come on change: a value holds until the next of its circuit",
            unit="s",
            example=3600,
            positive=True,
            most=LONGEST_S,
            more="Days without a row of a circuit are then days at the value it had, as long as\n"
            "some circuit of the log has a row at least this often. A longer silence of the whole\n"
            "log is a gap.",
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
            help="W or kW; Wh or kWh; VA or kVA",
            example="kWh",
            kind='"W", "kW", "Wh", "kWh", "VA" or "kVA"',
            read=_as_it_is,
            always=True,
        ),
    ] = "W"
    power_factor: Annotated[
        float | str | int | None,
        Key(
            help="of volts and amps or apparent power: a number, or a column",
            kind="a number above 0 and at most 1, or a column",
            example=0.95,
            read=_as_it_is,
            more="1.0 for a plain heater, else as measured.",
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
    columns: Annotated[
        list[str | int] | None,
        Key(
            help="several that are summed: the legs of one load",
            kind="a list of columns",
            example=["dryer L1", "dryer L2"],
            read=_as_it_is,
            more="Where one of them is missing, the sum is missing.",
        ),
    ] = None
    amps: Annotated[
        str | int | None,
        Key(help="column of amps, with volts", kind="a column", example="I", read=_as_it_is),
    ] = None
    files: Annotated[
        str | None,
        Key(
            help="only in files of this name, where each circuit has its own",
            example="fridge*.csv",
            more='The end of their path counts: "fridge/*" is all in folders of that name.',
        ),
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
    for name in ("unit_column", "only"):
        if log.has(name) and shape == "wide":
            raise log.refuse(name, 'belongs to a log with `layout = "long"`')
    if log.has("unit_column"):
        _column_name(log, "unit_column", values["unit_column"], header=header)
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
            shared = set(taken.names) & set(column.names) and taken.files == column.files
            if shared and column.quantity != "volts_and_amps":
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
    files = table.text("files")
    if files is not None and shape == "long":
        raise table.refuse(
            "files", 'needs `layout = "wide"`: a long log names circuits in its rows'
        )
    names: tuple[str | int, ...]
    if quantity == "volts_and_amps":
        names, unit = _volts_and_amps(table, shape=shape, header=header), "V A"
    else:
        if not isinstance(value, dict):
            names = (_column_name(columns, circuit, value, header=named),)
        else:
            names = _one_or_several(table, quantity, shape=shape, header=named)
        unit_from = table if table.has("quantity") or table.has("unit") else log
        unit = unit_from.choice("unit", UNITS[quantity]) or UNITS[quantity][0]
    for name, needs in (("power_factor", NEEDS_FACTOR), ("rolls_over_at", ("energy_counter",))):
        if table.has(name) and quantity not in needs:
            raise table.refuse(name, f'belongs to `quantity = "{needs[0]}"`')
    rolls = setting("rolls_over_at").number("rolls_over_at", positive=True)
    factor, factor_column = None, None
    if quantity in NEEDS_FACTOR:
        factor, factor_column = _factor(setting("power_factor"), shape=shape, header=header)
    return LogColumn(
        names=names,
        quantity=quantity,
        unit=unit,
        power_factor=factor,
        rolls_over_at=rolls if quantity == "energy_counter" else None,
        factor_column=factor_column,
        files=files,
    )


def _one_or_several(
    table: Fields, quantity: str, *, shape: str, header: bool
) -> tuple[str | int, ...]:
    """Column of a circuit, or those that are summed."""
    if not table.has("columns"):
        if not table.has("column"):
            raise table.missing("column", "the column of this circuit")
        return (_column_name(table, "column", table.table["column"], header=header),)
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
    return tuple(_column_name(table, "columns", one, header=header) for one in listed)


def _volts_and_amps(table: Fields, *, shape: str, header: bool) -> tuple[str | int, ...]:
    if shape == "long":
        raise table.refuse(
            "volts", 'needs `layout = "wide"`: volts and amps must be in the same row'
        )
    for name in ("volts", "amps"):
        if not table.has(name):
            what = "is missing; volts and amps are read from two columns"
            raise table.refuse(name, what, fix=table.show(name))
    return tuple(
        _column_name(table, name, table.table[name], header=header) for name in ("volts", "amps")
    )


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
        return None, _column_name(source, "power_factor", value, header=header)
    if not number or not 0 < value <= 1:
        what = f"must lie above 0 and be at most 1, or name a column, got {value!r}"
        raise source.refuse("power_factor", what, fix=source.show("power_factor"))
    return float(value), None


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
    own: dict[str, object] = {} if column.files is None else {"files": column.files}
    if column.quantity == "volts_and_amps":
        own |= dict(zip(("volts", "amps"), column.names, strict=True))
    else:
        one = len(column.names) == 1
        own |= {"column": column.names[0]} if one else {"columns": list(column.names)}
        if (column.quantity, column.unit) != (quantity, unit):
            own |= {"quantity": column.quantity, "unit": column.unit}
    if column.quantity in NEEDS_FACTOR:
        own["power_factor"] = column.power_factor or column.factor_column
    if column.rolls_over_at is not None:
        own["rolls_over_at"] = float(column.rolls_over_at)
    return toml_value(own if list(own) != ["column"] else column.names[0])
