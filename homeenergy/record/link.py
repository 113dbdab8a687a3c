"""A link: what the thread that reads a source and the recorder share."""

from __future__ import annotations

import os
import queue
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from homeenergy.errors import HouseError
from homeenergy.house.sources import PASSWORDS, Source
from homeenergy.record.lines import Reader, Reading

LONGEST_PUT_S = 5.0  # after the recording was stopped
LOOK_S = 0.2  # how often a link looks whether it is to end


@dataclass(frozen=True, slots=True)
class Batch:
    """Readings of one source; `position` is how far its file had then been read."""

    source: str
    readings: list[Reading]
    position: int | None = None


@dataclass(slots=True, eq=False)
class Link:
    """What a source's thread and the recorder share.

    `hold` is set while the disk takes nothing: what can wait, such as a file, then waits.
    """

    source: Source
    reader: Reader
    batches: queue.Queue[Batch]
    folder: Path
    tell: Callable[[str, str], None]
    password: str | None = None
    position: int | None = None
    stop: threading.Event = field(default_factory=threading.Event)
    hold: threading.Event = field(default_factory=threading.Event)
    connected: bool = False
    ended: bool = False
    reconnects: int = 0
    gap_s: float = 0.0
    _lost_at: float | None = None

    def put(self, readings: list[Reading], position: int | None = None) -> None:
        """Give readings to the recorder, waiting while it has many, also at the end."""
        until = None
        while until is None or time.monotonic() < until:
            with suppress(queue.Full):
                self.batches.put(Batch(self.source.name, readings, position), timeout=LOOK_S)
                return
            if self.stop.is_set() and until is None:
                until = time.monotonic() + LONGEST_PUT_S

    def found(self) -> None:
        """Remember and say that the source is there."""
        self.connected = True
        if self._lost_at is not None:
            away_s = time.monotonic() - self._lost_at
            self.gap_s += away_s
            self.tell(self.source.name, f"is back after {away_s:.0f} s")
        self._lost_at = None

    def lost(self, why: str, again_s: float) -> None:
        """Remember and say that the source is not there."""
        if self._lost_at is None:
            self._lost_at = time.monotonic()
            self.tell(self.source.name, f"is not there ({why}); tried again every {again_s:g} s on")
        self.connected = False


def now_ms() -> int:
    """Instant at which a reading comes [ms since 1970]."""
    return time.time_ns() // 1_000_000


def host_and_port(address: str, *, port: int | None = None) -> tuple[str, int]:
    """Part host:port; the usual port of a protocol may be left out.

    Raises
    ------
    HouseError
        If it is none.
    """
    host, _, number = address.rpartition(":") if ":" in address else (address, "", "")
    if number.isdigit() and int(number) < 65_536:
        port = int(number)
    if not host or port is None or (number and not number.isdigit()):
        raise HouseError(
            f"{address!r} is no address",
            fix="Write host:port, such as 192.168.1.20:1883.",
        )
    return host.strip("[]"), port


def password_of(source: Source) -> str | None:
    """Password of a source, from the environment or the keyring.

    Raises
    ------
    HouseError
        If it has a user, and no password is found.
    """
    if source.user is None:
        return None
    if source.password_variable is not None:
        found = os.environ.get(source.password_variable)
        where = f"the environment variable {source.password_variable}"
        fix = f"Set {source.password_variable} where the recording is started; see --unit."
    else:
        import keyring
        from keyring.errors import KeyringError

        where = f"the keyring ({PASSWORDS}, {source.user}@{source.address})"
        fix = f"Run: keyring set {PASSWORDS} {source.user}@{source.address}; or state "
        fix += "password_variable."
        try:
            found = keyring.get_password(PASSWORDS, f"{source.user}@{source.address}")
        except KeyringError as error:
            found, where = None, f"{where}: {error}"
    if not found:
        raise HouseError(
            f"there is no password of source `{source.name}` in {where}",
            fix=fix,
        )
    return found
