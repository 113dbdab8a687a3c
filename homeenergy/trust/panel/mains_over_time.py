"""What time tells of the mains: their clock is off, or a clamp was moved, turned or came off."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft

from homeenergy.readings.trace import Trace
from homeenergy.trust.panel.circuit import Steps, step_lag
from homeenergy.trust.panel.explain import WIRING
from homeenergy.trust.panel.matched import Matched
from homeenergy.trust.panel.over_time import (
    MOST_OF,
    SEVERAL,
    ZONES_S,
    Change,
    change_of,
    stretch_of,
)

LITTLE_NOISE = 0.03  # of a ratio that tells of a change
AS_MUCH = 0.95  # of the greatest rise: the step is still in it


def clock_of_mains(
    steps: Mapping[str, Steps],
    mains: Sequence[Trace],
    stated: Mapping[str, NDArray[np.float64]],
) -> tuple[float, tuple[int, ...]] | None:
    """How much later mains are logged than the circuits [s], and which clamps; None where none is.

    Own method. Mains rise with the steps of their circuits, all legs with all of them and a clamp
    with the shares stated on it. Where they do not, and do so at another time, within half a day,
    their clock is off: the same time for half of the circuits, and three.
    """
    period_s = mains[0].period_s
    rises_w = [_rises(trace, step_lag(period_s)) for trace in mains]
    every = tuple(range(len(mains)))
    late = _late(steps, np.sum(rises_w, axis=0), period_s)
    if late is not None:
        return late * period_s, every
    found: dict[int, int] = {}
    for clamp, own_w in enumerate(rises_w if len(mains) > 1 else []):
        on_it = {
            name: replace(one, watts=stated[name][clamp] * one.watts)
            for name, one in steps.items()
            if stated[name][clamp]
        }
        late = _late(on_it, own_w, period_s)
        if late is not None:
            found[clamp] = late
    if not found:
        return None
    first = next(iter(found.values()))
    near = 2 * step_lag(period_s)
    return first * period_s, tuple(
        clamp for clamp, one in found.items() if abs(one - first) <= near
    )


def _rises(trace: Trace, lag: int) -> NDArray[np.float32]:
    """Rise over so many samples from each on [W]; 0 where that is not known."""
    return np.nan_to_num(trace.watts[lag:] - trace.watts[:-lag])


def _late(steps: Mapping[str, Steps], rises_w: NDArray[np.float32], period_s: float) -> int | None:
    """Samples by which rises follow the steps of circuits; None where they do at once, or never."""
    inside = {name: one.sample < rises_w.size for name, one in steps.items() if one.sample.size}
    at = [steps[name].sample[here] for name, here in inside.items()]
    watts = [steps[name].watts[here] for name, here in inside.items()]
    enough = max(SEVERAL, len(at) / 2)
    if len(at) < enough or _answered(at, watts, rises_w, 0) >= enough:
        return None
    impulses = np.zeros(rises_w.size)
    for sample, height_w in zip(at, watts, strict=True):
        np.add.at(impulses, sample, height_w)
    far, lag = round(ZONES_S / period_s), step_lag(period_s)
    size = next_fast_len(rises_w.size + far, real=True)
    product = rfft(rises_w.astype(np.float64), size) * np.conj(rfft(impulses, size))
    together = irfft(product, size)
    reach = np.r_[together[-far:], together[: far + 1]]
    # A step is in the rises from several samples on: in the middle of them both are at once.
    peak = int(np.argmax(reach))
    beside = np.arange(max(0, peak - lag), min(reach.size, peak + lag + 1))
    as_high = beside[reach[beside] >= AS_MUCH * reach[peak]]
    late = int(np.median(as_high)) - far
    return late if _answered(at, watts, rises_w, late) >= enough else None


def _answered(
    at: Sequence[NDArray[np.int64]],
    watts: Sequence[NDArray[np.float64]],
    rises_w: NDArray[np.float32],
    late: int,
) -> int:
    """How many circuits rise with, so many samples later."""
    count = 0
    for sample, height_w in zip(at, watts, strict=True):
        here = (sample + late >= 0) & (sample + late < rises_w.size)
        own_w = height_w[here]
        slope = float(own_w @ rises_w[sample[here] + late]) / max(float(own_w @ own_w), 1.0)
        count += slope > MOST_OF
    return count


@dataclass(frozen=True, slots=True, kw_only=True)
class MainsChange:
    """A clamp of the mains that answers circuits in another way from some time on.

    `clamp` is its position, `before` and `since` what it reads of the truth, as far as `circuits`
    circuits on it tell, `last_sample` and `first_sample` the samples between which it changed, and
    `back` those between which that was taken back, if it was.
    """

    clamp: int
    before: float
    since: float
    circuits: int
    last_sample: int
    first_sample: int
    back: tuple[int, int] | None = None

    @property
    def keeps_end(self) -> bool | None:
        """Whether it is right since and not before; None where both or neither are."""
        before, since = (abs(value - 1) < WIRING for value in (self.before, self.since))
        return None if before == since else since


def changes_of(matched: Matched, inverse: NDArray[np.float64]) -> dict[str, Change]:
    """Circuits that the mains answer in another way from some time on, on each leg."""
    found = {}
    for name, ratios in matched.ratios.items():
        high = matched.high[name]
        one = change_of(matched.sample[name][high], inverse @ ratios[:, high])
        if one is not None:
            found[name] = one
    return found


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
            then, now = (own[side] for side in one.sides(at))
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
                back=one.back,
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
        # Of loads on several legs, not every step is on each.
        alone = {name: share for name, share in stated.items() if share[clamp] == 1}
        of = alone if len(alone) > 1 else stated
        found = [_on_clamp(matched, name, clamp, share) for name, share in of.items()]
        at, ratios = (np.concatenate(column) for column in zip(*found, strict=True))
        order = np.argsort(at, kind="stable")
        at, ratios = at[order], ratios[None, order]
        together = change_of(at, ratios) or stretch_of(at, ratios)
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
