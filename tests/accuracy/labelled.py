"""Compare runs that were found with labelled ones, of which some are arguable and do not count."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from homeenergy.readings.doubt import Nature, find_doubts
from homeenergy.readings.trace import Trace

from .score import Counts, edges_s, match_runs

DAY_S = 86_400
# A found run that lies in arguable ones by more than this share is neither right nor wrong.
MOST_ARGUABLE = 0.3


@dataclass(kw_only=True)
class Tally(Counts):
    """Counts and errors, added up over logs or days."""

    right: int = 0
    too_many: int = 0
    missing: int = 0
    days: int = 0
    exact_days: int = 0
    energy_errors: list[float] = field(default_factory=list)
    standby_errors_w: list[float] = field(default_factory=list)
    sure: list[tuple[float, bool]] = field(default_factory=list)
    """How sure each found run was, and whether it is right."""

    @property
    def f1(self) -> float:
        """1 where there was nothing to find and nothing was found."""
        every = 2 * self.right + self.too_many + self.missing
        return 2 * self.right / every if every else 1.0

    @property
    def exact(self) -> float:
        """Share of days on which no run is too many and none is missing."""
        return self.exact_days / self.days if self.days else 1.0


def as_stored(rows: pd.Series, *, period_s: float | None = None) -> Trace:
    """What a house would give of the rows: on its grid, with samples in doubt flagged."""
    trace = Trace.from_series(rows, period_s=period_s)
    first = trace.start.value // trace.period_ns
    doubts = find_doubts([(first, trace.watts, None)], nature=Nature(period_s=trace.period_s))
    return replace(trace, doubt=doubts.flags(first, len(trace)))


def ten_lines(trace: Trace) -> pd.DataFrame:
    """What a person would write in pandas: 10 W above the most frequent level, bridge 5 minutes."""
    series = trace.to_series()
    watts = series.ffill(limit=int(max(1, 30 / trace.period_s)))
    known = watts.dropna().round().clip(0, 5000).astype(int)
    on = (watts > (np.bincount(known).argmax() if len(known) else 0) + 10).to_numpy()
    merged: list[list[int]] = []
    for a, b in np.flatnonzero(np.diff(np.r_[0, on.astype(int), 0])).reshape(-1, 2):
        if merged and (a - merged[-1][1]) * trace.period_s < 300:
            merged[-1][1] = b
        else:
            merged.append([a, b])
    merged = [(a, b) for a, b in merged if (b - a) * trace.period_s >= 10]
    bounds = np.array(merged, dtype=np.int64).reshape(-1, 2) * trace.period_ns + trace.start.value
    used = np.nancumsum(np.r_[0.0, watts.to_numpy(np.float64)]) * trace.period_s / 3600
    return pd.DataFrame(
        {
            "start": pd.to_datetime(bounds[:, 0], utc=True),
            "end": pd.to_datetime(bounds[:, 1], utc=True),
            "energy_wh": [used[b] - used[a] for a, b in merged],
        }
    )


def tally(truth: pd.DataFrame, found: pd.DataFrame, *, start: pd.Timestamp, days: int) -> Tally:
    """Count the runs of some whole days.

    `truth` has start, end, energy_wh, arguable and, if energies of some cannot be known, hidden_s.
    Runs match one to one where their intersection is at least half of their union. What reaches
    beyond the days is not counted as too many.
    """
    since_s = start.timestamp()
    true_s, found_s = (edges_s(table) - since_s for table in (truth, found))
    near = (found_s[:, 1] > 0) & (found_s[:, 0] < days * DAY_S)
    found, found_s = found[near], found_s[near]
    pairs = match_runs(true_s, found_s)
    arguable = truth["arguable"].to_numpy(bool)
    matched = {i for i, _ in pairs}
    missing = [i for i in range(len(true_s)) if i not in matched and not arguable[i]]
    taken = {k for _, k in pairs}
    too_many = [
        k
        for k in range(len(found_s))
        if k not in taken and not _is_excused(found_s[k], true_s[arguable], days)
    ]
    scored = [(i, k) for i, k in pairs if not arguable[i]]
    hidden_s = truth["hidden_s"].to_numpy() if "hidden_s" in truth else np.zeros(len(truth))
    sure = found["sure"].to_numpy() if "sure" in found else np.ones(len(found))
    true_wh, found_wh = truth["energy_wh"].to_numpy(), found["energy_wh"].to_numpy()
    wrong_on = {int(true_s[i, 0] // DAY_S) for i in missing}
    wrong_on |= {int(found_s[k, 0] // DAY_S) for k in too_many}
    return Tally(
        right=len(scored),
        too_many=len(too_many),
        missing=len(missing),
        days=days,
        exact_days=days - len(wrong_on),
        energy_errors=[
            abs(found_wh[k] / true_wh[i] - 1)
            for i, k in scored
            if true_wh[i] > 0 and not hidden_s[i]
        ],
        sure=[(float(sure[k]), True) for _, k in scored]
        + [(float(sure[k]), False) for k in too_many],
    )


def _is_excused(run_s: np.ndarray, arguable_s: np.ndarray, days: int) -> bool:
    begin, end = run_s
    if begin < 0 or end > days * DAY_S:
        return True
    both = np.minimum(end, arguable_s[:, 1]) - np.maximum(begin, arguable_s[:, 0])
    return bool(np.clip(both, 0, None).sum() > MOST_ARGUABLE * (end - begin))
