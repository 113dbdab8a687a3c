"""What a person decided about runs: run_decisions.csv in the folder of a house."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

from homeenergy.cycles.decision_lines import COLUMNS, Decision, decision_line, decisions_of
from homeenergy.errors import HouseError
from homeenergy.house import Schedule

if TYPE_CHECKING:
    from homeenergy.readings.house import House

FILE_NAME = "run_decisions.csv"
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
    file is replaced in one step, so it is never half written.

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
    path = schedule.folder / FILE_NAME
    old = _text(path) if path.exists() else HEADING + ",".join(COLUMNS) + "\n"
    there = list(decisions_of(old, path=path, schedule=schedule))
    gone = list(instead_of)
    for one in gone:
        if one not in there:
            raise HouseError(
                "the decision does not stand there any more; the file was changed meanwhile",
                path=path,
                line=one.line,
                fix="Read the decisions again, and choose anew.",
            )
    new = list(decisions)
    named = {(d.circuit, d.setting[0]) for d in new if d.decision == "setting"}
    gone += [d for d in there if d.decision == "setting" and (d.circuit, d.setting[0]) in named]
    lines = _without(old, {one.line for one in gone})
    ending = "\r\n" if "\r\n" in old else "\n"
    if lines and not lines[-1].endswith("\n"):
        lines[-1] += ending
    written = [decision_line(one, schedule.timezone).rstrip("\n") + ending for one in new]
    text = "".join(lines + written)
    found = tuple(decisions_of(text, path=path, schedule=schedule))
    _replace(path, text)
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


def _replace(path: Path, text: str) -> None:
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="") as file:
            file.write(text)
        mode = path.stat().st_mode & 0o777 if path.exists() else 0o644
        os.chmod(name, mode)
        os.replace(name, path)
    except BaseException:
        os.unlink(name)
        raise
