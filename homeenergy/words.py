"""Names of columns in words: what a person reads over a table that programs read too."""

from __future__ import annotations

import pandas as pd

# Endings of names that hold a quantity, and its unit as it is written.
UNITS = {
    "w": "W",
    "wh": "Wh",
    "kwh": "kWh",
    "s": "s",
    "h": "h",
    "a": "A",
    "v": "V",
    "va": "VA",
    "var": "var",
    "c": "°C",
    "hz": "Hz",
}
PARTS = {
    "low": "low",
    "high": "high",
    "spread": "spread",
    "systematic": "systematic",
    "q1": "lower quarter",
    "q3": "upper quarter",
}


def in_words(frame: pd.DataFrame, *, rows: bool = False) -> pd.DataFrame:
    """Give a table the heads that a person reads: "duration [s]" for duration_s.

    Parameters
    ----------
    frame : pandas.DataFrame
        Its columns are named as everywhere here, with the unit at the end.
    rows : bool
        Whether its rows are named so, too.

    Returns
    -------
    pandas.DataFrame
        The same figures. Programs go by the names of the table that was given.

    Examples
    --------
    >>> from homeenergy.words import in_words
    >>> table = pd.DataFrame({"kwh_per_day_low": [0.9], "peak_w": [2100]})
    >>> in_words(table).columns.tolist()
    ['kWh per day, low', 'peak [W]']
    """
    return frame.rename(columns=_words, index=_words if rows else None)


def _words(name: object) -> object:
    """Write one name in words; what is no text stays."""
    if not isinstance(name, str):
        return name
    words = name.split("_")
    part = f", {PARTS[words.pop()]}" if len(words) > 1 and words[-1] in PARTS else ""
    unit = UNITS.get(words[-1]) if len(words) > 1 and words[-2] != "per" else None
    if unit is not None:
        words.pop()
    text = " ".join(UNITS.get(word, word) if len(word) > 1 else word for word in words)
    return f"{text} [{unit}]{part}" if unit is not None else f"{text}{part}"
