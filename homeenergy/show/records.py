"""The findings for other programs: plain numbers, text and None."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd

    from homeenergy.estimate import Estimate
    from homeenergy.findings import ApplianceFinding, Findings

NAMES = ("circuit", "appliance", "kind", "kind_sure", "days", "coverage", "runs")
ESTIMATES = ("run_kwh", "standby_w", "kwh_per_day", "cost_per_year")
SHARES = ("idle_share", "duty_cycle")


def findings_record(findings: Findings) -> dict[str, Any]:
    """Give the findings as what JSON can hold; a number that is not known is None.

    Parameters
    ----------
    findings : Findings

    Returns
    -------
    dict
        Instants are ISO 8601 in UTC. Every estimate is a dict of value, low, high, level, unit,
        n and basis.
    """
    return {
        "house": findings.house_name,
        "timezone": findings.timezone,
        "currency": findings.currency,
        "start": _instant(findings.start),
        "end": _instant(findings.end),
        "mains_kwh_per_day": _estimate(findings.mains_kwh_per_day),
        "unmeasured_kwh_per_day": _estimate(findings.unmeasured_kwh_per_day),
        "appliances": [_appliance(finding) for finding in findings.appliances],
    }


def _appliance(finding: ApplianceFinding) -> dict[str, Any]:
    record = {name: _plain(getattr(finding, name)) for name in (*NAMES, *SHARES)}
    record |= {name: _estimate(getattr(finding, name)) for name in ESTIMATES}
    record["remarks"] = list(finding.remarks)
    return record


def _estimate(estimate: Estimate | None) -> dict[str, Any] | None:
    if estimate is None:
        return None
    return {name: _plain(getattr(estimate, name)) for name in estimate.__slots__}


def _plain(value: Any) -> Any:
    if isinstance(value, (str, bool)):
        return value
    number = float(value)
    if not math.isfinite(number):
        return None
    return int(number) if isinstance(value, int) else number


def _instant(instant: pd.Timestamp) -> str:
    return instant.tz_convert("UTC").isoformat().replace("+00:00", "Z")
