"""From what a source sends to readings: columns, patterns, JSON, telegrams, pulses."""

from __future__ import annotations

import json
import math
import re
from collections import Counter
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from functools import partial
from typing import Any

from homeenergy.house.sources import Place, Source
from homeenergy.record.telegram import (
    Telegram,
    WrongChecksumError,
    read_telegram,
    register_of,
    take_telegram,
)

Reading = tuple[str, float, int]  # circuit, value, instant [ms since 1970]
METER = ""  # the circuit of the utility meter's own register
LARGEST_READING = 1e15  # as in a log
LONGEST_LINE = 65_536  # bytes; own choice
_STATES = {"on": 1.0, "off": 0.0, "true": 1.0, "false": 0.0, "1": 1.0, "0": 0.0}
_EARLIEST_MS, _LAST_MS = 946_684_800_000, 4_102_444_800_000  # 2000 to 2100


class BadReadingError(ValueError):
    """What a source sent is no reading; the text is why, the same for all of its sort."""


def number_of(text: object) -> float:
    """A finite number, or an error that says what it was."""
    if isinstance(text, bool) or text is None:
        raise BadReadingError("no number")
    try:
        value = float(text)  # type: ignore[arg-type]
    except (TypeError, ValueError, OverflowError):
        empty = isinstance(text, str) and not text.strip()
        raise BadReadingError("empty" if empty else "no number") from None
    if not abs(value) <= LARGEST_READING:
        raise BadReadingError("not finite" if not math.isfinite(value) else "beyond any reading")
    if isinstance(text, str) and "_" in text:
        raise BadReadingError("no number")
    return value


def number_with_comma(text: object) -> float:
    """The same, of a number whose decimal mark is a comma."""
    if not isinstance(text, str):
        return number_of(text)
    if "." in text:
        raise BadReadingError("no number with a decimal comma")
    return number_of(text.replace(",", "."))


def state_of(text: object) -> float:
    """1 where it says on, 0 where it says off."""
    word = str(text).strip().strip('"').lower().removesuffix(".0")
    if word not in _STATES:
        raise BadReadingError("neither on nor off")
    return _STATES[word]


def instant_of(text: object, form: str) -> int:
    """Instant of a stamp [ms since 1970]; without an offset it is UTC."""
    try:
        if form == "iso":
            at = datetime.fromisoformat(str(text).strip())
            at = at.replace(tzinfo=UTC) if at.tzinfo is None else at
            found = round(at.timestamp() * 1000)
        else:
            found = round(float(text) * (1000 if form == "epoch_s" else 1))  # type: ignore[arg-type]
    except (TypeError, ValueError, OverflowError):
        raise BadReadingError("no time") from None
    if not _EARLIEST_MS <= found < _LAST_MS:
        raise BadReadingError("a time before 2000 or after 2100")
    return found


class Reader:
    """Reads what one source sends.

    Parameters
    ----------
    source : Source
    states : collection of str
        Circuits whose readings are on or off.
    counted : dict
        Of pulses: energy counted so far [Wh] by circuit.

    Attributes
    ----------
    bad : Counter
        What was no reading, by why.
    unchecked : int
        Telegrams without a checksum.
    places : dict
        Where readings are, by circuit; that of the utility meter's own register is `METER`.
    """

    def __init__(
        self,
        source: Source,
        *,
        states: frozenset[str] = frozenset(),
        counted: Mapping[str, float] | None = None,
    ) -> None:
        self.source = source
        self.bad: Counter[str] = Counter()
        self.unchecked = 0
        self._checksums = False  # whether its telegrams have them
        self.counted = dict(counted or {})
        self.places = dict(source.circuits)
        if source.meter is not None:
            self.places[METER] = source.meter
        self._named = {
            str(field): circuit for circuit, one in self.places.items() for field in one.field
        }
        self._scaled = {
            field for one in self.places.values() if one.scale != 1 for field in one.field
        }
        number = number_with_comma if source.decimal == "," else number_of
        self._convert = {c: state_of if c in states else number for c in self.places}
        self._buffer = bytearray()
        self._pattern = re.compile(source.pattern) if source.pattern else None
        named = source.lines == "columns" and source.name_field is not None
        if named:
            time_at = None if source.time_field is None else source.time_field - 1
            self._at = time_at, source.name_field - 1, source.value_field - 1
        self._line: Callable[[str, int], list[Reading]] = {
            "columns": self._named_columns if named else self._columns,
            "pattern": self._match,
            "json": self._json,
            "pulses": self._pulse,
        }.get(source.lines, self._columns)

    @property
    def rest_bytes(self) -> int:
        """Bytes of a line whose end has not come yet."""
        return len(self._buffer)

    def forget_rest(self) -> None:
        """Drop the beginning of a line, as where a connection was lost."""
        self._buffer.clear()

    def feed(self, data: bytes, now_ms: int) -> list[Reading]:
        """Readings in the next bytes of a stream of lines or telegrams."""
        self._buffer += data
        if self.source.lines == "telegram":
            return self._telegrams(now_ms)
        head, mark, rest = self._buffer.rpartition(b"\n")
        if not mark:
            if len(self._buffer) > LONGEST_LINE:
                self._buffer.clear()
                self.bad["a line without end"] += 1
            return []
        self._buffer = bytearray(rest)
        found: list[Reading] = []
        for line in head.decode("utf-8", "replace").split("\n"):
            if line and line != "\r":
                found += self._guarded(line.rstrip("\r"), now_ms)
        return found

    def message(self, topic: str, payload: bytes | bytearray, now_ms: int) -> list[Reading]:
        """Readings in one message of MQTT."""
        try:
            text = payload.decode("utf-8")
        except UnicodeDecodeError:
            self.bad["not UTF-8"] += 1
            return []
        mine = {c: one for c, one in self.places.items() if one.topic == topic}
        plain = {c: one for c, one in mine.items() if not one.field}
        found: list[Reading] = []
        try:
            if self.source.lines == "pulses":
                return [one for c in mine for one in self._count(c, mine[c], now_ms)]
            for circuit, one in plain.items():
                found += self._one(circuit, one, [text], now_ms)
            if len(mine) > len(plain):
                fields = {c: one for c, one in mine.items() if one.field}
                found += self._json(text, now_ms, fields)
        except BadReadingError as error:
            self.bad[str(error)] += 1
        return found

    def registers(self, values: Mapping[str, float], now_ms: int) -> list[Reading]:
        """Readings of registers that were polled, by circuit."""
        return [
            reading
            for circuit, value in values.items()
            for reading in self._one(circuit, self.places[circuit], [value], now_ms)
        ]

    def _guarded(self, line: str, now_ms: int) -> list[Reading]:
        try:
            return self._line(line, now_ms)
        except BadReadingError as error:
            self.bad[str(error)] += 1
            return []

    def _one(self, circuit: str, place: Place, plus: list[Any], time_ms: int) -> list[Reading]:
        """Reading of a circuit from what its fields hold; those of `minus` come last."""
        try:
            convert = self._convert[circuit]
            if len(plus) == 1:
                value = convert(plus[0])
            else:
                count = len(place.field)
                value = sum(map(convert, plus[:count])) - sum(map(convert, plus[count:]))
        except BadReadingError as error:
            self.bad[str(error)] += 1
            return []
        return [(circuit, value * place.scale, time_ms)]

    def _fields(
        self, get: Callable[[Any], Any], now_ms: int, places: Mapping[str, Place] | None = None
    ) -> list[Reading]:
        """Readings of a line, of which `get` gives any field."""
        source = self.source
        time_ms = now_ms
        if source.time_field is not None:
            time_ms = instant_of(get(source.time_field), source.time_format)
        if source.name_field is not None:
            return self._one_named(get(source.name_field), get(source.value_field), time_ms)
        found: list[Reading] = []
        for circuit, place in (places or self.places).items():
            try:
                values = [get(field) for field in (*place.field, *place.minus)]
            except BadReadingError as error:
                self.bad[str(error)] += 1
                continue
            found += self._one(circuit, place, values, time_ms)
        return found

    def _one_named(self, name: object, text: object, time_ms: int) -> list[Reading]:
        circuit = self._named.get(str(name).strip())
        if circuit is None:
            raise BadReadingError("a name that is no circuit's")
        return [(circuit, self._convert[circuit](text) * self.places[circuit].scale, time_ms)]

    def _named_columns(self, line: str, now_ms: int) -> list[Reading]:
        """Columns with one reading a line: as `_columns`, in a third of the time."""
        cells = line.split(self.source.delimiter)
        time_at, name_at, value_at = self._at
        try:
            if time_at is not None:
                now_ms = instant_of(cells[time_at], self.source.time_format)
            return self._one_named(cells[name_at], cells[value_at], now_ms)
        except IndexError:
            raise BadReadingError("too few columns") from None

    def _columns(self, line: str, now_ms: int) -> list[Reading]:
        cells = line.split(self.source.delimiter)
        return self._fields(lambda number: _cell(cells, number), now_ms)

    def _match(self, line: str, now_ms: int) -> list[Reading]:
        found = self._pattern.search(line) if self._pattern else None
        if found is None:
            raise BadReadingError("does not match the pattern")
        return self._fields(lambda name: found[name] or "", now_ms)

    def _json(
        self, line: str, now_ms: int, places: Mapping[str, Place] | None = None
    ) -> list[Reading]:
        try:
            content = json.loads(line)
        except (ValueError, RecursionError):
            raise BadReadingError("broken JSON") from None
        return self._fields(lambda path: _at(content, str(path)), now_ms, places)

    def _pulse(self, line: str, now_ms: int) -> list[Reading]:
        time_ms = now_ms
        if self.source.time_field is not None:
            cells = line.split(self.source.delimiter)
            time_ms = instant_of(_cell(cells, self.source.time_field), self.source.time_format)
        return [one for c, place in self.places.items() for one in self._count(c, place, time_ms)]

    def _count(self, circuit: str, place: Place, time_ms: int) -> list[Reading]:
        """Energy counted so far, with one pulse more."""
        if not place.impulses_per_kwh:
            raise BadReadingError("pulses of unstated energy")
        wh = self.counted.get(circuit, 0.0) + 1000.0 / place.impulses_per_kwh
        self.counted[circuit] = wh
        return [(circuit, wh, time_ms)]

    def _telegrams(self, now_ms: int) -> list[Reading]:
        found: list[Reading] = []
        while (data := take_telegram(self._buffer)) is not None:
            try:
                telegram = read_telegram(data)
            except WrongChecksumError:
                self.bad["wrong checksum"] += 1
                continue
            if self._checksums and not telegram.checked:
                self.bad["missing checksum"] += 1
                continue
            self._checksums = telegram.checked
            self.unchecked += not telegram.checked
            found += self._fields(partial(self._register, telegram), now_ms)
        return found

    def _register(self, telegram: Telegram, code: str) -> float:
        """Value of a register; one that was sent without a unit needs a scale that is stated."""
        name = register_of(telegram.registers, code)
        if name is None:
            raise BadReadingError("unknown register")
        if name in telegram.without_unit and code not in self._scaled:
            raise BadReadingError("a register without a unit; state its scale")
        return telegram.registers[name]


def _cell(cells: list[str], number: int) -> str:
    """What is in a column, counted from 1."""
    if number > len(cells):
        raise BadReadingError("too few columns")
    return cells[number - 1]


def _at(content: Any, path: str) -> Any:
    """What is at a path such as "panel.0.watts" of JSON; a key may hold dots itself."""
    if isinstance(content, dict) and path in content:
        return content[path]
    first, _, rest = path.partition(".")
    inner: Any = None
    if isinstance(content, dict) and first in content:
        inner = content[first]
    elif isinstance(content, list) and first.isdigit() and int(first) < len(content):
        inner = content[int(first)]
    else:
        raise BadReadingError("no such field")
    return _at(inner, rest) if rest else inner
