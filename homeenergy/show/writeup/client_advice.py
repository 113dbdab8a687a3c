"""How far to trust the figures, what to do, thing by thing, and what was assumed."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from homeenergy.cycles.shared.house_loads import division_of
from homeenergy.findings.saving.advice import FLOOR_KWH, FLOOR_SHARE, Action
from homeenergy.findings.saving.at_stake import LookInto
from homeenergy.findings.weather.seasons import SEASON_LIMIT
from homeenergy.house.schedule import appliance_names
from homeenergy.show.document.blocks import (
    Block,
    Bullets,
    Facts,
    Heading,
    Note,
    Prose,
    Table,
    Together,
)
from homeenergy.show.writeup.client import (
    Told,
    appliances_of,
    cost_words,
    floor_text,
    meter_words,
    payback_words,
    said_lines,
    things_to_do,
    time_seen,
)
from homeenergy.trust.concern import held_out

PART_TIME = (
    "Not measured from beginning to end: {names}. Their days stand for the others, and their year "
    "rests on fewer."
)
LEAST_LEFT = 0.98  # of what an action saves alone: less is said
SHORT_TABLE = 15  # rows that stay on one page
WHOLE_YEAR = 0.95  # of the days of a year: what is missing matters little. Own rule.


def trust_part(told: Told) -> tuple[Block, ...]:
    """How far to trust it, in plain words."""
    words, basis = told.words, told.basis
    check, findings = basis.check, basis.findings
    shares, brief, _ = time_seen(told)
    items = [
        words.say(
            "{circuits} circuits were measured over {days} days; of the time, {seen_share} has "
            "readings. What is missing was left out and not filled in.",
            circuits=len(basis.measured),
            days=round(basis.days),
            seen_share=float(np.mean(shares)),
        ),
        *([words.say(PART_TIME, names=", ".join(brief))] if brief else []),
        meter_words(words, check.meter),
    ]
    if findings.mains_kwh_per_day is None:
        items.append(
            words.say("No readings of the mains can be used, so nothing checks the circuits' sum.")
        )
    elif findings.unmeasured_kwh_per_day is not None:
        items.append(
            words.say(
                "All measured circuits together are less than the mains by {rest_kwh} a day: that "
                "is on circuits nobody measured.",
                rest_kwh=findings.unmeasured_kwh_per_day,
            )
        )
    if check.bench:
        items.append(
            words.say(
                "{agree} of {clamps} clamps agree with a reference meter within what both can "
                "know.",
                agree=sum(one.agrees for one in check.bench),
                clamps=len(check.bench),
            )
        )
    else:
        items.append(
            words.say(
                "No clamp was compared with a reference meter. Clamps may read some per cent high "
                "or low; where house.toml does not state it, no interval knows of it."
            )
        )
    items += _shared_words(told)
    blocks: list[Block] = [
        Heading(text=words.say("How far to trust these figures")),
        Prose(
            text=words.say(
                "A figure with a range in brackets, such as 0.41 kWh (0.39 to 0.43), means: if the "
                "days measured are like others, the true mean lies within the range 95 times in a "
                "hundred. A wide range is no fault of the log but of days that differ."
            )
        ),
        Bullets(items=tuple(items)),
        Prose(text=_season_words(told)),
    ]
    return (*blocks, *_concerns(told))


def _shared_words(told: Told) -> list[str]:
    """How far loads that share a clamp are told from each other; a line for each clamp."""
    words, house = told.words, told.basis.house
    names = appliance_names(house.circuits)
    said = []
    for circuit in house.circuits:
        loads = [one for one in house.circuits if one.part_of == circuit.name]
        if not loads or not house.has_readings(circuit):
            continue
        known, listed = division_of(house, loads[0]), ", ".join(names[one.name] for one in loads)
        if known.told:
            line = words.say(
                "{names} share one clamp. They were told from each other by what they draw and "
                "when: the energy of each is right within 15 % with a chance of {chance_share}, "
                "and their ranges hold what is left.",
                names=listed,
                chance_share=known.confidence,
            )
        else:
            line = words.say(
                "{names} share one clamp and cannot be told from each other: take their figures as "
                "a guess, and only their sum as measured.",
                names=listed,
            )
        said.append(line)
    return said


def _season_words(told: Told) -> str:
    words, year = told.words, told.year
    if year.share_of_year >= WHOLE_YEAR:
        return words.say(
            "The days measured are {year_share} of a year: its ranges hold the days that are "
            "missing and what clamps may be off by. Another year may be colder, or lived in "
            "otherwise.",
            year_share=year.share_of_year,
        )
    strong = [
        one.name for one in year.loads if one.finding and one.finding.season.strength == "strong"
    ]
    text = words.say(
        "A year is not {days} days. Loads that heat or cool rooms may on other days take nothing "
        "or twice as much, refrigerators, water heaters and lamps {some_share} more or less, all "
        "others {none_share}; the ranges of a year hold that.",
        days=round(told.basis.days),
        some_share=SEASON_LIMIT["some"],
        none_share=SEASON_LIMIT["none"],
    )
    if strong:
        text += " " + words.say(
            "Take the year of {names} as a guess until it was measured in other seasons.",
            names=", ".join(strong),
        )
    return text


def _concerns(told: Told) -> tuple[Block, ...]:
    words = told.words
    held = held_out(told.basis.findings.implausible)
    found = [
        c
        for c in told.basis.check.concerns
        if c.weight in ("wrong", "doubtful") and c.subject not in held
    ]
    if not found:
        text = "Nothing that was compared contradicts the panel schedule."
        if held:
            text = (
                "Apart from what page one holds out, and from clamps that do not agree, nothing "
                "contradicts the panel schedule."
            )
        elif not all(one.agrees for one in told.basis.check.bench):
            text = (
                "Apart from the clamps that do not agree, nothing contradicts the panel schedule."
            )
        return (Prose(text=words.say(text)),)
    if words.language.startswith("en"):
        names = appliance_names(told.basis.house.schedule.circuits)
        items = tuple(
            c.what.replace(f"{c.subject}:", f"{names.get(c.subject, c.subject)}:", 1) for c in found
        )
    else:
        subjects = dict.fromkeys(c.subject for c in found)
        items = tuple(
            words.say("{subject}: see the technical file.", subject=name)
            for name in appliances_of(told.basis.house, tuple(subjects))
        )
    head = words.say("Needs a look before the figures are relied on:")
    return (Together(blocks=(Prose(text=head), Bullets(items=items))),)


def advice_part(told: Told) -> tuple[Block, ...]:
    """Every action and everything to look into, with what it rests on and what would refute it."""
    words, advice = told.words, told.advice
    blocks: list[Block] = [
        Heading(text=words.say("What to do")),
        Prose(
            text=words.say(
                "First what page one names, then where most money is: what an action saves or, "
                "before a look, what is at stake, by the middle of its range. Nothing below "
                "{floor} a year is advised: that is not worth anybody's trouble.",
                floor=floor_text(told),
            )
        ),
    ]
    things, actions = things_to_do(told), len(advice.actions)
    for number, one in enumerate(things, start=1):
        if isinstance(one, Action):
            blocks.append(_action(told, number, one, before=advice.actions.index(one)))
        else:
            blocks.append(_look(told, number, one))
    if advice.together is not None and actions > 1:
        together = advice.together
        total = together.total_cost_per_year or together.total_kwh_per_year
        blocks.append(
            Prose(
                text=words.say(
                    "All {number} actions with a known saving together save {total} a year; no "
                    "kWh is counted twice.",
                    number=actions,
                    total=total,
                )
            )
        )
    if not things:
        blocks.append(Prose(text=words.say("These readings suggest nothing to do.")))
    blocks += _not_advised(told)
    return tuple(blocks)


def _action(told: Told, number: int, action: Action, *, before: int) -> Together:
    words, saving = told.words, action.saving
    saved = words.estimate(saving.kwh_per_year) if saving.kwh_per_year.value else ""
    if saving.cost_per_year is not None:
        saved = ", ".join(x for x in (words.estimate(saving.cost_per_year), saved) if x)
    share = told.share(saving.cost_per_year, saving.kwh_per_year)
    cost = words.say(
        "{cost}; paid back: {payback}; {whole}: {share}"
        if share
        else "{cost}; paid back: {payback}",
        cost=cost_words(words, action),
        payback=payback_words(words, action),
        whole=told.whole,
        share=share,
    )
    rows = (
        (words.say("Saves in a year"), saved),
        (words.say("Costs"), cost),
        (words.say("After those above"), _after_those_above(told, before, action)),
        (
            words.say("Net present value"),
            "" if action.present_value is None else words.estimate(action.present_value),
        ),
        (words.say("It rests on"), said_lines(told, action.rests_on)),
        (words.say("It assumes"), said_lines(told, action.assumes)),
        (words.say("It is wrong if"), words.said(action.wrong_if)),
    )
    return Together(
        blocks=(
            Heading(text=f"{number}. {words.said(action.do)}", level=2),
            Facts(rows=tuple(row for row in rows if row[1])),
        )
    )


def _after_those_above(told: Told, before: int, action: Action) -> str:
    """What an action saves after those before it, where that is less; empty where it is not."""
    together = told.advice.together
    if together is None:
        return ""
    left = together.cost_per_year[before] or together.kwh_per_year[before]
    share = left.value / action.main.value
    if share > LEAST_LEFT:
        return ""
    words, price = told.words, action.saving.price
    text = words.say("it saves {left} a year", left=left)
    if action.present_value is None or price is None:
        return text
    value = (action.present_value.value + price.value) * share - price.value
    return (
        text if value >= 0 else words.say("{saves}, less than its price while it lasts", saves=text)
    )


def _look(told: Told, number: int, look: LookInto) -> Together:
    words = told.words
    kwh = [words.estimate(look.at_stake_kwh)] if look.at_stake_kwh.value else []
    money = [] if look.at_stake_money is None else [words.estimate(look.at_stake_money)]
    stake = ", ".join([*money, *kwh])
    rows = (
        (words.say("At stake in a year"), stake),
        (words.say("First step"), words.said(look.first)),
        (words.say("It rests on"), words.said(look.rests_on)),
        (words.say("In order if"), words.said(look.wrong_if)),
    )
    return Together(
        blocks=(Heading(text=f"{number}. {words.said(look.do)}", level=2), Facts(rows=rows))
    )


def _not_advised(told: Told) -> list[Block]:
    words, advice = told.words, told.advice
    rows = [
        (words.said(one.do), words.estimate(one.main), words.say(why))
        for group, why in (
            (advice.too_small, "below the floor"),
            (advice.too_dear, "costs more than it saves while it lasts, interest counted"),
            ([one for one in advice.unsure if one.main.high >= 0], "may save nothing"),
            ([one for one in advice.unsure if one.main.high < 0], "takes more than now"),
        )
        for one in group
    ]
    unsaid = [Bullets(items=tuple(map(words.said, advice.unsaid)))] if advice.unsaid else []
    if not rows:
        return [*unsaid]
    table = Table(
        head=(words.say("Looked at and not advised"), words.say("a year"), words.say("why")),
        rows=tuple(rows),
        numeric=frozenset({1}),
        sheet=words.say("not advised"),
    )
    return [*unsaid, Together(blocks=(table,)) if len(rows) <= SHORT_TABLE else table]


def _worth_words(told: Told) -> list[str]:
    """What a kWh saved is worth, where that is not the mean price."""
    tariff = told.basis.house.tariff
    if tariff is None or all(one.worth == 1 for one in told.basis.measured):
        return []
    if tariff.export_price_per_kwh is not None and told.year.fed_back_kwh:
        text = (
            "What is saved while the house feeds power back would have earned {price} a kWh, and "
            "counts so."
        )
        price = told.words.amount(tariff.export_price_per_kwh, currency=tariff.currency, places=3)
        return [told.words.say(text, price=price)]
    return [
        told.words.say(
            "A kWh costs more the more is used: what is saved are the last and dearest, and "
            "counts so. So savings are worth more than their share of the bill."
        )
    ]


def assumed_part(told: Told, record: Mapping[str, Any]) -> tuple[Block, ...]:
    """What was assumed, what a log cannot tell, and how to check the document."""
    words, year = told.words, told.year
    items = [
        words.say("A year is 365 days like those measured; the ranges say how far it may be off."),
    ]
    if year.price is not None and year.energy is not None:
        unit = year.energy.unit
        items.append(
            words.say(
                "A kWh costs {price} on average; {standing} a year is charged whatever is used, "
                "and no action changes that.",
                price=words.amount(year.price, currency=unit, places=3),
                standing=words.amount(year.standing, currency=unit),
            )
        )
        items += _worth_words(told)
        items.append(words.say("Prices stay as they are; payback is simple, without interest."))
    items += [
        words.say(
            "Nothing is advised below {floor} a year, which is an own rule unless house.toml "
            "says otherwise: {one_share} of the bill, and no less than {least_kwh} cost.",
            floor=floor_text(told),
            one_share=FLOOR_SHARE,
            least_kwh=FLOOR_KWH,
        ),
        words.say(
            "Things that share a circuit appear as one, unless house.toml names them; then their "
            "power is divided as far as the log tells them apart."
        ),
        words.say("Which stretches of power form one run is a judgement of the program."),
        words.say("Where a clamp cannot resolve a small draw, a bound is given and no value."),
    ]
    versions = record["versions"]
    made = words.say(
        "Every circuit's power was split into stretches of constant power and these into runs; "
        "means over days with their intervals follow JCGM 100:2008. The technical file (homeenergy "
        "writeup --technical) holds methods, settings and the check of every clamp; the "
        "spreadsheet holds every run. Made with homeenergy {version} from {files} files, "
        "fingerprint {fingerprint}; homeenergy writeup --check tells whether the document still "
        "matches them.",
        version=versions["homeenergy"],
        files=len(record["files"]),
        fingerprint=record["fingerprint"][:16],
    )
    safety = words.say(
        "A log shows what to look into; it is no inspection. Work inside a panel belongs to a "
        "licensed electrician: parts stay live when the main breaker is off. Never open the "
        "secondary of a current transformer while its circuit carries load. A breaker is no switch "
        "for daily use. Freezers, and devices on which someone's health depends, may be on a "
        "circuit that is switched off."
    )
    blocks = (
        Bullets(items=tuple(items)),
        Note(about=words.say("Safety"), text=safety),
        Heading(text=words.say("How it was made"), level=2),
        Prose(text=made),
    )
    # On one page, or the last might hold a line or two.
    return (Heading(text=words.say("What was assumed")), Together(blocks=blocks))
