"""A walk through the house: what to switch, and how often, to settle what `check` cannot tell."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, isfinite, nan
from pathlib import Path

import pandas as pd

from homeenergy.errors import HouseError
from homeenergy.files import write_text
from homeenergy.house.kinds import KINDS
from homeenergy.house.schedule import Circuit
from homeenergy.readings.house import House
from homeenergy.trust.panel.balance import PanelBalance
from homeenergy.trust.panel.circuit import ENOUGH, LEAST_W, CircuitBalance, step_lag
from homeenergy.trust.panel.told import (
    MOST_TIMES,
    TELLS_NO_MORE,
    TOO_SMALL,
    tells_no_more,
    times_missing,
    times_switched,
    why_not_switched,
)
from homeenergy.trust.typed_readings import read_table

FILE = "walk.csv"
LEAST_HOLD_S = 30.0
REFERENCE_LOAD_W = 1000
CAUTIONS = (
    "Stay outside the panel: nothing inside it is part of this walk, and no breaker is a switch.",
    "Switch nothing that somebody's health or safety depends on: medical devices, alarms. Leave "
    "refrigerators, freezers, pumps and heating alone; they switch themselves.",
    "Use each appliance by its own switch or plug, as it is meant to be used. Stay with whatever "
    "gets hot, and never run it empty. Compressors and motors need some minutes between starts.",
    "Choose a quiet time. Switch one thing at a time, and change nothing else meanwhile.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class WalkStep:
    """One appliance to switch: `times` on and off, each for `hold_s` [s]; `why` says what for.

    NaN for `hold_s` is one programme, which switches heater and motor by itself.
    """

    circuit: str
    appliance: str
    times: int
    hold_s: float
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Walk:
    """A plan.

    Attributes
    ----------
    steps : tuple of WalkStep
        The largest load first.
    left_alone : dict of str
        Circuits that cannot be told and that nobody should switch, and what helps.
    questions : tuple of str
        What switching cannot settle, and what would.
    settled, still_open : tuple of str
        What has become of the walk before; both empty where there was none.
    """

    steps: tuple[WalkStep, ...]
    left_alone: dict[str, str]
    questions: tuple[str, ...]
    settled: tuple[str, ...] = ()
    still_open: tuple[str, ...] = ()

    @property
    def minutes(self) -> float:
        """How long switching takes."""
        timed = [step for step in self.steps if isfinite(step.hold_s)]
        return sum(2 * step.times * step.hold_s for step in timed) / 60

    def to_frame(self) -> pd.DataFrame:
        """One row for each appliance to switch."""
        names = list(WalkStep.__dataclass_fields__)
        rows = [{name: getattr(step, name) for name in names} for step in self.steps]
        return pd.DataFrame(rows, columns=names)


def plan_walk(house: House, balance: PanelBalance | None) -> Walk:
    """Plan the fewest switchings that settle what the mains do not show of the circuits.

    Parameters
    ----------
    house : House
    balance : PanelBalance
        Of the same house. What it can tell is left out.

    Returns
    -------
    Walk
        With what has become of the walk that `save_walk` kept in its folder.

    Raises
    ------
    HouseError
        Without a balance.

    Notes
    -----
    Own rules. The balance needs six steps of a circuit alone, so those that are missing and two to
    spare are asked for, each on or off for as long as a step must last at the period of the log.
    Where steps are there and leave the ratio too wide, their number grows with the square of its
    width over what "agrees" allows. What is not switched by a person is left to switch itself.
    """
    if balance is None:
        raise HouseError(
            "no walk can be planned: the circuits cannot be compared with the mains",
            path=house.path,
            fix="See what is said of the panel; a walk needs logs of the mains.",
        )
    by_name = {circuit.name: circuit for circuit in house.circuits}
    hold_s = max(LEAST_HOLD_S, (2 * step_lag(balance.period_s) + 2) * balance.period_s)
    found = balance.explanation.matrix
    shown = [c.legs[0] for c, of in zip(house.mains, found.T, strict=True) if c.legs and of.any()]
    steps: list[WalkStep] = []
    alone: dict[str, str] = {}
    for seen in sorted(balance.circuits, key=lambda one: _height(one), reverse=True):
        if seen.answer != "cannot be told":
            continue
        circuit = by_name[seen.circuit]
        times = times_missing(seen)
        kind = KINDS.get(circuit.kind or "")
        programmes = kind is not None and kind.programmes
        reason = "it reads as if it fed in" if seen.feeds_in else why_not_switched(circuit)
        if not set(circuit.legs or shown) <= set(shown):
            alone[seen.circuit] = "the mains do not show all of its legs: mend their clamp first."
        elif tells_no_more(seen):
            alone[seen.circuit] = _lower(TELLS_NO_MORE)
        elif reason:
            alone[seen.circuit] = f"{reason}. {_wait(seen, 2 * times, balance.days)}"
        elif times > MOST_TIMES:
            alone[seen.circuit] = _lower(TOO_SMALL)
        else:
            steps.append(
                WalkStep(
                    circuit=seen.circuit,
                    appliance=circuit.appliance,
                    times=1 if programmes else times,
                    hold_s=nan if programmes else hold_s,
                    why=_why(seen),
                )
            )
    settled, still = _become(house.path, balance)
    return Walk(
        steps=tuple(steps),
        left_alone=alone,
        questions=_questions(house.mains, by_name, balance),
        settled=settled,
        still_open=still,
    )


def save_walk(house: House, walk: Walk) -> None:
    """Keep what a walk is to settle in walk.csv, for the next check to compare with."""
    rows = [f"{step.circuit},{step.times}" for step in walk.steps]
    path = house.path / FILE
    if rows or path.exists():
        write_text(path, "\n".join(["circuit,times", *rows, ""]))


def _lower(sentence: str) -> str:
    return sentence[0].lower() + sentence[1:]


def _height(seen: CircuitBalance) -> float:
    return seen.step_w if isfinite(seen.step_w) else 0.0


def _why(seen: CircuitBalance) -> str:
    so_far = f"{times_switched(seen.switched_on)} so far"
    if not seen.legs_found:
        return f"leg and multiplier; {so_far}"
    if seen.steps < ENOUGH or not isfinite(seen.ratio.low):
        return f"multiplier; {so_far}"
    return f"multiplier; any of {seen.ratio.low:.2f} to {seen.ratio.high:.2f} times fits so far"


def _wait(seen: CircuitBalance, missing: int, days: float) -> str:
    if seen.feeds_in:
        return "If it does not, its clamp may be backwards."
    if not seen.steps:
        return "Log on, and look whether its readings move at all."
    more = ceil(missing / (seen.steps / days))
    return f"Log on: at its pace some {more} {'day' if more == 1 else 'days'} more will tell."


def _questions(
    mains: Sequence[Circuit], by_name: dict[str, Circuit], balance: PanelBalance
) -> tuple[str, ...]:
    """What stays open between a clamp of the mains and the circuits on its leg."""
    rival = balance.explanation.rival
    if rival is None:
        return ()
    clamps = {clamp for fault in (*balance.explanation.mains, *rival) for clamp in fault.clamps}
    told = []
    for clamp in sorted(clamps):
        circuit = mains[clamp]
        on_leg = [
            seen
            for seen in balance.circuits
            if set(circuit.legs) & set(seen.legs_found or seen.legs_stated)
            and not why_not_switched(by_name[seen.circuit])
            and _height(seen) > LEAST_W
        ]
        best = max(on_leg, key=_height, default=None)
        load = f"{by_name[best.circuit].appliance}" if best else f"a load of {REFERENCE_LOAD_W} W"
        told.append(
            f"Whether {circuit.name} or the circuits on its leg read wrongly: run {load} at a "
            "plug-in reference meter, and write its readings and the clamp's into bench.csv."
        )
    return tuple(told)


def _become(folder: Path, balance: PanelBalance) -> tuple[tuple[str, ...], tuple[str, ...]]:
    path = folder / FILE
    if not path.exists():
        return (), ()
    asked = list(read_table(path, columns=("circuit", "times"))["circuit"])
    seen = {one.circuit: one for one in balance.circuits}
    settled = [seen[n].verdict for n in asked if n in seen and seen[n].answer != "cannot be told"]
    still = [seen[n].verdict for n in asked if n in seen and seen[n].answer == "cannot be told"]
    return tuple(settled), tuple(still)
