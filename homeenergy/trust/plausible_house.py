"""What cannot be in the log of a whole house: dates, units, mains against circuits and meter."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.errors import HouseError
from homeenergy.readings.doubt import BEYOND
from homeenergy.readings.house import House
from homeenergy.trust.all_at_nothing import all_at_nothing
from homeenergy.trust.concern import Implausible, held_out
from homeenergy.trust.counted_twice import counted_twice
from homeenergy.trust.log_facts import (
    DAY_NS,
    Facts,
    aligned_blocks,
    common_blocks,
    from_when,
    instant_of,
)
from homeenergy.trust.plausible_steps import steps_of_mains
from homeenergy.trust.stuck_readings import stuck_readings
from homeenergy.trust.typed_readings import read_meter
from homeenergy.units import NS_PER_S, S_PER_DAY, S_PER_H, WH_PER_KWH
from homeenergy.words import two_digits

# A clock that shows an earlier time is wrong itself.
WRITTEN = pd.Timestamp("2026-11-01", tz="UTC")
AHEAD = pd.Timedelta(days=2)
EARLIEST = pd.Timestamp("2000-01-01", tz="UTC")
LONG_HOLE_DAYS = 365.0
CONFLICT_SHARE = 0.01
FEW_BEYOND = 10  # readings more than can be: single faults of a logger
FACTORS = {1000.0: "kW for W", 60.0: "minutes for hours", 3600.0: "seconds for hours"}
# Ten minutes of so many steps, of which there are so many; the step that a share of them have, or
# one to three of it; how far the load's height may be off the factor; different readings an hour.
WINDOW_STEPS, FEW_WINDOWS, DIGIT_SHARE, SAME_STEP, MOST_STEPS = 5, 10, 0.1, 0.02, 3
HIGH_TIMES, DIFFERENT = 16.0, 5
OFF_OCTAVES, AGREEING = 1.0, 0.8
STEP_OCTAVES = 3.0  # by how much the readings' own step must change with a single circuit's level
STEP_TOGETHER, CLOSE_OCTAVES, LEAST_W = 4, 0.3, 1.0  # circuits that step by one factor at once
ABOVE_MAINS, ABOVE_MAINS_W = 1.5, 100.0  # of a circuit's mean over an hour
LEVEL_OCTAVES = 0.5
TINY_W, TINY_STEP_W = 25.0, 0.01
OVER, OVER_W = 1.1, 5.0
BACKWARDS = 0.01  # of the time below zero: something feeds in
METER_TIMES = 1.5
SIBLINGS = 0.5
SIBLINGS_ASKED, SAME_OCTAVES = 2, 0.25


def dates(facts: Sequence[Facts], now: pd.Timestamp) -> list[Implausible]:
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
        most = f"{max(one.conflicts for one in group):,} instants"
        out.append(
            Implausible(
                weight=weight,  # type: ignore[arg-type]
                circuits=names,
                what=f"{f'up to {most} of each' if len(group) > 1 else most} are logged twice with "
                "different values",
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
    # Readings beyond all that can be are left out of these; days with several read too much, too.
    beyond = np.stack([_beyond(one, first, number) for one in some])
    known = np.isfinite(mean) | beyond
    for factor, words in FACTORS.items():
        for sign in (1.0, -1.0):
            octaves = sign * np.log2(factor)
            digits = sign * step >= STEP_OCTAVES
            near_mean, near_low, near_high = (
                np.abs(shift - octaves) <= OFF_OCTAVES for shift in (mean, low, high)
            )
            if len(some) == 1:  # by itself, it must be the same in all ways, and in the last digit
                near = near_mean & (near_low | ~np.isfinite(low)) & near_high & digits
            else:  # what is used little on a day still draws as much when it is used
                near = near_mean | near_low | (near_high & digits)
            near |= beyond & (sign > 0)
            off = (near.sum(axis=0) >= AGREEING * known.sum(axis=0)) & near.any(axis=0)
            off &= (near | ~known)[mains].all(axis=0)
            off &= known.sum(axis=0) >= SIBLINGS * len(some)
            usual = known.any(axis=0) & ~off  # if these read too much as well, there are none
            most = beyond.sum(axis=0) >= SIBLINGS * known.sum(axis=0)
            if not off.any() or not usual.any() or most[usual].mean() >= SIBLINGS:
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
                    explains=True,
                    do="Give the files in another unit a [[log]] of their own in house.toml.",
                )
            ]
    return []


def _beyond(facts: Facts, first: int, number: int) -> NDArray[np.bool_]:
    """Days with several readings beyond what can be."""
    own = facts.doubts.reason == BEYOND
    begin, end = facts.doubts.first[own], facts.doubts.stop[own]
    day = begin * round(facts.period_s * NS_PER_S) // DAY_NS - first
    days = np.arange(number + 1)
    readings, _ = np.histogram(day, bins=days, weights=end - begin)
    return readings > FEW_BEYOND


def _shift(watts: NDArray[np.float64]) -> NDArray[np.float64]:
    """By how many octaves each day lies off the usual one; NaN where nothing is drawn."""
    octaves = np.full(watts.size, np.nan)
    drawn = np.abs(watts) > 1e-6
    octaves[drawn] = np.log2(np.abs(watts[drawn]))
    known = np.sort(octaves[np.isfinite(octaves)])
    return octaves - known[(known.size - 1) // 2] if known.size else octaves


def _out_for_more(found: Sequence[Implausible]) -> set[str]:
    """Circuits that are held out for more than that they read too much, which has a reason."""
    return set(held_out([one for one in found if one.explains or not one.too_much]))


def _levels_before(some: Sequence[Facts], block: int) -> int:
    """At how many levels, a half apart or more, circuits are in the block before one.

    Elements of one kind that are all switched on at one time step by one factor too.
    """
    levels = set()
    for one in some:
        at = block - 1 - one.load.first_block
        if 0 <= at < one.load.blocks_w.size and abs(one.load.blocks_w[at]) > 0:
            levels.add(round(float(np.log2(abs(one.load.blocks_w[at]))) / LEVEL_OCTAVES))
    return len(levels)


def _stepped_together(
    house: House, facts: Sequence[Facts], found: Sequence[Implausible]
) -> list[Implausible]:
    """An instant at which all that draw step by 1000, 60 or 3600 times, for however short a while.

    Loads do not: each steps by a ratio of its own, and what loses its supply falls to nothing.
    """
    out_already = _out_for_more(found)
    some = [one for one in facts if one.load.start is not None and one.load.blocks_w.size > 2]
    aligned = aligned_blocks(some)
    if len(some) < STEP_TOGETHER or aligned is None:
        return []
    if all(one.circuit.name in out_already for one in some):
        return []
    blocks_w, low = aligned
    block_ns = round(some[0].load.block_s * NS_PER_S)
    known = np.zeros(blocks_w.shape[1], dtype=np.int32)
    asked = {(factor, sign): np.zeros_like(known) for factor in FACTORS for sign in (1.0, -1.0)}
    for size_w in np.abs(blocks_w):
        before, after = size_w[:-2], size_w[2:]  # the block between may hold the step
        draws = np.isfinite(before) & np.isfinite(after) & (np.fmax(before, after) >= LEAST_W)
        known[1:-1] += draws
        draws &= (before > 0) & (after > 0)
        octaves = np.full(before.size, np.nan)
        octaves[draws] = np.log2(after[draws] / before[draws])
        for (factor, sign), near in asked.items():
            near[1:-1] += np.abs(octaves - sign * np.log2(factor)) <= CLOSE_OCTAVES
    for (factor, sign), near in asked.items():
        at = np.flatnonzero((near >= STEP_TOGETHER) & (near >= AGREEING * known))
        at = np.array(
            [k for k in at if _levels_before(some, low + int(k)) >= STEP_TOGETHER],
            dtype=np.int64,
        )
        if at.size:
            times = f"{factor:g} times" if sign > 0 else f"1/{factor:g} of"
            instant = instant_of((low + int(at[0])) * block_ns)
            return [
                Implausible(
                    weight="wrong",
                    circuits=tuple(one.circuit.name for one in some),
                    what=f"{near[at[0]]} of the {known[at[0]]} that draw go to {times} what they "
                    f"were in one instant, as where a unit is changed ({FACTORS[factor]})",
                    where=from_when(house, some[0], instant),
                    explains=True,
                    do="Give the files in another unit a [[log]] of their own in house.toml.",
                )
            ]
    return []


def _minutes_in_another_unit(
    house: House, facts: Sequence[Facts], found: Sequence[Implausible]
) -> list[Implausible]:
    """Circuits that are in another unit for a while, unless what is wrong is known already."""
    out_already = _out_for_more(found)
    asked = [one for one in facts if one.circuit.name not in out_already]
    return [one for one in (_in_another_unit(house, facts) for facts in asked) if one is not None]


def _in_another_unit(house: House, facts: Facts) -> Implausible | None:
    """Times whose readings go in steps of 1000, 60 or 3600 times the log's own, and as high.

    A log is printed with so many digits. Where a unit is changed, so is the step of its readings,
    and it is so by that factor to the last digit.
    """
    windows = facts.windows
    asked = (windows.steps >= WINDOW_STEPS) & np.isfinite(windows.high_w)
    if asked.sum() < FEW_WINDOWS:
        return None
    steps_w, high_w = windows.step_w, windows.high_w
    own_w = float(np.quantile(steps_w[asked], DIGIT_SHARE, method="lower"))
    if np.mean(np.abs(steps_w[asked] / own_w - 1) <= SAME_STEP) < DIGIT_SHARE:
        return None  # it is not printed with so many digits
    least_w, most_w = (1 - SAME_STEP) * steps_w[asked].min(), (1 + SAME_STEP) * steps_w[asked].max()
    for factor, words in FACTORS.items():
        for times in (factor, 1 / factor):
            if not least_w <= own_w * times * MOST_STEPS or most_w < own_w * times:
                continue
            ratio = np.divide(steps_w, own_w * times, out=np.zeros(asked.size), where=asked)
            whole = np.clip(np.round(ratio), 1, MOST_STEPS)
            near = asked & (np.abs(ratio - whole) <= SAME_STEP * whole) & (high_w > 0)
            beside = np.convolve(near, np.ones(3), mode="same") > 0  # it may begin or end in these
            others_w = float(np.nanmax(np.where(beside, np.nan, high_w), initial=0.0))
            far = high_w / max(others_w, own_w)
            near &= far >= factor / HIGH_TIMES if times > 1 else far <= HIGH_TIMES / factor
            if not near.any() or 2 * near.sum() > asked.sum():
                continue
            at = instant_of(int(windows.start_ns[int(np.argmax(near))]))
            some = house.trace(facts.circuit, at, at + pd.Timedelta(hours=1)).watts
            if np.unique(some[np.isfinite(some)]).size < DIFFERENT:
                continue
            return Implausible(
                weight="wrong",
                circuits=(facts.circuit.name,),
                what=f"for {10 * int(near.sum())} min its readings go in steps of "
                f"{two_digits(float(steps_w[near].min()))} W and reach "
                f"{two_digits(float(high_w[near].max()))} W, else in steps of {two_digits(own_w)} "
                f"W up to {two_digits(others_w)} W, as where a unit is changed ({words})",
                where=from_when(house, facts, at),
                too_much=times > 1,
                explains=True,
                do="Correct these readings in the log, or give them a [[log]] of their own in "
                "house.toml with their unit.",
            )
    return None


def _siblings(
    house: House, facts: Sequence[Facts], found: Sequence[Implausible]
) -> list[Implausible]:
    """Circuits of a log whose unit is wrong, as most of them read more than they can carry."""
    there = {one.circuit.name for one in facts}
    known = {name for one in found if one.explains for name in one.circuits}
    wrong = held_out([one for one in found if one.too_much]).keys() - known
    out = []
    for number, log in enumerate(house.schedule.logs):
        units: dict[tuple[str, str], list[str]] = {}
        for name, column in log.columns.items():
            if name in there:
                units.setdefault((column.quantity, column.unit), []).append(name)
        for (_, unit), names in units.items():
            bad = sum(name in wrong for name in names)
            if bad >= max(2, SIBLINGS * len(names)):
                out.append(
                    Implausible(
                        weight="wrong",
                        circuits=tuple(names),
                        explains=True,
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
    # Where circuits draw more, the mains' clamps read nothing, and `check` tells why.
    highest_w = max(float(np.nanmax(one.days.high_w, initial=0.0)) for one in facts)
    step_w = min(float(np.nanmin(one.days.step_w, initial=np.inf)) for one in asked)
    many = bool(mains) or len(asked) >= 3
    if not 0 < highest_w < TINY_W or not (many or step_w <= TINY_STEP_W):
        return []
    what = "the whole house never draws" if mains else "none of them ever draws"
    return [
        Implausible(
            weight="wrong" if many else "doubtful",
            circuits=tuple(one.circuit.name for one in (facts if many else asked)),
            what=f"{what} more than {two_digits(highest_w)} W, as if kW had been read as W",
            do='If the log is in kW, state unit = "kW" in [log.columns].',
        )
    ]


def _finer_than_others(
    house: House, facts: Sequence[Facts], found: Sequence[Implausible]
) -> list[Implausible]:
    """Circuits whose readings come in steps that are another unit's, next to others of their log.

    A logger prints all circuits with the same digits. Where one is scaled, so are its steps.
    """
    out_already = set(held_out(found))
    out = []
    for log in house.schedule.logs:
        mine = [
            one
            for one in facts
            if one.circuit.name in log.columns
            and log.columns[one.circuit.name].quantity == "power"
            and one.circuit.name not in out_already
        ]
        steps_w = np.array([_least_step_w(one) for one in mine])
        for number, one in enumerate(mine):
            others_w = np.delete(steps_w, number)
            others_w = others_w[np.isfinite(others_w)]
            if others_w.size < SIBLINGS_ASKED or np.ptp(np.log2(others_w)) > SAME_OCTAVES:
                continue
            times = float(np.median(others_w)) / steps_w[number]
            octaves = abs(np.log2(times)) if times > 0 else np.inf
            for factor, words in FACTORS.items():
                if abs(octaves - np.log2(factor)) <= SAME_OCTAVES:
                    out.append(
                        Implausible(
                            weight="doubtful",
                            circuits=(one.circuit.name,),
                            what=f"its readings come in steps of {two_digits(steps_w[number])} W "
                            "and those of the other circuits in steps of "
                            f"{two_digits(np.median(others_w))} W, as where a unit is wrong "
                            f"({words})",
                            do="If its unit is another, give it in [log.columns] of house.toml.",
                        )
                    )
    return out


def _least_step_w(one: Facts) -> float:
    """Least difference between neighbouring readings, before they were multiplied [W]."""
    steps_w = one.days.step_w[np.isfinite(one.days.step_w)]
    multiplier = max(abs(clamp.value) for clamp in one.circuit.clamp.in_order)
    return float(steps_w.min()) / multiplier if steps_w.size else np.nan


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
                of_sums=True,
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
            of_sums=True,
        )
    ]


def _hours_above_mains(
    _: House, facts: Sequence[Facts], found: Sequence[Implausible]
) -> list[Implausible]:
    """A circuit that for an hour draws far more than comes in, with what other circuits feed in."""
    out_already = set(held_out(found))
    mains = [one for one in facts if one.circuit.role == "mains"]
    if not mains or any(one.circuit.name in out_already for one in mains):
        return []
    out = []
    loads = [one for one in facts if one.circuit.role == "load" and one.load.blocks_w.size]
    feeding = [one for one in loads if np.nanmin(one.load.blocks_w) < -OVER_W]
    for one in facts:
        if one.circuit.role != "load" or one.circuit.name in out_already:
            continue
        common = common_blocks([*mains, *feeding, one])
        per_hour = max(1, round(S_PER_H / one.load.block_s))
        if common is None or common[0].shape[1] < per_hour:
            continue
        into, own = common[0][: len(mains)].sum(axis=0), common[0][-1]
        made = -np.minimum(common[0][len(mains) : -1], 0.0).sum(axis=0)
        if (into < -OVER_W).mean() > BACKWARDS:
            return []
        number = into.size // per_hour
        into_w, own_w, made_w = (
            x[: number * per_hour].reshape(number, per_hour).mean(axis=1) for x in (into, own, made)
        )
        above = own_w > ABOVE_MAINS * np.maximum(into_w + made_w, 0) + ABOVE_MAINS_W
        if above.any():
            worst = int(np.argmax(np.where(above, own_w - into_w, -np.inf)))
            out.append(
                Implausible(
                    weight="doubtful",
                    of_sums=True,
                    circuits=(one.circuit.name,),
                    what=f"for {int(above.sum())} h it draws more than comes in through the mains, "
                    f"once {own_w[worst]:,.0f} W where they read {into_w[worst]:,.0f} W",
                    do="See whether its unit or multiplier changes, whether the mains feed it, and "
                    "whether something feeds in that is not logged.",
                )
            )
    return out


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
    # The register may count all, what is drawn, or what each leg draws.
    drawn = np.maximum(common[0], 0)
    counts = common[0].sum(axis=0), np.maximum(common[0].sum(axis=0), 0), drawn.sum(axis=0)
    each = [float(power_w.mean()) * hours / WH_PER_KWH for power_w in counts]
    logged = each[0]
    if metered < 10 or any(1 / METER_TIMES <= kwh / metered <= METER_TIMES for kwh in each):
        return []
    return [
        Implausible(
            weight="wrong",
            circuits=tuple(one.circuit.name for one in mains),
            what=f"the mains read {logged:,.4g} kWh where the utility meter read "
            f"{metered:,.4g} kWh, {logged / metered:,.3g} times as much",
            do="See whether every leg is logged, and correct unit or multiplier in house.toml; or "
            "correct meter_readings.csv.",
            of_sums=True,
        )
    ]


HouseTest = Callable[[House, Sequence[Facts], Sequence[Implausible]], list[Implausible]]
TESTS_OF_A_HOUSE: tuple[HouseTest, ...] = (
    stuck_readings,
    _conflicting,
    _unit_changed,
    _siblings,
    _stepped_together,
    _minutes_in_another_unit,
    all_at_nothing,
    _far_too_small,
    steps_of_mains,
    _finer_than_others,
    counted_twice,
    _meter_far_off,
    _more_than_mains,
    _hours_above_mains,
)
