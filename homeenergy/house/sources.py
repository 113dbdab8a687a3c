"""Where readings are recorded from: a [[source]] of house.toml."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import Annotated, Any, Literal

from homeenergy.house.log_columns import as_it_is
from homeenergy.house.schema import (
    NEAR,
    Fields,
    Key,
    commented,
    read_keys,
    toml_key,
    toml_value,
    values_of,
    write_keys,
)

Kind = Literal["input", "file", "socket", "serial", "mqtt", "modbus"]
Lines = Literal["columns", "pattern", "json", "telegram", "pulses"]
RECORDED = "logs/recorded"
PASSWORDS = "homeenergy"  # under this name passwords are kept in the keyring
_NAME = re.compile(r"[A-Za-z0-9_-]+")
_FIELD = {
    "kind": "a text, a number, or a list of them",
    "read": as_it_is,
    "check": lambda value: bool(_listed(value)),
    "must": "be a text, a number from 1, or a list of them",
}


def _listed(value: object) -> tuple[str | int, ...]:
    """Fields as a tuple; empty where one of them cannot be a field."""
    values: list[Any] = list(value) if isinstance(value, list | tuple) else [value]
    good = all(
        (isinstance(one, str) and one) or (type(one) is int and 1 <= one < 10_000) for one in values
    )
    return tuple(values) if good else ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where the readings of one circuit are in a source.

    `field` and `minus` are tuples of fields that are summed; both are empty where a whole message
    is the number.
    """

    field: Annotated[
        Any,
        Key(
            help="column, group of the pattern, path in JSON, or OBIS code; several are summed",
            example="1-0:1.7.0",
            **_FIELD,
        ),
    ] = ()
    minus: Annotated[
        Any,
        Key(help="fields that are subtracted, as what is exported", example="1-0:2.7.0", **_FIELD),
    ] = ()
    topic: Annotated[
        str | None,
        Key(
            help="of MQTT, without wildcards",
            example="house/kitchen/watts",
            check=lambda topic: not set("+#\0") & set(topic),
            must="be one topic, without + and #",
        ),
    ] = None
    register: Annotated[
        int | None,
        Key(help="of Modbus, counted from 0", example=52, least=0, most=65_535),
    ] = None
    table: Annotated[
        Literal["holding", "input"], Key(help="of Modbus: which registers", example="input")
    ] = "holding"
    number: Annotated[
        Literal["int16", "uint16", "int32", "uint32", "int64", "uint64", "float32", "float64"],
        Key(help="of Modbus: what its registers hold", example="float32"),
    ] = "uint16"
    low_word_first: Annotated[
        bool, Key(help="of Modbus: whether the low register comes first", example=True)
    ] = False
    station: Annotated[
        int, Key(help="of Modbus: address of the meter", example=2, least=0, most=255)
    ] = 1
    scale: Annotated[
        float,
        Key(
            help="what is read is multiplied by it",
            example=0.1,
            check=lambda scale: scale != 0,
            must="not be 0: it would erase the readings",
        ),
    ] = 1.0
    impulses_per_kwh: Annotated[
        float | None,
        Key(help="of pulses, as the meter's plate says", example=1000, positive=True, most=1e6),
    ] = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """One thing that readings come from: a [[source]] of house.toml."""

    name: Annotated[
        str,
        Key(
            help=f"short and unique; its files are {RECORDED}/NAME/*.csv",
            example="panel",
            check=lambda name: _NAME.fullmatch(name) is not None,
            must="be made of letters, digits, _ and -",
        ),
    ]
    kind: Annotated[
        Kind, Key(help="standard input, a file that grows, or what to connect to", example="mqtt")
    ]
    circuits: Annotated[Mapping[str, Place], Key(help="where the readings of each circuit are")]
    address: Annotated[
        str,
        Key(
            help="host:port; of a file, a UNIX socket or a serial line, its path",
            example="192.168.1.20:8883",
            otherwise="none; only standard input has none",
        ),
    ] = ""
    lines: Annotated[
        Lines,
        Key(
            help="how lines or messages are read",
            example="telegram",
            more='"columns" are numbered from 1; "pattern" is a regular expression; "json" has\n'
            'paths such as "panel.0.watts"; "telegram" is IEC 62056-21 with OBIS codes; with\n'
            '"pulses" each line is one pulse of the meter.',
        ),
    ] = "columns"
    delimiter: Annotated[
        str,
        Key(
            help="between columns",
            example=";",
            check=lambda mark: len(mark) == 1,
            must='be one character such as "," ";" or "\\t"',
        ),
    ] = ","
    decimal: Annotated[
        str, Key(help="decimal mark of its numbers", example=",", one_of=(".", ","))
    ] = "."
    pattern: Annotated[
        str | None,
        Key(
            help="regular expression with named groups",
            example="P=(?P<watts>[0-9.]+)",
            check=lambda text: _compiles(text),
            must="be a regular expression",
        ),
    ] = None
    name_field: Annotated[
        Any,
        Key(
            help="field that names the circuit, where each line has one reading",
            example=1,
            **_FIELD | {"kind": "a text or a number"},
        ),
    ] = None
    value_field: Annotated[
        Any,
        Key(
            help="with name_field: the field that holds the reading",
            example=2,
            **_FIELD | {"kind": "a text or a number"},
        ),
    ] = None
    time_field: Annotated[
        Any,
        Key(
            help="field that holds the time; left out, a reading has the time when it came",
            example=1,
            **_FIELD | {"kind": "a text or a number"},
        ),
    ] = None
    time_format: Annotated[
        Literal["iso", "epoch_s", "epoch_ms"],
        Key(help="of time_field; a time without offset is UTC", example="epoch_s"),
    ] = "iso"
    every_s: Annotated[
        float,
        Key(
            help="of Modbus: from one reading to the next",
            unit="s",
            example=5,
            positive=True,
            least=0.1,
            most=86_400,
        ),
    ] = 10.0
    baud: Annotated[
        int, Key(help="of a serial line", unit="bit/s", example=115_200, least=50, most=4_000_000)
    ] = 9600
    framing: Annotated[
        Literal["8N1", "7E1", "8E1", "8N2"],
        Key(help="of a serial line: data bits, parity, stop bits", example="7E1"),
    ] = "8N1"
    user: Annotated[str | None, Key(help="to log in with", example="recorder")] = None
    password_variable: Annotated[
        str | None,
        Key(
            help="environment variable that holds the password; else the keyring is asked",
            example="BROKER_PASSWORD",
            more="A password is never written into house.toml. Store it with:\n"
            f"keyring set {PASSWORDS} USER@ADDRESS",
        ),
    ] = None
    tls: Annotated[bool, Key(help="of MQTT: whether the connection is encrypted", example=True)] = (
        False
    )
    certificates: Annotated[
        str | None,
        Key(help="file with the authority that signed the broker's certificate", example="ca.pem"),
    ] = None
    mqtt_version: Annotated[
        Literal["3.1.1", "5"], Key(help="of MQTT: version of the protocol", example="5")
    ] = "3.1.1"
    meter: Annotated[
        Place | None,
        Key(
            help="the utility meter's register [kWh]: a line a day in meter_readings.csv",
            kind="as the line of a circuit",
            example={"field": "1-0:1.8.0"},
            read=as_it_is,
            write=lambda place: _place_toml(place),
        ),
    ] = None

    @property
    def own_times(self) -> bool:
        """Whether readings carry the time at which they were taken."""
        return self.time_field is not None

    @property
    def folder(self) -> str:
        """Where its readings are written, from the house's folder."""
        return f"{RECORDED}/{self.name}"


def _compiles(text: str) -> bool:
    try:
        re.compile(text)
    except re.error:
        return False
    return True


def read_sources(top: Fields, *, circuits: tuple[str, ...]) -> tuple[Source, ...]:
    """Check all [[source]] tables.

    Parameters
    ----------
    top : Fields
        The whole file.
    circuits : tuple of str
        Names of the circuits of the panel schedule.

    Raises
    ------
    HouseError
        Naming the key and what was expected; also for a circuit that two sources hold.
    """
    found: list[Source] = []
    for row in top.tables("source"):
        one = _read_source(row, circuits)
        for other in found:
            if other.name.lower() == one.name.lower():
                raise row.refuse("name", f"{one.name!r} is already the name of a source")
            if both := sorted(set(other.circuits) & set(one.circuits)):
                raise row.refuse(
                    "circuits",
                    f"holds `{both[0]}`, which the source `{other.name}` holds as well",
                    fix="Record each circuit from one source.",
                )
        found.append(one)
    return tuple(found)


def _read_source(row: Fields, circuits: tuple[str, ...]) -> Source:
    values = read_keys(row, Source)
    kind, lines = values["kind"], values["lines"]
    if (kind == "input") == bool(values["address"]):
        what = "belongs to a source to connect to" if values["address"] else "is missing"
        raise row.refuse("address", what, fix=row.show("address"))
    if kind == "modbus" and row.has("lines"):
        raise row.refuse("lines", f'does not belong to `kind = "{kind}"`')
    if (lines == "pattern") != (values["pattern"] is not None):
        raise row.refuse("pattern", 'belongs to `lines = "pattern"`, which needs it')
    if (values["name_field"] is None) != (values["value_field"] is None):
        raise row.refuse("value_field", "and name_field need each other")
    if values["name_field"] is not None and lines not in ("columns", "pattern", "json"):
        raise row.refuse("name_field", f'does not belong to `lines = "{lines}"`')
    if lines in ("columns", "pulses"):
        for name in ("name_field", "value_field", "time_field"):
            if row.has(name) and not isinstance(values[name], int):
                raise row.refuse(name, f"must be the number of a column, got {values[name]!r}")
    if kind == "mqtt":
        values["lines"] = lines if row.has("lines") else "json"
    table = row.inner("circuits", required=True)
    places = {}
    for circuit, value in table.table.items():
        if circuit not in circuits:
            near = get_close_matches(circuit, circuits, n=1, cutoff=NEAR)
            listed = ", ".join(circuits) or "none"
            fix = f"Did you mean `{near[0]}`?" if near else f"Circuits: {listed}."
            raise table.refuse(circuit, "is not a circuit of the panel schedule", fix=fix)
        places[circuit] = _read_place(table, circuit, value, values)
    if not places:
        raise row.refuse("circuits", "is empty; expected one line a circuit")
    meter = values["meter"]
    if meter is not None:
        values["meter"] = _read_place(row, "meter", meter, values)
    return Source(**values, circuits=places)


def _main_key(kind: Kind, lines: Lines) -> str:
    """Key of a place that may be written alone."""
    of_lines = "impulses_per_kwh" if lines == "pulses" else "field"
    return {"mqtt": "topic", "modbus": "register"}.get(kind, of_lines)


def _read_place(table: Fields, name: str, value: object, values: Mapping[str, Any]) -> Place:
    main = _main_key(values["kind"], values["lines"])
    own = value if isinstance(value, dict) else {main: value}
    fields = Fields(own, path=table.path, where=table.key(name))
    place = read_keys(fields, Place)
    for key in ("field", "minus"):
        place[key] = _listed(place[key]) if fields.has(key) else ()
    needed = [main]
    if values["kind"] == "mqtt" and values["lines"] == "pulses":
        needed.append("impulses_per_kwh")
    for key in needed:
        if not fields.has(key):
            raise fields.missing(key, "where the readings of this circuit are")
    if values["lines"] == "columns" and values["name_field"] is None:
        for column in (*place["field"], *place["minus"]):
            if isinstance(column, str):
                raise fields.refuse("field", f"must be the number of a column, got {column!r}")
    if values["lines"] == "pattern" and values["name_field"] is None:
        groups = re.compile(values["pattern"]).groupindex
        for group in (*place["field"], *place["minus"]):
            if group not in groups:
                listed = ", ".join(groups) or "none"
                raise fields.refuse(
                    "field",
                    f"{group!r} is not a named group of the pattern",
                    fix=f"Its groups: {listed}.",
                )
    return Place(**place)


def _place_toml(place: Place) -> object:
    """Write a place as TOML has it, alone where it is one field."""
    own = values_of(place)
    for name in ("field", "minus"):
        fields = getattr(place, name)
        if fields:
            own[name] = fields[0] if len(fields) == 1 else list(fields)
    alone = next(iter(own)) if len(own) == 1 else ""
    return own[alone] if alone in ("field", "topic", "register", "impulses_per_kwh") else own


def source_toml(
    source: Source, *, comments: Literal["none", "short", "all"] = "none", remarks: str = ""
) -> str:
    """Write a source as a [[source]] block.

    Parameters
    ----------
    source : Source
    comments : str
        As for `homeenergy.house.schema.write_keys`.
    remarks : str
        Lines of a comment above it.
    """
    lines = [f"# {line}" for line in remarks.splitlines()] + ["[[source]]"]
    lines += write_keys(source, comments=comments)
    lines += ["", commented("[source.circuits]", "" if comments == "none" else "circuit = where")]
    lines += [f"{toml_key(c)} = {toml_value(_place_toml(p))}" for c, p in source.circuits.items()]
    return "\n".join(lines) + "\n"


def path_of(source: Source, folder: Path) -> Path:
    """Path that an address names, from the house's folder."""
    return folder / source.address
