"""What time tells of the mains: their clock is off, or a clamp was moved, turned or came off."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from homeenergy.readings.trace import Trace
from homeenergy.trust.panel.circuit import CARRIES, Steps, step_lag
from homeenergy.trust.panel.explain import WIRING, Explanation, Seen
from homeenergy.trust.panel.matched import Matched
from homeenergy.trust.panel.over_time import SEVERAL, Change, change_of, clock_errors
from homeenergy.trust.panel.silent import missed_steps

LITTLE_NOISE = 0.03  # of a ratio that tells of a change


def clock_of_mains(
    seen: Sequence[Seen],
    steps: Mapping[str, Steps],
    mains: Sequence[Trace],
    stated: Mapping[str, NDArray[np.float64]],
) -> tuple[float, tuple[int, ...]] | None:
    """How much later mains are logged than the circuits [s], and which clamps; None where none is.

    Own rule: of the circuits that step, on all legs or on one alone, the mains answer half, and
    three, not at all, and make their steps at one other time.
    """
    stepping = {
        one.name: max(float(np.abs(family.ratio).sum()) for family in one.families) < CARRIES
        for one in seen
        if one.families
    }
    every = tuple(range(len(mains)))
    groups = {every: list(stepping)} | {
        (clamp,): [name for name in stepping if stated[name][clamp] == 1] for clamp in every
    }
    as_is = Explanation(matrix=np.eye(len(mains)), mains=(), circuits={})
    missed: list[Steps] = []
    for clamps, names in groups.items():
        left, enough = [n for n in names if stepping[n]], max(SEVERAL, len(names) / 2)
        if len(left) < enough:
            continue
        missed = missed or missed_steps(steps, mains, as_is)
        errors = clock_errors(left, steps, missed, mains[0], stated)
        late_s = np.array([one.late_s for one in errors.values()])
        if late_s.size < enough:
            continue
        middle_s, period_s = float(np.median(late_s)), mains[0].period_s
        near = np.abs(late_s - middle_s) <= 2 * step_lag(period_s) * period_s
        if near.sum() >= enough:
            return -middle_s, clamps
    return None


@dataclass(frozen=True, slots=True, kw_only=True)
class MainsChange:
    """A clamp of the mains that answers circuits in another way from some time on.

    `clamp` is its position, `before` and `since` what it reads of the truth, as far as `circuits`
    circuits on it tell, `last_sample` and `first_sample` the samples between which it changed.
    """

    clamp: int
    before: float
    since: float
    circuits: int
    last_sample: int
    first_sample: int

    @property
    def keeps_end(self) -> bool | None:
        """Whether it is right since and not before; None where both or neither are."""
        before, since = (abs(value - 1) < WIRING for value in (self.before, self.since))
        return None if before == since else since


def change_of_mains(
    changes: Mapping[str, Change], matched: Matched, stated: Mapping[str, NDArray[np.float64]]
) -> MainsChange | None:
    """Find a change that several circuits show at one clamp of the mains at one time.

    Parameters
    ----------
    changes : dict of Change
        Of circuits, as the mains' readings are.
    matched : Matched
    stated : dict of ndarray, shape (mains,)
        Share of each circuit on each clamp of the mains.

    Notes
    -----
    Own method. That two circuits are moved at once is less likely than that what they have in
    common was. Every change of a circuit is tried, and the one of all steps on a clamp together: of
    the circuits stated there that step three times and more on either side, two and more than half
    must answer, in the median, as much otherwise as they do together. The shortest time is taken.
    """
    best: MainsChange | None = None
    for clamp, one in _tried(changes, matched, stated):
        sides = []
        for name, share in stated.items():
            at, own = _on_clamp(matched, name, clamp, share)
            then, now = own[at <= one.last_sample], own[at >= one.first_sample]
            if min(then.size, now.size) >= SEVERAL:
                sides.append((float(np.median(then)), float(np.median(now))))
        if len(sides) < 2:
            continue
        of_all = np.array(sides)
        before, since = np.median(of_all, axis=0)
        by = since - before
        many = int((np.abs(of_all[:, 1] - of_all[:, 0] - by) < abs(by) / 2).sum())
        if abs(by) < WIRING or many < 2 or 2 * many <= len(sides):
            continue
        length = one.first_sample - one.last_sample
        if best is None or length < best.first_sample - best.last_sample:
            best = MainsChange(
                clamp=clamp,
                before=float(before),
                since=float(since),
                circuits=many,
                last_sample=one.last_sample,
                first_sample=one.first_sample,
            )
    return best


def _tried(
    changes: Mapping[str, Change], matched: Matched, stated: Mapping[str, NDArray[np.float64]]
) -> Iterator[tuple[int, Change]]:
    """Changes that may be one of a clamp of the mains."""
    for clamp in range(len(next(iter(stated.values()), ()))):
        yield from (
            (clamp, one)
            for one in changes.values()
            if abs(one.since[clamp] - one.before[clamp]) >= WIRING / 2
        )
        found = [_on_clamp(matched, name, clamp, share) for name, share in stated.items()]
        at, ratios = (np.concatenate(column) for column in zip(*found, strict=True))
        order = np.argsort(at, kind="stable")
        together = change_of(at[order], ratios[None, order])
        if together is not None:
            yield clamp, together


def _on_clamp(
    matched: Matched, name: str, clamp: int, share: NDArray[np.float64]
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """High steps of a circuit with little noise, and what a clamp says of its share of each."""
    ratios, noise = (found[name][clamp] for found in (matched.ratios, matched.noise))
    if not share[clamp]:
        return np.empty(0, dtype=np.int64), np.empty(0)
    clear = matched.high[name] & (noise < LITTLE_NOISE * share[clamp]) & np.isfinite(ratios)
    return matched.sample[name][clear], ratios[clear] / share[clamp]
