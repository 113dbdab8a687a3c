"""The findings for other programs: plain numbers, text and None."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from homeenergy.findings.appliance.table import is_resolved, plain_share

if TYPE_CHECKING:
    import pandas as pd

    from homeenergy.findings import Findings
    from homeenergy.findings.appliance.appliance import ApplianceFinding
    from homeenergy.findings.comparison.comparison import Comparison
    from homeenergy.stats.estimate import Estimate


NAMES = ("circuit", "appliance", "kind", "kind_sure", "days", "coverage", "runs", "correction")
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
        n, basis, resolved, and the half widths `spread` (between runs, days or hours) and
        `systematic` (common to all of them: the clamp), which make up its interval. Where the
        standby is below what can be told, `standby_resolved` is False, its value None, and its
        high the bound. `kind_sure` is a score of how well a kind that nobody stated fits, 1 where
        house.toml says it; it is no probability.
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


def comparison_record(found: Comparison) -> dict[str, Any]:
    """Give a comparison as what JSON can hold; see `findings_record` for its estimates."""
    return {
        "sentence": found.sentence,
        "names": [found.name_a, found.name_b],
        "per": found.per,
        "a_kwh": _estimate(found.a),
        "b_kwh": _estimate(found.b),
        "difference_kwh": _estimate(found.difference),
        "ratio": _estimate(found.ratio),
        "p": _plain(found.p),
        "correction": found.correction,
        "differs": found.differs,
        "method": found.method,
        "runs_per_week": _plain(found.weekly),
        "cost_per_year": _estimate(found.cost_per_year),
        "share_worth_seeing": found.worth_seeing,
        "needed_to_see_it": found.needed,
        "remarks": list(found.remarks),
    }


def _appliance(finding: ApplianceFinding) -> dict[str, Any]:
    record = {name: _plain(getattr(finding, name)) for name in NAMES}
    record |= {name: _plain(plain_share(getattr(finding, name))) for name in SHARES}
    record |= {name: _estimate(getattr(finding, name)) for name in ESTIMATES}
    stated = finding.clamp_uncertainty
    record["clamp_uncertainty"] = None if stated is None else _plain(stated)
    record["standby_resolved"] = is_resolved(finding.standby_w)
    record["remarks"] = list(finding.remarks)
    return record


def _estimate(estimate: Estimate | None) -> dict[str, Any] | None:
    if estimate is None:
        return None
    names = (*estimate.__slots__, "spread")
    record = {name: _plain(getattr(estimate, name)) for name in names}
    return record if estimate.resolved else record | {"value": None}


def _plain(value: Any) -> Any:
    if isinstance(value, str):
        return value
    if isinstance(value, bool | np.bool_):
        return bool(value)
    number = float(value)
    if not math.isfinite(number):
        return None
    return int(number) if isinstance(value, int | np.integer) else number


def _instant(instant: pd.Timestamp) -> str:
    return instant.tz_convert("UTC").isoformat().replace("+00:00", "Z")
