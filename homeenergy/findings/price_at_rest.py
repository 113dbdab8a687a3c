"""What a kWh costs while an appliance waits: at other hours than those at which it works."""

from __future__ import annotations

from datetime import tzinfo

import numpy as np

from homeenergy.cycles import Cycles
from homeenergy.findings.cost import PriceClock
from homeenergy.findings.day_parts import in_runs
from homeenergy.house.tariff import Tariff


def price_outside_runs(
    cycles: Cycles, *, tariff: Tariff | None, timezone: tzinfo | str
) -> float | None:
    """Average price of the time outside runs that has readings [currency a kWh].

    None where there is no such time, and where prices do not depend on the time.
    """
    if tariff is None or tariff.is_flat or tariff.is_stepped:
        return None
    plateaus = cycles.plateaus
    away = ~in_runs(cycles)
    if not away.any():
        return None
    clock = PriceClock.of(tariff, cycles, timezone=timezone)
    begin_s, end_s = (
        at[away].astype(np.float64) * plateaus.period_s for at in (plateaus.first, plateaus.stop)
    )
    return float(np.average(clock.mean(begin_s, end_s), weights=plateaus.n[away]))
