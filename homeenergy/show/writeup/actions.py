"""Recommended actions: what each saves, on what assumptions, ordered by worth."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from homeenergy.errors import HouseError
from homeenergy.estimate import Estimate
from homeenergy.findings.idle import idle_or_use
from homeenergy.findings.shifting import shift_to_cheap_hours
from homeenergy.findings.switching_off import switching_off
from homeenergy.findings.wording import clipped, estimate_text
from homeenergy.show.document import Block, Bullets, Heading, Prose
from homeenergy.show.writeup.basis import Basis, spans_zero
from homeenergy.show.writeup.money import money_text
from homeenergy.show.writeup.tables import grid


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Action:
    """One thing to do. `kwh` and `money` are savings of a year; either may be None."""

    circuit: str
    title: str
    kwh: Estimate | None
    money: Estimate | None
    payback: str
    assumptions: tuple[str, ...]

    @property
    def sure(self) -> bool:
        """Whether the saving can be told from nothing."""
        saving = self.money if self.money is not None else self.kwh
        return saving is not None and saving.resolved and not spans_zero(saving)

    @property
    def worth(self) -> float:
        """What the saving is at least, for the order."""
        saving = self.money if self.money is not None else self.kwh
        return saving.low if saving is not None and saving.resolved else float("-inf")

    @property
    def headline(self) -> str:
        """The action and what it saves."""
        return f"{self.title}: saves {self.saving_text} a year."

    @property
    def saving_text(self) -> str:
        """What is saved in a year, in money and energy, as far as it is known."""
        parts = [money_text(self.money)] if self.money is not None else []
        parts += [estimate_text(self.kwh)] if self.kwh is not None else []
        text = ", ".join(parts)
        return text if self.sure else f"nothing that these data can tell from zero ({text})"


def find_actions(basis: Basis) -> tuple[Action, ...]:
    """Look at every appliance for what could be saved, the greatest worth first."""
    found = [*_switching_off(basis), *_shifting(basis)]
    return tuple(sorted(found, key=lambda action: -action.worth))


def _switching_off(basis: Basis) -> list[Action]:
    found = []
    for finding in basis.measured:
        try:
            saving = switching_off(idle_or_use(finding))
        except HouseError:
            continue
        if saving.kwh_per_year is None or not saving.kwh_per_year.resolved:
            continue
        cost = saving.cost_per_year
        found.append(
            Action(
                circuit=finding.circuit,
                title=f"Switch {finding.appliance} off while nobody uses it",
                kwh=clipped(saving.kwh_per_year, finding),
                money=None if cost is None else clipped(cost, finding),
                payback="costs nothing, or a switched socket",
                assumptions=(
                    f"off for {saving.off_h_per_day:.1f} h a day, all the time outside its runs",
                    *saving.cautions,
                ),
            )
        )
    return found


def _shifting(basis: Basis) -> list[Action]:
    tariff = basis.house.tariff
    found: list[Action] = []
    if tariff is None:
        return found
    for finding in basis.measured:
        try:
            shift = shift_to_cheap_hours(finding, tariff=tariff, timezone=basis.zone)
        except HouseError:
            return found
        if shift.saving_per_year is None:
            continue
        found.append(
            Action(
                circuit=finding.circuit,
                title=f"Start {finding.appliance} at cheaper hours",
                kwh=None,
                money=shift.saving_per_year,
                payback="costs nothing",
                assumptions=shift.assumptions,
            )
        )
    return found


def action_blocks(actions: tuple[Action, ...]) -> tuple[Block, ...]:
    """The actions in the order of their worth, each with its assumptions."""
    blocks: list[Block] = [Heading(text="Recommended actions", new_page=True)]
    if not actions:
        text = (
            "Nothing was found that these data can put a figure to: no appliance rests at a draw "
            "that its clamp can tell and that may be switched off, and the tariff has no cheaper "
            "hours to move runs to."
        )
        return (*blocks, Prose(text=text))
    blocks.append(
        Prose(
            text="Ordered by what each saves at least, in the unfavourable end of its interval. "
            "Intervals are 95 %; they hold what the days of this log differ by, and the clamp's "
            "uncertainty where it is stated. Savings on the same appliance overlap and must not "
            "be added."
        )
    )
    data = pd.DataFrame(
        [
            {
                "action": action.title,
                "circuit": action.circuit,
                **_numbers("kwh_per_year", action.kwh),
                **_numbers("money_per_year", action.money),
                "payback": action.payback,
                "assumptions": "; ".join(action.assumptions),
            }
            for action in actions
        ]
    )
    shared = _shared(actions)

    def own(action: Action) -> str:
        return "; ".join(line for line in action.assumptions if line not in shared)

    columns = {
        "action": lambda a: a.title,
        "saves per year": lambda a: a.saving_text,
        "costs": lambda a: a.payback,
        "assumes": own,
    }
    blocks.append(
        grid(
            columns,
            actions,
            caption="Recommended actions, ordered by worth.",
            text=tuple(columns),
            sheet="actions",
            data=data,
        )
    )
    if shared:
        blocks += [Heading(text="For all of these", level=2), Bullets(items=shared)]
    return tuple(blocks)


def _numbers(name: str, estimate: Estimate | None) -> dict[str, float]:
    nan = float("nan")
    ends = (nan, nan, nan) if estimate is None else (estimate.value, estimate.low, estimate.high)
    return dict(zip((name, f"{name}_low", f"{name}_high"), ends, strict=True))


def _shared(actions: tuple[Action, ...]) -> tuple[str, ...]:
    """Assumptions that more than one action makes."""
    every = [line for action in actions for line in action.assumptions]
    return tuple(dict.fromkeys(line for line in every if every.count(line) > 1))
