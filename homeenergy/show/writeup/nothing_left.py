"""The document of a house of whose log nothing can be believed: why, what is known, what to do."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

import numpy as np
import pandas as pd

from homeenergy.house.schedule import appliance_names
from homeenergy.readings.house import House
from homeenergy.show.document.blocks import Block, Bullets, Heading, Prose, Table
from homeenergy.show.writeup.client import held_out_notes
from homeenergy.show.writeup.ends import first_and_last, front_facts
from homeenergy.show.writeup.wording import Wording
from homeenergy.trust.concern import Implausible
from homeenergy.trust.typed_readings import read_meter
from homeenergy.units import DAYS_PER_YEAR, S_PER_DAY

MOST_NOTES = 4


def nothing_left(
    house: House, words: Wording, implausible: Sequence[Implausible], *, written: date
) -> dict[str, tuple[Block, ...]]:
    """Parts of a document that holds no figure of any load, and says so first."""
    quality = house.quality()
    start, end = quality["first"].min(), quality["last"].max()
    # What a reason explains follows from it, and goes unsaid.
    told = [one for one in implausible if one.explains] or list(implausible)
    more = len(told) - MOST_NOTES
    others = "And {number} more of the kind: homeenergy check lists them."
    summary: list[Block] = [
        *held_out_notes(words, house, told[:MOST_NOTES]),
        *([Prose(text=words.say(others, number=more))] if more > 0 else []),
        Prose(
            text=words.say(
                "No reading of any circuit can be believed as it stands. So this document says "
                "nothing of what any load uses, and nothing of it in money."
            )
        ),
        *_by_the_meter(house, words),
    ]
    return {
        "front": front_facts(house, words, start=start, end=end, written=written),
        "summary": tuple(summary),
        "actions": (
            Heading(text=words.say("What to do")),
            Bullets(
                items=(
                    words.say("Set right what is named above, or ask whoever set up the logger."),
                    words.say(
                        "Then write this up again. What was logged is kept: if it was only "
                        "misread, nothing need be measured again."
                    ),
                )
            ),
        ),
        "trust": (Heading(text=words.say("What was read")), _read(house, words, quality)),
    }


def _by_the_meter(house: House, words: Wording) -> list[Block]:
    """What the utility meter counted, which no clamp can spoil."""
    readings = read_meter(house.schedule)
    if readings is None or len(readings) < 2 or (np.diff(readings["kwh"]) < 0).any():
        return []
    begin, end = readings["time"].iloc[0], readings["time"].iloc[-1]
    kwh = float(readings["kwh"].iloc[-1] - readings["kwh"].iloc[0])
    year = kwh / ((end - begin).total_seconds() / S_PER_DAY) * DAYS_PER_YEAR
    text = words.say(
        "By its readings the utility meter counted {counted_kwh} from {start} to {end}: "
        "{year_kwh} in a year like these days.",
        counted_kwh=kwh,
        start=begin.date(),
        end=end.date(),
        year_kwh=year,
    )
    tariff = house.tariff
    if tariff is not None and tariff.single_price is not None and not tariff.demand_charges:
        bill = year * tariff.single_price + tariff.standing_per_day * DAYS_PER_YEAR
        text += " " + words.say(
            "At the stated tariff that is a bill of {bill} a year.",
            bill=words.amount(bill, currency=tariff.currency),
        )
    return [Prose(text=text)]


def _read(house: House, words: Wording, quality: pd.DataFrame) -> Table:
    names = appliance_names(house.schedule.circuits)
    rows = tuple(
        (
            names.get(str(circuit), str(circuit)),
            *map(words.day, first_and_last(house, row["first"], row["last"])),
            words.percent(float(row["coverage"])),
        )
        for circuit, row in quality.iterrows()
    )
    head = ("load", "from", "until", "readings, of the time")
    return Table(
        head=tuple(map(words.say, head)), rows=rows, numeric=frozenset({3}), sheet=words.say("log")
    )
