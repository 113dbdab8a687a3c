"""What readings a trace has: histograms of levels and steps, noise, the step of the readings."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from homeenergy.cycles.segment import kernels

# Upper halves of the float32 bits of plus and minus infinity.
INFINITE_BINS = [0x7F80, 0xFF80]
# Median of |x1 - x2| for two normal readings is 0.6745 * sqrt(2) standard deviations.
MEDIAN_STEP_PER_SIGMA = 0.6745 * np.sqrt(2)
# So many different readings must come in the same step to be believed.
LEAST_VALUES = 20
# Steps of meters above a watt (common practice, no source), believed where whole watts would be
# multiples of one by chance only once in so many logs.
COARSE_STEPS_W, CHANCE_ODDS = (10, 5, 2), 1000
# Share of the time that an octave of levels must hold for its noise to count.
LEAST_NOISE_SHARE = 0.05
LEAST_FLICKER = 0.15
# What changes by more than this share of the level, sample by sample, is switching and not noise.
GREATEST_NOISE_SHARE = 0.1


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LevelCounts:
    """How often each level, and each step between neighbours, occurs in a trace.

    `levels` counts samples by the upper 16 bits of their float32, `steps` absolute differences of
    neighbours by binary exponent of the level (row) and upper 13 bits of the difference (column).
    """

    levels: NDArray[np.int64]
    steps: NDArray[np.int64]

    @property
    def n(self) -> int:
        """Number of samples that are there."""
        return int(self.levels.sum())

    @property
    def greatest_w(self) -> float:
        """Greatest absolute level [W], to the width of a bin."""
        return float(np.abs(_middle(np.flatnonzero(self.levels), shift=16)).max(initial=0.0))

    def noise_w(self) -> float:
        """Standard deviation of one sample about its level [W], from neighbouring samples.

        Half the differences are smaller than the median whatever the few steps are, so runs do not
        disturb it. The median is interpolated between values, because rounded readings have few.
        Idle and work can differ: the noisiest octave of levels decides, of those that hold
        `LEAST_NOISE_SHARE` of the time.
        """
        # Near zero an octave is narrower than the noise and would select it: taken as one.
        overall = _noise_of_steps(self.steps.sum(axis=0))
        octave_w = np.exp2(np.arange(256) - 127.0)
        wide = octave_w > 16 * overall
        groups = [(self.steps[~wide].sum(axis=0), np.inf)]
        groups += zip(self.steps[wide], GREATEST_NOISE_SHARE * octave_w[wide], strict=True)
        least = LEAST_NOISE_SHARE * max(self.steps.sum(), 1)
        return max(
            (min(_noise_of_steps(g), limit_w) for g, limit_w in groups if g.sum() >= least),
            default=overall,
        )


def _noise_of_steps(counts: NDArray[np.int64]) -> float:
    used = np.flatnonzero(counts)
    if not used.size:
        return 0.0
    steps_w, share = _middle(used, shift=19), counts[used] / counts.sum()
    if used[0] == 0 and share[0] >= 0.5:
        # Most readings repeat. If steps of the least size are common, and such as meters have, they
        # are noise on rounded readings; else they are changes.
        least = steps_w[1] if used.size > 1 else 0.0
        if (
            least > 1.5 * COARSE_STEPS_W[0]
            or share[1:][steps_w[1:] <= 1.5 * least].sum() < LEAST_FLICKER
        ):
            return 0.0
    # A rounded reading represents all values up to half way to the next one.
    upper_w = np.r_[(steps_w[1:] + steps_w[:-1]) / 2, steps_w[-1]]
    median = np.interp(0.5, np.r_[0, np.cumsum(share)], np.r_[0.0, upper_w])
    return float(median / MEDIAN_STEP_PER_SIGMA)


def _middle(bins: NDArray[np.int64], *, shift: int) -> NDArray[np.float64]:
    low = (bins.astype(np.uint32) << np.uint32(shift)).view(np.float32).astype(np.float64)
    half = (bins.astype(np.uint32) << np.uint32(shift)) | np.uint32(1 << (shift - 1))
    # Whole watts up to 256 are exact bin edges with 16 bits: keep them, and zero, as they are.
    exact = (low == np.round(low)) & (np.abs(low) < 256) if shift == 16 else low == 0
    return np.where(exact, low, half.view(np.float32).astype(np.float64))


def count_levels(chunks: Iterable[NDArray[np.float32]]) -> LevelCounts:
    """Histograms of levels and steps over consecutive chunks of one trace. O(n) time, 17 MB.

    Two halves are counted at once; the kernel releases the GIL.
    """
    given = [np.ascontiguousarray(watts, np.float32) for watts in chunks]
    halves, last = _halves(given)
    with ThreadPoolExecutor(max_workers=2) as pool:
        counted = list(pool.map(_count, halves, (np.nan, last)))
    levels, steps = (sum(parts) for parts in zip(*counted, strict=True))
    if levels[INFINITE_BINS].any():
        raise ValueError(
            "the trace holds infinite watts; mark what is not known as missing (NaN) instead"
        )
    return LevelCounts(levels=levels, steps=steps)


def _halves(
    chunks: list[NDArray[np.float32]],
) -> tuple[list[list[NDArray[np.float32]]], float]:
    """The first and the second half of the samples, and the last sample of the first half."""
    left = sum(chunk.size for chunk in chunks) // 2
    first: list[NDArray[np.float32]] = []
    second: list[NDArray[np.float32]] = []
    last = float("nan")
    for chunk in chunks:
        if left:
            last = float(chunk[:left][-1]) if chunk.size else last
        first.append(chunk[:left])
        second.append(chunk[left:])
        left -= first[-1].size
    return [first, second], last


def _count(
    chunks: list[NDArray[np.float32]], last: float
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    levels = np.zeros(kernels.LEVEL_BINS, np.int64)
    steps = np.zeros((256, kernels.STEP_BINS), np.int64)
    for watts in chunks:
        last = kernels.count_levels(watts.view(np.uint32), watts, last, levels, steps)
    return levels, steps


def smallest_step_w(
    chunks: Sequence[NDArray[np.float32]],
    *,
    corrections: Sequence[tuple[float, float]] = ((1.0, 0.0),),
) -> float:
    """Step in which readings come [W], from at most 200 000 of them; 0 where none shows.

    Only many different values show a step; a few are levels of a load. Whole watts, before
    `corrections` (multipliers, and offsets added after them [W]), are taken for steps of 1 W then.
    A reading between its two neighbours may be the mean of a sample in which something was
    switched, and such means of one load are multiples of a part of it: left out.
    """
    seen = [chunk for chunk in chunks if chunk.size]
    every = max(1, sum(chunk.size for chunk in seen) // 200_000)
    picked, shared, at = [], [], 0
    for k, chunk in enumerate(seen):
        i = np.arange(-at % every, chunk.size, every)
        here, before, after = chunk[i], chunk[i - 1], chunk[np.minimum(i + 1, chunk.size - 1)]
        if i.size and i[0] == 0:
            before[0] = seen[k - 1][-1] if k else here[0]
        if i.size and i[-1] == chunk.size - 1:
            after[-1] = seen[k + 1][0] if k + 1 < len(seen) else here[-1]
        picked.append(here.astype(np.float64))
        shared.append(((before < here) & (here < after)) | ((before > here) & (here > after)))
        at += chunk.size
    sample = np.concatenate([np.empty(0), *picked])
    sample = sample[~np.concatenate([np.empty(0, bool), *shared])]
    values = np.unique(np.round(sample[np.isfinite(sample)], 3))
    if not values.size:
        return 0.0
    whole = _step_of_whole_watts(values, corrections)
    if values.size < LEAST_VALUES:
        return whole
    step = _common_step(values)
    above = values - values[0]  # an offset may have been added to all
    off = np.abs(above - np.round(above / step) * step)
    near = off <= min(2e-3 * max(1.0, step), 0.1 * step)
    return step if near.mean() > 0.99 else whole


def _step_of_whole_watts(
    values: NDArray[np.float64], corrections: Sequence[tuple[float, float]]
) -> float:
    """Step of values that were whole watts before one of the corrections; 0 where some were not.

    It is the coarsest that a meter may have whose multiples they all are: were the step 1 W, each
    value would be one of `step` only once in `step` times.
    """
    fits = np.zeros(values.size, dtype=bool)
    whole = []
    for multiplier, offset_w in corrections:
        logged = (values - offset_w) / multiplier
        near = np.abs(logged - np.round(logged)) * abs(multiplier) <= 1e-3
        whole.append(np.round(logged[near]))
        fits |= near
    if not fits.all():
        return 0.0
    watts = np.concatenate(whole).astype(np.int64)
    watts = watts[watts != 0]
    divisor, least = np.gcd.reduce(watts), np.log(CHANCE_ODDS)
    coarse = (
        step
        for step in COARSE_STEPS_W
        if divisor % step == 0 and watts.size * np.log(step) >= least
    )
    return next(coarse, 1) * max(abs(multiplier) for multiplier, _ in corrections)


def _common_step(values: NDArray[np.float64]) -> float:
    """Step that most values are multiples apart, if there is one; values are sorted.

    The least gap is known to a thousandth of a watt, too little for a multiplier of four digits
    at two thousand watts: wider gaps, and then all values, tell it better.
    """
    gaps = np.diff(values)
    gaps = gaps[gaps > 1.5e-3]
    step = float(gaps.min(initial=np.inf))
    for steps in (4, 30, 200):
        near = gaps[gaps <= steps * step]
        step = float(near.sum() / np.round(near / step).sum()) if near.size else step
    above = values - values[0]
    count = np.round(above / step)
    return float(above @ count / (count @ count)) if count.any() else step
