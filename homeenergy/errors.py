"""The one error a person sees: what was wrong, where, and what to do."""

from __future__ import annotations

from pathlib import Path

LONGEST = 1000  # letters of a message, or of what to do


def _short(text: str) -> str:
    """A text without its middle, where a cell or a name of a log makes it too long to read."""
    half = LONGEST // 2
    return text if len(text) <= LONGEST else f"{text[:half]} ... {text[-half:]}"


class HouseError(ValueError):
    """Something a person wrote or exported cannot be used as it is.

    Parameters
    ----------
    what : str
        What was found and what was expected.
    path, line, column
        Where it was found, where known. `line` counts from 1 and includes a header line.
    fix : str, optional
        What to do about it.
    """

    def __init__(
        self,
        what: str,
        *,
        path: str | Path | None = None,
        line: int | None = None,
        column: str | int | None = None,
        fix: str | None = None,
    ) -> None:
        what, fix = _short(what), None if fix is None else _short(fix)
        self.what, self.path, self.line, self.column, self.fix = what, path, line, column, fix
        place = "" if path is None else str(path)
        if line is not None:
            place += f", line {line}" if place else f"line {line}"
        if column is not None:
            place += f", column {column!r}" if place else f"column {column!r}"
        text = f"{place}: {what}" if place else what
        super().__init__(f"{text}\n  {fix}" if fix else text)


class HouseWarning(UserWarning):
    """Something that a person should know, though the work goes on; one line."""
