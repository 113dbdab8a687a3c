"""What an explanation of a panel says of mains and circuits, and what it advises."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import ceil, isfinite, nan

import pandas as pd

from homeenergy.house.kinds import KINDS, why_named_to_stay_on
from homeenergy.house.schedule import Circuit
from homeenergy.trust.concern import Concern, Weight
from homeenergy.trust.panel.circuit import ENOUGH, Answer, CircuitBalance
from homeenergy.trust.panel.explain import (
    ODDS_TO_ACT,
    SIMPLE_FACTORS,
    WIRING,
    Explanation,
    MainsFault,
    Reading,
)
from homeenergy.words import two_digits

AGREES = 0.05  # an interval of the ratio that is farther from 1 does not say "agrees"
CLAMPS_DIFFER = 0.03
NARROW = 0.05  # relative half-width of a factor that is proposed as a multiplier
LONE = 3  # steps of a load on two legs that are on one: fewer are chance
SWITCHED = (
    "If it may be stopped, switch it on and off five times while little else changes: by its own "
    "switch or plug, never by the breaker."
)
TELLS_NO_MORE = "More steps tell no more: compare its clamp with a reference meter (bench.csv)."
TOO_SMALL = (
    "Its steps are too small beside the noise of the mains: compare its clamp with a reference "
    "meter (bench.csv), or plug a kettle or heater into one of its outlets."
)
SPARE = 2  # steps that another load may spoil
MOST_TIMES = 10  # beyond that the noise of the clamps and not the number of steps decides
LOG_ON = "It switches by itself and is left to it: a longer log tells."
FEEDS_IN = (
    "It reads as if it fed in. If it does, leave it to itself; if not, its clamp may be backwards."
)
SMALLER_LOAD = (
    "Compare it with a reference meter at a much smaller load too (bench.csv), and leave the "
    "multiplier until then: a clipped clamp needs a higher rating, and no multiplier mends it."
)
CLIPPED = "its clamp is clipped: it reads the same whenever its load is highest"
COMPANION = "a load that no circuit measures is always switched with it"
COMPARE_FIRST = (
    "Compare it with a reference meter (bench.csv), and leave the multiplier until then: only that "
    "tells the two apart."
)
OTHER_SCALE = (
    "See in its log when its highest readings begin and end, and correct their unit there; leave "
    "the multiplier: it is right for the others."
)
COMPARE_BOTH = "Compare both with a reference meter (bench.csv)."
MAINS_FIRST = "See first what is said of the mains."
MIXED = (
    ", in some steps on one leg and in some on several: not all that it feeds is on the same legs."
)
CAUSES = {
    0.5: "the doubling is missing, or it sees half of it",
    2.0: "it is doubled although it sees the whole load, or sees it twice",
    -1.0: "its clamp is backwards or on the other leg's voltage, and the sign is missing",
    -0.5: "backwards, and half of it or the doubling missing",
    -2.0: "backwards, and doubled or seen twice",
}


MOST_LOST = 0.2  # of a load: clamps that read less hardly come from how they are set
CANCEL = "both conductors run through it and cancel for the most part"
OTHER_VOLTS = "its power is worked out with the voltage of another leg, 120° away"
SET_VOLTS = (
    "Have its voltage taken from its own leg, in the logger's settings or by a licensed "
    "electrician; no multiplier is right for every load."
)


def other_volts(reads: float, legs: int) -> bool:
    """Whether a clamp reads a heater as one does with another leg's voltage, of three: cos 120°."""
    return legs == 3 and abs(reads / -0.5 - 1) < WIRING


def cause(reads: float, *, legs: int) -> str:
    """What in the wiring or in house.toml makes a clamp read so many times the truth."""
    if other_volts(reads, legs):
        return OTHER_VOLTS
    if legs == 3 and abs(reads * 3 - 1) < WIRING:
        return "it sees one leg of three"
    for factor, text in CAUSES.items():
        if abs(reads / factor - 1) < WIRING:
            return text
    text = f"its multiplier is wrong by a factor of {1 / reads:.2f}"
    if abs(reads) < MOST_LOST:
        return f"{CANCEL}, or {text}"
    return f"{text}, or it is logged in VA" if reads > 1 else text


def odds_text(odds: float) -> str:
    """Odds in words, no greater than a model of a house deserves."""
    return f"odds of {odds_words(odds)}"


def odds_words(odds: float) -> str:
    """The same without the word."""
    return f"{odds:.0f} to 1" if odds < 1000 else "1000 to 1 or more"


def times_switched(times: int) -> str:
    """How often a circuit was switched on, as a predicate."""
    words = {
        0: "never seen to switch on in a clear step",
        1: "switched on once",
        2: "switched on twice",
    }
    return words.get(times, f"switched on {times} times")


def mains_concerns(
    found: Explanation, mains: Sequence[Circuit], legs: Sequence[str], circuits: Mapping[str, int]
) -> list[Concern]:
    """One line for each fault of the mains; `circuits` counts those that each leg feeds."""
    return [_mains(fault, found, mains, legs, circuits) for fault in found.mains]


def _mains(
    fault: MainsFault,
    found: Explanation,
    mains: Sequence[Circuit],
    legs: Sequence[str],
    circuits: Mapping[str, int],
) -> Concern:
    name, leg = mains[fault.clamps[0]].name, legs[fault.clamps[0]]
    other = mains[fault.clamps[-1]].name
    sure = odds_text(fault.odds)
    many = f"{circuits[leg]} circuits" if circuits[leg] != 1 else "one circuit"
    say = "says" if circuits[leg] == 1 else "say"
    small = fault.kind == "factor" and abs(fault.factor - 1) < WIRING
    do = "Have its clamp looked at by a licensed electrician: service conductors are always live."
    if fault.kind == "factor":
        volts = other_volts(fault.factor, len(legs))
        kind = CAUSES.get(fault.factor, f"a factor of {fault.factor:.3f}")
        kind = OTHER_VOLTS if volts else kind
        what = (
            f"{name} rises {fault.factor:.3g} times as far as the {many} on {leg} {say}: {kind} "
            f"({sure})."
        )
        if volts:
            do = SET_VOLTS
        elif found.rival is None and fault.odds >= ODDS_TO_ACT and not small:
            do = f"Multiply its multiplier by {1 / fault.factor:.3g}; see how its clamp is mounted."
        elif small:
            do = "Compare it with the utility meter before its multiplier is changed."
    elif fault.kind == "swapped":
        what = (
            f"{name} and {other} are swapped: circuits stated on {leg} rise on "
            f"{legs[fault.clamps[1]]}, and the other way round ({sure})."
        )
        do = "Exchange the legs of the two mains circuits in house.toml."
    elif fault.kind == "same leg":
        what = f"{name} and {other} are on the same leg, {legs[fault.clamps[1]]} ({sure})."
        do = f"See whether one channel is logged under both names. {do}"
    elif fault.kind == "cancelling":
        what = (
            f"Both legs run through the clamp of {name}, so that their currents cancel: it reads "
            f"{leg} less {legs[fault.clamps[1]]} ({sure})."
        )
    elif fault.kind == "both legs":
        what = f"Both legs run through the clamp of {name}: it reads their sum ({sure})."
    else:
        what = f"{name} is dead: it reads nothing while circuits on {leg} are switched ({sure})."
    return Concern(
        weight="doubtful" if small else "wrong",
        subject="mains" if fault.kind == "swapped" else name,
        what=what,
        do=do,
        share=2.0 + abs(fault.factor - 1),
    )


def why_not_switched(circuit: Circuit) -> str:
    """Reason to leave an appliance to itself; empty where a person may switch it."""
    named = why_named_to_stay_on(circuit.appliance, circuit.name)
    if named:
        return named
    kind = KINDS.get(circuit.kind or "")
    return "" if kind is None or kind.by_hand else kind.stays_on or kind.why_not_shifted


def times_missing(seen: CircuitBalance) -> int:
    """How often a circuit must be switched on and off again for its ratio to be told."""
    missing = ENOUGH + SPARE - seen.steps
    if seen.legs_found and isfinite(seen.ratio.low) and seen.steps >= ENOUGH:
        wide = (seen.ratio.high - seen.ratio.low) / 2 / AGREES
        missing = max(ceil(seen.steps * (wide**2 - 1)), ENOUGH)
    return max(1, ceil(missing / 2))


def tells_no_more(seen: CircuitBalance) -> bool:
    """Whether its steps tell the ratio, and which of two clamps is off is what they cannot tell."""
    return bool(seen.legs_found) and (seen.ratio.high - seen.ratio.low) / 2 < AGREES


def what_would_tell(circuit: Circuit, seen: CircuitBalance) -> str:
    """What a person can do to have a circuit told, as `plan_walk` says it."""
    if tells_no_more(seen):
        return TELLS_NO_MORE
    if why_not_switched(circuit):
        return LOG_ON
    return SWITCHED if times_missing(seen) <= MOST_TIMES else TOO_SMALL


def verdict(
    circuit: Circuit,
    seen: CircuitBalance,
    read: Reading,
    *,
    rival: bool,
    hidden: Sequence[str] = (),
    clipped: str = "",
    lower: float = nan,
) -> tuple[Answer, str, Concern | None]:
    """Answer, sentence and concern of one circuit.

    `rival` is whether the mains are not certain, `hidden` its legs that no clamp of theirs shows,
    `clipped` what is known of a clamp that ends, `lower` how the mains answer its lower steps.
    """
    name, ratio = circuit.name, seen.ratio
    more_steps = what_would_tell(circuit, seen)
    if hidden and (read.right or not seen.legs_found):
        text = f"{name}: cannot be told: no clamp of the mains shows {' and '.join(hidden)}."
        return "cannot be told", text, _note(name, text, MAINS_FIRST)
    scale = _other_scale(seen, read, lower)
    if scale and (seen.legs_found or read.kind == "not fed"):
        return "contradicts", f"{name}: {scale}", wrong(name, f"{name}: {scale}", OTHER_SCALE, 1.5)
    if scale:
        found = Concern(weight="doubtful", subject=name, what=f"{name}: {scale}", do=OTHER_SCALE)
        return "cannot be told", found.what, found
    told_of = bool(seen.legs_found) and (seen.steps > 0 or seen.slow_changes > 0)
    if not told_of and read.kind != "not fed":
        text = f"{name}: cannot be told: too few steps ({seen.steps}) agree with the mains."
        if seen.feeds_in:
            return "cannot be told", text, _note(name, text, FEEDS_IN)
        return "cannot be told", text, _note(name, text, more_steps)
    text = f"{name}: mains rises {_rises(seen)}"
    text += " as it slowly changes" if seen.slow_changes else ""
    sure = odds_text(read.odds)
    told = None
    if read.kind == "not fed":
        text = f"{name}: the mains do not rise with it; is it fed from this panel ({sure})?"
        told = wrong(name, text, "See whether another panel or supply feeds it.", 0.9)
    elif read.kind == "clipped":
        text += f"; {clipped} ({sure})."
        told = wrong(name, text, "Use a clamp of a higher rating; no multiplier mends this.", 0.6)
    elif read.kind == "one leg of two":
        text += MIXED
        told = wrong(
            name,
            text,
            "No multiplier can make it right: have each leg measured by a clamp of its own.",
            0.3,
        )
    elif read.kind == "difference":
        text = (
            f"{name}: the mains answer some of its steps as high, and others as high with the "
            f"other sign, on another leg: its clamp reads one load less another ({sure})."
        )
        told = wrong(
            name,
            text,
            "It is on a conductor that two circuits share, such as a neutral: have each measured "
            "at its own live conductor, by a licensed electrician.",
            1.2,
        )
    elif read.kind == "factor":
        why = cause(read.factor, legs=len(seen.leg_ratio))
        text += f"; the clamp says {read.factor:.2f} of it: {why} ({sure})."
        told = _factor(circuit, seen, read, text, rival=rival)
    if told is None and read.other_leg and set(seen.legs_found) != set(circuit.legs):
        legs = " and ".join(seen.legs_found)
        text = f"{name}: house.toml says {' and '.join(circuit.legs)}, the mains rise on {legs}"
        text += f" ({sure})."
        do = "Correct its legs, or check whether two clamps or two names were swapped."
        told = wrong(name, text, do, 0.01)
    if told is not None and read.odds >= ODDS_TO_ACT:
        return "contradicts", text, told
    if told is not None:
        return "cannot be told", text, _note(name, text, more_steps)
    if seen.mixed:
        text += MIXED
        do = "Its clamp sees all of it, so nothing need be done; never double a reading of one leg."
        told = _note(name, text, do)
    if ratio.low >= 1 - AGREES and ratio.high <= 1 + AGREES:
        error = f"{1 / ratio.value - 1:+.1%}"
        if not seen.mixed:
            text += f"; the clamp agrees with the mains to {error}."
        return "agrees", text, told
    if not isfinite(ratio.low) or (seen.steps < ENOUGH and not seen.slow_changes):
        text += f"; whether its multiplier is right cannot be told from {seen.steps} steps."
    elif ratio.low > 0 and ratio.high - ratio.low < 2 * NARROW and not ratio.low <= 1 <= ratio.high:
        text += (
            f"; it reads {abs(1 / ratio.value - 1):.1%} {'more' if ratio.value < 1 else 'less'} "
            "than the mains, and which of the two is off cannot be told."
        )
        far = min(abs(ratio.low - 1), abs(ratio.high - 1))
        return "cannot be told", text, told or _either(name, text, far)
    else:
        text += (
            f"; whether its multiplier is right cannot be told: any between {ratio.low:.2f} and "
            f"{ratio.high:.2f} fits."
        )
    return "cannot be told", text, told or _note(name, text, more_steps)


def _other_scale(seen: CircuitBalance, read: Reading, lower: float) -> str:
    """What says that the highest readings of a circuit are in another scale; empty if nothing does.

    A few of them are enough where they are far from the truth.
    """
    high = 1 / read.factor if read.kind == "factor" else seen.ratio.value
    few = not seen.legs_found and seen.steps >= LONE and high < 0.5
    one_leg = read.kind == "one leg of two" and len(seen.legs_found) == 1
    low = read.kind == "right" and seen.ratio.high < 1 - WIRING
    surely = few or one_leg or low or read.kind in ("factor", "not fed")
    if not (surely and 0 < high < 1 - WIRING and abs(lower - 1) < WIRING):
        return ""
    return (
        f"the mains rise {high:.2f} times as far as its highest steps say, and {lower:.2f} times "
        "as far as its lower ones: part of its log has another scale."
    )


def _factor(
    circuit: Circuit, seen: CircuitBalance, read: Reading, text: str, *, rival: bool
) -> Concern | None:
    """Concern of a clamp that reads a factor of the truth; a multiplier only where certain."""
    off = abs(read.factor - 1)
    if off < CLAMPS_DIFFER:
        return None
    if off < WIRING:
        return Concern(
            weight="doubtful",
            subject=circuit.name,
            what=f"{text} That is more than clamps should differ.",
            do=COMPARE_BOTH,
            share=off,
        )
    if other_volts(read.factor, len(seen.leg_ratio)):
        return wrong(circuit.name, text, SET_VOLTS, off)
    new = circuit.clamp.multiplier / read.factor
    half = (seen.ratio.high - seen.ratio.low) / 2 / abs(seen.ratio.value or nan)
    simple = read.factor in SIMPLE_FACTORS and _fits(seen, read.factor)
    # Volts times amperes are more than watts, by as much as each load's power factor says.
    in_watts = " and its readings are W, not VA" if read.factor > 1 and not simple else ""
    certain = not rival and isfinite(half) and half < (WIRING if simple else NARROW)
    if len(seen.legs_found) == 2 and seen.on_one_leg >= LONE and abs(read.factor) < 1:
        text += f" {seen.on_one_leg} of its steps are on one leg alone."
        do = "No multiplier makes both right: have each leg measured by a clamp of its own."
        return wrong(circuit.name, text, do, min(off, 1.5))
    if abs(read.factor) < MOST_LOST:
        do = "Have its clamp looked at by a licensed electrician; leave the multiplier until then."
        return wrong(circuit.name, text, do, min(off, 1.5))
    if not simple and 0 < read.factor < 1:
        text += f" Or {CLIPPED if seen.may_end else COMPANION}."
        do = SMALLER_LOAD if seen.may_end else COMPARE_FIRST
        return wrong(circuit.name, text, do, min(off, 1.5))
    do = (
        f"Set its multiplier to {new:.4g}, if its clamp is mounted so{in_watts}."
        if certain
        else "See how its clamp is mounted. A reference meter would tell its multiplier."
    )
    return wrong(circuit.name, text, do, min(off, 1.5))


def _either(name: str, text: str, far: float) -> Concern:
    """Concern of a clamp and the mains that differ, by a share of `far` at least."""
    weight: Weight = "doubtful" if far > CLAMPS_DIFFER else "note"
    return Concern(weight=weight, subject=name, what=text, do=COMPARE_BOTH, share=far)


def _fits(seen: CircuitBalance, factor: float) -> bool:
    """Whether a clamp that reads so many times the truth is within what clamps may differ by."""
    low, high = sorted((factor * seen.ratio.low, factor * seen.ratio.high))
    return low - CLAMPS_DIFFER < 1 < high + CLAMPS_DIFFER


def _rises(seen: CircuitBalance) -> str:
    if len(seen.legs_found) == 1:
        return f"{seen.ratio.value:.2f} times on {seen.legs_found[0]}"
    values = [f"{seen.leg_ratio[leg].value:.2f}" for leg in seen.legs_found]
    if len(values) == 2 and values[0] == values[1]:
        return f"{values[0]} times on both legs"
    return " and ".join(
        f"{value} times on {leg}" for value, leg in zip(values, seen.legs_found, strict=True)
    )


def wrong(name: str, what: str, do: str, share: float) -> Concern:
    """A concern that contradicts house.toml."""
    return Concern(weight="wrong", subject=name, what=what, do=do, share=share)


def _note(name: str, what: str, do: str) -> Concern:
    return Concern(weight="note", subject=name, what=what, do=do)


def silent_concern(
    circuit: Circuit, *, steps: int, height_w: float, partly: bool, both: bool, varies: bool
) -> Concern:
    """A clamp that reads nothing, or misses a load on two legs, with the steps that it may miss.

    One whose readings vary by a watt or two is not off; it may not have been in use.
    """
    name = circuit.name
    where = "both legs at once" if both else " and ".join(circuit.legs) or "the mains"
    where += " at once" if len(circuit.legs) > 2 else ""
    missed = (
        f" The mains step {steps} times by about {height_w:,.0f} W on {where}, and no circuit "
        "shows it."
        if steps >= ENOUGH
        else ""
    )
    if partly:
        text = f"{name}: no step of it is on both its legs.{missed}"
    else:
        text = f"{name}: its clamp reads nothing in the whole log."
        text += missed + " Whether it was in use cannot be told."
    why = (
        "both conductors may run through it so that their currents cancel"
        if both or partly or varies
        else "it is dead or off, or both conductors run through it and cancel"
    )
    return Concern(
        weight="doubtful" if steps >= ENOUGH and (both or partly or not varies) else "note",
        subject=name,
        what=f"{text} If it was in use, {why}.",
        do="Switch it on by its own switch and see whether its reading rises. What runs through a "
        "clamp is for a licensed electrician to see.",
        share=1.0,
    )


def offset_concern(circuit: Circuit, rest_w: float) -> Concern:
    """A clamp that reads less than nothing at rest."""
    return Concern(
        weight="doubtful",
        subject=circuit.name,
        what=f"{circuit.name} reads {rest_w:.3g} W at rest: an offset of its clamp.",
        do="Compare it with a reference meter at rest and in use (bench.csv); state offset_w.",
        share=0.5,
    )


def at_its_end(level_w: float, *, hours: float, when: pd.Timestamp) -> str:
    """Where a clamp that does not follow its load ends, and for how long."""
    return (
        f"its clamp is clipped: it does not follow its load above about {level_w:,.0f} W. It is "
        f"there for {two_digits(hours)} h in all, first on {when:%Y-%m-%d %H:%M}, and too low by "
        "an unknown amount"
    )


def cut_off_concern(name: str, *, there: float, below: float, at_end: str) -> Concern:
    """A clamp that is right below the end of its range: `at_end` is `at_its_end`."""
    return wrong(
        name,
        f"{name}: {at_end}. The mains rise {there:.2f} times as far as its steps up to there, and "
        f"{below:.2f} times as far as its lower ones.",
        "Use a clamp of a higher rating; no multiplier mends this.",
        0.6,
    )


def clipped_concern(circuit: Circuit, *, top_w: float, hours: float, when: str) -> Concern:
    """A clamp of the mains that ends at a highest reading."""
    return Concern(
        weight="wrong",
        subject=circuit.name,
        what=f"{circuit.name} is clipped: it never reads more than {top_w:,.0f} W, and that for "
        f"{two_digits(hours)} h in all, first on {when}; these hours are too low by an unknown "
        "amount.",
        do="Use a clamp of a higher rating; no multiplier mends this.",
        share=1.9,
    )


def shared_concern(names: Sequence[str], other: str, *, share: float, ratio: float) -> Concern:
    """Clamps whose loads another clamp sees too."""
    if len(names) == 1:
        (one,) = names
        how = f"{share:.0%} of the steps of {one} are" if isfinite(share) else f"what {one} does is"
        what = (
            f"{one} and {other} see the same load: {how} in {other} too, {ratio:.2f} times as high."
        )
        if ratio < 0:
            what += (
                f" The clamp of {other} is on a conductor that both have in common, as a neutral "
                "may be, or one of the two is backwards."
            )
    else:
        what = (
            f"{other} sees the same load as {', '.join(names[:-1])} and {names[-1]}: "
            + (f"at least {share:.0%} of the steps of each are" if isfinite(share) else "all is")
            + f" in {other} too. It feeds them, or is on a conductor that they have in common."
        )
    return Concern(
        weight="wrong",
        subject=names[0] if len(names) == 1 else other,
        what=what,
        do="See which conductors run through the clamps, and whether one of them feeds the "
        "other: a load in both is counted twice.",
        share=1.2,
    )


def unsigned_concern(hours: float) -> Concern:
    """Mains whose log loses the sign of what is fed back."""
    return Concern(
        weight="wrong",
        subject="mains",
        what=f"The mains are logged without their sign: for {two_digits(hours)} h in all circuits "
        "feed in more than is drawn, and the mains read no less than zero and do not follow. These "
        "hours are left out of what else is said of the panel.",
        do="Log the active power of the mains with its sign: what is fed back reads below zero.",
        share=3.0,
    )


def columns_note(one: str, other: str) -> Concern:
    """Two columns that are the legs of one load."""
    return _note(
        one,
        f"{one} and {other} step together, and the mains by the sum of both: the two legs of one "
        "load, or two loads switched as one, each with a clamp of its own.",
        "Nothing: never double either of them.",
    )


def joined_concern(one: str, other: str, *, share: float, adds_up: bool) -> Concern:
    """Two circuits that are switched together, so that the mains tell nothing of either."""
    text = f"{one} and {other} are switched together: {share:.0%} of the steps of {one}."
    do = f"Switch {one} on and off alone, five times: by its own switch or plug."
    if adds_up:
        text += " The mains rise by the sum of both, so their sum is right; each cannot be told."
    else:
        text += (
            " The mains rise neither by the sum of both nor as with one load in two clamps: one of "
            "the two reads wrongly, or they are switched some seconds apart; which cannot be told."
        )
    return _note(one, text, do)
