"""When a house draws most, what runs then, and what it makes itself."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from homeenergy.errors import HouseError
from homeenergy.findings.appliance.record import ApplianceFinding
from homeenergy.findings.bill import (
    SLOT_MIN,
    longest_sample_s,
    mains_energy,
    refuse_long,
    slot_energy,
)
from homeenergy.readings.house import House
from homeenergy.units import DAYS_PER_YEAR, S_PER_H

DURATIONS = (0.0, 0.01, 0.05, 0.1, 0.25, 0.5, 0.75, 1.0)  # shares of the time
MOST_AT_PEAK = 3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Peaks:
    """The greatest powers of a house over a quarter of an hour.

    Attributes
    ----------
    months : pandas.DataFrame
        One row a month: month, at (instant, UTC), kw, and loads: what drew most of it, as text-free
        tuples of (appliance, kW).
    duration : pandas.DataFrame
        share (of the time), kw (that is reached or exceeded for it).
    slots_kw : pandas.Series
        Mean power of each quarter of an hour that was seen whole, by when it begins (UTC).
    mean_kw : float
    coincidence : float
        The greatest power over the sum of the greatest of each measured circuit.
    """

    months: pd.DataFrame
    duration: pd.DataFrame
    slots_kw: pd.Series
    mean_kw: float
    coincidence: float

    def to_frame(self) -> pd.DataFrame:
        """The months, loads at the peak in columns of their own."""
        rows = []
        months: Any = self.months.itertuples(index=False)
        for row in months:
            one: dict[str, object] = {"month": row.month, "at": row.at, "kw": row.kw}
            for number, (name, kw) in enumerate(row.loads, start=1):
                one |= {f"load_{number}": name, f"load_{number}_kw": kw}
            rows.append(one)
        return pd.DataFrame(rows)


def house_peaks(house: House, findings: tuple[ApplianceFinding, ...]) -> Peaks:
    """Find the peaks of a house, and what ran then.

    Parameters
    ----------
    house : House
    findings : tuple of ApplianceFinding
        Of circuits with readings.

    Raises
    ------
    HouseError
        If the mains are not logged, or only in samples longer than a quarter of an hour.

    Notes
    -----
    Mean power over quarters of an hour of the clock, as demand is charged in many places.
    O(samples).
    """
    if not house.mains:
        raise HouseError(
            "the mains are not logged, so the peaks of the house are not known", path=house.path
        )
    hours = SLOT_MIN * 60 / S_PER_H
    refuse_long(longest_sample_s(house), SLOT_MIN)
    kw = (mains_energy(house)["drawn"] / hours).dropna()
    if not len(kw):
        raise HouseError("no quarter of an hour of the mains was seen whole", path=house.path)
    own = {}
    for finding in findings:
        try:
            own[finding.appliance] = slot_energy(house.trace(finding.circuit)) / hours
        except HouseError:  # samples too long
            continue
    local = pd.DatetimeIndex(kw.index).tz_convert(house.timezone).tz_localize(None)
    rows = []
    for month in local.to_period("M").unique():
        here = kw[local.to_period("M") == month]
        at = here.idxmax()
        then = {name: float(one.get(at, np.nan)) for name, one in own.items()}
        loads = sorted(
            ((n, v) for n, v in then.items() if v > 0.05 * here.max()), key=lambda x: -x[1]
        )
        rows.append(
            {
                "month": month.to_timestamp(),
                "at": at,
                "kw": float(here.max()),
                "loads": tuple(loads[:MOST_AT_PEAK]),
            }
        )
    duration = pd.DataFrame(
        {"share": DURATIONS, "kw": [float(np.quantile(kw, 1 - share)) for share in DURATIONS]}
    )
    together = sum(float(one.max()) for one in own.values())
    return Peaks(
        months=pd.DataFrame(rows),
        duration=duration,
        slots_kw=kw,
        mean_kw=float(kw.mean()),
        coincidence=float(kw.max()) / together if together > 0 else float("nan"),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnPower:
    """What a house makes itself, in a year like the days measured [kWh].

    `earned` is what is paid for what the mains return [currency], `spared` what the rest would have
    cost; None without prices.
    """

    made_kwh: float
    exported_kwh: float
    earned: float | None
    spared: float | None

    @property
    def worth(self) -> float | None:
        """What it earns and spares together [currency]; None where either is not known."""
        if self.earned is None or self.spared is None:
            return None
        return self.earned + self.spared

    @property
    def self_share(self) -> float:
        """Share of what it makes that is used in the house."""
        return self.used_kwh / self.made_kwh if self.made_kwh > 0 else float("nan")

    @property
    def used_kwh(self) -> float:
        """What is used in the house of what it makes."""
        return max(self.made_kwh - self.exported_kwh, 0.0)

    def at_price(self, price: float | None) -> OwnPower:
        """The same, where a kWh from the mains costs as much [currency]."""
        return replace(self, spared=None if price is None else self.used_kwh * price)


def own_power(
    findings: Sequence[ApplianceFinding],
    *,
    fed_back_kwh: float,
    paid: float | None = None,
    price: float | None = None,
) -> OwnPower | None:
    """What circuits that feed power back make, and where it goes; None where none does.

    Parameters
    ----------
    findings : sequence of ApplianceFinding
    fed_back_kwh : float
        What the mains return in a year.
    paid, price : float, optional
        What a kWh fed back earns, and what one from the mains costs [currency].
    """
    made_kwh = -sum(f.kwh_per_day.value for f in findings if f.kwh_per_day.value < 0)
    if not made_kwh > 0:
        return None
    return OwnPower(
        made_kwh=made_kwh * DAYS_PER_YEAR,
        exported_kwh=fed_back_kwh,
        earned=None if paid is None else fed_back_kwh * paid,
        spared=None,
    ).at_price(price)
