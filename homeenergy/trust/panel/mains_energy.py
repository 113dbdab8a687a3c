"""Energy of the logged mains between instants, with bounds for what is missing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.errors import HouseError
from homeenergy.readings.house import House
from homeenergy.readings.trace import Trace
from homeenergy.trust.meter import LoggedEnergy
from homeenergy.trust.panel.common_grid import common_stretch
from homeenergy.units import NS_PER_S, S_PER_H, WH_PER_KWH

Values = NDArray[np.float64]
SHORT_S = 120.0
FED_BACK_W, FED_BACK = -20.0, 0.01  # mains that read less for so much of the time feed back
# What the register of a utility meter may count: all, what is drawn, what each leg draws.
Counts = Literal["all", "drawn", "drawn by leg"]
COUNTS: tuple[Counts, ...] = ("all", "drawn", "drawn by leg")


def mains_trace(
    house: House, *, times: Sequence[float] | None = None, counts: Counts = "all"
) -> Trace:
    """Sum of the logged mains of a house; a sample is missing where it is in any of them.

    Parameters
    ----------
    house : House
    times : sequence of float, optional
        What each of the mains is multiplied with first, where its clamp is known to be wrong.
    counts : str
        "all": what is fed back is less; "drawn": it counts as nothing, as in a register of what is
        drawn; "drawn by leg": what one leg feeds back counts as nothing while others draw.

    Raises
    ------
    HouseError
        If no mains circuit has readings, or their periods have none in common.
    """
    if not house.mains:
        raise HouseError(
            "no circuit of the mains has readings that can be used",
            path=house.path,
            fix='Give the clamps of the supply `role = "mains"` in house.toml.',
        )
    traces = [house.trace(c).sure() for c in house.mains]
    if times is not None:
        traces = [
            t if by == 1 else replace(t, watts=t.watts * np.float32(by))
            for t, by in zip(traces, times, strict=True)
        ]
    if counts == "drawn by leg":
        traces = [_drawn(t) for t in traces]
    total = sum_traces(traces, label="mains")
    if not np.isfinite(total.watts).any():
        raise HouseError(
            "no reading of the mains can be used",
            path=house.path,
            fix="Look at `homeenergy quality`, which says why they are left out.",
        )
    return _drawn(total) if counts == "drawn" else total


def feeds_back(mains: Trace) -> bool:
    """Whether the mains as a whole, or one leg of them, feed back for some of the time."""
    return int(np.count_nonzero(mains.watts < FED_BACK_W)) > FED_BACK * len(mains)


def _drawn(trace: Trace) -> Trace:
    return replace(trace, watts=np.maximum(trace.watts, np.float32(0)))


def sum_traces(traces: Sequence[Trace], *, label: str) -> Trace:
    """Add traces on the stretch that all of them cover; what is missing in one is missing."""
    traces = common_stretch(traces)
    watts = traces[0].watts.copy()
    for trace in traces[1:]:
        watts += trace.watts
    first = traces[0]
    return Trace(label=label, start=first.start, period_s=first.period_s, watts=watts)


def logged_energy(
    mains: Trace, times: pd.DatetimeIndex, *, time_error_s: float = 120.0
) -> LoggedEnergy:
    """Energy of the mains between the times of readings, with bounds of what is not known.

    Parameters
    ----------
    mains : Trace
        Of the whole supply.
    times : pandas.DatetimeIndex, shape (n,)
        Of the readings, with a time zone, rising, all within the trace.
    time_error_s : float
        A reading was taken at most so long before or after its stated time [s].

    Returns
    -------
    LoggedEnergy

    Notes
    -----
    A gap of two minutes at most is bounded by the samples at its ends. A longer one is bounded by
    the least and the greatest energy of any stretch as long that the log holds, which is as good a
    guarantee as the log can give. O(samples), with one float64 running sum.
    """
    watts = mains.watts
    here = np.isfinite(watts)
    step_kwh = mains.period_s / S_PER_H / WH_PER_KWH
    sums = np.r_[0.0, np.cumsum(np.where(here, watts, 0.0), dtype=np.float64)] * step_kwh
    at = _positions(mains, times)
    logged = np.diff(np.interp(at, np.arange(sums.size), sums))
    first, stop = _holes(here)
    low, high = _hole_bounds(watts, here, first, stop, sums, step_kwh)
    n = at.size
    missing_low, missing_high, missing_s = np.zeros(n - 1), np.zeros(n - 1), np.zeros(n - 1)
    for i in range(n - 1):
        inside = np.clip(np.minimum(stop, at[i + 1]) - np.maximum(first, at[i]), 0, None)
        share = inside / (stop - first)
        # A gap across a reading may have used all of its energy on either side of it.
        whole = share > 1 - 1e-9
        missing_low[i] = (low * np.where(whole, 1, 0)).sum() + np.minimum(low * share, 0).sum()
        missing_high[i] = (high * (share > 0)).sum()
        missing_s[i] = inside.sum() * mains.period_s
    shift = time_error_s / mains.period_s
    shifts = np.array([_shift(sums, here, first, stop, high, x, shift) for x in at])
    return LoggedEnergy(
        logged_kwh=logged,
        missing_low_kwh=missing_low,
        missing_high_kwh=missing_high,
        shift_low_kwh=shifts[:, 0],
        shift_high_kwh=shifts[:, 1],
        missing_s=missing_s,
    )


def _positions(mains: Trace, times: pd.DatetimeIndex) -> Values:
    ns = times.tz_convert("UTC").as_unit("ns").asi8 - mains.start.value
    at = ns / (mains.period_s * NS_PER_S)
    if at.size and (at.min() < 0 or at.max() > len(mains)):
        raise ValueError(
            f"readings must lie within the log, {mains.start} to {mains.end}; leave others out"
        )
    return np.asarray(at, dtype=np.float64)


def _holes(here: NDArray[np.bool_]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    edges = np.diff(np.r_[1, here.astype(np.int8), 1])
    return np.flatnonzero(edges == -1), np.flatnonzero(edges == 1)


def _hole_bounds(
    watts: NDArray[np.float32],
    here: NDArray[np.bool_],
    first: NDArray[np.int64],
    stop: NDArray[np.int64],
    sums: Values,
    step_kwh: float,
) -> tuple[Values, Values]:
    """Bounds of the energy that each gap hides [kWh]."""
    low, high = np.zeros(first.size), np.zeros(first.size)
    short = (stop - first) * step_kwh * S_PER_H * WH_PER_KWH <= SHORT_S
    ends = np.stack(
        [watts[np.maximum(first - 1, 0)], watts[np.minimum(stop, watts.size - 1)]]
    ).astype(np.float64)
    short &= np.isfinite(ends).all(axis=0)
    span = (stop - first) * step_kwh
    low[short] = (ends.min(axis=0) * span)[short]
    high[short] = (ends.max(axis=0) * span)[short]
    counts = np.r_[0, np.cumsum(here)]
    for length in np.unique((stop - first)[~short]):
        begins = np.arange(0, sums.size - length, max(1, int(length) // 200))
        full = counts[begins + length] - counts[begins] >= 0.99 * length
        used = (sums[begins + length] - sums[begins])[full]
        same = ~short & (stop - first == length)
        if used.size:
            low[same], high[same] = used.min(), used.max()
        else:  # no stretch is as long: what the greatest and least samples would make of it
            low[same] = np.nanmin(watts) * length * step_kwh
            high[same] = np.nanmax(watts) * length * step_kwh
    return low, high


def _shift(
    sums: Values,
    here: NDArray[np.bool_],
    first: NDArray[np.int64],
    stop: NDArray[np.int64],
    hole_kwh: Values,
    at: float,
    shift: float,
) -> tuple[float, float]:
    """Least and greatest energy from a stated instant to one within `shift` samples of it."""
    lo, hi = max(at - shift, 0.0), min(at + shift, float(here.size))
    inner = np.arange(np.ceil(lo), np.floor(hi) + 1)
    energy = np.interp(np.r_[lo, inner, hi], np.arange(sums.size), sums)
    energy -= np.interp(at, np.arange(sums.size), sums)
    hidden = float(np.abs(hole_kwh[(first < hi) & (stop > lo)]).sum())
    return min(float(energy.min()) - hidden, 0.0), max(float(energy.max()) + hidden, 0.0)
