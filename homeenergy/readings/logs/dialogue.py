"""What a person is asked about a new house: readings, clock, mains, supply and legs.

Of each question the first answer is the proposal, which holds where a person skips it. Nothing is
asked that names and heads say plainly.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from homeenergy.house.schedule import Circuit, Supply
from homeenergy.house.toml_file import LEGS
from homeenergy.readings.logs.propose import Description
from homeenergy.readings.logs.times import standard_time

Ask = Callable[[str, Sequence[str]], str]
_SKIP = "not known"
_WORDS = {"energy_counter": "readings of a counter", "energy": "energy of each row"}
SPLIT_PHASE = Supply(system="split-phase", volts_v=120.0)  # common practice, no source


def ask_units(one: Description, ask: Ask) -> Description:
    """Ask once for each guess of what readings are."""
    columns, doubts = dict(one.layout.columns), dict(one.doubts)
    remarks = list(one.remarks)
    for guess in dict.fromkeys(doubts.values()):
        about = [circuit for circuit, doubt in doubts.items() if doubt == guess]
        if "taken as" not in guess:
            continue
        named = ", ".join(one.labels[circuit] for circuit in about[:6])
        named += " and others" if len(about) > 6 else ""
        highest = max((max(map(abs, one.samples.get(c, (0.0,)))) for c in about), default=0.0)
        proposed = columns[about[0]]
        answers = {
            f"{_WORDS.get(quantity, quantity)} in {unit}": (quantity, unit)
            for quantity, unit in (
                (proposed.quantity, proposed.unit),
                ("power", "W"),
                ("power", "kW"),
                ("energy_counter", "kWh"),
                ("energy", "kWh"),
            )
        }
        answer = ask(f"{named}: the head does not say it (highest reading {highest:g})", [*answers])
        if answer not in answers:
            continue
        quantity, unit = answers[answer]
        for circuit in about:
            columns[circuit] = replace(columns[circuit], quantity=quantity, unit=unit)
            del doubts[circuit]
        remarks = [remark for remark in remarks if guess not in remark]
    layout = replace(one.layout, columns=columns)
    return replace(one, layout=layout, doubts=doubts, remarks=tuple(remarks))


def ask_clock(one: Description, ask: Ask, *, timezone: str) -> Description:
    """Ask which clock the stamps show, where they do not say it."""
    carries = one.layout.time_format == "iso" and one.layout.time_zone == "UTC"
    if one.layout.time_zone != timezone or carries:
        return one
    clocks = {
        f"the clock of the house, put forward and back ({timezone})": timezone,
        "UTC": "UTC",
        f"standard time all year ({standard_time(timezone)})": standard_time(timezone),
    }
    question = f"Times of {one.layout.files} without an offset from UTC: which clock is it?"
    zone = clocks.get(ask(question, [*clocks]), timezone)
    remarks = tuple(remark.replace(f"taken as {timezone}", f"of {zone}") for remark in one.remarks)
    return replace(one, layout=replace(one.layout, time_zone=zone), remarks=remarks)


def ask_mains(circuits: Sequence[Circuit], ask: Ask) -> list[Circuit]:
    """Ask which circuits are the mains, where no name says so."""
    out = {one.name: one for one in circuits}
    if len(out) < 2 or any(one.role == "mains" for one in circuits):
        return list(out.values())
    question = "Which circuit is the mains, that is the whole house?"
    while len(loads := [name for name, one in out.items() if one.role == "load"]) > 1:
        said = ask(question, ["none", *loads])
        if said not in loads or len(out) - len(loads) == len(LEGS["three-phase"]):
            break
        out[said] = replace(out[said], role="mains", kind=None)
        question = "Another leg of the mains?"
    return list(out.values())


def ask_supply(circuits: Sequence[Circuit], proposed: Supply, ask: Ask) -> Supply:
    """Ask how the house is supplied, where no name of a circuit says so."""
    if any(one.legs for one in circuits):
        return proposed
    supplies = {
        "single-phase": Supply(),
        "split-phase": SPLIT_PHASE,
        "three-phase": Supply(system="three-phase"),
    }
    words = {
        f"{name}{_ABOUT[name]}": supply
        for name, supply in sorted(supplies.items(), key=lambda one: one[0] != proposed.system)
    }
    return words.get(ask("How is the house supplied?", [*words]), proposed)


_ABOUT = {
    "single-phase": " (two wires)",
    "split-phase": " (120/240 V, three wires)",
    "three-phase": "",
}


def ask_legs(circuits: Sequence[Circuit], supply: Supply, ask: Ask) -> list[Circuit]:
    """Ask on which leg each of the mains is, where there are several and no name says so."""
    legs = LEGS[supply.system]
    out = []
    for one in circuits:
        if len(legs) > 1 and one.role == "mains" and not one.legs:
            choices = {_SKIP: (), **{leg: (leg,) for leg in legs}, "all of them": legs}
            said = ask(f"On which leg is {one.name}?", [*choices])
            one = replace(one, legs=choices.get(said, ()))
        out.append(one)
    return out
