"""A saving: energy and money of a year, what the measure costs, and when it has paid back."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import inf, isfinite, nan
from typing import Literal

import pandas as pd

from homeenergy.errors import HouseError
from homeenergy.findings.appliance.record import ApplianceFinding
from homeenergy.findings.appliance.wording import (
    estimate_text,
    interval_text,
    is_bound,
    percent_text,
    value_text,
)
from homeenergy.findings.cost.mean_price import mean_price, price_at_rest
from homeenergy.findings.day_parts import day_parts
from homeenergy.findings.loads.idle import bound_text
from homeenergy.findings.weather.seasons import SEASON_LIMIT
from homeenergy.findings.year.annual import AnnualEnergy, annual_energy, with_unseen_days
from homeenergy.house.kinds import KINDS
from homeenergy.stats.estimate import Estimate, number_text
from homeenergy.units import DAYS_PER_YEAR

SIMPLE = "Simple payback: no interest, no change of prices, no upkeep, no value of the old unit."
Part = Literal["all", "idle", "use", "price"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Saving:
    """What one measure on one circuit would save in a year.

    Attributes
    ----------
    measure : str
        What is done.
    finding : ApplianceFinding
        The circuit that it acts on, as it is now.
    part : str
        What it acts on: "all" of the energy, only what is drawn "idle" or in "use", or only the
        "price" at which it is used.
    share : float
        Share of that part that is saved; below zero where more is used. At most 1.
    kwh_per_year : Estimate
        Energy saved [kWh].
    cost_per_year : Estimate or None
        Money saved [currency]; None without a tariff.
    price : Estimate or None
        What the measure costs once [currency]; None where that is not said.
    payback_years : Estimate or None
        Simple payback: price over money saved a year, without interest or dearer energy.
    assumptions : tuple of str
        All that was taken for granted, one a line.
    """

    measure: str
    finding: ApplianceFinding
    part: Part
    share: float
    kwh_per_year: Estimate
    cost_per_year: Estimate | None
    price: Estimate | None
    payback_years: Estimate | None
    assumptions: tuple[str, ...]

    @property
    def sentence(self) -> str:
        """The answer in words."""
        text = f"{self.measure} would {_saves(self.kwh_per_year, self.cost_per_year)}"
        if self.payback_years is None or self.price is None:
            return f"{text}."
        if self.price.high == 0:
            return f"{text}, and costs nothing."
        return f"{text}; at {given_text(self.price)} it {payback_text(self.payback_years)}."

    def to_frame(self) -> pd.DataFrame:
        """One row; intervals as columns ending in `_low` and `_high`, assumptions as one text."""
        row: dict[str, object] = {
            "circuit": self.finding.circuit,
            "appliance": self.finding.appliance,
            "measure": self.measure,
            "part": self.part,
            "share": self.share,
        }
        row |= figures("kwh_per_year", self.kwh_per_year)
        row |= figures("cost_per_year", self.cost_per_year)
        row |= figures("price", self.price)
        row |= figures("payback_years", self.payback_years)
        row["assumptions"] = " ".join(self.assumptions)
        return pd.DataFrame([row])

    def to_markdown(self) -> str:
        """The sentence, and all that was taken for granted as a list below it."""
        return "\n".join([self.sentence, "", *(f"- {line}" for line in self.assumptions)])


def figures(name: str, estimate: Estimate | None) -> dict[str, float]:
    """An estimate as columns; the value of a bound is left out."""
    if estimate is None:
        return {name: nan, f"{name}_low": nan, f"{name}_high": nan}
    value = estimate.value if estimate.resolved else nan
    return {name: value, f"{name}_low": estimate.low, f"{name}_high": estimate.high}


def as_estimate(number: float | Estimate, *, unit: str, what: str, least: float = 0.0) -> Estimate:
    """A figure that a person gives: exact, or with an interval of its own.

    Raises
    ------
    ValueError
        If it is not a number, or below `least`.
    """
    if isinstance(number, Estimate):
        found = number
    else:
        value = float(number)
        found = Estimate(value=value, low=value, high=value, unit=unit, n=1, basis="as given")
    if not isfinite(found.value) or found.value < least:
        raise ValueError(f"{what} must be a number of at least {least:g} {unit}, got {number!r}")
    return found


def payback(price: Estimate | None, cost_per_year: Estimate | None) -> Estimate | None:
    """Years after which a price has come back, or None where price or saving is not known.

    Returns
    -------
    Estimate
        `high` is infinite where the saving may be nothing ("not known to pay back"), and all is
        infinite where it is nothing or a loss.
    """
    if price is None or cost_per_year is None or not isfinite(cost_per_year.value):
        return None
    basis = "price over money saved a year, without interest"
    if price.high <= 0:
        ends = (0.0, 0.0, 0.0)
    elif cost_per_year.high <= 0:
        ends = (inf, inf, inf)
    elif cost_per_year.low <= 0 or not cost_per_year.resolved:
        value = price.value / cost_per_year.value if cost_per_year.value > 0 else inf
        ends = (value, max(price.low, 0.0) / cost_per_year.high, inf)
    else:
        words = f"{basis}; interval of a ratio after Fieller (1954)"
        return replace(price.over(cost_per_year, unit="years", positive=True), basis=words)
    value, low, high = ends
    n = cost_per_year.n
    return Estimate(value=value, low=low, high=high, unit="years", n=n, basis=basis)


def payback_text(years: Estimate | None) -> str:
    """Say when a price comes back: "pays back after 4.1 years (3.0–6.2)"."""
    if years is None:
        return "has no payback that can be stated"
    if years.high == 0:
        return "costs nothing"
    if years.low == inf:
        return "does not pay back"
    if years.high == inf:
        best = number_text(years.low, 0 if years.low >= 20 else 1)
        return f"is not known to pay back (at best after {best} years)"
    return f"pays back after {value_text(years)} years ({interval_text(years)})"


def saved_text(estimate: Estimate | None) -> str:
    """A saving with its unit and interval; of a bound, that it is one."""
    if estimate is None:
        return "not known"
    if is_bound(estimate):
        return f"at most {bound_text(estimate.high)} {estimate.unit}"
    return estimate_text(estimate)


def _saves(kwh: Estimate, cost: Estimate | None) -> str:
    if not kwh.value and cost is not None:
        return f"save {saved_text(cost)} a year"
    if kwh.high < 0:
        more = -kwh
        worth = "" if cost is None else f" or {saved_text(-cost)}"
        return f"take {saved_text(more)}{worth} more a year"
    worth = "" if cost is None else f" or {saved_text(cost)}"
    text = f"save {saved_text(kwh)}{worth} a year"
    return f"{text}, which may be nothing" if kwh.resolved and kwh.low <= 0 else text


def given_text(price: Estimate) -> str:
    """Write a figure that a person gave, with an interval only if it came with one."""
    if price.low == price.high:
        places = 0 if price.value == round(price.value) else 2
        return f"{number_text(price.value, places)} {price.unit}"
    return estimate_text(price)


def energy_now(finding: ApplianceFinding) -> Mapping[str, float]:
    """What is drawn idle and in use in a year like these days, as measured [kWh].

    Together they are all of it: what is neither counts as use.
    """
    total = finding.kwh_per_day.value * DAYS_PER_YEAR
    if not finding.days or KINDS[finding.kind].never_off:
        return {"idle": 0.0, "use": total}
    parts = day_parts(finding)
    idle_kwh = float(parts["idle_kwh"].sum()) / float(parts["covered_h"].sum()) * 24
    idle = min(max(idle_kwh * DAYS_PER_YEAR, 0.0), max(total, 0.0))
    return {"idle": idle, "use": total - idle}


def need_readings(finding: ApplianceFinding) -> None:
    """Raise HouseError where nothing was measured."""
    if not finding.days or not isfinite(finding.kwh_per_day.value):
        raise HouseError(
            f"{finding.appliance} ({finding.circuit}) has no readings, so there is no saving",
            fix="Check its column in house.toml, then run: homeenergy import FOLDER",
        )


def made_saving(
    finding: ApplianceFinding,
    *,
    measure: str,
    part: Part,
    before: float,
    kwh: Estimate,
    price: float | Estimate | None,
    assumptions: list[str],
    share: float | None = None,
    annual: AnnualEnergy | None = None,
) -> Saving:
    """A saving of energy, with what it is worth at the average price of the appliance, or at rest.

    `before` is what the part of it takes in a year [kWh]; `share` of it is saved; default: as
    much as `kwh` is of it. `annual` is given where `kwh` allows for the rest of the year already;
    else it is widened by what days that were not seen may differ.
    """
    limit, season = unseen_days(finding, annual)
    if annual is None and limit and isfinite(kwh.value) and kwh.resolved:
        basis = f"{kwh.basis}; unseen days"
        kwh = with_unseen_days(kwh, limit, circuit=finding.circuit, basis=basis)
    paid = price_at_rest(finding) if part == "idle" else mean_price(finding)
    cost = None if paid is None else kwh.scaled(paid[0], unit=paid[1])
    unit = "" if paid is None else paid[1]
    given = None if price is None else as_estimate(price, unit=unit, what="price")
    lines = [*assumptions, season]
    if paid is None:
        lines.append("No tariff is known, so there is no figure in money.")
    else:
        waiting = " while it waits" if part == "idle" and finding.price_at_rest is not None else ""
        lines.append(
            f"A kWh costs {paid[0]:.3g} {paid[1]}, what this appliance pays on average{waiting}; "
            "standing charges stay."
        )
    if given is not None and given.high > 0:
        lines.append(SIMPLE)
    part_saved = (kwh.value / before if before > 0 else 0.0) if share is None else share
    return Saving(
        measure=measure,
        finding=finding,
        part=part,
        share=min(part_saved, 1.0),
        kwh_per_year=kwh,
        cost_per_year=cost,
        price=given,
        payback_years=payback(given, cost),
        assumptions=tuple(lines),
    )


def unseen_days(finding: ApplianceFinding, annual: AnnualEnergy | None) -> tuple[float, str]:
    """By which share days of the year that were not seen may differ, and a line that says so."""
    try:
        year = annual_energy(finding) if annual is None else annual
    except HouseError:
        return (
            0.0,
            "The whole year is taken to be like the measured hours, less than a whole day.",
        )
    limit = (1 - year.share_of_year) * SEASON_LIMIT[year.season]
    return limit, (
        f"The year is like these {finding.days:.0f} days; others may lie up to "
        f"{percent_text(limit)} above or below (own rule). {year.warning}".strip()
    )
