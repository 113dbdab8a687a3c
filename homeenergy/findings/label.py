"""What a test procedure behind an energy label would make of the uses that were measured."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from functools import cache
from math import isfinite, nan
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from homeenergy.errors import HouseError
from homeenergy.findings.appliance.record import ApplianceFinding, estimate_text, percent_text
from homeenergy.findings.days import LEAST_COVERAGE, sums_of_days
from homeenergy.findings.year import annual_energy
from homeenergy.house.kinds import is_named
from homeenergy.house.schema import load_toml
from homeenergy.stats.estimate import Estimate, measured
from homeenergy.stats.means import mean_of_days
from homeenergy.units import DAYS_PER_YEAR, S_PER_H, WH_PER_KWH
from homeenergy.words import two_digits

TABLE = "label_cycles.toml"
EVERY_DAY = measured(DAYS_PER_YEAR, unit="days a year", n=0, basis="every day")
# What the appliances of the procedures are called, in names of loads. Own lists: English, German,
# Dutch, French.
NAMES = {
    "tumble dryer": r"dryer|wäschetrockner|wasdroger|sèche.?linge",
    "washing machine": r"washing machine|clothes washer|waschmaschine|wasmachine|lave.?linge",
    "dishwasher": r"dish.?washer|geschirrsp|spülmaschine|vaatwasser|lave.?vaisselle",
    "refrigerator": r"refrigerator|fridge|kühlschrank|koelkast|réfrigérateur|frigo",
}
EU = re.compile("AT|BE|BG|CY|CZ|DE|DK|EE|ES|FI|FR|GR|HR|HU|IE|IT|LT|LU|LV|MT|NL|PL|PT|RO|SE|SI|SK")
COLUMNS = (
    "appliance",
    "region",
    "use",
    "uses_per_year",
    "low_power_h",
    "hours_per_year",
    "source",
    "status",
    "hours_status",
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LabelEnergy:
    """An appliance as a test procedure would count it, from its own measured uses.

    Attributes
    ----------
    circuit, appliance : str
    procedure, source, status : str
        Name in `label_cycles`, where it is published, and how far that was checked.
    counted : str
        "uses" or, for what is never off, "days".
    uses_per_year : float
        That the procedure counts with.
    kwh : Estimate
        Energy of so many uses as they were measured, with the draw between them where the
        procedure counts it [kWh].
    own_uses_per_year, own_kwh_per_year : Estimate
        What this household does, in a year like its days.
    label_kwh : float
        What the label says of so many uses; NaN where it was not given.
    assumptions : tuple of str
    """

    circuit: str
    appliance: str
    procedure: str
    source: str
    status: str
    counted: str
    uses_per_year: float
    kwh: Estimate
    own_uses_per_year: Estimate
    own_kwh_per_year: Estimate
    label_kwh: float
    assumptions: tuple[str, ...]

    @property
    def share_above_label(self) -> float:
        """By which share the measured uses take more than the label says."""
        return self.kwh.value / self.label_kwh - 1 if self.label_kwh else nan

    @property
    def sentence(self) -> str:
        """The answer in words."""
        text = (
            f"{self.appliance}: {self.uses_per_year:g} {self.counted}, as {self.source} counts, "
            f"take {estimate_text(self.kwh)} as measured here"
        )
        if isfinite(self.label_kwh):
            if self.kwh.low <= self.label_kwh <= self.kwh.high:
                versus = "not significantly different"
            else:
                more = "more" if self.share_above_label > 0 else "less"
                versus = f"{percent_text(abs(self.share_above_label))} {more} than that"
            label = f"{self.label_kwh:g} kWh"
            text += f"; its label says {label}, " + (
                versus if "not" in versus else f"and the measured figure is {versus}"
            )
        return f"{text}. This household's own year: {estimate_text(self.own_kwh_per_year)}."

    def to_frame(self) -> pd.DataFrame:
        """One row; intervals as columns ending in `_low` and `_high`."""
        row: dict[str, object] = {
            name: getattr(self, name)
            for name in ("circuit", "appliance", "procedure", "uses_per_year", "label_kwh")
        }
        for name in ("kwh", "own_uses_per_year", "own_kwh_per_year"):
            estimate: Estimate = getattr(self, name)
            row[name] = estimate.value
            row[f"{name}_low"], row[f"{name}_high"] = estimate.low, estimate.high
        return pd.DataFrame([row | {"source": self.source, "status": self.status}])


def label_cycles() -> pd.DataFrame:
    """Uses a year that the test procedures behind labels count with.

    Returns
    -------
    pandas.DataFrame
        Indexed by the name of the procedure: appliance, region, use ("run" or "day"),
        uses_per_year, low_power_h, hours_per_year (NaN where not stated), source, status and
        hours_status (how far uses and hours were checked). From `shared/label_cycles.toml`.

    Examples
    --------
    >>> from homeenergy.findings import label_cycles
    >>> label_cycles().loc["us_dryer_d2", "uses_per_year"]
    np.float64(283.0)
    """
    return _table().copy()


@cache
def shared_table(name: str) -> dict[str, Any]:
    """Read a table of `shared/`, from a copy of the project or from its wheel."""
    package = Path(__file__).resolve().parents[1]
    for folder in (package.parent / "shared", package / "shipped" / "shared"):
        if (folder / name).is_file():
            return dict(load_toml(folder / name))
    raise HouseError(
        f"this installation came without {name}",
        fix="Install it from a copy of the project, or from its wheel.",
    )


@cache
def _table() -> pd.DataFrame:
    table = pd.DataFrame(shared_table(TABLE)).T.reindex(columns=list(COLUMNS))
    table["use"] = table["use"].fillna("run")
    numbers = ["uses_per_year", "low_power_h", "hours_per_year"]
    table[numbers] = table[numbers].astype(np.float64)
    return table


def label_energy(
    finding: ApplianceFinding, procedure: str, *, label_kwh: float | None = None
) -> LabelEnergy:
    """Count the measured uses of an appliance as a test procedure would.

    Parameters
    ----------
    finding : ApplianceFinding
    procedure : str
        One of `label_cycles`.
    label_kwh : float, optional
        What the label says of `uses_per_year` uses: kWh a year in the US, per 100 uses in the EU.

    Returns
    -------
    LabelEnergy
        N uses of the measured mean, plus the draw at rest over the hours that the procedure gives
        it. A household's programmes, loads and rooms are not those of a test: a difference from
        the label alone does not make it wrong.

    Raises
    ------
    HouseError
        If there is no such procedure, or no use (day) was seen whole.
    """
    table = _table()
    if procedure not in table.index:
        raise HouseError(
            f"no test procedure is called {procedure!r}", fix=f"Known: {', '.join(table.index)}."
        )
    row = table.loc[[procedure]].iloc[0]
    per_day = row["use"] == "day"
    use = finding.kwh_per_day if per_day else finding.run_kwh
    if not isfinite(use.value):
        raise HouseError(
            f"no {'day' if per_day else 'run'} of {finding.appliance} ({finding.circuit}) is "
            "complete, so there is nothing to scale to a year",
            fix="Log it for longer.",
        )
    uses, counted = float(row["uses_per_year"]), "days" if per_day else "uses"
    low_h = _low_power_h(row, finding, uses)
    kwh, line = _with_rest(use.scaled(uses), finding, low_h)
    return LabelEnergy(
        circuit=finding.circuit,
        appliance=finding.appliance,
        procedure=procedure,
        source=str(row["source"]),
        status=str(row["status"]),
        counted=counted,
        uses_per_year=uses,
        kwh=replace(kwh, basis=f"{uses:g} times ({use.basis}){line}"),
        own_uses_per_year=EVERY_DAY if per_day else _own_uses(finding),
        own_kwh_per_year=_own_kwh(finding),
        label_kwh=nan if label_kwh is None else float(label_kwh),
        assumptions=(
            f"{uses:g} {counted} counted: {row['source']} ({row['status']}).",
            "Each use takes what the measured ones took on average, whatever the programme and "
            "load of the test.",
            f"Between uses: {low_h:,.0f} h at the draw at rest ({row['hours_status']})."
            if low_h
            else "The draw between uses is not counted, or is within the day.",
        ),
    )


def usual_procedure(finding: ApplianceFinding, *, country: str) -> str | None:
    """Procedure behind the label that an appliance has in a country, by its name.

    None where no procedure of `label_cycles` is known to apply, its figures were not seen in any
    text, or nothing whole was measured.
    """
    region = "EU" if EU.fullmatch(country) else country
    table = _table()
    for procedure, row in table[table["region"] == region].iterrows():
        measured_use = finding.kwh_per_day if row["use"] == "day" else finding.run_kwh
        if (
            row["status"].startswith("seen")
            and is_named(NAMES[row["appliance"]], finding.appliance, finding.circuit)
            and isfinite(measured_use.value)
        ):
            return str(procedure)
    return None


def _low_power_h(row: pd.Series, finding: ApplianceFinding, uses: float) -> float:
    if isfinite(row["low_power_h"]):
        return float(row["low_power_h"])
    if isfinite(row["hours_per_year"]):
        run_h = float(finding.cycles.complete["duration_s"].mean()) / S_PER_H
        return max(float(row["hours_per_year"]) - uses * run_h, 0.0)
    return 0.0


def _with_rest(
    kwh: Estimate, finding: ApplianceFinding, low_power_h: float
) -> tuple[Estimate, str]:
    """Add the draw at rest."""
    rest = finding.standby_w
    if not low_power_h or not isfinite(rest.high):
        return kwh, ""
    line = f" and {two_digits(rest.value)} W at rest for {low_power_h:,.0f} h"
    if not rest.resolved:
        line = f" and at most {two_digits(rest.high)} W at rest for {low_power_h:,.0f} h"
    total = kwh + rest.scaled(low_power_h / WH_PER_KWH, unit="kWh")
    return replace(total, n=kwh.n), line


def _own_kwh(finding: ApplianceFinding) -> Estimate:
    """The household's year, as `annual_energy` has it, so that there is one figure for it."""
    if _whole_days(finding).any():
        return annual_energy(finding).kwh
    return finding.kwh_per_day.scaled(DAYS_PER_YEAR)


def _whole_days(finding: ApplianceFinding) -> pd.Series:
    return finding.daily["covered_h"] >= LEAST_COVERAGE * finding.daily["day_h"]


def _own_uses(finding: ApplianceFinding) -> Estimate:
    whole = finding.daily[_whole_days(finding)]
    if not len(whole):
        return measured(nan, unit="a year", n=0, basis="no whole day")
    begun = finding.cycles.table["start"]
    found = mean_of_days(sums_of_days(whole, begun, np.ones(len(begun))))
    year = found.scaled(DAYS_PER_YEAR, unit="a year")
    basis = f"runs begun: {found.basis}; times 365 days"
    return replace(year.within(least=0.0), basis=basis)
