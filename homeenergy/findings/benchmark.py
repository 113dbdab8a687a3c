"""A house among others that were measured: a file of quantiles that a survey writes."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import date
from math import isfinite
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from homeenergy.errors import HouseError
from homeenergy.files import write_text
from homeenergy.findings.appliance.record import ApplianceFinding
from homeenergy.findings.many import LEAST_HOUSES, Survey
from homeenergy.stats.estimate import Estimate

FIGURES = ("kwh_per_day", "run_kwh", "standby_w")
QUANTILES = tuple(round(0.05 * i, 2) for i in range(21))
FORM = "homeenergy benchmark 1"


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """Where an appliance stands among those of other houses.

    `below_share` is the share of them that take less a day, between `low_share` and `high_share`
    by the interval of its own figure; `houses`, `period` and `climate` say whose they are.
    """

    below_share: float
    low_share: float
    high_share: float
    houses: int
    period: str
    climate: str


def benchmark_of(survey: Survey, *, climate: str) -> dict[str, Any]:
    """What a benchmark file holds: quantiles of each appliance that enough houses have.

    Parameters
    ----------
    survey : Survey
    climate : str
        Where and when, in words: "Amsterdam, winter". It is stated and not guessed.

    Raises
    ------
    HouseError
        Where no appliance is there in `LEAST_HOUSES` houses, or no climate is stated.

    Notes
    -----
    Houses with readings that cannot be are left out. Appliances go by what people call them.
    """
    if not climate.strip():
        raise HouseError(
            "a benchmark needs the climate of its houses",
            fix='State where and when they were measured, such as "Amsterdam, winter".',
        )
    table = survey.table
    if "implausible" in table:
        table = table[table["implausible"].fillna("") == ""]
    appliances = []
    keys = table["appliance"].str.strip().str.casefold() if len(table) else pd.Series(dtype=str)
    for key, group in table.groupby(keys, sort=True):
        if group["house"].nunique() < LEAST_HOUSES:
            continue
        one: dict[str, Any] = {"appliance": str(key), "houses": int(group["house"].nunique())}
        for name in FIGURES:
            values = group[name].to_numpy(np.float64)
            values = values[np.isfinite(values)]
            if values.size >= LEAST_HOUSES:
                one[name] = [float(f"{q:.6g}") for q in np.quantile(values, QUANTILES)]
        appliances.append(one)
    if not appliances:
        raise HouseError(
            f"no appliance is there in {LEAST_HOUSES} houses, so nothing is usual",
            fix="Survey more houses, or call the same appliance by the same name.",
        )
    days = [_days(row) for _, row in table.iterrows()]
    return {
        "form": FORM,
        "houses": int(table["house"].nunique()),
        "first_day": str(min(first for first, _ in days)),
        "last_day": str(max(last for _, last in days)),
        "climate": climate.strip(),
        "quantiles": list(QUANTILES),
        "appliances": appliances,
    }


def _days(row: Any) -> tuple[date, date]:
    """First and last local day of a row of the survey."""
    zone = row.get("timezone", "UTC")
    first, end = (pd.Timestamp(row[name]).tz_convert(zone) for name in ("start", "end"))
    return first.date(), (end - pd.Timedelta(1, unit="ns")).date()


def write_benchmark(survey: Survey, path: str | Path, *, climate: str) -> Path:
    """Write a benchmark file; see `benchmark_of`."""
    found = benchmark_of(survey, climate=climate)
    write_text(Path(path), json.dumps(found, indent=1, ensure_ascii=False) + "\n")
    return Path(path)


def read_benchmark(path: str | Path) -> dict[str, Any]:
    """Read a benchmark file.

    Raises
    ------
    HouseError
        If it is none.
    """
    path = Path(path)
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise HouseError(f"cannot be read as a benchmark ({error})", path=path) from None
    if not isinstance(found, dict) or found.get("form") != FORM:
        raise HouseError(
            "is no benchmark file",
            path=path,
            fix="Make one with: homeenergy survey HOUSES --benchmark FILE --climate WORDS",
        )
    return found


def standing(benchmark: dict[str, Any], finding: ApplianceFinding) -> Standing | None:
    """Where an appliance stands by its energy of a day; None where the file does not know it."""
    name = finding.appliance.strip().casefold()
    one = next((a for a in benchmark["appliances"] if a["appliance"] == name), None)
    per_day: Estimate = finding.kwh_per_day
    if one is None or "kwh_per_day" not in one or not isfinite(per_day.value):
        return None
    values = np.asarray(one["kwh_per_day"], np.float64)

    def below(value: float) -> float:
        if value <= values[0]:
            return 0.0
        return float(np.interp(value, values, benchmark["quantiles"]))

    return Standing(
        below_share=below(per_day.value),
        low_share=below(per_day.low) if isfinite(per_day.low) else 0.0,
        high_share=below(per_day.high) if isfinite(per_day.high) else 1.0,
        houses=int(one["houses"]),
        period=f"{benchmark['first_day']} / {benchmark['last_day']}",
        climate=str(benchmark["climate"]),
    )
