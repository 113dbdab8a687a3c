"""What each circuit draws now, with the last ten minutes, in text; and pairs for a bench test."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from homeenergy.errors import HouseError
from homeenergy.house.log_columns import LogColumn, scale_of
from homeenergy.house.schedule import Circuit, Schedule
from homeenergy.record.journal import plain_files
from homeenergy.record.lines import METER, Reading, instant_of
from homeenergy.record.link import LOOK_S, now_ms
from homeenergy.record.own_files import append_row
from homeenergy.units import S_PER_H

SHOWN_S = 600.0
COLUMNS = 40  # of the last ten minutes: a quarter of a minute each
BARS = " ▁▂▃▄▅▆▇█"
LEAST_TOP_W = 10.0  # of the scale of a circuit, so that a standby is no tall bar; own choice
_SHOWN_MS = round(1000 * SHOWN_S)
_PIECE = 65_536  # bytes in which the beginning is not looked for any closer
STALE_S = 60.0  # after which a value is no longer called that of now; own choice


@dataclass(slots=True, eq=False)
class Shown:
    """One circuit: what it drew lately, as logged, and how that becomes watts."""

    circuit: Circuit
    column: LogColumn
    recent: deque[tuple[int, float]] = field(default_factory=deque)
    counter: tuple[int, float] | None = None

    def take(self, value: float, time_ms: int) -> None:
        """Take a reading in; a counter gives watts from one reading to the next."""
        logged = value * scale_of(self.column.unit)
        if self.column.quantity == "energy_counter":
            before, self.counter = self.counter, (time_ms, logged)
            if before is None or time_ms <= before[0]:
                return
            logged = (logged - before[1]) * S_PER_H * 1000 / (time_ms - before[0])
        self.recent.append((time_ms, logged))
        while self.recent and self.recent[0][0] < time_ms - 1000 * SHOWN_S:
            self.recent.popleft()

    def watts(self, logged: float) -> float:
        """Watts with the clamp's correction."""
        return logged * self.circuit.clamp.multiplier + self.circuit.clamp.offset_w

    def line(self, now_ms: int, *, name_width: int) -> str:
        """One line: name, watts now, and the last ten minutes from left to right."""
        name = f"{self.circuit.appliance[:name_width]:<{name_width}}"
        if not self.recent:
            return f"{name}  {'no reading yet':>14}"
        at, logged = self.recent[-1]
        age_s = (now_ms - at) / 1000
        now = f"{self.watts(logged):10,.0f} W" if self.of_watts else f"{logged:12.4g}"
        late = f"  {age_s:,.0f} s ago" if age_s > STALE_S else ""
        return f"{name}  {now:>14}  {self._bars(now_ms)}{late}"

    def since(self, begin_ms: int) -> list[tuple[int, float]]:
        """Instants and what was logged, from an instant on."""
        return [one for one in self.recent if one[0] >= begin_ms]

    @property
    def of_watts(self) -> bool:
        """Whether it is power that is logged, or a counter that gives it."""
        return self.column.quantity in ("power", "energy_counter")

    def _bars(self, now_ms: int) -> str:
        """Greatest of each quarter of a minute, as a share of that of all, or of 10 W."""
        step_ms = round(1000 * SHOWN_S / COLUMNS)
        most: list[float | None] = [None] * COLUMNS
        for at, value in self.recent:
            back = (now_ms - at) // step_ms
            if 0 <= back < COLUMNS:
                there = most[COLUMNS - 1 - back]
                most[COLUMNS - 1 - back] = abs(value) if there is None else max(there, abs(value))
        top = max([LEAST_TOP_W, *(value for value in most if value is not None)])
        return "".join("·" if value is None else BARS[1 + round(7 * value / top)] for value in most)


class Watch:
    """Watts now of the circuits that are being recorded.

    Parameters
    ----------
    schedule : Schedule
    """

    def __init__(self, schedule: Schedule) -> None:
        circuits = {circuit.name: circuit for circuit in schedule.circuits}
        recorded = {name for source in schedule.sources for name in source.circuits}
        self.path = schedule.folder / "bench.csv"
        self._newest_ms = self._came_ms = 0  # time of the newest reading, and when it came
        self.shown = {
            name: Shown(circuits[name], column)
            for log in schedule.logs
            for name, column in log.columns.items()
            if name in recorded and name in circuits
        }

    def take(self, _source: str, readings: Sequence[Reading], *, at_ms: int | None = None) -> None:
        """Take in readings of a source, as `record` gives them, at an instant (default: now)."""
        for circuit, value, time_ms in readings:
            if circuit != METER and circuit in self.shown:
                self.shown[circuit].take(value, time_ms)
                if time_ms > self._newest_ms:
                    self._newest_ms, self._came_ms = time_ms, now_ms() if at_ms is None else at_ms

    def clock(self, now_ms: int) -> int:
        """The instant now by the clock of the readings, as of a house that is played."""
        behind_ms = self._came_ms - self._newest_ms
        return now_ms - behind_ms if behind_ms > 1000 * STALE_S else now_ms

    def lines(self, now_ms: int, *, reference: str | None = None) -> list[str]:
        """What a terminal shows: a line a circuit; that of a reference meter is marked."""
        width = max((len(one.circuit.appliance) for one in self.shown.values()), default=0)
        head = f"{'':{min(width, 24)}}  {'now':>14}  {'the last ten minutes':<{COLUMNS}}"
        lines = [head.rstrip()]
        for name, one in self.shown.items():
            mark = "  reference meter" if name == reference else ""
            lines.append(one.line(now_ms, name_width=min(width, 24)) + mark)
        return lines

    def pair(self, circuit: str, *, reference_w: float | None = None, reference: str = "") -> str:
        """Add a pair to bench.csv: what a reference meter shows, and the clamp as it is logged.

        Parameters
        ----------
        circuit : str
        reference_w : float, optional
            What a person read off the meter [W].
        reference : str
            In place of it, the circuit that records the reference meter.

        Returns
        -------
        str
            The line that was added.

        Raises
        ------
        HouseError
            If there is no such circuit, or no reading of it in the last ten minutes.
        """
        clamp_w = self._now(circuit)
        read_w = self._now(reference) if reference_w is None else reference_w
        row = {"circuit": circuit, "reference_w": f"{read_w:g}", "clamp_w": f"{clamp_w:g}"}
        return append_row(self.path, row)

    def _now(self, name: str) -> float:
        shown = self.shown.get(name)
        oldest_ms = self.clock(now_ms()) - _SHOWN_MS
        if shown is None or not shown.since(oldest_ms):
            what = "has no reading of the last ten minutes" if shown else "is not being recorded"
            fix = f"Recorded are {', '.join(self.shown)}."
            raise HouseError(f"circuit {name!r} {what}", fix=fix)
        return shown.recent[-1][1]


class Live:
    """The last ten minutes of a house, from the journals that another program writes.

    Parameters
    ----------
    schedule : Schedule

    Notes
    -----
    `look` may be called as often as wanted: after the first time it reads what is new. A file that
    was compressed, as the day before is at midnight UTC, is not looked into.
    """

    def __init__(self, schedule: Schedule) -> None:
        self._watch = Watch(schedule)
        self._tails = Tails(schedule, back_s=SHOWN_S)

    def clock(self, now_ms: int) -> int:
        """The instant now by the clock of the readings."""
        return self._watch.clock(now_ms)

    def look(self, now_ms: int) -> dict[str, list[tuple[int, float]]]:
        """Instants [ms since 1970] and watts of each circuit in the ten minutes before now.

        Circuits whose readings are no watts, such as temperatures, are left out; those that were
        not heard are there without readings. Now is by the clock of the readings.
        """
        for source, readings in self._tails.look(now_ms).items():
            self._watch.take(source, readings, at_ms=now_ms)
        now_ms = self.clock(now_ms)
        return {
            name: [(at, one.watts(value)) for at, value in one.since(now_ms - _SHOWN_MS)]
            for name, one in self._watch.shown.items()
            if one.of_watts
        }


class Tails:
    """What was added to the journals of a house since it was last asked.

    Parameters
    ----------
    schedule : Schedule
    back_s : float
        How far back the first answer reaches [s].
    """

    def __init__(self, schedule: Schedule, *, back_s: float = 0.0) -> None:
        self._folders = {one.name: schedule.folder / one.folder for one in schedule.sources}
        self._back_ms = round(1000 * back_s)
        self._places: dict[str, tuple[Path, int]] = {}
        self._asked = False

    def look(self, now_ms: int) -> dict[str, list[Reading]]:
        """Readings of each source that are new, as far as their lines are whole."""
        found: dict[str, list[Reading]] = {}
        for source, folder in self._folders.items():
            with suppress(FileNotFoundError):  # as where it is packed at this moment
                found[source] = self._of(source, folder, now_ms - self._back_ms)
        self._asked = True
        return {source: readings for source, readings in found.items() if readings}

    def _of(self, source: str, folder: Path, begin_ms: int) -> list[Reading]:
        files = plain_files(folder)
        if not files:
            return []
        readings: list[Reading] = []
        path, at = self._places.get(source, (files[-1], 0))
        if source not in self._places and not self._asked:
            size = path.stat().st_size
            at = size if not self._back_ms else place_of(path, begin_ms)
        if path != files[-1]:
            with suppress(FileNotFoundError):
                readings += self._read(source, path, at)
            path, at = files[-1], 0
        return readings + self._read(source, path, at)

    def _read(self, source: str, path: Path, at: int) -> list[Reading]:
        with path.open("rb") as file:
            file.seek(at)
            lines, mark, _ = file.read().rpartition(b"\n")
        self._places[source] = path, at + len(lines) + len(mark)
        return [one for line in lines.split(b"\n") for one in _reading(line)]


def place_of(path: Path, time_ms: int) -> int:
    """Where in a file of a journal the lines of an instant begin, found by halving.

    Lines that came late stand later than their time says; at most a line more is given.
    """
    low, high = 0, path.stat().st_size
    with path.open("rb") as file:
        while high - low > _PIECE:
            middle = (low + high) // 2
            file.seek(middle)
            file.readline()
            begin = file.tell()
            readings = _reading(file.readline())
            if begin < high and readings and readings[0][2] < time_ms:
                low = begin
            else:
                high = middle
    return low


def follow(
    schedule: Schedule, take: Callable[[str, list[Reading]], None], *, stop: threading.Event
) -> None:
    """Give the readings that another program records, as it writes them, until stopped."""
    tails = Tails(schedule)
    while not stop.wait(LOOK_S):
        for source, readings in tails.look(now_ms()).items():
            take(source, readings)


def _reading(line: bytes) -> list[Reading]:
    """The reading in a line of a journal; none in its header."""
    time, _, rest = line.decode("utf-8", "replace").partition(",")
    circuit, _, value = rest.partition(",")
    try:
        return [(circuit, float(value), instant_of(time, "iso"))]
    except ValueError:
        return []
