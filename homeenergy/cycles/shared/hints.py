"""What a person says of the loads of a circuit, as log odds that a part is of a load.

Watts and a time alone add to the evidence that the log itself gives. A kind only says which load
is which: to divide by it made divisions of simulated loads worse.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.cycles.shared.grouping import MARGIN_S, Times
from homeenergy.house.kinds import KINDS
from homeenergy.units import S_PER_DAY

# A part near the watts that were said, within this [ln]; one far above them. Common sense, no
# source.
NEAR_WATTS, FAR_ABOVE = 0.2, 0.7
BY_WATTS, BY_KIND, BY_TIME = 1.5, 0.001, 6.0
# Ends of a draw that was said to be a load's own are told to this share of it.
SAME_END = 0.1
# What switches itself begins a quarter of its draws in the six quietest hours, people few.
QUIET_S, BY_ITSELF, BY_PEOPLE = 6 * 3600.0, 0.25, 0.05
MOST_STARTS = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class Load:
    """What is known of one load on a shared circuit; only its name is needed.

    `kind` is one of `homeenergy.house.KINDS`, `watts` about what it draws while on [W]; `alone` is
    a time (start, end; UTC without a time zone) in which only this load ran, `own` are times of
    draws that are its own, whatever else ran.
    """

    name: str
    kind: str | None = None
    watts: float | None = None
    alone: tuple[pd.Timestamp, pd.Timestamp] | None = None
    own: tuple[tuple[pd.Timestamp, pd.Timestamp], ...] = ()

    def __post_init__(self) -> None:
        if not self.name:
            raise ValueError("a load needs a name: Load(name='Freezer')")
        if self.kind is not None and self.kind not in KINDS:
            raise ValueError(
                f"kind of load {self.name!r} must be one of {', '.join(KINDS)}, got {self.kind!r}"
            )
        if self.watts is not None and not self.watts > 0:
            raise ValueError(f"watts of load {self.name!r} must be positive, got {self.watts!r}")
        for what, (low, high) in [
            *([("alone", self.alone)] if self.alone is not None else []),
            *(("own", one) for one in self.own),
        ]:
            if not low < high:
                raise ValueError(f"{what} of load {self.name!r} must end after it starts")


def odds_by_hints(
    loads: Sequence[Load],
    times: list[Times],
    watts: NDArray[np.float64],
    *,
    start: pd.Timestamp,
    span_s: float,
) -> NDArray[np.float64]:
    """Log odds that each part is of each load, shape (loads, parts); zero where nothing is said."""
    odds = np.zeros((len(loads), len(times)))
    # A kind says something only where it is not that of all.
    by_kind = len({load.kind for load in loads}) > 1
    by_itself = _by_itself(times) if by_kind else np.zeros(len(times))
    for i, load in enumerate(loads):
        if load.watts is not None:
            by_watts = np.log(watts / load.watts)
            odds[i] += BY_WATTS * np.exp(-0.5 * (by_watts / NEAR_WATTS) ** 2)
            odds[i] -= BY_WATTS * (by_watts > FAR_ABOVE)
        if load.kind is not None:
            odds[i] += by_itself if KINDS[load.kind].bridging.by_itself else -by_itself
        if load.alone is not None:
            low, high = (_seconds(at, start) for at in load.alone)
            odds[i] += [_alone(one, max(low, 0.0), min(high, span_s), span_s) for one in times]
        odds[i] += BY_TIME * np.array([one.any() for one in said_own(load, times, start=start)])
    return odds


def said_own(load: Load, times: list[Times], *, start: pd.Timestamp) -> list[NDArray[np.bool_]]:
    """Which draws of each part were said to be of a load.

    Those that begin and end at the ends of a time that was given; where none does, those within it.
    """
    found = [np.zeros(first.size, bool) for first, _ in times]
    for span in load.own:
        low, high = (_seconds(at, start) for at in span)
        near = max(MARGIN_S, SAME_END * (high - low))
        ends = [
            (np.abs(first - low) <= near) & (np.abs(stop - high) <= near) for first, stop in times
        ]
        if not any(one.any() for one in ends):
            ends = [(first >= low - near) & (stop <= high + near) for first, stop in times]
        for one, said in zip(found, ends, strict=True):
            one |= said
    return found


def _seconds(at: pd.Timestamp, start: pd.Timestamp) -> float:
    """From the start of the log [s]; without a time zone UTC is meant."""
    zoned = at.tz_localize("UTC") if at.tzinfo is None else at
    return float((zoned - start).total_seconds())


def _by_itself(times: list[Times]) -> NDArray[np.float64]:
    """Trifling log odds that each part switches itself, from how it keeps on while people sleep."""
    clock = [start % S_PER_DAY for start, _ in times]
    # Each part counts the same, however often it comes.
    weight = np.concatenate([np.full(c.size, 1 / np.sqrt(c.size)) for c in clock])
    every = np.concatenate(clock)
    hours = np.arange(24) * 3600.0
    quiet = [weight[(every - h) % S_PER_DAY < QUIET_S].sum() for h in hours]
    begin = hours[int(np.argmin(quiet))]
    found = []
    for c in clock:
        n = min(c.size, MOST_STARTS)
        x = n * float(np.mean((c - begin) % S_PER_DAY < QUIET_S))
        odds = x * np.log(BY_ITSELF / BY_PEOPLE)
        odds += (n - x) * np.log((1 - BY_ITSELF) / (1 - BY_PEOPLE))
        found.append(BY_KIND * np.clip(odds, -2.0, 2.0))
    return np.array(found)


def _alone(times: Times, low_s: float, high_s: float, span_s: float) -> float:
    """Log odds that a part is of the load that ran alone from `low_s` to `high_s`.

    Seen then, it is that load's. Not seen, it is the less likely that load's the oftener it came at
    other times (Poisson).
    """
    if high_s <= low_s:
        return 0.0
    start, stop = times
    if ((start < high_s) & (stop > low_s)).any():
        return BY_TIME
    expected = start.size * (high_s - low_s) / max(span_s - (high_s - low_s), 1.0)
    return -float(min(expected, BY_TIME))
