"""What is known of one appliance: figures with their intervals, and what they rest on."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from homeenergy.cycles import Cycles
from homeenergy.findings.weather.seasons import SeasonOfUse
from homeenergy.house.clamp_floor import UNKNOWN_FLOOR, ClampFloor
from homeenergy.stats.estimate import Estimate
from homeenergy.stats.parts import Parts


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ApplianceFinding:
    """What one circuit uses, and how far that is known.

    Attributes
    ----------
    circuit, appliance : str
        Name in the panel schedule, and what a person calls it.
    kind, kind_sure : str, float
        How it behaves, and how well that fits: 1 where house.toml says so, else a score, which is
        no probability.
    days, coverage : float
        Days with readings, and share of the time from first to last that has them.
    runs : int
        Runs seen whole.
    run_kwh, standby_w, kwh_per_day, cost_per_year : Estimate
        Per run [kWh], between runs [W], per day [kWh], per year [currency; None without tariff].
    idle_share, duty_cycle : float
        Share of the energy spent outside runs, and of the time spent in runs; NaN if never at rest.
    remarks : tuple of str
        What a reader must know about these figures.
    cycles : Cycles
        The runs behind them.
    daily : pandas.DataFrame
        Energy of each local day.
    season : SeasonOfUse
        How much the weather of a year drives it, and where that comes from.
    correction : str
        What house.toml multiplies the readings with, and from when: "none", "x 2".
    price_at_rest : float or None
        Average price of the time outside runs [currency a kWh], where prices depend on the time.
    floor : ClampFloor
        How far the clamp may be off. The intervals of the figures above include it, by its sources;
        those of `cycles` leave the multiplier out.
    """

    circuit: str
    appliance: str
    kind: str
    kind_sure: float
    days: float
    coverage: float
    runs: int
    run_kwh: Estimate
    standby_w: Estimate
    kwh_per_day: Estimate
    idle_share: float
    duty_cycle: float
    cost_per_year: Estimate | None
    remarks: tuple[str, ...]
    cycles: Cycles
    daily: pd.DataFrame
    season: SeasonOfUse
    correction: str = "none"
    price_at_rest: float | None = None
    floor: ClampFloor = UNKNOWN_FLOOR

    def clamp_parts(self, kwh: float, *, hours: float, rounding: bool = False) -> Parts:
        """What the clamp makes of an energy over so many hours [kWh]; see `ClampFloor.parts`.

        `rounding` says whether to count what rounding leaves in a steady draw.
        """
        rounding_w = self.cycles.rest.rounding_w if rounding else 0.0
        return self.floor.parts(kwh, hours=hours, rounding_w=rounding_w)

    @property
    def clamp_uncertainty(self) -> float | None:
        """Share by which the clamp's multiplier may be off at 95 %, where house.toml states it."""
        return self.floor.uncertainty
