"""Recommended actions of the technical file: what each saves, on what assumptions."""

from __future__ import annotations

from homeenergy.findings.saving.advice import Advice
from homeenergy.findings.saving.saving import (
    RULES,
    Saving,
    Savings,
    combine_savings,
    payback_text,
    saved_text,
)
from homeenergy.show.document.blocks import Block, Bullets, Facts, Heading, Prose, Table
from homeenergy.show.writeup.basis import amount, money_text, spans_zero
from homeenergy.stats.estimate import Estimate

NOT_SURE = "not significantly different from zero"
NO_SWITCH = "not known: where it is wired in, an electrician has to fit a switch"


def _main(saving: Saving) -> Estimate:
    return saving.kwh_per_year if saving.cost_per_year is None else saving.cost_per_year


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


def action_blocks(advice: Advice) -> tuple[Block, ...]:
    """The actions, the greatest saving first, each with its assumptions."""
    head = Heading(text="Recommended actions", new_page=True)
    savings = tuple(one.saving for one in advice.actions)
    floor = (
        f"{advice.floor:,.0f} kWh" if advice.unit == "kWh" else amount(advice.floor, advice.unit)
    )
    left = tuple(
        f"{one.saving.measure}: {saving_text(one.saving)} a year, {why}."
        for group, why in (
            (advice.too_small, f"less than {floor}"),
            (advice.too_dear, "but it costs more than it saves while it lasts, interest counted"),
            (advice.unsure, "unsure"),
        )
        for one in group
    )
    left += tuple(one.text.format(**one.figures) for one in advice.unsaid)
    after = (Prose(text="Looked at and not advised:"), Bullets(items=left)) if left else ()
    if not savings:
        text = (
            f"No saving of {floor} a year or more could be quantified: no appliance that may be "
            "switched off has so large a standby draw, no machine is used with a more economical "
            "programme that does the same job, and the tariff has no cheaper hours to move runs to."
        )
        return (head, Prose(text=text), *after)
    sure = [saving for saving in savings if is_sure(saving)]
    together = combine_savings(sure) if sure else None
    text = (
        f"The greatest saving first; none that saves less than {floor} a year is advised, by the "
        "middle of its range. The "
        "intervals include the spread between the days of this log, and the clamp's uncertainty "
        "where it is known."
    )
    if together is not None:
        text += f" {together.sentence}"
    shared = _shared(savings)
    return (
        head,
        Prose(text=text),
        _table(savings, together),
        *_assumed(savings, shared),
        *((Heading(text="For all of these", level=2), Bullets(items=shared)) if shared else ()),
        *((Bullets(items=RULES),) if together is not None and len(sure) > 1 else ()),
        *after,
    )


def _assumed(savings: tuple[Saving, ...], shared: tuple[str, ...]) -> tuple[Block, ...]:
    """What each action alone assumes."""
    own = ((one.measure, [a for a in one.assumptions if a not in shared]) for one in savings)
    rows = tuple((measure, " ".join(lines)) for measure, lines in own if lines)
    return (Heading(text="What each assumes", level=2), Facts(rows=rows)) if rows else ()


def _table(savings: tuple[Saving, ...], together: Savings | None) -> Table:
    rows = []
    for one in savings:
        no_price = NO_SWITCH if one.part == "idle" else "not said"
        pays = payback_text(one.payback_years) if one.payback_years is not None else no_price
        rows.append((one.measure, saving_text(one), pays))
    if together is not None:
        money = together.total_cost_per_year
        total = saved_text(together.total_kwh_per_year)
        total = total if money is None else f"{money_text(money)}, {total}"
        rows.append(("All significant savings together", total, ""))
    every = combine_savings(savings).to_frame()
    return Table(
        head=("action", "saves per year", "price and payback"),
        rows=tuple(rows),
        caption="Recommended actions, ordered by worth. In brackets: 95 % intervals.",
        sheet="actions",
        data=every,
    )


def _shared(savings: tuple[Saving, ...]) -> tuple[str, ...]:
    """Assumptions that more than one action makes."""
    every = [line for saving in savings for line in saving.assumptions]
    return tuple(dict.fromkeys(line for line in every if every.count(line) > 1))
