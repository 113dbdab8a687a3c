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
from homeenergy.trust.panel.circuit import (
    ENOUGH,
    ON_LEG,
    REST_W,
    Ratios,
    Steps,
    coinciding,
    difference_noise,
    find_steps,
    rises,
    steady_rest,
    step_lag,
)
from homeenergy.trust.panel.explain import WIRING
from homeenergy.trust.panel.mains import Ceiling, block_means, ceiling_of, on_grid
from homeenergy.trust.panel.quiet_times import WINDOW_S, window_means

SAME_CLAMP = 0.7  # share of steps that two circuits make together
HIGH_SHARE = 0.3  # of the 90th percentile
WITHIN_NOISE = 4.0
OTHER_SHARE = 0.1  # a step of another circuit of at least this share spoils a comparison


@dataclass(frozen=True, slots=True, kw_only=True)
class PairSeen:
    """Two circuits that step together: `ratio` is the other's step over this one's."""

    circuit: str
    other: str
    share: float
    ratio: float

    @property
    def names(self) -> frozenset[str]:
        """Both circuits."""
        return frozenset((self.circuit, self.other))


def shared_clamps(steps: Mapping[str, Steps]) -> tuple[PairSeen, ...]:
    """Find circuits of which nearly every step is a step of another circuit too."""
    found = []
    for name, own in steps.items():
        if own.sample.size < ENOUGH:
            continue
        for other, theirs in steps.items():
            if other == name:
                continue
            heights = coinciding(own, theirs)
            together = heights != 0
            ratio = heights[together] / own.watts[together]
            if together.mean() < SAME_CLAMP:
                continue
            middle = float(np.median(ratio))
            if abs(middle) <= ON_LEG:
                continue
            equal = np.abs(ratio / middle - 1) < WIRING
            if equal.mean() >= SAME_CLAMP:
                share = float(together.mean())
                found.append(PairSeen(circuit=name, other=other, share=share, ratio=middle))
    return tuple(found)


@dataclass(slots=True, kw_only=True)
class GatheredLog:
    """What is kept of each circuit while the next is read.

    `sum_w` is the sum of all [W]; `drawn_w` that by stated leg, where its mains clamp ends at a
    highest reading [W].
    """

    steps: dict[str, Steps] = field(default_factory=dict)
    blocks: dict[str, NDArray[np.float64]] = field(default_factory=dict)
    windows: dict[str, pd.Series] = field(default_factory=dict)
    most_w: dict[str, float] = field(default_factory=dict)
    rest_w: dict[str, float] = field(default_factory=dict)
    ceiling: dict[str, bool] = field(default_factory=dict)
    drawn_w: dict[str, NDArray[np.float32]] = field(default_factory=dict)
    sum_w: NDArray[np.float32] = field(default_factory=lambda: np.empty(0, dtype=np.float32))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Matched:
    """Steps of a circuit at which no other steps: ratios and their noise, shape (mains, n)."""

    ratios: dict[str, Ratios]
    noise: dict[str, Ratios]
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
    log = GatheredLog(
        drawn_w={leg: np.zeros(at.size, dtype=np.float32) for leg, at in ended.items()}
    )
    log.sum_w = np.zeros(len(first), dtype=np.float32)
    lag, window_s = step_lag(first.period_s), max(WINDOW_S, first.period_s)
    for circuit in loads:
        watts = on_grid(house.trace(circuit, first.start, first.end), first)
        name = circuit.name
        log.steps[name] = find_steps(watts, lag=lag)
        log.blocks[name] = block_means(watts, first.period_s)
        log.rest_w[name] = steady_rest(log.blocks[name])
        log.windows[name] = window_means(replace(first, watts=watts), window_s)
        top_w = float(np.nanmax(watts, initial=0.0))
        # How far it goes below zero counts where it hardly goes above.
        below_w = float(np.nanmin(watts, initial=0.0)) if top_w < REST_W else 0.0
        log.most_w[name] = max(top_w, -below_w)
        log.ceiling[name] = ceiling_of(watts, top_w=top_w) is not None
        on = circuit.legs or legs
        for leg in ended.keys() & set(on):
            log.drawn_w[leg] += watts[ended[leg]] / len(on)
        log.sum_w += watts
    return log


def matched_steps(log: GatheredLog, mains: Sequence[Trace], pairs: Sequence[PairSeen]) -> Matched:
    """Rises of the mains at each step of a circuit at which no other circuit steps."""
    noise = [difference_noise(t.watts, lag=step_lag(t.period_s)) for t in mains]
    found = Matched(ratios={}, noise={}, heights_w={}, high={})
    lag = step_lag(mains[0].period_s)
    noise_w, noise_share = difference_noise(log.sum_w, lag=lag)
    for name, steps in log.steps.items():
        level_w = np.abs(log.sum_w[steps.sample + lag])
        room_w = WITHIN_NOISE * np.hypot(noise_w, noise_share * level_w)
        alone = _alone(name, log, pairs, room_w)
        own = Steps(sample=steps.sample[alone], watts=steps.watts[alone], lag=steps.lag)
        found.heights_w[name] = own.watts
        found.ratios[name] = np.stack([rises(trace.watts, own) / own.watts for trace in mains])
        found.noise[name] = np.stack(
            [
                np.hypot(rest_w, share * trace.watts[own.sample + own.lag]) / np.abs(own.watts)
                for trace, (rest_w, share) in zip(mains, noise, strict=True)
            ]
        )
        found.high[name] = is_high(steps)[alone]
    return found


def varies_at_its_end(matched: Matched, name: str) -> bool:
    """Whether the mains vary more at a circuit's highest steps than these steps do."""
    high = matched.high[name]
    heights = np.abs(matched.heights_w[name][high])
    total_w = np.abs(matched.ratios[name][:, high]).sum(axis=0) * heights
    total_w = total_w[np.isfinite(total_w)]
    if total_w.size < ENOUGH or not np.median(total_w) > 0:
        return False
    spread = np.subtract(*np.quantile(total_w, [0.75, 0.25])) / np.median(total_w)
    own = np.subtract(*np.quantile(heights, [0.75, 0.25])) / np.median(heights)
    return bool(spread > 2 * own + 0.004)


def _alone(
    name: str, log: GatheredLog, pairs: Sequence[PairSeen], room_w: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Which of a circuit's steps happen while no other circuit steps, nor all others together.

    Loads that pulse within a sample make no steps of their own, but their sum moves. It may do so
    by `room_w` for each step, its noise [W].
    """
    own = log.steps[name]
    twins = {pair.other for pair in pairs if pair.circuit == name}
    twins |= {pair.circuit for pair in pairs if pair.other == name}
    size_w = np.abs(own.watts)
    others_w = rises(log.sum_w, own) - own.watts
    alone = np.ones(own.watts.size, dtype=bool)
    for other, found in log.steps.items():
        if other == name:
            continue
        together_w = coinciding(own, found)
        if other in twins:
            others_w = others_w - together_w
        else:
            alone &= np.abs(together_w) < OTHER_SHARE * size_w
    alone &= ~(np.abs(others_w) > OTHER_SHARE * size_w + room_w)  # NaN: not known
    return np.asarray(alone)


def is_high(steps: Steps) -> NDArray[np.bool_]:
    """Which steps are high enough that noise hardly counts in their ratio."""
    height = np.abs(steps.watts)
    return height >= HIGH_SHARE * np.quantile(height, 0.9) if height.size else height > 0


def is_columns(pair: PairSeen, pairs: Sequence[PairSeen], matched: Matched) -> bool:
    """Whether two circuits are the legs of one load: the mains rise by the sum of both."""
    if not any((p.circuit, p.other) == (pair.other, pair.circuit) for p in pairs):
        return False
    total = np.abs(matched.ratios[pair.circuit]).sum(axis=0)
    middle = float(np.nanmedian(total)) if total.size else float("nan")
    return bool(abs(middle / (1 + pair.ratio) - 1) < WIRING)
