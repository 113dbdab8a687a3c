"""The findings of a house: a table for programs, one in Markdown for people, and notes on it."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import pandas as pd

from homeenergy.findings.appliance.record import ApplianceFinding
from homeenergy.findings.appliance.wording import (
    COUNTED,
    MARKS,
    interval_text,
    percent_text,
    shown,
    value_text,
)
from homeenergy.findings.cost.mean_price import paid_prices
from homeenergy.stats.estimate import Estimate


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Findings:
    """Findings of all circuits of a house, the greatest user first.

    `mains_kwh_per_day` and `unmeasured_kwh_per_day` are None where the mains are not logged.
    """

    house_name: str
    timezone: str
    currency: str | None
    start: pd.Timestamp
    end: pd.Timestamp
    appliances: tuple[ApplianceFinding, ...]
    mains_kwh_per_day: Estimate | None
    unmeasured_kwh_per_day: Estimate | None

    def to_frame(self) -> pd.DataFrame:
        """One row an appliance; intervals as columns ending in `_low` and `_high`.

        `kind_sure` is a score of how well a kind that nobody stated fits, 1 where house.toml says
        it; it is no probability. Where the standby is below what can be told, `standby_resolved`
        is False, `standby_w` empty, and `standby_w_high` the bound. Where prices depend on the
        time, `price_per_kwh` is the average that the appliance paid.
        """
        return findings_frame(self)

    def to_markdown(self) -> str:
        """A Markdown table of the figures a person would paste, with the remarks below it."""
        return findings_markdown(self)

    def _repr_html_(self) -> str:
        return self.to_frame().to_html()


def findings_frame(findings: Findings) -> pd.DataFrame:
    """One row an appliance; see `Findings.to_frame`."""
    rows = []
    prices = paid_prices(findings.appliances) if findings.currency is not None else None
    for number, a in enumerate(findings.appliances):
        row: dict[str, object] = {
            "circuit": a.circuit,
            "appliance": a.appliance,
            "kind": a.kind,
            "kind_sure": a.kind_sure,
            "days": a.days,
            "coverage": a.coverage,
            "runs": a.runs,
            "correction": a.correction,
            "clamp_uncertainty": math.nan if a.clamp_uncertainty is None else a.clamp_uncertainty,
        }
        row |= _columns("run_kwh", a.run_kwh) | _columns("standby_w", a.standby_w)
        row["standby_resolved"] = is_resolved(a.standby_w)
        row |= _columns("kwh_per_day", a.kwh_per_day)
        row |= {"idle_share": plain_share(a.idle_share), "duty_cycle": a.duty_cycle}
        if findings.currency is not None:
            row |= _columns("cost_per_year", a.cost_per_year)
        if prices is not None:
            row["price_per_kwh"] = prices[number]
        row["remarks"] = "; ".join(a.remarks)
        rows.append(row)
    return pd.DataFrame(rows)


def is_resolved(estimate: Estimate) -> bool:
    """Whether there is a value, and not only a bound or nothing."""
    return bool(estimate.resolved) and math.isfinite(estimate.value)


def plain_share(share: float) -> float:
    """Give a share of one; what noise makes of nothing, a little below zero, is nothing."""
    return share if math.isnan(share) else max(share, 0.0)


def _columns(name: str, estimate: Estimate | None) -> dict[str, float]:
    ends = [f"{name}_{part}" for part in ("low", "high", "spread", "systematic")]
    if estimate is None:
        return dict.fromkeys([name, *ends], math.nan)
    value = estimate.value if estimate.resolved else math.nan
    parts = (estimate.low, estimate.high, estimate.spread, estimate.systematic)
    return {name: value, **dict(zip(ends, parts, strict=True))}


def findings_markdown(findings: Findings) -> str:
    """A table of the figures a person would paste, and below it what must be known about them."""
    costs = findings.currency is not None
    head = ["appliance", "complete runs", "kWh per run", "kWh per day", "standby [W]"]
    head += ["idle share", *([f"cost per year [{findings.currency}]"] if costs else [])]
    rows = [head, ["---"] * len(head)]
    rows += [_markdown_row(finding, costs=costs) for finding in findings.appliances]
    lines = ["| " + " | ".join(c.replace("|", "\\|") for c in row) + " |" for row in rows]
    lines += ["", f"In brackets: 95 % intervals. {' '.join(notes(findings))}"]
    remarks = shared_remarks(findings.appliances)
    if remarks:
        lines += ["", *(f"- {names}: {remark}" for names, remark in remarks)]
    return "\n".join(lines)


def _markdown_row(finding: ApplianceFinding, *, costs: bool) -> list[str]:
    idle = percent_text(finding.idle_share) if math.isfinite(finding.idle_share) else ""
    return [
        finding.appliance,
        f"{finding.runs:,}",
        _cell(finding, "run_kwh"),
        _cell(finding, "kwh_per_day"),
        _cell(finding, "standby_w").removesuffix(" W"),
        idle,
        *([_cell(finding, "cost_per_year")] if costs else []),
    ]


def _cell(finding: ApplianceFinding, name: str) -> str:
    estimate = shown(finding, name)
    interval = interval_text(estimate, of=COUNTED.get(name, ""))
    return f"{value_text(estimate)} ({interval})" if interval else value_text(estimate)


def notes(findings: Findings) -> list[str]:
    """Sentences without which the figures would be misread."""
    stated = any(a.clamp_uncertainty is not None for a in findings.appliances)
    where = " where house.toml does not state them" if stated else ""
    sentences = [
        "The intervals tell how far the mean of days, or runs, like these may be off, judged by "
        f"how much they differ; errors of the clamps come on top{where}.",
        "A run that the log cuts short counts in the energy of its day and not in the energy of a "
        "run.",
    ]
    if findings.unmeasured_kwh_per_day is not None:
        sentences.append(
            "The interval of what no circuit measures allows for errors of the clamps."
        )
    if findings.currency is not None:
        hours = "" if paid_prices(findings.appliances) is None else " at the hours it was used"
        sentences.append(
            "Cost per year: as if the whole year were like these days, at the price of energy "
            f"alone{hours}."
        )
    used = {mark for finding in findings.appliances for mark in _marks(finding)}
    meanings = [f"{mark} = {MARKS[mark]}" for mark in MARKS if mark in used]
    if meanings:
        sentences.append(f"In place of an interval: {'; '.join(meanings)}.")
    return sentences


def _marks(finding: ApplianceFinding) -> Iterable[str]:
    for name in (*COUNTED, "standby_w"):
        yield interval_text(shown(finding, name)).split(",")[0]


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
