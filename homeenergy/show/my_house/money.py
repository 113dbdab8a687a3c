"""What a house pays, would pay on offer, and could save without buying anything."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import pandas as pd

from homeenergy.errors import HouseError
from homeenergy.findings import (
    Findings,
    combine_savings,
    energy_cost,
    shift_in_time,
    switch_off_when_idle,
    switch_programme,
)
from homeenergy.findings.appliance.record import percent_text
from homeenergy.findings.cost import EnergyCost
from homeenergy.findings.saving.advice import leaner_programme
from homeenergy.findings.saving.saving import Saving
from homeenergy.findings.saving.shifting import Shift
from homeenergy.house import read_tariff_file
from homeenergy.house.tariff import Tariff
from homeenergy.readings import House
from homeenergy.show.my_house.answers import told
from homeenergy.show.my_house.has import idling, largest
from homeenergy.stats.estimate import number_text

INVENTED_FOR = 0.31  # price of a kWh [its currency] for which the offer was thought out
MOST_OFF = 3  # appliances whose switch is proposed


def offered_tariff(house: House, path: str | Path) -> Tariff:
    """An invented tariff by time of use, in the currency of a house and scaled to its price.

    Parameters
    ----------
    house : House
    path : path
        Of the tariff, with prices for a house that pays `INVENTED_FOR`.

    Raises
    ------
    HouseError
        If the house has no tariff, or one with more than one price.
    """
    own = house.tariff
    if own is None:
        raise HouseError(
            "its house.toml has no tariff", fix="Write [tariff] with currency and price_per_kwh."
        )
    if own.single_price is None:
        raise HouseError(
            "its tariff has several prices already",
            fix='Read the file of a real offer: read_tariff_file("offer.toml").',
        )
    offer = read_tariff_file(path)
    scale = own.single_price / INVENTED_FOR
    periods = tuple(
        replace(one, price_per_kwh=round(one.price_per_kwh * scale, 3)) for one in offer.periods
    )
    return replace(offer, currency=own.currency, periods=periods)


def two_bills(
    house: House, findings: Findings, *, on_offer: Tariff
) -> tuple[pd.DataFrame, dict[str, EnergyCost]]:
    """What each appliance cost in these days, and would have cost on offer.

    Returns
    -------
    DataFrame
        One row an appliance: kWh, now, on offer [currency], change [%].
    dict of str to EnergyCost
        By appliance, on offer.
    """
    own = house.tariff
    if own is None:
        raise HouseError("its house.toml has no tariff")
    offer, rows = {}, {}
    for row in largest(findings, most=len(findings.appliances)):
        trace = house.trace(row.circuit)
        now = energy_cost(trace, tariff=own, timezone=house.timezone)
        offer[row.appliance] = energy_cost(trace, tariff=on_offer, timezone=house.timezone)
        rows[row.appliance] = (now.kwh, now.cost, offer[row.appliance].cost)
    bill = pd.DataFrame.from_dict(rows, orient="index", columns=["kWh", "now", "on offer"])
    return bill.assign(**{"change [%]": 100 * (bill["on offer"] / bill["now"] - 1)}), offer


def offer_answer(bill: pd.DataFrame, offer: Tariff) -> str:
    """Which of two tariffs these days would have cost less."""
    now, then = bill["now"].sum(), bill["on offer"].sum()
    more = "more" if then > now else "less"
    return (
        f"On offer, all of it would have cost {number_text(abs(then - now), 1)} {offer.currency} "
        f"{more}, {percent_text(abs(then / now - 1))} of {number_text(now, 0)} {offer.currency}."
    )


def free_measures(findings: Findings, house: House) -> list[Saving]:
    """What saves energy and costs nothing: another programme for the same job, off while idle."""
    found = []
    for row in findings.appliances:
        with suppress(HouseError):
            leaner = leaner_programme(row, names=house.schedule.programmes)
            if leaner is not None:
                uses, usual, lean = leaner
                found.append(
                    switch_programme(
                        row, programmes=uses.programmes, usual=usual.name, instead=lean.name
                    )
                )
    with suppress(HouseError):
        for use in idling(findings, most=len(findings.appliances))[: 2 * MOST_OFF]:
            with suppress(HouseError):
                found.append(switch_off_when_idle(use, price=0.0))
    return found[: MOST_OFF + 1]


def movable(findings: Findings, shifts: Sequence[Shift]) -> list[Saving]:
    """What starting later would save, of each appliance that can wait.

    Raises
    ------
    HouseError
        If none can.
    """
    rows = {row.circuit: row for row in findings.appliances}
    found = [shift_in_time(rows[one.circuit], shift=one) for one in shifts if not one.why_not]
    if not found:
        raise HouseError("no appliance of this house can wait for a cheaper hour")
    return found


def cost_answer(findings: Findings, measures: Sequence[Saving]) -> str:
    """What a year like these days costs, and what could be saved for nothing."""
    rows = [row for row in findings.appliances if row.cost_per_year is not None and row.days]
    text = "**The answer.** "
    if rows:
        sum_of_all = sum(row.cost_per_year.value for row in rows if row.cost_per_year)
        most = max(rows, key=lambda row: row.cost_per_year.value if row.cost_per_year else 0)
        text += (
            f"In a year like these days the energy of the circuits measured costs about "
            f"{number_text(sum_of_all, 0)} {findings.currency}, most of it for "
            f"{most.appliance}: {told(most.cost_per_year)}. "
        )
    else:
        text += "No cost can be told, as house.toml has no tariff. "
    if not measures:
        return f"{text}Nothing was found that would save energy for nothing."
    total = combine_savings(measures)
    money = total.total_cost_per_year
    saved = told(total.total_kwh_per_year)
    saved += f" or {told(money)}" if money is not None else ""
    return f"{text}Without buying anything, {saved} a year could be saved."
