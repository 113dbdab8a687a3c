"""What a person decided about runs: run_decisions.csv in the folder of a house."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import datetime, timedelta, tzinfo
from pathlib import Path
from typing import Literal, get_args

import numpy as np
import pandas as pd

from homeenergy.errors import HouseError
from homeenergy.files import alone, write_text
from homeenergy.house.kinds import KINDS
from homeenergy.house.schedule import Schedule, divided_circuits
from homeenergy.readings.house import House

COLUMNS = ("circuit", "decision", "start", "end", "value", "note")
Act = Literal["split", "merge", "discard", "relabel", "own", "setting"]
ACTS: tuple[Act, ...] = get_args(Act)
# Settings of find_cycles, and the least value that each may have; a kind is a word.
LEAST = {
    "idle_w": -np.inf,
    "on_w": -np.inf,
    "low_w": -np.inf,
    "pause_s": 0.0,
    "noise_w": 1e-9,
    "penalty_w2": 1e-9,
    "long_gap_s": 1e-9,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """One line of run_decisions.csv.

    Attributes
    ----------
    circuit : str
        Name of the circuit.
    decision : str
        "split": the run at the instant `start` becomes two there. "merge": the runs that lie in
        [start, end) become one, with what is between them. "discard": the run of [start, end) is
        none. "relabel": that run is called `value`. "own": what was drawn from `start` to `end` is
        of this load, one of several on its circuit, which is divided anew. "setting":
        `find_cycles` takes `value`, such as "pause_s=1800", in place of what it infers.
    start, end : pandas.Timestamp or None
        Instants in UTC.
    value, note : str
        Label or setting, and words of the person's own.
    line : int or None
        Line of the file, counted from 1; None while it is in no file.
    """

    circuit: str
    decision: Act
    start: pd.Timestamp | None = None
    end: pd.Timestamp | None = None
    value: str = ""
    note: str = ""
    line: int | None = None

    @property
    def setting(self) -> tuple[str, float | str]:
        """Name and value of a setting."""
        name, _, text = (part.strip() for part in self.value.partition("="))
        return name, text if name == "kind" else float(text)

    def words(self, timezone: tzinfo) -> str:
        """Say it in words, in local time: "discard the run of 2026-03-05 19:10:00 to 20:41:00"."""
        if self.decision == "setting":
            return f"setting {self.value}"
        times = [t.tz_convert(timezone) for t in (self.start, self.end) if t is not None]
        when = " to ".join(f"{t:%Y-%m-%d %H:%M:%S}" for t in times)
        if len(times) == 2 and times[0].date() == times[1].date():
            when = f"{times[0]:%Y-%m-%d %H:%M:%S} to {times[1]:%H:%M:%S}"
        said = {
            "split": f"split the run at {when}",
            "merge": f"merge the runs of {when}",
            "discard": f"discard the run of {when}",
            "relabel": f"call the run of {when} {self.value!r}",
            "own": f"the run of {when} is its own",
        }
        return said[self.decision]


def decision_line(decision: Decision, timezone: tzinfo) -> str:
    """Write a decision as a line, times in the zone with their offset from UTC."""
    out = io.StringIO()
    times = [
        "" if t is None else t.tz_convert(timezone).isoformat()
        for t in (decision.start, decision.end)
    ]
    # A line is one decision, so that deleting it undoes one.
    words = [" ".join(text.split()) for text in (decision.value, decision.note)]
    row = [decision.circuit, decision.decision, *times, *words]
    csv.writer(out, lineterminator="\n").writerow(row)
    return out.getvalue()


def decisions_of(text: str, *, path: Path, schedule: Schedule) -> Iterator[Decision]:
    """Read the text of the file; what cannot be used raises HouseError with line and column."""
    header: list[str] | None = None
    for number, line in enumerate(text.splitlines(), start=1):
        if not line.strip(' ,"') or line.lstrip(' "').startswith("#"):
            continue
        cells = [cell.strip() for cell in next(csv.reader([line]))]
        if header is None:
            header = cells
            _check_header(header, path=path, line=number)
            continue
        if len(cells) > len(header) and any(cells[len(header) :]):
            raise HouseError(
                f"has {len(cells)} cells, but the file has {len(header)} columns",
                path=path,
                line=number,
                fix='Put a text that holds a comma in quotes, as in "wash, then dry".',
            )
        row = dict(zip(header, cells, strict=False))
        given = {name: row.get(name, "") for name in COLUMNS}
        yield _Row(given, path=path, line=number, schedule=schedule).decision()


def _check_header(header: list[str], *, path: Path, line: int) -> None:
    missing = [name for name in COLUMNS[:5] if name not in header]
    if missing:
        raise HouseError(
            f"has no column {', '.join(missing)}",
            path=path,
            line=line,
            fix=f"The first line must be {','.join(COLUMNS)}.",
        )


@dataclass(frozen=True, slots=True)
class _Row:
    """Cells of one line, and its place in the file."""

    cells: dict[str, str]
    path: Path
    line: int
    schedule: Schedule

    def refuse(self, column: str, what: str, fix: str) -> HouseError:
        return HouseError(what, path=self.path, line=self.line, column=column, fix=fix)

    def decision(self) -> Decision:
        circuits = {one.name: one for one in divided_circuits(self.schedule.circuits)}
        circuit, act = self.cells["circuit"], self.cells["decision"]
        if circuit not in circuits:
            raise self.refuse(
                "circuit", f"there is no circuit {circuit!r}", f"Circuits: {', '.join(circuits)}."
            )
        if act not in ACTS:
            raise self.refuse(
                "decision", f"{act!r} is not a decision", f"Write one of {', '.join(ACTS)}."
            )
        if act == "own" and not circuits[circuit].part_of:
            raise self.refuse(
                "circuit",
                f"{circuit!r} is no load of a circuit that several share",
                "Name the load ([[circuit.load]]) whose run it is.",
            )
        found = Decision(
            circuit=circuit,
            decision=act,
            value=self.cells["value"],
            note=self.cells["note"],
            line=self.line,
        )
        if act == "setting":
            self.check_setting()
            return found
        if act == "relabel" and not found.value:
            raise self.refuse("value", "is empty", "Write what the run is to be called.")
        start = self.instant("start")
        if act == "split":
            return replace(found, start=start)
        end = self.instant("end")
        if end <= start:
            raise self.refuse("end", "is not later than start", "A run lasts from start to end.")
        return replace(found, start=start, end=end)

    def check_setting(self) -> None:
        value = self.cells["value"]
        name, equals, text = (part.strip() for part in value.partition("="))
        example = "Write a name and a value, as in pause_s=1800."
        if not equals or name not in (*LEAST, "kind"):
            known = f"{example} Names: {', '.join((*LEAST, 'kind'))}."
            raise self.refuse("value", f"{value!r} is not a setting", known)
        if name == "kind":
            if text not in KINDS:
                fix = f"Write one of {', '.join(KINDS)}."
                raise self.refuse("value", f"{text!r} is not a kind", fix)
            return
        try:
            number = float(text)
        except ValueError:
            raise self.refuse("value", f"{text!r} is not a number", example) from None
        if not np.isfinite(number) or number < LEAST[name]:
            least = "0 or more" if LEAST[name] == 0 else "above 0"
            allowed = least if np.isfinite(LEAST[name]) else "finite"
            raise self.refuse("value", f"{name} cannot be {text}", f"It must be {allowed}.")

    def instant(self, column: str) -> pd.Timestamp:
        text = self.cells[column]
        example = "Write it as 2026-10-25T02:30:00+02:00, with the offset from UTC."
        if not text:
            raise self.refuse(column, "is empty", example)
        try:
            when = datetime.fromisoformat(text)
        except ValueError:
            raise self.refuse(column, f"{text!r} is not a time", example) from None
        try:
            return _instant(when, self.schedule.timezone)
        except ValueError as error:
            raise self.refuse(column, f"{text!r} {error}", example) from None


def _instant(when: datetime, timezone: tzinfo) -> pd.Timestamp:
    """Instant of a time; without an offset it is local, and must be so that there is one such."""
    if when.tzinfo is not None:
        return pd.Timestamp(when).tz_convert("UTC").as_unit("ns")
    first, second = (when.replace(tzinfo=timezone, fold=fold) for fold in (0, 1))
    if first.utcoffset() != second.utcoffset():
        # Clocks are put back or forward there: it comes twice, or not at all.
        back = (second.utcoffset() or timedelta()) < (first.utcoffset() or timedelta())
        raise ValueError("comes twice that day" if back else "is left out by the clocks that day")
    return pd.Timestamp(first).tz_convert("UTC").as_unit("ns")


FILE_NAME = "run_decisions.csv"
LONGEST_WAIT_S = 30.0  # for another notebook of the same house
HEADING = "# What a person decided about runs. Delete a line to undo it.\n"


def read_decisions(house: House | Schedule) -> tuple[Decision, ...]:
    """Read the run_decisions.csv of a house, in the order of its lines.

    Parameters
    ----------
    house : House or Schedule
        Whose folder holds the file, and whose circuits it may name.

    Returns
    -------
    tuple of Decision
        Empty where there is no file.

    Raises
    ------
    HouseError
        Naming line and column of what cannot be used.
    """
    schedule = house if isinstance(house, Schedule) else house.schedule
    path = schedule.folder / FILE_NAME
    if not path.exists():
        return ()
    return tuple(decisions_of(_text(path), path=path, schedule=schedule))


def add_decisions(
    house: House | Schedule, decisions: Iterable[Decision], *, instead_of: Iterable[Decision] = ()
) -> tuple[Decision, ...]:
    """Write decisions at the end of the file, and give all that it then holds.

    A setting takes the place of the line that had the same one. Other lines stay as they are. The
    file is replaced in one step, so it is never half written, and by one program at a time.

    Parameters
    ----------
    house : House or Schedule
    decisions : iterable of Decision
    instead_of : iterable of Decision
        Lines to delete in the same step, as read before.

    Returns
    -------
    tuple of Decision

    Raises
    ------
    HouseError
        If the file, or a decision, cannot be used, or a line to delete does not stand there any
        more, because the file was changed meanwhile; the file is then as it was.
    """
    schedule = house if isinstance(house, Schedule) else house.schedule
    store = schedule.folder / "store"
    store.mkdir(exist_ok=True)
    with alone(
        store / ".decisions.lock",
        longest_wait_s=LONGEST_WAIT_S,
        busy=f"another program is writing {FILE_NAME}",
    ):
        return _add(schedule, list(decisions), gone=list(instead_of))


def _add(schedule: Schedule, new: list[Decision], *, gone: list[Decision]) -> tuple[Decision, ...]:
    path = schedule.folder / FILE_NAME
    old = _text(path) if path.exists() else HEADING + ",".join(COLUMNS) + "\n"
    there = list(decisions_of(old, path=path, schedule=schedule))
    for one in gone:
        if one not in there:
            raise HouseError(
                "the decision does not stand there any more; the file was changed meanwhile",
                path=path,
                line=one.line,
                fix="Read the decisions again, and choose anew.",
            )
    named = {(d.circuit, d.setting[0]) for d in new if d.decision == "setting"}
    gone += [d for d in there if d.decision == "setting" and (d.circuit, d.setting[0]) in named]
    lines = _without(old, {one.line for one in gone})
    ending = "\r\n" if "\r\n" in old else "\n"
    if lines and not lines[-1].endswith("\n"):
        lines[-1] += ending
    written = [decision_line(one, schedule.timezone).rstrip("\n") + ending for one in new]
    text = "".join(lines + written)
    found = tuple(decisions_of(text, path=path, schedule=schedule))
    write_text(path, text)
    return found


def remove_decisions(
    house: House | Schedule, decisions: Iterable[Decision]
) -> tuple[Decision, ...]:
    """Delete the lines of these decisions, as read before; give what the file then holds.

    Raises
    ------
    HouseError
        If one does not stand there any more, because the file was changed meanwhile.
    """
    return add_decisions(house, (), instead_of=decisions)


def _text(path: Path) -> str:
    try:
        # Ends of lines stay as they are, so that only what is decided changes.
        with path.open(encoding="utf-8-sig", newline="") as file:
            return file.read()
    except UnicodeDecodeError as error:
        raise HouseError(
            f"is not UTF-8 text ({error.reason})", path=path, fix="Save it as CSV in UTF-8."
        ) from None


def _without(text: str, numbers: set[int | None]) -> list[str]:
    return [
        line
        for number, line in enumerate(text.splitlines(keepends=True), start=1)
        if number not in numbers
    ]
