"""The recorder: takes readings from links, accounts for every one, and keeps them in journals.

Every reading that a source gives is written, or counted under why it was not:
received = written + repeated + known + lost. What is no reading is counted as bad.
"""

from __future__ import annotations

import json
import os
import queue
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from homeenergy.errors import HouseError
from homeenergy.files import alone, write_text
from homeenergy.house.log_columns import scale_of
from homeenergy.house.schedule import Schedule, switched
from homeenergy.house.sources import RECORDED, Source
from homeenergy.house.toml_file import read_schedule
from homeenergy.record.journal import MOST_PENDING, Journal, Latest, day_of, line_of
from homeenergy.record.lines import METER, Reader, Reading
from homeenergy.record.link import Batch, Link, password_of
from homeenergy.record.listen import listen, stream_of
from homeenergy.record.own_files import MeterReadings
from homeenergy.record.propose import log_for

SYNC_S = 5.0
WRITE_S = 0.2
LONGEST_END_S = 10.0  # that links may take to end
LONGEST_LOOK_S = 1.0  # who looks whether the house is recorded holds its lock for an instant
CLOCK_STEP_S = 2.0  # between two looks at the clock; own choice
MOST_BATCHES = 64  # that wait for the recorder
MOST_EVENTS_BYTES = 1_000_000  # of events.csv, then an older one is dropped
BUSY = "is being recorded already, by another program"
STATUS, EVENTS, LOCK = "status.json", "events.csv", ".lock"
_DISK, _MEMORY = "the disk takes nothing", "memory is full"  # in `Stream.told`
Watcher = Callable[[str, Sequence[Reading]], None]
Tell = Callable[[str], None]


@dataclass(slots=True)
class Counts:
    """What became of the readings of a source."""

    received: int = 0
    written: int = 0
    repeated: int = 0
    known: int = 0
    late: int = 0
    conflicting: int = 0
    lost: int = 0
    bad: int = 0


@dataclass(slots=True, eq=False)
class Stream:
    """A source that is being recorded."""

    link: Link
    journal: Journal
    thread: threading.Thread
    latest: Latest
    known_until_ms: dict[str, int]
    counts: Counts = field(default_factory=Counts)
    position: int | None = None
    synced_position: int | None = None
    meter: MeterReadings | None = None
    told: set[str] = field(default_factory=set)


def record(
    folder: str | Path,
    *,
    stop: threading.Event | None = None,
    sync_every_s: float = SYNC_S,
    watch: Watcher | None = None,
    tell: Tell | None = None,
) -> dict[str, Counts]:
    """Record the sources of a house until they end or it is stopped.

    Parameters
    ----------
    folder : path
        The house's, with a house.toml that has [[source]] blocks.
    stop : threading.Event, optional
        Set from outside, it ends the recording: all is written and synced first.
    sync_every_s : float
        How often the disk is made to hold what was read [s]: what a power cut may lose.
    watch : callable, optional
        Given the name of a source and its readings, when they come.
    tell : callable, optional
        Given what a person should know, a line each.

    Returns
    -------
    dict of str to Counts
        What became of the readings of each source.

    Raises
    ------
    HouseError
        If house.toml has no source, a password is not known, no [[log]] describes what would be
        recorded, or the house is being recorded already.
    """
    schedule = read_schedule(folder)
    check_sources(schedule)
    top = schedule.folder / RECORDED
    top.mkdir(parents=True, exist_ok=True)
    with alone(top / LOCK, longest_wait_s=LONGEST_LOOK_S, busy=BUSY):
        recorder = Recorder(schedule, sync_every_s=sync_every_s, watch=watch, tell=tell)
        return recorder.run(stop or threading.Event())


class Recorder:
    """One recording of a house, see `record`."""

    def __init__(
        self,
        schedule: Schedule,
        *,
        sync_every_s: float,
        watch: Watcher | None,
        tell: Tell | None,
    ) -> None:
        self.schedule, self.sync_every_s = schedule, sync_every_s
        self.folder = schedule.folder / RECORDED
        self.clock_steps = 0
        self._watch, self._say = watch, tell
        self._batches: queue.Queue[Batch] = queue.Queue(MOST_BATCHES)
        self._began = time.time()
        self._clock = time.time() - time.monotonic()
        self._events: queue.SimpleQueue[tuple[str, str]] = queue.SimpleQueue()
        last = read_status(schedule.folder)
        if written := last.get("written"):
            self._note_clock(min(self._began - _instant_s(written), 0.0))
        before = last.get("sources", {})
        self.streams = {
            source.name: self._stream(source, before.get(source.name, {}))
            for source in schedule.sources
        }

    def run(self, stop: threading.Event) -> dict[str, Counts]:
        """Record until all sources have ended, or `stop` is set."""
        self._commit()
        for stream in self.streams.values():
            stream.thread.start()
        write_at, sync_at = 0.0, time.monotonic() + self.sync_every_s
        try:
            while not stop.is_set():
                running = any(s.thread.is_alive() for s in self.streams.values())
                took = self._take()
                self._look_at_clock()
                self._flush_events()
                now = time.monotonic()
                if now >= write_at:
                    write_at = now + WRITE_S
                    for stream in self.streams.values():
                        stream.journal.write()
                        self._look_at_disk(stream)
                if now >= sync_at:
                    sync_at = now + self.sync_every_s
                    self._commit()
                if not running and not took:
                    break
        finally:
            self._end()
        return {name: stream.counts for name, stream in self.streams.items()}

    def _stream(self, source: Source, before: dict[str, Any]) -> Stream:
        """Open the journal of a source where its last end, planned or not, has left it."""
        journal = Journal(self.schedule.folder / source.folder)
        file, size = before.get("file", ""), int(before.get("size", 0))
        position = before.get("position")
        if position is not None and source.kind == "file":
            journal.cut_to(file, size)
        cut, found = journal.recover(name=file, size=size)
        latest = {c: (int(ms), float(v)) for c, (ms, v) in before.get("latest", {}).items()}
        latest |= found
        if cut:
            self._events.put((source.name, f"{cut} bytes without a whole line were cut off"))
        counted = {c: v for c, (_, v) in latest.items()}
        if source.meter is not None and source.lines == "pulses" and counted:
            first, wh = next(iter(counted.items()))
            share = source.circuits[first].impulses_per_kwh or 1.0
            counted[METER] = wh * share / (source.meter.impulses_per_kwh or share)
        reader = Reader(source, states=states(self.schedule), counted=counted)
        link = Link(
            source=source,
            reader=reader,
            batches=self._batches,
            folder=self.schedule.folder,
            tell=lambda name, what: self._events.put((name, what)),
            password=password_of(source),
            position=position,
        )
        fresh = position is None and source.own_times
        meter = None if source.meter is None else MeterReadings(self.schedule, source)
        return Stream(
            link=link,
            journal=journal,
            thread=threading.Thread(target=listen, args=(link,), name=source.name, daemon=True),
            latest=latest,
            known_until_ms={c: ms for c, (ms, _) in latest.items()} if fresh else {},
            position=position,
            synced_position=position,
            meter=meter,
        )

    def _take(self) -> bool:
        """Take what links have given, for at most about as long as between two writes."""
        until = time.monotonic() + WRITE_S
        try:
            batch = self._batches.get(timeout=WRITE_S / 2)
            while True:
                self._keep(self.streams[batch.source], batch)
                if time.monotonic() > until:
                    return True
                batch = self._batches.get_nowait()
        except queue.Empty:
            return False

    def _keep(self, stream: Stream, batch: Batch) -> None:
        counts, latest, lines = stream.counts, stream.latest, []
        counts.received += len(batch.readings)
        known = stream.known_until_ms
        for circuit, value, time_ms in batch.readings:
            if circuit == METER:
                counts.received -= 1
                if stream.meter is not None:
                    stream.meter.take(value, time_ms)
                continue
            last = latest.get(circuit)
            if last is not None and time_ms <= last[0]:
                if time_ms == last[0] and value == last[1]:
                    counts.repeated += 1
                    continue
                if time_ms <= known.get(circuit, -1):
                    counts.known += 1
                    continue
                if time_ms < last[0]:
                    counts.late += 1
                else:
                    counts.conflicting += 1
                    latest[circuit] = time_ms, value
            else:
                latest[circuit] = time_ms, value
            lines.append(line_of(time_ms, circuit, value))
        if batch.position is not None:
            stream.position = batch.position
        if self._watch is not None:
            self._watch(batch.source, batch.readings)
        if not lines:
            return
        if stream.journal.add("".join(lines).encode()):
            counts.written += len(lines)
        else:
            counts.lost += len(lines)

    def _look_at_clock(self) -> None:
        clock = time.time() - time.monotonic()
        step_s, self._clock = clock - self._clock, clock
        self._note_clock(step_s)

    def _note_clock(self, step_s: float) -> None:
        """Count and tell a step of the clock; one back between two recordings shows at once."""
        if abs(step_s) > CLOCK_STEP_S:
            self.clock_steps += 1
            way = "forward" if step_s > 0 else "back"
            self._events.put(("", f"the clock was set {way} by {abs(step_s):.0f} s"))

    def _look_at_disk(self, stream: Stream) -> None:
        """Say once that the disk takes nothing, that readings are lost, and that it is well."""
        journal, name = stream.journal, stream.link.source.name
        full = journal.pending_bytes > MOST_PENDING // 2
        (stream.link.hold.set if full else stream.link.hold.clear)()
        if journal.trouble and _DISK not in stream.told:
            stream.told.add(_DISK)
            why = f"cannot be written ({journal.trouble}); readings are kept in memory"
            self._events.put((name, why))
        if full and stream.counts.lost and _MEMORY not in stream.told:
            stream.told.add(_MEMORY)
            self._events.put((name, "loses readings, as memory for them is full"))
        if _DISK in stream.told and not journal.trouble:
            stream.told -= {_DISK, _MEMORY}
            self._events.put((name, f"is written again; {stream.counts.lost} readings were lost"))

    def _commit(self, *, state: str = "recording") -> None:
        """Make the disk hold all readings, then the status that vouches for them."""
        day = day_of(time.time())
        for stream in self.streams.values():
            if stream.journal.sync():
                stream.synced_position = stream.position
            stream.counts.bad = sum(stream.link.reader.bad.values())
            self._tell_bad(stream)
            stream.journal.open(day)
        self._write_status(state)
        for stream in self.streams.values():
            stream.journal.pack()

    def _tell_bad(self, stream: Stream) -> None:
        for reason, count in list(stream.link.reader.bad.items()):
            if reason not in stream.told:
                stream.told.add(reason)
                self._events.put((stream.link.source.name, f"sent what is no reading: {reason}"))
            elif count in (100, 10_000, 1_000_000):
                self._events.put((stream.link.source.name, f"{reason}: {count} times"))

    def _write_status(self, state: str) -> None:
        content = {
            "state": state,
            "process": os.getpid(),
            "began": _stamp(self._began),
            "written": _stamp(time.time()),
            "sync_every_s": self.sync_every_s,
            "clock_steps": self.clock_steps,
            "sources": {name: self._of_stream(one) for name, one in self.streams.items()},
        }
        try:
            write_text(self.folder / STATUS, json.dumps(content, indent=1))
        except OSError as error:
            for stream in self.streams.values():
                stream.journal.trouble = stream.journal.trouble or str(error.strerror)

    def _of_stream(self, stream: Stream) -> dict[str, Any]:
        path = stream.journal.path
        there = "listening" if stream.link.connected else "not there"
        return {
            "state": "ended" if stream.link.ended else there,
            **asdict(stream.counts),
            "why_bad": dict(stream.link.reader.bad),
            "unchecked_telegrams": stream.link.reader.unchecked,
            "reconnects": stream.link.reconnects,
            "gap_s": round(stream.link.gap_s, 1),
            "in_memory_bytes": stream.journal.pending_bytes,
            "trouble": stream.journal.trouble,
            "file": "" if path is None else path.name,
            "size": stream.journal.synced_bytes,
            "position": stream.synced_position,
            "latest": stream.latest,
            "never_heard": sorted(set(stream.link.source.circuits) - set(stream.latest)),
        }

    def _flush_events(self) -> None:
        """Say what happened, and write it down."""
        lines = []
        while not self._events.empty():
            name, what = self._events.get()
            if self._say is not None:
                self._say(f"{name}: {what}" if name else what)
            plain = what.replace('"', "'")
            lines.append(f'{_stamp(time.time())},{name},"{plain}"\n')
        if not lines:
            return
        path = self.folder / EVENTS
        try:
            if path.exists() and path.stat().st_size > MOST_EVENTS_BYTES:
                os.replace(path, path.with_name("events_before.csv"))
            with path.open("a", encoding="utf-8") as file:
                file.writelines([] if file.tell() else ["time,source,event\n"])
                file.writelines(lines)
        except OSError:  # the disk is full: it was said
            return

    def _end(self) -> None:
        """Stop links, keep what they have given, and leave all on the disk."""
        for stream in self.streams.values():
            stream.link.stop.set()
        until = time.monotonic() + LONGEST_END_S
        while any(s.thread.is_alive() for s in self.streams.values()) and time.monotonic() < until:
            self._take()
        while self._take():
            pass
        self._commit(state="ended")
        for name, stream in self.streams.items():
            if left := stream.journal.close():  # the disk does not take them
                stream.counts.lost += left
                stream.counts.written -= left
                self._events.put((name, f"ends with {left} readings that the disk did not take"))
                self._write_status("ended")
        for stream in self.streams.values():
            stream.journal.pack(wait=True)
        self._flush_events()


def states(schedule: Schedule) -> frozenset[str]:
    """Circuits whose logs hold on and off."""
    found = switched(schedule.logs)
    return frozenset(name for name, quantity in found.items() if quantity == "state")


def check_sources(schedule: Schedule) -> None:
    """Refuse a house without sources, and one whose logs do not describe what is recorded."""
    path = schedule.folder / "house.toml"
    if not schedule.sources:
        raise HouseError(
            "has no [[source]] to record from",
            path=path,
            fix="`homeenergy describe --source ADDRESS` listens to one and proposes a block.",
        )
    for source in schedule.sources:
        stream_of(source.kind)
        _check_certificates(source, schedule.folder)
        example = Path(source.folder) / "2026-01-01.csv"
        logs = [log for log in schedule.logs if example.match(log.files)]
        described = {name for log in logs for name in log.columns}
        if missing := sorted(set(source.circuits) - described):
            raise HouseError(
                f"has no [[log]] for what source `{source.name}` records of {', '.join(missing)}",
                path=path,
                fix=f"Add, with the quantity and unit of each:\n\n{log_for(source)}",
            )
        for log in logs:
            for name, column in log.columns.items():
                scaled = source.lines in ("telegram", "pulses") and name in source.circuits
                if scaled and scale_of(column.unit) != 1:
                    raise HouseError(
                        f"says that `{name}` is in {column.unit}; a source of {source.lines} is "
                        f"recorded in {column.unit[1:]}",
                        path=path,
                        fix=f'Write unit = "{column.unit[1:]}".',
                    )


def _check_certificates(source: Source, folder: Path) -> None:
    """Refuse a file of certificates that is not there."""
    if source.certificates is not None and not (folder / source.certificates).is_file():
        raise HouseError(
            f"the certificates of source `{source.name}` are not there",
            path=folder / source.certificates,
            fix="The path begins at the folder of house.toml.",
        )


def read_status(folder: Path) -> dict[str, Any]:
    """What the last or the running recording wrote about itself; empty where there is none."""
    try:
        found = json.loads((folder / RECORDED / STATUS).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return found if isinstance(found, dict) else {}


def is_recording(folder: Path) -> bool:
    """Whether a program records the house now."""
    top = folder / RECORDED
    if not top.is_dir():
        return False
    try:
        with alone(top / LOCK, longest_wait_s=0, busy=BUSY):
            return False
    except HouseError:
        return True


def _instant_s(stamp: str) -> float:
    return datetime.fromisoformat(stamp).timestamp()


def _stamp(time_s: float) -> str:
    return datetime.fromtimestamp(time_s, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
