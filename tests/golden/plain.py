"""Results as plain numbers that JSON holds, and where two sets of such numbers differ.

Words are left out: they may be rewritten, numbers may not. What is frozen of an Estimate stands in
`estimate` alone.
"""

from __future__ import annotations

import json
import math
import re
import tomllib
from collections.abc import Callable, Iterator
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from homeenergy import Estimate, HouseError

RELATIVE = ABSOLUTE = 1e-9
FEW_ROWS = 5  # a table with more is frozen as its count, its sums, and rows at its ends
WORDS = "basis|sentence|verdict|remarks?|reason|what|do|assumptions|why_not|warning|sources?"
_WORDS = re.compile(WORDS)


def estimate(found: Estimate) -> dict[str, Any]:
    return {
        "value": number(found.value),
        "low": number(found.low),
        "high": number(found.high),
        "level": number(found.level),
        "unit": found.unit,
        "n": int(found.n),
        "resolved": bool(found.resolved),
        "systematic": number(found.systematic),
    }


def number(value: float) -> float | str:
    """A float; text where it is not finite."""
    value = float(value)
    return value if math.isfinite(value) else str(value)


def plain(value: Any) -> Any:
    """Anything that results hold, as what JSON holds."""
    if value is None or isinstance(value, str):
        return value
    if isinstance(value, Estimate):
        return estimate(value)
    if isinstance(value, bool | np.bool_):
        return bool(value)
    if isinstance(value, pd.Timestamp | datetime):
        return instant(pd.Timestamp(value))
    if isinstance(value, timedelta | np.timedelta64):
        return number(pd.Timedelta(value).total_seconds())
    if value is pd.NaT or value is pd.NA:
        return "nan"
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, int | np.integer):
        return int(value)
    if isinstance(value, float | np.floating):
        return number(value)
    if isinstance(value, pd.DataFrame):
        return table(value)
    if isinstance(value, pd.Series):
        return table(value.to_frame("value"))
    if isinstance(value, np.ndarray):
        return [plain(one) for one in value.tolist()]
    if isinstance(value, dict):
        return {str(k): plain(v) for k, v in value.items() if not _WORDS.fullmatch(str(k))}
    if isinstance(value, tuple | list):
        return [plain(one) for one in value]
    raise TypeError(f"{type(value).__name__} has no plain form")


def instant(when: pd.Timestamp) -> str:
    """ISO 8601, in UTC where a zone is known."""
    if when is pd.NaT:
        return "nan"
    return when.isoformat() if when.tz is None else when.tz_convert("UTC").isoformat()


def fields(result: Any, names: str) -> dict[str, Any]:
    """Some fields of a result, given as words of one text; what it no longer has is left out."""
    return {name: plain(getattr(result, name)) for name in names.split() if hasattr(result, name)}


def table(frame: pd.DataFrame, *, named: str = "", rows: int = FEW_ROWS) -> dict[str, Any]:
    """A table without its texts, but for the columns `named`.

    With more than `rows` rows only their number, the sums of numbers and of what is True, and the
    first and last row are kept.
    """
    frame = frame.reset_index(drop=True)
    keep = [
        name
        for name in frame.columns
        if str(name) in named.split()
        or (_is_figure(frame[name]) and not _WORDS.fullmatch(str(name)))
    ]
    kept: dict[str, Any] = {"count": len(frame)}
    if len(frame) <= rows:
        return kept | {"rows": [_row(frame, keep, i) for i in range(len(frame))]}
    sums = {}
    for name in keep:
        if pd.api.types.is_numeric_dtype(frame[name]):
            column = frame[name].to_numpy(dtype=np.float64, na_value=np.nan)
            sums[str(name)] = number(math.fsum(column[np.isfinite(column)]))
            if not np.isfinite(column).all():
                sums[f"{name}, finite"] = int(np.isfinite(column).sum())
    return kept | {
        "sums": sums,
        "first": _row(frame, keep, 0) if len(frame) else None,
        "last": _row(frame, keep, -1) if len(frame) else None,
    }


def _is_figure(column: pd.Series) -> bool:
    kinds = pd.api.types
    if kinds.is_numeric_dtype(column) or kinds.is_datetime64_any_dtype(column):
        return True
    if kinds.is_timedelta64_dtype(column):
        return True
    return column.dtype == object and not any(isinstance(v, str | tuple | list) for v in column)


def _row(frame: pd.DataFrame, names: list[Any], position: int) -> dict[str, Any]:
    return {str(name): plain(frame[name].iloc[position]) for name in names}


def toml_line(line: str) -> Any:
    """What a line proposed for house.toml says."""
    return plain(tomllib.loads(line)) if line else {}


def shown(found: list[str], *, most: int = 40) -> str:
    """Differences as one text, the first of them in full."""
    more = [f"and {len(found) - most} more"] if len(found) > most else []
    return "\n".join([*found[:most], *more])


def attempt(work: Callable[[], Any]) -> Any:
    """What `work` gives; which error it refuses with is frozen as well."""
    try:
        return work()
    except (HouseError, ValueError) as error:
        return {"refused": type(error).__name__}


def write(path: Path, content: Any) -> None:
    path.write_text("\n".join(_lines(content, "", "")) + "\n", encoding="utf-8")


def _lines(content: Any, before: str, after: str, *, depth: int = 0) -> Iterator[str]:
    """JSON with what holds nothing that holds more on one line: an Estimate, a row of a table."""
    inside = content.values() if isinstance(content, dict) else content
    if not isinstance(content, dict | list) or not any(isinstance(v, dict | list) for v in inside):
        text = json.dumps(
            content, sort_keys=True, ensure_ascii=False, allow_nan=False, separators=(",", ":")
        )
        yield " " * depth + before + text + after
        return
    named = isinstance(content, dict)
    keys = [f"{json.dumps(k, ensure_ascii=False)}: " for k in sorted(content)] if named else []
    values = [content[k] for k in sorted(content)] if named else content
    yield " " * depth + before + ("{" if named else "[")
    for i, value in enumerate(values):
        comma = "," if i < len(values) - 1 else ""
        yield from _lines(value, keys[i] if named else "", comma, depth=depth + 1)
    yield " " * depth + ("}" if named else "]") + after


def read(path: Path) -> Any:
    return json.loads(path.read_text(encoding="utf-8"))


def differences(frozen: Any, found: Any, at: str = "") -> Iterator[str]:
    """Path of every key that is gone or differs; a key that is new is no difference."""
    if isinstance(frozen, dict) and isinstance(found, dict):
        for name, value in frozen.items():
            path = f"{at}/{name}"
            if name in found:
                yield from differences(value, found[name], path)
            else:
                yield f"{path}: gone"
    elif isinstance(frozen, list) and isinstance(found, list):
        if len(frozen) != len(found):
            yield f"{at}: {len(frozen)} entries, now {len(found)}"
        for i, (one, other) in enumerate(zip(frozen, found, strict=False)):
            yield from differences(one, other, f"{at}[{i}]")
    elif not same(frozen, found):
        yield f"{at}: {frozen!r}, now {found!r}"


def same(one: Any, other: Any) -> bool:
    if isinstance(one, bool) or isinstance(other, bool):
        return one is other
    if isinstance(one, int | float) and isinstance(other, int | float):
        return math.isclose(one, other, rel_tol=RELATIVE, abs_tol=ABSOLUTE)
    return type(one) is type(other) and one == other
