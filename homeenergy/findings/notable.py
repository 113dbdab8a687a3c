"""What stands out, though nobody asked: since when an appliance uses more, when it was off."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from typing import Literal

import numpy as np
import pandas as pd

from homeenergy.cycles.thermostat import silences
from homeenergy.errors import HouseError
from homeenergy.findings.appliance.record import ApplianceFinding, estimate_text
from homeenergy.findings.change import Change
from homeenergy.findings.power_steps import PowerStep, power_step, scaled_together, standby_step
from homeenergy.findings.several_changes import find_changes
from homeenergy.house.kinds import KINDS, why_named_to_stay_on
from homeenergy.house.zones import read_zone
from homeenergy.stats.estimate import number_text
from homeenergy.units import H_PER_YEAR, S_PER_H, WH_PER_KWH
from homeenergy.words import two_digits

What = Literal[
    "changed", "for a while", "without power", "silent", "another power", "another standby"
]
SURE = 0.05  # chance that any change of the house is one of chance (Bonferroni's bound)
AROUND = pd.Timedelta(days=7)
LESS = "If something was done about that day, a new setting or a repair, this is what it saves."
MORE = "Look what changed about that day: a setting, a door that does not close, a fault."
LESS_FOR_A_WHILE = (
    "If nobody was there or it was not needed, nothing is to do; its kWh a day counts these days, "
    "too."
)
MORE_FOR_A_WHILE = "Look what was done in these days; its kWh a day counts them too."
OFF = (
    "If somebody switched it off, nothing is to do: these hours are no standby, and the figures "
    "leave them out."
)
SILENT = (
    "If somebody switched it off, or nothing called for it, nothing is to do; its kWh a day counts "
    "these hours too."
)
ANOTHER = (
    "Look whether it is another appliance or setting, or whether its clamp was moved, not closed, "
    "or given another multiplier: then figures of before and after do not belong together."
)
SCALED = (
    "One factor for all of them: rather than they, the logger changed, its multipliers or the "
    "volts it reckons with. Find out which of the two is right."
)
LESS_AT_REST = (
    "If something was done about that day, a setting or a switched outlet, this is what it saves; "
    "if not, look whether the zero of its clamp has moved."
)
MORE_AT_REST = (
    "Look what has stayed on since: a setting, an update, a display; or whether the zero of its "
    "clamp has moved, as where several loads change by as many watts at once."
)
LEAST_SCALED = 3  # loads that step by one factor at once are no accident. Own rule.
LEAST_OFF_H = 6.0  # without power for less is a switched outlet at work. Own rule.
BACK = 0.3  # of a change: with less left of it, all is as it was before. Own rule.
MOST_OFF = 3  # times of one appliance; who is off more often is switched off by habit. Own rule.


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Notable:
    """One thing that stands out.

    Attributes
    ----------
    what : str
        "changed", "for a while", "without power", "silent", "another power" or "another standby".
    circuit, appliance : str
    start, end : pandas.Timestamp
        What to look at: from some days before a change to as many after, the time without power or
        runs, or from the last run at one power to the first at another; of another standby, its
        first day.
    sentence, next_step : str
        What was found, and what to do about it.
    change : Change or None
        What the sentence about a change rests on; of one for a while, the return to what was.
    began : Change or None
        How what lasted for a while began.
    step : PowerStep or None
        The same of another power or standby.
    together : tuple of str
        Circuits that step by one factor at once, this one among them; empty for a step of one load.
    times : float
        That factor.
    """

    what: What
    circuit: str
    appliance: str
    start: pd.Timestamp
    end: pd.Timestamp
    sentence: str
    next_step: str
    change: Change | None = None
    began: Change | None = None
    step: PowerStep | None = None
    together: tuple[str, ...] = ()
    times: float = 1.0


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
        Changes of daily energy first, the greatest first, what lasted for a while as one; then
        loads that draw another power at work, or at rest, from some day on; then times without
        power of what usually draws some at rest, and without runs of what goes on and off by
        itself, the longest first.

    Notes
    -----
    What follows from a factor common to several loads is not said of each of them again.
    Changes are those of `find_changes`. As every appliance is searched, the chance of each counts
    as many times as there are appliances (Bonferroni's bound; Holm 1979 is its stepwise form).
    """
    changes = [one for row in rows for one in _changes(row, len(rows), outdoor, timezone)]
    changes.sort(key=lambda one: -abs(one.change.size_kwh.value) if one.change else 0.0)
    off = [one for row in rows for one in _quiet(row, timezone)]
    off.sort(key=lambda one: one.start - one.end)
    powers = list(_powers(rows, timezone))
    standbys = list(_standbys(rows, timezone))
    explained = [one for one in powers if one.together]
    changes, standbys = (
        [one for one in some if not any(_follows(one, from_) for from_ in explained)]
        for some in (changes, standbys)
    )
    return (*changes, *powers, *standbys, *off)


def _follows(one: Notable, scaled: Notable) -> bool:
    """Whether what stands out of one load is but the factor by which all were scaled then."""
    if one.circuit not in scaled.together:
        return False
    zone, day = one.start.tz, pd.Timedelta(days=1)
    spans = [
        (_local(change.earliest, zone), _local(change.latest, zone), change.size_kwh.value)
        for change in (one.began, one.change)
        if change is not None
    ]
    if one.step is not None:
        spans.append((one.start, one.end, one.step.after.value - one.step.before.value))
    return any(
        first <= scaled.end + day and scaled.start <= last + day and more * (scaled.times - 1) > 0
        for first, last, more in spans
    )


def _changes(
    row: ApplianceFinding, many: int, outdoor: pd.Series | None, timezone: str
) -> Iterable[Notable]:
    try:
        found = find_changes(row.daily, outdoor=outdoor).changes
    except HouseError:
        return
    zone = read_zone(timezone)
    left = [change for change in found if change.chance * many <= SURE]
    while left:
        change, *left = left
        if left and _is_back(change, left[0]):
            back, *left = left
            yield _for_a_while(row, change, back, zone)
        else:
            yield _changed(row, change, zone)


def _is_back(first: Change, second: Change) -> bool:
    """Whether a change takes another back, as far as can be seen."""
    one, other = first.size_kwh, second.size_kwh
    left = one.value + other.value
    reach = np.hypot(one.high - one.low, other.high - other.low) / 2
    least = min(abs(one.value), abs(other.value))
    return one.value * other.value < 0 and abs(left) <= min(reach, BACK * least)


def _changed(row: ApplianceFinding, change: Change, zone: tzinfo) -> Notable:
    at, size = _local(change.at, zone), change.size_kwh
    when = f"on {_day(at)}"
    if change.earliest != change.latest:
        when += f" (or between {_day(change.earliest)} and {_day(change.latest)})"
    return Notable(
        what="changed",
        circuit=row.circuit,
        appliance=row.appliance,
        start=at - AROUND,
        end=at + AROUND,
        sentence=f"{row.appliance} changed {when} by {estimate_text(size)} a day"
        f"{_same_weather(change)}.",
        next_step=LESS if size.value < 0 else MORE,
        change=change,
    )


def _for_a_while(row: ApplianceFinding, first: Change, back: Change, zone: tzinfo) -> Notable:
    less = first.size_kwh.value < 0
    size = -first.size_kwh if less else first.size_kwh
    start, end = _local(first.at, zone), _local(back.at, zone)
    return Notable(
        what="for a while",
        circuit=row.circuit,
        appliance=row.appliance,
        start=start,
        end=end,
        sentence=f"From {_day(start)} to {_day(end - pd.Timedelta(days=1))} {row.appliance} took "
        f"{estimate_text(size)} a day {'less' if less else 'more'}{_same_weather(first)}, and then "
        "as much as before.",
        next_step=LESS_FOR_A_WHILE if less else MORE_FOR_A_WHILE,
        change=back,
        began=first,
    )


def _same_weather(change: Change) -> str:
    return " at the same weather" if change.balance is not None else ""


def _local(day: pd.Timestamp, zone: tzinfo | None) -> pd.Timestamp:
    return day if day.tzinfo else day.tz_localize(zone)


def _powers(rows: Sequence[ApplianceFinding], timezone: str) -> Iterable[Notable]:
    """Loads that draw another power at work from some day on; those scaled together as one."""
    found = [(row, power_step(row.cycles)) for row in rows if not KINDS[row.kind].varying]
    steps = [(row, step) for row, step in found if step is not None]
    told: set[str] = set()
    for row, step in steps:
        if row.circuit in told:
            continue
        same = [
            (other, its)
            for other, its in steps
            if other.circuit not in told and scaled_together(step, its)
        ]
        since = _day(step.at.tz_convert(read_zone(timezone)))
        scaled = len(same) >= LEAST_SCALED
        times = float(np.median([its.ratio for _, its in same])) if scaled else 1.0
        if scaled:
            told.update(other.circuit for other, _ in same)
            names = ", ".join(other.appliance for other, _ in same)
            sentence = f"Since {since}, {names} draw {times:.2g} times as much at work."
        else:
            sentence = (
                f"Since {since}, {row.appliance} draws {number_text(step.after.value, 0)} W at "
                f"work, {number_text(step.before.value, 0)} W before."
            )
        yield Notable(
            what="another power",
            circuit=row.circuit,
            appliance=row.appliance,
            start=step.last,
            end=step.at,
            sentence=sentence,
            next_step=SCALED if scaled else ANOTHER,
            step=step,
            together=tuple(other.circuit for other, _ in same) if scaled else (),
            times=times,
        )


def _standbys(rows: Sequence[ApplianceFinding], timezone: str) -> Iterable[Notable]:
    """Loads that draw another power at rest from some day on."""
    for row in rows:
        step = standby_step(row.cycles, timezone=timezone)
        if step is None:
            continue
        more_w = step.after.value - step.before.value
        kwh = number_text(abs(more_w) * H_PER_YEAR / WH_PER_KWH, 0)
        yield Notable(
            what="another standby",
            circuit=row.circuit,
            appliance=row.appliance,
            start=step.at,
            end=step.at + pd.Timedelta(days=1),
            sentence=f"Since {_day(step.at)}, {row.appliance} draws "
            f"{number_text(step.after.value, 1)} W at rest, {number_text(step.before.value, 1)} W "
            f"before: {kwh} kWh a year {'more' if more_w > 0 else 'less'}.",
            next_step=MORE_AT_REST if more_w > 0 else LESS_AT_REST,
            step=step,
        )


def _day(date: pd.Timestamp) -> str:
    return f"{date.day} {date:%B}"


def _quiet(row: ApplianceFinding, timezone: str) -> Iterable[Notable]:
    """Hours without power, and silences of what goes on and off by itself."""
    if row.kwh_per_day.value < 0:  # what feeds in is no load that was switched off
        return
    cycles = row.cycles
    silent, usual_h = silences(cycles)
    least = LEAST_OFF_H * S_PER_H / cycles.plateaus.period_s
    off = [span for span in cycles.rest.off if span[1] - span[0] >= least]
    named = why_named_to_stay_on(row.appliance, row.circuit)
    why_on = named or KINDS[row.kind].stays_on
    usual = f"; nine of ten of its pauses are below {two_digits(usual_h)} hours"
    told: tuple[tuple[What, list[tuple[int, int]], str, str, str], ...] = (
        ("without power", off, "was off at the wall", "", _stay_on(why_on) or OFF),
        ("silent", silent, "did not run", usual, _stay_on(named) or SILENT),
    )
    for what, spans, happened, why_odd, next_step in told:
        if len(spans) > MOST_OFF:
            continue
        for span in spans:
            start, end = cycles.plateaus.instants(np.array(span)).tz_convert(read_zone(timezone))
            length_h = (end - start).total_seconds() / S_PER_H
            yield Notable(
                what=what,
                circuit=row.circuit,
                appliance=row.appliance,
                start=start,
                end=end,
                sentence=f"{row.appliance} {happened} for {number_text(length_h, 0)} hours, from "
                f"{start:%A} {_day(start)} {start:%H:%M} on{why_odd}.",
                next_step=next_step,
            )


def _stay_on(why: str | None) -> str | None:
    return f"It should stay on, as {why}: find out why." if why else None
