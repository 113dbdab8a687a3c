"""What an appliance costs under a tariff with steps, where no kWh has a price of its own.

Which kWh of a month were the appliance's? Two answers are right, to two questions:

- its share of the bill: each kWh of the house at the average price of the month. The shares of all
  circuits add up to the bill.
- what the bill would fall by without it: its kWh are the last and dearest. That is the worth of
  saving it, but such figures of several appliances do not add up, as only one can be the last.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import tzinfo

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from homeenergy.errors import HouseError
from homeenergy.findings.daily import LEAST_COVERAGE, daily_energy
from homeenergy.house.tariff import PriceBlock, Tariff
from homeenergy.readings.trace import Trace

FREQUENCY = {"day": "D", "month": "M", "year": "Y"}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SteppedCost:
    """What an appliance cost under steps, by both questions.

    Attributes
    ----------
    currency : str
    table : pandas.DataFrame
        One row a day, month or year in which the steps begin anew: begins, days (that were seen),
        of_days, house_kwh and kwh (of the days seen), bill (of these days, energy alone),
        average_price, marginal_price, share_cost, marginal_cost.
    """

    currency: str
    table: pd.DataFrame

    @property
    def kwh(self) -> float:
        """Energy of the appliance [kWh]."""
        return float(self.table["kwh"].sum())

    @property
    def share_cost(self) -> float:
        """Its share of the bill, by its share of the energy."""
        return float(self.table["share_cost"].sum())

    @property
    def marginal_cost(self) -> float:
        """By how much the bill would be lower without it."""
        return float(self.table["marginal_cost"].sum())

    def to_frame(self) -> pd.DataFrame:
        """A copy of `table`."""
        return self.table.copy()


def block_cost(kwh: ArrayLike, blocks: Sequence[PriceBlock]) -> NDArray[np.float64]:
    """Cost of so many kWh within one month (or day, or year) of a tariff with steps.

    Parameters
    ----------
    kwh : array_like
        Not below zero.
    blocks : sequence of PriceBlock
        In order, the last without an end.
    """
    used = np.asarray(kwh, dtype=np.float64)
    cost = np.zeros_like(used)
    below = 0.0
    for block in blocks:
        cost += np.clip(used - below, 0.0, block.up_to_kwh - below) * block.price_per_kwh
        below = block.up_to_kwh
    return cost


def stepped_cost(
    trace: Trace, house: Sequence[Trace], *, tariff: Tariff, timezone: tzinfo | str
) -> SteppedCost:
    """What an appliance cost under a tariff with steps.

    Parameters
    ----------
    trace : Trace
        Of the appliance.
    house : sequence of Trace
        What goes through the meter: the mains, one trace a leg.
    tariff : Tariff
        With `blocks`.
    timezone : zone or its name
        Decides when a day and a month begin.

    Returns
    -------
    SteppedCost

    Raises
    ------
    HouseError
        If the tariff has no steps, or no day is covered by appliance and house alike.

    Notes
    -----
    Days of which less than 90 % was seen are left out. Where only part of a month was seen, the
    whole of it is taken to have been like that part, and the cost is that of the part; own method.
    """
    if not tariff.is_stepped:
        raise HouseError(
            "the tariff has no steps", fix="Use energy_cost, or give the tariff [[tariff.block]]."
        )
    own, all_ = (whole_days(one, timezone=timezone) for one in ([trace], house))
    days = own.index.intersection(all_.index)
    if days.empty:
        raise HouseError(
            f"no day is covered both by {trace.label!r} and by the whole house",
            fix="Steps need the energy of the mains on the same days.",
        )
    table = bill_by_period(all_.loc[days], own.loc[days], tariff=tariff)
    return SteppedCost(currency=tariff.currency, table=table)


def bill_by_period(
    house_kwh: pd.Series, kwh: pd.Series | None = None, *, tariff: Tariff
) -> pd.DataFrame:
    """Table of a `SteppedCost` from the energy of local days, of the house and of a part of it."""
    days = pd.DatetimeIndex(house_kwh.index)
    own = pd.Series(0.0, index=days) if kwh is None else kwh
    begins = days.tz_localize(None).to_period(FREQUENCY[tariff.blocks_per])
    rows = []
    for period in begins.unique():
        here = begins == period
        first, last = period.start_time, period.end_time
        rows.append(
            {
                "begins": first,
                **_bill(
                    float(house_kwh[here].sum()),
                    float(own[here].sum()),
                    days=int(here.sum()),
                    of_days=(last.normalize() - first).days + 1,
                    blocks=tariff.on(first.date()).blocks,
                ),
            }
        )
    return pd.DataFrame(rows)


def _bill(
    house_kwh: float, kwh: float, *, days: int, of_days: int, blocks: tuple[PriceBlock, ...]
) -> dict[str, float]:
    seen = days / of_days
    whole, without = (max(x, 0.0) / seen for x in (house_kwh, house_kwh - kwh))
    bill, rest = (float(block_cost(x, blocks)) * seen for x in (whole, without))
    average = bill / house_kwh if house_kwh > 0 else np.nan
    return {
        "days": days,
        "of_days": of_days,
        "house_kwh": house_kwh,
        "kwh": kwh,
        "bill": bill,
        "average_price": average,
        "marginal_price": (bill - rest) / kwh if kwh else np.nan,
        "share_cost": kwh * average if house_kwh > 0 else 0.0,
        "marginal_cost": bill - rest,
    }


def whole_days(
    parts: Sequence[Trace | pd.DataFrame], *, timezone: tzinfo | str
) -> pd.Series[float]:
    """Energy of local days [kWh], summed over parts of which each saw nearly all of the day.

    `parts` are traces, or tables as `daily_energy` makes them.
    """
    each = []
    for part in parts:
        daily = daily_energy(part, timezone=timezone) if isinstance(part, Trace) else part
        daily = daily[daily["covered_h"] >= LEAST_COVERAGE * daily["day_h"]]
        kwh = daily["kwh"] / daily["covered_h"] * daily["day_h"]
        day = pd.DatetimeIndex(daily["day"])
        each.append(pd.Series(kwh.to_numpy(np.float64), index=day, dtype=np.float64))
    if not each or any(one.empty for one in each):
        return pd.Series(dtype=np.float64, index=pd.DatetimeIndex([]))
    return pd.concat(each, axis=1, join="inner").sum(axis=1)
