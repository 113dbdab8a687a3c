"""Plays the readings of a house as if its sensors sent them, to try recording without any."""

from __future__ import annotations

import json
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from homeenergy.errors import HouseError
from homeenergy.files import write_text
from homeenergy.house.log_columns import LogColumn
from homeenergy.house.schedule import Clamp, Schedule
from homeenergy.house.sources import Place, Source
from homeenergy.house.toml_file import house_toml
from homeenergy.readings.house import House
from homeenergy.readings.trace import Trace
from homeenergy.record.listen import stream_of
from homeenergy.record.propose import layout_of
from homeenergy.units import NS_PER_S, S_PER_DAY

TOPIC = "house"  # above the names of circuits
NAME = "played"
PATTERN = rf'{TOPIC}/(?P<name>[\w-]+) .*"time": "(?P<time>[^"]+)", "watts": (?P<watts>[-0-9.e]+)'
_DAY_NS = round(S_PER_DAY) * NS_PER_S
Send = Callable[[str, str], object]


def messages(
    house: House, start: object = None, end: object = None
) -> Iterator[tuple[pd.Timestamp, list[tuple[str, float]]]]:
    """What the sensors of a house send: each instant with the watts of every circuit then.

    Parameters
    ----------
    house : House
    start, end : timestamp or text, optional
        As for `House.trace`; read a day at a time.

    Yields
    ------
    (pandas.Timestamp, list of (str, float))
        Circuits without a reading at the instant are left out, and so are instants without any.
    """
    circuits = [c for c in house.circuits if house.has_readings(c)]
    months = [m for c in circuits for m in house.stored_months(c)[0] if m.samples]
    first_ns = min((m.first_slot * m.period_ns for m in months), default=0)
    last_ns = max(((m.first_slot + m.samples) * m.period_ns for m in months), default=0)
    asked_from_ns, asked_until_ns = house.instant_ns(start), house.instant_ns(end)
    if asked_from_ns is not None:
        first_ns = max(first_ns, asked_from_ns)
    if asked_until_ns is not None:
        last_ns = min(last_ns, asked_until_ns)
    for at_ns in range(first_ns, last_ns, _DAY_NS):
        until_ns = min(at_ns + _DAY_NS, last_ns)
        between = [pd.Timestamp(ns, unit="ns", tz="UTC") for ns in (at_ns, until_ns)]
        yield from _in_order({c.name: house.trace(c, *between) for c in circuits})


def _in_order(
    traces: dict[str, Trace],
) -> Iterator[tuple[pd.Timestamp, list[tuple[str, float]]]]:
    """Samples of a day of several traces, by instant."""
    frame = pd.DataFrame({name: trace.to_series() for name, trace in traces.items()})
    names, instants = frame.columns.to_list(), frame.index
    for at, row in zip(instants, frame.to_numpy(), strict=True):
        here = [(n, float(w)) for n, w in zip(names, row, strict=True) if not np.isnan(w)]
        if here:
            yield at, here


def play(
    house: House,
    send: Send,
    *,
    speed: float = 1.0,
    start: object = None,
    end: object = None,
    stop: threading.Event | None = None,
) -> int:
    """Send the readings of a house at the pace at which they were logged, or faster.

    Parameters
    ----------
    house : House
    send : callable
        Given a topic, "house/NAME" of a circuit, and the text {"time": ..., "watts": ...}.
    speed : float
        1 is real time; 1000 plays a day in a minute and a half.
    start, end : timestamp or text, optional
        Of what is played.
    stop : threading.Event, optional
        Set from outside, it ends the play.

    Returns
    -------
    int
        Messages that were sent.

    Raises
    ------
    ValueError
        If `speed` is not above 0.
    """
    if not speed > 0:
        raise ValueError(f"speed must be above 0, got {speed!r}")
    stop = stop or threading.Event()
    began, first, sent = time.monotonic(), None, 0
    for at, readings in messages(house, start, end):
        first = at if first is None else first
        due_s = (at - first).total_seconds() / speed - (time.monotonic() - began)
        if stop.wait(max(due_s, 0.0)):
            break
        stamp = at.isoformat()
        for name, watts in readings:
            send(f"{TOPIC}/{name}", json.dumps({"time": stamp, "watts": round(watts, 3)}))
            sent += 1
    return sent


def play_to_broker(house: House, address: str, *, speed: float, stop: threading.Event) -> int:
    """Play a house into a broker of MQTT at host:port; see `play`.

    Raises
    ------
    HouseError
        If the library for it is not installed, or no broker answers.
    """
    stream_of("mqtt")
    # Only here, as all else works without the library for it.
    from homeenergy.record.mqtt import AT_LEAST_ONCE, broker

    try:
        client = broker(_source(house.schedule, address), house.path, None)
    except OSError as error:
        raise HouseError(
            f"no broker of MQTT answers at {address} ({error.strerror or error})",
            fix="Install one on this computer, from the packages of your system, and start it; or "
            "say where one is: --mqtt HOST:PORT.",
        ) from None
    client.loop_start()
    try:
        last: deque[Any] = deque(maxlen=1)
        sent = play(
            house,
            lambda topic, text: last.append(client.publish(topic, text, qos=AT_LEAST_ONCE)),
            speed=speed,
            stop=stop,
        )
        for message in last:
            message.wait_for_publish(10)
        return sent
    finally:
        client.loop_stop()
        client.disconnect()


def play_to_file(
    house: House, path: Path, *, start: object = None, end: object = None, speed: float = 1e9
) -> int:
    """Append what is played to a file, "TOPIC MESSAGE" a line, as fast as it goes; see `play`."""
    with path.open("a", encoding="utf-8") as file:
        return play(
            house,
            lambda topic, text: file.write(f"{topic} {text}\n"),
            speed=speed,
            start=start,
            end=end,
        )


def _source(schedule: Schedule, address: str) -> Source:
    """The source that hears what is played, from a broker or a file."""
    names = [c.name for c in schedule.circuits]
    if ":" in address:
        return Source(
            name=NAME,
            kind="mqtt",
            address=address,
            lines="json",
            time_field="time",
            circuits={n: Place(topic=f"{TOPIC}/{n}", field=("watts",)) for n in names},
        )
    return Source(
        name=NAME,
        kind="file",
        address=address,
        lines="pattern",
        pattern=PATTERN,
        name_field="name",
        value_field="watts",
        time_field="time",
        circuits={n: Place(field=(n,)) for n in names},
    )


def recording_house(house: House, folder: Path, *, address: str) -> Path:
    """Write the house.toml of a new folder that records what is played.

    Parameters
    ----------
    house : House
        That is played.
    folder : Path
        Made, if it is not there.
    address : str
        Of the broker, host:port; or the path of a file from that folder.

    Returns
    -------
    Path
        The house.toml.

    Raises
    ------
    HouseError
        If there is a house.toml.
    """
    source = _source(house.schedule, address)
    log = layout_of(source, {c.name: LogColumn(names=(c.name,)) for c in house.circuits})
    path = folder / "house.toml"
    if path.exists():
        raise HouseError(
            "is there already, and is not overwritten", path=path, fix="Name another folder."
        )
    folder.mkdir(parents=True, exist_ok=True)
    # What is played is corrected already.
    circuits = tuple(replace(c, clamp=Clamp(rating_a=c.clamp.rating_a)) for c in house.circuits)
    schedule = replace(house.schedule, circuits=circuits, logs=(log,), sources=(source,))
    write_text(path, house_toml(schedule))
    return path
