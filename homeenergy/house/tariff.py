"""What energy costs: one price, prices by time of use, or steps, and how they changed."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from math import inf
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from datetime import tzinfo

    import numpy as np
    import pandas as pd
    from numpy.typing import NDArray

HOLIDAY = 7  # after Monday = 0 to Sunday = 6
DAY_MINUTES = 24 * 60


@dataclass(frozen=True, slots=True, kw_only=True)
class PricePeriod:
    """Hours of the week and seasons of the year that share a price.

    `minutes` are stretches of the local day, half-open, from 0 to 1440; `days` are 0 for Monday to
    6 for Sunday and 7 for a holiday; no `seasons` means all of them.
    """

    name: str
    price_per_kwh: float
    minutes: tuple[tuple[int, int], ...] = ((0, DAY_MINUTES),)
    days: frozenset[int] = frozenset(range(HOLIDAY + 1))
    seasons: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class PriceBlock:
    """A step of a tariff: the price of each kWh up to a mark, from the mark of the step before."""

    price_per_kwh: float
    up_to_kwh: float = inf


@dataclass(frozen=True, slots=True, kw_only=True)
class Season:
    """A part of the year: from this day of this month until the next season begins."""

    name: str
    month: int
    day: int


@dataclass(frozen=True, slots=True, kw_only=True)
class PriceChange:
    """Prices that hold from a local date on, in place of all those before."""

    start: date
    price_per_kwh: float | None = None
    periods: tuple[PricePeriod, ...] = ()
    blocks: tuple[PriceBlock, ...] = ()
    standing_per_day: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Tariff:
    """What energy costs. `currency` is an ISO 4217 code; the standing charge is kept apart.

    Attributes
    ----------
    price_per_kwh : float or None
        The price where there is one only; None where it depends on the time or the step.
    periods : tuple of PricePeriod
        Time of use: every minute of every season lies in exactly one.
    blocks : tuple of PriceBlock
        Steps, the last without an end; they begin anew with each `blocks_per`.
    seasons : tuple of Season
        In order of the year; the last runs on over New Year.
    holidays : frozenset of date
        Local days that count as holidays, whatever their weekday.
    changes : tuple of PriceChange
        In order of time. Before the first, the prices above hold.
    """

    currency: str
    price_per_kwh: float | None = None
    standing_per_day: float = 0.0
    periods: tuple[PricePeriod, ...] = ()
    blocks: tuple[PriceBlock, ...] = ()
    blocks_per: Literal["day", "month", "year"] = "month"
    seasons: tuple[Season, ...] = ()
    holidays: frozenset[date] = frozenset()
    changes: tuple[PriceChange, ...] = ()

    @property
    def is_flat(self) -> bool:
        """Whether there is one price, whenever and however much is used."""
        return not (self.periods or self.blocks or self.changes)

    @property
    def is_stepped(self) -> bool:
        """Whether a price depends on how much the whole house uses."""
        return any(one.blocks for one in self.versions)

    @property
    def versions(self) -> tuple[PriceChange, ...]:
        """The prices that held one after the other, the first from the beginning of time."""
        first = PriceChange(
            start=date.min,
            price_per_kwh=self.price_per_kwh,
            periods=self.periods,
            blocks=self.blocks,
            standing_per_day=self.standing_per_day,
        )
        return (first, *self.changes)

    def on(self, day: date) -> Tariff:
        """The tariff as if the prices of a local day had always held and would never change."""
        held = [one for one in self.versions if one.start <= day][-1]
        return replace(
            self,
            price_per_kwh=held.price_per_kwh,
            periods=held.periods,
            blocks=held.blocks,
            standing_per_day=held.standing_per_day,
            changes=(),
        )

    def price_at(self, instants: pd.DatetimeIndex, timezone: tzinfo | str) -> NDArray[np.float64]:
        """Price of a kWh at each instant [currency]; see `homeenergy.house.price_times`."""
        from homeenergy.house.price_times import price_at

        return price_at(self, instants, timezone=timezone)
