"""Steps of circuits, and what the mains make of each that no other circuit disturbs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.house.schedule import Circuit
from homeenergy.readings.house import House
from homeenergy.readings.trace import Trace
from homeenergy.stats.means import median_estimate
from homeenergy.trust.panel.circuit import (
    ENOUGH,
    FEW_VALUES,
    OVER_NOISE,
    REST_W,
    Ratios,
    Steps,
    coinciding,
    difference_noise,
    find_steps,
    reading_step,
    readings_that_differ,
    rises,
    rounding_noise,
    steady_rest,
    step_lag,
)
from homeenergy.trust.panel.common_grid import on_grid
from homeenergy.trust.panel.mains import (
    CEILING_TIMES,
    Ceiling,
    as_it_moved,
    block_means,
    ceiling_of,
)
from homeenergy.trust.panel.quiet_times import WINDOW_S, window_means
from homeenergy.trust.panel.together import PairSeen

HIGH_SHARE = 0.3  # of the 90th percentile
WITHIN_NOISE = 4.0
LEAST_BESIDE = 0.01
FINE = 2.5e-3  # of the highest reading: steps in which the volts of a supply show
OTHER_SHARE = 0.1  # a step of another circuit of at least this share spoils a comparison


@dataclass(slots=True, kw_only=True)
class GatheredLog:
    """What is kept of each circuit while the next is read.

    `sum_w` is the sum of all [W]; `at_ends` each circuit's draw [W] where the mains clamp of a leg
    ends at a highest reading; `noise` is `difference_noise` of each, `varies` whether it reads more
    than one value, `rounding_w` what the steps of its readings leave open of its steps [W],
    `at_most` the samples of those steps that end or begin at its highest reading, and `flat`
    whether it ends there again and again, to the last digit of many.
    """

    steps: dict[str, Steps] = field(default_factory=dict)
    blocks: dict[str, NDArray[np.float64]] = field(default_factory=dict)
    windows: dict[str, pd.Series] = field(default_factory=dict)
    most_w: dict[str, float] = field(default_factory=dict)
    rest_w: dict[str, float] = field(default_factory=dict)
    noise: dict[str, tuple[float, float]] = field(default_factory=dict)
    varies: dict[str, bool] = field(default_factory=dict)
    rounding_w: dict[str, float] = field(default_factory=dict)
    at_most: dict[str, NDArray[np.int64]] = field(default_factory=dict)
    flat: dict[str, bool] = field(default_factory=dict)
    at_ends: dict[str, dict[str, NDArray[np.float32]]] = field(default_factory=dict)
    sum_w: NDArray[np.float32] = field(default_factory=lambda: np.empty(0, dtype=np.float32))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Matched:
    """Steps of a circuit at which no other steps: ratios and their noise, shape (mains, n).

    `beside` is what other circuits rise by over its high steps, as a share: small loads that are
    always switched with it, of which nothing shows on which leg they are.
    """

    sample: dict[str, NDArray[np.int64]]
    ratios: dict[str, Ratios]
    noise: dict[str, Ratios]
    beside: dict[str, float]
    heights_w: dict[str, NDArray[np.float64]]
    high: dict[str, NDArray[np.bool_]]


def gather(
    house: House,
    loads: Sequence[Circuit],
    mains: Sequence[Trace],
    legs: Sequence[str],
    *,
    ends: Sequence[Ceiling | None],
) -> GatheredLog:
    """Read the circuits one after the other, and keep what a balance needs of each."""
    first = mains[0]
    ended = {leg: end[1] for leg, end in zip(legs, ends, strict=True) if end is not None}
    log = GatheredLog(at_ends={leg: {} for leg in ended})
    log.sum_w = np.zeros(len(first), dtype=np.float32)
    lag, window_s = step_lag(first.period_s), max(WINDOW_S, first.period_s)
    values: dict[str, NDArray[np.float64]] = {}
    for circuit in loads:
        watts = on_grid(as_it_moved(house.trace(circuit, first.start, first.end)), first)
        name = circuit.name
        log.noise[name] = difference_noise(watts, lag=lag)
        log.steps[name] = find_steps(watts, lag=lag, noise=log.noise[name])
        log.blocks[name] = block_means(watts, first.period_s)
        log.rest_w[name] = steady_rest(log.blocks[name])
        log.windows[name] = window_means(replace(first, watts=watts), window_s)
        top_w = float(np.nanmax(watts, initial=0.0))
        # How far it goes below zero counts where it hardly goes above.
        below_w = float(np.nanmin(watts, initial=0.0)) if top_w < REST_W else 0.0
        log.most_w[name] = max(top_w, -below_w)
        values[name] = readings_that_differ(watts)
        log.varies[name] = values[name].size > 1
        _note_end(log, name, watts, values[name])
        for leg, at in ended.items():
            log.at_ends[leg][name] = watts[at]
        log.sum_w += watts
    _note_rounding(log, values)
    return log


def _note_end(
    log: GatheredLog, name: str, watts: NDArray[np.float32], values: NDArray[np.float64]
) -> None:
    """Note which steps reach a circuit's highest reading, and whether that is a flat top."""
    steps, top_w = log.steps[name], log.most_w[name]
    reached_w = np.maximum(np.abs(watts[steps.sample]), np.abs(watts[steps.sample + steps.lag]))
    log.at_most[name] = steps.sample[reached_w >= top_w]
    fine = reading_step(values) <= FINE * top_w
    enough = fine and log.at_most[name].size >= CEILING_TIMES
    log.flat[name] = enough and ceiling_of(np.abs(watts), top_w=top_w) is not None


def _note_rounding(log: GatheredLog, values: Mapping[str, NDArray[np.float64]]) -> None:
    """Note what readings leave open of each circuit's steps, and leave out steps of rounding.

    A circuit that has few values is read in steps as great at most as others are, or as all such
    circuits show together.
    """
    few = [of_one for of_one in values.values() if of_one.size <= FEW_VALUES]
    many = [of_one for of_one in values.values() if of_one.size > FEW_VALUES]
    pooled = np.unique(np.concatenate(few)) if few else np.empty(0)
    if pooled.size > FEW_VALUES:
        many.append(pooled)
    most_w = max(map(reading_step, many), default=0.0)
    for name, of_one in values.items():
        step_w = reading_step(of_one)
        step_w = step_w if of_one.size > FEW_VALUES else min(step_w, most_w)
        log.rounding_w[name] = rounding_noise(step_w)
        steps = log.steps[name]
        real = np.abs(steps.watts) >= OVER_NOISE * log.rounding_w[name]
        log.steps[name] = replace(steps, sample=steps.sample[real], watts=steps.watts[real])


def shares_stated(circuit: Circuit, legs: Sequence[str]) -> NDArray[np.float64]:
    """Share of a circuit on each clamp of the mains, as house.toml says."""
    on = np.array([float(leg in circuit.legs or len(legs) == 1) for leg in legs])
    return on / max(1.0, on.sum())


def matched_steps(
    log: GatheredLog,
    mains: Sequence[Trace],
    pairs: Sequence[PairSeen],
    *,
    stated: Mapping[str, NDArray[np.float64]],
) -> Matched:
    """Rises of the mains at each step of a circuit at which no other circuit steps.

    What much smaller steps of others add is taken out of the rises of the clamps that `stated`
    gives their shares on, shape (mains,) each. Of `pairs`, the steps of both are kept as they are.
    """
    noise = [_noise_of_mains(trace) for trace in mains]
    found = Matched(sample={}, ratios={}, noise={}, beside={}, heights_w={}, high={})
    lag = step_lag(mains[0].period_s)
    noise_w, noise_share = difference_noise(log.sum_w, lag=lag)
    for name, steps in log.steps.items():
        level_w = np.abs(log.sum_w[steps.sample + lag])
        room_w = WITHIN_NOISE * np.hypot(noise_w, noise_share * level_w)
        alone, shares, others_w = _alone(name, log, pairs, room_w, stated)
        added_w = shares * np.nan_to_num(others_w)
        left_w = others_w - added_w.sum(axis=0)
        of_sum_w = shares * (room_w / WITHIN_NOISE)
        own = Steps(sample=steps.sample[alone], watts=steps.watts[alone], lag=steps.lag)
        found.sample[name], found.heights_w[name] = own.sample, own.watts
        rise_w = np.stack([rises(trace.watts, own) for trace in mains])
        found.ratios[name] = (rise_w - added_w[:, alone]) / own.watts
        of_mains_w = np.stack(
            [
                np.hypot(rest_w, share * trace.watts[own.sample + own.lag])
                for trace, (rest_w, share) in zip(mains, noise, strict=True)
            ]
        )
        found.noise[name] = np.hypot(of_mains_w, of_sum_w[:, alone]) / np.abs(own.watts)
        found.high[name] = is_high(steps)[alone]
        found.beside[name] = _always((left_w[alone] / own.watts)[found.high[name]])
    return found


def _noise_of_mains(trace: Trace) -> tuple[float, float]:
    """As `difference_noise`: mains always vary, so that few values are coarse ones."""
    noise_w, share = difference_noise(trace.watts, lag=step_lag(trace.period_s))
    return max(noise_w, rounding_noise(reading_step(readings_that_differ(trace.watts)))), share


def _always(shares: NDArray[np.float64]) -> float:
    """What is added at most steps, as a share of them; 0 where that may be chance."""
    middle = median_estimate(shares, unit="", basis="")
    sure = middle.low * middle.high > 0 and abs(middle.value) > LEAST_BESIDE
    return middle.value if sure else 0.0


def _alone(
    name: str,
    log: GatheredLog,
    pairs: Sequence[PairSeen],
    room_w: NDArray[np.float64],
    stated: Mapping[str, NDArray[np.float64]],
) -> tuple[NDArray[np.bool_], NDArray[np.float64], NDArray[np.float64]]:
    """Which of a circuit's steps happen while no other circuit steps, nor all others together.

    Loads that pulse within a sample make no steps of their own, but their sum moves. It may do so
    by `room_w` for each step, its noise [W]. Also which share of what others add there each clamp
    of the mains has, as far as their steps say where, shape (mains, n), and what they add, shape
    (n,) [W].
    """
    own = log.steps[name]
    twins = {pair.other for pair in pairs if pair.circuit == name}
    twins |= {pair.circuit for pair in pairs if pair.other == name}
    size_w = np.abs(own.watts)
    others_w = rises(log.sum_w, own) - own.watts
    alone = np.ones(own.watts.size, dtype=bool)
    on_legs = np.zeros((stated[name].size, own.watts.size))
    for other, found in log.steps.items():
        if other == name:
            continue
        together_w = coinciding(own, found)
        if other in twins:
            others_w = others_w - together_w
        else:
            alone &= np.abs(together_w) < OTHER_SHARE * size_w
            on_legs += stated[other][:, None] * np.abs(together_w)
    alone &= ~(np.abs(others_w) > OTHER_SHARE * size_w + room_w)  # NaN: not known
    total = on_legs.sum(axis=0)
    shares = np.divide(on_legs, total, out=np.zeros_like(on_legs), where=total > 0)
    return np.asarray(alone), shares, others_w


def is_high(steps: Steps) -> NDArray[np.bool_]:
    """Which steps are high enough that noise hardly counts in their ratio."""
    height = np.abs(steps.watts)
    return height >= HIGH_SHARE * np.quantile(height, 0.9) if height.size else height > 0


def answer_to_lower(matched: Matched, name: str, inverse: NDArray[np.float64]) -> float:
    """Rise of the mains over steps far below a circuit's highest, in the median; NaN where few."""
    height_w = np.abs(matched.heights_w[name])
    low = height_w < HIGH_SHARE * height_w.max(initial=0.0)
    total = (inverse @ matched.ratios[name][:, low]).sum(axis=0)
    total = total[np.isfinite(total)]
    return float(np.median(total)) if total.size >= 2 * ENOUGH else np.nan
