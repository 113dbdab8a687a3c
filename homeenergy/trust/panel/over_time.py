"""What time tells of a circuit: its clock is off, its clamp was moved, came loose or paused."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import pdtrc

from homeenergy.readings.trace import Trace
from homeenergy.trust.panel.circuit import (
    ENOUGH,
    ON_LEG,
    CircuitBalance,
    Ratios,
    Steps,
    coinciding,
)
from homeenergy.trust.panel.explain import WIRING
from homeenergy.units import S_PER_DAY, S_PER_H

ALIKE = 0.1  # heights of two steps that may be one
FAR_S = 3900.0  # how far clocks are looked for that gain or lose
ZONES_S = 14.1 * S_PER_H  # and clocks of another zone, or of summer time
FAST = 120 / S_PER_DAY  # what a clock may gain or lose
SOME_STEPS = 200
MOST_OF = 0.6  # steps that must be found at one distance
HALF_OF = 0.5  # of them: within hours of the log's end the mains make none
OVER_CHANCE = 5.0
CLOSE = 0.5  # of WIRING: how near to its side's middle a step must be
CONSISTENT = 0.8  # share of the steps of each side that must be
BY_CHANCE = 0.001  # probability, over all pauses of a circuit
AS_LONG = 1.25  # times the longest and the shortest use of its own
SEVERAL = 3  # steps, or circuits, that are more than chance
ROUGHLY = 300  # steps that show about where the best split is
SPLITS = 24  # looked at over the whole log, then as many between the neighbours of the best


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Change:
    """A change of how the mains answer a circuit, between two samples of the log.

    `before` and `since` are the rises of each mains clamp for a watt of the circuit's step. One
    that is taken back is so between the two samples `back`.
    """

    last_sample: int
    first_sample: int
    before: NDArray[np.float64]
    since: NDArray[np.float64]
    back: tuple[int, int] | None = None

    def sides(self, at: NDArray[np.int64]) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
        """Which samples are before it, or after it is taken back, and which are since."""
        then, now = at <= self.last_sample, at >= self.first_sample
        if self.back is not None:
            then, now = then | (at >= self.back[1]), now & (at <= self.back[0])
        return then, now

    def within(self, legs: NDArray[np.bool_]) -> bool:
        """Whether it is on these legs before and since, as much in all: other loads there."""
        off = max(float(np.abs(side[~legs]).max(initial=0.0)) for side in (self.before, self.since))
        return off < ON_LEG and abs(float(self.since.sum() - self.before.sum())) < WIRING


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockError:
    """How much later a circuit is logged than the mains [s], and by how much more each day [s]."""

    late_s: float
    more_s_per_day: float = 0.0


def clock_errors(
    names: Iterable[str],
    steps: Mapping[str, Steps],
    missed: Sequence[Steps],
    grid: Trace,
    stated: Mapping[str, NDArray[np.float64]],
) -> dict[str, ClockError]:
    """Errors of the clocks of circuits which the mains do not follow, where there are any.

    `names` are those of the circuits. Each leg shows the share of a circuit that is `stated` of it.
    """
    errors = {
        name: clock_error(
            steps[name],
            [
                replace(one, watts=one.watts / (share or 1.0))
                for one, share in zip(missed, stated[name], strict=True)
            ],
            period_s=grid.period_s,
            samples=len(grid),
        )
        for name in names
    }
    return {name: error for name, error in errors.items() if error is not None}


def clock_error(
    own: Steps, missed: Sequence[Steps], *, period_s: float, samples: int
) -> ClockError | None:
    """How much later a circuit's steps are logged than the mains' that no circuit makes.

    Parameters
    ----------
    own : Steps
        Of a circuit which the mains do not follow.
    missed : sequence of Steps
        Of each leg.
    period_s : float
    samples : int
        Of the log.

    Returns
    -------
    ClockError or None
        None where most of its steps are not found at one distance, within half a day, nor at one of
        about an hour that grows as a clock's of at most two minutes a day.

    Notes
    -----
    Own method. Of all pairs of an own step and one of the mains that is as high within 10 %, the
    distances are sorted: the most of them in a window of twice the lag must be so for half of its
    steps, and six, and five times as many as chance puts there. So for each pace, in steps that
    move the end of the log by a window; 200 steps of the circuit are looked at. O(n m).
    """
    size_w = np.abs(own.watts)
    high = np.flatnonzero(size_w > 0.5 * size_w.max()) if size_w.size else np.empty(0, np.int64)
    high = high[:: max(1, high.size // SOME_STEPS)]
    at, watts = own.sample[high], own.watts[high]
    if at.size < ENOUGH:
        return None
    window = 2 * own.lag
    most_paces = int(FAST * samples / window)
    paces = sorted(range(-most_paces, most_paces + 1), key=abs)
    found: ClockError | None = None
    most = 0.0
    for of_leg in missed:
        distance = np.subtract.outer(at, of_leg.sample)
        as_high = np.abs(np.divide.outer(1 / watts, 1 / of_leg.watts) - 1) < ALIKE
        for pace in paces:
            far = (FAR_S if pace else ZONES_S) / period_s
            which, other = np.nonzero(as_high & (np.abs(distance) < far))
            near, when = distance[which, other].astype(np.float64), at[which] / samples
            enough = max(
                ENOUGH, HALF_OF * at.size, OVER_CHANCE * near.size * window / (2 * far), most
            )
            if near.size <= enough:
                continue
            left = np.sort(near - pace * window * when)
            many = np.searchsorted(left, left + window, side="right") - np.arange(left.size)
            best = int(np.argmax(many))
            if many[best] > enough:
                most = float(many[best])
                found = ClockError(
                    late_s=float(np.median(left[best : best + many[best]])) * period_s,
                    more_s_per_day=pace * window / samples * S_PER_DAY,
                )
    return found


def change_of(sample: NDArray[np.int64], ratios: Ratios) -> Change | None:
    """Find the moment from which on the mains answer a circuit in another way.

    Parameters
    ----------
    sample : numpy.ndarray, shape (n,)
        Of its steps, rising.
    ratios : numpy.ndarray, shape (mains, n)

    Notes
    -----
    Own method. One split, the one with the least absolute deviations from the medians of both
    sides, each at most 12 %, looked for coarsely and then close to the best. It is a change where
    the medians differ by more than that and 80 % of the steps of each side are within half of it:
    loads on several legs do not sort by time. O(n) for each of some 50 splits.
    """
    here = np.isfinite(ratios).all(axis=0)
    sample, ratios = sample[here], ratios[:, here]
    n = sample.size
    if n < 2 * ENOUGH or _consistent(ratios) >= 1 - ENOUGH / (2 * n):
        return None
    low, high = ENOUGH, n - ENOUGH
    while True:
        every = -(-(high - low + 1) // SPLITS)
        splits, some = range(low, high + 1, every), 1 if every == 1 else max(1, n // ROUGHLY)
        k = min(splits, key=lambda k: _cost(ratios[:, :k:some]) + _cost(ratios[:, k::some]))
        if every == 1:
            break
        low, high = max(ENOUGH, k - every), min(n - ENOUGH, k + every)
    sides = ratios[:, :k], ratios[:, k:]
    before, since = (np.median(side, axis=1) for side in sides)
    if np.abs(since - before).max() < WIRING or min(map(_consistent, sides)) < CONSISTENT:
        return None
    return Change(
        last_sample=int(sample[k - 1]), first_sample=int(sample[k]), before=before, since=since
    )


def stretch_of(sample: NDArray[np.int64], ratios: Ratios) -> Change | None:
    """Find a stretch in which the mains answer in another way than before and after it.

    As `change_of`, with two splits: those of the least deviations, looked for coarsely together and
    then one after the other.
    """
    n = sample.size
    if n < 3 * ENOUGH:
        return None
    some = max(1, n // ROUGHLY)

    def cost(a: int, b: int) -> float:
        outside = np.concatenate([ratios[:, :a:some], ratios[:, b::some]], axis=1)
        return _cost(outside) + _cost(ratios[:, a:b:some])

    every = max(1, (n - 2 * ENOUGH) // SPLITS)
    splits = range(ENOUGH, n - ENOUGH + 1, every)
    a, b = min(
        ((a, b) for a in splits for b in splits if b - a >= ENOUGH), key=lambda ends: cost(*ends)
    )
    while every > 1:
        every = -(-every // SPLITS)
        near = range(-SPLITS * every, SPLITS * every + 1, every)
        a = min((a + by for by in near if ENOUGH <= a + by <= b - ENOUGH), key=lambda k: cost(k, b))
        b = min(
            (b + by for by in near if a + ENOUGH <= b + by <= n - ENOUGH), key=lambda k: cost(a, k)
        )
    pieces = ratios[:, :a], ratios[:, a:b], ratios[:, b:]
    first, inside, last = (np.median(piece, axis=1) for piece in pieces)
    if np.abs(first - last).max() > CLOSE * WIRING or np.abs(inside - first).max() < WIRING:
        return None
    if min(map(_consistent, pieces)) < CONSISTENT:
        return None
    return Change(
        last_sample=int(sample[a - 1]),
        first_sample=int(sample[a]),
        before=np.median(np.concatenate([pieces[0], pieces[2]], axis=1), axis=1),
        since=inside,
        back=(int(sample[b - 1]), int(sample[b])),
    )


def _off(ratios: Ratios) -> NDArray[np.float64]:
    at = ratios.shape[1] // 2  # the upper of two middle ones, for splits are many
    middle = np.partition(ratios, at, axis=1)[:, at : at + 1]
    off: NDArray[np.float64] = np.abs(ratios - middle).max(axis=0)
    return off / max(1.0, float(np.abs(middle).max()))


def _cost(ratios: Ratios) -> float:
    return float(np.minimum(_off(ratios), WIRING).sum())


def _consistent(ratios: Ratios) -> float:
    return float((_off(ratios) < CLOSE * WIRING).mean())


@dataclass(frozen=True, slots=True, kw_only=True)
class Pause:
    """A stretch, from `first` to `last` [samples], in which a circuit shows no step of its own.

    The mains make `steps` of `height_w` there that no circuit shows.
    """

    first: int
    last: int
    steps: int
    height_w: float


def pauses(
    judged: Sequence[CircuitBalance],
    steps: Mapping[str, Steps],
    missed: Mapping[str, Steps],
    *,
    samples: int,
) -> list[tuple[str, str, Pause]]:
    """Circuit, leg and pause of each that shows nothing for a while of what the mains show."""
    found = []
    for one in judged:
        rises = {leg: one.leg_ratio[leg].value for leg in one.legs_found if not one.slow_changes}
        rises = {leg: share for leg, share in rises.items() if share > ON_LEG}
        if not rises:
            continue
        leg, share = max(rises.items(), key=lambda item: item[1])
        unseen = missed[leg]
        for other, its_share in rises.items():
            unseen = _also_on(unseen, missed[other], times=its_share / share)
        pause = pause_of(steps[one.circuit], unseen, samples=samples, share=share)
        if pause is not None:
            found.append((one.circuit, leg, pause))
    return found


def _also_on(steps: Steps, others: Steps, *, times: float) -> Steps:
    """Steps that another leg makes at the same moment, so many times as high."""
    with_it = np.abs(coinciding(steps, others) / (times * steps.watts) - 1) < ALIKE
    return replace(steps, sample=steps.sample[with_it], watts=steps.watts[with_it])


def pause_of(own: Steps, missed: Steps, *, samples: int, share: float) -> Pause | None:
    """Find a stretch in which a circuit shows nothing of uses that the mains show.

    Parameters
    ----------
    own : Steps
        Of the circuit.
    missed : Steps
        Of a leg, that no circuit makes.
    samples : int
        Of the log.
    share : float
        Rise of the leg for a watt of the circuit's steps.

    Returns
    -------
    Pause or None
        None where no stretch holds six such steps, or as many by chance.

    Notes
    -----
    Own method. A use is a missed rise and the next fall, each as high as the circuit's usual steps
    within 10 %, as far apart as its own uses last. Of the stretches between its steps, the one with
    the most is held against the rate in all others (Poisson), times how often it fits into the log;
    nor may they be more than the circuit makes. O(n log n).
    """
    usual_w = _usual_w(own)
    uses = _uses(own, usual_w)
    seen = _uses(Steps(sample=missed.sample, watts=missed.watts / share, lag=missed.lag), usual_w)
    if len(uses) < ENOUGH // 2 or len(seen) < ENOUGH // 2:
        return None
    lasts, seen_lasts = uses[:, 1] - uses[:, 0], seen[:, 1] - seen[:, 0]
    alike = (seen_lasts < AS_LONG * lasts.max()) & (seen_lasts > lasts.min() / AS_LONG)
    at = seen[alike, 0]
    edges = np.r_[0, own.sample, samples]
    count = np.histogram(at, edges)[0]
    best = int(np.argmax(count))
    most, length = int(count[best]), int(edges[best + 1] - edges[best])
    if 2 * most < ENOUGH or length == samples:
        return None
    others, own_uses = at.size - most, len(uses)
    by_others, by_own = (
        pdtrc(most - 1, (n + 1) * length / (samples - length)) for n in (others, own_uses)
    )
    if by_others * samples / length > BY_CHANCE or by_own < BY_CHANCE:
        return None
    return Pause(
        first=int(edges[best]), last=int(edges[best + 1]), steps=2 * most, height_w=usual_w * share
    )


def _usual_w(own: Steps) -> float:
    size_w = np.abs(own.watts)
    return float(np.median(size_w[size_w > 0.5 * np.quantile(size_w, 0.9)]))


def _uses(steps: Steps, usual_w: float) -> NDArray[np.int64]:
    """Samples of each rise of the usual height and of the fall that follows, shape (n, 2)."""
    usual = np.abs(np.abs(steps.watts) / usual_w - 1) < ALIKE
    at, up = steps.sample[usual], steps.watts[usual] > 0
    pairs = np.flatnonzero(up[:-1] & ~up[1:])
    return np.stack([at[pairs], at[pairs + 1]], axis=1)
