"""A saving: energy and money of a year, what it costs, when it is paid back; several together."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from math import inf, isfinite, nan
from typing import Literal

import pandas as pd

from homeenergy.errors import HouseError
from homeenergy.findings.appliance.record import (
    ApplianceFinding,
    estimate_text,
    interval_text,
    is_bound,
    percent_text,
    value_text,
)
from homeenergy.findings.cost import SAME_PRICE, price_saved
from homeenergy.findings.days import day_parts
from homeenergy.findings.loads.idle import bound_text
from homeenergy.findings.weather.seasons import SEASON_LIMIT
from homeenergy.findings.year import AnnualEnergy, annual_energy, with_unseen_days
from homeenergy.house.kinds import KINDS
from homeenergy.stats.estimate import Estimate, number_text
from homeenergy.stats.parts import Parts, Source
from homeenergy.stats.propagation import time_to_reach
from homeenergy.units import DAYS_PER_YEAR

SIMPLE = "Simple payback: no interest, no change of prices, no upkeep, no value of the old unit."
Part = Literal["all", "idle", "use", "price"]
RULES = (
    "Several measures on one circuit: each acts on what the earlier ones leave, and saves the same "
    "share of that. Idle and use are separate, so switching off while idle takes nothing from "
    "a better programme.",
    "Moving runs to cheaper hours makes a kWh of use cheaper, so whatever else saves use is then "
    "worth less.",
    "Uncertainties of measures on one circuit are added, as they come from the same days and "
    "clamp; those of different circuits are combined as the square root of the sum of squares.",
)


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
        # No scatter of this log, so that more days of it make it no smaller.
        given = {source: replace(part, observed=False) for source, part in number.parts.items()}
        found = replace(number, parts=Parts(given))
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
    return time_to_reach(price, cost_per_year, unit="years", basis=basis)


def present_value(
    per_year: Estimate, *, price: float, life_years: float, interest: float
) -> Estimate:
    """Net present value of a measure [currency].

    Parameters
    ----------
    per_year : Estimate
        What it saves in a year [currency], paid at the end of each.
    price : float
        What it costs now, subsidies taken off [currency].
    life_years : float
        Years for which it saves [years]; a part of a year counts as that part.
    interest : float
        Of a year, after inflation.

    Notes
    -----
    The sum of a year's saving over (1 + i)^k, k from 1 to the life, less the price: textbook
    annuity. Prices of energy stay as they are; nothing is left of it at the end.

    Examples
    --------
    >>> from homeenergy.stats.estimate import measured
    >>> saved = measured(100.0, 10.0, unit="EUR", n=9, basis="")
    >>> round(present_value(saved, price=500, life_years=10, interest=0.03).value, 2)
    353.02
    """
    if not (life_years > 0 and 0 <= interest < 1):
        raise ValueError(
            f"life_years must be above 0 and interest from 0 to 1, got {life_years} and {interest}"
        )
    worth = life_years if interest == 0 else (1 - (1 + interest) ** -life_years) / interest
    return per_year.scaled(worth).plus(-price)


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
    parts = day_parts(finding.cycles, finding.daily)
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
    measured: bool = True,
) -> Saving:
    """A saving of energy, with what it is worth: what the bill falls by for a kWh of the appliance.

    `before` is what the part of it takes in a year [kWh]; `share` of it is saved; default: as
    much as `kwh` is of it. `annual` is given where `kwh` allows for the rest of the year already;
    else it is widened by what days that were not seen may differ. `measured` says that what is
    saved is energy that this log saw drawn, or a stated share of it: the days seen are then known,
    and only others may differ by chance. What runs would have taken that were made otherwise is
    known from the mean of others alone.
    """
    seen, limit, season = unseen_days(finding, annual)
    if annual is None:
        kwh = of_the_year(kwh, finding, seen=seen if measured else 0.0, limit=limit)
    paid = price_saved(finding, at_rest=part == "idle")
    worth = finding.worth_at_rest if part == "idle" else finding.worth
    cost = None if paid is None else kwh.scaled(paid[0], unit=paid[1])
    unit = "" if paid is None else paid[1]
    given = None if price is None else as_estimate(price, unit=unit, what="price")
    lines = [*assumptions, season]
    if paid is None:
        lines.append("No tariff is known, so there is no figure in money.")
    elif abs(worth - 1) > SAME_PRICE:
        lines.append(
            f"A kWh saved is worth {paid[0]:.3g} {paid[1]}: by so much the bill falls without it; "
            "standing charges stay."
        )
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


def of_the_year(
    saved: Estimate, finding: ApplianceFinding, *, seen: float, limit: float
) -> Estimate:
    """What is saved in a year, with what days that were not seen may differ by."""
    if not (seen or limit) or not isfinite(saved.value) or not saved.resolved:
        return saved
    basis = f"{saved.basis}; unseen days"
    return with_unseen_days(saved, limit, circuit=finding.circuit, basis=basis, seen=seen)


def unseen_days(finding: ApplianceFinding, annual: AnnualEnergy | None) -> tuple[float, float, str]:
    """Share of the year that was seen, by which share others may differ, a line that says so."""
    try:
        year = annual_energy(finding) if annual is None else annual
    except HouseError:
        return (
            0.0,
            0.0,
            "The whole year is taken to be like the measured hours, less than a whole day.",
        )
    limit = (1 - year.share_of_year) * SEASON_LIMIT[year.season]
    line = (
        f"The year is like these {finding.days:.0f} days; others may lie up to "
        f"{percent_text(limit)} above or below (own rule). {year.warning}".strip()
    )
    return year.share_of_year, limit, line


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Savings:
    """What several measures save together.

    Attributes
    ----------
    savings : tuple of Saving
        Each alone, in the order in which they are made.
    kwh_per_year, cost_per_year : tuple of Estimate
        What each saves after those before it [kWh; currency, None without a tariff].
    total_kwh_per_year : Estimate
    total_cost_per_year : Estimate or None
    total_price, payback_years : Estimate or None
        None where the price of one of them is not said.
    """

    savings: tuple[Saving, ...]
    kwh_per_year: tuple[Estimate, ...]
    cost_per_year: tuple[Estimate | None, ...]
    total_kwh_per_year: Estimate
    total_cost_per_year: Estimate | None
    total_price: Estimate | None
    payback_years: Estimate | None

    @property
    def sentence(self) -> str:
        """The answer in words."""
        text = f"Together they would save {saved_text(self.total_kwh_per_year)}"
        if self.total_cost_per_year is not None:
            text += f" or {saved_text(self.total_cost_per_year)}"
        alone = sum(s.kwh_per_year.value for s in self.savings)
        twice = alone - self.total_kwh_per_year.value
        text += " a year"
        if twice > 0.005 * abs(alone):
            text += f", {twice:.0f} kWh less than the sum of each alone, as they overlap"
        if self.payback_years is None:
            return f"{text}."
        return f"{text}; the sum {payback_text(self.payback_years)}."

    def to_frame(self) -> pd.DataFrame:
        """One row a measure: alone, and after those before it (`_together`)."""
        rows = []
        for one, kwh, cost in zip(self.savings, self.kwh_per_year, self.cost_per_year, strict=True):
            row: dict[Hashable, object] = one.to_frame().iloc[0].to_dict()
            row.update(figures("kwh_per_year_together", kwh))
            row.update(figures("cost_per_year_together", cost))
            rows.append(row)
        return pd.DataFrame(rows)

    def to_markdown(self) -> str:
        """A table of the measures and their sum, then every assumption, line by line."""
        head = ["measure", "kWh a year alone", "kWh a year together", "money a year together"]
        head += ["price", "payback alone"]
        table = [head, ["---"] * len(head)]
        for one, kwh, cost in zip(self.savings, self.kwh_per_year, self.cost_per_year, strict=True):
            alone = payback_text(one.payback_years) if one.payback_years is not None else ""
            table.append(
                [
                    one.measure,
                    saved_text(one.kwh_per_year).replace(" kWh", ""),
                    saved_text(kwh).replace(" kWh", ""),
                    saved_text(cost),
                    "not said" if one.price is None else given_text(one.price),
                    alone,
                ]
            )
        lines = ["| " + " | ".join(c.replace("|", "\\|") for c in row) + " |" for row in table]
        lines += ["", self.sentence, "", *(f"- {rule}" for rule in RULES)]
        for one in self.savings:
            lines += ["", f"{one.measure}:", "", *(f"- {line}" for line in one.assumptions)]
        return "\n".join(lines)


@dataclass(slots=True)
class _Left:
    """What earlier measures leave of a circuit, as shares of what it takes now."""

    idle: float = 1.0
    use: float = 1.0
    price: float = 1.0


def combine_savings(savings: Iterable[Saving]) -> Savings:
    """Add savings up so that no kWh is saved twice.

    Parameters
    ----------
    savings : iterable of Saving
        In the order in which they are made. The sum does not depend on it.

    Returns
    -------
    Savings

    Raises
    ------
    HouseError
        If there are none, or they are in different currencies.

    Notes
    -----
    Own rule. A measure that saves a share s of a part of a circuit leaves (1 - s) of it, so two
    leave the product of both, and together never save more than the circuit takes. A measure on all
    of the energy (a new unit) leaves as much of waiting as of working. See `RULES`.
    """
    made = tuple(savings)
    if not made:
        raise HouseError("there are no savings to add up", fix="Give at least one Saving.")
    units = {s.cost_per_year.unit for s in made if s.cost_per_year is not None}
    if len(units) > 1:
        raise HouseError(
            f"the savings are in different currencies: {', '.join(sorted(units))}",
            fix="Combine those of one house.",
        )
    left: dict[str, _Left] = {}
    kwh, cost = [], []
    for one in made:
        of_kwh, of_cost = _after(one, left.setdefault(one.finding.circuit, _Left()))
        kwh.append(one.kwh_per_year.scaled(of_kwh))
        cost.append(None if one.cost_per_year is None else one.cost_per_year.scaled(of_cost))
    circuits = [s.finding.circuit for s in made]
    known = [c for c in cost if c is not None]
    money = _total(known, circuits) if len(known) == len(made) else None
    prices = [s.price for s in made if s.price is not None]
    price = (
        _total(prices, [str(i) for i in range(len(prices))]) if len(prices) == len(made) else None
    )
    return Savings(
        savings=made,
        kwh_per_year=tuple(kwh),
        cost_per_year=tuple(cost),
        total_kwh_per_year=_total(kwh, circuits),
        total_cost_per_year=money,
        total_price=price,
        payback_years=payback(price, money),
    )


def _after(one: Saving, left: _Left) -> tuple[float, float]:
    """Shares of its energy and money that a measure still saves; takes away what it saves."""
    stays = 1.0 - one.share
    if one.part == "idle":
        factors = (left.idle, left.idle)
        left.idle *= stays
    elif one.part == "use":
        factors = (left.use, left.use * left.price)
        left.use *= stays
    elif one.part == "price":
        factors = (1.0, left.use * left.price)
        left.price *= stays
    else:
        now = energy_now(one.finding)
        total = now["idle"] + now["use"]
        shares = (now["idle"] / total, now["use"] / total) if total > 0 else (0.0, 1.0)
        factors = (
            shares[0] * left.idle + shares[1] * left.use,
            shares[0] * left.idle + shares[1] * left.use * left.price,
        )
        left.idle *= stays
        left.use *= stays
    return factors


def _total(parts: Sequence[Estimate], circuits: Sequence[str]) -> Estimate:
    """Sum; what measures on one circuit scatter by is taken to be the same error in all of them."""
    total, *others = (
        one.merged(Source("scatter", circuit)) for one, circuit in zip(parts, circuits, strict=True)
    )
    for one in others:
        total = total + one
    return replace(total, basis="sum of what each saves after those before it")
