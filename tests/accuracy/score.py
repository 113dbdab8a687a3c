"""Compare runs that were found with the runs that were simulated."""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from typing import Self

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.cycles import Cycles, find_cycles
from homeenergy.simulate import simulate_appliance
from homeenergy.simulate.appliances.circuit import SimulatedCircuit

LEAST_OVERLAP = 0.5


@dataclass(kw_only=True)
class Counts:
    """Counts, and lists of errors, that add up field by field."""

    def add(self, other: Self) -> None:
        for one in fields(self):
            setattr(self, one.name, getattr(self, one.name) + getattr(other, one.name))


@dataclass(kw_only=True)
class Score(Counts):
    """Counts and errors of one appliance under one condition, added up over seeds."""

    true_runs: int = 0
    found_runs: int = 0
    matched: int = 0
    days: int = 0
    exact_days: int = 0
    energy_errors: list[float] = field(default_factory=list)
    boundary_samples: list[float] = field(default_factory=list)
    standby_errors_w: list[float] = field(default_factory=list)
    kinds: list[str] = field(default_factory=list)

    @property
    def f1(self) -> float:
        """Share of matched runs among all, true and found; 1 where there is none of either."""
        every = self.true_runs + self.found_runs
        return 2 * self.matched / every if every else 1.0

    @property
    def exact(self) -> float:
        """Share of days with as many runs as there were."""
        return self.exact_days / self.days


def edges_s(table: pd.DataFrame) -> NDArray[np.float64]:
    """Start and end of each run [s since the epoch], shape (n, 2)."""
    both = [table[c].dt.as_unit("ns").astype("int64").to_numpy() / 1e9 for c in ("start", "end")]
    return np.column_stack(both)


def match_runs(true_s: NDArray[np.float64], found_s: NDArray[np.float64]) -> list[tuple[int, int]]:
    """Pairs (true, found) whose intersection is at least half of their union, in order of time.

    Runs of one appliance do not overlap one another, so more than one partner is possible only at
    exactly one half; the first is then taken.
    """
    pairs = []
    taken = -1
    for i, (start, end) in enumerate(true_s):
        k = int(np.searchsorted(found_s[:, 1], start, side="right"))
        while k < len(found_s) and found_s[k, 0] < end:
            both = min(end, found_s[k, 1]) - max(start, found_s[k, 0])
            either = max(end, found_s[k, 1]) - min(start, found_s[k, 0])
            if k > taken and both >= LEAST_OVERLAP * either:
                pairs.append((i, k))
                taken = k
                break
            k += 1
    return pairs


def standby_error_w(truth: SimulatedCircuit, found: Cycles) -> float:
    """Error of the standby draw [W]; what is said to be "below" a bound errs by what is above it.

    NaN for an appliance that is never idle.
    """
    said = found.standby
    if not np.isfinite(truth.standby_w):
        return float("nan")
    if not said.resolved:
        return max(0.0, truth.standby_w - said.high)
    return abs(said.value - truth.standby_w) if np.isfinite(said.value) else float("inf")


def score_found(truth: SimulatedCircuit, found: Cycles, *, days: int) -> Score:
    """Score of the runs found in one simulated trace."""
    true_s, found_s = edges_s(truth.runs), edges_s(found.table)
    pairs = match_runs(true_s, found_s)
    period_s = truth.trace.period_s
    t = np.array([i for i, _ in pairs], int)
    f = np.array([k for _, k in pairs], int)
    used_wh = truth.runs["energy_wh"].to_numpy()[t]
    said_wh = found.table["energy_wh"].to_numpy()[f]
    starts = [s[:, 0] // 86400 - truth.trace.start.timestamp() // 86400 for s in (true_s, found_s)]
    counts = [np.bincount(s.astype(int), minlength=days) for s in starts]
    error_w = standby_error_w(truth, found)
    return Score(
        true_runs=len(true_s),
        found_runs=len(found_s),
        matched=len(pairs),
        days=days,
        exact_days=int((counts[0] == counts[1]).sum()),
        energy_errors=list(np.abs(said_wh / used_wh - 1)),
        boundary_samples=list((np.abs(true_s[t] - found_s[f]) / period_s).ravel()),
        standby_errors_w=[] if np.isnan(error_w) else [error_w],
        kinds=[found.kind],
    )


def score_appliance(
    name: str,
    *,
    seeds: range,
    days: int,
    noise_w: float,
    period_s: float,
    resolution_w: float = 1.0,
) -> dict[str, Score]:
    """Scores of one simulated appliance over `seeds`: with its "kind" given, and "inferred"."""
    scores = {"given": Score(), "inferred": Score()}
    for seed in seeds:
        truth = simulate_appliance(
            name,
            days=days,
            seed=seed,
            noise_w=noise_w,
            period_s=period_s,
            resolution_w=resolution_w,
        )
        for how, score in scores.items():
            found = find_cycles(truth.trace, truth.kind if how == "given" else None)
            score.add(score_found(truth, found, days=days))
    return scores
