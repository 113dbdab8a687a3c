"""What is known of one appliance: figures with their intervals, and what they rest on."""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, isfinite

import pandas as pd

from homeenergy.cycles import Cycles
from homeenergy.findings.weather.seasons import SeasonOfUse
from homeenergy.house.clamp_floor import UNKNOWN_FLOOR, ClampFloor
from homeenergy.stats.estimate import Estimate


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
    clamp_uncertainty : float or None
        Share by which the clamp's multiplier may be off at 95 %, where house.toml states it. The
        intervals of the figures above include it, and keep it apart as their `systematic` part;
        those of `cycles` leave it out.
    price_at_rest : float or None
        Average price of the time outside runs [currency a kWh], where prices depend on the time.
    floor : ClampFloor
        What the clamp makes of small powers: its step and its offset.
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
    clamp_uncertainty: float | None = None
    price_at_rest: float | None = None
    floor: ClampFloor = UNKNOWN_FLOOR

    def clamp_half_kwh(self, kwh: float, *, hours: float) -> float:
        """Half width at 95 % of what the clamp makes of an energy over so many hours [kWh].

        Its multiplier as stated, and its offset (`ClampFloor.half_kwh`).
        """
        share = self.clamp_uncertainty or 0.0
        return hypot(share * kwh, self.floor.half_kwh(kwh, hours=hours))

    def clamp_share(self, kwh: float, *, hours: float) -> float:
        """The same as a share of the energy; that of the multiplier alone where there is none."""
        if not kwh or not isfinite(kwh):
            return self.clamp_uncertainty or 0.0
        return self.clamp_half_kwh(kwh, hours=hours) / abs(kwh)
