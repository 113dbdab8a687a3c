"""Page one of the client's edition: the year, where it goes, what matters, what to do."""

from __future__ import annotations

import math
from typing import Any

import pandas as pd
from matplotlib.axes import Axes

from homeenergy.findings.house_year import LoadYear
from homeenergy.findings.saving.at_stake import LookInto
from homeenergy.show.document.blocks import Block, Prose, Table
from homeenergy.show.figures.style import GREY
from homeenergy.show.writeup.basis import even_ticks, picture
from homeenergy.show.writeup.client import (
    THREE,
    Told,
    first_to_do,
    floor_text,
    held_out_notes,
    lines_to_do,
    load_name,
    meter_words,
    scaled_notes,
    time_seen,
)
from homeenergy.show.writeup.wording import Wording
from homeenergy.stats.estimate import Estimate
from homeenergy.words import in_words

MOST_BARS = 8
SHORT_DAYS = 14


def page_one(told: Told) -> tuple[Block, ...]:
    """The house's year, where it goes, the loads that matter, what to do."""
    return (
        *held_out_notes(told.words, told.basis.house, told.basis.findings.implausible),
        *scaled_notes(told),
        Prose(text=_opening(told)),
        _year_table(told),
        Prose(text=" ".join(_beside_year(told))),
        _where_it_goes(told),
        _loads_table(told),
        _actions_table(told),
        *([Prose(text=" ".join(said))] if (said := _nothing_else(told)) else []),
    )


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
        bill = year.bill
        if bill.value < 0:
            text = (
                "{house} takes about {kwh} a year from the grid, like the days measured, feeds "
                "{fed_back_kwh} back, and is paid {bill} for it; {most}."
            )
            bill = -bill
        values |= {"bill": words.alone(bill), "fed_back_kwh": year.fed_back_kwh}
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


def _year_table(told: Told) -> Table:
    words, year = told.words, told.year
    first = _whole_name(told)
    money = year.energy
    rows = [(first, words.estimate(year.kwh), _money(words, money), "")]
    if year.bill is not None and year.energy is not None:
        unit = year.energy.unit
        shared = year.bill.value > 0 and not year.fed_back_kwh
        rows[0] = (*rows[0][:3], told.share(year.energy, year.kwh))
        if year.fed_back is not None:
            earned = -year.fed_back.scaled(year.earned / year.fed_back_kwh, unit=unit)
            rows.append(
                (
                    words.say("Fed back"),
                    words.estimate(year.fed_back),
                    words.estimate(earned),
                    told.share(earned, year.kwh),
                )
            )
        demand = "Demand charge, at least" if _demand_is_least(told) else "Demand charge"
        for name, part in (("Standing charge", year.standing), (demand, year.demand)):
            if part:
                share = words.percent(part / year.bill.value) if shared else ""
                rows.append((words.say(name), "", words.amount(part, currency=unit), share))
        all_of_it = words.percent(1.0) if shared else ""
        rows.append((words.say("The bill of a year"), "", words.estimate(year.bill), all_of_it))
    if year.base_kwh is not None:
        # By day it may run on power of the house's own, and then it is no part of what is bought.
        base = "Of it, what never stops (base load)"
        rows.append(
            (
                words.say("What never stops (base load)" if year.fed_back_kwh else base),
                words.estimate(year.base_kwh),
                _money(words, year.base_money),
                told.share(year.base_money, year.base_kwh),
            )
        )
    rows += _billed_year(told)
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


def _billed_year(told: Told) -> list[tuple[str, str, str, str]]:
    """What bills of a whole year add up to."""
    words, billed = told.words, told.billed_year
    if billed is None:
        return []
    name = words.say(
        "By bills, {start} to {end}",
        start=words.short_month(billed.start),
        end=words.short_month(billed.end),
    )
    tariff = told.basis.house.tariff
    money = ""
    if tariff is not None and math.isfinite(billed.amount):
        money = words.amount(billed.amount, currency=tariff.currency)
    return [(name, words.value("billed_kwh", billed.kwh), money, "")]


def _whole_name(told: Told) -> str:
    """What the energy of the house is that of."""
    whole = "Taken from the grid" if told.year.fed_back_kwh else "All that the house uses"
    return told.words.say(whole if told.year.whole_house else "All measured circuits")


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
    said = []
    if told.billed_year is not None:
        said.append(
            words.say(
                "Bills cover a whole year: where they differ from a year like the days measured, "
                "believe the bills."
            )
        )
    said.append(words.say("In brackets: {level_share} intervals.", level_share=0.95))
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
    part = time_seen(told)[2]
    if part:
        said.append(
            words.say(
                "Of the time there are readings of only a part for {names}: their year rests on "
                "that part.",
                names=", ".join(part),
            )
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
        return f"{load_name(told, one)}  {words.alone(one.money or one.kwh)}{share}"

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
        even_ticks(ax.xaxis, words)
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
        height_in=0.5 + 0.2 * len(bars),
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
        data=_loads_frame(told),
    )


def _loads_frame(told: Told) -> pd.DataFrame:
    """All loads for a workbook, each row with a name that a person knows; the house last."""
    names = [*(load_name(told, one) for one in told.year.loads), _whole_name(told)]
    return told.year.to_frame().assign(name=names)


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
    heads = ("", *map(words.say, ("What to do", "a year", "costs", "paid back")), told.whole)
    shown = len(heads) if any(x.share for x in lines) else len(heads) - 1
    return Table(
        head=heads[:shown],
        rows=tuple(
            (str(x.number), x.do, x.worth, x.cost, x.payback, x.share)[:shown] for x in lines
        ),
        numeric=frozenset({len(heads) - 1} & set(range(shown))),
    )


def _nothing_else(told: Told) -> list[str]:
    words, advice = told.words, told.advice
    said = []
    looks = [one for one in first_to_do(told) if isinstance(one, LookInto)]
    if looks:
        said.append(
            words.say("“At stake” is the most that can be saved: a look tells how much of it.")
        )
    if any(one.main.low < advice.floor for one in looks):
        said.append(
            words.say(
                "Where its range begins below {floor}, that may turn out to be nothing: spend "
                "nothing before the look.",
                floor=floor_text(told),
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
