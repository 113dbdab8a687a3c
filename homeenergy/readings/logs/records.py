"""Records in whatever JSON holds them: lists of them, rows below heads, lists side by side."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from typing import Any

from homeenergy.readings.logs.time_formats import is_stamp

Record = dict[str, Any]
_PAIR = ("time", "value")
_NAME, _EPOCH = "name", re.compile(r"[12]\d{9}(?:\d{3})*")


def list_of_records(value: Any) -> list[Record] | None:
    """Records that a JSON value is or holds; None where it holds none, or different ones.

    Parameters
    ----------
    value : object
        A list of records, or of lists of them; rows, perhaps below a row of heads; columns of one
        length, or heads, times and a table beside each other; or records by name or by time. What
        is named in front of several lists becomes the column "name", what is timed "time".
    """
    if isinstance(value, list):
        return _of_list(value)
    return _of_names(value) if isinstance(value, dict) else None


def _of_list(value: list[Any]) -> list[Record] | None:
    if not value or not all(isinstance(one, dict | list) for one in value):
        return None
    if all(isinstance(one, dict) for one in value):
        return value
    if _is_table(value):
        heads = value[0] if all(isinstance(cell, str) for cell in value[0]) else None
        return _of_rows(value[1:], heads) if heads and len(value) > 1 else _of_rows(value)
    parts = [list_of_records(one) for one in value]
    return None if None in parts else [record for part in parts for record in part or ()]


def _of_rows(rows: Sequence[list[Any]], heads: Sequence[str] | None = None) -> list[Record]:
    width = len(rows[0])
    numbered = [f"column {number}" for number in range(1, width + 1)]
    names = heads or (_PAIR if width == len(_PAIR) else numbered)
    return [dict(zip(names, row, strict=True)) for row in rows]


def _of_names(value: Record) -> list[Record] | None:
    plain = {name: one for name, one in value.items() if isinstance(one, list) and not _inner(one)}
    tables = [one for one in value.values() if isinstance(one, list) and _is_table(one)]
    if len(plain) > 1 and len(set(map(len, plain.values()))) == 1 and not tables:
        return [dict(zip(plain, row, strict=True)) for row in zip(*plain.values(), strict=True)]
    if len(tables) == 1 and plain:
        return _beside(plain, tables[0])
    inside = {name: one for name, one in value.items() if isinstance(one, list | dict)}
    maps = {
        n: one for n, one in inside.items() if isinstance(one, dict) and not _inner([*one.values()])
    }
    if maps and len(maps) == len(inside) == len(value):
        if all(map(_is_time, maps)):
            return [{_PAIR[0]: time, **one} for time, one in maps.items()]
        if all(map(_is_time, (key for one in maps.values() for key in one))):
            return [
                {_PAIR[0]: time, _NAME: name, _PAIR[1]: reading}
                for name, one in maps.items()
                for time, reading in one.items()
            ]
    if len(plain) == 1 and (shared := _of_shared(plain, inside)):
        return shared
    found = {name: records for name, one in inside.items() if (records := list_of_records(one))}
    if len(found) < 2:
        return next(iter(found.values()), None)
    alike = {frozenset(records[0]) for records in found.values()}
    if len(alike) > 1 or _NAME in next(iter(alike)):
        return None
    return [{_NAME: name, **record} for name, records in found.items() for record in records]


def _beside(plain: dict[str, list[Any]], table: list[list[Any]]) -> list[Record] | None:
    """Rows of a table whose heads, and perhaps whose first column, are lists beside it."""
    heads = [one for one in plain.values() if len(one) == len(table[0]) and _are_texts(one)]
    columns = {n: one for n, one in plain.items() if len(one) == len(table) and one not in heads}
    if len(heads) != 1 or len(columns) > 1:
        return None
    rows = _of_rows(table, heads[0])
    for name, cells in columns.items():
        rows = [{name: cell, **row} for cell, row in zip(cells, rows, strict=True)]
    return rows


def _of_shared(plain: dict[str, list[Any]], inside: Record) -> list[Record] | None:
    """Records with a list each that goes with one beside them, such as times."""
    ((shared, cells),) = plain.items()
    out: list[Record] = []
    for name, one in inside.items():
        for record in (list_of_records(one) or ()) if name != shared else ():
            lists = {n: v for n, v in record.items() if isinstance(v, list) and not _inner(v)}
            if not lists or any(len(values) != len(cells) for values in lists.values()):
                return None
            own = _flat({n: v for n, v in record.items() if n not in lists})
            for row in zip(cells, *lists.values(), strict=True):
                out.append(own | dict(zip((shared, *lists), row, strict=True)))
    return out or None


def rows_of(record: Record) -> Iterator[Record]:
    """A record without records in it, or a row for each that its lists give."""
    deep = {name: one for name, one in record.items() if _holds_lists(one)}
    own = _flat({name: one for name, one in record.items() if name not in deep})
    inside = list_of_records(deep) if deep else None
    if inside is None:
        yield own | _flat(deep)
        return
    for one in inside:
        for found in rows_of(one):
            yield own | {
                f"{next(iter(deep))}.{key}" if key in own else key: v for key, v in found.items()
            }


def _flat(record: Record, before: str = "") -> Record:
    """A record without records in it; numbers of a list are numbered, and null is empty."""
    cells: Record = {}
    for name, value in record.items():
        if isinstance(value, list):
            value = dict(enumerate(value, start=1)) if _are_numbers(value) else {}
        if isinstance(value, dict):
            cells |= _flat(value, f"{before}{name}.")
        else:
            cells[f"{before}{name}"] = "" if value is None else value
    return cells


def _holds_lists(value: Any) -> bool:
    """Whether lists are in a value, but for one of numbers alone."""
    if isinstance(value, dict):
        return any(map(_holds_lists, value.values()))
    return isinstance(value, list) and not _are_numbers(value)


def _inner(values: list[Any]) -> bool:
    """Whether a list holds lists or records."""
    return any(isinstance(one, list | dict) for one in values)


def _is_table(rows: list[Any]) -> bool:
    """Whether a list holds lists of one length, of two or more cells each."""
    return bool(rows) and all(
        isinstance(row, list) and len(row) == len(rows[0]) > 1 and not _inner(row) for row in rows
    )


def _are_texts(values: list[Any]) -> bool:
    return all(isinstance(one, str) for one in values)


def _are_numbers(values: list[Any]) -> bool:
    return all(isinstance(one, int | float) or one is None for one in values)


def _is_time(text: str) -> bool:
    return is_stamp(text) or bool(_EPOCH.fullmatch(text))
