"""What levels a trace has: histograms, noise, the idle level and what counts as on."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from homeenergy.cycles.segment import kernels
from homeenergy.cycles.segment.kernels import weighted_quantile

# Upper halves of the float32 bits of plus and minus infinity.
INFINITE_BINS = [0x7F80, 0xFF80]
# Median of |x1 - x2| for two normal readings is 0.6745 * sqrt(2) standard deviations.
MEDIAN_STEP_PER_SIGMA = 0.6745 * np.sqrt(2)
# So many different readings must come in the same step to be believed.
LEAST_VALUES = 20
# Share of the energy that must go each way for power to be taken to flow both ways.
MIXED_SHARE, LEAST_FEED_IN_W = 0.05, -50.0
# A level must be held for this long, or this share of the time, to be taken as an idle level.
LEAST_IDLE_S = 120.0
LEAST_IDLE_SHARE = 0.002
LEAST_IDLE_OF_SHORT = 0.05
# Excess below this share of the typical working power (half of the energy is spent above it) is
# not work: displays, clocks, lamps.
WORK_SHARE = 0.02
# The least working power is the one below which this share of the working energy is spent; a run
# must reach `ON_SHARE` of it, and lasts while the power stays above `LOW_SHARE` of it.
LEAST_WORK = 0.04
ON_SHARE, LOW_SHARE = 0.4, 0.3
# Idle electronics, displays and lamps stay below this; pumps and motors of a machine that also
# heats stay above. Common practice, no source.
IDLE_ELECTRONICS_W, LEAST_MOTOR_W = 20.0, 35.0
NOTHING_W, LEAST_IDLE_W = 0.15, 0.5
# Where levels between these shares of the typical working power bear energy, small ones are work.
LADDER = 0.25, 0.6
# A run raises the power by at least this share of what is drawn all the time.
LEAST_RISE_SHARE = 0.08
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
        # Most readings repeat. If steps of the least size are common, they are noise on rounded
        # readings; if rare, they are changes.
        least = steps_w[1] if used.size > 1 else 0.0
        if share[1:][steps_w[1:] <= 1.5 * least].sum() < LEAST_FLICKER:
            return 0.0
    # A rounded reading stands for all up to half way to the next one.
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

    Two halves are counted at once; the kernel lets go of the interpreter.
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Levels:
    """Idle level of a trace, level that a run must reach, and level above which it lasts [W].

    NaN where nothing stands out.
    """

    idle_w: float
    on_w: float
    low_w: float


def find_levels(
    mean_w: NDArray[np.float64],
    n: NDArray[np.int64],
    *,
    period_s: float,
    noise_w: float,
    step_w: float = 0.0,
) -> Levels:
    """Idle level and on threshold from the plateaus of a trace.

    Idle is the lowest level that is held for `LEAST_IDLE_S` or `LEAST_IDLE_SHARE` of the time,
    whichever is longer. Energy above idle is then sorted by power: the typical working power is
    the one above which half of it is spent; what lies under `WORK_SHARE` of that, or within five
    sigma of idle, is set aside. The least working power is the one below which `LEAST_WORK` of the
    rest is spent, but not less than idle electronics draw unless the appliance itself works at so
    little. Own method.

    Parameters
    ----------
    mean_w, n : numpy.ndarray, shape (m,)
        Level [W] and number of samples of each plateau; single-sample spikes left out.
    period_s : float
        Length of a sample [s].
    noise_w : float
        Standard deviation of one sample [W].
    step_w : float
        Step in which readings come [W]; one step above idle is not work.
    """
    nan = float("nan")
    if not n.size:
        return Levels(idle_w=nan, on_w=nan, low_w=nan)
    held = int(n.sum())
    # A steady level below zero is the offset of a clamp, and no feed-in.
    flow_w = mean_w - min(weighted_quantile(mean_w, n, held / 2), 0.0)
    returned = float(np.sum(-np.minimum(flow_w, 0.0) * n))
    share = returned / max(float(np.sum(np.abs(flow_w) * n)), 1e-9)
    least_n = min(max(LEAST_IDLE_S / period_s, LEAST_IDLE_SHARE * held), LEAST_IDLE_OF_SHORT * held)
    idle_w = weighted_quantile(mean_w, n, least_n)
    if MIXED_SHARE < share < 1 - MIXED_SHARE and flow_w.min() < LEAST_FEED_IN_W:
        # Where power flows both ways, rest is nearest to zero.
        near = weighted_quantile(np.abs(mean_w), n, least_n)
        idle_w = float(mean_w[np.abs(mean_w) == near][0])
    excess = mean_w - idle_w
    stands_out = excess > 5 * noise_w / np.sqrt(n)
    energy = np.where(stands_out, excess * n, 0.0)
    if energy.sum() <= 0:
        return Levels(idle_w=idle_w, on_w=nan, low_w=nan)
    typical = weighted_quantile(excess, energy, energy.sum() / 2)
    if typical < LEAST_RISE_SHARE * idle_w:
        return Levels(idle_w=idle_w, on_w=nan, low_w=nan)
    work = np.where(excess >= WORK_SHARE * typical, energy, 0.0)
    least_work = weighted_quantile(excess, work, LEAST_WORK * work.sum())
    electronics = min(IDLE_ELECTRONICS_W, ON_SHARE * typical)
    between = (excess > LADDER[0] * typical) & (excess < LADDER[1] * typical)
    ladder = energy[between].sum() > LEAST_WORK * energy.sum()
    if idle_w <= NOTHING_W or (idle_w <= LEAST_IDLE_W and ladder):
        # What draws nothing at rest has no electronics; or lamps of all sizes on one circuit.
        electronics = 0.0
    on = max(ON_SHARE * least_work, electronics, 1.5 * step_w)
    low = min(max(LOW_SHARE / ON_SHARE * on, electronics), max(LEAST_MOTOR_W, 1.5 * step_w))
    return Levels(idle_w=idle_w, on_w=idle_w + on, low_w=idle_w + low)


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
    """Step of values that were whole watts before one of the corrections; 0 where some were not."""
    fits = np.zeros(values.size, dtype=bool)
    for multiplier, offset_w in corrections:
        logged = (values - offset_w) / multiplier
        fits |= np.abs(logged - np.round(logged)) * abs(multiplier) <= 1e-3
    return max(abs(multiplier) for multiplier, _ in corrections) if fits.all() else 0.0


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
