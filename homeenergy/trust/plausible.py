"""Readings that cannot be: what is wrong, where, and what to do, before a figure rests on them."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.house.carrying import IN_HOURS, IN_MINUTES, LOAD_W, most_volts_v, most_w
from homeenergy.readings.doubt import BEYOND, CLIPPED, CODE
from homeenergy.readings.house import House
from homeenergy.trust.clamps.logged_load import LoggedLoad
from homeenergy.trust.concern import Implausible, held_out
from homeenergy.trust.log_facts import Facts, from_when, instant_of, local_time, log_facts
from homeenergy.trust.plausible_house import FEW_BEYOND, TESTS_OF_A_HOUSE, dates
from homeenergy.units import NS_PER_S, S_PER_H
from homeenergy.words import two_digits

SHARE_BEYOND = 1e-3
RISES, FALLS_SHARE = 50, 0.01
RESETS_A_DAY, MOST_RESETS = 2.0, 3
REJECTED_SHARE = 0.01
CLAMP_TIMES = 2.0
CLIPPED_SHARE = 0.05  # of the energy
# So many short gaps, that hold so much of the energy, and so many times their share of the time.
FEWEST_GAPS, GAP_SHARE, GAP_TIMES = 10, 0.01, 3.0
# So many readings are the greatest to the last digit, nearly all that are near it, of a large load
# that is told in steps of less than a thousandth: the volts of a supply move it by more.
FLAT_N, FLAT_SHARE, FLAT_W, FLAT_STEP = 30, 0.9, 100.0, 1e-3

Test = Callable[[House, Facts], Iterator[Implausible]]


def implausible_readings(
    house: House, *, now: pd.Timestamp | None = None
) -> tuple[Implausible, ...]:
    """Find what cannot be in the readings of a house.

    Parameters
    ----------
    house : House
        With its logs imported.
    now : pandas.Timestamp, optional
        Present time, with a zone. Default: that of this computer.

    Returns
    -------
    tuple of Implausible
        What is wrong first. Circuits of which something is wrong are to be left out of all totals
        (`held_out`). Samples in doubt (`House.doubts`) have been left out already.

    Notes
    -----
    Own rules, in `TESTS_OF_A_CIRCUIT` and `TESTS_OF_A_HOUSE`. O(samples).
    """
    house = house.as_clamped()
    instant = pd.Timestamp.now("UTC") if now is None else now
    there = [circuit for circuit in house.circuits if house.has_readings(circuit)]
    with ThreadPoolExecutor(max_workers=2) as pool:
        facts = [one for one in pool.map(lambda c: log_facts(house, c), there) if one is not None]
    found = [one for fact in facts for test in TESTS_OF_A_CIRCUIT for one in test(house, fact)]
    found += dates(facts, instant)
    for more in TESTS_OF_A_HOUSE:
        found += more(house, facts, found)
    kept = _without_consequences(found)
    return tuple(sorted(kept, key=lambda one: one.weight != "wrong"))


def _without_consequences(found: Sequence[Implausible]) -> list[Implausible]:
    """Leave out what says less of circuits that are held out anyway, or what their reason says."""
    out = held_out([one for one in found if not one.of_sums]).keys()
    explained = held_out([one for one in found if one.explains]).keys()

    def follows(one: Implausible) -> bool:
        known = out if one.weight != "wrong" else explained if one.too_much else ()
        return bool(one.circuits) and set(one.circuits) <= set(known)

    return [one for one in found if one.explains or not follows(one)]


# One circuit ------------------------------------------------------------------------------------


def _beyond_moment(house: House, facts: Facts) -> Iterator[Implausible]:
    """Single readings that neither breaker nor supply can carry, and error codes."""
    for flag, what in (
        (BEYOND, f"above {most_w(facts.circuit, house.supply):,.0f} W"),
        (CODE, "with an error code of a logger"),
    ):
        own = np.flatnonzero(facts.doubts.reason == flag)
        number = int((facts.doubts.stop - facts.doubts.first)[own].sum())
        if not number:
            continue
        at = instant_of(int(facts.doubts.first[own[0]]) * round(facts.period_s * NS_PER_S))
        watts = house.trace(facts.circuit, at, at + pd.Timedelta(seconds=facts.period_s)).watts
        value = f"{float(f'{watts[0]:.6g}'):,.9g} W" if watts.size else "a reading"
        some = flag == BEYOND and _many_beyond(facts)
        carries = ", more than its breaker and supply can carry" if flag == BEYOND else ""
        yield Implausible(
            weight="wrong" if some else "doubtful",
            circuits=(facts.circuit.name,),
            what=f"{number:,} reading{'s' if number > 1 else ''} {what}{carries}, the first "
            f"{value} at {local_time(house, at)}",
            where=house.place_of(facts.circuit, at),
            too_much=True,
            do="Correct the unit, the multiplier or breaker_a in house.toml, or the log."
            if some
            else "Nothing, if they are faults of the logger: they are left out of all figures.",
        )


def _many_beyond(facts: Facts) -> bool:
    """Whether too many readings are beyond what is possible to be single faults of a logger."""
    own = facts.doubts.reason == BEYOND
    number = int((facts.doubts.stop - facts.doubts.first)[own].sum())
    return number > max(FEW_BEYOND, SHARE_BEYOND * (facts.samples + number))


def _beyond_breaker(house: House, facts: Facts) -> Iterator[Implausible]:
    """Power that the breaker would have opened at, for minutes or an hour."""
    if _many_beyond(facts):  # said already
        return
    spans = ((2 / 60, IN_MINUTES, "two minutes"), (1.0, IN_HOURS, "an hour"))
    highest_w = float(np.nanmax(np.abs(facts.load.blocks_w), initial=0.0))
    for hours, times, words in spans:
        most = most_w(facts.circuit, house.supply, times=times)
        if highest_w <= most:
            continue
        means = facts.load.hours_w(1) if hours == 1 else _over(facts.load, hours)
        if most != LOAD_W:  # what is fed in is no load: a roof may give more
            means = np.abs(means)
        if not means.size or not np.isfinite(means).any():
            continue
        at = int(np.nanargmax(means))
        if means[at] <= most:
            continue
        rated = facts.circuit.breaker_a
        breaker = "any supply of a dwelling" if rated is None else f"its {rated:g} A breaker"
        yield Implausible(
            weight="wrong",
            circuits=(facts.circuit.name,),
            what=f"{means[at]:,.0f} W on average over {words}, more than the {most:,.0f} W that "
            "one load of a dwelling may draw where its breaker_a is not stated"
            if most == LOAD_W
            else f"{means[at]:,.0f} W on average over {words}, more than the {most:,.0f} W at "
            f"which {breaker} opens",
            where=from_when(house, facts, facts.at(at)),
            too_much=True,
            do="Correct the unit of its log, its multiplier, legs or breaker_a in house.toml.",
        )
        return


def _over(load: LoggedLoad, hours: float) -> NDArray[np.float64]:
    """Means of so many hours from each block on [W]; NaN where a block is missing."""
    number = max(1, round(hours * S_PER_H / load.block_s))
    if load.blocks_w.size < number:
        return np.empty(0)
    whole = np.lib.stride_tricks.sliding_window_view(np.abs(load.blocks_w), number)
    means: NDArray[np.float64] = whole.mean(axis=1)
    return means


def _beyond_clamp(house: House, facts: Facts) -> Iterator[Implausible]:
    """An hour far above what the clamp is made for."""
    clamp = facts.circuit.clamp
    if clamp.rating_a is None:
        return
    multiplier = max(abs(one.value) for one in clamp.in_order)
    most = CLAMP_TIMES * clamp.rating_a * most_volts_v(facts.circuit, house.supply)
    means = np.abs(facts.load.hours_w(1)) / multiplier
    if means.size and np.nanmax(means, initial=0.0) > most:
        at = int(np.nanargmax(means))
        yield Implausible(
            weight="doubtful",
            circuits=(facts.circuit.name,),
            what=f"{means[at]:,.0f} W at the clamp over an hour, more than twice what a clamp of "
            f"{clamp.rating_a:g} A is made for",
            where=f"from {local_time(house, facts.at(at))}",
            do="Correct the unit of its log, or rating_a in house.toml.",
        )


def _never_falls(_: House, facts: Facts) -> Iterator[Implausible]:
    """A counter that was read as power."""
    if facts.rises >= RISES and facts.falls <= FALLS_SHARE * facts.rises:
        yield Implausible(
            weight="wrong",
            circuits=(facts.circuit.name,),
            what=f"its power rises {facts.rises:,} times and falls {facts.falls:,} times, as the "
            "reading of an energy counter does",
            do='If it is one, state quantity = "energy_counter" and its unit in [log.columns].',
        )


def _counter_falls(_: House, facts: Facts) -> Iterator[Implausible]:
    """Power that was read as a counter."""
    often = facts.resets > max(MOST_RESETS, RESETS_A_DAY * facts.covered_days)
    absurd = facts.rejected > max(MOST_RESETS, REJECTED_SHARE * facts.rows)
    if often or absurd:
        what = (
            f"its counter falls {facts.resets:,} times in {max(facts.covered_days, 0.1):.1f} days"
            if often
            else f"{facts.rejected:,} of its {facts.rows:,} counter steps mean more than 100 kW"
        )
        yield Implausible(
            weight="wrong",
            circuits=(facts.circuit.name,),
            what=what,
            do='If the column holds power, state quantity = "power" in [log.columns]; else its '
            "unit, or rolls_over_at.",
        )
    elif facts.rejected:
        yield Implausible(
            weight="doubtful",
            circuits=(facts.circuit.name,),
            what=f"{facts.rejected:,} of its {facts.rows:,} counter readings cannot follow on the "
            "one before: lower than it, and no reset to 0, or far higher",
            do="See whether the counter was exchanged or its log edited there. What it counted "
            "meanwhile is not known, and is missing.",
        )


def _clipped(house: House, facts: Facts) -> Iterator[Implausible]:
    """Loads of which most was cut off by the clamp: without them its energy is not known."""
    own = np.flatnonzero(facts.doubts.reason == CLIPPED)
    if not own.size:
        return
    number = int((facts.doubts.stop - facts.doubts.first)[own].sum())
    at = instant_of(int(facts.doubts.first[own[0]]) * round(facts.period_s * NS_PER_S))
    top_w = float(
        house.trace(facts.circuit, at, at + pd.Timedelta(seconds=facts.period_s)).watts[0]
    )
    others_w = float(np.nansum(np.abs(facts.load.blocks_w))) * facts.load.block_s / facts.period_s
    share = abs(top_w) * number / (abs(top_w) * number + others_w)
    yield Implausible(
        weight="wrong" if share > CLIPPED_SHARE else "doubtful",
        circuits=(facts.circuit.name,),
        what=f"{number:,} readings, {share:.0%} of its energy, are cut off at {top_w:,.0f} W, "
        "where its clamp ends",
        where=from_when(house, facts, at),
        do="Use a clamp of a higher rating, or correct rating_a in house.toml.",
    )


def _missing_in_use(_: House, facts: Facts) -> Iterator[Implausible]:
    """Readings that are missing above all while a load is on, so that means are too low."""
    seen_w = float(np.nansum(np.abs(facts.load.blocks_w))) * facts.load.block_s / facts.period_s
    missing_w = abs(facts.missing_w)
    share = missing_w / max(missing_w + seen_w, 1e-9)
    of_time = facts.missing / max(facts.missing + facts.samples, 1)
    if facts.gaps < FEWEST_GAPS or share < max(GAP_SHARE, GAP_TIMES * of_time):
        return
    kwh = missing_w * facts.period_s / S_PER_H / 1000
    yield Implausible(
        weight="doubtful",
        circuits=(facts.circuit.name,),
        what=f"{facts.missing:,} readings in {facts.gaps:,} short gaps are missing, mostly while "
        f"it draws: by the readings next to them about {kwh:.2g} kWh, {100 * share:.0f} % of its "
        "energy, are in no figure",
        do="See why its readings fail under load. Until then its kWh are too low by about that.",
    )


def _flat_top(_: House, facts: Facts) -> Iterator[Implausible]:
    """A greatest reading at which nothing varies, where no rating says that the clamp ends."""
    load = facts.load
    if load.greatest_n < FLAT_N or load.greatest_w < FLAT_W or CLIPPED in facts.doubts.reason:
        return
    step_w = float(np.nanmin(facts.days.step_w, initial=np.inf))
    near = load.at_top + load.below_top
    if step_w > FLAT_STEP * load.greatest_w or load.greatest_n < FLAT_SHARE * near:
        return
    hours = load.greatest_n * facts.period_s / S_PER_H
    yield Implausible(
        weight="doubtful",
        circuits=(facts.circuit.name,),
        what=f"{load.greatest_n:,} readings, {two_digits(hours)} h in all, are its greatest, "
        f"{load.greatest_w:,.5g} W, to the last digit, where the volts of any supply would move "
        "them: its clamp is clipped there, it seems",
        do="See what its clamp, meter or logger can read at most. What it drew above that is in "
        "no figure.",
        of_end=True,
    )


TESTS_OF_A_CIRCUIT: tuple[Test, ...] = (
    _beyond_moment,
    _beyond_breaker,
    _beyond_clamp,
    _never_falls,
    _counter_falls,
    _clipped,
    _missing_in_use,
    _flat_top,
)
