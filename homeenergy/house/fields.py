"""Take typed values out of a TOML table, with errors that name the file and the key."""

from __future__ import annotations

import math
from collections.abc import Iterable
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from homeenergy.errors import HouseError

_WORDS = {bool: "true or false", str: "a text", dict: "a table", list: "a list"}


class Fields:
    """One table of a TOML file; every refusal says where it stands and what was expected.

    Parameters
    ----------
    table : dict
        As tomllib gives it.
    path : Path
        The file, for messages.
    where : str
        Key that leads to the table, such as `circuit[2]`; empty for the file itself.
    """

    def __init__(self, table: dict[str, Any], *, path: Path, where: str = "") -> None:
        self.table, self.path, self.where = table, path, where

    def key(self, name: str) -> str:
        """Full name of a key of this table."""
        return f"{self.where}.{name}" if self.where else name

    def refuse(self, name: str, what: str, *, fix: str | None = None) -> HouseError:
        """Build the error about one key."""
        return HouseError(f"`{self.key(name)}` {what}", path=self.path, fix=fix)

    def only(self, allowed: Iterable[str]) -> None:
        """Refuse keys that mean nothing here."""
        known = list(allowed)
        for name in self.table:
            if name in known:
                continue
            near = get_close_matches(name, known, n=1, cutoff=0.55)
            fix = f"Did you mean `{near[0]}`?" if near else f"Known here: {', '.join(known)}."
            raise self.refuse(name, "is not a known key", fix=fix)

    def has(self, name: str) -> bool:
        """Whether the key is there."""
        return name in self.table

    def _get(self, name: str, kind: type, default: Any, required: bool) -> Any:
        if name not in self.table:
            if required:
                raise self.refuse(name, f"is missing; expected {_WORDS[kind]}")
            return default
        value = self.table[name]
        if not isinstance(value, kind):
            raise self.refuse(name, f"must be {_WORDS[kind]}, got {value!r}")
        return value

    def text(self, name: str, default: str | None = None, *, required: bool = False) -> str:
        """Read a text that is not empty."""
        value: str = self._get(name, str, default, required)
        if name in self.table and not value:
            raise self.refuse(name, "must not be empty")
        return value

    def flag(self, name: str, default: bool) -> bool:
        """Read true or false."""
        value: bool = self._get(name, bool, default, False)
        return value

    def choice(
        self, name: str, allowed: tuple[str, ...], default: str | None = None, *, none: bool = False
    ) -> Any:
        """Read one of a few words; `none` allows the key to be left out without a default."""
        value = self._get(name, str, default, default is None and not none)
        if value is None or value in allowed:
            return value
        words = ", ".join(f'"{word}"' for word in allowed)
        near = get_close_matches(value, allowed, n=1, cutoff=0.55)
        raise self.refuse(
            name,
            f"must be one of {words}, got {value!r}",
            fix=f'Did you mean "{near[0]}"?' if near else None,
        )

    def number(
        self,
        name: str,
        default: float | None = None,
        *,
        required: bool = False,
        positive: bool = False,
    ) -> float | None:
        """Read a finite number."""
        if name not in self.table:
            if required:
                raise self.refuse(name, "is missing; expected a number")
            return default
        value = self.table[name]
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise self.refuse(name, f"must be a number, got {value!r}")
        if not math.isfinite(value) or (positive and value <= 0):
            kind = "a number above 0" if positive else "a finite number"
            raise self.refuse(name, f"must be {kind}, got {value!r}")
        return float(value)

    def inner(self, name: str, *, required: bool = False) -> Fields:
        """Open a table inside this one; an empty one where the key is left out."""
        table = self._get(name, dict, {}, required)
        return Fields(table, path=self.path, where=self.key(name))

    def tables(self, name: str) -> list[Fields]:
        """Open the repeated tables [[name]], counted from 1 as a person counts."""
        rows = self._get(name, list, [], False)
        if not all(isinstance(row, dict) for row in rows):
            raise self.refuse(name, f"must be written as [[{self.key(name)}]] tables")
        return [
            Fields(row, path=self.path, where=f"{self.key(name)}[{number}]")
            for number, row in enumerate(rows, start=1)
        ]

    def texts(self, name: str) -> tuple[str, ...]:
        """Read a list of texts; empty where the key is left out."""
        values = self._get(name, list, [], False)
        if not all(isinstance(value, str) for value in values):
            raise self.refuse(name, f"must be a list of texts, got {values!r}")
        return tuple(values)

    def column(self, name: str, *, header: bool) -> str | int:
        """Read a column: its name where there is a header, else its number from 1."""
        return self.as_column(name, self.table[name], header=header)

    def as_column(self, name: str, value: Any, *, header: bool) -> str | int:
        """Check that `value` names a column."""
        if header and isinstance(value, str):  # a header may leave a name empty
            return value
        if not header and isinstance(value, int) and not isinstance(value, bool) and value >= 1:
            return value
        expected = "the name of a column" if header else "the number of a column, from 1"
        fix = None if header else "The log has `header = false`, so its columns are numbered."
        raise self.refuse(name, f"must be {expected}, got {value!r}", fix=fix)
