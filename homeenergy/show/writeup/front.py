"""First page: who, what, and what comes of it in money."""

from __future__ import annotations

from datetime import date

from homeenergy.findings.appliance.record import estimate_text, percent_text, shown
from homeenergy.findings.saving.saving import Saving
from homeenergy.show.document.blocks import Block, Bullets, Facts, Heading, Picture, Prose, Table
from homeenergy.show.writeup.actions import is_sure, saving_text
from homeenergy.show.writeup.basis import Basis, money_text

LARGEST = 3


def front_blocks(basis: Basis, written: date) -> tuple[Block, ...]:
    """Author, client, site and dates, where they are known."""
    details = basis.house.schedule.write_up
    start, end = basis.local(basis.findings.start), basis.local(basis.findings.end)
    rows = [
        ("House", basis.house.name),
        ("Client", details.client),
        ("Site", details.site),
        ("Prepared by", details.author),
        ("Measured", f"{day_text(start)} to {day_text(end)} ({basis.zone})"),
        ("Written", day_text(written)),
    ]
    blocks: list[Block] = [Facts(rows=tuple(row for row in rows if row[1]))]
    if details.image is not None:
        blocks.append(
            Picture(
                image=details.image.read_bytes(),
                caption=details.site or basis.house.name,
                alternative=f"Picture of {details.site or basis.house.name}.",
                width_share=0.6,
            )
        )
    return tuple(blocks)


def day_text(day: date) -> str:
    """Write a date so that nobody can mix up day and month."""
    return f"{day.day} {day:%B %Y}"


def summary_blocks(basis: Basis, actions: tuple[Saving, ...]) -> tuple[Block, ...]:
    """What the house uses, the largest findings in money, what to do, how far to trust it."""
    return (
        Heading(text="Summary"),
        Prose(text=_opening(basis)),
        *_largest(basis),
        *_first_actions(actions),
        Prose(text=trust_sentence(basis)),
    )


def _opening(basis: Basis) -> str:
    findings, measured = basis.findings, basis.measured
    circuits = f"{len(measured)} circuit{'' if len(measured) == 1 else 's'}"
    text = f"Over {basis.days:.0f} days, {circuits} of {basis.house.name} were logged."
    if findings.mains_kwh_per_day is None:
        text += " The mains were not logged, so what other circuits use is not known."
    else:
        text += f" The house used {estimate_text(findings.mains_kwh_per_day, of='days')} a day"
        rest = findings.unmeasured_kwh_per_day
        text += (
            "."
            if rest is None
            else f", {estimate_text(rest)} of it unmeasured (mains less all circuits)."
        )
    if findings.currency is None:
        text += " house.toml sets no tariff, so nothing is given in money."
    if basis.days < 14:
        text += " A log this short says little about a usual week."
    return text


def _largest(basis: Basis) -> tuple[Block, ...]:
    costs = [f for f in basis.measured if f.cost_per_year is not None]
    ranked = sorted(costs, key=lambda f: -f.cost_per_year.value) if costs else basis.measured  # type: ignore[union-attr]
    top = tuple(ranked[:LARGEST])
    if not top:
        return (Prose(text="No appliance was found."),)
    rows = tuple(
        (
            f.appliance,
            money_text(shown(f, "cost_per_year")),
            estimate_text(shown(f, "kwh_per_day"), of="days"),
            percent_text(basis.share_of_house(f)),
        )
        for f in top
    )
    whole = "house" if basis.findings.mains_kwh_per_day is not None else "measured circuits"
    return (
        Table(
            head=("appliance", "cost per year", "energy per day", f"share of the {whole}"),
            rows=rows,
            caption="The largest users. In brackets: 95 % intervals. Cost per year if the whole "
            "year is like these days.",
            numeric=frozenset({1, 2, 3}),
        ),
    )


def _first_actions(actions: tuple[Saving, ...]) -> tuple[Block, ...]:
    sure = [action for action in actions if is_sure(action)]
    # What needs an electrician first is not what a reader can do first.
    sure.sort(key=lambda action: action.part == "idle" and action.price is None)
    if sure:
        lines = tuple(
            f"{action.measure}: saves {saving_text(action)} a year." for action in sure[:LARGEST]
        )
        return (Prose(text="What is worth doing first:"), Bullets(items=lines))
    if actions:
        text = (
            "None of the actions looked at saves an amount significantly different from zero; "
            "the part on recommended actions says what was looked at."
        )
    else:
        text = "These data suggest no action."
    return (Prose(text=text),)


def _nothing_wrong(basis: Basis) -> str:
    """That nothing contradicts the panel schedule, naming only what could be compared with it."""
    check = basis.check
    compared = {
        "a reference meter": bool(check.bench),
        "the mains": check.balance is not None,
        "the utility meter": check.meter is not None,
    }
    seen = [name for name, had in compared.items() if had]
    if not seen:
        return (
            "The clamps could not be compared with a reference meter, the mains or the utility "
            "meter, so all figures rest on the panel schedule being right."
        )
    listed = " and ".join([", ".join(seen[:-1]), seen[-1]] if seen[1:] else seen)
    return f"Compared with {listed}, nothing contradicts the panel schedule."


def trust_sentence(basis: Basis) -> str:
    """How far the figures can be trusted, in a sentence or two."""
    check = basis.check
    wrong, doubtful = (
        [c for c in check.concerns if c.weight == weight] for weight in ("wrong", "doubtful")
    )
    if wrong:
        text = (
            f"{len(wrong)} finding{'' if len(wrong) == 1 else 's'} of the check contradict how the "
            "clamps are said to sit; figures of these circuits may be wrong: "
            + ", ".join(dict.fromkeys(c.subject for c in wrong))
            + "."
        )
    else:
        text = _nothing_wrong(basis)
    if doubtful:
        about = ", ".join(dict.fromkeys(c.subject for c in doubtful if c.subject))
        text += f" Needs a look before figures are relied on: {about}."
    if check.meter is not None:
        text += f" {check.meter.verdict}"
    return text
