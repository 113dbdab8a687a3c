"""One circuit against the mains: its steps among theirs, what ratio they tell."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from homeenergy.house.schedule import Circuit
from homeenergy.stats.coverage import coverage_factor
from homeenergy.stats.estimate import Estimate, measured
from homeenergy.stats.lines import line_through_origin
from homeenergy.stats.means import median_estimate

LEAST_W = 15.0
OVER_NOISE = 8.0
MOST_STEPS = 3000
NEARLY = 0.95
NORMAL_MAD = 1.4826
SAMPLE_FOR_NOISE = 20_000
Ratios = NDArray[np.float64]
ENOUGH = 6
WIRING = 0.12  # a ratio farther from 1 than clamps err comes from how things are wired
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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CircuitBalance:
    """What the mains say of one circuit.

    Attributes
    ----------
    circuit : str
    steps : int
        Steps compared.
    ratio : Estimate
        Rise of the mains, all legs together, over the circuit's step: the number that its readings,
        as they are corrected now, must still be multiplied with.
    leg_ratio : dict of Estimate
        The same for each leg.
    legs_found : tuple of str
        Legs on which the mains rise with it; empty if there are too few steps.
    leg_shares : dict of float
        Share of its readings on each leg: as found, else as stated.
    mixed : bool
        Whether some steps are on both legs and some on one: loads of 240 V and of 120 V.
    verdict : str
    """

    circuit: str
    steps: int
    ratio: Estimate
    leg_ratio: dict[str, Estimate]
    legs_found: tuple[str, ...]
    leg_shares: dict[str, float]
    mixed: bool
    verdict: str

    def record(self) -> dict[str, object]:
        """Fields as columns of a table."""
        row: dict[str, object] = {
            "circuit": self.circuit,
            "steps": self.steps,
            "ratio": self.ratio.value,
            "ratio_low": self.ratio.low,
            "ratio_high": self.ratio.high,
        }
        row |= {f"ratio_{leg}": found.value for leg, found in self.leg_ratio.items()}
        return row | {
            "legs_found": ", ".join(self.legs_found),
            "mixed": self.mixed,
            "verdict": self.verdict,
        }


def judge_circuit(
    circuit: Circuit,
    ratios: Ratios,
    *,
    heights_w: NDArray[np.float64],
    every: Ratios,
    legs: Sequence[str],
) -> CircuitBalance:
    """Judge one circuit by the ratios of the mains' rises to its high steps, shape (legs, steps).

    `heights_w` are those steps; `every` holds the ratios of its lower steps too, which show loads
    on other legs.
    """
    ratio, *per_leg = _ratio_estimates(ratios, heights_w)
    each = dict(zip(legs, per_leg, strict=True))
    stated = {leg: float(leg in circuit.legs) / max(1, len(circuit.legs)) for leg in legs}
    if ratio.n < ENOUGH:
        return CircuitBalance(
            circuit=circuit.name,
            steps=ratio.n,
            ratio=ratio,
            leg_ratio=each,
            legs_found=(),
            leg_shares=stated,
            mixed=False,
            verdict=f"{circuit.name}: too few steps ({ratio.n}) to find its leg or multiplier.",
        )
    mixed = len(legs) > 1 and _is_mixed(every, ratio.value)
    carried = _carried(ratios, ratio.value)
    total = ratios.sum(axis=0)
    on = tuple(leg for leg, share in zip(legs, carried, strict=True) if share >= MIXED_SHARE)
    shares = np.nanmean(np.clip(ratios / np.where(total == 0, np.nan, total), 0, 1), axis=1)
    shares = np.where([leg in on for leg in legs], shares, 0.0)
    known = abs(ratio.value) > ON_LEG and shares.sum() > 0
    return CircuitBalance(
        circuit=circuit.name,
        steps=ratio.n,
        ratio=ratio,
        leg_ratio=each,
        legs_found=on,
        leg_shares=dict(zip(legs, shares / shares.sum(), strict=True)) if known else stated,
        mixed=mixed,
        verdict=_verdict(circuit, ratio, each, on, mixed),
    )


def _ratio_estimates(ratios: Ratios, heights_w: NDArray[np.float64]) -> list[Estimate]:
    """Ratio of all legs together, then of each leg.

    The median decides which steps belong together. A line through the origin on those evens out the
    rounding of the readings, which the median of ratios of whole watts does not; its interval is
    that of the sign test where the steps do not agree on one ratio.
    """
    rough = median_estimate(ratios.sum(axis=0), unit="", basis="")
    agree = _clean(ratios, rough.value, (1.0,)) if rough.n else np.zeros(heights_w.size, bool)
    on_line = agree.sum() >= max(ENOUGH, AGREEING * rough.n)
    basis = f"{rough.n} steps; errors of the mains' clamps come on top"
    estimates = []
    for row in (ratios.sum(axis=0), *ratios):
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


def _clean(ratios: Ratios, total: float, factors: Sequence[float]) -> NDArray[np.bool_]:
    """Steps whose rise of all legs together is one that this circuit can make, and no chance."""
    rise = ratios.sum(axis=0)
    return np.any([np.abs(rise - f * total) < WIRING * abs(f * total) for f in factors], axis=0)


def _carried(ratios: Ratios, total: float) -> NDArray[np.float64]:
    """Share of the steps in which each leg carries a good part."""
    size = np.abs(ratios[:, _clean(ratios, total, (1.0,))])
    if not size.size:
        size = np.abs(np.nanmedian(ratios, axis=1, keepdims=True))
    top = size.max(axis=0)
    return np.asarray(((size > CARRIES * top) & (top > ON_LEG)).mean(axis=1))


def _is_mixed(ratios: Ratios, total: float) -> bool:
    """Whether steps fall into two families: equal on both legs, and on one leg alone.

    Where a clamp sees one leg only and is doubled, the families differ by a factor of two.
    """
    size = np.abs(ratios[:, _clean(ratios, total, (0.5, 1.0, 2.0))])
    order = np.sort(size, axis=0)
    both = order[-2] > 0.7 * order[-1]
    one = order[-2] < 0.2 * order[-1]
    least = max(4.0, MIXED_SHARE * size.shape[1])
    return bool(both.sum() >= least and one.sum() >= least)


def _verdict(
    circuit: Circuit,
    ratio: Estimate,
    each: Mapping[str, Estimate],
    on: Sequence[str],
    mixed: bool,
) -> str:
    if not on:
        return f"{circuit.name}: the mains do not rise with it; is it fed from this panel?"
    text = f"{circuit.name}: mains rises {_rises_text(each, on)}"
    if mixed:
        return f"{text}, in some steps on both legs and in some on one: 120 V and 240 V loads."
    off = outside(ratio)
    if off:
        return f"{text}; the clamp says {1 / ratio.value:.2f} of it: {cause(ratio.value)}."
    error = f"{1 / ratio.value - 1:+.1%}" if ratio.value else "?"
    return f"{text}; the clamp agrees with the mains to {error}."


def _rises_text(each: Mapping[str, Estimate], on: Sequence[str]) -> str:
    first = f"{each[on[0]].value:.2f}"
    if len(on) == 2 and f"{each[on[1]].value:.2f}" == first:
        return f"{first} times on both legs"
    return " and ".join(f"{each[leg].value:.2f} times on {leg}" for leg in on)


def outside(ratio: Estimate) -> bool:
    """Whether a ratio is farther from 1 than clamps err, its whole interval included."""
    low, high = 1 - WIRING, 1 / (1 - WIRING)
    return ratio.high < low or ratio.low > high


def cause(ratio: float) -> str:
    """What in the wiring or in house.toml makes such a ratio."""
    words = {
        2.0: "the doubling is missing",
        0.5: "it is doubled although it sees the whole load, or sees it twice",
        -1.0: "its clamp is backwards or on the other leg's voltage, and the sign is missing",
        -2.0: "doubling and sign are missing",
        -0.5: "the sign is wrong, and it is doubled although it sees the whole load",
    }
    for factor, text in words.items():
        if abs(ratio / factor - 1) < WIRING:
            return text
    return f"its multiplier is wrong by a factor of {ratio:.2f}"
