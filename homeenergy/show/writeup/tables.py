"""Grids made from records: texts for people, the numbers behind them for a spreadsheet."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import pandas as pd

from homeenergy.show.document import Grid


def grid(
    columns: Mapping[str, Callable[[object], str]],
    records: Sequence[object],
    *,
    caption: str,
    text: Sequence[str] = (),
    sheet: str = "",
    data: pd.DataFrame | None = None,
) -> Grid:
    """Make a table with a row a record.

    Parameters
    ----------
    columns : mapping
        Heading, and what it shows of a record.
    records : sequence
    caption : str
    text : sequence of str
        Headings of columns that are words, aligned to the left; the others are numbers.
    sheet, data
        As in `Grid`.
    """
    return Grid(
        head=tuple(columns),
        rows=tuple(tuple(show(record) for show in columns.values()) for record in records),
        caption=caption,
        numeric=frozenset(i for i, name in enumerate(columns) if name not in text),
        sheet=sheet,
        data=data,
    )
