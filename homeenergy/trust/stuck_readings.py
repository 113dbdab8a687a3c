"""Hours at one reading where it otherwise varies, of one circuit or of several at once."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from homeenergy.readings.doubt import STUCK
from homeenergy.readings.house import House
from homeenergy.trust.concern import Implausible
from homeenergy.trust.log_facts import Facts, from_when, instant_of
from homeenergy.units import NS_PER_S, S_PER_H

# Worth a word from so long, or of such a share of all samples; one event, of so much in common.
STUCK_H, STUCK_SHARE, COMMON = 1.0, 0.5, 0.9


class Stuck(NamedTuple):
    """The longest time at which a circuit was stuck, and whether it was so most of the time."""

    begin_s: float
    end_s: float
    most: bool
    facts: Facts


def stuck_readings(
    house: House, facts: Sequence[Facts], found: Sequence[Implausible]
) -> list[Implausible]:
    """Circuits that kept one reading, told together where they did so during the same hours."""
    del found
    events: list[list[Stuck]] = []
    for one in facts:
        own = np.flatnonzero(one.doubts.reason == STUCK)
        if not own.size:
            continue
        begin_s, end_s = (at[own] * one.period_s for at in (one.doubts.first, one.doubts.stop))
        lasts_s = end_s - begin_s
        of_all = lasts_s.sum() / (one.samples * one.period_s + lasts_s.sum())
        longest = int(np.argmax(lasts_s))
        if lasts_s[longest] < STUCK_H * S_PER_H and of_all <= STUCK_SHARE:
            continue
        stuck = Stuck(begin_s[longest], end_s[longest], bool(of_all > STUCK_SHARE), one)
        event = next((event for event in events if _together(event[0], stuck)), None)
        if event is None:
            events.append([stuck])
        else:
            event.append(stuck)
    out = []
    for event in events:
        first = event[0]
        hours = (first.end_s - first.begin_s) / S_PER_H
        out.append(
            Implausible(
                weight="wrong" if first.most else "doubtful",
                circuits=tuple(stuck.facts.circuit.name for stuck in event),
                what=f"one reading, to the last digit, for {hours:,.0f} h where it "
                "otherwise varies",
                where=from_when(house, first.facts, instant_of(round(first.begin_s * NS_PER_S))),
                do="See whether meter or logger had stopped. These hours are left out of all "
                "figures.",
            )
        )
    return out


def _together(one: Stuck, other: Stuck) -> bool:
    """Whether two were stuck during the same hours, and matter as much."""
    common_s = min(one.end_s, other.end_s) - max(one.begin_s, other.begin_s)
    all_s = max(one.end_s, other.end_s) - min(one.begin_s, other.begin_s)
    return one.most == other.most and common_s >= COMMON * all_s
