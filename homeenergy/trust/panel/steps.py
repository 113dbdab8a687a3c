"""Steps of power: when a circuit is switched, and what the mains do at that moment."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

LEAST_W = 15.0
OVER_NOISE = 8.0
MOST_STEPS = 3000
NEARLY = 0.95
NORMAL_MAD = 1.4826
SAMPLE_FOR_NOISE = 20_000


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Steps:
    """Steps of one circuit.

    Attributes
    ----------
    sample : numpy.ndarray of int64, shape (n,)
        Sample before each step, rising.
    watts : numpy.ndarray of float64, shape (n,)
        Height of the step [W], from there to `lag` samples later.
    lag : int
    """

    sample: NDArray[np.int64]
    watts: NDArray[np.float64]
    lag: int


def step_lag(period_s: float) -> int:
    """Samples across which a step is taken: the one in which it falls lies between, or two."""
    return 3 if period_s <= 5 else 2


def find_steps(watts: NDArray[np.float32], *, lag: int, least_w: float = LEAST_W) -> Steps:
    """Find steps that stand out of a circuit's noise and last longer than a spike.

    Parameters
    ----------
    watts : numpy.ndarray, shape (n,), float32
        NaN = missing; steps next to a missing sample are passed over.
    lag : int
        Samples across which a step is taken.
    least_w : float
        Smallest step [W]; also at least eight times the noise of differences.

    Returns
    -------
    Steps
        At most three thousand, the highest.

    Notes
    -----
    Own method. O(n), one float32 array as long as the trace. The power must stay on its own side of
    half the step for `lag` samples before and after.
    """
    n = watts.size
    nothing = Steps(sample=np.empty(0, np.int64), watts=np.empty(0), lag=lag)
    if n < 4 * lag:
        return nothing
    rise = watts[lag:] - watts[:-lag]
    some = rise[:: max(1, rise.size // SAMPLE_FOR_NOISE)]
    some = some[np.isfinite(some)]
    if not some.size:
        return nothing
    noise_w = NORMAL_MAD * float(np.median(np.abs(some - np.median(some))))
    np.abs(rise, out=rise)
    at = np.flatnonzero(rise >= max(least_w, OVER_NOISE * noise_w))
    at = at[(at >= lag) & (at + 2 * lag < n)]
    if not at.size:
        return nothing
    height = rise[at]
    begins = np.flatnonzero(np.r_[True, np.diff(at) > lag])
    top = np.repeat(np.maximum.reduceat(height, begins), np.diff(np.r_[begins, at.size]))
    at = at[height >= NEARLY * top]
    # The middle of those that span the whole step bears clocks that differ by a sample.
    begins = np.flatnonzero(np.r_[True, np.diff(at) > lag])
    at = at[begins + (np.diff(np.r_[begins, at.size]) - 1) // 2]
    before, first, last, after = (
        watts[at + shift].astype(np.float64) for shift in (-lag, 0, lag, 2 * lag)
    )
    step = last - first
    steady = np.maximum(np.abs(first - before), np.abs(after - last)) < 0.5 * np.abs(step)
    at, step = at[steady], step[steady]
    if at.size > MOST_STEPS:
        high = np.sort(np.argpartition(-np.abs(step), MOST_STEPS)[:MOST_STEPS])
        at, step = at[high], step[high]
    return Steps(sample=at.astype(np.int64), watts=step, lag=lag)


def coinciding(steps: Steps, others: Steps) -> NDArray[np.float64]:
    """For each step, height of the step of another circuit at that moment [W]; 0 if there is none.

    Notes
    -----
    Of several within the lag the last is taken. O(n log m).
    """
    found = np.zeros(steps.sample.size)
    if not others.sample.size:
        return found
    index = np.searchsorted(others.sample, steps.sample + steps.lag, side="right") - 1
    near = index >= 0
    near[near] = others.sample[index[near]] >= steps.sample[near] - steps.lag
    found[near] = others.watts[index[near]]
    return found


def rises(watts: NDArray[np.float32], steps: Steps) -> NDArray[np.float64]:
    """Rise of another trace over each step [W]; NaN where it has no sample or ends."""
    out = np.full(steps.sample.size, np.nan)
    inside = (steps.sample >= 0) & (steps.sample + steps.lag < watts.size)
    at = steps.sample[inside]
    out[inside] = watts[at + steps.lag].astype(np.float64) - watts[at].astype(np.float64)
    return out
