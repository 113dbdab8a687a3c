"""The findings as a table for programs, and as one in Markdown for people."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import pandas as pd

from homeenergy.findings.appliance.wording import (
    COUNTED,
    interval_text,
    notes,
    percent_text,
    shared_remarks,
    shown,
    value_text,
)
from homeenergy.findings.cost.mean_price import paid_prices

if TYPE_CHECKING:
    from homeenergy.findings.appliance.appliance import ApplianceFinding
    from homeenergy.findings.appliance.house import Findings
    from homeenergy.stats.estimate import Estimate


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
