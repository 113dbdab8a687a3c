"""How a family of log files is laid out: a [[log]] of house.toml."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from pathlib import Path
from typing import Annotated, Literal

from homeenergy.house.limits import Limits
from homeenergy.house.log_columns import (
    LogColumn,
    Quantity,
    Readings,
    as_it_is,
    column_name,
    column_toml,
    read_column,
)
from homeenergy.house.schema import (
    NEAR,
    Fields,
    Key,
    commented,
    read_keys,
    toml_key,
    write_keys,
)
from homeenergy.house.zones import read_zone

TIME_FORMATS = ("iso", "epoch_s", "epoch_ms", "epoch_us", "epoch_ns")
CSV_ONLY = (
    "delimiter",
    "decimal",
    "thousands",
    "units_in_cells",
    "other_minus",
    "encoding",
    "header",
    "lines_above_header",
    "lines_below_header",
    "missing",
    "totals_between",
)
MARKS = ("", ",", ".", " ", "'")
# Own choices: a thousandth of a second; the month on either side that the store looks at.
SHORTEST_S, LONGEST_S = 0.001, 31 * 86_400.0


_MOST_TIME_COLUMNS = 6  # year to second


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


def _texts(fields: Fields, name: str) -> Mapping[str, str]:
    value = fields.get(name, dict)
    for column, text in value.items():
        if not isinstance(text, str):
            raise fields.refuse(name, f"must give a text for {column!r}, got {text!r}")
    texts: Mapping[str, str] = value
    return texts


_OF_TEXT = ("missing", "thousands", "units_in_cells", "other_minus", "totals_between")
_COUNT = {
    "check": lambda lines: lines >= 0 and lines == int(lines),
    "must": "be a whole number of lines",
    "most": 100_000,
}


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
    units_in_cells: Annotated[
        bool,
        Key(help="whether cells hold their unit, as in 120 W or 1.2 kW", example=True),
    ] = False
    other_minus: Annotated[
        bool,
        Key(
            help="whether negative numbers are written as (12.5), 12.5- or with a dash",
            example=True,
        ),
    ] = False
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
    totals_between: Annotated[
        bool,
        Key(
            help="whether rows without a time, such as totals of days, are left out everywhere",
            example=True,
            more="A word, or a day alone among times of day, is no time. At the end of a file\n"
            "rows with a word for a time are left out in any case.",
        ),
    ] = False
    time_columns: Annotated[
        tuple[str | int, ...],
        Key(
            help="several are joined with blanks: date, time of day",
            kind="a list of one to six columns",
            example=["time"],
            read=as_it_is,
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
            read=as_it_is,
        ),
    ] = None
    value_column: Annotated[
        str | int | None,
        Key(
            help="of a long log: where their readings are",
            kind="a column",
            example="watts",
            read=as_it_is,
        ),
    ] = None
    unit_column: Annotated[
        str | int | None,
        Key(
            help="of a long log: where the unit of each reading is",
            kind="a column",
            example="unit",
            read=as_it_is,
        ),
    ] = None
    only: Annotated[
        Mapping[str, str],
        Key(
            help="only rows with these texts are read",
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
    limits: Limits = field(default_factory=Limits)

    @property
    def lines_before_rows(self) -> int:
        """Lines of a CSV before its first row of readings."""
        return self.lines_above_header + int(self.header) + self.lines_below_header


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
    for name in ("quantity", "unit", "power_factor", "power_factor_unit", "rolls_over_at"):
        del values[name]  # what its columns take where they say nothing of their own
    parquet, header = values["format"] == "parquet", values["header"]
    if parquet and not header:
        raise log.refuse("header", "must be true: the columns of a Parquet file have names")
    if parquet:
        for name in (*_OF_TEXT, "lines_above_header", "lines_below_header"):
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
            column_name(log, name, values[name], header=header)
    if log.has("unit_column"):
        if shape == "wide":
            raise log.refuse("unit_column", 'belongs to a log with `layout = "long"`')
        column_name(log, "unit_column", values["unit_column"], header=header)
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
    if not isinstance(names, list) or not 1 <= len(names) <= _MOST_TIME_COLUMNS:
        what = f"must be a list of one to six columns, got {names!r}"
        raise log.refuse("time_columns", what, fix=log.show("time_columns"))
    return tuple(column_name(log, "time_columns", name, header=header) for name in names)


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
        if circuit not in circuits and not _is_other(log, value):
            near = get_close_matches(circuit, circuits, n=1, cutoff=NEAR)
            raise columns.refuse(
                circuit,
                "is not a circuit of the panel schedule",
                fix=f"Did you mean `{near[0]}`?"
                if near
                else f"Circuits: {', '.join(circuits) or 'none'}.",
            )
        column = read_column(log, columns, circuit, value, shape=shape, header=header)
        for other, taken in found.items():
            shared = set(taken.names) & set(column.names) and taken.files == column.files
            of_volts = "volts_and_amps" in (column.quantity, taken.quantity)
            if shared and not of_volts:
                raise columns.refuse(circuit, f"takes the same column as `{other}`")
        found[circuit] = column
    return found


def _is_other(log: Fields, value: object) -> bool:
    """Whether a line of [log.columns] holds what is no circuit's."""
    own = value.get("quantity") if isinstance(value, dict) else None
    return (own or log.table.get("quantity")) == "other"


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
    none = ("power_factor", "power_factor_unit", "rolls_over_at")
    lines = [f"# {' '.join(remark.split())}" for remark in remarks] + ["[[log]]"]
    lines += write_keys(layout, comments=comments, skip=skip)
    lines += write_keys(shared, comments=comments, skip=none)
    meaning = "" if comments == "none" else "circuit = what the log calls it"
    lines += ["", commented("[log.columns]", meaning)]
    for circuit, column in layout.columns.items():
        lines.append(f"{toml_key(circuit)} = {column_toml(column, quantity, unit)}")
    return "\n".join(lines) + "\n"


def _commonest(layout: LogLayout) -> tuple[Quantity, str]:
    pairs = Counter(
        (column.quantity, column.unit)
        for column in layout.columns.values()
        if column.quantity != "volts_and_amps"
    )
    return pairs.most_common(1)[0][0] if pairs else ("power", "W")
