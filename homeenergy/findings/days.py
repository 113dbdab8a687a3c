"""Energy per local day, whatever its length: in all, at rest, in use."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import tzinfo
from itertools import pairwise

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from homeenergy.cycles import Cycles
from homeenergy.cycles.rest import find_rest
from homeenergy.cycles.segment.plateaus import Plateaus
from homeenergy.house.clamp_errors import CLAMP_LIMIT, ClampErrors
from homeenergy.readings.trace import Trace, sure_trace
from homeenergy.stats.estimate import Estimate, measured
from homeenergy.stats.means import mean_of_days
from homeenergy.stats.parts import Parts
from homeenergy.units import DAYS_PER_YEAR, H_PER_DAY, NS_PER_S, S_PER_DAY, S_PER_H, WH_PER_KWH

# A day with less of its time covered says little about a whole day.
LEAST_COVERAGE = 0.9
LEAST_OF_AN_HOUR = 0.95
SATURDAY = 5
PARTS_OF_A_DAY = 4  # night, morning, afternoon, evening


def share_of_year(days: pd.DatetimeIndex) -> float:
    """Share of the days of a year that are among days, of whichever year."""
    return min(len(set(zip(days.month, days.day, strict=True))) / DAYS_PER_YEAR, 1.0)


def daily_energy(trace: Trace | pd.Series, *, timezone: tzinfo | str = "UTC") -> pd.DataFrame:
    """Energy of each local day.

    Parameters
    ----------
    trace : Trace or pandas.Series of watts
        Shape (n,) [W].
    timezone : zone or its name
        Decides when a day begins. Days of 23 and 25 h are what they are.

    Returns
    -------
    pandas.DataFrame
        One row a local day that the trace touches: day (local midnight), kwh (samples that are
        there), covered_h, day_h.
    """
    trace = sure_trace(trace)
    if not len(trace):
        none = pd.DatetimeIndex([], tz="UTC").tz_convert(timezone)
        numbers = {name: np.empty(0) for name in ("kwh", "covered_h", "day_h")}
        return pd.DataFrame({"day": none, **numbers})
    days = midnights(trace.start, trace.end - pd.Timedelta(1, unit="ns"), timezone)
    offsets = (days.tz_convert("UTC").as_unit("ns") - trace.start).to_numpy().astype(np.int64)
    edges = np.clip(-(-offsets // trace.period_ns), 0, len(trace))
    kwh = np.empty(days.size - 1)
    covered_h = np.empty(days.size - 1)
    for i, (a, b) in enumerate(pairwise(edges)):
        day = trace.samples(int(a), int(b))
        kwh[i] = day.energy_wh / WH_PER_KWH
        covered_h[i] = day.covered_s / S_PER_H
    day_h = np.diff(days.as_unit("s").astype(np.int64)) / S_PER_H
    return pd.DataFrame({"day": days[:-1], "kwh": kwh, "covered_h": covered_h, "day_h": day_h})


def parts_of_days(trace: Trace, daily: pd.DataFrame) -> NDArray[np.float64]:
    """Mean power of the quarters of each day of a table as `daily_energy` makes it [W].

    Returns
    -------
    ndarray, shape (days, 4)
        NaN where a quarter is covered for less than `LEAST_COVERAGE`, as samples of an hour do with
        one of a day of 23 h. O(samples).
    """
    trace = trace.sure()
    begins = pd.DatetimeIndex(daily["day"]).as_unit("ns").asi8 - trace.start.value
    long_ns = daily["day_h"].to_numpy(np.float64) * S_PER_H * NS_PER_S / PARTS_OF_A_DAY
    parts_w = np.full((len(daily), PARTS_OF_A_DAY), np.nan)
    for day, part in np.ndindex(parts_w.shape):
        ends = begins[day] + np.rint(long_ns[day] * np.array([part, part + 1])).astype(np.int64)
        a, b = np.clip(-(-ends // trace.period_ns), 0, len(trace))
        samples = trace.samples(int(a), int(b))
        if samples.covered_s * NS_PER_S >= LEAST_COVERAGE * long_ns[day]:
            parts_w[day, part] = samples.energy_wh / samples.covered_s * S_PER_H
    return parts_w


def sums_of_days(days: pd.DataFrame, instants: pd.Series, values: ArrayLike) -> NDArray[np.float64]:
    """Sum of the values whose instants fall in each day of a table as `daily_energy` makes it."""
    begins = pd.DatetimeIndex(days["day"]).as_unit("ns").asi8
    lasts = np.rint(days["day_h"].to_numpy(np.float64) * S_PER_H * NS_PER_S).astype(np.int64)
    at_ns = pd.DatetimeIndex(instants).as_unit("ns").asi8
    at = np.searchsorted(begins, at_ns, side="right") - 1
    inside = (at >= 0) & (at_ns < (begins + lasts)[np.maximum(at, 0)]) if begins.size else at > 0
    weights = np.asarray(values, dtype=np.float64)[inside]
    return np.bincount(at[inside], weights=weights, minlength=begins.size).astype(np.float64)


def midnights(first: pd.Timestamp, last: pd.Timestamp, timezone: tzinfo | str) -> pd.DatetimeIndex:
    """Local midnights from that before `first` to that after `last`.

    Where clocks change at midnight, a day begins with its first instant: that after the hour left
    out, or the earlier of two midnights.
    """
    local = pd.DatetimeIndex([first, last]).tz_convert(timezone).tz_localize(None).normalize()
    dates = pd.date_range(local[0], local[1] + pd.Timedelta(days=1), freq="D")
    return dates.tz_localize(
        timezone, ambiguous=np.ones(dates.size, dtype=bool), nonexistent="shift_forward"
    )


def local_days(instants: pd.Series, timezone: tzinfo | str) -> NDArray[np.int64]:
    """Number of the local day of each instant."""
    local = pd.DatetimeIndex(instants).tz_convert(timezone).tz_localize(None)
    return local.as_unit("s").asi8 // int(S_PER_DAY)


def energy_per_day(daily: pd.DataFrame, *, parts: NDArray[np.float64] | None = None) -> Estimate:
    """Mean energy of a 24 h day [kWh] with the interval from the spread between days.

    `parts` are those of the same days, see `parts_of_days` and `mean_of_days`. Days covered for
    less than `LEAST_COVERAGE` are left out, the others scaled to 24 h. Where no day is covered so
    far, all that was measured is scaled, and the interval is unbounded.
    """
    covered = (daily["covered_h"] >= LEAST_COVERAGE * daily["day_h"]).to_numpy()
    whole = daily[covered]
    if len(whole):
        per_day = whole["kwh"] / whole["covered_h"] * S_PER_DAY / S_PER_H
        of_whole = None if parts is None else parts[covered]
        weekend = pd.DatetimeIndex(whole["day"]).day_of_week >= SATURDAY
        return mean_of_days(per_day.to_numpy(), parts=of_whole, weekend=weekend)
    hours = float(daily["covered_h"].sum()) if len(daily) else 0.0
    value = float(daily["kwh"].sum()) / hours * 24 if hours else float("nan")
    basis = f"scaled from {hours:.1f} h; no whole day was measured"
    return measured(value, float("inf"), unit="kWh", n=0, basis=basis)


def hourly_energy(trace: Trace) -> pd.DataFrame:
    """Energy of each hour of UTC.

    Returns
    -------
    pandas.DataFrame
        Indexed by the instant at which the hour begins: kwh (samples that are there), covered_h. A
        sample counts for the hour in which it begins. O(n).
    """
    trace = trace.sure()
    if not len(trace):
        return pd.DataFrame({"kwh": [], "covered_h": []}, index=pd.DatetimeIndex([], tz="UTC"))
    hour_ns = int(S_PER_H * NS_PER_S)
    first = trace.start.value // hour_ns
    hours = np.arange(first, (trace.end.value - 1) // hour_ns + 1)
    at = np.clip(-(-(hours * hour_ns - trace.start.value) // trace.period_ns), 0, len(trace))
    inside = at < len(trace)
    hours, at = hours[inside], at[inside]
    there = ~np.isnan(trace.watts)
    sums_w = np.add.reduceat(np.where(there, trace.watts, np.float32(0)), at, dtype=np.float64)
    counts = np.add.reduceat(there, at, dtype=np.int64)
    # A period longer than an hour leaves hours in which no sample begins.
    own = np.diff(np.r_[at, len(trace)]) > 0
    return pd.DataFrame(
        {
            "kwh": np.where(own, sums_w, 0.0) * trace.period_s / S_PER_H / WH_PER_KWH,
            "covered_h": np.where(own, counts, 0) * trace.period_s / S_PER_H,
        },
        index=pd.DatetimeIndex((hours * hour_ns).view("M8[ns]")).tz_localize("UTC"),
    )


def remainder_per_day(
    mains: list[pd.DataFrame],
    loads: list[pd.DataFrame],
    *,
    timezone: tzinfo | str,
    clamps: Sequence[ClampErrors] = (),
) -> Estimate:
    """Energy a day that goes through the mains and through no measured circuit [kWh].

    Parameters
    ----------
    mains, loads : lists of pandas.DataFrame
        From `hourly_energy`. Only hours that nearly all of all of them cover are compared.
    timezone : zone or its name
        Decides when a day begins.
    clamps : sequence of ClampErrors, optional
        How far the clamp of each of `mains`, then of `loads`, may be off. Default: not stated.

    Notes
    -----
    A small difference of large figures: the errors of the clamps matter more than the spread of the
    days. Where none is stated, a clamp is taken to lie anywhere within `CLAMP_LIMIT` of its
    reading with the same density (JCGM 100:2008, 4.3.7).
    """
    hours = pd.concat([*mains, *loads], axis=1, keys=range(len(mains) + len(loads)), sort=True)
    covered_h = pd.DataFrame(hours.xs("covered_h", axis=1, level=1))
    kwh = pd.DataFrame(hours.xs("kwh", axis=1, level=1)) / covered_h
    kwh = kwh[(covered_h >= LEAST_OF_AN_HOUR).all(axis=1)]
    left = kwh.iloc[:, : len(mains)].sum(axis=1) - kwh.iloc[:, len(mains) :].sum(axis=1)
    local = pd.DatetimeIndex(left.index).tz_convert(timezone).normalize()
    day = left.groupby(local).agg(["sum", "size"])
    begins = pd.DatetimeIndex(day.index)
    lasts = (begins + pd.DateOffset(days=1)) - begins
    plain = energy_per_day(
        pd.DataFrame(
            {
                "day": begins,
                "kwh": day["sum"].to_numpy(),
                "covered_h": day["size"].to_numpy(np.float64),
                "day_h": lasts.total_seconds().to_numpy() / S_PER_H,
            }
        )
    )
    each_kwh = kwh.mean().to_numpy() * H_PER_DAY
    known = clamps or [ClampErrors(name=str(number)) for number in range(kwh.shape[1])]
    errors = Parts()
    for number, (clamp, one_kwh) in enumerate(zip(known, each_kwh, strict=True)):
        one = clamp.parts(float(one_kwh), hours=H_PER_DAY, usual_limit=CLAMP_LIMIT)
        errors = errors.plus(one, 1.0 if number < len(mains) else -1.0)
    stated = any(clamp.uncertainty is not None for clamp in known)
    words = f"each clamp within {CLAMP_LIMIT:.1%}" + (", or as stated" if stated else "")
    return plain.with_parts(errors, basis=f"{plain.basis}; {words}")


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


def day_parts(cycles: Cycles, daily: pd.DataFrame) -> pd.DataFrame:
    """Energy and time of each local day, idle, in use and neither.

    Parameters
    ----------
    cycles : Cycles
        Of one appliance.
    daily : pandas.DataFrame
        Its energy of each local day, see `daily_energy`.

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
