"""What a circuit's energy between two instants costs, from whole minutes where these suffice."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.house import Circuit
from homeenergy.readings.house import House
from homeenergy.readings.pyramid import WIDTHS
from homeenergy.units import NS_PER_S, S_PER_H, WH_PER_KWH

MINUTE_NS = 60 * NS_PER_S  # prices change on whole minutes


def span_cost(house: House, circuit: Circuit, start_ns: int, end_ns: int) -> float | None:
    """Cost of the samples of a circuit that begin in [start, end) (UTC, ns since 1970).

    Returns
    -------
    float or None
        In the tariff's currency, without its standing charge. None without a tariff, and where
        it has steps: what a kWh of one circuit costs then depends on all others. NaN where nothing
        was logged.

    Notes
    -----
    Each sample costs what holds when it begins. O(1) for a flat tariff, O(minutes) for any other.
    """
    tariff, overview = house.tariff, house.overview
    if tariff is None or tariff.is_stepped:
        return None
    if not house.has_readings(circuit):
        return float("nan")
    if tariff.is_flat and tariff.price_per_kwh is not None:
        totals = overview.totals(circuit, start_ns, end_ns)
        energy_kwh = totals.energy_wh / WH_PER_KWH
        return energy_kwh * tariff.price_per_kwh if totals.covered_s else float("nan")
    period = overview.period_ns(circuit)
    extent = overview.extent_ns(circuit) or (0, 0)
    low = max(-(-start_ns // period), extent[0] // period)
    high = min(-(-end_ns // period), extent[1] // period)
    if low >= high:
        return float("nan")
    sums, count = 0.0, 0
    for first, watts, there in _pieces(house, circuit, low, high):
        begins = pd.DatetimeIndex(first.view("M8[ns]")).tz_localize("UTC")
        sums += float(watts @ tariff.price_at(begins, house.timezone))
        count += there
    return sums * period / NS_PER_S / S_PER_H / WH_PER_KWH if count else float("nan")


def _pieces(
    house: House, circuit: Circuit, low: int, high: int
) -> list[tuple[NDArray[np.int64], NDArray[np.float64], int]]:
    """Samples [low, high) as (when they begin, sums of watts, how many): minutes, samples beside.

    A bin has one price if it is no longer than a minute and minutes are whole numbers of it.
    """
    period, width = house.overview.period_ns(circuit), WIDTHS[0]
    if MINUTE_NS % (period * width):
        return [_samples(house, circuit, low, high)]
    first, stop = -(-low // width), high // width
    if first >= stop:
        return [_samples(house, circuit, low, high)]
    bins = house.overview.bins(circuit, 0, first, stop)
    begins = np.arange(first, stop, dtype=np.int64) * width * period
    return [
        _samples(house, circuit, low, first * width),
        (begins, bins.sum_w, int(bins.count.sum())),
        _samples(house, circuit, stop * width, high),
    ]


def _samples(
    house: House, circuit: Circuit, low: int, high: int
) -> tuple[NDArray[np.int64], NDArray[np.float64], int]:
    watts = house.overview.samples(circuit, low, high).astype(np.float64)
    there = ~np.isnan(watts)
    begins = np.arange(low, high, dtype=np.int64) * house.overview.period_ns(circuit)
    return begins, np.where(there, watts, 0.0), int(there.sum())
