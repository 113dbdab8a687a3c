"""All changes of a log: absences, repairs, a new appliance, each between its neighbours."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache, partial
from itertools import pairwise

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.findings.before_after import (
    LEAST_DAYS_FOR_WEEKDAYS,
    LEAST_EACH_SIDE,
    calendar_terms,
    change_in,
)
from homeenergy.findings.change import Change, ChangeAt, levels_at
from homeenergy.findings.weather.fit import choose_balance
from homeenergy.findings.weather.models import Balance, Days, whole_days, with_weather
from homeenergy.stats.estimate import Estimate
from homeenergy.stats.regression import fit_line

Array = NDArray[np.float64]
TIMES_TO_SETTLE = 4
# Penalty of one more change, in units of variance times log n (own rule: a change takes a place and
# a level from the data, and is one of many that were looked for).
PENALTY = 3.0
# Several places are looked at, so each must be surer than a single change. Own rule.
SURE_OF_SEVERAL = 0.01
# Where weather cannot be taken out, so much of a change must show beside a trend of so many days on
# each side, as seasons bend within months. Own rule.
LEAST_BESIDE, TREND_DAYS = 0.6, 30
MEDIAN_OF_SQUARE = 0.455  # of a standard normal variable


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Changes:
    """Changes of daily energy in order of time, and the stretches between them.

    Attributes
    ----------
    changes : tuple of Change
        Each from the days between its neighbours, so their `days` overlap.
    stretches : pandas.DataFrame
        One row a stretch without a change: start, end (its last day), days, kwh_per_day.
    remarks : tuple of str
        What a reader must know.
    """

    changes: tuple[Change, ...]
    stretches: pd.DataFrame
    remarks: tuple[str, ...]

    @property
    def sentence(self) -> str:
        """The answer in words."""
        if not self.changes:
            return "No significant change."
        return " ".join(change.sentence for change in self.changes)

    def to_frame(self) -> pd.DataFrame:
        """One row a change, as `Change.to_frame`."""
        if not self.changes:
            return pd.DataFrame({"at": []})
        return pd.concat([change.to_frame() for change in self.changes], ignore_index=True)


def find_changes(
    daily: pd.DataFrame | pd.Series,
    *,
    outdoor: pd.Series | pd.DataFrame | None = None,
    weekday: bool | None = None,
) -> Changes:
    """Find every change of daily energy, with weather and weekday taken out.

    Parameters
    ----------
    daily, outdoor, weekday
        As for `before_after`.

    Returns
    -------
    Changes

    Notes
    -----
    Stretches of constant level by optimal partitioning (Jackson et al. 2005), with a penalty that
    grows with their autocorrelation; then each change is judged by `before_after` between its
    neighbours and left out if chance does as much in more than 1 of 100 logs. Without temperatures
    most of it must show as surely beside a linear trend, else it may be a drift with the season.
    O(n^2).
    """
    days = whole_days(daily)
    if outdoor is not None:
        days = with_weather(days, outdoor)
    use_weekday = len(days) >= LEAST_DAYS_FOR_WEEKDAYS if weekday is None else weekday
    calendar = calendar_terms(days, weekday=use_weekday)
    balance_of = cache(partial(_balance, days, calendar))
    splits = _partition(days, calendar, balance_of)
    judged: dict[int, Change] = {}
    for _ in range(TIMES_TO_SETTLE):
        judged = _judged(days, calendar, balance_of(tuple(splits)), splits)
        judged = {k: v for k, v in judged.items() if v.chance <= SURE_OF_SEVERAL}
        kept = sorted(judged)
        if kept == splits:
            break
        splits = kept
    # Steps of a stair that a drift was taken for stand in each other's way: fewer show it as one.
    while drifting := [k for k in splits if _may_drift(days, splits, k, judged[k])]:
        splits = [split for split in splits if split not in drifting]
    return Changes(
        changes=tuple(judged[split] for split in splits),
        stretches=_stretches(days, splits),
        remarks=days.remarks,
    )


def allowing_for_search(change: Change) -> Change:
    """The change with intervals that hold on whichever day of its span it began.

    Parameters
    ----------
    change : Change
        Of a day that was found; one that was given is returned as it is.

    Notes
    -----
    Own method. The day was chosen for the size of its step, so an interval of that day alone is too
    narrow. The fit is made again with the step on every day from `earliest` to `latest`, and size,
    levels and share reach from the lowest end to the highest. Of steps of the scatter of days or
    more that are shown, 98 % lie inside, of those half as large 9 in 10
    (`tests/findings/test_found_changes.py`).
    """
    if not change.found:
        return change
    days, regression = change.days, change.regression
    celsius = days["celsius"].to_numpy(np.float64)
    terms = np.empty((len(days), 0))
    if change.balance is not None:
        terms = change.balance.loose_terms(celsius)
    first = max(int(days["day"].searchsorted(change.earliest)), LEAST_EACH_SIDE)
    last = min(int(days["day"].searchsorted(change.latest)), len(days) - LEAST_EACH_SIDE)
    found: list[Change | ChangeAt] = [change]
    for split in range(first, last + 1):
        design = regression.design.copy()
        design[:, 1] = np.arange(len(days)) >= split
        if change.responds:
            design[:, -terms.shape[1] :] = terms * design[:, 1:2]
        try:
            fit = fit_line(
                design,
                days["kwh"].to_numpy(np.float64),
                position=regression.position,
                correlation=regression.correlation,
            )
        except ValueError:  # on that day, one side cannot tell how the weather counts
            continue
        found.append(levels_at(fit, terms.mean(axis=0), responds=change.responds))
    return replace(
        change,
        size_kwh=_hull([one.size_kwh for one in found]),
        before_kwh=_hull([one.before_kwh for one in found]),
        after_kwh=_hull([one.after_kwh for one in found]),
        share=_hull([one.share for one in found]),
    )


def _hull(found: Sequence[Estimate]) -> Estimate:
    """The first estimate, with an interval that reaches over those of all."""
    first = found[0]
    return Estimate(
        value=first.value,
        low=min(one.low for one in found),
        high=max(one.high for one in found),
        unit=first.unit,
        n=first.n,
        basis=f"regression; on whichever of {len(found)} days it began",
    )


def _balance(days: Days, calendar: Array, splits: tuple[int, ...]) -> Balance | None:
    """Balance points where levels change at `splits`; None without temperatures."""
    if days.celsius is None:
        return None
    return choose_balance(days, others=np.hstack([_levels(len(days), splits), calendar]))[0]


def _partition(
    days: Days, calendar: Array, balance_of: Callable[[tuple[int, ...]], Balance | None]
) -> list[int]:
    """First days of stretches of constant level, found together with balance points."""
    n = len(days)
    splits: list[int] = []
    for _ in range(TIMES_TO_SETTLE):
        levels = _levels(n, splits)
        balance = balance_of(tuple(splits))
        parts = [levels, calendar]
        if balance is not None and days.celsius is not None:
            parts.append(balance.terms(days.celsius))
        fit = fit_line(np.hstack(parts), days.kwh, position=days.position)
        adjusted = levels @ fit.coefficients[: levels.shape[1]] + fit.residuals
        r = fit.correlation
        variance = fit.scatter**2 * (1 + r) / (1 - r)
        if not splits:
            # Changes not found yet look like autocorrelation: begin with too many.
            variance = float(np.median(np.diff(adjusted) ** 2)) / MEDIAN_OF_SQUARE / 2
        penalty = PENALTY * variance * np.log(n)
        found = _best_partition(adjusted, penalty)
        if found == splits:
            break
        splits = found
    return splits


def _levels(n: int, splits: Sequence[int]) -> Array:
    edges = [0, *splits, n]
    number = np.repeat(np.arange(len(edges) - 1), np.diff(edges))
    return np.eye(len(edges) - 1)[number]


def _best_partition(values: Array, penalty: float) -> list[int]:
    """Stretches of at least `LEAST_EACH_SIDE` days with the least squares plus penalties."""
    n = values.size
    sums, squares = np.r_[0.0, np.cumsum(values)], np.r_[0.0, np.cumsum(values**2)]
    cost = np.full(n + 1, np.inf)
    cost[0] = -penalty
    came_from = np.zeros(n + 1, dtype=np.int64)
    for stop in range(LEAST_EACH_SIDE, n + 1):
        start = np.arange(0, stop - LEAST_EACH_SIDE + 1)
        total = sums[stop] - sums[start]
        within = squares[stop] - squares[start] - total**2 / (stop - start)
        whole = cost[start] + within + penalty
        best = int(np.argmin(whole))
        cost[stop], came_from[stop] = whole[best], best
    splits: list[int] = []
    at = int(came_from[n])
    while at > 0:
        splits.append(at)
        at = int(came_from[at])
    return splits[::-1]


def _judged(
    days: Days, calendar: Array, balance: Balance | None, splits: list[int]
) -> dict[int, Change]:
    """The change between each split's neighbours, by the first day after it."""
    judged = {}
    edges = [0, *splits, len(days)]
    for low, high in zip(edges, edges[2:], strict=False):
        part = days.between(low, high)
        terms = (
            calendar[low:high] if high - low >= LEAST_DAYS_FOR_WEEKDAYS else calendar[low:high, :0]
        )
        usable = balance if _tells(part, balance) else None
        change = change_in(part, terms, usable, given=None)
        judged[low + part.at_or_after(change.at)] = change
    return judged


def _may_drift(days: Days, splits: list[int], split: int, change: Change) -> bool:
    """Whether a trend, as of weather that is not known, does as well as a change on that day."""
    if change.balance is not None:
        return False
    edges = [0, *splits, len(days)]
    number = edges.index(split)
    low = max(edges[number - 1], split - TREND_DAYS)
    part = days.between(low, min(edges[number + 1], split + TREND_DAYS))
    trend = (part.position - part.position.mean()).astype(np.float64)
    others = np.column_stack([trend, calendar_terms(part, weekday=change.weekday)])
    beside = change_in(part, others, None, given=split - low)
    share = beside.size_kwh.value / change.size_kwh.value
    return beside.chance > SURE_OF_SEVERAL or share < LEAST_BESIDE


def _tells(part: Days, balance: Balance | None) -> bool:
    """Whether the weather's terms vary enough within a part to be separated from its level."""
    if balance is None or part.celsius is None:
        return False
    terms = balance.loose_terms(part.celsius)
    design = np.column_stack([np.ones(len(part)), terms])
    return bool(np.linalg.matrix_rank(design) == design.shape[1])


def _stretches(days: Days, splits: list[int]) -> pd.DataFrame:
    edges = [0, *splits, len(days)]
    return pd.DataFrame(
        [
            {
                "start": days.date[a],
                "end": days.date[b - 1],
                "days": b - a,
                "kwh_per_day": float(days.kwh[a:b].mean()),
            }
            for a, b in pairwise(edges)
        ]
    )
