"""Compare weekdays and hours of the day: many comparisons at once, corrected for being many."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.findings.appliance.record import ApplianceFinding
from homeenergy.findings.comparison.circuits import days_of, timezone_of
from homeenergy.findings.comparison.comparison import LEAST_VALUES, Comparison, Worth, compare
from homeenergy.findings.cost import mean_price
from homeenergy.findings.days import LEAST_OF_AN_HOUR, hourly_energy
from homeenergy.readings.trace import Trace
from homeenergy.stats.coverage import LEVEL
from homeenergy.units import H_PER_DAY, S_PER_DAY
from homeenergy.words import in_words, two_digits

WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
# Hours of a day with fewer measured than this say little about it.
LEAST_HOURS = 20
# From so many weeks on, days are compared within their week, so that seasons cancel.
LEAST_WEEKS = 8
# So many that differ are named each; of more, only these few.
MOST_NAMED, NAMED_OF_MANY = 7, 3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Comparisons:
    """Several comparisons made at once.

    Attributes
    ----------
    all : tuple of Comparison
        With p after `correction`, and `differs` by it; their intervals are each for itself.
    of : str
        What was compared: "weekdays", "hours of the day".
    correction : str
        How p allows for their number.
    """

    all: tuple[Comparison, ...]
    of: str
    correction: str

    @property
    def differing(self) -> tuple[Comparison, ...]:
        """Those that differ significantly."""
        return tuple(one for one in self.all if one.differs)

    @property
    def sentence(self) -> str:
        """The answer in a few words."""
        note = f"({len(self.all)} comparisons, corrected after Holm)"
        if not self.differing:
            return f"No significant difference between {self.of} {note}."
        furthest = sorted(self.differing, key=lambda one: -abs(one.difference.value))
        if len(furthest) > MOST_NAMED:
            furthest = furthest[:NAMED_OF_MANY]
        parts = [
            f"{one.name_a} {two_digits(abs(one.difference.value))} kWh "
            f"{'less' if one.difference.value < 0 else 'more'}"
            for one in self.differing
            if one in furthest
        ]
        rest = len(self.differing) - len(parts)
        parts += [f"and {rest} others that differ by less"] if rest else []
        against = self.differing[0].name_b
        return f"Against {against}: {'; '.join(parts)} {note}."

    def to_frame(self) -> pd.DataFrame:
        """One row a comparison; see `Comparison.to_frame`."""
        return pd.concat([one.to_frame() for one in self.all], ignore_index=True)

    def _repr_html_(self) -> str:
        return f"<p>{self.sentence}</p>{in_words(self.to_frame()).to_html(index=False)}"


def compare_weekend(finding: ApplianceFinding) -> Comparison:
    """Compare Saturdays and Sundays with the other days of the week.

    Parameters
    ----------
    finding : ApplianceFinding

    Returns
    -------
    Comparison
        Per day; from 8 weeks on, the mean of either within each week, so that seasons cancel. The
        worth in a year counts two weekend days a week.

    Raises
    ------
    HouseError
        If there are fewer than 3 whole days of either.
    """
    kwh, day = days_of(finding)
    weekend = weekday(day) >= 5
    names = f"{finding.appliance}, Saturdays and Sundays", "other days"
    return _against_others(finding, kwh, day, weekend, names=names, weekly=2)


def compare_weekdays(finding: ApplianceFinding) -> Comparisons:
    """Compare each day of the week with all others.

    Parameters
    ----------
    finding : ApplianceFinding

    Returns
    -------
    Comparisons
        Seven, corrected after Holm; from 8 weeks on, each day against the others of its own week,
        so that seasons cancel. Weekdays with fewer than 3 whole days are left out.

    Raises
    ------
    HouseError
        If no weekday has 3 whole days.
    """
    kwh, day = days_of(finding)
    counts = np.bincount(weekday(day), minlength=7)
    not_all_few = bool((counts >= LEAST_VALUES).any())
    found = []
    for number in range(7):
        own = weekday(day) == number
        if own.sum() < LEAST_VALUES and not_all_few:
            continue
        names = f"{WEEKDAYS[number]}s", "other days"
        found.append(_against_others(finding, kwh, day, own, names=names, weekly=1))
    return corrected(found, of="weekdays")


def _against_others(
    finding: ApplianceFinding,
    kwh: NDArray[np.float64],
    day: NDArray[np.int64],
    own: NDArray[np.bool_],
    *,
    names: tuple[str, str],
    weekly: float,
) -> Comparison:
    """Compare some days of the week with the others, within weeks where there are enough."""
    a, b, day_a, day_b = kwh[own], kwh[~own], day[own], day[~own]
    week_a, week_b = (day_a + 3) // 7, (day_b + 3) // 7  # from Monday to Sunday
    common = np.intersect1d(week_a, week_b)
    by_week = common.size >= LEAST_WEEKS
    if by_week:
        a, b = _means_of(a, week_a, common), _means_of(b, week_b, common)
        day_a = day_b = common
    found = compare(
        a,
        b,
        day_a=day_a,
        day_b=day_b,
        names=names,
        per="day",
        paired=by_week,
        weekly=weekly,
        worth=_worth(finding),
        clamps=(finding.clamp_errors, finding.clamp_errors),
        hours=(H_PER_DAY, H_PER_DAY),
    )
    if not by_week:
        return found
    method = found.method.replace("days, t interval", "weeks, t interval")
    return replace(found, method=method, counted="week")


def _means_of(
    kwh: NDArray[np.float64], week: NDArray[np.int64], weeks: NDArray[np.int64]
) -> NDArray[np.float64]:
    return np.array([kwh[week == one].mean() for one in weeks])


def compare_hours(trace: Trace, *, finding: ApplianceFinding) -> Comparisons:
    """Compare each hour of the local day with the mean of the day's other hours.

    Parameters
    ----------
    trace : Trace
        Of the circuit.
    finding : ApplianceFinding
        Of the same circuit, for its name, zone, clamp and price.

    Returns
    -------
    Comparisons
        24, each hour paired with its own day and corrected after Holm. The worth in a year counts
        one such hour a day.

    Raises
    ------
    HouseError
        If fewer than 3 days have at least 20 hours measured.
    """
    hours = hourly_energy(trace)
    hours = hours[hours["covered_h"] >= LEAST_OF_AN_HOUR]
    local = pd.DatetimeIndex(hours.index).tz_convert(timezone_of(finding)).tz_localize(None)
    day = local.as_unit("s").asi8 // int(S_PER_DAY)
    frame = pd.DataFrame({"day": day, "hour": local.hour, "kwh": hours["kwh"] / hours["covered_h"]})
    # An hour that a clock change repeats counts once, as its mean.
    table = frame.pivot_table(index="day", columns="hour", values="kwh", aggfunc="mean")
    table = table.reindex(columns=range(24))
    table = table[table.notna().sum(axis=1) >= LEAST_HOURS]
    values, days = table.to_numpy(np.float64), table.index.to_numpy(np.int64)
    found = []
    for hour in range(24):
        there = np.isfinite(values[:, hour])
        others = np.nanmean(np.delete(values[there], hour, axis=1), axis=1)
        found.append(
            compare(
                values[there, hour],
                others,
                day_a=days[there],
                day_b=days[there],
                names=(f"{hour:02d}:00 to {hour + 1:02d}:00", "the day's other hours"),
                per="hour",
                paired=True,
                weekly=7,
                worth=_worth(finding),
                clamps=(finding.clamp_errors, finding.clamp_errors),
                hours=(1.0, 1.0),
            )
        )
    return corrected(found, of="hours of the day")


def weekday(day: NDArray[np.int64]) -> NDArray[np.int64]:
    """Day of the week of numbered days: 0 for Monday; day 0, 1 January 1970, was a Thursday."""
    return (day + 3) % 7


def corrected(found: list[Comparison], *, of: str) -> Comparisons:
    """Correct the probabilities of several comparisons after Holm (1979)."""
    p = holm([one.p for one in found])
    words = f"corrected for {len(found)} comparisons after Holm"
    every = tuple(
        replace(one, p=float(q), differs=bool(one.differs and q < 1 - LEVEL), correction=words)
        for one, q in zip(found, p, strict=True)
    )
    return Comparisons(all=every, of=of, correction=words)


def holm(p: list[float]) -> NDArray[np.float64]:
    """Probabilities corrected for being several.

    Holm 1979: the k-th least is multiplied by the number of those not less, and none may be less
    than one before it.
    """
    values = np.asarray(p, dtype=np.float64)
    order = np.argsort(values, kind="stable")
    steps = np.arange(values.size, 0, -1)
    adjusted = np.empty(values.size)
    adjusted[order] = np.minimum(np.maximum.accumulate(values[order] * steps), 1.0)
    return adjusted


def _worth(finding: ApplianceFinding) -> Worth | None:
    price = mean_price(finding)
    return None if price is None else Worth(currency=price[1], price_per_kwh=price[0])
