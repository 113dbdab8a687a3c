"""Load a TOML file, and say where it cannot be read."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

from homeenergy.errors import HouseError

_LINE = re.compile(r"at line (\d+), column (\d+)")


def load_toml(path: Path) -> dict[str, object]:
    """Tables of a TOML file.

    Raises
    ------
    HouseError
        If it is not there, not UTF-8 or not TOML, with line and column.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        if path.name != "house.toml":
            raise HouseError("there is no such file", path=path) from None
        raise HouseError(
            "there is no house.toml here",
            path=path.parent,
            fix="Give a house's folder, or start one with `homeenergy new FOLDER --from FILE...`.",
        ) from None
    except UnicodeDecodeError as error:
        raise HouseError(f"is not UTF-8 text ({error.reason})", path=path) from None
    except OSError as error:
        raise HouseError(f"cannot be read: {error.strerror}", path=path) from None
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        place = _LINE.search(str(error))
        raise HouseError(
            f"is not valid TOML: {_LINE.sub('', str(error)).replace('()', '').strip()}",
            path=path,
            line=int(place[1]) if place else text.count("\n") + 1,
            column=int(place[2]) if place else None,
            fix="Texts stand in double quotes; a line is `key = value`.",
        ) from None
