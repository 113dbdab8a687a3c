"""The day that shows an appliance best."""

from __future__ import annotations

from datetime import tzinfo
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from homeenergy.show.local_axis import zone_of

if TYPE_CHECKING:
    from homeenergy.cycles import Cycles


def typical_day(cycles: Cycles, timezone: str | tzinfo) -> tuple[pd.Timestamp, pd.Timestamp] | None:
    """First and last instant of the local day on which most complete runs begin.

    Parameters
    ----------
    cycles : Cycles
    timezone : str or datetime.tzinfo

    Returns
    -------
    tuple of pandas.Timestamp, or None
        Half-open, in UTC. The earliest of days with equally many runs. None without any run.
    """
    table = cycles.table
    if not len(table):
        return None
    runs = table[table["complete"]] if table["complete"].any() else table
    zone = zone_of(timezone)
    dates = pd.DatetimeIndex(runs["start"]).tz_convert(zone).tz_localize(None).normalize()
    counts = dates.value_counts().sort_index()
    date = counts.index[int(counts.to_numpy().argmax())]
    edges = pd.DatetimeIndex([date, date + pd.Timedelta(days=1)]).tz_localize(
        zone, ambiguous=np.ones(2, dtype=bool), nonexistent="shift_forward"
    )
    start, end = edges.tz_convert("UTC")
    return start, end
