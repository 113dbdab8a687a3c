"""The client's edition: its front and page one, and what its other parts share."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd
from matplotlib.axes import Axes

from homeenergy.findings.house_year import HouseYear, LoadYear
from homeenergy.findings.saving.advice import Action, Advice, Said
from homeenergy.findings.saving.look_into import LookInto
from homeenergy.show.document.blocks import (
    Block,
    Note,
    Prose,
    Table,
)
from homeenergy.show.figures.style import BLUE, GREY
from homeenergy.show.writeup.basis import Basis, picture
from homeenergy.show.writeup.rewording import rewording
from homeenergy.show.writeup.wording import Wording
from homeenergy.stats.estimate import Estimate
from homeenergy.trust.meter import MeterAgreement
from homeenergy.words import in_words

THREE = 3
MOST_BARS = 8
LEAST_MATTERING, MOST_LOADS = 0.05, 6  # share of the bill from which a load has its half page
SHORT_DAYS = 14


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Told:
    """All that the client's edition says, before it is put into words."""

    basis: Basis
    year: HouseYear
    advice: Advice
    looks: tuple[LookInto, ...]
    words: Wording
    benchmark: dict[str, Any] | None = None

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
        """A part of the bill in per cent."""
        part = self.year.share_of_bill(money, kwh)
        return self.words.percent(part) if math.isfinite(part) else ""


def page_one(told: Told) -> tuple[Block, ...]:
    """The house's year, where it goes, the loads that matter, what to do."""
    return (
        *held_out_notes(told),
        Prose(text=_opening(told)),
        _year_table(told),
        Prose(text=" ".join(_beside_year(told))),
        _where_it_goes(told),
        _loads_table(told),
        _actions_table(told),
        *([Prose(text=" ".join(said))] if (said := _nothing_else(told)) else []),
    )


def held_out_notes(told: Told) -> tuple[Block, ...]:
    """What cannot be, before any figure."""
    words = told.words
    notes: list[Block] = []
    for weight, about in (("wrong", "Held out of all figures"), ("doubtful", "Needs a look")):
        found = [one for one in told.basis.findings.implausible if one.weight == weight]
        for one in found:
            names = ", ".join(appliances_of(told, one.circuits)) or words.say("the log")
            text = f"{one.sentence} {one.do}"
            said = rewording(words, told.basis.house)
            if said is not None:
                text = said(text)
                if said.unknown:
                    text = words.say(
                        "The readings of {circuits} cannot be right; the technical file says why.",
                        circuits=names,
                    )
            notes.append(Note(about=words.say(about), text=text))
    for scaled in told.basis.findings.notable:
        if scaled.together and scaled.step is not None:
            text = words.say(
                "From {day} on {names} draw {times} times as much: one factor for all of them, so "
                "that the logger was set otherwise, not they. Their energy mixes both; find out "
                "which of the two is right.",
                day=scaled.step.at.tz_convert(told.basis.house.timezone).date(),
                names=", ".join(appliances_of(told, scaled.together)),
                times=words.number(scaled.times, 2),
            )
            notes.append(Note(about=words.say("Needs a look"), text=text))
    return tuple(notes)


def _opening(told: Told) -> str:
    """The answer in a sentence or two."""
    words, year = told.words, told.year
    values: dict[str, object] = {
        "house": told.basis.house.name,
        "kwh": words.alone(year.kwh),
        "most": _most(told),
    }
    if year.fed_back_kwh and year.bill is not None:
        text = (
            "{house} takes about {kwh} a year from the grid, like the days measured, feeds "
            "{fed_back_kwh} back, and pays {bill} for it; {most}."
        )
        values |= {"bill": words.alone(year.bill), "fed_back_kwh": year.fed_back_kwh}
    elif year.bill is None:
        text = "{house} uses about {kwh} a year like the days measured; {most}."
    else:
        text = (
            "{house} uses about {kwh} a year like the days measured, and pays {bill} for it; "
            "{most}."
        )
        values["bill"] = words.alone(year.bill)
    return words.say(text, **values)


def _most(told: Told) -> str:
    """Where most of the energy goes, or most of what was measured."""
    year = told.year
    used = [one for one in year.loads if one.kwh.value > 0]
    own = [one for one in used if one.finding is not None][:THREE]
    if not own:
        return told.words.say("no measured load takes anything")
    whole = max(year.kwh.value, sum(one.kwh.value for one in used))
    most = sum(one.kwh.value for one in own) > whole / 2
    text = "most goes to {loads}" if most else "of what was measured, most goes to {loads}"
    return told.words.say(text, loads=", ".join(one.name for one in own))


def appliances_of(told: Told, circuits: Sequence[str]) -> list[str]:
    """What the loads of circuits are called."""
    by_name = {c.name: c.appliance for c in told.basis.house.schedule.circuits}
    return [by_name.get(name, name) for name in circuits]


def _year_table(told: Told) -> Table:
    words, year = told.words, told.year
    whole = "Taken from the grid" if year.fed_back_kwh else "All that the house uses"
    first = words.say(whole if year.whole_house else "All measured circuits")
    money = year.energy
    rows = [(first, words.estimate(year.kwh), _money(words, money), "")]
    if year.bill is not None and year.energy is not None:
        unit = year.energy.unit
        rows[0] = (*rows[0][:3], told.share(year.energy, year.kwh))
        if year.fed_back_kwh:
            earned = words.amount(-year.earned, currency=unit)
            rows.append(
                (words.say("Fed back"), words.value("fed_back_kwh", year.fed_back_kwh), earned, "")
            )
        demand = "Demand charge, at least" if _demand_is_least(told) else "Demand charge"
        for name, part in (("Standing charge", year.standing), (demand, year.demand)):
            if part:
                share = words.percent(part / year.bill.value)
                rows.append((words.say(name), "", words.amount(part, currency=unit), share))
        rows.append(
            (words.say("The bill of a year"), "", words.estimate(year.bill), words.percent(1.0))
        )
    if year.base_kwh is not None:
        rows.append(
            (
                words.say("Of it, what never stops (base load)"),
                words.estimate(year.base_kwh),
                _money(words, year.base_money),
                told.share(year.base_money, year.base_kwh),
            )
        )
    return _with_money(
        told,
        head=(words.say("A year"), words.say("energy"), words.say("money"), told.whole),
        rows=tuple(rows),
        caption=words.say(
            "What the house uses in a year like the days measured."
            if year.energy is None
            else "What the house uses and costs in a year like the days measured."
        ),
        sheet=words.say("year"),
        data=_year_frame(told),
    )


def _with_money(
    told: Told,
    *,
    head: tuple[str, ...],
    rows: tuple[tuple[str, ...], ...],
    sheet: str,
    data: pd.DataFrame,
    caption: str = "",
) -> Table:
    """A table of energy, money and share; without money, or any share, its column is left out."""
    left = set() if told.year.energy is not None else {2}
    left |= {3} if not any(row[3] for row in rows) else set()
    kept = [i for i in range(len(head)) if i not in left]
    return Table(
        head=tuple(head[i] for i in kept),
        rows=tuple(tuple(row[i] for i in kept) for row in rows),
        caption=caption,
        numeric=frozenset(range(1, len(kept))),
        sheet=sheet,
        data=data,
    )


def _money(words: Wording, money: Estimate | None) -> str:
    return "" if money is None else words.estimate(money)


def _year_frame(told: Told) -> pd.DataFrame:
    year = told.year
    figures: dict[str, Estimate | None] = {
        "kwh_per_year": year.kwh,
        "energy_cost_per_year": year.energy,
        "bill_per_year": year.bill,
        "base_load_kwh_per_year": year.base_kwh,
        "base_load_cost_per_year": year.base_money,
    }
    rows: list[dict[str, Any]] = [
        {"what": name, "value": e.value, "low": e.low, "high": e.high, "unit": e.unit}
        for name, e in figures.items()
        if e is not None
    ]
    if year.energy is not None:
        charges = {"standing": year.standing, "demand": year.demand, "earned": year.earned}
        for name, value in charges.items():
            rows.append({"what": f"{name}_per_year", "value": value, "unit": year.energy.unit})
    found = pd.DataFrame(rows, columns=["what", "value", "low", "high", "unit"])
    named = in_words(found.set_index("what"), rows=True).reset_index()
    return named.assign(what=[told.words.say(str(name)) for name in named["what"]])


def _demand_is_least(told: Told) -> bool:
    """Whether demand is charged by the kVA, at a power factor that is not known."""
    tariff = told.basis.house.tariff
    return tariff is not None and any(charge.is_least for charge in tariff.demand_charges)


def _beside_year(told: Told) -> list[str]:
    words, year, check = told.words, told.year, told.basis.check
    said = [words.say("In brackets: {level_share} intervals.", level_share=0.95)]
    days = round(told.basis.days)
    seen = year.share_of_year
    said.append(
        words.say(
            "They hold what other seasons may change, since {days} days are {seen_share} of a "
            "year.",
            days=days,
            seen_share=seen,
        )
        if seen < 1
        else words.say("A whole year was measured.")
    )
    if days < SHORT_DAYS:
        said.append(words.say("A log this short says little of a usual week."))
    if not year.whole_house:
        said.append(
            words.say(
                "No readings of the mains can be used: circuits not measured are missing here."
            )
        )
    tariff = told.basis.house.tariff
    if year.fed_back_kwh and tariff is not None and tariff.export_price_per_kwh is None:
        said.append(
            words.say(
                "house.toml names no export_price_per_kwh, so a kWh fed back counts as one not "
                "bought."
            )
        )
    if year.demand and _demand_is_least(told):
        said.append(
            words.say(
                "Demand is charged by the kVA and the log holds watts: the charge and the bill "
                "given are the least, at a power factor of 1. At 0.9 the charge is a ninth more. "
                "The meter or a bill tells it; write it as power_factor into house.toml."
            )
        )
    if told.basis.prices_from is not None and year.bill is not None:
        said.append(
            words.say(
                "All money is at the prices that hold since {day}.", day=told.basis.prices_from
            )
        )
    if year.no_money == "no tariff":
        said.append(words.say("house.toml names no tariff, so nothing is given in money."))
    elif year.no_money:
        said.append(
            words.say("Nothing is given in money: the tariff leaves open what a kWh costs here.")
        )
    said.append(meter_words(words, check.meter))
    return said


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


def load_name(words: Wording, load: LoadYear) -> str:
    """Name of a load, or what all that is on no measured circuit is called."""
    return load.name or words.say("circuits not measured")


def _bars(told: Told) -> list[LoadYear]:
    """The greatest loads, all smaller ones as one, and what was not measured."""
    own = [one for one in told.year.loads if one.finding is not None]
    rest = [one for one in told.year.loads if one.finding is None]
    shown, small = own[: MOST_BARS - len(rest) - 1], own[MOST_BARS - len(rest) - 1 :]
    if len(small) > 1:
        kwh = sum((one.kwh for one in small[1:]), small[0].kwh)
        costs = [one.money for one in small if one.money is not None]
        money = sum(costs[1:], costs[0]) if len(costs) == len(small) else None
        name = told.words.say("{number} smaller loads", number=len(small))
        share = sum(one.share for one in small)
        small = [LoadYear(name=name, finding=None, kwh=kwh, money=money, share=share)]
    return [*shown, *small, *rest]


def _where_it_goes(told: Told) -> Block:
    words, bars = told.words, _bars(told)

    def label(one: LoadYear) -> str:
        share = f"  {words.percent(one.share)}" if math.isfinite(one.share) else ""
        return f"{load_name(words, one)}  {words.alone(one.money or one.kwh)}{share}"

    def draw(ax: Axes) -> None:
        values = [(one.money or one.kwh).value for one in bars]
        at = range(len(bars))
        colours = [told.colour if one.finding is not None else GREY for one in bars]
        ax.barh(at, values, color=colours, height=0.66)
        for i, one in enumerate(bars):
            main = one.money or one.kwh
            if math.isfinite(main.low) and math.isfinite(main.high):
                ax.plot([main.low, main.high], [i, i], color="black", linewidth=0.9)
        ax.set_yticks(list(at), [label(one) for one in bars], fontsize=9)
        ax.invert_yaxis()
        ax.tick_params(axis="y", length=0)
        ax.tick_params(axis="x", labelsize=8)
        ax.xaxis.set_major_formatter(lambda x, _: words.number(x, 0 if max(values) > 5 else 1))
        ax.spines[["top", "right", "left"]].set_visible(False)
        ax.grid(axis="x", color="0.88", linewidth=0.7)
        ax.set_axisbelow(True)
        unit = bars[0].money.unit if bars and bars[0].money is not None else "kWh"
        ax.set_xlabel(words.say("{unit} a year", unit=unit), fontsize=8)

    return picture(
        draw,
        caption=words.say(
            "Where it goes: each load in a year, with the range it may lie in (black line)."
        ),
        alternative=" ".join(f"{label(one)}." for one in bars),
        height_in=0.55 + 0.235 * len(bars),
    )


def _loads_table(told: Told) -> Table:
    words = told.words
    own = [one for one in told.year.loads if one.finding is not None][:THREE]
    rows = tuple(
        (
            one.name,
            words.estimate(one.kwh),
            _money(words, one.money),
            words.percent(one.share) if math.isfinite(one.share) else "",
        )
        for one in own
    )
    return _with_money(
        told,
        head=(
            words.say("The loads that matter"),
            words.say("energy"),
            words.say("money"),
            told.whole,
        ),
        rows=rows,
        sheet=words.say("loads"),
        data=told.year.to_frame(),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Line:
    """One line of what to do on page one: an action, or something to look into."""

    do: str
    worth: str
    cost: str
    payback: str
    share: str


def lines_to_do(told: Told) -> list[Line]:
    """The most valuable actions, then, up to three, what is worth looking into."""
    words = told.words
    found = []
    for action in told.advice.actions[:THREE]:
        saving = action.saving
        found.append(
            Line(
                do=words.said(action.do),
                worth=words.say("saves {saved}", saved=action.main),
                cost=cost_words(words, action),
                payback=payback_words(words, action),
                share=told.share(saving.cost_per_year, saving.kwh_per_year),
            )
        )
    for look in told.looks[: THREE - len(found)]:
        found.append(
            Line(
                do=words.said(look.do),
                worth=words.say("up to {stake} at stake", stake=look.main),
                cost=words.say("a look"),
                payback=words.say("after the look"),
                share=told.share(look.at_stake_money, look.at_stake_kwh),
            )
        )
    return found


def cost_words(words: Wording, action: Action) -> str:
    """What an action costs once."""
    price = action.saving.price
    if price is not None and price.high > 0:
        return words.estimate(price)
    if action.cost is not None:
        return words.said(action.cost)
    return words.say("not stated")


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


def _actions_table(told: Told) -> Block:
    words = told.words
    lines = lines_to_do(told)
    if not lines:
        held = any(one.weight == "wrong" for one in told.basis.findings.implausible)
        text = (
            "What to do: set right what is held out above, then write this up again. No other load "
            "shows anything that saves {floor} a year or more."
            if held
            else "What to do: nothing. No load shows anything that saves {floor} a year or more."
        )
        return Prose(text=words.say(text, floor=floor_text(told)))
    return Table(
        head=(
            "",
            words.say("What to do"),
            words.say("a year"),
            words.say("costs"),
            words.say("paid back"),
            told.whole,
        ),
        rows=tuple(
            (str(i), x.do, x.worth, x.cost, x.payback, x.share)
            for i, x in enumerate(lines, start=1)
        ),
        numeric=frozenset({5}),
    )


def floor_text(told: Told) -> str:
    """The least that an action must save to be advised."""
    unit = told.advice.unit
    if unit == "kWh":
        return told.words.value("floor_kwh", told.advice.floor)
    return told.words.amount(told.advice.floor, currency=unit)


def _nothing_else(told: Told) -> list[str]:
    words, advice = told.words, told.advice
    said = []
    if told.looks and len(advice.actions) < THREE:
        said.append(
            words.say(
                "“At stake” is all that the thing takes: a look tells how much of it can be saved."
            )
        )
    if advice.too_small:
        said.append(
            words.say(
                "Looked at and not worth your while (less than {floor} a year each): {number}.",
                number=len(advice.too_small),
                floor=floor_text(told),
            )
        )
    return said


def said_lines(words: Wording, sentences: Sequence[Said]) -> str:
    """Sentences in a row."""
    return " ".join(words.said(one) for one in sentences)
