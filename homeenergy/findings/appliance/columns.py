"""The columns of the table of findings, each said once.

Frame, CSV, JSON, Markdown, terminal, page, write-up and survey loop over `COLUMNS`. A new column is
a field of `ApplianceFinding`, its computation and one entry here.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from homeenergy.findings.appliance.record import (
    UNKNOWN,
    ApplianceFinding,
    clipped,
    interval_text,
    kind_text,
    percent_text,
    value_text,
)
from homeenergy.findings.cost import mean_price, prices_differ
from homeenergy.stats.estimate import Estimate, number_text

Place = Literal["frame", "json", "markdown", "terminal", "page", "write-up", "survey"]
PROGRAMS: frozenset[Place] = frozenset({"frame", "json"})
READERS: frozenset[Place] = frozenset({"markdown", "terminal", "page", "write-up"})
ON_PAGE: frozenset[Place] = PROGRAMS | {"page"}
OF_A_HOUSE: frozenset[Place] = PROGRAMS | READERS
EVERYWHERE: frozenset[Place] = OF_A_HOUSE | {"survey"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One column of the table of findings.

    Attributes
    ----------
    name : str
        Its key in JSON, CSV and frames, with the unit at the end.
    kind : str
        What its values are: "estimate", "share" (of one), "number" or "text".
    heading, unit : str
        Words over it for a reader, and the unit of what is below. A unit that names the currency,
        as "{currency}", is there only under a tariff.
    of : callable, optional
        Its value, of a finding. Default: the attribute of its name.
    words : callable, optional
        What a reader sees of a finding in place of the value.
    digits : int
        Decimals of a number.
    counted : str
        What an estimate is a mean of, so that a mean of two can be marked as one.
    resolved : str
        Name of the key that says whether an estimate is more than a bound; "" for one
        that is never a bound.
    places : frozenset of str
        Where it is shown.
    applies : callable, optional
        Whether it says anything about these findings. Default: always.
    rank : int
        Readers see lower ranks first, and equal ones in the order of `COLUMNS`.
    """

    name: str
    kind: Literal["estimate", "share", "number", "text"] = "estimate"
    heading: str = ""
    unit: str = ""
    of: Callable[[ApplianceFinding], Any] | None = None
    words: Callable[[ApplianceFinding], str] | None = None
    digits: int = 0
    counted: str = ""
    resolved: str = ""
    places: frozenset[Place] = EVERYWHERE
    applies: Callable[[Sequence[ApplianceFinding]], bool] | None = None
    rank: int = 3

    @property
    def unresolved(self) -> str:
        """Under what name a summary of houses counts bounds."""
        return self.resolved.replace("_resolved", "_unresolved")

    def label(self, currency: str | None = None) -> str:
        """Heading with the unit: "standby [W]"."""
        unit = self.unit_text(currency)
        return f"{self.heading} [{unit}]" if unit else self.heading

    def unit_text(self, currency: str | None = None) -> str:
        """Unit, with the currency in its place."""
        return self.unit.format(currency=currency)

    def value(self, finding: ApplianceFinding) -> Any:
        """Value of a finding: Estimate, number, text, tuple of texts, or None."""
        return getattr(finding, self.name) if self.of is None else self.of(finding)

    def texts(self, finding: ApplianceFinding) -> tuple[str, str]:
        """What a reader sees: the value without its unit, and the interval or its mark."""
        if self.words is not None:
            return self.words(finding), ""
        value = self.value(finding)
        if self.kind == "text":
            return str(value), ""
        if isinstance(value, Estimate):
            value = clipped(value, finding)
            return value_text(value), interval_text(value, of=self.counted)
        if value is None or not math.isfinite(value):
            return UNKNOWN, ""
        if self.kind == "share":
            return percent_text(value).removesuffix(" %"), ""
        return number_text(value, self.digits), ""

    def cells(self, finding: ApplianceFinding) -> dict[str, Any]:
        """Cells of a frame: one, or value, ends of the interval and its parts of an estimate."""
        value = self.value(finding)
        if self.kind != "estimate":
            value = "; ".join(value) if isinstance(value, tuple) else value
            return {self.name: math.nan if value is None else value}
        ends = ("low", "high", "spread", "systematic")
        parts = [math.nan if value is None else getattr(value, end) for end in ends]
        known = value is not None and value.resolved
        row = {self.name: value.value if known else math.nan}
        row |= {f"{self.name}_{end}": part for end, part in zip(ends, parts, strict=True)}
        return row | self.flag(value)

    def flag(self, estimate: Estimate | None) -> dict[str, bool]:
        """Whether an estimate is more than a bound or nothing, for programs."""
        if not self.resolved:
            return {}
        known = estimate is not None and estimate.resolved and math.isfinite(estimate.value)
        return {self.resolved: bool(known)}


def _share(share: float) -> float:
    """Give a share of one; what noise makes of nothing, a little below zero, is nothing."""
    return share if math.isnan(share) else max(share, 0.0)


def _price(finding: ApplianceFinding) -> float:
    paid = mean_price(finding)
    return math.nan if paid is None else paid[0]


COLUMNS: tuple[Column, ...] = (
    Column(name="circuit", kind="text", places=PROGRAMS),
    Column(name="appliance", kind="text", heading="appliance", places=OF_A_HOUSE, rank=0),
    Column(name="kind", kind="text", heading="kind", words=kind_text, places=ON_PAGE, rank=9),
    Column(name="kind_sure", kind="number", places=PROGRAMS),
    Column(name="days", kind="number", heading="days in the log", digits=1, places=ON_PAGE, rank=8),
    Column(name="coverage", kind="number", places=PROGRAMS),
    Column(name="runs", kind="number", heading="complete runs", places=OF_A_HOUSE, rank=1),
    Column(name="correction", kind="text", places=PROGRAMS),
    Column(name="clamp_uncertainty", kind="number", places=PROGRAMS),
    Column(name="run_kwh", heading="energy per run", unit="kWh", counted="runs", rank=2),
    Column(name="standby_w", heading="standby", unit="W", resolved="standby_resolved"),
    Column(name="kwh_per_day", heading="energy per day", unit="kWh", counted="days", rank=2),
    Column(
        name="idle_share",
        kind="share",
        heading="idle",
        unit="% of kWh",
        of=lambda finding: _share(finding.idle_share),
        places=OF_A_HOUSE,
    ),
    Column(
        name="duty_cycle",
        kind="share",
        heading="in runs",
        unit="% of time",
        places=EVERYWHERE - {"markdown", "write-up"},
    ),
    Column(
        name="cost_per_year",
        heading="cost per year",
        unit="{currency}",
        counted="days",
        places=OF_A_HOUSE,
    ),
    Column(
        name="demand_per_year",
        heading="demand charge per year",
        unit="{currency}",
        places=OF_A_HOUSE,
        applies=lambda rows: any(one.demand_per_year is not None for one in rows),
    ),
    Column(
        name="price_per_kwh",
        kind="number",
        heading="paid",
        unit="{currency}/kWh",
        of=_price,
        digits=3,
        places=frozenset({"frame", "terminal"}),
        applies=prices_differ,
    ),
    Column(name="held_out", kind="text", places=PROGRAMS),
    Column(name="remarks", kind="text", places=PROGRAMS),
)


def columns_for(
    place: Place, rows: Sequence[ApplianceFinding] = (), *, currency: str | None = None
) -> list[Column]:
    """Give the columns of one output, in its order.

    Without a currency there are none of money, but in JSON, which has the same names always.
    """
    here = [column for column in COLUMNS if place in column.places]
    here = [c for c in here if c.applies is None or place == "json" or c.applies(rows)]
    if currency is None and place != "json":
        here = [column for column in here if "{currency}" not in column.unit]
    return here if place in PROGRAMS else sorted(here, key=lambda column: column.rank)
