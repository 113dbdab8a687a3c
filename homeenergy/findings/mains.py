"""What comes in through the mains, and what no measured circuit accounts for."""

from __future__ import annotations

import numpy as np
import pandas as pd

from homeenergy.estimate import Estimate
from homeenergy.findings.daily import (
    LEAST_COVERAGE,
    daily_energy,
    energy_per_day,
    hourly_energy,
    remainder_per_day,
)
from homeenergy.house.clamp_floor import ClampFloor, clamp_floor
from homeenergy.readings.house import House
from homeenergy.trust.systematic import clamp_over, with_systematic
from homeenergy.units import H_PER_DAY


def mains_per_day(
    house: House, loads: list[tuple[pd.DataFrame, float | None, ClampFloor]]
) -> tuple[Estimate, Estimate]:
    """Energy per day through the mains, of a house that logs them, and what no circuit explains.

    `loads` holds the hourly energy of each circuit, the stated uncertainty of its clamp, and what
    that makes of small powers.
    """
    mains = house.mains
    legs = [house.trace(c) for c in mains]
    hourly = [hourly_energy(leg) for leg in legs]
    known = [clamp_over(leg, c.clamp).uncertainty for leg, c in zip(legs, mains, strict=True)]
    floors = [clamp_floor(circuit, house.supply) for circuit in mains]
    zone = str(house.timezone)
    every = pd.concat([daily_energy(leg, timezone=zone) for leg in legs])
    every = every[every["covered_h"] >= LEAST_COVERAGE * every["day_h"]]
    every = every.assign(kwh=every["kwh"] / every["covered_h"] * every["day_h"])
    days = every.groupby("day").agg(kwh=("kwh", "sum"), day_h=("day_h", "first"), n=("kwh", "size"))
    days = days[days["n"] == len(legs)].assign(covered_h=lambda d: d["day_h"])
    left = remainder_per_day(
        hourly,
        [hours for hours, _, _ in loads],
        timezone=zone,
        uncertainties=[*known, *(u for _, u, _ in loads)],
        floors=[*floors, *(floor for _, _, floor in loads)],
    )
    total = energy_per_day(days)
    each = []
    for h, u, floor in zip(hourly, known, floors, strict=True):
        kwh = H_PER_DAY * float(h["kwh"].sum() / h["covered_h"].sum())
        each += [(u or 0.0) * kwh, floor.half_kwh(kwh, hours=H_PER_DAY)]
    if any(each):
        basis = f"{total.basis}; error of the clamps of the mains"
        total = with_systematic(total, float(np.linalg.norm(each)), basis=basis)
    return total, left
