"""What a reader must know about the figures of one circuit."""

from __future__ import annotations

from collections import Counter
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from homeenergy.cycles import Cycles
from homeenergy.cycles.decisions import Act
from homeenergy.cycles.runs.levels import quiet_levels
from homeenergy.cycles.segment.kernels import stretches
from homeenergy.cycles.segment.plateaus import some
from homeenergy.cycles.shared.house_loads import division_of, with_clamp
from homeenergy.cycles.shared.question import question
from homeenergy.errors import HouseError
from homeenergy.findings.appliance.record import CLEAR, kind_words, percent_text
from homeenergy.findings.power_steps import power_step
from homeenergy.house.kinds import KINDS
from homeenergy.house.schedule import Circuit, Clamp
from homeenergy.readings.doubt import CLIPPED, REASONS, Doubts
from homeenergy.readings.house import House
from homeenergy.readings.logs.rows import REACH_SLOTS
from homeenergy.readings.trace import Trace
from homeenergy.stats.estimate import Estimate
from homeenergy.trust.bench_house import bench_results
from homeenergy.trust.clamps.reading import correction_text, correction_words
from homeenergy.units import NS_PER_S, S_PER_DAY, S_PER_H, S_PER_MIN, WH_PER_KWH
from homeenergy.words import two_digits

ACT_WORDS: dict[Act, str] = {
    "split": "split",
    "merge": "merged",
    "discard": "discarded",
    "relabel": "relabelled",
    "own": "said to be its own",
}

# A person switches nothing on for longer, or for more of the time. Own rule.
LONGEST_USE_H, MOST_IN_USE = 48.0, 0.95
# Nor is a use usual that lasts for hours, and so many times as long as nine of ten. Own rule.
LONG_USE_H, FAR_LONGER = 6.0, 10.0
# What a use is at for most of the time, and leaves for so many times as much more than once, may be
# rest. Own rule.
FAR_ABOVE = 2.0
# A higher level of rest that takes such a share of all energy may be a use. Own rule.
MUCH_OF_ALL = 0.1
# Of longer breaks inside uses by hand readers may differ; that is said where such a share of all
# runs have one. Own rule.
LONG_BREAK_S, MANY_BROKEN = 180.0, 0.5
# Runs less sure than this are in doubt; that is said where they are this share of all. Own rule.
SURE, MANY_IN_DOUBT = 0.8, 0.1
LEAST_MISSED_WH = 10.0  # from which on it is said; own choice
DOUBTED_SHARE = 0.002  # of the readings, from which on it is said


def remarks_on(
    trace: Trace, circuit: Circuit, cycles: Cycles, per_day: Estimate
) -> tuple[str, ...]:
    """Say what the runs, gaps, samples and corrections behind a finding were like."""
    if not cycles.covered_s:
        return ("no readings: no log names this circuit, or its columns are empty",)
    remarks = []
    if circuit.watts is not None:
        known = circuit.watts_uncertainty
        sure = "its uncertainty is not stated" if known is None else f"known to {100 * known:.2g} %"
        remarks.append(f"its log says when it is on; {circuit.watts:g} W then, as stated; {sure}")
    elif not circuit.part_of and _is_stated(circuit.clamp):
        remarks.append(f"readings {correction_text(circuit.clamp)}")
    settings = [one.value for one in cycles.by_hand.applied if one.decision == "setting"]
    if circuit.kind is None and not any(value.startswith("kind") for value in settings):
        words = kind_words(
            cycles.kind,
            cycles.kind_sure,
            runs=len(cycles.complete),
            days=trace.covered_s / S_PER_DAY,
            period_s=trace.period_s,
        )
        remarks.append(f"{words}; house.toml can say otherwise")
    remarks += _by_hand(cycles)
    cut = len(cycles.table) - len(cycles.complete)
    if cut:
        remarks.append(
            f"{_count(cut, 'incomplete run')} (starting or ending in a gap, or outside the log)"
        )
    if len(cycles.complete) == 1:
        remarks.append("one complete run: its spread is not known")
    if KINDS[cycles.kind].varying and len(cycles.table):
        heats = "" if cycles.kind_sure >= CLEAR else "if it heats or cools rooms, "
        remarks.append(f"{heats}its runs follow the weather: look at kWh per day, not kWh per run")
    if np.isinf(per_day.high):
        remarks.append("too few whole days: the spread between days is not known")
    returned_wh = float(-cycles.plateaus.sum_w[cycles.plateaus.mean_w < 0].sum())
    returned_wh *= trace.period_s / S_PER_H
    if returned_wh > 0.03 * max(cycles.total_wh + returned_wh, returned_wh):
        remarks.append(
            f"{two_digits(returned_wh / WH_PER_KWH)} kWh below zero: "
            "it makes power or feeds it back, or its clamp is on backwards"
        )
    remarks += _implausible(cycles)
    missing = 1 - trace.covered_s / trace.span_s
    if missing > 0.05:
        remarks.append(f"{percent_text(missing)} of the time has no readings")
    if trace.period_s >= 10:
        remarks.append(
            f"samples of {trace.period_s:g} s: uses that are shorter than "
            f"{2 * trace.period_s:g} s, or that close together, cannot be distinguished"
        )
    return tuple(remarks)


def missed_remark(house: House, circuit: Circuit) -> str | None:
    """Say what the counter of a circuit counted while nothing was logged; None for nothing.

    What passed in a gap from one calendar month to the next is not known where it is longer than
    `REACH_SLOTS`.
    """
    if circuit.part_of or not _is_counted(house, circuit):
        return None
    infos, period_ns = house.stored_months(circuit)
    ends = [(info.first_slot, info.first_slot + info.samples) for info in infos if info.samples]
    slots = sum(begin - end for (_, end), (begin, _) in pairwise(ends) if begin - end > REACH_SLOTS)
    hours = slots * period_ns / (NS_PER_S * S_PER_H)
    missed_wh = sum(info.missed_wh for info in infos) * circuit.clamp.in_order[0].value
    said = []
    if abs(missed_wh) >= LEAST_MISSED_WH:
        said.append(
            f"its counter counted at least {two_digits(missed_wh / WH_PER_KWH)} kWh while nothing "
            "was logged; no figure here holds it"
        )
    if hours:
        said.append(
            f"its counter was not read for {two_digits(hours)} h over the end of a month; what it "
            "counted then is not known, and no figure here holds it"
        )
    return "; ".join(said) or None


def _is_counted(house: House, circuit: Circuit) -> bool:
    """Whether the log of a circuit holds the readings of a counter."""
    columns = (log.columns.get(circuit.name) for log in house.schedule.logs)
    return any(one is not None and one.quantity == "energy_counter" for one in columns)


def amps_remark(house: House, circuit: Circuit) -> str | None:
    """Say at what stated volts and power factor amps were taken for watts; None where none were."""
    name = circuit.part_of or circuit.name
    columns = [log.columns[name] for log in house.schedule.logs if name in log.columns]
    for column in columns:
        volts_v, factor = column.volts_v, column.power_factor
        if column.quantity == "apparent_power" and factor is not None:
            return (
                f"its log gives volt-amperes: its watts are those at a power factor of {factor:g}, "
                "as stated in house.toml"
            )
        if column.quantity != "volts_and_amps":
            continue
        if volts_v is not None and factor is not None:
            return (
                f"its log gives amps alone: its watts are those at {volts_v:g} V and a power "
                f"factor of {factor:g}, as stated in house.toml"
            )
        if volts_v is not None:
            return (
                f"its log gives amps and power factors: its watts are those at {volts_v:g} V, as "
                "stated in house.toml"
            )
        if factor is not None:
            return (
                f"its log gives volts and amps: its watts are those at a power factor of "
                f"{factor:g}, as stated in house.toml"
            )
    return None


def sharing_question(house: House, circuit: Circuit, trace: Trace, *, cycles: Cycles) -> str | None:
    """Ask whether a circuit that is said to feed one appliance feeds several."""
    # What changes its speed runs through every level, as many loads would.
    answered = circuit.part_of or circuit.load_count == 1
    if answered or KINDS[cycles.kind].varying or house.switched.get(circuit.name):
        return None
    asked = question(trace)
    # One load that draws another power from some day on has two levels, too.
    return asked if asked is None or power_step(cycles) is None else None


def sharing_remark(house: House, circuit: Circuit, trace: Trace) -> str | None:
    """Say how far a load is told from those on its clamp."""
    if not circuit.part_of or not trace.covered_s:
        return None
    known = division_of(house, circuit)
    clamp = house.circuit(circuit.part_of).clamp
    share = with_clamp(known.share, clamp)
    words = f"one of several loads on {circuit.part_of}"
    if _is_stated(clamp):
        words += f" (readings {correction_text(clamp)})"
    words += ", divided by levels and times of use"
    if not known.told:
        sure = f"right within 15 % with a probability of {known.confidence:.2f}"
        why = "; ".join(known.reasons) or sure
        return f"{words}: not surely told from the others ({why}); its figures are a guess"
    floor = (
        f"; {known.floor_w:.0f} W that never end are shared equally" if known.floor_w > 1 else ""
    )
    sure = f"right within 15 % with a probability of {known.confidence:.2f}"
    if not known.named and not circuit.name.startswith(f"{circuit.part_of}_"):
        sure += ", but nothing says which load is which: give each its watts or kind in house.toml"
    return f"{words}, {sure}; its energy is known to {percent_text(share)}{floor}"


def _is_stated(clamp: Clamp) -> bool:
    return clamp.uncertainty is not None or correction_words(clamp) != "none"


def doubt_remark(doubts: Doubts, trace: Trace) -> str | None:
    """Say which readings in doubt were left out, where they are more than single spikes."""
    counts = doubts.counts()
    number = sum(counts.values())
    there = trace.covered_s / trace.period_s
    if not number or number < DOUBTED_SHARE * (there + number):
        return None
    words = ", ".join(f"{count:,} {reason}" for reason, count in counts.items())
    lost = "; its highest loads are missing in them" if REASONS[CLIPPED] in counts else ""
    share = percent_text(number / (there + number))
    return f"{share} of its readings are in doubt and left out ({words}){lost}"


def coarse_remark(step_w: float) -> str:
    """Say that readings come in coarse steps, which the circuits of a log show together."""
    return (
        f"its log has readings in steps of {two_digits(step_w)} W, as all its circuits show: a "
        f"draw may be up to {two_digits(step_w / 2)} W more or less than read, or read as nothing"
    )


def _by_hand(cycles: Cycles) -> list[str]:
    """What a person decided about the runs, and which decisions no longer match a run."""
    hand = cycles.by_hand
    done = Counter(one.decision for one in hand.applied)
    acts = [f"{done[act]} {word}" for act, word in ACT_WORDS.items() if done[act]]
    remarks = [f"runs overruled by hand: {', '.join(acts)}"] if acts else []
    settings = [one.value for one in hand.applied if one.decision == "setting"]
    if settings:
        remarks.append(f"runs found with settings made by hand: {', '.join(settings)}")
    if hand.unmatched:
        lines = [str(one.line) for one in hand.unmatched if one.line is not None]
        what = _count(len(hand.unmatched), "decision")
        where = f" (run_decisions.csv, line {', '.join(lines)})" if lines else ""
        remarks.append(f"{what} by hand without a matching run{where}: delete or correct it")
    return remarks


def _count(n: int, noun: str) -> str:
    return f"{n} {noun}" if n == 1 else f"{n} {noun}s"


def bench_remarks(house: House) -> dict[str, str]:
    """Say, by circuit, that bench.csv knows a clamp of which no uncertainty is stated.

    Empty without a bench.csv, or with one that cannot be used, of which `check_house` complains.
    """
    try:
        results = bench_results(house)
    except HouseError:
        return {}
    remarks = {}
    for result in results:
        clamp = house.circuit(result.circuit).clamp
        if clamp.uncertainty is None and result.line_for(clamp):
            remarks[result.circuit] = (
                "bench.csv gives the uncertainty of its clamp, house.toml does not: `homeenergy "
                "check` prints the line to add, after which the intervals include it"
            )
    return remarks


def unchecked_remarks(house: House) -> dict[str, str]:
    """Say, by circuit, that nothing could show that its readings are wrong throughout."""
    if house.mains:
        return {}
    try:
        measured = {result.circuit for result in bench_results(house)}
    except HouseError:
        measured = set()
    return {
        one.name: "there are neither mains nor a bench.csv to compare it with: a wrong unit or "
        "multiplier of one circuit would not show"
        for one in house.circuits
        if one.role == "load" and one.name not in measured
    }


def _implausible(cycles: Cycles) -> list[str]:
    """What a use by hand can hardly be, and what drew nothing for a while."""
    remarks = []
    if cycles.rest.off_h and cycles.total_wh >= 0:
        remarks.append(
            f"drew nothing for {cycles.rest.off_h:.1f} h: unplugged, switched off or its breaker "
            "open; not counted as standby"
        )
    if KINDS[cycles.kind].never_off and cycles.kind_sure < 1 and _comes_and_goes(cycles):
        remarks.append(
            f"at times draws more than {two_digits(cycles.settings['on_w'])} W, taken for a second "
            'speed: where that is a use, set kind = "manual"'
        )
    if not len(cycles.table):
        return remarks
    in_doubt = int((cycles.table["sure"] < SURE).sum())
    if in_doubt and in_doubt >= MANY_IN_DOUBT * len(cycles.table):
        remarks.append(
            f"{in_doubt} of {_count(len(cycles.table), 'run')} hang on breaks that could as well "
            "lie between two uses: split or merge them by hand where you know better"
        )
    kind = KINDS[cycles.kind]
    if kind.bridging.by_itself or kind.varying or kind.never_off:
        return remarks
    lasts_h = cycles.table["duration_s"].to_numpy() / S_PER_H
    near_w = _usual_in_use_w(cycles)
    if np.median(lasts_h) > LONG_USE_H and np.isfinite(near_w):
        remarks.append(
            f"near {two_digits(near_w)} W for most of its uses, which last for "
            f"{float(np.median(lasts_h)):.0f} h: where it rests at that, set idle_w to it, and "
            "low_w and on_w above it"
        )
    remarks += _rest_that_may_be_use(cycles)
    if kind.by_hand and not kind.programmes:
        remarks += _breaks_that_may_be_between(cycles)
    longest_h, usual_h = float(lasts_h.max()), float(np.quantile(lasts_h, 0.9, method="lower"))
    look = "look at its trace there, and at idle_w and on_w"
    in_runs_s = float((cycles.table["duration_s"] - cycles.table["missing_s"]).sum())
    if kind.by_hand and in_runs_s > MOST_IN_USE * cycles.covered_s:
        remarks.append(
            f"in use {percent_text(in_runs_s / cycles.covered_s)} of the time, too much for an "
            "appliance switched by hand: look at its trace, and at kind, idle_w and on_w"
        )
    elif kind.by_hand and longest_h > LONGEST_USE_H:
        remarks.append(f"one use lasts {longest_h:.0f} h: {look}")
    elif longest_h > max(LONG_USE_H, FAR_LONGER * usual_h):
        usual = f"{usual_h:.2g} h" if usual_h >= 1 else f"{usual_h * 60:.2g} min"
        remarks.append(f"one use lasts {longest_h:.0f} h, nine of ten at most {usual}: {look}")
    return remarks


def _comes_and_goes(cycles: Cycles) -> bool:
    """Whether it works at times; what rises or falls once and stays so is another draw."""
    on_w, plateaus = cycles.settings["on_w"], cycles.plateaus
    if not np.isfinite(on_w):
        return False
    begin, end, *_ = stretches(
        plateaus.mean_w, plateaus.n, plateaus.sum_w, plateaus.hole_follows, on_w, on_w
    )
    return begin.size > 1 or (begin.size == 1 and begin[0] > 0 and end[0] < len(plateaus))


def _rest_that_may_be_use(cycles: Cycles) -> list[str]:
    """What is drawn for long far above the usual rest between runs: a lamp dimmed low."""
    outside = some(cycles.plateaus, _runs_of_plateaus(cycles) < 0)
    quiet = quiet_levels(outside)
    if not (quiet and cycles.rest.levels) or cycles.total_wh <= 0:
        return []
    usual_w = cycles.rest.levels[0][0]
    hours = quiet.n * outside.period_s / S_PER_H
    of_all = np.where(
        quiet.mean_w > FAR_ABOVE * usual_w, (quiet.mean_w - usual_w) * hours / cycles.total_wh, 0.0
    )
    most = int(np.argmax(of_all))
    if of_all[most] < MUCH_OF_ALL:
        return []
    return [
        f"near {two_digits(float(quiet.mean_w[most]))} W for {hours[most]:.0f} h between its runs, "
        f"{percent_text(float(of_all[most]))} of its energy, taken for rest: where that is a use, "
        "set low_w and on_w below it"
    ]


def _breaks_that_may_be_between(cycles: Cycles) -> list[str]:
    """What nearly every use does may be two uses that follow each other nearly always: boils."""
    plateaus = cycles.plateaus
    runs, of = len(cycles.table), _runs_of_plateaus(cycles)
    low = (plateaus.mean_w <= cycles.settings["low_w"]).astype(np.float64)
    begin, end, n, *_ = stretches(low, plateaus.n, plateaus.sum_w, plateaus.hole_follows, 0.5, 1.0)
    lasts_s = n * plateaus.period_s
    inside = (of[begin] >= 0) & (of[begin] == of[end - 1]) & (lasts_s >= LONG_BREAK_S)
    number = np.unique(of[begin[inside]]).size
    if number < max(MANY_BROKEN * runs, 2):
        return []
    return [
        f"{number} of {_count(runs, 'run')} hold breaks of up to "
        f"{lasts_s[inside].max() / S_PER_MIN:.0f} min: where what follows is a use of its own, set "
        "pause_s, the longest break inside a run, below that"
    ]


def _usual_in_use_w(cycles: Cycles) -> float:
    """Quiet level of most of the time in use, where it rises far above that more than once a use.

    NaN where there is none [W].
    """
    used = some(cycles.plateaus, _runs_of_plateaus(cycles) >= 0)
    quiet = quiet_levels(used)
    if not quiet or 2 * quiet.n.max() < used.n.sum():
        return float("nan")
    usual_w = float(quiet.mean_w[np.argmax(quiet.n)])
    rises = stretches(
        used.mean_w, used.n, used.sum_w, used.hole_follows, FAR_ABOVE * usual_w, np.inf
    )
    return usual_w if rises[0].size > len(cycles.table) else float("nan")


def _runs_of_plateaus(cycles: Cycles) -> NDArray[np.int64]:
    """Number of the run in which each plateau lies; -1 outside of all."""
    plateaus = cycles.plateaus
    first, stop = (plateaus.numbers(cycles.table[edge]) for edge in ("start", "end"))
    at = np.searchsorted(first, plateaus.first, side="right") - 1
    return np.where((at >= 0) & (plateaus.stop <= stop[np.maximum(at, 0)]), at, -1)
