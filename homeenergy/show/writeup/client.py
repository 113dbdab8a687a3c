"""The client's edition: what there is to say, and what its parts share."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from homeenergy.findings.billed import BilledYear
from homeenergy.findings.house_year import HouseYear, LoadYear
from homeenergy.findings.saving.advice import LINE, Action, Advice, Said
from homeenergy.findings.saving.at_stake import LookInto
from homeenergy.house.schedule import appliance_names
from homeenergy.readings.house import House
from homeenergy.show.document.blocks import Block, Note
from homeenergy.show.figures.style import BLUE
from homeenergy.show.writeup.basis import Basis
from homeenergy.show.writeup.rewording import rewording
from homeenergy.show.writeup.wording import Wording
from homeenergy.stats.estimate import Estimate
from homeenergy.trust.concern import Implausible
from homeenergy.trust.meter import MeterAgreement

THREE = 3
LEAST_MATTERING, MOST_LOADS = 0.03, 6  # share of the bill from which a load has its half page
LEAST_OF_LOG = 0.95  # of the log that a circuit spans, or has readings for


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Told:
    """All that the client's edition says, before it is put into words."""

    basis: Basis
    year: HouseYear
    advice: Advice
    looks: tuple[LookInto, ...]
    words: Wording
    benchmark: dict[str, Any] | None = None
    billed_year: BilledYear | None = None

    @property
    def colour(self) -> str:
        """Of bars and lines."""
        return self.basis.house.schedule.write_up.colour or BLUE

    @property
    def whole(self) -> str:
        """What shares are of."""
        if self.year.bill is not None:
            return self.words.say("share of the bill")
        return self.words.say("share of the energy")

    def share(self, money: Estimate | None, kwh: Estimate) -> str:
        """A part of the bill in per cent; empty where what is fed back pays for some of it."""
        if self.year.fed_back_kwh:
            return ""
        part = self.year.share_of_bill(money, kwh)
        return self.words.percent(part) if math.isfinite(part) else ""


def held_out_notes(
    words: Wording, house: House, implausible: Sequence[Implausible]
) -> tuple[Block, ...]:
    """What cannot be, before any figure."""
    notes: list[Block] = []
    for weight, about in (("wrong", "Held out of all figures"), ("doubtful", "Needs a look")):
        for one in implausible:
            if one.weight != weight:
                continue
            names = ", ".join(appliances_of(house, one.circuits))
            text = f"{replace(one, circuits=(names,) if names else ()).sentence} {one.do}"
            said = rewording(words, house, also=(names,))
            if said is not None:
                text = said(text)
                if said.unknown:
                    text = words.say(
                        "The readings of {circuits} cannot be right; homeenergy check says why.",
                        circuits=names or words.say("the log"),
                    )
            notes.append(Note(about=words.say(about), text=text))
    return tuple(notes)


def scaled_notes(told: Told) -> tuple[Block, ...]:
    """Loads that step by one factor at once."""
    words, notes = told.words, []
    for scaled in told.basis.findings.notable:
        if scaled.together and scaled.step is not None:
            text = words.say(
                "From {day} on {names} draw {times} times as much: one factor for all of them, so "
                "that the logger was set otherwise, not they. Their energy mixes both; find out "
                "which of the two is right.",
                day=scaled.step.at.tz_convert(told.basis.house.timezone).date(),
                names=", ".join(appliances_of(told.basis.house, scaled.together)),
                times=words.number(scaled.times, 2),
            )
            notes.append(Note(about=words.say("Needs a look"), text=text))
    return tuple(notes)


def appliances_of(house: House, circuits: Sequence[str]) -> list[str]:
    """What the loads of circuits are called."""
    by_name = {c.name: c.appliance for c in house.schedule.circuits}
    return [by_name.get(name, name) for name in circuits]


def meter_words(words: Wording, meter: MeterAgreement | None) -> str:
    """The utility meter against the log, in a sentence."""
    if meter is None:
        return words.say("There are no readings of the utility meter to compare with.")
    low, high = meter.ratio.low, meter.ratio.high
    if not meter.fits_all or not (math.isfinite(low) and math.isfinite(high)):
        return words.say(
            "The readings of the utility meter do not fit the log: one of both is wrong, and the "
            "figures need a look first."
        )
    if low <= 1 <= high:
        return words.say(
            "The utility meter agrees with the log, within {off_share}.",
            off_share=max(high - 1, 1 - low),
        )
    text = (
        "The utility meter counts {low_share} to {high_share} less than the log."
        if high < 1
        else "The utility meter counts {low_share} to {high_share} more than the log."
    )
    ends = sorted((abs(low - 1), abs(high - 1)))
    return words.say(text, low_share=ends[0], high_share=ends[1])


def load_name(told: Told, load: LoadYear) -> str:
    """Name of a load, or what all that is on no measured circuit is called."""
    if load.name:
        return load.name
    held = told.basis.findings.unmeasured_kwh_per_day is None
    return told.words.say("held out or not measured" if held else "circuits not measured")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Line:
    """One line of what to do on page one: an action, or something to look into."""

    number: int
    do: str
    worth: str
    cost: str
    payback: str
    share: str


def things_to_do(told: Told) -> tuple[Action | LookInto, ...]:
    """Actions and looks, first those of page one, then where most money is."""
    first = first_to_do(told)
    return (*first, *(one for one in _by_worth(told) if one not in first))


def _by_worth(told: Told) -> tuple[Action | LookInto, ...]:
    actions, looks = list(told.advice.actions), list(told.looks)
    found: list[Action | LookInto] = []
    while actions and looks:
        more = actions[0].main.value >= looks[0].main.value
        found.append(actions.pop(0) if more else looks.pop(0))
    return (*found, *actions, *looks)


def load_to_do(one: Action | LookInto) -> str:
    """What the load is called that something is to be done about; empty where none is measured."""
    return one.saving.finding.appliance if isinstance(one, Action) else one.load


def first_to_do(told: Told) -> list[Action | LookInto]:
    """The first three things to do, each about another load; one of them an action."""
    first_of: dict[str, Action | LookInto] = {}
    for one in _by_worth(told):
        first_of.setdefault(load_to_do(one), one)
    found = list(first_of.values())
    first, actions = found[:THREE], [one for one in found if isinstance(one, Action)]
    if actions and actions[0] not in first:
        first[-1] = actions[0]
    return first


def lines_to_do(told: Told) -> list[Line]:
    """The first three things to do, in words."""
    words, found = told.words, []
    for number, one in enumerate(first_to_do(told), start=1):
        if isinstance(one, Action):
            saving = one.saving
            line = Line(
                number=number,
                do=words.said(one.do),
                worth=words.say("saves {saved}", saved=one.main),
                cost=cost_words(words, one),
                payback=payback_words(words, one),
                share=told.share(saving.cost_per_year, saving.kwh_per_year),
            )
        else:
            line = Line(
                number=number,
                do=f"{words.said(one.do)}. {words.said(one.first)}",
                worth=words.say(
                    "part of {stake} at stake" if one.in_part else "up to {stake} at stake",
                    stake=one.main,
                ),
                cost=words.say("a look"),
                payback=words.say("after the look"),
                share=told.share(one.at_stake_money, one.at_stake_kwh),
            )
        found.append(line)
    return found


def cost_words(words: Wording, action: Action) -> str:
    """What an action costs once."""
    price = action.saving.price
    if price is not None and price.high > 0:
        return words.estimate(price)
    if action.cost is not None:
        return words.said(action.cost)
    return words.say("not stated" if price is None else "nothing")


def payback_words(words: Wording, action: Action) -> str:
    """When an action is paid back."""
    years = action.saving.payback_years
    if action.saving.price is not None and action.saving.price.high == 0:
        return words.say("at once")
    if years is None:
        return words.say("not known")
    if years.low == math.inf:
        return words.say("never")
    if years.high == math.inf:
        return words.say("not before {years} years", years=years.low)
    return words.say("after {years} years", years=years.scaled(1.0, unit=""))


def floor_text(told: Told) -> str:
    """The least that an action must save to be advised."""
    unit = told.advice.unit
    if unit == "kWh":
        return told.words.value("floor_kwh", told.advice.floor)
    return told.words.amount(told.advice.floor, currency=unit)


def said_lines(told: Told, sentences: Sequence[Said]) -> str:
    """Sentences in a row; those that were written in English are found in the catalogue."""
    reword = rewording(told.words, told.basis.house)
    return " ".join(
        reword(str(one.figures["line"]))
        if reword is not None and one.text == LINE
        else told.words.said(one)
        for one in sentences
    )


def time_seen(told: Told) -> tuple[list[float], list[str], list[str]]:
    """Share of the log's time that each circuit has readings for; which begin late or end early.

    Last, those of loads that have readings for part of the log only, for whatever reason.
    """
    words, basis = told.words, told.basis
    quality = basis.quality
    span = basis.findings.end - basis.findings.start
    names = appliance_names(basis.house.circuits)
    mains = set(basis.house.mains)
    shares, brief, part = [], [], []
    for circuit, row in quality.iterrows():
        first, last = basis.local(row["first"]), basis.local(row["last"])
        spanned = min((last - first) / span, 1.0)
        shares.append(float(row["coverage"]) * spanned)
        name = names.get(str(circuit), str(circuit))
        if spanned < LEAST_OF_LOG:
            days = words.say("{start} to {end}", start=words.day(first), end=words.day(last))
            brief.append(f"{name} ({days})")
        if shares[-1] < LEAST_OF_LOG and circuit not in mains:
            part.append(f"{name} ({words.percent(shares[-1])})")
    return shares, brief, part
