"""What energy costs at the price that held when it was used: of a trace, a day, a run."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import tzinfo
from math import isfinite

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.cycles import Cycles
from homeenergy.findings.appliance.record import ApplianceFinding
from homeenergy.findings.days import energy_per_day, in_runs, midnights
from homeenergy.house.schedule import CarbonFactor
from homeenergy.house.tariff import Tariff, constant_price, no_own_price
from homeenergy.readings.trace import Trace, sure_trace
from homeenergy.stats.estimate import Estimate
from homeenergy.units import DAYS_PER_YEAR, NS_PER_S, S_PER_DAY, S_PER_H, WH_PER_KWH

SAME_PRICE = 1e-6  # relative: less is the rounding of sums


def carbon_of(used: Estimate, factor: CarbonFactor) -> Estimate:
    """Carbon dioxide of an energy.

    Parameters
    ----------
    used : Estimate
        Energy in kWh or Wh, of a run, a day or a year.
    factor : CarbonFactor
        From the [carbon] table of house.toml (`house.schedule.carbon`).

    Returns
    -------
    Estimate
        [kg]. The factor counts as exact: how far it holds for this house and hour is not known,
        and no interval says it.

    Raises
    ------
    ValueError
        If the estimate is no energy.

    Examples
    --------
    >>> from homeenergy.stats.estimate import Estimate
    >>> from homeenergy.findings import carbon_of
    >>> from homeenergy.house import CarbonFactor
    >>> run = Estimate(value=0.8, low=0.7, high=0.9, unit="kWh", n=12, basis="mean of 12 runs")
    >>> us = CarbonFactor(kg_per_kwh=0.366, source="US EIA, FAQ 74", year=2023)
    >>> print(carbon_of(run, us))
    0.293 (0.256 to 0.329) kg
    """
    per_unit = {"kWh": 1.0, "Wh": 1 / WH_PER_KWH}.get(used.unit)
    if per_unit is None:
        raise ValueError(f"carbon_of takes kWh or Wh, got {used.unit!r}")
    text = f"times {factor.kg_per_kwh:g} kg a kWh, an average ({factor.source}, {factor.year})"
    kg = used.scaled(per_unit * factor.kg_per_kwh, unit="kg")
    return replace(kg, basis=f"{used.basis}; {text}")


BY_DAY = ("day", "kwh", "covered_h", "day_h", "cost", "standing")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EnergyCost:
    """What the energy of a trace cost.

    Attributes
    ----------
    currency : str
    kwh, cost : float
        Of the samples that are there: gaps cost nothing, and `covered_h` says how much is seen.
    covered_h : float
    standing : float
        Standing charge of the same time, which is paid whatever is used and is not in `cost`.
    by_period : pandas.DataFrame
        One row a period of the tariff: name, price_per_kwh, kwh, cost, share (of the energy).
    by_day : pandas.DataFrame
        One row a local day: day, kwh, covered_h, day_h, cost, standing.
    """

    currency: str
    kwh: float
    cost: float
    covered_h: float
    standing: float
    by_period: pd.DataFrame
    by_day: pd.DataFrame

    @property
    def mean_price_per_kwh(self) -> float:
        """Average price paid; NaN where no energy flowed."""
        return self.cost / self.kwh if self.kwh else float("nan")

    def to_frame(self) -> pd.DataFrame:
        """A copy of `by_period`."""
        return self.by_period.copy()


def energy_cost(trace: Trace | pd.Series, *, tariff: Tariff, timezone: tzinfo | str) -> EnergyCost:
    """What the energy of a trace cost at the prices that held when it was used.

    Parameters
    ----------
    trace : Trace or pandas.Series of watts
        Shape (n,) [W].
    tariff : Tariff
        Flat or by time of use, with its changes.
    timezone : zone or its name
        Of the house: prices and days go by local time, and days of 23 and 25 h are what they are.

    Returns
    -------
    EnergyCost
        No interval: it is a sum over what was read. The clamp's error is in it as it is in the kWh.

    Raises
    ------
    HouseError
        If the tariff has steps; see `stepped_cost`.

    Notes
    -----
    Each sample counts at the price, and for the day, of the instant at which it begins. O(n).

    Examples
    --------
    >>> import homeenergy as he
    >>> from homeenergy.findings import energy_cost
    >>> report = he.import_logs("sample_data/canal_flat")
    >>> house = he.open_house("sample_data/canal_flat")
    >>> bill = energy_cost(house.trace("dryer"), tariff=house.tariff, timezone=house.timezone)
    >>> f"{bill.cost / bill.kwh:.2f} {bill.currency} a kWh"
    '0.31 EUR a kWh'
    """
    trace = sure_trace(trace)
    pieces = _priced_pieces(trace, tariff, timezone)
    by_period = (
        pieces.groupby(["name", "price_per_kwh"], sort=False)[["kwh", "cost"]].sum().reset_index()
    )
    kwh = float(pieces["kwh"].sum())
    by_period["share"] = by_period["kwh"] / kwh if kwh else np.nan
    by_day = pieces.groupby("day")[["kwh", "covered_h", "span_h", "cost"]].sum().reset_index()
    day = pd.DatetimeIndex(by_day["day"])
    by_day["day_h"] = _day_h(day)
    per_day = np.array([tariff.on(one.date()).standing_per_day for one in day], dtype=np.float64)
    by_day["standing"] = per_day * by_day["span_h"] / by_day["day_h"]
    return EnergyCost(
        currency=tariff.currency,
        kwh=kwh,
        cost=float(pieces["cost"].sum()),
        covered_h=float(pieces["covered_h"].sum()),
        standing=float(by_day["standing"].sum()),
        by_period=by_period,
        by_day=by_day[list(BY_DAY)],
    )


def cost_of_days(
    by_day: pd.DataFrame, *, currency: str, parts: NDArray[np.float64] | None = None
) -> Estimate:
    """Mean cost of a 24 h day [currency], as `energy_per_day` makes it of the energy."""
    per_day = energy_per_day(by_day.assign(kwh=by_day["cost"]), parts=parts)
    return replace(per_day, unit=currency, basis=f"{per_day.basis}, at the prices of their hours")


def own_prices(
    tariff: Tariff, start: pd.Timestamp, end: pd.Timestamp, *, timezone: tzinfo | str
) -> pd.DataFrame:
    """As `Tariff.prices`, where each kWh must have a price of its own.

    Raises
    ------
    HouseError
        If the tariff has steps.
    """
    prices = tariff.prices(start, end, timezone=timezone)
    if prices is None:
        raise no_own_price()
    return prices


def _day_h(day: pd.DatetimeIndex) -> NDArray[np.float64]:
    if not len(day):
        return np.empty(0)
    edges = midnights(day[0], day[-1], day.tz) if day.tz is not None else day
    lasts = dict(zip(edges[:-1].asi8, np.diff(edges.as_unit("s").asi8) / S_PER_H, strict=True))
    return np.array([lasts[at] for at in day.as_unit(edges.unit).asi8], dtype=np.float64)


def _priced_pieces(trace: Trace, tariff: Tariff, timezone: tzinfo | str) -> pd.DataFrame:
    """Energy of each stretch that lies in one local day and has one price."""
    if not len(trace):
        own_prices(tariff, trace.start, trace.start, timezone=timezone)  # refuses steps
        day = pd.DatetimeIndex([], tz="UTC").tz_convert(timezone)
        names = ("kwh", "covered_h", "span_h", "price_per_kwh", "cost")
        return pd.DataFrame({"day": day, "name": [], **{name: [] for name in names}})
    prices = own_prices(tariff, trace.start, trace.end, timezone=timezone)
    days = midnights(trace.start, trace.end - pd.Timedelta(1, unit="ns"), timezone)
    price_ns = pd.DatetimeIndex(prices["start"]).as_unit("ns").asi8
    day_ns = days.tz_convert("UTC").as_unit("ns").asi8
    edges_ns = np.union1d(
        price_ns, day_ns[(day_ns >= trace.start.value) & (day_ns < trace.end.value)]
    )
    at = -(-(edges_ns - trace.start.value) // trace.period_ns)
    own = (np.diff(np.r_[at, len(trace)]) > 0) & (at < len(trace))
    at, edges_ns = at[own], edges_ns[own]
    there = ~np.isnan(trace.watts)
    sums_w = np.add.reduceat(np.where(there, trace.watts, np.float32(0)), at, dtype=np.float64)
    counts = np.add.reduceat(there, at, dtype=np.int64)
    of_price = np.searchsorted(price_ns, edges_ns, side="right") - 1
    pieces = pd.DataFrame(
        {
            "day": days[np.searchsorted(day_ns, edges_ns, side="right") - 1],
            "name": prices["name"].to_numpy()[of_price],
            "price_per_kwh": prices["price_per_kwh"].to_numpy(np.float64)[of_price],
            "kwh": sums_w * trace.period_s / S_PER_H / WH_PER_KWH,
            "covered_h": counts * trace.period_s / S_PER_H,
            "span_h": np.diff(np.r_[at, len(trace)]) * trace.period_s / S_PER_H,
        }
    )
    return pieces.assign(cost=pieces["kwh"] * pieces["price_per_kwh"])


def run_costs(cycles: Cycles, *, tariff: Tariff, timezone: tzinfo | str) -> pd.DataFrame:
    """What each run cost at the prices that held while it ran.

    Parameters
    ----------
    cycles : Cycles
    tariff : Tariff
        Flat or by time of use, with its changes.
    timezone : zone or its name
        Of the house.

    Returns
    -------
    pandas.DataFrame
        One row a run, in the order of `cycles.table`: start, end (UTC), kwh, price_per_kwh (the
        average that the run paid), cost [currency], complete.

    Raises
    ------
    HouseError
        If the tariff has steps; see `stepped_cost`.

    Notes
    -----
    A run that lies in two periods pays each for the energy drawn in it; within a plateau the power
    is constant. O(plateaus).
    """
    runs, begin_s, end_s, wh = plateaus_of_runs(cycles)
    table = cycles.table
    clock = PriceClock.of(tariff, cycles, timezone=timezone)
    paid = np.bincount(runs, weights=wh * clock.mean(begin_s, end_s), minlength=len(table))
    total = np.bincount(runs, weights=wh, minlength=len(table))
    start_s = (pd.DatetimeIndex(table["start"]).as_unit("ns").asi8 - clock.zero_ns) / NS_PER_S
    price = clock.mean(start_s, start_s + table["duration_s"].to_numpy(np.float64))
    np.divide(paid, total, out=price, where=total != 0)
    kwh = table["energy_wh"].to_numpy(np.float64) / WH_PER_KWH
    return pd.DataFrame(
        {
            "start": table["start"].to_numpy(),
            "end": table["end"].to_numpy(),
            "kwh": kwh,
            "price_per_kwh": price,
            "cost": kwh * price,
            "complete": table["complete"].to_numpy(),
        }
    )


def own_run_costs(finding: ApplianceFinding, tariff: Tariff | None) -> NDArray[np.float64] | None:
    """What each run cost at the prices of its hours; None where no kWh has a price of its own."""
    days = pd.DatetimeIndex(finding.daily["day"])
    zone = days.tz or "UTC"
    start = finding.cycles.plateaus.start
    if tariff is None or tariff.prices(start, start, timezone=zone) is None:
        return None
    return run_costs(finding.cycles, tariff=tariff, timezone=zone)["cost"].to_numpy(np.float64)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PriceClock:
    """Price summed over time, so that its mean over any stretch is two look-ups.

    `edges_s` are seconds from `zero_ns`, `summed` the price times seconds up to each.
    """

    zero_ns: int
    edges_s: NDArray[np.float64]
    summed: NDArray[np.float64]

    @classmethod
    def of(
        cls, tariff: Tariff, cycles: Cycles, *, timezone: tzinfo | str, later_s: float = 0.0
    ) -> PriceClock:
        """From a day before the samples of `cycles` begin to a day and `later_s` after them."""
        begin = cycles.plateaus.start
        lasts_s = cycles.plateaus.length * cycles.plateaus.period_s + S_PER_DAY + later_s
        first, last = begin - pd.Timedelta(days=1), begin + pd.Timedelta(seconds=lasts_s)
        prices = own_prices(tariff, first, last, timezone=timezone)
        ns = np.r_[
            pd.DatetimeIndex(prices["start"]).as_unit("ns").asi8,
            pd.Timestamp(prices["end"].iloc[-1]).as_unit("ns").value,
        ]
        edges_s = (ns - begin.value) / NS_PER_S
        each = prices["price_per_kwh"].to_numpy(np.float64) * np.diff(edges_s)
        return cls(zero_ns=begin.value, edges_s=edges_s, summed=np.r_[0.0, np.cumsum(each)])

    def mean(self, begin_s: NDArray[np.float64], end_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Mean price over each stretch [begin_s, end_s)."""
        sums = np.interp(end_s, self.edges_s, self.summed)
        sums -= np.interp(begin_s, self.edges_s, self.summed)
        return np.asarray(sums / (end_s - begin_s), dtype=np.float64)


def plateaus_of_runs(
    cycles: Cycles,
) -> tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Number of the run, begin and end [s from first sample] and energy [Wh] of plateaus."""
    p = cycles.plateaus
    first, stop = p.numbers(cycles.table["start"]), p.numbers(cycles.table["end"])
    low = np.searchsorted(p.stop, first, side="right")
    n = np.maximum(np.searchsorted(p.first, stop, side="left") - low, 0)
    runs = np.repeat(np.arange(n.size), n)
    at = np.repeat(low - np.r_[0, np.cumsum(n)[:-1]], n) + np.arange(n.sum()) if n.size else runs
    # A run that a person has split may begin or end within a plateau.
    begin = np.maximum(p.first[at], first[runs])
    end = np.minimum(p.stop[at], stop[runs])
    share = (end - begin) / (p.stop[at] - p.first[at])
    wh = p.sum_w[at] * p.period_s / S_PER_H * share
    return runs, begin * p.period_s, end * p.period_s, wh


def price_outside_runs(
    cycles: Cycles, *, tariff: Tariff | None, timezone: tzinfo | str
) -> float | None:
    """Average price of the time outside runs that has readings [currency a kWh].

    None where there is no such time, and where prices do not depend on the time.
    """
    plateaus = cycles.plateaus
    end = plateaus.start + pd.Timedelta(seconds=plateaus.length * plateaus.period_s)
    prices = None if tariff is None else tariff.prices(plateaus.start, end, timezone=timezone)
    if tariff is None or prices is None or constant_price(prices) is not None:
        return None
    away = ~in_runs(cycles)
    if not away.any():
        return None
    clock = PriceClock.of(tariff, cycles, timezone=timezone)
    begin_s, end_s = (
        at[away].astype(np.float64) * plateaus.period_s for at in (plateaus.first, plateaus.stop)
    )
    return float(np.average(clock.mean(begin_s, end_s), weights=plateaus.n[away]))


def mean_price(finding: ApplianceFinding) -> tuple[float, str] | None:
    """Price [currency a kWh] and currency; None without a tariff, or where no energy flows.

    What a year costs over what it uses, so that it holds for any tariff. Energy saved is worth
    this much where it is saved at the hours at which the appliance draws.
    """
    cost, per_day = finding.cost_per_year, finding.kwh_per_day
    if cost is None or not (isfinite(cost.value) and per_day.value > 0):
        return None
    return cost.value / (per_day.value * DAYS_PER_YEAR), cost.unit


def price_at_rest(finding: ApplianceFinding) -> tuple[float, str] | None:
    """Price [currency a kWh] and currency of what is drawn outside runs; None as `mean_price`.

    What waits all day does so at all prices, whenever it is used.
    """
    paid = mean_price(finding)
    if paid is None or finding.price_at_rest is None:
        return paid
    return finding.price_at_rest, paid[1]


def price_saved(finding: ApplianceFinding, *, at_rest: bool = False) -> tuple[float, str] | None:
    """What a kWh is worth that is not used [currency a kWh], and currency; None as `mean_price`.

    That is its price, but under steps, and where a house feeds its own power back: see
    `with_worth`.
    """
    paid = price_at_rest(finding) if at_rest else mean_price(finding)
    if paid is None:
        return None
    return paid[0] * (finding.worth_at_rest if at_rest else finding.worth), paid[1]


def prices_differ(rows: Sequence[ApplianceFinding]) -> bool:
    """Whether appliances paid more for a kWh than others, as under a tariff by time of use."""
    prices = [paid[0] for paid in map(mean_price, rows) if paid is not None]
    return bool(prices) and max(prices) - min(prices) > SAME_PRICE * abs(max(prices, key=abs))
