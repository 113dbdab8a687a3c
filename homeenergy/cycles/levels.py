"""What levels a trace has: histograms, noise, the idle level and what counts as on."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from homeenergy.cycles import kernels

# Median of |x1 - x2| for two normal readings is 0.6745 * sqrt(2) standard deviations.
MEDIAN_STEP_PER_SIGMA = 0.6745 * np.sqrt(2)
# A level must be held for this long, or this share of the time, to be taken as an idle level.
LEAST_IDLE_S = 120.0
LEAST_IDLE_SHARE = 0.002
LEAST_IDLE_OF_SHORT = 0.05
# Excess below this share of the typical working power (half of the energy is spent above it) is
# not work: displays, clocks, lamps.
WORK_SHARE = 0.02
# Work is on above this share of the power below which a tenth of the working energy is spent.
ON_SHARE = 0.4


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

    def sorted_levels(self) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
        """Levels [W] in ascending order and how many samples stand at each."""
        used = np.flatnonzero(self.levels)
        watts = _middle(used, shift=16)
        order = np.argsort(watts, kind="stable")
        return watts[order], self.levels[used][order]

    def noise_w(self, low_w: float = -np.inf, high_w: float = np.inf) -> float:
        """Standard deviation of the noise at levels in [low_w, high_w) [W], from neighbours.

        Half the differences are smaller than the median whatever the few steps are, so runs do not
        disturb it. The median is interpolated between values, because rounded readings have few.
        """
        exponents = np.arange(256)
        with np.errstate(over="ignore"):
            level = np.exp2(exponents - 127.0)
        rows = (level >= low_w) & (level < high_w)
        counts = self.steps[rows].sum(axis=0)
        if not counts.any():
            return 0.0
        used = np.flatnonzero(counts)
        steps_w = _middle(used, shift=19)
        # A rounded reading stands for all up to half way to the next one.
        upper_w = np.r_[(steps_w[1:] + steps_w[:-1]) / 2, steps_w[-1]]
        median = np.interp(
            counts.sum() / 2, np.r_[0, np.cumsum(counts[used])], np.r_[0.0, upper_w]
        )
        return float(median / MEDIAN_STEP_PER_SIGMA)


def _middle(bins: NDArray[np.int64], *, shift: int) -> NDArray[np.float64]:
    low = (bins.astype(np.uint32) << np.uint32(shift)).view(np.float32).astype(np.float64)
    half = (bins.astype(np.uint32) << np.uint32(shift)) | np.uint32(1 << (shift - 1))
    # Whole watts up to 256 are exact bin edges with 16 bits: keep them, and zero, as they are.
    exact = (low == np.round(low)) & (np.abs(low) < 256) if shift == 16 else low == 0
    return np.where(exact, low, half.view(np.float32).astype(np.float64))


def count_levels(chunks: Iterable[NDArray[np.float32]]) -> LevelCounts:
    """Histograms of levels and steps over consecutive chunks of one trace. O(n) time, 9 MB."""
    levels = np.zeros(kernels.LEVEL_BINS, np.int64)
    steps = np.zeros((256, kernels.STEP_BINS * 2), np.int64)
    last = np.nan
    for watts in chunks:
        contiguous = np.ascontiguousarray(watts, np.float32)
        last = kernels.count_levels(contiguous.view(np.uint32), contiguous, last, levels, steps)
    return LevelCounts(levels=levels, steps=steps)


@dataclass(frozen=True, slots=True, kw_only=True)
class Levels:
    """Idle level, on threshold and noise of a trace [W]; `on_w` is NaN if nothing stands out."""

    idle_w: float
    on_w: float
    typical_on_w: float
    noise_idle_w: float
    noise_on_w: float


def find_levels(counts: LevelCounts, *, period_s: float) -> Levels:
    """Idle level and on threshold from the distribution of levels.

    Idle is the lowest level that is held for `LEAST_IDLE_S` or `LEAST_IDLE_SHARE` of the time,
    whichever is longer. Energy above idle is then sorted by power: the typical working power is
    the one above which half of it is spent; what lies under `WORK_SHARE` of that is set aside
    (displays, lamps); and on begins at `ON_SHARE` of the power below which a tenth of the rest is
    spent. All of it scales with the watts, and a constant added moves idle and threshold alike.
    Own method.
    """
    watts, n = counts.sorted_levels()
    if not n.size:
        nan = float("nan")
        return Levels(
            idle_w=nan, on_w=nan, typical_on_w=nan, noise_idle_w=0.0, noise_on_w=0.0
        )
    held = np.cumsum(n)
    least = min(
        max(LEAST_IDLE_S / period_s, LEAST_IDLE_SHARE * held[-1]), LEAST_IDLE_OF_SHORT * held[-1]
    )
    idle_w = float(watts[min(np.searchsorted(held, least), n.size - 1)])
    excess = watts - idle_w
    energy = np.where(excess > 0, excess * n, 0.0)
    if energy.sum() <= 0:
        noise = counts.noise_w()
        return Levels(
            idle_w=idle_w, on_w=np.nan, typical_on_w=np.nan, noise_idle_w=noise, noise_on_w=noise
        )
    typical = excess[np.searchsorted(np.cumsum(energy), energy.sum() / 2)]
    work = np.where(excess >= WORK_SHARE * typical, energy, 0.0)
    least_work = excess[np.searchsorted(np.cumsum(work), 0.1 * work.sum())]
    on_w = idle_w + ON_SHARE * float(least_work)
    return Levels(
        idle_w=idle_w,
        on_w=on_w,
        typical_on_w=idle_w + float(typical),
        noise_idle_w=counts.noise_w(high_w=on_w),
        noise_on_w=counts.noise_w(low_w=on_w / 2),
    )
