"""Readings that cannot be: what is wrong, where, and what to do, before a figure rests on them."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.errors import HouseError
from homeenergy.house.carrying import IN_HOURS, IN_MINUTES, most_volts_v, most_w
from homeenergy.readings.doubt import BEYOND, CLIPPED, CODE, STUCK
from homeenergy.readings.house import House
from homeenergy.trust.clamps.logged_load import LoggedLoad
from homeenergy.trust.concern import Concern, Weight
from homeenergy.trust.log_facts import DAY_NS, Facts, common_blocks, instant_of, log_facts
from homeenergy.trust.typed_readings import read_meter
from homeenergy.units import NS_PER_S, S_PER_DAY, S_PER_H, WH_PER_KWH

# A clock that shows an earlier time is wrong itself.
WRITTEN = pd.Timestamp("2026-11-01", tz="UTC")
AHEAD = pd.Timedelta(days=2)
EARLIEST = pd.Timestamp("2000-01-01", tz="UTC")
LONG_HOLE_DAYS = 365.0

FEW_BEYOND, SHARE_BEYOND = 10, 1e-3
RISES, FALLS_SHARE = 50, 0.01
RESETS_A_DAY, MOST_RESETS = 2.0, 3
REJECTED_SHARE = 0.01
STUCK_H, STUCK_SHARE = 6.0, 0.5
CONFLICT_SHARE = 0.01
CLAMP_TIMES = 2.0
CLIPPED_SHARE = 0.05  # of the energy
FACTORS = {1000.0: "kW for W", 60.0: "minutes for hours", 3600.0: "seconds for hours"}
LEVEL_W = 0.05
OFF_OCTAVES, AGREEING = 1.0, 0.8
STEP_OCTAVES = 3.0  # by how much the readings' own step must change with a single circuit's level
TINY_W, TINY_STEP_W = 25.0, 0.01
OVER, OVER_W = 1.1, 5.0
BACKWARDS = 0.01  # of the time below zero: something feeds in
METER_TIMES = 1.5
SIBLINGS = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Implausible:
    """One thing about the readings of a circuit that cannot be.

    Attributes
    ----------
    weight : str
        "wrong": no figure shall rest on the circuit, which is held out. "doubtful": say it.
    circuits : tuple of str
        Names; none for the log of the whole house.
    what, where, do : str
        Sentences; `where` may be empty.
    too_much : bool
        Whether it reads more than it can carry, as with a unit that is too large.
    """

    weight: Weight
    circuits: tuple[str, ...]
    what: str
    where: str = ""
    do: str
    too_much: bool = False

    @property
    def sentence(self) -> str:
        """What and where in one."""
        subject = f"{', '.join(self.circuits)}: " if self.circuits else ""
        return f"{subject}{self.what}{f' ({self.where})' if self.where else ''}."

    def concern(self) -> Concern:
        """The same as a concern of `check_house`."""
        return Concern(
            weight=self.weight,
            subject=", ".join(self.circuits) or "log",
            what=self.sentence,
            do=self.do,
            share=10.0 if self.weight == "wrong" else 1.0,
        )


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
    instant = pd.Timestamp.now("UTC") if now is None else now
    there = [circuit for circuit in house.circuits if house.has_readings(circuit)]
    with ThreadPoolExecutor(max_workers=2) as pool:
        facts = [one for one in pool.map(lambda c: log_facts(house, c), there) if one is not None]
    found = [one for fact in facts for test in TESTS_OF_A_CIRCUIT for one in test(house, fact)]
    found += _dates(facts, instant)
    for more in TESTS_OF_A_HOUSE:
        found += more(house, facts, found)
    return tuple(sorted(found, key=lambda one: one.weight != "wrong"))


def held_out(found: Sequence[Implausible]) -> Mapping[str, str]:
    """Circuits on which no figure shall rest, and why."""
    out: dict[str, str] = {}
    for one in found:
        for circuit in one.circuits if one.weight == "wrong" else ():
            out.setdefault(circuit, f"{one.what}{f' ({one.where})' if one.where else ''}")
    return out


def _from(house: House, facts: Facts, instant: pd.Timestamp) -> str:
    place = house.place_of(facts.circuit, instant)
    return f"from {_local(house, instant)}{f', {place}' if place else ''}"


def _local(house: House, instant: pd.Timestamp) -> str:
    return f"{instant.tz_convert(house.timezone):%Y-%m-%d %H:%M}"


# One circuit ------------------------------------------------------------------------------------


def _beyond_moment(house: House, facts: Facts) -> Iterator[Implausible]:
    """Single readings that neither breaker nor supply can carry, and error codes."""
    for flag, what in (
        (BEYOND, f"above {most_w(facts.circuit, house.supply):,.0f} W"),
        (CODE, "that are error codes of a logger"),
    ):
        own = np.flatnonzero(facts.doubts.reason == flag)
        number = int((facts.doubts.stop - facts.doubts.first)[own].sum())
        if not number:
            continue
        at = instant_of(int(facts.doubts.first[own[0]]) * round(facts.period_s * NS_PER_S))
        watts = house.trace(facts.circuit, at, at + pd.Timedelta(seconds=facts.period_s)).watts
        value = f"{watts[0]:,.6g} W" if watts.size else "a reading"
        some = flag == BEYOND and _many_beyond(facts)
        carries = ", more than its breaker and supply can carry" if flag == BEYOND else ""
        yield Implausible(
            weight="wrong" if some else "doubtful",
            circuits=(facts.circuit.name,),
            what=f"{number:,} reading{'s' if number > 1 else ''} {what}{carries}, the first "
            f"{value} at {_local(house, at)}",
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
    for hours, times, words in spans:
        means = np.abs(facts.load.hours_w(1)) if hours == 1 else _over(facts.load, hours)
        if not means.size or not np.isfinite(means).any():
            continue
        most = most_w(facts.circuit, house.supply, times=times)
        at = int(np.nanargmax(means))
        if means[at] <= most:
            continue
        rated = facts.circuit.breaker_a
        breaker = "any supply of a dwelling" if rated is None else f"its {rated:g} A breaker"
        yield Implausible(
            weight="wrong",
            circuits=(facts.circuit.name,),
            what=f"{means[at]:,.0f} W on average over {words}, more than the {most:,.0f} W at "
            f"which {breaker} opens",
            where=_from(house, facts, facts.at(at)),
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
            where=f"from {_local(house, facts.at(at))}",
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


def _stuck(house: House, facts: Facts) -> Iterator[Implausible]:
    size = (facts.doubts.stop - facts.doubts.first)[facts.doubts.reason == STUCK]
    if not size.size:
        return
    longest_h = float(size.max()) * facts.period_s / S_PER_H
    most = size.sum() > STUCK_SHARE * (facts.samples + size.sum())
    if longest_h < STUCK_H and not most:
        return
    own = np.flatnonzero(facts.doubts.reason == STUCK)[int(np.argmax(size))]
    at = instant_of(int(facts.doubts.first[own]) * round(facts.period_s * NS_PER_S))
    yield Implausible(
        weight="wrong" if most else "doubtful",
        circuits=(facts.circuit.name,),
        what=f"one reading, to the last digit, for {longest_h:,.0f} h where it otherwise varies",
        where=_from(house, facts, at),
        do="See whether meter or logger had stopped. These hours are left out of all figures.",
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
        where=_from(house, facts, at),
        do="Use a clamp of a higher rating, or correct rating_a in house.toml.",
    )


TESTS_OF_A_CIRCUIT: tuple[Test, ...] = (
    _beyond_moment,
    _beyond_breaker,
    _beyond_clamp,
    _never_falls,
    _counter_falls,
    _stuck,
    _clipped,
)


# The house --------------------------------------------------------------------------------------


def _dates(facts: Sequence[Facts], now: pd.Timestamp) -> list[Implausible]:
    """Logs of the future or of a clock that was never set, and holes of years."""
    if not facts:
        return []
    found = []
    first, last = min(one.start for one in facts), max(one.end for one in facts)
    if last > max(now, WRITTEN) + AHEAD:
        found.append(
            Implausible(
                weight="doubtful",
                circuits=(),
                what=f"readings go on until {last:%Y-%m-%d}, which is to come",
                do="Correct the dates in the log (day and month exchanged?), or this computer's.",
            )
        )
    if first < EARLIEST:
        found.append(
            Implausible(
                weight="doubtful",
                circuits=(),
                what=f"readings begin on {first:%Y-%m-%d}, as where a logger's clock was not set",
                do="Correct the dates in the log.",
            )
        )
    hole = max(facts, key=lambda one: one.longest_hole_s)
    if hole.longest_hole_s > LONG_HOLE_DAYS * S_PER_DAY:
        found.append(
            Implausible(
                weight="doubtful",
                circuits=(),
                what=f"no readings for {hole.longest_hole_s / S_PER_DAY / 365:.1f} years from "
                f"{hole.hole_at:%Y-%m-%d} on",
                do="See whether the dates before and after are right; else keep the two logs in "
                "houses of their own.",
            )
        )
    return found


def _conflicting(
    house: House, facts: Sequence[Facts], found: Sequence[Implausible]
) -> list[Implausible]:
    """Instants that are logged twice with different values."""
    del found
    out = []
    some = [one for one in facts if one.conflicts]
    many = [one for one in some if one.conflicts > CONFLICT_SHARE * max(one.rows, 1)]
    few = [one for one in some if one not in many]
    for weight, group in (("wrong", many), ("doubtful", few)):
        if not group:
            continue
        names = tuple(one.circuit.name for one in group)
        files = list(dict.fromkeys(file for name in names for file in house.overlapping(name)))
        more = f" and {len(files) - 4} more" if len(files) > 4 else ""
        out.append(
            Implausible(
                weight=weight,  # type: ignore[arg-type]
                circuits=names,
                what=f"up to {max(one.conflicts for one in group):,} instants of each are logged "
                "twice with different values",
                where=f"{', '.join(files[:4])}{more}",
                do="Take the file that is wrong, or was replaced by another, out of the logs; or "
                "correct the times in it.",
            )
        )
    return out


def _unit_changed(
    _: House, facts: Sequence[Facts], found: Sequence[Implausible]
) -> list[Implausible]:
    """Days on which the circuits read 1000, 60 or 3600 times what they read on others."""
    del found
    some = [one for one in facts if np.isfinite(one.days.mean_w).sum() >= 2]
    if not some:
        return []
    first = min(one.days.first for one in some)
    number = max(one.days.first + one.days.mean_w.size for one in some) - first

    def shifts(name: str) -> NDArray[np.float64]:
        out = np.full((len(some), number), np.nan)
        for row, one in enumerate(some):
            shift, at = _shift(getattr(one.days, name)), one.days.first - first
            out[row, at : at + shift.size] = shift
        return out

    mean, low, high, step = (shifts(name) for name in ("mean_w", "low_w", "high_w", "step_w"))
    mains = np.array([one.circuit.role == "mains" for one in some])
    known = np.isfinite(mean)
    for factor, words in FACTORS.items():
        for sign in (1.0, -1.0):
            octaves = sign * np.log2(factor)
            near = np.abs(mean - octaves) <= OFF_OCTAVES
            if len(some) == 1:  # by itself, it must be the same in all ways, and in the last digit
                near &= (np.abs(low - octaves) <= OFF_OCTAVES) | ~np.isfinite(low)
                near &= np.abs(high - octaves) <= OFF_OCTAVES
                near &= sign * step >= STEP_OCTAVES
            near |= (np.abs(low - octaves) <= OFF_OCTAVES) & (len(some) > 1)
            off = (near.sum(axis=0) >= AGREEING * known.sum(axis=0)) & near.any(axis=0)
            off &= (near | ~known)[mains].all(axis=0)
            off &= known.sum(axis=0) >= SIBLINGS * len(some)
            if not off.any():
                continue
            at = instant_of((first + int(np.argmax(off))) * DAY_NS)
            times = f"{factor:g} times" if sign > 0 else f"1/{factor:g} of"
            return [
                Implausible(
                    weight="wrong",
                    circuits=tuple(one.circuit.name for one in some),
                    what=f"on {int(off.sum())} days they read about {times} what they read on "
                    f"others, as where a unit was changed ({words})",
                    where=f"from {at:%Y-%m-%d} on",
                    do="Give the files in another unit a [[log]] of their own in house.toml.",
                )
            ]
    return []


def _shift(watts: NDArray[np.float64]) -> NDArray[np.float64]:
    """By how many octaves each day lies off the usual one; NaN where nothing is drawn."""
    octaves = np.full(watts.size, np.nan)
    drawn = np.abs(watts) > 1e-6
    octaves[drawn] = np.log2(np.abs(watts[drawn]))
    known = np.sort(octaves[np.isfinite(octaves)])
    return octaves - known[(known.size - 1) // 2] if known.size else octaves


def _siblings(
    house: House, facts: Sequence[Facts], found: Sequence[Implausible]
) -> list[Implausible]:
    """Circuits of a log whose unit is wrong for others of it."""
    there = {one.circuit.name for one in facts}
    wrong = set(held_out([one for one in found if one.too_much]))
    out = []
    for number, log in enumerate(house.schedule.logs):
        units: dict[tuple[str, str], list[str]] = {}
        for name, column in log.columns.items():
            if name in there:
                units.setdefault((column.quantity, column.unit), []).append(name)
        for (_, unit), names in units.items():
            others = tuple(name for name in names if name not in wrong)
            bad = len(names) - len(others)
            if others and bad >= max(2, SIBLINGS * len(names)):
                out.append(
                    Implausible(
                        weight="wrong",
                        circuits=others,
                        what=f"their log gives {bad} of {len(names)} circuits more than they can "
                        f"carry, so that its unit, {unit}, cannot be right",
                        do=f"Correct the unit in log[{number + 1}] of house.toml.",
                    )
                )
    return out


def _far_too_small(
    _: House, facts: Sequence[Facts], found: Sequence[Implausible]
) -> list[Implausible]:
    """A whole house of a few watts: kW that were read as W."""
    del found
    mains = [one for one in facts if one.circuit.role == "mains"]
    asked = mains or list(facts)
    if not asked or max(one.covered_days for one in asked) < 1:
        return []
    highest_w = max(float(np.nanmax(one.days.high_w, initial=0.0)) for one in asked)
    step_w = min(float(np.nanmin(one.days.step_w, initial=np.inf)) for one in asked)
    many = bool(mains) or len(asked) >= 3
    if not 0 < highest_w < TINY_W or not (many or step_w <= TINY_STEP_W):
        return []
    what = "the whole house never draws" if mains else "none of them ever draws"
    return [
        Implausible(
            weight="wrong" if many else "doubtful",
            circuits=tuple(one.circuit.name for one in (facts if many else asked)),
            what=f"{what} more than {highest_w:.2g} W, as if kW had been read as W",
            do='If the log is in kW, state unit = "kW" in [log.columns].',
        )
    ]


def _more_than_mains(
    _: House, facts: Sequence[Facts], found: Sequence[Implausible]
) -> list[Implausible]:
    """Circuits that together, or one by itself, draw more than comes in."""
    out_already = set(held_out(found))
    mains = [one for one in facts if one.circuit.role == "mains"]
    loads = [
        one for one in facts if one.circuit.role == "load" and one.circuit.name not in out_already
    ]
    if not mains or not loads or any(one.circuit.name in out_already for one in mains):
        return []
    common = common_blocks([*mains, *loads])
    if common is None:
        return []
    blocks_w, hours = common
    if hours < 24:
        return []
    into = blocks_w[: len(mains)].sum(axis=0)
    each = blocks_w[len(mains) :]
    feeding = bool((into < -OVER_W).mean() > BACKWARDS)
    mean, used = float(into.mean()), each.mean(axis=1)
    whole = float(used.sum())
    if feeding or whole <= mean + (OVER - 1) * float(np.abs(used).sum()) + OVER_W:
        return []
    alone = [
        one for one, own in zip(loads, used, strict=True) if own > OVER * max(mean, 0) + OVER_W
    ]
    if alone and len(alone) < len(loads):
        return [
            Implausible(
                weight="wrong",
                circuits=tuple(one.circuit.name for one in alone),
                what=f"more on average than all that comes in through the mains, {mean:,.0f} W",
                do="Correct unit or multiplier in house.toml, or say if the mains do not feed it.",
            )
        ]
    return [
        Implausible(
            weight="wrong",
            circuits=tuple(one.circuit.name for one in mains),
            what=f"the circuits draw {whole:,.0f} W on average and the mains {mean:,.0f} W: the "
            "remainder is negative",
            do="See whether every leg of the mains is logged, in which unit and with which "
            "multiplier, and whether something feeds in that is not logged.",
        )
    ]


def _meter_far_off(
    house: House, facts: Sequence[Facts], found: Sequence[Implausible]
) -> list[Implausible]:
    """Mains that read far more or less than the utility meter."""
    mains = [one for one in facts if one.circuit.role == "mains"]
    if not mains or any(one.circuit.name in held_out(found) for one in mains):
        return []
    try:
        readings = read_meter(house.schedule)
    except HouseError:
        return []
    common = common_blocks(mains)
    if readings is None or common is None:
        return []
    start = max(one.start for one in mains)
    end = min(one.end for one in mains)
    inside = readings[(readings["time"] >= start) & (readings["time"] <= end)]
    kwh = inside["kwh"].to_numpy(np.float64)
    if kwh.size < 2 or np.any(np.diff(kwh) <= 0):
        return []
    hours = (inside["time"].iloc[-1] - inside["time"].iloc[0]) / pd.Timedelta(hours=1)
    metered = kwh[-1] - kwh[0]
    logged = float(common[0].sum(axis=0).mean()) * hours / WH_PER_KWH
    if metered < 10 or 1 / METER_TIMES <= logged / metered <= METER_TIMES:
        return []
    return [
        Implausible(
            weight="wrong",
            circuits=tuple(one.circuit.name for one in mains),
            what=f"the mains read {logged:,.4g} kWh where the utility meter read "
            f"{metered:,.4g} kWh, {logged / metered:,.3g} times as much",
            do="See whether every leg is logged, and correct unit or multiplier in house.toml; or "
            "correct meter_readings.csv.",
        )
    ]


HouseTest = Callable[[House, Sequence[Facts], Sequence[Implausible]], list[Implausible]]
TESTS_OF_A_HOUSE: tuple[HouseTest, ...] = (
    _conflicting,
    _unit_changed,
    _siblings,
    _far_too_small,
    _meter_far_off,
    _more_than_mains,
)
