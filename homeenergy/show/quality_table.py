"""How good the readings of a house are, as aligned columns."""

from __future__ import annotations

import math

import pandas as pd

from homeenergy.estimate import number_text
from homeenergy.show.columns import Column, column_lines
from homeenergy.units import S_PER_DAY, S_PER_H

COUNTS = {
    "gaps": ("", "gaps"),
    "repeats": ("repeated", "rows"),
    "out_of_order": ("late", "rows"),
    "resets": ("counter", "resets"),
    "spikes": ("lone", "spikes"),
}


def quality_lines(quality: pd.DataFrame, *, width: int = 100) -> list[str]:
    """Lay out what `House.quality` tells as text of at most `width` characters.

    Parameters
    ----------
    quality : pandas.DataFrame
        One row a circuit, the circuits as index.
    width : int
        Characters in a line; columns that do not fit go to a further block below.

    Returns
    -------
    list of str
    """
    if not len(quality):
        return ["No circuit has readings."]
    columns = [
        _column(("one sample", "s"), [f"{period_s:g}" for period_s in quality["period_s"]]),
        _column(("covered", "%"), [_percent(share) for share in quality["coverage"]]),
        _column(("longest", "gap"), [duration_text(gap_s) for gap_s in quality["longest_gap_s"]]),
    ]
    columns += [
        _column(heading, [_count(count) for count in quality[name]])
        for name, heading in COUNTS.items()
    ]
    columns += [
        _column(("longest", "stuck"), [duration_text(stuck_s) for stuck_s in quality["stuck_s"]]),
        _column(
            ("negative", "% of time"), [_percent(share) for share in quality["negative_share"]]
        ),
    ]
    names = [str(name) for name in quality.index]
    return column_lines("circuit", names, columns, width=width)[1:]


def _column(heading: tuple[str, str], cells: list[str]) -> Column:
    return Column(heading=heading, cells=tuple(cells))


def _count(count: float) -> str:
    """Write a count; what could not be counted at this period is a dash."""
    return f"{int(count):,}" if math.isfinite(count) else "-"


def _percent(share: float) -> str:
    return number_text(100 * share, 2) if math.isfinite(share) else "-"


def duration_text(duration_s: float) -> str:
    """Write a duration in the unit that suits it: "45 s", "12 min", "3.5 h", "2.1 days"."""
    if not math.isfinite(duration_s):
        return "-"
    if duration_s == 0:
        return "none"
    if duration_s < 120:
        return f"{duration_s:g} s"
    if duration_s < 2 * S_PER_H:
        return f"{duration_s / 60:.0f} min"
    if duration_s < 2 * S_PER_DAY:
        return f"{duration_s / S_PER_H:.1f} h"
    return f"{duration_s / S_PER_DAY:.1f} days"
