"""Listening to sources: one thread each, which connects, reads, and connects again.

It opens no port, and sends nothing but what a protocol needs to be answered.
"""

from __future__ import annotations

import os
import select
import socket
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

from homeenergy.errors import HouseError
from homeenergy.house.sources import path_of
from homeenergy.record.link import LOOK_S, Link, host_and_port, now_ms

CHUNK = 16_384  # bytes read at once
FIRST_WAIT_S, LONGEST_WAIT_S = 1.0, 60.0  # before a lost source is tried again; own choice


def listen(link: Link) -> None:
    """Read a source until it ends or the link is stopped; a lost one is tried again and again."""
    stream = stream_of(link.source.kind)
    wait_s = FIRST_WAIT_S
    try:
        while not link.stop.is_set():
            began = time.monotonic()
            try:
                if stream(link):
                    return
                why = "it closed the connection"
            except HouseError:
                raise
            except Exception as error:  # whatever a driver raises: the source is lost
                why = str(error) or type(error).__name__
            if link.stop.is_set():
                return
            link.reader.forget_rest()
            wait_s = FIRST_WAIT_S if time.monotonic() - began > LONGEST_WAIT_S else wait_s
            link.lost(why, wait_s)
            link.stop.wait(wait_s)
            link.reconnects += 1
            wait_s = min(2 * wait_s, LONGEST_WAIT_S)
    except HouseError as error:
        link.tell(link.source.name, f"cannot be read: {error.what}")
    finally:
        link.connected, link.ended = False, True


def _input(link: Link) -> bool:
    handle = sys.stdin.fileno()
    link.found()
    while not link.stop.is_set():
        if link.hold.is_set() or not select.select([handle], [], [], LOOK_S)[0]:
            link.stop.wait(LOOK_S if link.hold.is_set() else 0)
            continue
        data = os.read(handle, CHUNK)
        if readings := link.reader.feed(data or b"\n", now_ms()):
            link.put(readings)
        if not data:
            return True
    return True


def _file(link: Link) -> bool:
    """Read a file that grows, and the one that takes its place.

    Where lines carry no time, only what is written from now on can have one.
    """
    path = path_of(link.source, link.folder)
    position, at_end = link.position or 0, not link.source.own_times
    while not link.stop.is_set():
        with path.open("rb") as file:
            link.found()
            size = os.fstat(file.fileno()).st_size
            file.seek(size if at_end else position if position <= size else 0)
            for data in _growing(file.fileno(), path, link):
                readings = link.reader.feed(data, now_ms())
                position = file.tell() - link.reader.rest_bytes
                link.put(readings, position)
        link.reader.forget_rest()
        position, at_end = 0, False
    return True


def _growing(handle: int, path: Path, link: Link) -> Iterator[bytes]:
    """Pieces of a file as they come, until another takes its place or it begins anew."""
    while not link.stop.is_set():
        if not link.hold.is_set() and (data := os.read(handle, CHUNK)):
            yield data
            continue
        link.stop.wait(LOOK_S)
        own = os.fstat(handle)
        try:
            there = path.stat()
        except FileNotFoundError:
            continue  # as while it is replaced
        if there.st_ino != own.st_ino or there.st_size < os.lseek(handle, 0, os.SEEK_CUR):
            return


def _socket(link: Link) -> bool:
    address = link.source.address
    if "/" in address:
        plug = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        place: object = str(path_of(link.source, link.folder))
    else:
        plug = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        place = host_and_port(address)
    with closing(plug):
        plug.settimeout(10)
        plug.connect(place)  # type: ignore[arg-type]
        plug.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
        plug.settimeout(LOOK_S)
        link.found()
        while not link.stop.is_set():
            try:
                data = plug.recv(CHUNK)
            except TimeoutError:
                continue
            if not data:
                return False
            if readings := link.reader.feed(data, now_ms()):
                link.put(readings)
    return True


def _serial(link: Link) -> bool:
    import serial

    bits, parity, stops = link.source.framing
    with serial.Serial(
        str(path_of(link.source, link.folder)),
        link.source.baud,
        bytesize=int(bits),
        parity=parity,
        stopbits=int(stops),
        timeout=LOOK_S,
        exclusive=True,
    ) as line:
        link.found()
        while not link.stop.is_set():
            data = line.read(max(line.in_waiting, 1))
            if data and (readings := link.reader.feed(data, now_ms())):
                link.put(readings)
    return True


def stream_of(kind: str) -> Callable[[Link], bool]:
    """What reads a kind of source: True where it has ended, False where it is to be tried again.

    Raises
    ------
    HouseError
        If the library for it is not installed.
    """
    own = {"input": _input, "file": _file, "socket": _socket}
    if kind in own:
        return own[kind]
    try:
        if kind == "mqtt":
            from homeenergy.record.mqtt import follow_topics

            return follow_topics
        if kind == "modbus":
            from homeenergy.record.modbus import poll_registers

            return poll_registers
        import serial  # noqa: F401
    except ImportError as error:
        raise HouseError(
            f'`kind = "{kind}"` needs a library that is not installed ({error.name})',
            fix="Run: pip install 'homeenergy[record]'",
        ) from None
    return _serial
