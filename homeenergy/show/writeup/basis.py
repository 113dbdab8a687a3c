"""All that the parts of a write-up are made from, found once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import pandas as pd

from homeenergy.estimate import Estimate
from homeenergy.findings.appliance import ApplianceFinding
from homeenergy.findings.house_findings import Findings, house_findings
from homeenergy.findings.wording import RETURNED_SHARE
from homeenergy.readings.house import House
from homeenergy.readings.outdoor import read_outdoor
from homeenergy.trust import HouseCheck, check_house

Progress = Callable[[int, int, str], None]


@dataclass(frozen=True, kw_only=True, eq=False)
class Basis:
    """A house with its findings, its check, and outdoor temperatures where there are any."""

    house: House
    findings: Findings
    check: HouseCheck
    outdoor: pd.Series | None = None

    @property
    def zone(self) -> str:
        """Name of the house's time zone."""
        return str(self.house.timezone)

    @property
    def measured(self) -> tuple[ApplianceFinding, ...]:
        """Findings of circuits that have readings."""
        return tuple(f for f in self.findings.appliances if f.days)

    @cached_property
    def days(self) -> float:
        """Days from the first to the last reading."""
        return (self.findings.end - self.findings.start) / pd.Timedelta(days=1)

    def share_of_house(self, finding: ApplianceFinding) -> float:
        """Share of the energy of the mains, or where they are not logged of all circuits.

        NaN where a circuit feeds power back: energies of either sign have no shares.
        """
        mains = self.findings.mains_kwh_per_day
        every = [f.kwh_per_day.value for f in self.measured]
        total = sum(every) if mains is None else mains.value
        both_ways = min(every) < -RETURNED_SHARE * max(map(abs, every))
        return finding.kwh_per_day.value / total if total > 0 and not both_ways else float("nan")

    def local(self, instant: pd.Timestamp) -> pd.Timestamp:
        """An instant in the house's own time."""
        return instant.tz_convert(self.zone)


def make_basis(house: House, *, progress: Progress | None = None) -> Basis:
    """Find what each appliance uses, and check the house."""
    return Basis(
        house=house,
        findings=house_findings(house, progress=progress),
        check=check_house(house),
        outdoor=read_outdoor(house) if (house.path / "outdoor.csv").is_file() else None,
    )


def spans_zero(estimate: Estimate) -> bool:
    """Whether an interval allows for nothing at all, or the other sign."""
    return not estimate.low > 0 and not estimate.high < 0
