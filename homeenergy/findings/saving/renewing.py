"""Refrigerators and freezers that take more than new ones may: what a new one would be worth."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from homeenergy.findings.appliance.record import ApplianceFinding
from homeenergy.findings.house_year import LoadYear
from homeenergy.findings.label import EU, NAMES, shared_table
from homeenergy.findings.saving.advice import Said
from homeenergy.findings.saving.at_stake import LookInto
from homeenergy.findings.saving.running import COLD_STORES, named
from homeenergy.findings.saving.saving import present_value
from homeenergy.house.kinds import KINDS
from homeenergy.house.zones import country_of
from homeenergy.readings.house import House
from homeenergy.stats.estimate import measured

TABLE = "new_cold_stores.toml"
LIFE_YEARS = 15.0  # of a new one. Own assumption, no source.
EACH_KWH = 100.0


def worth_renewing(house: House, load: LoadYear, finding: ApplianceFinding) -> list[LookInto]:
    """A cold store that takes more in a year than any new one may, where no new one is named yet.

    At stake is what it takes beyond the most sparing new one, of its own volume where house.toml
    states it (`volume_l`). How long it has run, and whether it works well, does not matter.
    """
    if not KINDS[finding.kind].bridging.by_itself or not named(finding, COLD_STORES):
        return []
    rule = _rule(finding, country_of(house.timezone))
    new_ones = [m for m in house.schedule.measures if m.new_kwh_per_year is not None]
    if rule is None or any(one.circuit == finding.circuit for one in new_ones):
        return []
    litres = house.circuit(finding.circuit).volume_l
    least, most = (_of_volume(rule[end], litres) for end in ("least", "most"))
    if not load.kwh.value > most:
        return []
    kwh = load.kwh.plus(-least).within(least=0.0)
    text = (
        "In a year it takes {year}; new ones may take {least_kwh} to {most_kwh}, by size and kind "
        "({source}, unverified)."
        if litres is None
        else "In a year it takes {year}; new ones of {litres} l may take {least_kwh} to "
        "{most_kwh}, by kind ({source}, unverified)."
    )
    source = Said(text=rule["source"])
    figures = {"year": load.kwh, "least_kwh": least, "most_kwh": most, "source": source}
    if litres is not None:
        figures["litres"] = f"{litres:g}"
    return [
        LookInto(
            load=load.name,
            do=Said(text="{appliance}: weigh a new one", figures={"appliance": load.name}),
            first=_first(house, load),
            rests_on=Said(text=text, figures=figures),
            wrong_if=Said(
                text="A new one of its size takes as much by its label, or its circuit feeds "
                "something else too."
            ),
            at_stake_kwh=kwh,
            at_stake_money=load.saved_by(kwh),
        )
    ]


def _first(house: House, load: LoadYear) -> Said:
    """How to begin; with a tariff, what a new one may cost."""
    each = load.saved_by(measured(EACH_KWH, 0.0, unit="kWh", n=0, basis="stated"))
    if each is None:
        return Said(text="Look up what a new one of its size takes in a year by its label.")
    interest = house.schedule.write_up.interest
    pays = present_value(each, price=0.0, life_years=LIFE_YEARS, interest=interest)
    return Said(
        text="Look up what a new one of its size takes in a year by its label: each {each_kwh} "
        "less saves {each_money}, and over {life_years} years at {interest_share} interest pays "
        "for {pays_money} of its price.",
        figures={
            "each_kwh": EACH_KWH,
            "each_money": each.value,
            "life_years": LIFE_YEARS,
            "interest_share": interest,
            "pays_money": pays.value,
        },
    )


def _rule(finding: ApplianceFinding, country: str) -> Mapping[str, Any] | None:
    """Entry of the table for such a load in a country; what both cools and freezes is the first."""
    appliance = "refrigerator" if named(finding, NAMES["refrigerator"]) else "freezer"
    region = "EU" if EU.fullmatch(country) else country
    for rule in shared_table(TABLE).values():
        if rule["appliance"] == appliance and re.fullmatch(rule["countries"], region):
            return rule
    return None


def _of_volume(line: Mapping[str, float], litres: float | None) -> float:
    """What new ones may take in a year [kWh], of a volume, or of that of its end of the range."""
    return line["kwh"] + line["kwh_per_l"] * (line["l"] if litres is None else litres)
