"""What stands out, though nobody asked: since when an appliance uses more, when it was off."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from homeenergy.errors import HouseError
from homeenergy.findings.appliance.record import ApplianceFinding, estimate_text
from homeenergy.findings.change import Change
from homeenergy.findings.several_changes import find_changes
from homeenergy.house.kinds import KINDS, why_named_to_stay_on
from homeenergy.house.zones import read_zone
from homeenergy.stats.estimate import number_text
from homeenergy.units import S_PER_H

What = Literal["changed", "without power"]
SURE = 0.05  # chance that any change of the house is one of chance (Bonferroni's bound)
AROUND = pd.Timedelta(days=7)
LESS = "If something was done about that day, a new setting or a repair, this is what it saves."
MORE = "Look what changed about that day: a setting, a door that does not close, a fault."
OFF = (
    "If somebody switched it off, nothing is to do: these hours are no standby, and the figures "
    "leave them out."
)
LEAST_OFF_H = 6.0  # without power for less is a switched outlet at work. Own rule.
MOST_OFF = 3  # times of one appliance; who is off more often is switched off by habit. Own rule.


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Notable:
    """One thing that stands out.

    Attributes
    ----------
    what : str
        "changed" or "without power".
    circuit, appliance : str
    start, end : pandas.Timestamp
        What to look at: from some days before a change to as many after, or the time without power.
    sentence, next_step : str
        What was found, and what to do about it.
    change : Change or None
        What the sentence about a change rests on.
    """

    what: What
    circuit: str
    appliance: str
    start: pd.Timestamp
    end: pd.Timestamp
    sentence: str
    next_step: str
    change: Change | None = None


def notable(
    rows: Sequence[ApplianceFinding], *, timezone: str, outdoor: pd.Series | None = None
) -> tuple[Notable, ...]:
    """Find what stands out in the figures of a house.

    Parameters
    ----------
    rows : sequence of ApplianceFinding
    timezone : str
        Of the house.
    outdoor : pandas.Series, optional
        Outdoor temperature on instants: then days are compared at the same weather.

    Returns
    -------
    tuple of Notable
        Changes of daily energy first, the greatest first; then times without power of what usually
        draws some at rest, the longest first.

    Notes
    -----
    Changes are those of `find_changes`. As every appliance is searched, the chance of each counts
    as many times as there are appliances (Bonferroni's bound; Holm 1979 is its stepwise form).
    """
    changes = [one for row in rows for one in _changes(row, len(rows), outdoor, timezone)]
    changes.sort(key=lambda one: -abs(one.change.size_kwh.value) if one.change else 0.0)
    off = [one for row in rows for one in _without_power(row, timezone)]
    off.sort(key=lambda one: one.start - one.end)
    return (*changes, *off)


def _changes(
    row: ApplianceFinding, many: int, outdoor: pd.Series | None, timezone: str
) -> Iterable[Notable]:
    try:
        found = find_changes(row.daily, outdoor=outdoor).changes
    except HouseError:
        return
    for change in found:
        if change.chance * many > SURE:
            continue
        at = change.at if change.at.tzinfo else change.at.tz_localize(read_zone(timezone))
        size, less = change.size_kwh, change.size_kwh.value < 0
        same = " at the same weather" if change.balance is not None else ""
        when = f"on {_day(at)}"
        if change.earliest != change.latest:
            when += f" (or between {_day(change.earliest)} and {_day(change.latest)})"
        yield Notable(
            what="changed",
            circuit=row.circuit,
            appliance=row.appliance,
            start=at - AROUND,
            end=at + AROUND,
            sentence=f"{row.appliance} changed {when} by {estimate_text(size)} a day{same}.",
            next_step=LESS if less else MORE,
            change=change,
        )


def _day(date: pd.Timestamp) -> str:
    return f"{date.day} {date:%B}"


def _without_power(row: ApplianceFinding, timezone: str) -> Iterable[Notable]:
    plateaus, zone = row.cycles.plateaus, read_zone(timezone)
    hours = [(b - a) * plateaus.period_s / S_PER_H for a, b in row.cycles.rest.off]
    long = [span for span, h in zip(row.cycles.rest.off, hours, strict=True) if h >= LEAST_OFF_H]
    if not 0 < len(long) <= MOST_OFF:
        return
    reason = KINDS[row.kind].stays_on or why_named_to_stay_on(row.appliance, row.circuit)
    for span in long:
        start, end = plateaus.instants(np.array(span)).tz_convert(zone)
        length_h = (end - start).total_seconds() / S_PER_H
        hours_text = (
            f"{number_text(length_h, 0)} hours, from {start:%A} {_day(start)} {start:%H:%M}"
        )
        yield Notable(
            what="without power",
            circuit=row.circuit,
            appliance=row.appliance,
            start=start,
            end=end,
            sentence=f"{row.appliance} was off at the wall for {hours_text} on.",
            next_step=f"It should stay on, as {reason}: find out why." if reason else OFF,
        )
