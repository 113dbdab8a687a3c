"""What the mains say of each circuit: they step as far as it does, or readings are wrong."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from homeenergy.readings.house import House
from homeenergy.stats.estimate import Estimate
from homeenergy.stats.means import median_estimate
from homeenergy.trust.concern import Implausible, held_out
from homeenergy.trust.log_facts import Facts, aligned_blocks, from_when, instant_of
from homeenergy.units import NS_PER_S, S_PER_DAY
from homeenergy.words import three_digits

# Own choices.
HIGH, ASKED = 3, 0.5  # steps of half the third largest of a day or more are asked
QUIET_TIMES = 8.0  # ... which must be so many times the usual difference between minutes
USUAL_DAY, LEAST_SHARE = 0.75, 0.1  # ... and such a share of that of most days
HIGH_DAYS = 3  # ... and of the farthest on the third of its days
MAINS_TIMES = 3.0  # steps are so many times the usual step of the mains
SHARE_OUTSIDE = 5e-3  # on each side of the interval of the median
NARROW = 0.5  # of the factor, or of 1: how wide an interval may be to say anything
RIGHT = (0.7, 1.4)  # a factor in here is no matter of units, legs or signs
HALF_TO_DOUBLE = (0.4, 2.5)  # a leg or a doubling, which `check` tells; beyond, another unit
# No fault of a panel makes more, but conductors of two legs that cancel: a leg of two, a clamp for
# another, turns of a wire.
PANEL_TIMES = 10.0
NOTHING = 0.2
DEAD_W = 2.0  # a clamp that is off reads no more, whatever its leg carries
READS = ((0.5, ", as if it read half"), (2.0, ", as if it read twice"))
SAME, AGREEING, AGREEING_SHARE = 0.2, 3, 0.6  # circuits that agree that the mains are wrong

_Numbers = NDArray[np.float64]


def steps_of_mains(
    house: House, facts: Sequence[Facts], found: Sequence[Implausible]
) -> list[Implausible]:
    """Circuits with which the mains step another way than they say, and mains that are wrong.

    Parameters
    ----------
    house : House
    facts : sequence of Facts
    found : sequence of Implausible
        What is known already: circuits that are held out are not asked.

    Returns
    -------
    list of Implausible

    Notes
    -----
    Own method. Where the mean of a minute steps by at least half of the circuit's third-largest
    step of a day, the step of the mains is divided by it, once as it is and once less what other
    circuits step by. The median of at least eight such factors has an interval from their order
    (binomial with p = 1/2), so that other loads, which start at any time, widen it and do not shift
    it. No claim is made of a factor between 0.7 and 1.4, nor with fewer factors or a wide interval.
    O(minutes) for each circuit.
    """
    out_already = set(held_out(found))
    there = [one for one in facts if one.circuit.name not in out_already and one.load.blocks_w.size]
    mains = [one for one in there if one.circuit.role == "mains"]
    loads = [one for one in there if one.circuit.role == "load"]
    aligned = aligned_blocks([*mains, *loads])
    if not mains or not loads or aligned is None:
        return []
    # Over every minute, from the one before it to the one after; NaN where one is missing.
    steps = aligned[0][:, 2:] - aligned[0][:, :-2]
    a_day = round(S_PER_DAY / there[0].load.block_s)
    means_w = np.nanmean(np.abs(aligned[0]), axis=1)
    dead = [
        one
        for one, blocks_w in zip(mains, aligned[0], strict=False)
        if np.nanmax(np.abs(blocks_w)) < DEAD_W
        and _on_legs(loads, means_w[len(mains) :], one.circuit.legs) > QUIET_TIMES * DEAD_W
    ]
    if dead:
        return [_mains_dead(one) for one in dead]
    into, own = steps[: len(mains)], steps[len(mains) :]
    backwards = [
        one for one, mine in zip(mains, into, strict=True) if _is_backwards(mine, own, into, a_day)
    ]
    if backwards:
        return [_mains_backwards(backwards)]
    whole = into.sum(axis=0)
    usual_w = float(np.nanmedian(np.abs(whole)))
    used = np.nansum(own, axis=0)
    off: list[tuple[float, Implausible]] = []
    apart: list[Facts] = []
    right = 0
    for number, one in enumerate(loads):
        asked = _asked(own[number], a_day)
        ways = [
            _factor(own[number][asked], rest[asked])
            for rest in (whole, whole - (used - np.nan_to_num(own[number])))
        ]
        told = [way for way in ways if _tells(way)]
        size_w = float(np.median(np.abs(own[number][asked]))) if asked.size else 0.0
        seen_w = max((abs(way.value) * size_w for way in told), default=0.0)
        if not told or max(size_w, seen_w) < MAINS_TIMES * usual_w:
            continue
        if any(way.low <= RIGHT[1] and way.high >= RIGHT[0] for way in told):
            right += 1
            continue
        beside = _factor(own[number][asked], (used - np.nan_to_num(own[number]))[asked])
        differ = max(way.low for way in told) > min(way.high for way in told) + NOTHING
        if differ or beside.low > NOTHING or beside.high < -NOTHING:
            continue  # others are switched with it, and what they read decides
        best = min(told, key=lambda way: way.high - way.low)
        if max(abs(best.low), abs(best.high)) < NOTHING and best.low <= 0 <= best.high:
            apart.append(one)
        else:
            days = np.unique(asked // a_day)
            said = _another_size(one, best.value)
            if _right_on_other_days(own[number], whole, days, a_day):
                begun_ns = round((aligned[1] + 1 + asked[0]) * one.load.block_s * NS_PER_S)
                since = from_when(house, one, instant_of(begun_ns))
                said = _for_a_while(one, best.value, since=since, days=days.size)
            off.append((best.value, said))
    factors = np.array([factor for factor, _ in off])
    middle = float(np.median(factors)) if off else 1.0
    same = np.abs(factors / middle - 1) <= SAME
    if same.sum() >= max(AGREEING, AGREEING_SHARE * (len(off) + right)):
        return [_mains_of_another_size(mains, middle)]
    out = [said for _, said in off]
    if apart:
        out.append(_not_followed(apart))
    return out


def _asked(steps: _Numbers, a_day: int) -> NDArray[np.intp]:
    """Where a circuit steps farthest on each day that it is used: one minute for each step."""
    days = -(-steps.size // a_day)
    size = np.pad(np.nan_to_num(np.abs(steps)), (0, days * a_day - steps.size)).reshape(days, -1)
    if a_day < HIGH:
        return np.empty(0, dtype=np.intp)
    high = np.partition(size, a_day - HIGH, axis=1)[:, a_day - HIGH]
    usual = float(np.quantile(high, USUAL_DAY, method="lower"))
    # Of a circuit that is seldom used, most days show noise alone.
    usual = max([usual, *np.sort(size.max(axis=1))[-HIGH_DAYS : -HIGH_DAYS + 1].tolist()])
    used = (high > QUIET_TIMES * np.median(size, axis=1)) & (high >= LEAST_SHARE * usual)
    least = np.where(used & (high > 0), np.maximum(ASKED * high, LEAST_SHARE * usual), np.inf)
    around = np.pad(size.ravel(), 1)
    peak = (size.ravel() >= around[:-2]) & (size.ravel() > around[2:])
    return np.flatnonzero(peak & (size >= least[:, None]).ravel())


def _right_on_other_days(own: _Numbers, into: _Numbers, days: NDArray[np.intp], a_day: int) -> bool:
    """Whether the mains step as far as a circuit does on all days but these."""
    others = np.where(np.isin(np.arange(own.size) // a_day, days), np.nan, own)
    asked = _asked(others, a_day)
    factor = _factor(others[asked], into[asked])
    return _tells(factor) and RIGHT[0] <= factor.value <= RIGHT[1]


def _factor(own: _Numbers, into: _Numbers) -> Estimate:
    """How far the mains step where a circuit steps by 1; ends are infinite with too few steps."""
    return median_estimate(into / own, unit="", basis="", outside=SHARE_OUTSIDE)


def _tells(factor: Estimate) -> bool:
    return factor.high - factor.low <= NARROW * max(1.0, abs(factor.value))


def _is_backwards(mains: _Numbers, own: _Numbers, into: _Numbers, a_day: int) -> bool:
    """Whether mains fall with every circuit that they step with."""
    met = []
    others = into.sum(axis=0) - mains
    for steps in own:
        asked = _asked(steps, a_day)
        factor = _factor(steps[asked], mains[asked])
        if not _tells(factor) or -NOTHING < factor.value < NOTHING:
            continue
        elsewhere = _factor(steps[asked], others[asked])
        unknown = len(into) == 1 or not np.isfinite(elsewhere.high)
        if unknown or abs(elsewhere.value) <= abs(factor.value) + NOTHING:
            met.append(factor.high < -NOTHING)
    return len(met) >= 1 and all(met)


def _on_legs(loads: Sequence[Facts], means_w: _Numbers, legs: Sequence[str]) -> float:
    """What circuits that may be on one of these legs draw together on average [W]."""
    on = [
        not legs or not one.circuit.legs or bool(set(one.circuit.legs) & set(legs)) for one in loads
    ]
    return float(means_w[on].sum())


def _mains_dead(one: Facts) -> Implausible:
    return Implausible(
        weight="wrong",
        circuits=(one.circuit.name,),
        what="it reads nothing in the whole log while circuits on its leg draw power",
        do="Have its clamp looked at by a licensed electrician: service conductors are always "
        "live.",
        of_sums=True,
    )


def _mains_backwards(mains: Sequence[Facts]) -> Implausible:
    return Implausible(
        weight="wrong",
        circuits=tuple(one.circuit.name for one in mains),
        what="it falls where circuits rise: its clamp is backwards, or its sign is missing",
        do="Write multiplier = -1 in its clamp in house.toml, or correct the log.",
        of_sums=True,
    )


def _another_size(one: Facts, factor: float) -> Implausible:
    some = HALF_TO_DOUBLE[0] <= factor <= HALF_TO_DOUBLE[1]
    may_cancel = factor > PANEL_TIMES and len(one.circuit.legs) > 1
    if factor < 0:
        what = "where it rises, the mains fall, as with a clamp that is backwards"
        do = "Correct its sign in house.toml: multiplier = -1; what feeds in reads below zero."
    else:
        what = f"where it steps, the mains step {three_digits(factor)} times as far"
        for reads, why in READS:
            what += why * (abs(factor * reads - 1) < SAME / 2)
        do = "See whether its clamp takes one leg of two, or both of one" if some else "Correct"
        do += ", and `homeenergy check`." if some else " its unit or multiplier in house.toml."
        if may_cancel:
            do = (
                "Its conductors may run through one clamp and cancel, or its unit is wrong: see "
                "`homeenergy check` before a multiplier is changed."
            )
    return Implausible(
        weight="doubtful" if some else "wrong",
        circuits=(one.circuit.name,),
        what=what,
        do=do,
        of_sums=abs(factor) <= PANEL_TIMES or may_cancel,
    )


def _for_a_while(one: Facts, factor: float, *, since: str, days: int) -> Implausible:
    some = HALF_TO_DOUBLE[0] <= factor <= HALF_TO_DOUBLE[1]
    return Implausible(
        weight="doubtful" if some else "wrong",
        circuits=(one.circuit.name,),
        what=f"on {days} days the mains step {three_digits(factor)} times as far as it does, on "
        "others as far",
        where=since,
        do="Correct these readings in the log, or give them a [[log]] of their own in house.toml "
        "with their unit.",
        of_sums=abs(factor) <= PANEL_TIMES,
    )


def _mains_of_another_size(mains: Sequence[Facts], factor: float) -> Implausible:
    some = HALF_TO_DOUBLE[0] <= factor <= HALF_TO_DOUBLE[1]
    return Implausible(
        weight="doubtful" if some else "wrong",
        circuits=tuple(one.circuit.name for one in mains),
        what=f"they step {three_digits(factor)} times as far as most circuits say",
        do="Correct the unit or multiplier of the mains in house.toml, or those of the circuits.",
        of_sums=True,
    )


def _not_followed(apart: Sequence[Facts]) -> Implausible:
    return Implausible(
        weight="doubtful",
        circuits=tuple(one.circuit.name for one in apart),
        what="where they step, the mains do not"
        if len(apart) > 1
        else "the mains do not step with it",
        do="See whether they are fed from these mains, whether every leg is logged, and whether "
        "the clocks agree.",
        of_sums=True,
    )
