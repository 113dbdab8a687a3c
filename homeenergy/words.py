"""Names of columns in words, and texts that somebody else wrote, made safe to show."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

# Endings of names that hold a quantity, and its unit as it is written.
UNITS = {
    "w": "W",
    "kw": "kW",
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


def two_digits(value: float) -> str:
    """Write a number with two significant digits, without a power of ten where it is large.

    Examples
    --------
    >>> from homeenergy.words import two_digits
    >>> two_digits(186.4), two_digits(0.0312)
    ('190', '0.031')
    """
    return f"{float(f'{value:.2g}'):,.15g}"


def three_digits(value: float) -> str:
    """Write a number with three, as a factor between what two clamps read.

    Examples
    --------
    >>> from homeenergy.words import three_digits
    >>> three_digits(12345), three_digits(0.4987)
    ('12,300', '0.499')
    """
    return f"{float(f'{value:.3g}'):,.15g}"


# Characters that a terminal obeys, or that turn the order of others around; not tab and newline.
_OBEYED = [*range(9), *range(11, 32), *range(127, 160), *range(0x202A, 0x202F)]
_OBEYED += [*range(0x2066, 0x206A)]
_SHOWN = {code: f"\\x{code:02x}" if code < 256 else f"\\u{code:04x}" for code in _OBEYED}
# What a spreadsheet takes for the beginning of a formula.
_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def printable(text: str) -> str:
    """Show characters that a terminal would obey, such as escape, in place of sending them."""
    return text.translate(_SHOWN)


def without_formulas(table: pd.DataFrame) -> pd.DataFrame:
    """Put an apostrophe before texts that a spreadsheet would take for a formula.

    Numbers stay numbers. Own rule, after what spreadsheets do with a CSV.
    """

    def plain(cell: object) -> object:
        return f"'{cell}" if isinstance(cell, str) and cell.startswith(_FORMULA) else cell

    texts = table.select_dtypes(exclude="number").columns
    return table.assign(**{str(name): table[name].map(plain) for name in texts})
