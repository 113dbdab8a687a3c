"""Several savings together: what two of them save on one circuit is not counted twice."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass, replace

import pandas as pd

from homeenergy.errors import HouseError
from homeenergy.findings.saving.saving import (
    Saving,
    energy_now,
    figures,
    given_text,
    payback,
    payback_text,
    saved_text,
)
from homeenergy.stats.estimate import Estimate
from homeenergy.stats.parts import Source

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
