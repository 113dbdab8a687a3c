"""The findings of a house: a table for programs, one in Markdown for people, and notes on it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import pandas as pd

from homeenergy.findings.appliance.columns import columns_for
from homeenergy.findings.appliance.record import MARKS, ApplianceFinding
from homeenergy.findings.cost import prices_differ
from homeenergy.findings.notable import Notable
from homeenergy.stats.estimate import Estimate
from homeenergy.trust.concern import Implausible


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Findings:
    """Findings of all circuits of a house, the greatest user first.

    `notable` is what stands out though nobody asked (`homeenergy.findings.notable`).
    `mains_kwh_per_day` and `unmeasured_kwh_per_day` are None where the mains are not logged, and
    where readings that cannot be believed make them so. `implausible` are such readings: circuits
    of which one is "wrong" are held out of all figures. `fed_back_kwh_per_day` is what flows out
    through the mains; `mains_kwh_per_day` is what flows in less that.
    """

    house_name: str
    timezone: str
    currency: str | None
    start: pd.Timestamp
    end: pd.Timestamp
    appliances: tuple[ApplianceFinding, ...]
    mains_kwh_per_day: Estimate | None
    unmeasured_kwh_per_day: Estimate | None
    fed_back_kwh_per_day: float = 0.0
    implausible: tuple[Implausible, ...] = ()
    notable: tuple[Notable, ...] = ()

    def to_frame(self) -> pd.DataFrame:
        """One row an appliance; intervals as columns ending in `_low` and `_high`.

        `kind_sure` is how often a kind that nobody stated is right, 1 where house.toml says it.
        Where the standby is below the resolution, `standby_resolved` is False, `standby_w` empty,
        and `standby_w_high` the bound. Where prices depend on the time, `price_per_kwh` is the
        average that the appliance paid.
        """
        columns = columns_for("frame", self.appliances, currency=self.currency)
        rows = [[column.cells(one) for column in columns] for one in self.appliances]
        return pd.DataFrame([{k: v for cell in row for k, v in cell.items()} for row in rows])

    def to_markdown(self) -> str:
        """A Markdown table of the figures a person would paste, with the remarks below it."""
        head, *rows = self._table()
        table = [head, ["---"] * len(head), *rows]
        lines = ["| " + " | ".join(c.replace("|", "\\|") for c in row) + " |" for row in table]
        warnings = warning_lines(self)
        if warnings:
            lines = [*(f"- {line}" for line in warnings), "", *lines]
        lines += ["", f"In brackets: 95 % intervals. {' '.join(notes(self))}"]
        if self.notable:
            lines += ["", "What stands out:", "", *(f"- {line}" for line in notable_lines(self))]
        remarks = shared_remarks(self.appliances)
        if remarks:
            lines += ["", *(f"- {names}: {remark}" for names, remark in remarks)]
        return "\n".join(lines)

    def _repr_html_(self) -> str:
        head, *rows = self._table()
        return pd.DataFrame(rows, columns=head).to_html(index=False)

    def _table(self) -> list[list[str]]:
        """Heads, and a row an appliance, of what a person reads."""
        columns = columns_for("markdown", self.appliances, currency=self.currency)
        texts = [[column.texts(one) for column in columns] for one in self.appliances]
        return [
            [column.label(self.currency) for column in columns],
            *([f"{value} ({end})" if end else value for value, end in row] for row in texts),
        ]


HELD_OUT = "Held out of all figures"
LOOK = "Needs a look"


def warning_lines(findings: Findings) -> list[str]:
    """Sentences on readings that cannot be, which a reader must see first."""
    heads = {"wrong": HELD_OUT, "doubtful": LOOK}
    return [f"{heads[one.weight]}: {one.sentence} {one.do}" for one in findings.implausible]


def notable_lines(findings: Findings) -> list[str]:
    """What stands out, each with its next step."""
    return [f"{one.sentence} {one.next_step}" for one in findings.notable]


def notes(findings: Findings) -> list[str]:
    """Sentences without which the figures would be misread."""
    stated = any(a.clamp_uncertainty is not None for a in findings.appliances)
    where = " where house.toml does not state them" if stated else ""
    sentences = [
        "The intervals give the uncertainty of the mean, from the spread between days or runs; "
        f"they do not include errors of the clamps{where}.",
        "An incomplete run counts towards the energy per day, not the energy per run.",
    ]
    if findings.unmeasured_kwh_per_day is not None:
        sentences.append("The interval of the unmeasured energy includes errors of the clamps.")
    if findings.currency is not None:
        hours = " at the hours it was used" if prices_differ(findings.appliances) else ""
        sentences.append(
            "Cost per year: if the whole year is like these days, at the price of energy "
            f"alone{hours}."
        )
    if any(one.demand_per_year is not None for one in findings.appliances):
        sentences.append("Demand charge per year: in brackets what it can be by the hours of use.")
    columns = columns_for("terminal", currency=findings.currency)
    used = {c.texts(one)[1].split(",")[0] for c in columns for one in findings.appliances}
    meanings = [f"{mark} = {MARKS[mark]}" for mark in MARKS if mark in used]
    if meanings:
        sentences.append(f"In place of an interval: {'; '.join(meanings)}.")
    return sentences


def shared_remarks(rows: Iterable[ApplianceFinding]) -> list[tuple[str, str]]:
    """Every remark once, with the appliances that it is about: [("Kettle, Oven", remark)]."""
    rows = list(rows)
    who: dict[str, list[str]] = {}
    for row in rows:
        for remark in row.remarks:
            who.setdefault(remark, []).append(row.appliance)
    return [
        ("All" if len(names) == len(rows) > 1 else ", ".join(names), remark)
        for remark, names in who.items()
    ]
