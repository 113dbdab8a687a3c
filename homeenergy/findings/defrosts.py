"""Defrosts of a heat pump: it halts, runs hard for some minutes the other way, and halts again."""

from __future__ import annotations

import numpy as np
import pandas as pd

from homeenergy.findings.compressor import LONGEST_HALT_S, Compressor
from homeenergy.units import S_PER_H

# Seconds that each part takes (common practice, no source).
SHORTEST_HALT_S, WORK_S = 8.0, (60.0, 900.0)
COARSEST_S = 10.0  # readings further apart do not see a halt of half a minute


def defrosts(machine: Compressor) -> pd.DataFrame | None:
    """Defrosts of a heat pump.

    Parameters
    ----------
    machine : Compressor

    Returns
    -------
    pandas.DataFrame or None
        One row a defrost: start (of the first halt), end (of the second), energy_wh (of the work
        between). None where readings are too far apart to see a halt.

    Notes
    -----
    Own rule: two halts of 8 s to 4 min with 1 to 15 min of work between them.
    """
    p = machine.plateaus
    if p.period_s > COARSEST_S:
        return None
    fits = (machine.stands_s >= SHORTEST_HALT_S) & (machine.stands_s <= LONGEST_HALT_S)
    first, stop = machine.first[fits], machine.stop[fits]
    sums_w = np.r_[0.0, np.cumsum(p.sum_w)]
    rows = []
    at = 0
    while at + 1 < first.size:
        work_s = (first[at + 1] - stop[at]) * p.period_s
        if WORK_S[0] <= work_s <= WORK_S[1]:
            a, b = np.searchsorted(p.first, [stop[at], first[at + 1]])
            rows.append((first[at], stop[at + 1], (sums_w[b] - sums_w[a]) * p.period_s / S_PER_H))
            at += 1
        at += 1
    begin, end, energy_wh = (
        (np.array(column) for column in zip(*rows, strict=True))
        if rows
        else (np.empty(0, np.int64), np.empty(0, np.int64), np.empty(0))
    )
    return pd.DataFrame(
        {"start": p.instants(begin), "end": p.instants(end), "energy_wh": energy_wh}
    )
