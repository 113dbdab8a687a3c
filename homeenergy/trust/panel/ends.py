"""Clamps at the end of their range: they read the same while their load goes on."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from homeenergy.stats.means import median_estimate
from homeenergy.trust.panel.circuit import ENOUGH, NORMAL_MAD, ON_LEG, PRECISE
from homeenergy.trust.panel.explain import WIRING
from homeenergy.trust.panel.matched import GatheredLog, Matched

TOP, LOWER = 0.85, 0.75  # of the highest steps, and of those that are clearly lower
FLAT = 2.0  # times the noise
HALF = 0.5  # of a load's changes: a clamp that shows less of them ends
CLAMP_DRIFT = 0.01
LEAST_SPREAD = 0.01  # of a load from use to use, for a clamp to be seen to follow it

Ending = Literal["ends", "follows", "not shown"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CutOff:
    """What a clamp reads at most [W], and how the mains answer its steps there and below."""

    level_w: float
    there: float
    below: float


def cut_off(log: GatheredLog, matched: Matched, name: str) -> CutOff | None:
    """Find out whether a clamp is cut off at its highest reading, and right below it.

    Notes
    -----
    Own method. A clamp that is cut off reads the same to the last digit again and again. A load
    that is constant does so too, but the mains answer its highest steps as they do lower ones. It
    is an end where they surely answer them by more than 6 % more (sign test, six of each at least).
    """
    if not log.flat[name]:
        return None
    at_most = np.isin(matched.sample[name], log.at_most[name])
    known = (matched.noise[name] < PRECISE).all(axis=0)
    known &= np.isfinite(matched.ratios[name]).all(axis=0)
    there, below = known & at_most, known & ~at_most
    total = np.abs(matched.ratios[name]).sum(axis=0)
    more, usual = (median_estimate(total[own], unit="", basis="") for own in (there, below))
    if usual.low < ON_LEG or not (1 + WIRING / 2) * usual.high < more.low < np.inf:
        return None
    return CutOff(level_w=log.most_w[name], there=more.value, below=usual.value)


def without_ends(log: GatheredLog, matched: Matched, names: Iterable[str]) -> Matched:
    """The same without the steps of these circuits at the end of their clamps' range."""
    kept = {name: ~np.isin(matched.sample[name], log.at_most[name]) for name in names}
    parts = {
        part: {name: v[..., kept[name]] if name in kept else v for name, v in of.items()}
        for part in ("sample", "ratios", "noise", "heights_w", "high")
        if (of := getattr(matched, part))
    }
    return replace(matched, **parts)


def usual_spread_w(matched: Matched) -> float:
    """Usual distance of the mains' answers to a circuit from their median [W], over all circuits.

    Loads that nobody measures make it.
    """
    apart = [np.zeros(1)]
    for name, high in matched.high.items():
        total = np.abs(matched.ratios[name][:, high]).sum(axis=0)
        here = np.isfinite(total)
        if here.any():
            heights_w = matched.heights_w[name][high][here]
            apart.append(np.abs((total[here] - np.median(total[here])) * heights_w))
    return NORMAL_MAD * float(np.median(np.concatenate(apart)))


def ending(log: GatheredLog, matched: Matched, name: str, *, spread_w: float) -> Ending:
    """Whether a circuit's clamp ends at its highest steps, follows them, or neither is shown.

    Notes
    -----
    Own method. A load is not quite the same each time, and a clamp that sees it follows: of the
    highest steps, the slope of what the clamp shows against what the mains show, both relative, is
    1 whatever its gain, and 0 at the end of its range. Noise of the mains is taken out of their
    spread, and so is `usual_spread_w`. Steps much lower that the mains answer in the same ratio
    exclude an end as well, and where the mains show nothing, so do highest steps that differ by
    more than their noise. O(n).
    """
    high = matched.high[name]
    heights = np.abs(matched.heights_w[name])
    ratio = np.abs(matched.ratios[name]).sum(axis=0)
    noise = np.sqrt((matched.noise[name] ** 2).sum(axis=0) + (log.rounding_w[name] / heights) ** 2)
    high = high & np.isfinite(ratio) & np.isfinite(noise) & (ratio > 0)
    if high.sum() < ENOUGH:
        return _ending_alone(log, name)
    top = high & (heights > TOP * np.quantile(heights[high], 0.9))
    middle = float(np.median(ratio[top]))
    low = high & (heights < LOWER * np.median(heights[top]))
    if low.sum() >= ENOUGH and abs(float(np.median(ratio[low])) / middle - 1) < WIRING:
        return "follows"
    total_w = ratio * heights
    x = total_w[top] / np.median(total_w[top]) - 1
    y = heights[top] / np.median(heights[top]) - 1
    usual = np.abs(x) <= 4 * NORMAL_MAD * np.median(np.abs(x))  # not other loads
    if matched.beside[name]:  # what others add is no part of what it follows
        return "not shown"
    x, y, of_noise = x[usual], y[usual], (noise[top] / middle)[usual]
    x, y, n = x - x.mean(), y - y.mean(), x.size
    of_others = spread_w / float(np.median(total_w[top]))
    random = float((of_noise**2 + of_others**2).sum())
    own = float(x @ x) - random
    spread = NORMAL_MAD * float(np.median(np.abs(x - np.median(x))))  # not that of a few steps
    varies = min(own, n * spread**2 - random)
    if n < ENOUGH or varies <= max(3 * np.sqrt(2 / n) * random, n * LEAST_SPREAD**2):
        return _ending_alone(log, name)
    slope = float(x @ y) / own
    u = float(np.sqrt(((y - slope * x) ** 2).sum() / (n - 2) / own))
    if slope + 3 * u < HALF:
        return "ends" if _is_flat(log, name, heights[top]) else "not shown"
    return "follows" if slope - 3 * u > HALF else "not shown"


def _is_flat(log: GatheredLog, name: str, top_w: NDArray[np.float64]) -> bool:
    """Whether highest steps differ by no more than noise: other loads move the mains as well."""
    _, spread_w, random_w = _spread(log, name, top_w)
    return spread_w <= FLAT * random_w


def _ending_alone(log: GatheredLog, name: str) -> Ending:
    """The same where the mains show nothing of it."""
    top_w = _highest_w(log, name)
    if top_w.size < ENOUGH:
        return "not shown"
    middle_w, spread_w, random_w = _spread(log, name, top_w)
    differ = spread_w > 3 * random_w + CLAMP_DRIFT * middle_w
    return "follows" if differ else "not shown"


def highest_level(log: GatheredLog, name: str) -> float:
    """Reading of a circuit where its steps are highest [W]; NaN where it has none."""
    top_w = _highest_w(log, name)
    return float(np.median(top_w)) + log.rest_w[name] if top_w.size else float("nan")


def _highest_w(log: GatheredLog, name: str) -> NDArray[np.float64]:
    heights = np.abs(log.steps[name].watts)
    return heights[heights > TOP * np.quantile(heights, 0.9)] if heights.size else heights


def _spread(log: GatheredLog, name: str, top_w: NDArray[np.float64]) -> tuple[float, float, float]:
    """Median of highest steps, how far they lie around it, and how far by noise alone [W]."""
    noise_w, share = log.noise[name]
    middle_w = float(np.median(top_w))
    spread_w = NORMAL_MAD * float(np.median(np.abs(top_w - middle_w)))
    return middle_w, spread_w, float(np.hypot(noise_w, share * middle_w))
