"""What is said of a clock that is off, and of clamps that read otherwise for a time."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from homeenergy.trust.concern import Concern
from homeenergy.trust.panel.circuit import ON_LEG
from homeenergy.trust.panel.over_time import Change, ClockError, Pause
from homeenergy.trust.panel.slow import SlowEnd
from homeenergy.trust.panel.told import wrong
from homeenergy.words import two_digits

HARDLY = 0.05  # of a circuit's steps: less is "not at all"


def clock_concern(name: str, clock: ClockError) -> Concern:
    """A circuit whose steps the mains make at another time."""
    how = f"{abs(clock.late_s):,.0f} s {'later' if clock.late_s > 0 else 'earlier'}"
    pace = clock.more_s_per_day
    if pace:
        how += f" at first, and {abs(pace):,.0f} s {'later' if pace > 0 else 'earlier'} each day,"
    return wrong(
        name,
        f"{name} is logged {how} than the mains: they make its steps, at another time. The clock "
        "of one of the two is off.",
        "Set the clocks of both loggers by one time, and shift what was logged until then.",
        0.9,
    )


def mains_clock_concern(names: Sequence[str], late_s: float, *, every: bool) -> Concern:
    """Mains that are logged at another time than most circuits: `every` clamp of them, or some."""
    how = f"{abs(late_s):,.0f} s {'later' if late_s > 0 else 'earlier'}"
    who = "The mains are" if every else f"{' and '.join(names)} is"
    return wrong(
        "mains" if every else names[0],
        f"{who} logged {how} than the circuits: {'they make' if every else 'it makes'} the steps "
        f"of most circuits{'' if every else ' on it'}, at another time. Nothing else can be told "
        "of the panel until the clocks agree.",
        "Set the clocks of both loggers by one time, and shift what was logged until then: a whole "
        "hour is a time zone or summer time in the layout of a log.",
        3.0,
    )


def mains_change_concern(
    name: str,
    said: tuple[float, float],
    *,
    circuits: int,
    between: tuple[pd.Timestamp, pd.Timestamp],
    back: tuple[pd.Timestamp, pd.Timestamp] | None,
    judged: str,
) -> Concern:
    """A clamp of the mains that reads in another way from some time on, `said` before and since.

    Or until some time: `back`.
    """
    first, last = (f"{at:%Y-%m-%d %H:%M}" for at in between)
    then, now = ("nothing" if abs(x) < ON_LEG else f"{x:.2f} times" for x in said)
    until = f" to {back[0]:%Y-%m-%d %H:%M}, and then as before" if back else " on"
    return wrong(
        name,
        f"{name} reads {then} what {circuits} circuits on it say until {first}, and {now} from "
        f"{last}{until}: its clamp was moved, turned, came off or was set otherwise in between. "
        f"What else is said of the panel is from the time {judged}.",
        "Have its clamp looked at by a licensed electrician: service conductors are always live. "
        "Give each time its own multiplier (`from`), or its readings of one of them up.",
        3.0,
    )


def exchanged_concern(one: str, other: str, *, when: pd.Timestamp) -> Concern:
    """Two circuits of which each shows since some time what the other showed before."""
    return wrong(
        one,
        f"{one} and {other} were exchanged about {when:%Y-%m-%d %H:%M}: since then each steps as "
        "high as the other did before. Their clamps, columns or plugs may have been.",
        "See which load each of them is on. Until the log is corrected, figures of both mix two "
        "loads: ask for a time before or since.",
        2.5,
    )


def change_concern(
    name: str,
    change: Change,
    legs: Sequence[str],
    *,
    between: tuple[pd.Timestamp, pd.Timestamp],
    others: Sequence[str],
) -> Concern:
    """A circuit that the mains answer in another way from some time on."""
    then, now = (
        " and ".join(
            f"{value:.2f} times on {leg}"
            for leg, value in zip(legs, ratio, strict=True)
            if abs(value) > HARDLY
        )
        or "not at all"
        for ratio in (change.before, change.since)
    )
    first, last = (f"{at:%Y-%m-%d %H:%M}" for at in between)
    text = (
        f"{name}: until {first} the mains rise {then} with it, and from {last} on {now}. Its clamp "
        "was moved, came loose or was set otherwise in between."
    )
    if others:
        text += f" It has steps of {' and '.join(others)} in it."
    do = (
        "See what its clamp is on, and compare it with a reference meter. One multiplier cannot be "
        "right for the whole log: give each time its own (multiplier with `from`), or its readings "
        "of one of them up."
    )
    return wrong(name, text, do, 1.3)


def pause_concern(
    name: str, pause: Pause, leg: str, *, between: tuple[pd.Timestamp, pd.Timestamp]
) -> Concern:
    """A circuit that shows nothing for some hours of what the mains show as its uses."""
    first, last = (f"{at:%Y-%m-%d %H:%M}" for at in between)
    return Concern(
        weight="doubtful",
        subject=name,
        what=f"{name} shows no step from {first} to {last}, while {leg} makes {pause.steps} steps "
        f"of about {pause.height_w:,.0f} W, as its own and for as long, that no circuit shows: its "
        "readings stood still then, or another load is as it is.",
        do="See whether its clamp or logger was off then; if so, leave these hours out of the log.",
        share=0.4,
    )


def may_end_concern(name: str, end: SlowEnd) -> Concern:
    """A clamp that reads the same for minutes while the mains draw more than all circuits."""
    return Concern(
        weight="doubtful",
        subject=name,
        what=f"{name}: its clamp seems clipped at {end.level_w:,.0f} W. While it reads that, "
        f"{end.stretches} times and for {two_digits(end.minutes / 60)} h in all, the mains draw "
        f"{end.missed.value:,.0f} W more than all circuits, and not just before and after. Or a "
        "load that no circuit measures runs whenever it is highest.",
        do="Compare it with a reference meter at its highest and at half of that (bench.csv). A "
        "clipped clamp needs a higher rating; no multiplier mends it.",
        share=0.6,
    )
