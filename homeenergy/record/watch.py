"""What each circuit draws now, with the last ten minutes, in text; and pairs for a bench test."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from homeenergy.errors import HouseError
from homeenergy.house.log_columns import LogColumn
from homeenergy.house.schedule import Circuit, Schedule
from homeenergy.record.journal import plain_files
from homeenergy.record.lines import METER, Reading, instant_of
from homeenergy.record.link import LOOK_S
from homeenergy.record.own_files import append_row
from homeenergy.units import S_PER_H

SHOWN_S = 600.0
COLUMNS = 40  # of the last ten minutes: a quarter of a minute each
BARS = " ▁▂▃▄▅▆▇█"
LEAST_TOP_W = 10.0  # of the scale of a circuit, so that a standby is no tall bar; own choice
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
        scale = 1000.0 if self.column.unit.startswith("k") else 1.0
        logged = value * scale
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
        now = f"{self.watts(logged):10,.0f} W" if self._of_watts else f"{logged:12.4g}"
        late = f"  {age_s:,.0f} s ago" if age_s > STALE_S else ""
        return f"{name}  {now:>14}  {self._bars(now_ms)}{late}"

    @property
    def _of_watts(self) -> bool:
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
        self.shown = {
            name: Shown(circuits[name], column)
            for log in schedule.logs
            for name, column in log.columns.items()
            if name in recorded
        }

    def take(self, _source: str, readings: Sequence[Reading]) -> None:
        """Take in readings of a source, as `record` gives them."""
        for circuit, value, time_ms in readings:
            if circuit != METER and circuit in self.shown:
                self.shown[circuit].take(value, time_ms)

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
            If there is no such circuit, or no reading of it.
        """
        clamp_w = self._now(circuit)
        read_w = self._now(reference) if reference_w is None else reference_w
        row = {"circuit": circuit, "reference_w": f"{read_w:g}", "clamp_w": f"{clamp_w:g}"}
        return append_row(self.path, row)

    def _now(self, name: str) -> float:
        shown = self.shown.get(name)
        if shown is None or not shown.recent:
            what = "has no reading yet" if shown else "is not being recorded"
            fix = f"Recorded are {', '.join(self.shown)}."
            raise HouseError(f"circuit {name!r} {what}", fix=fix)
        return shown.recent[-1][1]


def follow(
    schedule: Schedule, take: Callable[[str, list[Reading]], None], *, stop: threading.Event
) -> None:
    """Give the readings that another program records, as it writes them, until stopped."""
    rest = {source.name: b"" for source in schedule.sources}
    places: dict[str, tuple[Path, int]] = {}
    while not stop.wait(LOOK_S):
        for source in schedule.sources:
            files = plain_files(schedule.folder / source.folder)
            if not files:
                continue
            path, at = places.get(source.name, (files[-1], files[-1].stat().st_size))
            if path != files[-1]:
                path, at, rest[source.name] = files[-1], 0, b""
            with path.open("rb") as file:
                file.seek(at)
                data = file.read()
            places[source.name] = path, at + len(data)
            lines, _, rest[source.name] = (rest[source.name] + data).rpartition(b"\n")
            if readings := [one for line in lines.split(b"\n") for one in _reading(line)]:
                take(source.name, readings)


def _reading(line: bytes) -> list[Reading]:
    """The reading in a line of a journal; none in its header."""
    time, _, rest = line.decode("utf-8", "replace").partition(",")
    circuit, _, value = rest.partition(",")
    try:
        return [(circuit, float(value), instant_of(time, "iso"))]
    except ValueError:
        return []
