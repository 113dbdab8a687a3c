"""Bench comparisons of a house: each circuit's, and what they say with the panel's balance."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from math import inf, isfinite, nan

import numpy as np
import pandas as pd

from homeenergy.errors import HouseError
from homeenergy.house.clamp_errors import CLAMP_LIMIT, clamp_errors
from homeenergy.readings.house import House
from homeenergy.trust.bench import BenchResult, Reference, bench_comparison
from homeenergy.trust.bench_pairs import OddPair
from homeenergy.trust.concern import Concern, Weight
from homeenergy.trust.panel.balance import PanelBalance
from homeenergy.trust.panel.circuit import CircuitBalance
from homeenergy.trust.panel.explain import SIMPLE_FACTORS, WIRING
from homeenergy.trust.panel.silent import SILENT_W
from homeenergy.trust.panel.told import SMALLER_LOAD
from homeenergy.trust.typed_readings import read_bench

REFERENCE_ACCURACY = 0.01
AT_REST = 0.5  # an offset shows at rest at least by so much of what it is in use
BELOW_END = 0.9
TWOFOLD = 2.0  # loads that differ so much tell an offset from a multiplier


def bench_results(house: House, *, accuracy: float = REFERENCE_ACCURACY) -> list[BenchResult]:
    """Bench comparison of every circuit in bench.csv that has pairs which compare anything.

    Empty where there is no such file; `bench_concerns` says which circuits are left out, and why.
    """
    return bench_tried(house, accuracy=accuracy)[0]


def bench_tried(
    house: House, *, accuracy: float = REFERENCE_ACCURACY
) -> tuple[list[BenchResult], dict[str, HouseError]]:
    """The same, and by circuit why there is no result."""
    table = read_bench(house.schedule)
    if table is None:
        return [], {}
    results, refused = [], {}
    for name, pairs in table.groupby("circuit", sort=False):
        one = _compared(house, str(name), pairs, accuracy)
        if isinstance(one, HouseError):
            refused[str(name)] = one
        else:
            results.append(one)
    return results, refused


def _compared(
    house: House, name: str, pairs: pd.DataFrame, accuracy: float
) -> BenchResult | HouseError:
    """Comparison of one circuit, or why there is none."""
    circuit = house.circuit(name)
    errors = clamp_errors(circuit, house.supply)
    try:
        return bench_comparison(
            pairs,
            references=_references(pairs, accuracy),
            circuit=circuit.name,
            stated=circuit.clamp.multiplier,
            stated_offset_w=circuit.clamp.offset_w,
            resolution_w=errors.resolution_w / abs(circuit.clamp.multiplier),
        )
    except HouseError as error:
        return error


def _references(pairs: pd.DataFrame, accuracy: float) -> dict[str, Reference] | Reference:
    names = pairs["reference"] if "reference" in pairs else pd.Series("", index=pairs.index)
    stated = pairs["accuracy"] if "accuracy" in pairs else pd.Series(accuracy, index=pairs.index)
    worst = stated.groupby(names).max()
    if "reference" not in pairs:
        return Reference(accuracy=float(worst.iloc[0]))
    return {str(name): Reference(accuracy=float(value)) for name, value in worst.items()}


def bench_concerns(
    house: House,
    results: Sequence[BenchResult],
    refused: Mapping[str, HouseError],
    balance: PanelBalance | None,
) -> list[Concern]:
    """What bench comparisons say of clamps, with what the panel says of the same clamps.

    `results` and `refused` as of `bench_tried`.

    A concern of the bench that says what one of the balance says takes its place; `balance` is None
    where there is none.
    """
    found = [] if balance is None else list(balance.concerns)
    table = read_bench(house.schedule)
    if table is None:
        return found
    nothing = _reads_nothing(table, balance)
    dead = {concern.subject for concern in nothing}
    found = [c for c in found if c.subject not in dead or _steps(balance, c.subject)]
    nothing += [_without_result(name, why) for name, why in refused.items() if name not in dead]
    for result in results:
        nothing += [_odd(result, pair) for pair in result.odd]
        if not result.tells:
            nothing.append(_untold(house, result, table, balance))
        elif result.agrees:
            nothing += _unstated(house, result)
        elif balance is None:
            nothing.append(_off(house, result))
        else:
            found = _explained(house, result, table, balance, found)
    return nothing + found


def _off(house: House, result: BenchResult) -> Concern:
    """What to do about a clamp that a bench comparison finds to be off.

    Within what its class allows that is a correction to make, and no sign of a fault.
    """
    off = abs(result.multiplier.value / result.stated - 1)
    ends = result.multiplier.low / result.stated, result.multiplier.high / result.stated
    ordinary = min(ends) <= 1 + CLAMP_LIMIT and max(ends) >= 1 - CLAMP_LIMIT
    ordinary = ordinary and result.offset_w is None
    return _verdict(
        result,
        "note" if ordinary else "wrong" if off > WIRING else "doubtful",
        do=f"State it for {result.circuit} in house.toml, with a date if the clamp was "
        "moved since the log began.",
        line=result.line_for(house.circuit(result.circuit).clamp),
        share=off,
    )


def _dead(pairs: pd.DataFrame) -> bool:
    """Whether a clamp reads nothing wherever the reference shows a load."""
    return bool(((pairs["clamp_w"] == 0) & (pairs["reference_w"] > 0)).all())


def _steps(balance: PanelBalance | None, name: str) -> int:
    """How often a circuit steps in the log."""
    judged = _judged(balance, name)
    return 0 if judged is None else judged.steps


def _agrees(balance: PanelBalance | None, name: str) -> bool:
    """Whether the mains agree with a circuit."""
    judged = _judged(balance, name)
    return judged is not None and judged.answer == "agrees"


def _factor_by_mains(balance: PanelBalance | None, name: str) -> float:
    """What a circuit reads of the truth where the mains contradict it by that; else NaN."""
    judged = _judged(balance, name)
    if balance is None or judged is None or judged.answer != "contradicts":
        return nan
    read = balance.explanation.circuits.get(name)
    return nan if read is None or read.kind != "factor" else read.factor


def _judged(balance: PanelBalance | None, name: str) -> CircuitBalance | None:
    """What the balance says of a circuit, if it was judged."""
    circuits = () if balance is None else balance.circuits
    return next((one for one in circuits if one.circuit == name), None)


def _reads_nothing(table: pd.DataFrame, balance: PanelBalance | None) -> list[Concern]:
    """Clamps that read nothing wherever a reference shows a load."""
    concerns = []
    for name, pairs in table.groupby("circuit", sort=False):
        if not _dead(pairs):
            continue
        most_w = float(pairs["reference_w"].max())
        what = f"Bench: {name} reads 0 W where the reference reads {most_w:,.4g} W"
        if steps := _steps(balance, str(name)):
            what += (
                f", though it makes {steps} steps in the log: its clamp is on another load, or the "
                "reference was."
            )
            do = "See which load it is on, and whether two clamps or two names were swapped."
        else:
            what += ": its clamp is dead or off, or both conductors run through it and cancel."
            do = "Have its clamp looked at by a licensed electrician; no multiplier mends this."
        concerns.append(Concern(weight="wrong", subject=str(name), what=what, do=do, share=1.0))
    return concerns


def _without_result(circuit: str, refused: HouseError) -> Concern:
    """Why pairs of bench.csv give no result."""
    return Concern(
        weight="doubtful",
        subject=circuit,
        what=f"Bench: {refused.what}.".replace("..", "."),
        do=refused.fix or "Compare again.",
        share=0.02,
    )


def _untold(
    house: House, result: BenchResult, table: pd.DataFrame, balance: PanelBalance | None
) -> Concern:
    """What pairs say that leave the multiplier open: they may contradict that in use all the same.

    Each pair does where it is farther off than displays, an offset within the clamp's resolution
    and how clamps err explain.
    """
    circuit, pairs = house.circuit(result.circuit), _pairs(result, table)
    load_w = pairs["reference_w"].to_numpy(np.float64)
    clamp_w = result.stated * pairs["clamp_w"].to_numpy(np.float64) + result.stated_offset_w
    least_w, most_w = float(np.abs(clamp_w).min()), float(np.abs(clamp_w).max())
    loads = f"{load_w.min():,.4g} W to {load_w.max():,.4g} W"
    name, off_w = result.circuit, clamp_w - load_w
    if load_w.max() >= TWOFOLD * load_w.min() and most_w < (1 + WIRING) * least_w:
        return Concern(
            weight="wrong",
            subject=name,
            what=f"Bench: {name} reads about {np.median(clamp_w):,.4g} W at every load, from "
            f"{loads}: of what is more, both conductors run through its clamp and cancel, or it "
            "is clipped.",
            do="Have its clamp looked at by a licensed electrician; no multiplier mends this.",
            share=1.0,
        )
    resolution_w = clamp_errors(circuit, house.supply).resolution_w
    panel_says = balance is not None and name in balance.no_multiplier
    room_w = WIRING * load_w + (resolution_w + abs(result.stated)) / 2
    alike_w = np.abs(clamp_w - load_w * np.median(clamp_w / load_w))
    apart = bool((alike_w > room_w).any() or np.ptp(np.sign(off_w)))
    if panel_says or apart or (np.abs(off_w) <= room_w).any():
        if not isfinite(result.multiplier.high):
            return _verdict(result, "note", do="Add pairs to bench.csv.")
        do = "Look for slips in bench.csv, and compare again at loads that are steady."
        return _verdict(result, "doubtful", do=do, share=0.02)
    at = int(np.argmax(load_w))
    what = (
        f"Bench: {name} reads {clamp_w[at]:,.4g} W where the reference reads {load_w[at]:,.4g} W, "
        "farther off than an offset and the displays explain"
    )
    factor = _factor_by_mains(balance, name)
    if isfinite(factor) and (np.abs(clamp_w - factor * load_w) <= room_w).all():
        what += "; the mains say why."
        return Concern(weight="note", subject=name, what=what, do="Nothing more.")
    if _agrees(balance, result.circuit):
        return Concern(
            weight="doubtful",
            subject=name,
            what=f"{what}, while its steps agree with the mains: a slip, or another load?",
            do="Look the reading up in bench.csv, and compare again; leave the multiplier.",
            share=0.02,
        )
    many = "one pair tells" if len(pairs) == 1 else f"{len(pairs)} pairs tell"
    return Concern(
        weight="wrong",
        subject=name,
        what=f"{what}; by what factor, {many} too roughly.",
        do="Look for a slip in bench.csv, see how its clamp is mounted, and compare again at the "
        "largest load it has.",
        share=1.0,
    )


def _pairs(result: BenchResult, table: pd.DataFrame) -> pd.DataFrame:
    """Pairs of a circuit that belong together."""
    own = table[table["circuit"] == result.circuit]
    return own[~own["line"].isin([pair.line for pair in result.odd])]


def _odd(result: BenchResult, pair: OddPair) -> Concern:
    n = result.multiplier.n
    rest = f"The other {n} pairs are used" if n > 1 else "The other pair is used"
    look_up = "Look the reading up, and correct its line in bench.csv or delete it."
    return Concern(
        weight="note" if pair.at_rest else "doubtful",
        subject=result.circuit,
        what=f"Bench: {result.circuit}: {pair.text} {rest} without it.",
        do="Nothing." if pair.at_rest else look_up,
        share=0.02,
    )


def _verdict(
    result: BenchResult, weight: Weight, *, do: str, line: str = "", share: float = 0.0
) -> Concern:
    """Verdict of a bench comparison, and what to do about it."""
    what = f"Bench: {result.verdict}"
    return Concern(weight=weight, subject=result.circuit, what=what, do=do, line=line, share=share)


def _unstated(house: House, result: BenchResult) -> list[Concern]:
    """Say how to write the result of a bench comparison into house.toml, where it is missing."""
    clamp = house.circuit(result.circuit).clamp
    line = result.line_for(clamp)
    offset_stated = clamp.offset_uncertainty_w is not None or result.offset_uncertainty_w is None
    if not line or (clamp.uncertainty is not None and offset_stated):
        return []
    do = (
        f"Give the uncertainty of the clamp of {result.circuit} in house.toml, so that its "
        "figures include it."
    )
    return [_verdict(result, "note", do=do, line=line)]


def _explained(
    house: House,
    result: BenchResult,
    table: pd.DataFrame,
    balance: PanelBalance,
    concerns: list[Concern],
) -> list[Concern]:
    """Add what the bench says of a clamp to the concerns of the balance, each thing once."""
    name = result.circuit
    panel = next((c for c in concerns if c.subject == name and c.weight != "note"), None)
    read = balance.explanation.circuits.get(name)
    below = balance.rest_w.get(name, 0.0) < -SILENT_W and panel is not None
    if below or name in balance.no_multiplier:
        return concerns
    concern = _off(house, result)
    same = None
    if panel is not None and read is not None and read.kind == "factor":
        factor = result.stated / result.multiplier.value
        same = read.factor if abs(factor / read.factor - 1) < WIRING else None
    # Where a clamp ends is chance, and seldom at half of what runs through it.
    ended = None if same in SIMPLE_FACTORS else _clipped(result, table, balance)
    if ended is not None:
        return [*(c for c in concerns if c is not panel), ended]
    if panel is not None and same is not None:
        both = replace(panel, what=f"{panel.what} {concern.what}", do=concern.do, line=concern.line)
        return [both if c is panel else c for c in concerns]
    return [*concerns, _offset(result, table, balance) or _against(result, balance) or concern]


def _against(bench: BenchResult, balance: PanelBalance) -> Concern | None:
    """A multiplier that the bench asks for, where the mains answer steps by that in use."""
    factor = bench.multiplier.value / bench.stated
    if not _agrees(balance, bench.circuit) or abs(factor - 1) < 2 * WIRING:
        return None
    return Concern(
        weight="doubtful",
        subject=bench.circuit,
        what=f"Bench: {bench.circuit} would need a multiplier {factor:.3g} times as great, while "
        "its steps agree with the mains as they are.",
        do="Look for slips in bench.csv and whether the reference saw the same load, and compare "
        "again; leave the multiplier.",
        share=0.02,
    )


def _clipped(bench: BenchResult, table: pd.DataFrame, balance: PanelBalance) -> Concern | None:
    """A clamp that reads low where it may be at the end of its range, and was compared only there.

    Pairs well below it decide: there a clipped clamp is right.
    """
    end_w = balance.ends_w.get(bench.circuit, inf)
    off = 1 - bench.stated / bench.multiplier.value
    if not isfinite(end_w) or off < WIRING:
        return None
    pairs = _pairs(bench, table)
    clamp_w = bench.stated * pairs["clamp_w"]
    below = clamp_w < BELOW_END * end_w
    there = (pairs["reference_w"] / clamp_w)[below]
    factor = bench.multiplier.value / bench.stated
    if below.sum() > 1 and abs(float(there.median()) / factor - 1) < WIRING:
        return None
    return Concern(
        weight="wrong",
        subject=bench.circuit,
        what=f"Bench: {bench.circuit} reads {off:.1%} low at its highest reading, {end_w:,.0f} W: "
        "its clamp is clipped there, or its multiplier is wrong; which, cannot be told.",
        do=SMALLER_LOAD,
        share=abs(off),
    )


def _offset(bench: BenchResult, table: pd.DataFrame, balance: PanelBalance) -> Concern | None:
    """Offset of a clamp, where it explains what the bench sees as well as a multiplier does.

    An offset shows at rest: that a draw there hides it to the watt would be chance. Steps of the
    mains do not see it, and decide where the errors of their own clamps leave one of the two; so do
    pairs at loads that differ.
    """
    pairs = _pairs(bench, table)
    if bench.offset_w is not None:
        return None
    off_w = float(np.median(bench.stated * pairs["clamp_w"] - pairs["reference_w"]))
    rest_w = balance.rest_w.get(bench.circuit, 0.0)
    if rest_w * off_w <= 0 or abs(rest_w) <= AT_REST * abs(off_w):
        return None
    judged = _judged(balance, bench.circuit)
    if judged is None:
        return None
    low, high = judged.ratio.low - CLAMP_LIMIT, judged.ratio.high + CLAMP_LIMIT
    of_offset = low <= 1 <= high
    of_factor = low <= bench.multiplier.high / bench.stated and (
        high >= bench.multiplier.low / bench.stated
    )
    if of_factor and not of_offset:
        return None
    what = f"Bench: {bench.circuit} reads {off_w:+.3g} W against the reference"
    do = "Compare it at rest as well (bench.csv), then state offset_w; leave the multiplier."
    if of_offset and not of_factor:
        what += ", while its steps agree with the mains: an offset of its clamp and no wrong "
        what += "multiplier."
    elif pairs["reference_w"].max() >= TWOFOLD * pairs["reference_w"].min():
        return None
    else:
        what += (
            f", and {rest_w:+.3g} W at rest: an offset of its clamp or a wrong multiplier; loads "
            "of about one size cannot tell which."
        )
        do = "Compare it at a much smaller and a much larger load too; leave the multiplier."
    return Concern(
        weight="doubtful",
        subject=bench.circuit,
        what=what,
        do=do,
        share=abs(bench.stated / bench.multiplier.value - 1),
    )
