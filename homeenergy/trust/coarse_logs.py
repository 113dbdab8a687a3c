"""Readings in coarse steps, told from all circuits of a log together.

A load of one level shows no step: read every 100 W it is 100 W or nothing, as a lamp might be.
That no circuit of the same logger ever changes by anything but 100 W or a multiple shows it.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from homeenergy.house.schedule import Circuit
from homeenergy.readings.house import House
from homeenergy.trust.log_facts import log_facts
from homeenergy.trust.panel.circuit import readings_that_differ

# Steps up to this show in the readings of one circuit (`homeenergy.cycles.segment.levels`), or
# noise averages them out.
LEAST_COARSE_W = 10.0
# By chance, watts are multiples of a step once in `step` times; it is believed where all circuits
# have it only once in so many logs by chance.
CHANCE_ODDS = 1000.0
# Loads that are merely switched have a level or two each: a step shows in more of its multiples.
MANY_LEVELS = 5
MULTIPLE = 1e-3  # of the multiple: so near is one


def coarse_steps_w(house: House) -> dict[str, float]:
    """Step in which readings come [W], by circuit, where the circuits of its log show a coarse one.

    Notes
    -----
    Own rule. The least change between neighbouring readings of each circuit is a multiple of the
    step, and the step itself of half of the circuits at least, for readings near the edge between
    two steps flicker. Loads that are merely switched have changes of their own, or few levels:
    all readings are multiples of the step, and `MANY_LEVELS` of these are among them.
    """
    house = house.as_clamped()
    steps: dict[str, float] = {}
    for log in house.schedule.logs:
        logged = [c for c in house.circuits if c.name in log.columns and c.watts is None]
        of_log = [c for c in logged if house.has_readings(c)]
        step_w = _step_of_changes_w(house, of_log)
        if step_w > LEAST_COARSE_W and _multiples(house, of_log, step_w) >= MANY_LEVELS:
            steps |= {c.name: step_w * abs(c.clamp.multiplier) for c in logged}
    return steps


def _step_of_changes_w(house: House, circuits: Sequence[Circuit]) -> float:
    """Step of which all least changes are multiples; 0 as soon as one is too small for any."""
    changes_w = []
    for circuit in circuits:
        changes_w.append(_least_change_w(house, circuit))
        if changes_w[-1] <= LEAST_COARSE_W:
            return 0.0
    return _common_step_w(changes_w)


def _least_change_w(house: House, circuit: Circuit) -> float:
    """As it was logged, before its correction; inf where there is none or several corrections."""
    facts = log_facts(house, circuit)
    if facts is None or len(circuit.clamp.in_order) > 1:
        return float("inf")
    changes_w = facts.days.step_w
    least_w = float(np.nanmin(np.where(np.isnan(changes_w), np.inf, changes_w), initial=np.inf))
    return least_w / abs(circuit.clamp.multiplier)


def _multiples(house: House, circuits: Sequence[Circuit], step_w: float) -> int:
    """How many multiples of a step are among the readings; 0 where others are, too."""
    seen: set[float] = set()
    for circuit in circuits:
        clamp = circuit.clamp
        watts = readings_that_differ(house.trace(circuit).watts)
        times = (watts - clamp.offset_w) / (clamp.multiplier * step_w)
        if (np.abs(times - np.round(times)) > MULTIPLE * np.maximum(np.abs(times), 1.0)).any():
            return 0
        seen.update(np.round(times[times > 0.5]).tolist())
    return len(seen)


def _common_step_w(changes_w: Sequence[float]) -> float:
    """Step of which all changes are multiples, most of them once; 0 where there is none."""
    known = np.array([w for w in changes_w if np.isfinite(w) and w > 0])
    if not known.size:
        return 0.0
    step_w = float(known.min())
    times = known / step_w
    multiples = np.abs(times - np.round(times)) <= MULTIPLE * times
    once = np.count_nonzero(np.round(times) == 1)
    told = step_w > 1 and known.size * np.log(step_w) >= np.log(CHANCE_ODDS)
    return step_w if told and multiples.all() and 2 <= once >= known.size / 2 else 0.0
