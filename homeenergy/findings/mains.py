"""What comes in through the mains, and what no measured circuit accounts for."""

from __future__ import annotations

from math import hypot

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
from homeenergy.house.clamp_floor import clamp_floor
from homeenergy.house.schedule import Circuit
from homeenergy.readings.house import House
from homeenergy.readings.trace import Trace
from homeenergy.trust.systematic import clamp_over, with_systematic
from homeenergy.units import S_PER_H, WH_PER_KWH


def mains_per_day(
    house: House, loads: list[tuple[pd.DataFrame, float | None]]
) -> tuple[Estimate, Estimate]:
    """Energy per day through the mains, of a house that logs them, and what no circuit explains.

    `loads` holds the hourly energy of each circuit and the share by which its clamp may be off.
    """
    mains = house.mains
    legs = [house.trace(c) for c in mains]
    hourly = [hourly_energy(leg) for leg in legs]
    known = [_share(house, circuit, leg) for leg, circuit in zip(legs, mains, strict=True)]
    zone = str(house.timezone)
    every = pd.concat([daily_energy(leg, timezone=zone) for leg in legs])
    every = every[every["covered_h"] >= LEAST_COVERAGE * every["day_h"]]
    every = every.assign(kwh=every["kwh"] / every["covered_h"] * every["day_h"])
    days = every.groupby("day").agg(kwh=("kwh", "sum"), day_h=("day_h", "first"), n=("kwh", "size"))
    days = days[days["n"] == len(legs)].assign(covered_h=lambda d: d["day_h"])
    left = remainder_per_day(
        hourly,
        [hours for hours, _ in loads],
        timezone=zone,
        uncertainties=[*known, *(u for _, u in loads)],
    )
    total = energy_per_day(days)
    if any(known):
        each = [
            24 * h["kwh"].sum() / h["covered_h"].sum() * (u or 0.0)
            for h, u in zip(hourly, known, strict=True)
        ]
        basis = f"{total.basis}; clamps of the mains known as stated"
        total = with_systematic(total, float(np.linalg.norm(each)), basis=basis)
    return total, left


def _share(house: House, circuit: Circuit, trace: Trace) -> float | None:
    """Share by which the clamp of a circuit may be off, with its offset at the mean power."""
    share = clamp_over(trace, circuit.clamp).uncertainty
    kwh, hours = trace.energy_wh / WH_PER_KWH, trace.covered_s / S_PER_H
    if share is None or not kwh:
        return share
    return hypot(share, clamp_floor(circuit, house.supply).half_kwh(kwh, hours=hours) / kwh)
