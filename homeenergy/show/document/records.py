"""The findings for other programs: plain numbers, text and None."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd

from homeenergy.findings.appliance.columns import columns_for
from homeenergy.findings.appliance.record import ApplianceFinding
from homeenergy.findings.appliance.table import Findings
from homeenergy.findings.comparison.comparison import Comparison
from homeenergy.stats.estimate import Estimate

ESTIMATE = ("value", "low", "high", "level", "unit", "n", "basis", "resolved")
HALVES = ("spread", "systematic")  # the two parts of half its interval


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
        standby is below the resolution, `standby_resolved` is False, its value None, and its
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
    record: dict[str, Any] = {}
    for column in columns_for("json"):
        value = column.value(finding)
        record |= {column.name: _plain(value)} | column.flag(value)
    return record


def _estimate(estimate: Estimate | None) -> dict[str, Any] | None:
    if estimate is None:
        return None
    record = {name: _plain(getattr(estimate, name)) for name in (*ESTIMATE, *HALVES)}
    return record if estimate.resolved else record | {"value": None}


def _plain(value: Any) -> Any:
    if value is None or isinstance(value, str):
        return value
    if isinstance(value, Estimate):
        return _estimate(value)
    if isinstance(value, tuple):
        return list(value)
    if isinstance(value, bool | np.bool_):
        return bool(value)
    number = float(value)
    if not math.isfinite(number):
        return None
    return int(number) if isinstance(value, int | np.integer) else number


def _instant(instant: pd.Timestamp) -> str:
    return instant.tz_convert("UTC").isoformat().replace("+00:00", "Z")
