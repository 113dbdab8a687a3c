"""What time tells of a circuit: a clock that is off, a clamp that was moved or came loose."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from homeenergy.trust.panel.circuit import ENOUGH, Ratios, Steps
from homeenergy.trust.panel.explain import WIRING

ALIKE = 0.1  # heights of two steps that may be one
FAR_S = 3600.0  # how far clocks are looked for
MOST_OF = 0.6  # steps that must be found at one distance
OVER_CHANCE = 5.0
CLOSE = 0.5  # of WIRING: how near to its side's middle a step must be
CONSISTENT = 0.8  # share of the steps of each side that must be
SPLITS = 24  # looked at over the whole log, then as many between the neighbours of the best


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Change:
    """A change of how the mains answer a circuit, between two samples of the log.

    `before` and `since` are the rises of each mains clamp for a watt of the circuit's step.
    """

    last_sample: int
    first_sample: int
    before: NDArray[np.float64]
    since: NDArray[np.float64]


def clock_error(own: Steps, missed: Sequence[Steps], *, period_s: float) -> float | None:
    """How much later a circuit's steps are logged than the mains' that no circuit makes [s].

    Parameters
    ----------
    own : Steps
        Of a circuit which the mains do not follow.
    missed : sequence of Steps
        Of each leg.
    period_s : float

    Returns
    -------
    float or None
        None where most of its steps are not found at one distance, within an hour.

    Notes
    -----
    Own method. Of all pairs of an own step and one of the mains that is as high within 10 %, the
    distances are sorted: the most of them in a window of twice the lag must be so for 60 % of its
    steps, and five times as many as chance puts there. O(n m).
    """
    size_w = np.abs(own.watts)
    high = size_w > 0.5 * size_w.max() if size_w.size else np.zeros(0, dtype=bool)
    at, watts = own.sample[high], own.watts[high]
    if at.size < ENOUGH:
        return None
    window, far = 2 * own.lag, FAR_S / period_s
    found: float | None = None
    most = 0
    for of_leg in missed:
        distance = np.subtract.outer(at, of_leg.sample)
        as_high = np.abs(np.divide.outer(1 / watts, 1 / of_leg.watts) - 1) < ALIKE
        near = np.sort(distance[as_high & (np.abs(distance) < far)])
        if not near.size:
            continue
        many = np.searchsorted(near, near + window, side="right") - np.arange(near.size)
        best = int(np.argmax(many))
        chance = near.size * window / (2 * far)
        enough = max(MOST_OF * at.size, OVER_CHANCE * chance, most)
        if many[best] > enough:
            most = int(many[best])
            found = float(np.median(near[best : best + most])) * period_s
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
        splits = range(low, high + 1, every)
        k = min(splits, key=lambda k: _cost(ratios[:, :k]) + _cost(ratios[:, k:]))
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


def _off(ratios: Ratios) -> NDArray[np.float64]:
    off: NDArray[np.float64] = np.abs(ratios - np.median(ratios, axis=1, keepdims=True)).max(axis=0)
    return off


def _cost(ratios: Ratios) -> float:
    return float(np.minimum(_off(ratios), WIRING).sum())


def _consistent(ratios: Ratios) -> float:
    return float((_off(ratios) < CLOSE * WIRING).mean())
