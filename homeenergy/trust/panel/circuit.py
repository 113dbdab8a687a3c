"""One circuit against the mains: its steps among theirs, what ratio they tell."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from homeenergy.stats.coverage import coverage_factor
from homeenergy.stats.estimate import Estimate, measured
from homeenergy.stats.lines import line_through_origin
from homeenergy.stats.means import median_estimate
from homeenergy.trust.panel.explain import WIRING, Family

LEAST_W = 15.0
OVER_NOISE = 8.0
MOST_STEPS = 3000
NEARLY = 0.95
NORMAL_MAD = 1.4826
SAMPLE_FOR_NOISE = 20_000
FEW_VALUES = 10  # of a circuit's readings: fewer do not show in which steps it is read
HIGH_LEVEL, HIGH_QUANTILE, FEW_PAIRS = 0.5, 0.999, 30
MOST_NOISE = 0.03  # of the level: what varies more is the load
PRECISE = 0.1  # noise of the mains, as a share of a step whose answer shows on which legs it is
Ratios = NDArray[np.float64]
REST_W, REST_SHARE = 100.0, 0.1  # an offset is less, and rest that long
Answer = Literal["contradicts", "agrees", "cannot be told"]
ENOUGH = 6
ON_LEG = 0.15  # rises of the mains of less than this share are other loads
CARRIES = 0.3
MIXED_SHARE = 0.1
AGREEING = 0.6  # share of the steps that must agree on one ratio


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
    """Samples across which a step is taken: the one in which it falls lies between, or two.

    Channels that are asked one after the other are a sample apart where those are short.
    """
    return 4 if period_s <= 2 else 3 if period_s <= 5 else 2


def find_steps(
    watts: NDArray[np.float32], *, lag: int, noise: tuple[float, float] | None = None
) -> Steps:
    """Find steps that stand out of a circuit's noise and last longer than a spike.

    Parameters
    ----------
    watts : numpy.ndarray, shape (n,), float32
        NaN = missing; steps next to a missing sample are passed over.
    lag : int
        Samples across which a step is taken.
    noise : tuple of float, optional
        `difference_noise`, if it is known. Steps are at least eight times as high, and 15 W.

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
    noise_w, noise_share = noise or difference_noise(watts, lag=lag)
    if not np.isfinite(noise_w):
        return nothing
    np.abs(rise, out=rise)
    at = np.flatnonzero(rise >= max(LEAST_W, OVER_NOISE * noise_w))
    at = at[(at >= lag) & (at + 2 * lag < n)]
    if noise_share:
        level_w = np.maximum(np.abs(watts[at]), np.abs(watts[at + lag]))
        at = at[rise[at] >= OVER_NOISE * np.hypot(noise_w, noise_share * level_w)]
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


def readings_that_differ(watts: NDArray[np.float32]) -> NDArray[np.float64]:
    """Values of a log's readings [W], rising. O(1), on at most 20,000 readings."""
    some = watts[:: max(1, watts.size // SAMPLE_FOR_NOISE)]
    return np.unique(some[np.isfinite(some)]).astype(np.float64)


def reading_step(values: NDArray[np.float64]) -> float:
    """Least difference of values [W]; what few differ by may be far more than their step."""
    return float(np.diff(values).min()) if values.size > 1 else 0.0


def rounding_noise(step_w: float) -> float:
    """Standard uncertainty of the difference of two readings of such steps [W].

    Each has an error of half a step at most, JCGM 100:2008, 4.3.7.
    """
    return step_w / 6**0.5


def difference_noise(watts: NDArray[np.float32], *, lag: int) -> tuple[float, float]:
    """Noise of differences across `lag` samples: that at rest [W], and its share of the level.

    The share is that of pairs of samples that are both high; NaN and 0 where nothing is there.
    Standard deviations from the median of absolute differences, at rest no less than the steps in
    which it is read make. O(1), on at most 20,000 pairs.
    """
    every = max(1, (watts.size - lag) // SAMPLE_FOR_NOISE)
    first, last = watts[: watts.size - lag : every], watts[lag::every]
    # At the end of its range a clamp shows no noise.
    top_w = np.nanmax(last, initial=-np.inf)
    here = np.isfinite(first) & np.isfinite(last) & ~((first == last) & (last == top_w))
    first, last = first[here].astype(np.float64), last[here].astype(np.float64)
    if not first.size:
        return float("nan"), 0.0
    rise = last - first
    noise_w = NORMAL_MAD * float(np.median(np.abs(rise - np.median(rise))))
    values = readings_that_differ(watts)
    if values.size > FEW_VALUES:
        noise_w = max(noise_w, rounding_noise(reading_step(values)))
    low = np.minimum(np.abs(first), np.abs(last))
    high = low > HIGH_LEVEL * np.quantile(low, HIGH_QUANTILE)
    if high.sum() < FEW_PAIRS:
        return noise_w, 0.0
    at_level_w = NORMAL_MAD * float(np.median(np.abs(rise[high])))
    share = min(at_level_w / float(np.median(low[high])), MOST_NOISE)
    return (noise_w, share) if at_level_w > 1.5 * noise_w else (max(noise_w, at_level_w), 0.0)


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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CircuitBalance:
    """What the mains say of one circuit.

    Attributes
    ----------
    circuit : str
    steps : int
        Steps compared.
    slow_changes : int
        How many stretches of slow changes were compared instead; 0 where steps were.
    switched_on : int
        How often it was switched on, whether or not another circuit stepped then.
    mean_w : float
        Mean of its readings [W]; below zero where it feeds in.
    step_w : float
        Median height of its high steps [W]; NaN where it has none.
    ratio : Estimate
        Rise of the mains, all legs together, over the circuit's step: the number that its readings,
        as they are corrected now, must still be multiplied with.
    leg_ratio : dict of Estimate
        The same for each leg.
    legs_found : tuple of str
        Legs on which the mains rise with it; empty if there are too few steps.
    leg_shares : dict of float
        Share of its readings on each leg: as found, else as stated.
    on_one_leg : int
        Clear steps that one clamp of the mains alone answers.
    mixed : bool
        Whether some steps are on both legs and some on one: loads of 240 V and of 120 V.
    legs_stated : tuple of str
    leg_odds : float
        Odds of the legs found against the other ones.
    may_end : bool
        Whether nothing shows that its clamp follows its highest load, rather than ends there.
    answer : str
        "contradicts" house.toml; "agrees", where the interval of the ratio is within 5 % of 1; or
        "cannot be told".
    verdict : str
    """

    circuit: str
    steps: int
    slow_changes: int
    switched_on: int
    mean_w: float
    step_w: float
    ratio: Estimate
    leg_ratio: dict[str, Estimate]
    legs_found: tuple[str, ...]
    leg_shares: dict[str, float]
    mixed: bool
    on_one_leg: int
    legs_stated: tuple[str, ...]
    leg_odds: float
    may_end: bool
    answer: Answer
    verdict: str

    @property
    def feeds_in(self) -> bool:
        """Whether it reads as much as a circuit that feeds in does."""
        return self.mean_w < -REST_W / 5

    def record(self) -> dict[str, object]:
        """Fields as columns of a table."""
        row: dict[str, object] = {
            "circuit": self.circuit,
            "steps": self.steps,
            "slow_changes": self.slow_changes,
            "switched_on": self.switched_on,
            "mean_w": self.mean_w,
            "step_w": self.step_w,
            "ratio": self.ratio.value,
            "ratio_low": self.ratio.low,
            "ratio_high": self.ratio.high,
        }
        row |= {f"ratio_{leg}": found.value for leg, found in self.leg_ratio.items()}
        return row | {
            "legs_stated": ", ".join(self.legs_stated),
            "legs_found": ", ".join(self.legs_found),
            "leg_odds": self.leg_odds,
            "mixed": self.mixed,
            "answer": self.answer,
            "verdict": self.verdict,
        }


def steady_rest(blocks_w: NDArray[np.float64]) -> float:
    """Level at rest of a circuit [W]; 0 where its lowest readings are no steady level."""
    here = blocks_w[np.isfinite(blocks_w)]
    if not here.size:
        return 0.0
    low_w = float(np.quantile(here, REST_SHARE / 2))
    steady = np.abs(here - low_w) < 1.0 + 0.02 * abs(low_w)
    return low_w if steady.mean() >= REST_SHARE and abs(low_w) < REST_W else 0.0


def families(
    ratios: Ratios,
    heights_w: NDArray[np.float64],
    noise: Ratios,
    *,
    beside: float = 0.0,
    rounding_w: float = 0.0,
) -> tuple[Family, ...]:
    """Sort a circuit's steps by the mains clamps that answer them.

    Parameters
    ----------
    ratios : numpy.ndarray, shape (mains, n)
        Rise of each mains clamp over each step.
    heights_w : numpy.ndarray, shape (n,)
    noise : numpy.ndarray, shape (mains, n)
        Noise of the ratios.
    beside : float
        What loads that are switched with it may add to any ratio.
    rounding_w : float
        What the steps of the circuit's readings leave open of each height [W].

    Returns
    -------
    tuple of Family
        Families of fewer than `ENOUGH` steps, or than a tenth of all, are chance and left out.
    """
    precise = _precise(ratios, noise)
    if precise.sum() < ENOUGH:
        return _family(ratios, heights_w, noise, beside, rounding_w)
    ratios, heights_w, noise = ratios[:, precise], heights_w[precise], noise[:, precise]
    pattern = (_carries(ratios) * 2 ** np.arange(len(ratios))[:, None]).sum(axis=0)
    found: tuple[Family, ...] = ()
    for one in np.unique(pattern):
        own = pattern == one
        if own.sum() >= MIXED_SHARE * pattern.size:
            found += _family(ratios[:, own], heights_w[own], noise[:, own], beside, rounding_w)
    return found


def _precise(ratios: Ratios, noise: Ratios) -> NDArray[np.bool_]:
    """Steps whose answer shows on which legs they are."""
    clear = (noise < PRECISE).all(axis=0) & np.isfinite(ratios).all(axis=0)
    return np.asarray(clear, dtype=np.bool_)


def _carries(ratios: Ratios) -> NDArray[np.bool_]:
    """Which clamps of the mains answer each step."""
    size = np.abs(ratios)
    top = size.max(axis=0)
    return np.asarray((size > CARRIES * top) & (top > ON_LEG), dtype=np.bool_)


def on_one_leg(ratios: Ratios, noise: Ratios) -> int:
    """Number of clear steps that one clamp of the mains alone answers."""
    clear = ratios[:, _precise(ratios, noise)]
    return int((_carries(clear).sum(axis=0) == 1).sum()) if clear.size else 0


def _family(
    ratios: Ratios,
    heights_w: NDArray[np.float64],
    noise: Ratios,
    beside: float,
    rounding_w: float,
) -> tuple[Family, ...]:
    here = np.isfinite(ratios).all(axis=0)
    ratios, heights_w, noise = ratios[:, here], heights_w[here], noise[:, here]
    if ratios.shape[1] < ENOUGH:
        return ()
    middle = np.median(ratios, axis=1, keepdims=True)
    near = np.abs(ratios - middle).max(axis=0) < WIRING * max(float(np.abs(middle).max()), ON_LEG)
    _, *legs = ratio_estimates(ratios, heights_w, agree=near)
    spread = [(one.high - one.low) / (2 * coverage_factor(one.n - 1.0)) for one in legs]
    u: Ratios = np.maximum(spread, least_u(ratios, heights_w, noise, rounding_w=rounding_w))
    ratio = np.array([one.value for one in legs])
    return (Family(ratio=ratio, u=np.hypot(u, beside), n=int(near.sum()) or legs[0].n),)


def least_u(
    ratios: Ratios, heights_w: NDArray[np.float64], noise: Ratios, *, rounding_w: float
) -> Ratios:
    """Least standard uncertainty of the ratio to each mains clamp, shape (mains,).

    Steps may agree by chance where readings are coarse. Noise of the mains shrinks with their
    number; the rounding of a circuit's own readings with the number of heights alone, as the same
    load is always rounded by as much.
    """
    if not heights_w.size:
        return np.full(len(ratios), np.inf)
    square = heights_w**2
    random: Ratios = np.sqrt(((noise * square) ** 2).sum(axis=1)) / square.sum()
    heights = np.unique(np.abs(heights_w).round(1)).size
    of_height = rounding_w / np.median(np.abs(heights_w)) / np.sqrt(heights)
    return np.asarray(np.hypot(random, of_height * np.median(ratios, axis=1)))


def at_least(one: Estimate, half: float) -> Estimate:
    """An estimate whose interval has such a half width at least on either side."""
    return replace(one, low=min(one.low, one.value - half), high=max(one.high, one.value + half))


def ratio_estimates(
    ratios: Ratios,
    heights_w: NDArray[np.float64],
    *,
    agree: NDArray[np.bool_] | None = None,
) -> list[Estimate]:
    """Ratio of all legs together, then of each leg.

    The median decides which steps belong together. A line through the origin on those evens out the
    rounding of the readings, which the median of ratios of whole watts does not; its interval is
    that of the sign test where the steps do not agree on one ratio.
    """
    total = ratios.sum(axis=0)
    rough = median_estimate(total, unit="", basis="")
    if agree is None:
        agree = np.abs(total - rough.value) < WIRING * abs(rough.value)
    on_line = agree.sum() >= max(ENOUGH, AGREEING * rough.n)
    basis = f"{rough.n} steps; errors of the mains' clamps come on top"
    estimates = []
    for row in (total, *ratios):
        if not on_line:
            estimates.append(median_estimate(row, unit="", basis=f"median over {basis}"))
            continue
        steps_w = heights_w[agree]
        line = line_through_origin(steps_w, row[agree] * steps_w)
        estimates.append(
            measured(
                line.slope,
                coverage_factor(line.degrees_of_freedom) * line.slope_u,
                unit="",
                n=rough.n,
                basis=f"line through the origin, {agree.sum()} of {basis}",
            )
        )
    return estimates
