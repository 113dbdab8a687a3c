"""Recommended actions: what each saves, on what assumptions, ordered by worth."""

from __future__ import annotations

from collections.abc import Callable, Iterable

import numpy as np

from homeenergy.errors import HouseError
from homeenergy.findings.appliance.record import ApplianceFinding
from homeenergy.findings.loads.idle import idle_or_use
from homeenergy.findings.loads.programmes import programme_uses
from homeenergy.findings.saving.saving import (
    RULES,
    Saving,
    Savings,
    combine_savings,
    payback_text,
    saved_text,
)
from homeenergy.findings.saving.shifting import shift_to_cheap_hours
from homeenergy.findings.saving.what_if import shift_in_time, switch_off_when_idle, switch_programme
from homeenergy.house.kinds import KINDS
from homeenergy.show.document.blocks import Block, Bullets, Heading, Prose, Table
from homeenergy.show.writeup.basis import Basis, money_text, spans_zero
from homeenergy.stats.estimate import Estimate

NOT_SURE = "not significantly different from zero"
PLUG_A = 20  # above it, or on two legs, an appliance is wired in: common practice, no source
NO_SWITCH = "not known: where it is wired in, an electrician has to fit a switch"


def find_actions(basis: Basis, measures: Iterable[Saving] = ()) -> tuple[Saving, ...]:
    """Look at every appliance for what could be saved, the most valuable first.

    `measures` are considered in addition to those found automatically: another unit, other lamps.
    """
    found = list(measures)
    for look in (_switching_off, _another_programme, _shifting):
        for finding in basis.measured:
            try:
                found += look(basis, finding)
            except HouseError:  # too few runs, must stay on, one price only: nothing to propose
                continue
    return tuple(sorted(found, key=lambda saving: -worth(saving)))


def _main(saving: Saving) -> Estimate:
    return saving.kwh_per_year if saving.cost_per_year is None else saving.cost_per_year


def worth(saving: Saving) -> float:
    """What a saving is at least [currency, or kWh without a tariff], for the order."""
    main = _main(saving)
    return main.low if main.resolved and np.isfinite(main.low) else float("-inf")


def is_sure(saving: Saving) -> bool:
    """Whether a saving is significantly different from zero."""
    main = _main(saving)
    return bool(main.resolved) and not spans_zero(main)


def saving_text(saving: Saving) -> str:
    """What is saved in a year, and that it may be nothing where it may."""
    parts = [] if saving.cost_per_year is None else [money_text(saving.cost_per_year)]
    parts += [saved_text(saving.kwh_per_year)] if saving.kwh_per_year.value else []
    text = ", ".join(parts)
    return text if is_sure(saving) else f"{NOT_SURE} ({text})"


def _switching_off(basis: Basis, finding: ApplianceFinding) -> list[Saving]:
    idle_use = idle_or_use(finding)
    if not idle_use.idle_w.resolved:
        return []
    circuit = basis.house.circuit(finding.circuit)
    wired_in = len(circuit.legs) > 1 or (circuit.breaker_a or 0) > PLUG_A
    return [switch_off_when_idle(idle_use, price=None if wired_in else 0.0)]


def _another_programme(basis: Basis, finding: ApplianceFinding) -> list[Saving]:
    """The programme used most, made with the leanest of those used at least as an alternative."""
    if not KINDS[finding.kind].programmes:
        return []
    found = programme_uses(finding, names=basis.house.schedule.programmes)
    often = [use for use in found.uses if use.runs >= 3]
    if len(often) < 2:
        return []
    usual = max(often, key=lambda use: use.runs)
    lean = min(often, key=lambda use: use.run_kwh.value)
    if lean.name == usual.name:
        return []
    return [
        switch_programme(finding, programmes=found.programmes, usual=usual.name, instead=lean.name)
    ]


def _shifting(basis: Basis, finding: ApplianceFinding) -> list[Saving]:
    tariff = basis.house.tariff
    if tariff is None:
        return []
    shift = shift_to_cheap_hours(finding, tariff=tariff, timezone=basis.zone)
    return [shift_in_time(finding, shift=shift)]


def action_blocks(savings: tuple[Saving, ...]) -> tuple[Block, ...]:
    """The actions in the order of their worth, each with its assumptions."""
    head = Heading(text="Recommended actions", new_page=True)
    if not savings:
        text = (
            "No saving could be quantified: no appliance that may be switched off has a standby "
            "draw above the resolution of its clamp, no machine is used with a more economical "
            "programme, and the tariff has no cheaper hours to move runs to."
        )
        return (head, Prose(text=text))
    sure = [saving for saving in savings if is_sure(saving)]
    together = combine_savings(sure) if sure else None
    text = (
        "Ordered by the least that each saves, the unfavourable end of its 95 % interval. The "
        "intervals include the spread between the days of this log, and the clamp's uncertainty "
        "where it is known."
    )
    if together is not None:
        text += f" {together.sentence}"
    shared = _shared(savings)
    return (
        head,
        Prose(text=text),
        _table(savings, together, lambda one: [a for a in one.assumptions if a not in shared]),
        *((Heading(text="For all of these", level=2), Bullets(items=shared)) if shared else ()),
        *((Bullets(items=RULES),) if together is not None and len(sure) > 1 else ()),
    )


def _table(
    savings: tuple[Saving, ...], together: Savings | None, own: Callable[[Saving], list[str]]
) -> Table:
    rows = []
    for one in savings:
        no_price = NO_SWITCH if one.part == "idle" else "not said"
        pays = payback_text(one.payback_years) if one.payback_years is not None else no_price
        rows.append((one.measure, saving_text(one), pays, " ".join(own(one))))
    if together is not None:
        money = together.total_cost_per_year
        total = saved_text(together.total_kwh_per_year)
        total = total if money is None else f"{money_text(money)}, {total}"
        rows.append(("All significant savings together", total, "", ""))
    every = combine_savings(savings).to_frame()
    return Table(
        head=("action", "saves per year", "price and payback", "assumes"),
        rows=tuple(rows),
        caption="Recommended actions, ordered by worth. In brackets: 95 % intervals.",
        sheet="actions",
        data=every,
    )


def _shared(savings: tuple[Saving, ...]) -> tuple[str, ...]:
    """Assumptions that more than one action makes."""
    every = [line for saving in savings for line in saving.assumptions]
    return tuple(dict.fromkeys(line for line in every if every.count(line) > 1))
