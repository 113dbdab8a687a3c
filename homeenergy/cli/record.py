"""The command that records: sources of a house into files on this computer."""

from __future__ import annotations

import os
import shutil
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from homeenergy.cli.frame import BAD_DATA, Folder, plain_errors, say
from homeenergy.errors import HouseError
from homeenergy.words import printable

if TYPE_CHECKING:
    from homeenergy.record.watch import Watch

EVERY_S = 0.5  # how often a terminal is drawn anew
UNIT = """\
# Save as ~/.config/systemd/user/homeenergy-{name}.service, then run:
#   systemctl --user enable --now homeenergy-{name}.service
#   loginctl enable-linger        (so that it also runs while nobody is logged in)
[Unit]
Description=Records the circuits of {title}

[Service]
ExecStart={command}
Restart=on-failure
RestartSec=10
TimeoutStopSec=60
NoNewPrivileges=true
{environment}
[Install]
WantedBy=default.target
"""


def record(
    folder: Folder,
    watch: Annotated[
        bool, typer.Option("--watch", help="Show what each circuit draws now while recording.")
    ] = False,
    reference: Annotated[
        str | None,
        typer.Option(
            metavar="CIRCUIT", help="With --watch: the circuit that records a reference meter."
        ),
    ] = None,
    status: Annotated[
        bool, typer.Option("--status", help="Say how the recording is getting on; record nothing.")
    ] = False,
    unit: Annotated[
        bool, typer.Option("--unit", help="Print a systemd user unit; record nothing.")
    ] = False,
    sync_every: Annotated[
        float,
        typer.Option(min=0.1, max=3600, help="Seconds that a power cut may lose at the most."),
    ] = 5.0,
) -> None:
    """Record what the sources of a house send, until stopped.

    Sources are [[source]] blocks of house.toml; `homeenergy describe --source` proposes one.
    Readings go to logs/recorded, from where every other command reads them, also meanwhile. It
    only listens: it opens no port and switches nothing.

    With --watch, which also shows what another program records, b adds a pair to bench.csv: the
    reference meter and the clamp at this moment.

    \b
    Example:  homeenergy record my_house --watch

    Clamps are fitted inside a panel, where parts stay live with the main breaker off: that is work
    for a licensed electrician. An open secondary of a current transformer can kill: never unplug
    one while its conductor carries current.
    """
    with plain_errors():
        if unit:
            say(_unit(folder, sync_every))
            return
        if status:
            _status(folder)
            return
        from homeenergy.house.toml_file import read_schedule
        from homeenergy.record import record as run
        from homeenergy.record.recorder import is_recording
        from homeenergy.record.watch import Watch, follow

        schedule = read_schedule(folder)
        seen = Watch(schedule)
        if reference is not None and reference not in seen.shown:
            raise HouseError(f"--reference: circuit {reference!r} is not being recorded")
        stop = _stopped_by_signals()
        screen = _Screen(seen, whole=watch, reference=reference)
        with _keys() as pressed:
            drawing = threading.Thread(target=screen.run, args=(stop, pressed), daemon=True)
            drawing.start()
            if watch and is_recording(folder):
                screen.tell("another program is recording; this one only shows what it writes")
                follow(schedule, screen.take, stop=stop)
                counts = {}
            else:
                counts = run(
                    folder, stop=stop, sync_every_s=sync_every, watch=screen.take, tell=screen.tell
                )
            stop.set()
            drawing.join(timeout=2)
        for name, one in counts.items():
            say(f"{name}: {_in_words(one)}", err=True)


def _stopped_by_signals() -> threading.Event:
    """What is set by Ctrl-C, and where a system ends the process."""
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    return stop


def _in_words(counts: Any) -> str:
    """What became of readings, the usual first, what did not happen left out."""
    parts = [f"{counts.written:,} of {counts.received:,} readings written"]
    for name in ("repeated", "known", "late", "conflicting", "lost", "bad"):
        if number := getattr(counts, name):
            parts.append(f"{number:,} {name}")
    return ", ".join(parts)


class _Screen:
    """What a terminal shows while recording: one status line, or all circuits.

    Parameters
    ----------
    seen : Watch
    whole : bool
        All circuits, not one line.
    reference : str or None
    """

    def __init__(self, seen: Watch, *, whole: bool, reference: str | None) -> None:
        self.seen, self.whole, self.reference = seen, whole, reference
        self.count, self.last = 0, ""
        self._guard = threading.Lock()
        self._drawn = 0
        self._asked: str | None = None

    def take(self, source: str, readings: Any) -> None:
        """Take in readings, in the recorder's thread."""
        with self._guard:
            self.count += len(readings)
            if self.whole:
                self.seen.take(source, readings)

    def tell(self, text: str) -> None:
        """Say what a person should know: above what is drawn, or in a log as a line."""
        self.last = f"{time.strftime('%H:%M:%S')} {text}"
        with self._guard:
            self._clear()
            say(self.last, err=True)

    def run(self, stop: threading.Event, pressed: Callable[[], str]) -> None:
        """Draw until the recording ends."""
        if not sys.stderr.isatty() and not self.whole:
            return
        while not stop.wait(0.05 if self._asked is not None else EVERY_S):
            key = pressed()
            if key:
                self._key(key)
            with self._guard:
                lines = self._lines()
                self._clear()
                self._draw(lines)
        with self._guard:
            self._clear()

    def _lines(self) -> list[str]:
        state = f"{time.strftime('%H:%M:%S')}  {self.count:,} readings. Ctrl-C ends."
        if not self.whole:
            return [state]
        now_ms = time.time_ns() // 1_000_000
        clock_ms = self.seen.clock(now_ms)
        lines = self.seen.lines(clock_ms, reference=self.reference)
        if clock_ms < now_ms:
            at = datetime.fromtimestamp(clock_ms / 1000, UTC)
            state = f"Readings are of {at:%Y-%m-%d %H:%M:%S} UTC. {state}"
        ask = "b adds a pair to bench.csv."
        if self._asked is not None:
            ask = f"Circuit and the reference meter's watts, then Enter: {self._asked}"
            if self.reference is not None:
                ask = f"Circuit to compare with {self.reference}, then Enter: {self._asked}"
        return [*lines, state, ask]

    def _key(self, keys: str) -> None:
        """Take in what was typed: b begins a pair, Enter ends it."""
        for key in keys:
            if self._asked is None:
                self._asked = "" if key == "b" else None
            elif key in "\r\n":
                words, self._asked = self._asked.split(), None
                self.tell(self._pair(words))
            elif key in "\x7f\b":
                self._asked = self._asked[:-1]
            elif key.isprintable():
                self._asked += key

    def _pair(self, words: list[str]) -> str:
        try:
            if self.reference is not None and len(words) == 1:
                line = self.seen.pair(words[0], reference=self.reference)
            elif len(words) == 2:
                line = self.seen.pair(words[0], reference_w=float(words[1].replace(",", ".")))
            else:
                return "no pair: write a circuit and watts, as in: fridge 101.5"
        except HouseError as error:
            return f"no pair: {error}"
        except ValueError:
            return f"no pair: {words[1]!r} is no number"
        return f"bench.csv: {line}"

    def _draw(self, lines: list[str]) -> None:
        columns = shutil.get_terminal_size((100, 24)).columns - 1
        shown = [printable(line)[:columns] for line in lines]
        sys.stderr.write("\n".join(shown) + "\r")
        sys.stderr.flush()
        self._drawn = len(shown)

    def _clear(self) -> None:
        if not self._drawn:
            return
        up = f"\x1b[{self._drawn - 1}A" if self._drawn > 1 else ""
        sys.stderr.write(f"\r{up}\x1b[J")
        self._drawn = 0


@contextmanager
def _keys() -> Iterator[Callable[[], str]]:
    """Give what reads keys as they are pressed, where a person sits at a terminal."""
    try:
        import select
        import termios
        import tty

        terminal = sys.stdin.isatty()
    except (ImportError, ValueError):  # on Windows, or without standard input
        terminal = False
    if not terminal:
        yield lambda: ""
        return
    handle = sys.stdin.fileno()
    before = termios.tcgetattr(handle)

    def pressed() -> str:
        if not select.select([handle], [], [], 0)[0]:
            return ""
        return os.read(handle, 64).decode("utf-8", "replace")

    try:
        tty.setcbreak(handle)
        yield pressed
    finally:
        termios.tcsetattr(handle, termios.TCSADRAIN, before)


def _unit(folder: Path, sync_every: float) -> str:
    from homeenergy.house.toml_file import read_schedule

    schedule = read_schedule(folder)
    place = schedule.folder.resolve()
    words = [sys.executable, "-m", "homeenergy.cli", "record", str(place)]
    words += [] if sync_every == 5.0 else ["--sync-every", f"{sync_every:g}"]
    variables = [s.password_variable for s in schedule.sources if s.password_variable]
    remark = "# Passwords: a file that only you can read, with lines VARIABLE=password, for "
    environment = (
        f"{remark}{', '.join(variables)}\nEnvironmentFile=%h/.config/homeenergy-{place.name}.env\n"
        if variables
        else ""
    )
    return UNIT.format(
        name=place.name,
        title=printable(schedule.name).replace("%", "%%"),
        command=" ".join(_quoted(word) for word in words),
        environment=environment,
    ).rstrip("\n")


def _quoted(word: str) -> str:
    """A word of a unit's command; % and $ mean something there."""
    plain = word.replace("\\", "\\\\").replace('"', '\\"').replace("%", "%%").replace("$", "$$")
    return f'"{plain}"' if set(plain) & set(" \t'\"\\") else plain


def _times(number: int) -> str:
    return "once" if number == 1 else f"{number:,} times"


def _status(folder: Path) -> None:
    """Say what the recording wrote about itself; the exit code is 1 where something is wrong."""
    from homeenergy.record.recorder import is_recording, read_status

    found = read_status(folder)
    if not found:
        raise HouseError("was never recorded", path=folder, fix=f"homeenergy record {folder}")
    running = is_recording(folder)
    words = "recording" if running else "not recording"
    if not running and found["state"] != "ended":
        words += "; the last recording ended without saying so"
    say(f"{words}; began {found['began']}, this was written {found['written']}")
    if found["clock_steps"]:
        say(f"the clock was set {_times(found['clock_steps'])}")
    wrong = not running
    age_s = time.time() - datetime.fromisoformat(found["written"]).timestamp()
    if running and age_s > 3 * found["sync_every_s"] + 10:
        wrong = True
        say(f"nothing was written for {age_s:,.0f} s: is the disk full?")
    for name, one in found["sources"].items():
        say(f"\n{name}: {one['state'] if running else 'ended'}, {one['file']}")
        say(f"  {one['written']:,} of {one['received']:,} readings written")
        for key in ("repeated", "known", "late", "conflicting", "lost", "reconnects"):
            if one[key]:
                say(f"  {one[key]:,} {key}")
        for why, number in one["why_bad"].items():
            say(f"  no reading, {_times(number)}: {why}")
        if one["gap_s"]:
            say(f"  away for {one['gap_s']:,.0f} s")
        if silent := one["never_heard"]:
            say(f"  never heard: {', '.join(silent)}; look at their place in house.toml")
        if one["trouble"]:
            say(f"  the disk: {one['trouble']}; {one['in_memory_bytes']:,} bytes wait in memory")
        wrong |= bool(one["trouble"] or one["lost"]) or (running and one["state"] == "not there")
    if wrong:
        raise typer.Exit(BAD_DATA)


def simulate(
    folder: Folder,
    mqtt: Annotated[
        str, typer.Option(metavar="HOST:PORT", help="The broker to play the house into.")
    ] = "127.0.0.1:1883",
    speed: Annotated[
        float, typer.Option(min=1, max=1000, help="Times real time: 1 to 1,000.")
    ] = 60.0,
    record_in: Annotated[
        Path | None,
        typer.Option(metavar="FOLDER", help="First write a house.toml there that records it."),
    ] = None,
) -> None:
    """Play a house into a broker, to try recording without sensors.

    Its readings are sent as if its sensors sent them: topics house/NAME with time and watts.

    \b
    Example:  homeenergy simulate sample_data/canal_flat --speed 600 --record-in trial
    Then:     homeenergy record trial --watch
    """
    with plain_errors():
        from homeenergy.cli.frame import bring_in
        from homeenergy.readings import open_house
        from homeenergy.simulate.play import play_to_broker, recording_house

        bring_in(folder)
        house = open_house(folder)
        if record_in is not None:
            say(f"Wrote {recording_house(house, record_in, address=mqtt)}", err=True)
        stop = _stopped_by_signals()
        say(
            f"Playing {house.name} into {mqtt} at {speed:g} times real time. Ctrl-C ends.", err=True
        )
        sent = play_to_broker(house, mqtt, speed=speed, stop=stop)
        say(f"{sent:,} messages were sent.", err=True)
