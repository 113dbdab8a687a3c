"""Proposes the blocks of house.toml for a source, from listening to it for a while."""

from __future__ import annotations

import json
import queue
import re
import threading
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from itertools import pairwise
from pathlib import Path
from statistics import median
from typing import Any

from homeenergy.errors import HouseError
from homeenergy.house.layouts import LogLayout, layout_toml
from homeenergy.house.log_columns import LogColumn
from homeenergy.house.schedule import circuit_names
from homeenergy.house.schema import toml_value
from homeenergy.house.sources import Place, Source, source_toml
from homeenergy.record.lines import (
    BadReadingError,
    Reader,
    Reading,
    instant_of,
    number_of,
    number_with_comma,
)
from homeenergy.record.link import Link, password_of
from homeenergy.record.listen import listen
from homeenergy.record.telegram import Telegram, read_telegram, take_telegram

SCHEMES = {
    "mqtt": "mqtt",
    "mqtts": "mqtt",
    "modbus": "modbus",
    "tcp": "socket",
    "unix": "socket",
    "serial": "serial",
    "file": "file",
}
MOST_HEARD = 4_000_000  # bytes that are looked at; own choice
_POWER = {"power", "watt", "watts", "w", "kw", "load"}
_ENERGY = {"energy", "wh", "kwh", "total", "counter"}
_TIMES = {"time", "timestamp", "ts", "at"}
_MARKS = (";", "\t", "|", ",", " ")
_UNEVEN = 2.5  # longest step over the usual one, from which readings come on change; own choice
_PAIR = re.compile(r"(?P<name>[A-Za-z][\w.-]*)\s*[=:]\s*(?P<value>-?\d+(?:[.,]\d+)?)")
_WITH_COMMA = re.compile(r"-?\d+,\d+")


@dataclass(slots=True)
class Proposal:
    """Blocks of house.toml for a source, and what in them is a guess."""

    source: Source
    columns: dict[str, LogColumn]
    remarks: list[str] = field(default_factory=list)
    period_s: float | None = None
    hold_s: float | None = None

    def toml(self) -> str:
        """Text to paste into a house.toml: circuits, the source, and the log that it writes."""
        circuits = [f'[[circuit]]\nname = "{name}"\n' for name in self.source.circuits]
        layout = layout_of(self.source, self.columns)
        layout = replace(layout, period_s=self.period_s, hold_s=self.hold_s)
        log = layout_toml(layout, comments="none")
        source = source_toml(self.source, comments="short", remarks="\n".join(self.remarks))
        return "\n".join([*circuits, source, log])


class Heard(Reader):
    """Keeps what a source sends, without reading it."""

    def __init__(self, source: Source) -> None:
        super().__init__(source)
        self.data = bytearray()
        self.messages: list[tuple[str, bytes, int]] = []
        self.size = 0

    def feed(self, data: bytes, now_ms: int) -> list[Reading]:
        """Keep a piece of a stream."""
        self.size += len(data)
        if self.size < MOST_HEARD:
            self.data += data
            self.messages += [("", b"", now_ms)] * data.count(b"\n")
        return []

    def message(self, topic: str, payload: bytes | bytearray, now_ms: int) -> list[Reading]:
        """Keep a message."""
        self.size += len(payload)
        if self.size < MOST_HEARD:
            self.messages.append((topic, bytes(payload), now_ms))
        return []


def propose_source(
    address: str,
    *,
    seconds: float = 60.0,
    name: str = "recorded",
    options: dict[str, Any] | None = None,
) -> Proposal:
    """Listen to a source and propose how house.toml would describe it.

    Parameters
    ----------
    address : str
        With what it is before it: mqtt://host:port, mqtts://, tcp://host:port, unix:PATH,
        serial:PATH, file:PATH, modbus://host:port.
    seconds : float
        How long to listen [s].
    name : str
        Of the source.
    options : dict, optional
        Further keys of the source: user, password_variable, certificates, baud.

    Raises
    ------
    HouseError
        If nothing was heard, or nothing in it could be read.
    """
    scheme, _, place = address.partition(":")
    if scheme not in SCHEMES or not place.strip("/"):
        raise HouseError(
            f"{address!r} is no source",
            fix=f"Write what it is before its place: {', '.join(SCHEMES)}; as in "
            "mqtt://192.168.1.20:1883 or serial:/dev/ttyUSB0.",
        )
    kind: Any = SCHEMES[scheme]
    place = place.removeprefix("//")
    source = Source(
        name=name,
        kind=kind,
        address=place,
        circuits={"circuit": Place(topic="#")},
        tls=scheme == "mqtts",
        **(options or {}),
    )
    if kind == "modbus":
        example = replace(source, circuits={"mains": Place(register=0, number="float32")})
        remark = "A register map is in the meter's papers; register and number here are examples."
        return Proposal(example, {"mains": column_for(example, "mains")}, [remark])
    heard = _hear(source, seconds)
    if kind == "mqtt":
        found = _of_messages(source, heard.messages)
    elif heard.data.find(b"\n!") >= 0 and (telegrams := list(_telegrams(heard.data))):
        found = _of_telegram(source, telegrams[-1])
    else:
        found = _of_lines(source, heard.data.decode("utf-8", "replace").splitlines()[:1000])
    found.remarks.insert(0, f"Proposed after {seconds:g} s; correct what is wrong.")
    if source.kind != "file":
        _pace(found, heard)
    return found


def _hear(source: Source, seconds: float) -> Heard:
    heard, told = Heard(replace(source, time_field=1 if source.kind == "file" else None)), []
    link = Link(
        source=heard.source,
        reader=heard,
        batches=queue.Queue(),
        folder=Path(),
        tell=lambda _, what: told.append(what),
        password=password_of(source),
    )
    thread = threading.Thread(target=listen, args=(link,), daemon=True)
    thread.start()
    thread.join(timeout=seconds)
    link.stop.set()
    thread.join(timeout=10)
    if not heard.size:
        why = f": it {told[-1]}" if told else ""
        retained = heard.bad["retained message"]
        raise HouseError(
            f"nothing was heard from {source.address} in {seconds:g} s{why}",
            fix=f"Only {retained} retained messages, which are old: listen for longer."
            if retained
            else "Check address, speed and cables; with --seconds it listens for longer.",
        )
    return heard


def _of_messages(source: Source, messages: Sequence[tuple[str, bytes, int]]) -> Proposal:
    """Topics whose messages are numbers, or JSON that holds power, else energy."""
    latest = {topic: payload.decode("utf-8", "replace") for topic, payload, _ in messages}
    found: dict[str, tuple[Place, str]] = {}
    left_out: list[str] = []
    times: set[tuple[str, str]] = set()
    for topic, text in sorted(latest.items()):
        try:
            content = json.loads(text)
        except ValueError:
            left_out.append(topic)
            continue
        times.add(_time_in(content))
        leaves = [leaf for leaf in _leaves(content) if leaf != _time_in(content)[0] or not leaf]
        if leaves == [""]:
            found[topic] = Place(topic=topic), topic
            continue
        chosen = _chosen(leaves)
        left_out += [f"{topic} {leaf}" for leaf in leaves if leaf not in chosen]
        for leaf in chosen:
            label = topic if len(chosen) == 1 else f"{topic}/{leaf}"
            plain = _words(leaf) & (_POWER | _ENERGY)
            found[label] = Place(topic=topic, field=(leaf,)), leaf if plain else topic
    if len(times) == 1:  # all carry it in the same place
        source = _with_time(source, *times.pop())
    return _proposal(source, found, lines="json", left_out=left_out)


def _of_telegram(source: Source, telegram: Telegram) -> Proposal:
    """Power by leg, or in all; the meter's register of energy."""
    codes = list(telegram.registers)

    def code(end: str) -> str | None:
        return next((one for one in codes if one.rpartition(":")[2] == end), None)

    found: dict[str, tuple[Place, str]] = {}
    for leg, (plus, minus) in enumerate((("21", "22"), ("41", "42"), ("61", "62")), start=1):
        if (bought := code(f"{plus}.7.0")) is not None:
            sold = code(f"{minus}.7.0")
            found[f"mains_l{leg}"] = Place(field=(bought,), minus=(sold,) if sold else ()), ""
    if not found and (bought := code("1.7.0")) is not None:
        sold = code("2.7.0")
        found["mains"] = Place(field=(bought,), minus=(sold,) if sold else ()), ""
    energy = [one for end in ("1.8.1", "1.8.2", "1.8.3") if (one := code(end))]
    energy = [total] if (total := code("1.8.0")) else energy
    if not found and energy:
        found["mains"] = Place(field=tuple(energy)), ""
    proposed = _proposal(source, found, lines="telegram", left_out=[])
    if energy:
        proposed.source = replace(proposed.source, meter=Place(field=tuple(energy)))
    if telegram.without_unit & {*energy, *(c for place, _ in found.values() for c in place.field)}:
        proposed.remarks.append("It states no unit: write scale = 1000 where its display has kWh.")
    proposed.remarks.append('Write role = "mains" and the leg below each circuit of the supply.')
    return proposed


def _telegrams(data: bytearray) -> Iterator[Telegram]:
    buffer = bytearray(data)
    while (one := take_telegram(buffer)) is not None:
        try:
            yield read_telegram(one)
        except ValueError:
            continue


def _of_lines(source: Source, lines: Sequence[str]) -> Proposal:
    """Lines of JSON, of columns, or of names with numbers."""
    whole = [line.strip() for line in lines if line.strip()]
    try:
        content = json.loads(whole[-1] if whole else "")
        at, form = _time_in(content)
        leaves = [leaf for leaf in _leaves(content) if leaf != at or not leaf]
        if leaves and leaves != [""]:
            source = _with_time(source, at, form)
            chosen = _chosen(leaves)
            left_out = [leaf for leaf in leaves if leaf not in chosen]
            found = {leaf: (Place(field=(leaf,)), leaf) for leaf in chosen}
            return _proposal(source, found, lines="json", left_out=left_out)
    except ValueError:
        pass
    pairs = [_PAIR.fullmatch(line) for line in whole]
    if whole and all(pairs):
        names = dict.fromkeys(pair["name"] for pair in pairs if pair)
        made = replace(source, pattern=_PAIR.pattern, name_field="name", value_field="value")
        if any(pair and "," in pair["value"] for pair in pairs):
            made = replace(made, decimal=",")
        found = {name: (Place(field=(name,)), name) for name in names}
        return _proposal(made, found, lines="pattern", left_out=[])
    return _of_columns(source, whole)


def _of_columns(source: Source, lines: Sequence[str]) -> Proposal:
    rows: list[list[str]] = []
    mark = ","
    for mark in _MARKS:
        rows = [line.split(mark) for line in lines]
        width, count = Counter(map(len, rows)).most_common(1)[0] if rows else (0, 0)
        rows = [row for row in rows if len(row) == width]
        if count >= 0.8 * len(lines) and (width > 1 or mark == _MARKS[-1]):
            break
    if mark != "," and any(_WITH_COMMA.fullmatch(cell.strip()) for row in rows for cell in row):
        source = replace(source, decimal=",")
    is_number = partial(_is_number, decimal=source.decimal)
    body = [row for row in rows if any(map(is_number, row))]
    if not body:
        raise HouseError(
            "what was heard holds no numbers that could be read",
            fix="Of a serial line: try another --baud. Else write the [[source]] by hand: "
            f"shared/house_toml.md. It began with {toml_value(lines[0][:60] if lines else '')}.",
        )
    heads = rows[0] if rows[0] not in body else [""] * len(body[0])
    columns = list(zip(*body, strict=True))
    numeric = [n for n, cells in enumerate(columns) if all(map(is_number, cells))]
    form, at = next(
        ((form, n) for n, cells in enumerate(columns) if (form := _time_format(cells[-1]))),
        ("", -1),
    )
    if form:
        source = replace(source, time_field=at + 1, time_format=form)  # type: ignore[arg-type]
    values = [n for n in numeric if n != at]
    names = [n for n in range(len(columns)) if n != at and n not in numeric]
    if len(names) == 1 and len(values) == 1:
        source = replace(source, name_field=names[0] + 1, value_field=values[0] + 1)
        texts = sorted({cell.strip() for cell in columns[names[0]]})
        found = {text: (Place(field=(text,)), text) for text in texts}
    else:
        found = {
            heads[n].strip() or f"column {n + 1}": (Place(field=(n + 1,)), heads[n]) for n in values
        }
    proposed = _proposal(source, found, lines="columns", left_out=[])
    proposed.source = replace(proposed.source, delimiter=mark)
    return proposed


def _time_in(content: object) -> tuple[str, str]:
    """Key of JSON that holds the time, and of what sort it is; both empty where there is none."""
    if isinstance(content, dict):
        for key in content:
            if str(key).lower() in _TIMES and (form := _time_format(str(content[key]))):
                return str(key), form
    return "", ""


def _with_time(source: Source, name: str, form: Any) -> Source:
    return replace(source, time_field=name, time_format=form) if name else source


def _is_number(text: str, *, decimal: str = ".") -> bool:
    try:
        (number_with_comma if decimal == "," else number_of)(text)
    except BadReadingError:
        return False
    return True


def _time_format(text: str) -> str:
    """Which sort of time a cell is; empty where it is none."""
    forms = ("epoch_s", "epoch_ms") if _is_number(text) else ("iso",)
    for form in forms:
        try:
            instant_of(text, form)
        except BadReadingError:
            continue
        return form
    return ""


def _leaves(content: object, path: str = "") -> Iterator[str]:
    """Paths of the numbers in JSON; "" where it is a number itself."""
    inner: list[tuple[str, object]] = []
    if isinstance(content, dict):
        inner = [(str(key), value) for key, value in content.items()]
    elif isinstance(content, list):
        inner = [(str(number), value) for number, value in enumerate(content[:100])]
    elif not isinstance(content, bool) and (isinstance(content, int | float) or _is_text(content)):
        yield path
    for key, value in inner:
        yield from _leaves(value, f"{path}.{key}" if path else key)


def _is_text(content: object) -> bool:
    """Whether it is a number that somebody wrote as a text."""
    return isinstance(content, str) and _is_number(content)


def _words(text: str) -> set[str]:
    return set(re.split(r"[^a-z]+", re.sub(r"(?<=[a-z]{2})(?=[A-Z])", " ", text).lower()))


def _chosen(leaves: Sequence[str]) -> list[str]:
    """Those that name power, else energy, else all."""
    for words in (_POWER, _ENERGY):
        if named := [leaf for leaf in leaves if _words(leaf) & words]:
            return named
    return list(leaves)


def _proposal(
    source: Source, found: dict[str, tuple[Place, str]], *, lines: Any, left_out: list[str]
) -> Proposal:
    """Circuits named after what they are called there; what power or energy says so."""
    if not found:
        raise HouseError(
            "nothing of what was heard looks like power or energy",
            fix=f"It was: {', '.join(left_out[:10])}. Write the [[source]] by hand: "
            "shared/house_toml.md.",
        )
    names = circuit_names(_without_shared(list(found)))
    made = replace(
        source,
        lines=lines,
        circuits={n: place for n, (place, _) in zip(names, found.values(), strict=True)},
    )
    columns, remarks = {}, []
    for name, (_, said) in zip(names, found.values(), strict=True):
        words = _words(said)
        columns[name] = column_for(made, name)
        if words & _ENERGY and not words & _POWER:
            unit = "Wh" if "wh" in words else "kWh"
            columns[name] = LogColumn(names=(name,), quantity="energy_counter", unit=unit)
        elif "kw" in words:
            columns[name] = replace(columns[name], unit="kW")
        elif lines != "telegram" and not words & _POWER:
            remarks.append(f"{name}: nothing says what it holds; taken as power in W.")
    if left_out:
        remarks.append(f"Left out: {', '.join(left_out[:20])}.")
    return Proposal(made, columns, remarks)


def _pace(found: Proposal, heard: Heard) -> None:
    """State period and hold where readings come when something changes."""
    times: dict[str, list[int]] = {}
    for topic, _, at in heard.messages:
        times.setdefault(topic, []).append(at)
    steps = [b - a for one in times.values() for a, b in pairwise(one)]
    steps = [step for step in steps if step > 0]
    if not steps:
        found.remarks.append("Heard once only: state period_s and hold_s of the [[log]].")
        return
    usual = median(steps)
    if max(steps) > _UNEVEN * usual:
        found.period_s = max(1.0, float(round(usual / 1000)))
        found.hold_s = max(found.period_s, float(round(10 * max(steps) / 1000)))
        found.remarks.append("Readings come at no regular pace: check period_s and hold_s.")


def _without_shared(labels: Sequence[str]) -> list[str]:
    """Labels without what all begin or end with, as topics of one panel do."""
    parts = [re.split(r"[/. ]", label) for label in labels]
    for end in (0, -1):
        while all(len(one) > 1 for one in parts) and len({one[end] for one in parts}) == 1 < len(
            parts
        ):
            parts = [one[1:] if end == 0 else one[:-1] for one in parts]
    return ["_".join(one) for one in parts]


def log_for(source: Source) -> str:
    """The [[log]] block that describes what a source records, for a person to correct."""
    columns = {name: column_for(source, name) for name in source.circuits}
    return layout_toml(layout_of(source, columns), comments="none")


def layout_of(source: Source, columns: dict[str, LogColumn]) -> LogLayout:
    """The [[log]] of the files that a source is recorded in."""
    return LogLayout(
        files=f"{source.folder}/*.csv*",
        layout="long",
        circuit_column="circuit",
        value_column="value",
        columns=columns,
    )


def column_for(source: Source, circuit: str) -> LogColumn:
    """What a circuit's readings probably are: what pulses and registers say, else watts."""
    place = source.circuits[circuit]
    energy = [str(code) for code in place.field if ".8." in str(code)]
    if source.lines == "pulses" or (source.lines == "telegram" and energy):
        return LogColumn(names=(circuit,), quantity="energy_counter", unit="Wh")
    return LogColumn(names=(circuit,))
