"""The mains by leg, on one grid, their energy, and where a clamp ends."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from itertools import combinations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.errors import HouseError
from homeenergy.house.schedule import Circuit
from homeenergy.readings.doubt import STUCK
from homeenergy.readings.house import House
from homeenergy.readings.trace import Trace
from homeenergy.trust.concern import Concern
from homeenergy.trust.panel.circuit import (
    REST_W,
    Steps,
    difference_noise,
    reading_step,
    readings_that_differ,
    step_lag,
)
from homeenergy.trust.panel.common_grid import coarser, common_period_s, common_stretch
from homeenergy.trust.panel.explain import FLOOR, Energy
from homeenergy.trust.panel.mains_energy import (
    FED_BACK,
    FED_BACK_W,
    feeds_back,
)
from homeenergy.trust.panel.told import clipped_concern, unsigned_concern
from homeenergy.units import NS_PER_S, S_PER_H, WH_PER_KWH

CEILING, AT_CEILING, CEILING_TIMES = 0.98, 0.7, 3
LEAST_CEILING_W = 100.0
OFF_W = 10.0  # what a clamp that is off reads at most
TOO_OFTEN, NOISY_W = 50, 3.0  # samples at one highest reading, in which noise would differ
BLOCK_S = 60.0
ALL_LEGS = "all legs"  # of mains that are one total
QUIET = 0.05  # of samples draw less than what the usual pause between pulses is taken from
LEAST_PULSES = 5  # in a sample; own choice
PERIODS_S = (10, 30, 60, 120, 300, 600, 900, 1800, 3600)
MUCH = 0.9  # of readings are less than what a step is compared with
BETWEEN = 0.5  # of the steps of circuits that chance would put between the changes of the mains
PACE = 0.95  # of changes are whole numbers of holds apart
FEW_CHANGES, SOME_CHANGES = 30, 20_000
FLICKERS = 2.0  # samples that a reading stays at most, where its steps are not those of loads
FOLLOWS = 0.5  # of what circuits change, while they feed in more than is drawn
VARIES = 0.03  # of the ceiling: what circuits draw more or less there


def as_one_leg(house: House) -> House:
    """A house whose mains are one total of several legs, as if it had one; else as it is."""
    mains = house.mains
    if len(mains) != 1 or len(mains[0].legs) < 2:
        return house
    circuits = tuple(
        replace(c, legs=(ALL_LEGS,) if c.role == "mains" else ()) for c in house.schedule.circuits
    )
    supply = replace(house.supply, system="single-phase")
    schedule = replace(house.schedule, circuits=circuits, supply=supply)
    return House(schedule, held_out=house.held_out)


def mains_by_leg(
    house: House,
    start: object,
    end: object,
    *,
    without: tuple[pd.Timestamp, pd.Timestamp] | None = None,
) -> tuple[tuple[str, ...], list[Trace]]:
    """Legs of the mains, and a trace of each on the stretch that all of them cover.

    What was read `without` a time is missing.
    """
    circuits = house.mains
    if not circuits:
        raise HouseError(
            "no circuit of the mains has readings that can be used, so nothing can be balanced",
            path=house.path,
            fix='Give the clamps of the supply `role = "mains"` and their leg in house.toml.',
        )
    # A single clamp on a supply of one leg can sit nowhere else.
    only = ("L1",) if len(circuits) == 1 and house.supply.system == "single-phase" else ()
    legs: list[str] = []
    for circuit in circuits:
        own = circuit.legs or only
        if len(own) == 1 and own[0] in legs:
            other = circuits[legs.index(own[0])].name
            raise HouseError(
                f"mains circuits {other!r} and {circuit.name!r} both name leg {own[0]}; the "
                "balance needs one for each leg",
                path=house.path / "house.toml",
                fix="Give each the leg that its clamp is on.",
            )
        if len(own) != 1:
            raise HouseError(
                f"mains circuit {circuit.name!r} names legs {list(circuit.legs)}; the balance "
                "needs a mains circuit for each leg, with that leg",
                path=house.path / "house.toml",
                fix='Write for example legs = ["L1"]; of one total of all legs, all of them.',
            )
        legs.append(own[0])
    logged = [c for c in house.circuits if house.has_readings(c)]
    period_s = common_period_s(house.stored_months(c)[1] / NS_PER_S for c in logged)
    traces = [coarser(as_it_moved(house.trace(c, start, end)), period_s) for c in circuits]
    for circuit, trace in zip(circuits, traces, strict=True):
        _refuse_few_pulses(house, circuit, trace)
        _refuse_coarse(house, circuit, trace)
    traces = common_stretch(traces)
    if without is not None:
        period = pd.Timedelta(traces[0].period_ns, unit="ns")
        first, last = (round((at - traces[0].start) / period) for at in without)
        number = np.arange(len(traces[0]))
        left_out = (number >= first) & (number <= last)
        traces = [replace(t, watts=np.where(left_out, np.float32(np.nan), t.watts)) for t in traces]
    return tuple(legs), traces


def as_it_moved(trace: Trace) -> Trace:
    """A trace without the hours in which it stuck at one reading, and so shows no step."""
    if trace.doubt is None:
        return trace
    stuck = (trace.doubt & STUCK) != 0
    return replace(trace, watts=np.where(stuck, np.float32(np.nan), trace.watts))


def _refuse_few_pulses(house: House, circuit: Circuit, trace: Trace) -> None:
    """Refuse mains of which pulses are too far between to show when a circuit steps."""
    for source in house.schedule.sources:
        place = source.circuits.get(circuit.name)
        if source.lines != "pulses" or place is None or not place.impulses_per_kwh:
            continue
        quiet_w = max(float(np.nanquantile(trace.watts, QUIET)), 1.0)
        apart_s = WH_PER_KWH * S_PER_H / place.impulses_per_kwh / quiet_w
        if LEAST_PULSES * apart_s > trace.period_s:
            period_s = next((p for p in PERIODS_S if p >= LEAST_PULSES * apart_s), PERIODS_S[-1])
            raise HouseError(
                f"pulses of {circuit.name} come every {apart_s:.0f} s at {quiet_w:.0f} W, too few "
                f"for samples of {trace.period_s:g} s to show when a circuit is switched",
                path=house.path / "house.toml",
                fix=f"State period_s = {period_s} for the log of the pulses and those of the "
                "circuits, and import with --rebuild.",
            )


def _reads_nothing(trace: Trace) -> bool:
    return float(np.nanmax(np.abs(trace.watts), initial=0)) < OFF_W


def _refuse_coarse(house: House, circuit: Circuit, trace: Trace) -> None:
    """Refuse mains read in steps that hide when a circuit steps, as a register of watt-hours is.

    What few constant loads make has few values as well, but each lasts.
    """
    if _reads_nothing(trace):
        return
    step_w = reading_step(readings_that_differ(trace.watts))
    drawn_w = np.abs(trace.watts)
    high_w = float(np.nanmean(drawn_w))
    if LEAST_PULSES * step_w > high_w:  # else the quantile, which takes longer, tells nothing more
        high_w = max(high_w, float(np.nanquantile(drawn_w, MUCH)))
    if LEAST_PULSES * step_w > high_w and _lasts(trace.watts) <= FLICKERS:
        what = f"{circuit.name} is read in steps of {step_w:,.5g} W"
        raise _too_coarse(house, what, trace.period_s, times=LEAST_PULSES * step_w / high_w)


def _lasts(watts: NDArray[np.float32]) -> float:
    """For how many samples a reading above the lowest stays, in the median."""
    changes = np.flatnonzero(np.diff(watts))[:SOME_CHANGES]
    level_w = watts[changes[:-1] + 1]
    above = level_w > np.nanmin(level_w, initial=np.inf)
    return float(np.median(np.diff(changes)[above])) if above.any() else np.inf


def refuse_held(house: House, mains: Sequence[Trace], steps: Iterable[Steps]) -> None:
    """Refuse mains that are asked more seldom than logged, while circuits step in between."""
    own = [one.sample for one in steps]
    at = np.concatenate(own) if own else np.empty(0, dtype=np.int64)
    for circuit, trace in zip(house.mains, mains, strict=True):
        held, first = _held(trace.watts)
        lag = step_lag(trace.period_s)
        between = (at + lag - first) % held > 2 * lag
        if held > lag and at.size and between.mean() > BETWEEN * max(1 - 2 * lag / held, 0):
            what = f"{circuit.name} changes every {held * trace.period_s:g} s at most"
            raise _too_coarse(house, what, trace.period_s, times=held)


def _too_coarse(house: House, what: str, period_s: float, *, times: float) -> HouseError:
    longer_s = next((p for p in PERIODS_S if p >= times * period_s), PERIODS_S[-1])
    return HouseError(
        f"{what}, too coarse for samples of {period_s:g} s to show when a circuit is switched",
        path=house.path / "house.toml",
        fix=f"State period_s = {longer_s} for its log and those of the circuits, and import with "
        "--rebuild.",
    )


def _held(watts: NDArray[np.float32]) -> tuple[int, int]:
    """For how many samples each reading stays, and where it first changes; 1 without a pace."""
    changes = np.flatnonzero(np.diff(watts))[:SOME_CHANGES]  # NaN counts as a change
    apart = np.diff(changes)
    if apart.size < FEW_CHANGES:
        return 1, 0
    held = max(int(np.quantile(apart, 1 - PACE)), 1)
    return (held, int(changes[0])) if (apart % held == 0).mean() >= PACE else (1, 0)


def block_means(watts: NDArray[np.float32], period_s: float) -> NDArray[np.float64]:
    """Means of minutes; NaN where anything is missing."""
    size = max(1, round(BLOCK_S / period_s))
    whole = watts[: watts.size // size * size].reshape(-1, size)
    return np.asarray(whole.mean(axis=1), dtype=np.float64)


Ceiling = tuple[float, NDArray[np.int64]]
"""Highest reading of a trace [W], and the samples that have it."""


def ceiling_of(watts: NDArray[np.float32], *, top_w: float | None = None) -> Ceiling | None:
    """Highest reading and the samples that have it, where a trace ends at one; else None.

    A clamp at its end reads the same to the last digit, again and again. A load that is constant
    does so as well: only the mains can tell these two. `top_w` is the highest reading, if known.
    """
    if top_w is None:
        top_w = float(np.nanmax(watts, initial=0.0))
    if top_w < LEAST_CEILING_W:
        return None
    if reading_step(readings_that_differ(watts)) > (1 - CEILING) * top_w:
        return None
    at_top = np.flatnonzero(watts >= top_w - 0.5)
    rises_ = int((np.diff(at_top) > 1).sum()) + int(at_top[0] > 0)
    if rises_ < CEILING_TIMES:
        return None
    if at_top.size < AT_CEILING * np.count_nonzero(watts > CEILING * top_w):
        # Noise would not leave the highest reading where it is so often.
        noise_w, share = difference_noise(watts, lag=1)
        if at_top.size < TOO_OFTEN or np.hypot(noise_w, share * top_w) < NOISY_W:
            return None
    return top_w, at_top


def _varies(watts: NDArray[np.floating], more_than_w: float) -> bool:
    here = watts[np.isfinite(watts)]
    return bool(here.size) and bool(np.ptp(np.quantile(here, [0.1, 0.9])) > more_than_w)


def without_ceiling(
    house: House,
    mains: Sequence[Trace],
    *,
    ends: Sequence[Ceiling | None],
    drawn_w: Sequence[NDArray[np.float64] | None],
) -> tuple[list[Concern], list[Trace]]:
    """Mains with the samples at the end of their clamps' range taken out, and what to say of it.

    `ends` is `ceiling_of` each, `drawn_w` what the circuits draw on its leg in those samples: where
    that varies while a clamp of the mains does not, the clamp is at its end; a load that is
    constant shows in both.
    """
    concerns, left = [], []
    for circuit, trace, end, drawn in zip(house.mains, mains, ends, drawn_w, strict=True):
        if end is None or drawn is None or not _varies(drawn, VARIES * end[0]):
            left.append(trace)
            continue
        top_w, at_top = end
        first = trace.start + pd.Timedelta(seconds=int(at_top[0]) * trace.period_s)
        concerns.append(
            clipped_concern(
                circuit,
                top_w=top_w,
                hours=float(at_top.size) * trace.period_s / 3600,
                when=f"{first.tz_convert(house.timezone):%Y-%m-%d %H:%M}",
            )
        )
        watts = trace.watts.copy()
        watts[at_top] = np.nan
        left.append(replace(trace, watts=watts))
    return concerns, left


def without_export(
    mains: Sequence[Trace], sum_w: NDArray[np.float32]
) -> tuple[Concern | None, list[Trace]]:
    """Mains without the samples in which their sign is lost, and what to say of it.

    Where circuits feed in more than is drawn, `sum_w` [W] is below zero and the mains follow it,
    unless a log keeps their size alone or stops at zero. The size is less than what circuits feed
    in, by what no circuit measures; behind a clamp that is backwards the mains draw more.
    """
    fed = sum_w < -REST_W
    if np.count_nonzero(fed) < FED_BACK * sum_w.size:
        return None, list(mains)
    if any(map(_reads_nothing, mains)) or _equal(mains):
        return None, list(mains)  # a leg is not seen, on which power may be fed back
    total = np.sum([trace.watts for trace in mains], axis=0)
    lag = step_lag(mains[0].period_s)
    both = fed[lag:] & fed[:-lag]
    made_w, seen_w = sum_w[lag:] - sum_w[:-lag], total[lag:] - total[:-lag]
    clear = both & (np.abs(made_w) > REST_W / 2) & np.isfinite(seen_w)
    below = max(float((some < FED_BACK_W).mean()) for some in (total[fed], total))
    if below > FED_BACK or np.count_nonzero(clear) < FEW_CHANGES:
        return None, list(mains)
    if float(np.median(seen_w[clear] / made_w[clear])) > FOLLOWS:
        return None, list(mains)  # other loads draw more than is fed in
    if float(np.nanmedian(total[fed] + sum_w[fed])) > 0:
        return None, list(mains)  # what seems to be fed in is drawn, by a clamp that is backwards
    hours = float(np.count_nonzero(sum_w < 0)) * mains[0].period_s / S_PER_H
    out = ~(sum_w >= 0)
    return unsigned_concern(hours), [
        replace(trace, watts=np.where(out, np.float32(np.nan), trace.watts)) for trace in mains
    ]


def energy_of_mains(
    mains: Sequence[Trace],
    blocks_w: Iterable[NDArray[np.float64]],
    meter: pd.DataFrame | None,
) -> Energy:
    """Mean power of the mains and of the meter; `blocks_w` are means of minutes of each circuit."""
    means = np.array([float(np.nanmean(t.watts, dtype=np.float64)) for t in mains])
    feeding = any(np.nanmean(w) < -REST_W / 5 for w in blocks_w if w.size)
    found = Energy(mains_w=means, equal=_equal(mains), feeding=feeding)
    # A register may leave out what is fed back.
    one_sided = any(feeds_back(trace) for trace in mains)
    return found if meter is None or one_sided else _metered(found, mains, meter)


def _equal(mains: Sequence[Trace]) -> tuple[tuple[int, int], ...]:
    """Pairs of clamps whose readings are the same all along."""
    lag = step_lag(mains[0].period_s)
    pairs = []
    for j, k in combinations(range(len(mains)), 2):
        a, b = (mains[i].watts[::50].astype(np.float64) for i in (j, k))
        apart = float(np.nanmedian(np.abs(a - b)))
        noise = sum(difference_noise(mains[i].watts, lag=lag)[0] for i in (j, k))
        if apart < 3 * noise + FLOOR * float(np.nanmedian(np.abs(a))) + 1:
            pairs.append((j, k))
    return tuple(pairs)


def _metered(energy: Energy, mains: Sequence[Trace], meter: pd.DataFrame) -> Energy:
    """The same with the meter's energy between its first and its last reading within the log."""
    times = pd.DatetimeIndex(meter["time"])
    first = mains[0]
    inside = meter[(times >= first.start) & (times <= first.end)]
    kwh = inside["kwh"].to_numpy(np.float64)
    if kwh.size < 2 or (np.diff(kwh) < 0).any():
        return energy
    begins, ends = inside["time"].iloc[0], inside["time"].iloc[-1]
    hours = (ends - begins) / pd.Timedelta(hours=1)
    if hours < 1:
        return energy
    of_span = [t.between(begins, ends).watts for t in mains]
    return replace(
        energy,
        meter_w=(kwh[-1] - kwh[0]) * WH_PER_KWH / hours,
        meter_u_w=WH_PER_KWH / hours / np.sqrt(6),
        metered_w=np.array([float(np.nanmean(w, dtype=np.float64)) for w in of_span]),
    )
