"""Quiet times of days, and what no circuit accounts for then."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import tzinfo

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.house.clamp_errors import CLAMP_LIMIT, clamp_errors
from homeenergy.house.schedule import Circuit, Supply
from homeenergy.readings.trace import Trace
from homeenergy.stats.estimate import Estimate
from homeenergy.stats.means import mean_of_series
from homeenergy.stats.parts import Parts
from homeenergy.units import NS_PER_S, S_PER_H, WH_PER_KWH

WINDOW_S = 600.0
LEAST_OF_A_WINDOW = 0.95
# Of a day, the time in which circuits draw least; of that, how long the remainder is below its low.
QUIET_SHARE, LOW_SHARE = 0.2, 0.1
LEAST_OF_A_DAY = 0.9  # the quietest window may be among those that are missing
# More than this out through the mains is power fed back and no error of a clamp [W]. Own rule.
FED_BACK_W = 50.0
NIGHT = (1, 5)


def window_means(trace: Trace, window_s: float) -> pd.Series:
    """Mean power of windows of UTC that are covered, by the instant at which each begins."""
    window_ns = round(window_s * NS_PER_S)
    if not len(trace):
        return pd.Series([], index=pd.DatetimeIndex([], tz="UTC"), dtype=np.float64)
    numbers = np.arange(trace.start.value // window_ns, (trace.end.value - 1) // window_ns + 1)
    at = np.clip(-(-(numbers * window_ns - trace.start.value) // trace.period_ns), 0, len(trace))
    numbers, at = numbers[at < len(trace)], at[at < len(trace)]
    sums_w, count = _sums(trace.watts, at)
    # A sample longer than a window stands for all windows that it spans, and begins in none.
    own = np.diff(np.r_[at, len(trace)]) > 0
    enough = own & (count * trace.period_s >= LEAST_OF_A_WINDOW * window_s)
    return pd.Series(
        np.where(enough, sums_w / np.maximum(count, 1), np.nan),
        index=pd.DatetimeIndex((numbers * window_ns).view("M8[ns]")).tz_localize("UTC"),
    )


def _sums(
    watts: NDArray[np.float32], at: NDArray[np.int64]
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Sum and number of the samples that are there, from each position on to the next."""
    size = int(at[2] - at[1]) if at.size > 2 else 0
    if not size or (np.diff(at[1:]) != size).any():
        there = ~np.isnan(watts)
        sums_w = np.add.reduceat(np.where(there, watts, np.float32(0)), at, dtype=np.float64)
        return sums_w, np.add.reduceat(there, at, dtype=np.int64)
    # All but the first and the last are equally long: three times as fast in one block.
    block = watts[at[1] : at[-1]].reshape(-1, size)
    sums_w, count = block.sum(axis=1, dtype=np.float64), np.full(len(block), size)
    holes = np.flatnonzero(np.isnan(sums_w))
    sums_w[holes] = np.nansum(block[holes], axis=1, dtype=np.float64)
    count[holes] = np.isfinite(block[holes]).sum(axis=1)
    ends = [watts[at[0] : at[1]], watts[at[-1] :]]
    end_w = [np.nansum(one, dtype=np.float64) for one in ends]
    end_count = [int(np.isfinite(one).sum()) for one in ends]
    return np.r_[end_w[0], sums_w, end_w[1]], np.r_[end_count[0], count, end_count[1]]


def whole_days(
    windows: pd.DataFrame,
    *,
    timezone: tzinfo | str,
    window_s: float,
    hours: tuple[int, int] | None = None,
) -> pd.DataFrame:
    """Windows of the local days that are covered.

    Parameters
    ----------
    windows : pandas.DataFrame
        Mean power of each circuit, a column each, by the instant at which a window begins [W].
    timezone : zone or its name
        Decides when a day begins.
    window_s : float
    hours : (int, int), optional
        Only windows that begin at these local hours, half-open.

    Returns
    -------
    pandas.DataFrame
        Rows without NaN, with a column day (local midnight). A day counts if at least
        `LEAST_OF_A_DAY` of its windows are there.
    """
    there = np.isfinite(windows.to_numpy(np.float64)).all(axis=1)
    table = windows[there]
    local = pd.DatetimeIndex(table.index).tz_convert(str(timezone))
    # Where clocks change at midnight, a day begins with its first instant.
    midnight = local.tz_localize(None).normalize()
    day = midnight.tz_localize(
        str(timezone), ambiguous=np.ones(len(table), dtype=bool), nonexistent="shift_forward"
    )
    table = table.assign(day=day)
    if hours is not None:
        table = table[(local.hour >= hours[0]) & (local.hour < hours[1])]
    span_h = 24 if hours is None else hours[1] - hours[0]
    instants = pd.DatetimeIndex(table["day"]).asi8
    _, at, count = np.unique(instants, return_inverse=True, return_counts=True)
    return table[count[at] >= LEAST_OF_A_DAY * span_h * S_PER_H / window_s]


def least_of_days(table: pd.DataFrame, column: str) -> pd.DataFrame:
    """The row of each day in which a column is least, of a table as `whole_days` gives it."""
    found: pd.DataFrame = table.loc[table.groupby("day")[column].idxmin()]
    return found


def unmonitored_baseload(
    windows: pd.DataFrame,
    *,
    mains: Sequence[Circuit],
    loads: Sequence[Circuit],
    timezone: tzinfo | str,
    supply: Supply | None,
    window_s: float = WINDOW_S,
) -> Estimate:
    """What no circuit accounts for at quiet times [W]: mean over days of the low of each.

    Parameters
    ----------
    windows : pandas.DataFrame
        As for `whole_days`, with a column for each of `mains` and `loads`.
    mains, loads : sequence of Circuit
    timezone, supply, window_s

    Returns
    -------
    Estimate
        Its value is NaN where no day is covered.

    Notes
    -----
    Own method. The remainder is the mains less all circuits. Of each local day those windows count
    in which the circuits draw least, a fifth of the day, because a per cent of error of what they
    draw is soon more than the remainder. The low of the day is what the remainder is below in a
    tenth of them: its least would be the luckiest reading of many. A day without windows is missing
    and not zero, and a day spent away counts as one. Where the remainder is so far below nothing
    that power must be fed in by what no circuit measures, only the hours of `NIGHT` count.

    `house_baseload` counts what is left over above it as in use.

    The spread is that of days, which may be autocorrelated (`mean_of_series`). What ratio, offset
    and step of each clamp may be off by comes on top. Effective degrees of freedom for all
    together (JCGM 100:2008, G.4.1) were tried: they held 91 to 94 %. O(windows).
    """

    def lows(hours: tuple[int, int] | None = None) -> pd.DataFrame:
        table = whole_days(windows, timezone=timezone, window_s=window_s, hours=hours)
        return lows_of_days(table, [c.name for c in mains], [c.name for c in loads])

    quiet = lows()
    basis = f"mean of the quietest times of {len(quiet)} days"
    if len(quiet) and quiet["left_w"].min() < -FED_BACK_W:
        quiet = lows(NIGHT)
        hours = f"from {NIGHT[0]}:00 to {NIGHT[1]}:00"
        basis = f"mean of the quietest times of {len(quiet)} days {hours}, as power is fed in"
    left_w = quiet["left_w"].to_numpy(np.float64)
    found = mean_of_series(left_w, unit="W", basis=basis)
    if not found.n:
        return found
    clamps = Parts()
    for circuit in (*mains, *loads):
        kwh = float(quiet[circuit.name].mean()) / WH_PER_KWH  # of an hour
        of_one = clamp_errors(circuit, supply).parts(kwh, hours=1.0, usual_limit=CLAMP_LIMIT)
        clamps = clamps.plus(of_one, 1.0 if circuit.role == "mains" else -1.0)
    basis = f"{found.basis}; ratio and offset of every clamp"
    return found.with_parts(clamps.scaled(WH_PER_KWH), basis=basis)


def lows_of_days(table: pd.DataFrame, mains: Sequence[str], loads: Sequence[str]) -> pd.DataFrame:
    """The window of each day in which the remainder, left_w, is at its low."""
    loads_w = table[[*loads]].to_numpy(np.float64)
    left_w = table[[*mains]].to_numpy(np.float64).sum(axis=1) - loads_w.sum(axis=1)
    # Of what a circuit feeds in, its clamp errs as much as of what it draws.
    drawn_w = np.abs(loads_w).sum(axis=1)
    days = np.flatnonzero(np.r_[True, np.diff(pd.DatetimeIndex(table["day"]).asi8) != 0])
    lows = []
    for of_day in np.split(np.arange(len(table)), days[1:]) if len(table) else ():
        quiet = of_day[drawn_w[of_day] <= np.quantile(drawn_w[of_day], QUIET_SHARE)]
        lows.append(quiet[np.argsort(left_w[quiet])[int(LOW_SHARE * (quiet.size - 1))]])
    return table.assign(left_w=left_w).iloc[lows]
