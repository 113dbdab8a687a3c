"""What is idle, what is use and what is neither, for each local day."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.cycles import Cycles
from homeenergy.cycles.rest import find_rest
from homeenergy.cycles.segment.plateaus import Plateaus
from homeenergy.findings.appliance.record import ApplianceFinding
from homeenergy.findings.days import LEAST_COVERAGE
from homeenergy.units import NS_PER_S, S_PER_H, WH_PER_KWH


def between_edges(
    start_ns: NDArray[np.int64],
    end_ns: NDArray[np.int64],
    amount: NDArray[np.floating],
    *,
    edges_ns: NDArray[np.int64],
) -> NDArray[np.float64]:
    """Share amounts out to the stretches between edges.

    Parameters
    ----------
    start_ns, end_ns, amount : ndarrays, shape (n,)
        Stretches in order that do not overlap, and what belongs to each, evenly over its length.
    edges_ns : ndarray, shape (m + 1,)
        Ascending.

    Returns
    -------
    ndarray, shape (m,)
    """
    if not start_ns.size:
        return np.zeros(max(edges_ns.size - 1, 0))
    origin = start_ns[0]
    at = np.c_[start_ns - origin, end_ns - origin].ravel().astype(np.float64)
    upto = np.cumsum(np.c_[np.zeros(amount.size), amount].ravel())
    return np.diff(np.interp((edges_ns - origin).astype(np.float64), at, upto))


def in_runs(cycles: Cycles) -> NDArray[np.bool_]:
    """Which plateaus lie inside a run."""
    plateaus = cycles.plateaus
    first, stop = run_samples(cycles)
    run = np.searchsorted(first, plateaus.first, side="right") - 1
    inside: NDArray[np.bool_] = run >= 0
    if first.size:
        inside &= plateaus.first < stop[np.maximum(run, 0)]
    return inside


def run_samples(cycles: Cycles) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """First sample of each run, and the one after its last."""
    table = cycles.table
    return cycles.plateaus.numbers(table["start"]), cycles.plateaus.numbers(table["end"])


def day_parts(finding: ApplianceFinding) -> pd.DataFrame:
    """Energy and time of each local day, idle, in use and neither.

    Parameters
    ----------
    finding : ApplianceFinding

    Returns
    -------
    pandas.DataFrame
        One row a local day: day, day_h, covered_h, away_h (outside runs, with readings), idle_kwh,
        use_kwh, other_kwh, starts (runs begun), whole (covered well enough to stand for a day).

    Notes
    -----
    In use is what runs take. Outside runs, plateaus at which the appliance is at rest are idle,
    and in what is left the draw at rest is; the remainder (another small load, a display that goes
    on, what settles after a run) is neither. The three add up to the energy of the day. A plateau
    across midnight is shared out evenly.
    """
    daily, cycles = finding.daily, finding.cycles
    edges_ns = day_edges_ns(daily)
    plateaus = cycles.plateaus
    inside = in_runs(cycles)
    wh = plateaus.sum_w * plateaus.period_s / S_PER_H
    hours = plateaus.n * plateaus.period_s / S_PER_H
    use_wh = _by_day(plateaus, wh, inside, edges_ns=edges_ns)
    away_wh = _by_day(plateaus, wh, ~inside, edges_ns=edges_ns)
    away_h = _by_day(plateaus, hours, ~inside, edges_ns=edges_ns)
    rest_wh, rest_h = _at_rest(cycles, edges_ns)
    base_w = cycles.rest.measured_w if np.isfinite(cycles.rest.measured_w) else 0.0
    idle_wh = rest_wh + base_w * (away_h - rest_h)
    starts_ns = pd.DatetimeIndex(cycles.table["start"]).as_unit("ns").asi8
    return pd.DataFrame(
        {
            "day": daily["day"],
            "day_h": daily["day_h"],
            "covered_h": daily["covered_h"],
            "away_h": away_h,
            "idle_kwh": idle_wh / WH_PER_KWH,
            "use_kwh": use_wh / WH_PER_KWH,
            "other_kwh": (away_wh - idle_wh) / WH_PER_KWH,
            "starts": np.histogram(starts_ns, bins=edges_ns)[0] if len(daily) else [],
            "whole": daily["covered_h"] >= LEAST_COVERAGE * daily["day_h"],
        }
    )


def day_edges_ns(daily: pd.DataFrame) -> NDArray[np.int64]:
    """Instants at which the days of a table begin, and the last ends [ns]."""
    begins = pd.DatetimeIndex(daily["day"]).as_unit("ns").asi8
    if not begins.size:
        return np.empty(0, np.int64)
    last_ns = begins[-1] + round(float(daily["day_h"].iloc[-1]) * S_PER_H * NS_PER_S)
    return np.r_[begins, last_ns]


def _by_day(
    plateaus: Plateaus,
    amount: NDArray[np.floating],
    chosen: NDArray[np.bool_],
    *,
    edges_ns: NDArray[np.int64],
) -> NDArray[np.float64]:
    start_ns = plateaus.instants(plateaus.first[chosen]).asi8
    end_ns = plateaus.instants(plateaus.stop[chosen]).asi8
    return between_edges(start_ns, end_ns, amount[chosen], edges_ns=edges_ns)


def _at_rest(
    cycles: Cycles, edges_ns: NDArray[np.int64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Energy [Wh] and time [h] at rest of each day; none where the appliance never rests."""
    plateaus = cycles.plateaus
    if not np.isfinite(cycles.rest.measured_w):
        nothing = np.zeros(max(edges_ns.size - 1, 0))
        return nothing, nothing
    first, stop = run_samples(cycles)
    rest = find_rest(plateaus, first, stop, on_w=cycles.settings["on_w"])
    # Stretches of rest begin and end with plateaus, but for samples shared with a run.
    at = np.searchsorted(plateaus.first, rest.first, side="right") - 1
    chosen = np.zeros(len(plateaus), bool)
    chosen[at[at >= 0]] = True
    hours = plateaus.n * plateaus.period_s / S_PER_H
    return (
        _by_day(plateaus, plateaus.mean_w * hours, chosen, edges_ns=edges_ns),
        _by_day(plateaus, hours, chosen, edges_ns=edges_ns),
    )
