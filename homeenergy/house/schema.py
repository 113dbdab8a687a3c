"""Keys of house.toml, each declared once: to be read, checked, written and explained.

A table of house.toml is a dataclass whose attributes are annotated with a `Key`. From the
declaration come the reading (`read_keys`) with its errors, the writing (`write_keys`) and the
reference (`homeenergy.house.reference`). What only several keys together can violate is checked
where the table is built.
"""

from __future__ import annotations

import dataclasses
import json
import math
import re
import sys
import tomllib
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import MISSING, dataclass
from difflib import get_close_matches
from functools import cache
from pathlib import Path
from types import NoneType, UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin, get_type_hints

from homeenergy.errors import HouseError

_PLACE = re.compile(r"at line (\d+), column (\d+)")
_WORDS = {bool: "true or false", str: "a text", dict: "a table", list: "a list"}
LARGEST = 1e9  # number; own choice
LONGEST_TEXT = 10_000  # letters; own choice
_SHOWN = 60  # letters of a value that is refused
NEAR = 0.55  # least likeness of a key that may have been meant; own choice


@dataclass(frozen=True, slots=True, kw_only=True)
class Key:
    """What the declaration of one key says, in addition to its type and default.

    Attributes
    ----------
    help : str
        What it means, in one line.
    name : str
        In the file, where that is not the name of the attribute.
    unit : str
    example : object
        As TOML has it.
    one_of : collection of str
        Words that are allowed; a mapping is looked up when a file is read.
    positive : bool
        Whether a number must lie above 0.
    least, most : float
        Range of a number, both included. What is usual here no house reaches.
    check, must, fix : callable, str, str
        A further check of a value, what it must be, and what to do.
    read, write, kind : callable, callable, str
        Where TOML has another form than the attribute: from a table and the name of the key, to
        TOML, and that form in words.
    otherwise : str
        What holds where the key is left out, if that is not simply its default.
    always : bool
        Whether it is written although it has its default.
    more : str or callable
        Further lines of explanation, or what makes them.
    """

    help: str
    name: str = ""
    unit: str = ""
    example: object = None
    one_of: Collection[str] = ()
    positive: bool = False
    least: float = -LARGEST
    most: float = LARGEST
    check: Callable[[Any], bool] | None = None
    must: str = ""
    fix: str = ""
    read: Callable[[Fields, str], Any] | None = None
    write: Callable[[Any], object] | None = None
    kind: str = ""
    otherwise: str = ""
    always: bool = False
    more: str | Callable[[], str] = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Declared:
    """A key with what its attribute adds: name, type, default, and whether it is a table."""

    attribute: str
    name: str
    key: Key
    type: Any
    default: Any
    required: bool
    nested: bool

    @property
    def example(self) -> str:
        """A line that shows it; empty where there is none."""
        if self.key.example is None:
            return ""
        return f"{self.name} = {toml_value(self.key.example)}"

    @property
    def inner(self) -> Mapping[str, Declared]:
        """Keys of the one table that it is; none for a list of tables or names of one's own."""
        return keys_of(self.type) if dataclasses.is_dataclass(self.type) else {}

    @property
    def words(self) -> str:
        """Of what form its value is."""
        unit = f" [{self.key.unit}]" if self.key.unit else ""
        if self.key.kind:
            return self.key.kind + unit
        if self.allowed:
            return ", ".join(f'"{word}"' for word in self.allowed)
        if self.type is float or self.type is int:
            return f"a number{' above 0' if self.key.positive else ''}{unit}"
        if self.type is bool:
            return "true or false"
        return "a list of texts" if get_origin(self.type) is tuple else "a text"

    @property
    def allowed(self) -> tuple[str, ...]:
        """Words of which it must be one; empty where there is no such list."""
        if self.key.one_of:
            return tuple(self.key.one_of)
        return get_args(self.type) if get_origin(self.type) is Literal else ()


def keys_of(table: Any) -> Mapping[str, Declared]:
    """Keys that a dataclass declares, by their name in the file, in order."""
    return _keys_of(table)


@cache
def _keys_of(table: Any) -> Mapping[str, Declared]:
    known = vars(sys.modules[table.__module__])
    hints = get_type_hints(table, globalns=known, include_extras=True)
    found = {}
    for field in dataclasses.fields(table):
        hint = hints[field.name]
        if get_origin(hint) is not Annotated:
            continue
        kind, *notes = get_args(hint)
        (key,) = (note for note in notes if isinstance(note, Key))
        if get_origin(kind) in (Union, UnionType):
            several = [one for one in get_args(kind) if one is not NoneType]
            kind = several[0] if len(several) == 1 else kind
        made = field.default_factory
        default = field.default if made is MISSING else made()
        inner = get_args(kind)[0] if get_origin(kind) is tuple else kind
        name = key.name or field.name
        found[name] = Declared(
            attribute=field.name,
            name=name,
            key=key,
            type=kind,
            default=None if default is MISSING else default,
            required=default is MISSING and not key.otherwise,
            nested=key.read is None
            and (dataclasses.is_dataclass(inner) or get_origin(kind) is Mapping),
        )
    return found


class Fields:
    """One table of a TOML file; every refusal says where it is and what was expected.

    Parameters
    ----------
    table : dict
        As tomllib gives it.
    path : Path
        The file, for messages.
    where : str
        Key that leads to the table, such as `circuit[2]`; empty for the file itself.
    """

    def __init__(self, table: dict[str, Any], *, path: Path, where: str = "") -> None:
        self.table, self.path, self.where = table, path, where
        self.known: Mapping[str, Declared] = {}

    def key(self, name: str) -> str:
        """Full name of a key of this table."""
        return f"{self.where}.{name}" if self.where else name

    def refuse(self, name: str, what: str, *, fix: str | None = None) -> HouseError:
        """Build the error about one key."""
        return HouseError(f"`{self.key(name)}` {what}", path=self.path, fix=fix)

    def show(self, name: str) -> str | None:
        """What to write for a key, if an example is declared."""
        example = self.known[name].example if name in self.known else ""
        return f"Write for example: {example}" if example else None

    def only(self, known: Mapping[str, Declared]) -> None:
        """Refuse keys that mean nothing here, and remember those that do."""
        self.known = known
        for name in self.table:
            if name in known:
                continue
            inner = [one for one in known.values() if one.nested and name in one.inner]
            if inner:
                where = f"{inner[0].name}.{name}"
                fix = f"It belongs to {inner[0].name}: write {where} = ... in the same place."
                raise self.refuse(name, "is not a known key", fix=fix)
            near = get_close_matches(name, known, n=1, cutoff=NEAR)
            unit = known[near[0]].key.unit if near else ""
            hint = f"Did you mean `{near[0]}`" if near else ""
            fix = f"{hint}{f' [{unit}]' if unit else ''}?" if near else _listed(known)
            raise self.refuse(name, "is not a known key", fix=fix)

    def has(self, name: str) -> bool:
        """Whether the key is there."""
        return name in self.table

    def missing(self, name: str, expected: str) -> HouseError:
        """Build the error about a key that is not there."""
        return self.refuse(name, f"is missing; expected {expected}", fix=self.show(name))

    def get(self, name: str, kind: type, *, default: Any = None, required: bool = False) -> Any:
        """Value of a type that TOML knows."""
        if name not in self.table:
            if required:
                raise self.missing(name, _WORDS[kind])
            return default
        value = self.table[name]
        if not isinstance(value, kind):
            what = f"must be {_WORDS[kind]}, got {_short(value)}"
            raise self.refuse(name, what, fix=self.show(name))
        return value

    def text(self, name: str, *, required: bool = False) -> str | None:
        """Read a text that is not empty."""
        value: str | None = self.get(name, str, required=required)
        if value == "":
            raise self.refuse(name, "must not be empty", fix=self.show(name))
        if value is not None and len(value) > LONGEST_TEXT:
            what = f"must have at most {LONGEST_TEXT:,} letters, and has {len(value):,}"
            raise self.refuse(name, what)
        return value

    def choice(self, name: str, allowed: Collection[str], *, required: bool = False) -> Any:
        """Read one of a few words."""
        value = self.get(name, str, required=required)
        if value is None or value in allowed:
            return value
        words = ", ".join(f'"{word}"' for word in allowed)
        near = get_close_matches(value, list(allowed), n=1, cutoff=NEAR)
        fix = f'Did you mean "{near[0]}"?' if near else self.show(name)
        raise self.refuse(name, f"must be one of {words}, got {_short(value)}", fix=fix)

    def number(self, name: str, *, required: bool = False, positive: bool = False) -> float | None:
        """Read a finite number."""
        if name not in self.table:
            if required:
                raise self.missing(name, "a number")
            return None
        value = self.table[name]
        if isinstance(value, bool) or not isinstance(value, int | float):
            what = f"must be a number, got {_short(value)}"
            raise self.refuse(name, what, fix=self._bare(name, value))
        if not abs(value) < math.inf or (positive and value <= 0):
            kind = "a number above 0" if positive else "a finite number"
            raise self.refuse(name, f"must be {kind}, got {_short(value)}", fix=self.show(name))
        key = self.known[name].key if name in self.known else Key(help="")
        if not key.least <= value <= key.most:
            bound, mark = (key.least, "least") if value < key.least else (key.most, "most")
            what = f"must be at {mark} {bound:g}, got {_short(value)}"
            raise self.refuse(name, what, fix=self.show(name))
        return float(value)

    def _bare(self, name: str, value: object) -> str | None:
        """Say how a number is written, with the one that a text begins with."""
        unit = self.known[name].key.unit if name in self.known else ""
        parts = re.fullmatch(r"\s*([-+]?\d+(?:\.\d+)?)\s*(.*?)\s*", str(value))
        if not isinstance(value, str) or parts is None:
            return self.show(name)
        number, given = parts.groups()
        alone = f"Write the number alone{f', in {unit}' if unit else ''}, without quotes"
        if given not in ("", unit):  # of another unit the number would be another
            example = self.known[name].example if name in self.known else ""
            return f"{alone}{f', such as: {example}' if example else ''}"
        return f"{alone}: {name} = {number}"

    def inner(self, name: str, *, required: bool = False) -> Fields:
        """Open a table inside this one; an empty one where the key is left out."""
        table = self.get(name, dict, default={}, required=required)
        return Fields(table, path=self.path, where=self.key(name))

    def tables(self, name: str) -> list[Fields]:
        """Open the repeated tables [[name]], counted from 1 as a person counts."""
        rows = self.get(name, list, default=[])
        if not all(isinstance(row, dict) for row in rows):
            raise self.refuse(name, f"must be written as [[{self.key(name)}]] tables")
        return [
            Fields(row, path=self.path, where=f"{self.key(name)}[{number}]")
            for number, row in enumerate(rows, start=1)
        ]

    def texts(self, name: str) -> tuple[str, ...]:
        """Read a list of texts; empty where the key is left out."""
        values = self.get(name, list, default=[])
        if not all(isinstance(value, str) for value in values):
            what = f"must be a list of texts, got {_short(values)}"
            raise self.refuse(name, what, fix=self.show(name))
        return tuple(values)

    def read(self, one: Declared) -> Any:
        """Value of a declared key, as its attribute holds it; its default where it is left out."""
        if not self.has(one.name) and not one.required:
            return one.default
        value = self._read(one)
        key = one.key
        if key.check is not None and not key.check(value):
            got = f"{value:g}" if isinstance(value, float) else _short(value)
            raise self.refuse(
                one.name, f"must {key.must}, got {got}", fix=key.fix or self.show(one.name)
            )
        return value

    def _read(self, one: Declared) -> Any:
        if one.key.read is not None:
            if one.required and not self.has(one.name):
                raise self.missing(one.name, one.key.kind)
            return one.key.read(self, one.name) if self.has(one.name) else None
        if one.allowed:
            return self.choice(one.name, one.allowed, required=one.required)
        if one.type in (float, int):
            value = self.number(one.name, required=one.required, positive=one.key.positive)
            whole = one.type is int and value is not None and value == int(value)
            return int(value) if value is not None and whole else value
        if one.type is bool:
            return self.get(one.name, bool, required=one.required)
        if get_origin(one.type) is tuple:
            return self.texts(one.name)
        return self.text(one.name, required=one.required)


def _short(value: object) -> str:
    """A value for a message, the beginning of it if it is long."""
    if isinstance(value, int) and abs(value) > LARGEST**2:
        return f"a number of {math.floor(math.log10(abs(value))) + 1} digits"
    text = repr(value)
    return text if len(text) <= _SHOWN else f"{text[:_SHOWN]} ..."


def _listed(known: Iterable[str]) -> str:
    return f"Known here: {', '.join(known)}."


def read_keys(fields: Fields, *tables: type) -> dict[str, Any]:
    """Values of all keys that some dataclasses declare, by attribute; inner tables left out.

    Raises
    ------
    HouseError
        For a key that none of them declares, or a value that cannot be meant.
    """
    known = {name: one for table in tables for name, one in keys_of(table).items()}
    fields.only(known)
    return {one.attribute: fields.read(one) for one in known.values() if not one.nested}


def load_toml(path: Path) -> dict[str, Any]:
    """Tables of a TOML file.

    Raises
    ------
    HouseError
        If it is not there, not UTF-8 or not TOML, with line and column.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        if path.name != "house.toml":
            raise HouseError("there is no such file", path=path) from None
        raise HouseError(
            "there is no house.toml here",
            path=path.parent,
            fix="Give a house's folder, or start one with `homeenergy new FOLDER --from FILE...`.",
        ) from None
    except UnicodeDecodeError as error:
        raise HouseError(f"is not UTF-8 text ({error.reason})", path=path) from None
    except OSError as error:
        raise HouseError(f"cannot be read: {error.strerror}", path=path) from None
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        place = _PLACE.search(str(error))
        twice = "overwrite" in str(error) or "twice" in str(error)
        raise HouseError(
            f"is not valid TOML: {_PLACE.sub('', str(error)).replace('()', '').strip()}",
            path=path,
            line=int(place[1]) if place else text.count("\n") + 1,
            column=int(place[2]) if place else None,
            fix="The key or table is there already: keep one of the two."
            if twice
            else "Texts are in double quotes; a line is `key = value`.",
        ) from None
    except (ValueError, RecursionError) as error:  # thousands of digits, or of brackets
        what = "holds brackets inside brackets without end"
        if isinstance(error, ValueError):
            what = f"holds a value that cannot be read ({str(error).partition(';')[0]})"
        raise HouseError(what, path=path, fix="Look for a line that is far too long.") from None


def toml_value(value: object) -> str:
    """Write a text, number, flag, list or table as TOML on one line."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        inside = ", ".join(f"{toml_key(k)} = {toml_value(v)}" for k, v in value.items())
        return f"{{ {inside} }}"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(toml_value(item) for item in value) + "]"
    if isinstance(value, float):
        return repr(value).removesuffix(".0")
    if isinstance(value, int):
        return str(value)
    return json.dumps(str(value), ensure_ascii=False)


def toml_key(key: str) -> str:
    """Write a key, quoted where it must be."""
    plain = key.replace("_", "").replace("-", "").isalnum() and key.isascii()
    return key if plain else json.dumps(key, ensure_ascii=False)


def values_of(table: object) -> dict[str, object]:
    """TOML values of the keys of a table that differ from their default, or are always written."""
    found: dict[str, object] = {}
    for one in keys_of(type(table)).values():
        value = getattr(table, one.attribute)
        if value is None or (one.nested and one.key.write is None):
            continue
        if one.required or one.key.always or value != one.default:
            found[one.name] = value if one.key.write is None else one.key.write(value)
    return found


def write_keys(
    table: object, *, comments: Literal["none", "short", "all"] = "none", skip: Collection[str] = ()
) -> list[str]:
    """Lines `key = value` of a table, in the order of its declaration.

    Parameters
    ----------
    table : dataclass
    comments : str
        "short" adds what a key means; "all" also further explanation above it, and keys that are
        left out as examples behind a #.
    skip : collection of str
        Keys that are left out.
    """
    values = values_of(table)
    lines = []
    for name, one in keys_of(type(table)).items():
        if name in skip or (one.nested and one.key.write is None):
            continue
        more = one.key.more() if callable(one.key.more) else one.key.more
        if comments == "all":
            lines += [f"# {line}" for line in more.splitlines()]
        if name in values:
            text = f"{name} = {toml_value(values[name])}"
        elif comments == "all" and one.example:
            text = f"# {one.example}"
        else:
            continue
        lines.append(text if comments == "none" else commented(text, one.key.help))
    return lines


def commented(text: str, comment: str) -> str:
    """A line with a comment behind it."""
    return f"{text:<34} # {comment}" if comment else text
