"""A short list beside the logs that says what each channel feeds, as in "3, Refrigerator"."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from pathlib import Path

from homeenergy.readings.logs.labels import same_name
from homeenergy.readings.logs.sample import first_lines

MOST_LINES = 500
MARKS = ("\t", ";", ",", "=", ":", "|", None)  # between the two cells of a line; None: a blank
LEAST = 2  # channels that it names, which chance does not give


def read_legend(path: Path) -> dict[str, str]:
    """Names by what a list of two columns calls them; empty where a file is no such list."""
    lines = first_lines(path)
    if not LEAST <= len(lines) <= MOST_LINES:
        return {}
    for mark in MARKS:
        rows = [[cell.strip(' "\t') for cell in line.strip(" |").split(mark, 1)] for line in lines]
        if all(len(row) == 2 and all(row) for row in rows):
            return {same_name(key): name for key, name in rows if re.search(r"[^\W\d]", name)}
    return {}


def named_by(legend: Mapping[str, str], labels: Sequence[str]) -> dict[str, str]:
    """What a list calls some labels of a log: by the label itself, or by its number alone.

    Numbers count where the list and the log have the same, so that none can be a place further on.
    """
    by_label = {one: legend[same_name(one)] for one in labels if same_name(one) in legend}
    if len(by_label) >= LEAST:
        return by_label
    number = {one: found[0] for one in labels if (found := re.findall(r"\d+$", one))}
    keys = {key.lstrip("0"): name for key, name in legend.items() if key.isdigit()}
    mine = {one: text.lstrip("0") for one, text in number.items()}
    if len(mine) < LEAST or len(mine) != len(labels) or sorted(mine.values()) != sorted(keys):
        return {}
    return {one: keys[text] for one, text in mine.items()}
