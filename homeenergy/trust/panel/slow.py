"""What the mains answer to loads that change without steps: dimmed, variable in speed, ramped."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import nan

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft

from homeenergy.stats.coverage import coverage_factor
from homeenergy.stats.estimate import Estimate, measured
from homeenergy.stats.means import median_estimate
from homeenergy.trust.panel.circuit import ENOUGH, NORMAL_MAD
from homeenergy.trust.panel.explain import WIRING, Family
from homeenergy.trust.panel.over_time import MOST_OF, ClockError
from homeenergy.trust.panel.together import PairSeen

Values = NDArray[np.float64]

SPANS = 1, 5, 15  # minutes between which differences are taken
AROUND = 3  # minutes on either side: noise of a clamp may last for one
MOST_ROWS = 4000  # those in which the circuit moves farthest
BOUND = 1.345  # of the scale: a greater residual counts as so much (Huber 1964)
ROUNDS = 30
STRETCH = 20  # minutes: what nobody measures has settled by then
LEAST_MINUTES = 60
TIED = 0.3  # correlation of a difference with the wider one around it: less of it is noise
AS_FAR = 0.01  # of what the circuit moves by: what others move by less is noise
SOME_MOVES, HALF_AS_FAR = 300, 0.5  # what shows whether another circuit may move as far
LEAST_W = 3.0  # a circuit that moves less shows nothing
APART = 5.0  # times the variance that others which move alike add
NOTHING = 0.3  # an answer that says that a circuit is not fed
SURE = 0.1  # standard uncertainty of an answer beyond which it tells nothing
FAR = 846  # minutes: clocks of another zone, or of summer time
AT_END, LEAST_END_W = 0.002, 50.0  # how near to the highest reading, and how high that is
LEAST_AT_END, BESIDE = 3, 5  # minutes at an end, and on either side
NEAR_END, LEAST_MISSED = 0.7, 0.05  # of the reading there
AS_MUCH = 1.5  # times the farthest move: what goes beyond is another load's
OVER_CHANCE = 8.0  # times the usual answer at another time


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Slow:
    """Rise of each mains clamp for a watt of a circuit's slow changes, shape (mains,).

    `u` is its standard uncertainty, `n` how many stretches of twenty minutes tell it, as if all
    told as much.
    """

    ratio: Values
    u: Values
    n: int

    def family(self) -> Family:
        """The same as a family of steps, one a stretch."""
        return Family(ratio=self.ratio, u=self.u, n=self.n, slowly=True)

    def estimates(self, inverse: Values) -> list[Estimate]:
        """Ratio of all legs together, then of each leg, with faults of the mains corrected."""
        each, u = inverse @ self.ratio, np.abs(inverse) @ self.u
        factor = coverage_factor(self.n - 1.0)
        basis = f"slow changes in {self.n} stretches; errors of the mains' clamps come on top"
        values = [(float(each.sum()), float(np.linalg.norm(u))), *zip(each, u, strict=True)]
        return [
            measured(float(v), factor * float(s), unit="", n=self.n, basis=basis) for v, s in values
        ]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SlowAnswers:
    """What the mains answer to slow changes.

    Attributes
    ----------
    answers : dict of Slow
        Of the circuits that the mains tell something of.
    same : tuple of PairSeen
        Circuits whose load another clamp sees too.
    columns : tuple of PairSeen
        Circuits that move as another does, where the mains move by the sum of both.
    """

    answers: Mapping[str, Slow]
    same: tuple[PairSeen, ...] = ()
    columns: tuple[PairSeen, ...] = ()


def slow_answers(
    blocks_w: Mapping[str, Values], mains_w: Values, names: Sequence[str]
) -> SlowAnswers:
    """Find what the mains answer to slow changes of circuits.

    Parameters
    ----------
    blocks_w : dict of numpy.ndarray
        Means of minutes of every circuit [W]; NaN = missing.
    mains_w : numpy.ndarray, shape (mains, minutes)
    names : sequence of str
        Circuits that are asked about.

    Returns
    -------
    SlowAnswers

    Notes
    -----
    Own method. Differences of means of minutes, 1, 5 or 15 apart, of a mains clamp are fitted by
    those of all circuits that move. The difference between minutes three farther out serves as
    instrument (Wooldridge 2010, 5.1), as noise of a clamp would else make every answer too small.
    Of loads that nobody measures, a step counts no more than 1.345 times the usual residual (Huber
    1964). The uncertainty is that of sums over twenty minutes (Liang & Zeger 1986), so that
    residuals may depend on each other within them; how unequal these are lessens their number. The
    span that tells most is taken, unless another one contradicts it, as where a clock is off.
    Nothing is said with fewer than six stretches, nor of circuits that always move alike, nor that
    one is not fed where a fit without the other circuits says otherwise. Circuits that move with
    another as far as it does are left out of its fit: where the mains move as far as one, both see
    one load.
    O(rows x circuits^2), 4000 rows at most for each span and circuit.
    """
    if not names:
        return SlowAnswers(answers={})
    order = list(blocks_w)
    circuits = np.stack([blocks_w[name] for name in order])
    n = min(circuits.shape[1], mains_w.shape[1])
    circuits, mains = circuits[:, :n], mains_w[:, :n]
    answers, same, columns = {}, [], []
    for name in names:
        own = order.index(name)
        alike = _alike(circuits, own)
        used = [i for i in range(len(order)) if i not in alike]
        told = _told(circuits[used], mains, used.index(own))
        best = _surest(told)
        if best is None or best.u.max() > SURE or not all(_agree(best, one) for one in told):
            continue
        nothing = np.abs(best.ratio).max() < NOTHING
        if nothing and not all(_agree(best, one) for one in _told(circuits[[own]], mains, 0)):
            continue  # another circuit shows what it does
        total = float(best.ratio.sum())
        pairs = [
            PairSeen(circuit=name, other=order[i], share=nan, ratio=by) for i, by in alike.items()
        ]
        if alike and abs(total - 2) < 2 * WIRING:
            columns += pairs
        elif not alike or abs(total - 1) < WIRING:
            answers[name] = best
            same += pairs
    return SlowAnswers(answers=answers, same=tuple(same), columns=tuple(columns))


def _alike(circuits: Values, own: int) -> dict[int, float]:
    """Circuits that move by as much as one does whenever it moves, and by how much [1]."""
    span = SPANS[1]
    moves = circuits[:, span:] - circuits[:, :-span]
    most = np.argsort(-np.abs(np.nan_to_num(moves[own])))[:SOME_MOVES]
    most = most[moves[own, most] != 0]
    if not most.size:
        return {}
    middle = np.nanmedian(moves[:, most] / moves[own, most], axis=1)
    found = {}
    for other in np.flatnonzero(np.abs(middle - 1) < HALF_AS_FAR).tolist():
        if other == own:
            continue
        one = _surest(_told(circuits[[own]], circuits[[other]], 0))
        if one is not None and one.u[0] < SURE / 2 and abs(one.ratio[0] - 1) < WIRING:
            found[other] = float(one.ratio[0])
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class SlowEnd:
    """Where a clamp ends: its reading there [W], in how many minutes, and what mains draw more."""

    level_w: float
    minutes: int
    stretches: int
    missed: Estimate


def slow_end(own_w: Values, left_w: Values) -> SlowEnd | None:
    """Find out whether a clamp ends at its highest reading while its load goes on to change.

    Parameters
    ----------
    own_w : numpy.ndarray
        Means of minutes [W].
    left_w : numpy.ndarray
        What the mains draw more than all circuits in each [W].

    Returns
    -------
    SlowEnd or None
        None where nothing tells of an end.

    Notes
    -----
    Own method. A clamp at its end reads the same for minutes, and the mains draw what it misses,
    and not just before and after. A load that is constant at its highest shows no such thing. What
    is left over in each stretch of three minutes and more at the highest reading, less that in the
    five minutes on either side, as far as it reads 70 % of that there, must lie above 5 % of the
    reading in the median (sign test).
    """
    level_w = float(np.nanmax(own_w, initial=0.0))
    at_end = own_w >= level_w * (1 - AT_END)
    edges = np.flatnonzero(np.diff(np.r_[False, at_end, False].astype(np.int8)))
    if level_w < LEAST_END_W or 2 * np.count_nonzero(at_end) < ENOUGH * LEAST_AT_END:
        return None
    missed = []
    for begins, ends in edges.reshape(-1, 2):
        if ends - begins < LEAST_AT_END:
            continue
        beside = np.r_[max(0, begins - BESIDE) : begins, ends : ends + BESIDE]
        beside = beside[beside < own_w.size]
        near = ~at_end[beside] & (own_w[beside] > NEAR_END * level_w)
        beside = beside[near & np.isfinite(left_w[beside])]
        inside = left_w[begins:ends][np.isfinite(left_w[begins:ends])]
        if beside.size and inside.size:
            missed.append(float(np.median(inside) - np.median(left_w[beside])))
    more = median_estimate(np.array(missed), unit="W", basis="stretches at its highest reading")
    if len(missed) < ENOUGH or not more.low > LEAST_MISSED * level_w:
        return None
    return SlowEnd(level_w=level_w, minutes=int(at_end.sum()), stretches=len(missed), missed=more)


def slow_clocks(
    blocks_w: Mapping[str, Values], mains_w: Values, names: Sequence[str], *, block_s: float
) -> dict[str, ClockError]:
    """How much later circuits are logged than mains that move as they do at another time.

    Own method. Differences over five minutes of what no other circuit draws are multiplied with the
    circuit's at all distances of half a day: one must stand out, and be most of what it moves by,
    in most of the stretches in which it moves: one great load beside them is chance.
    """
    if not names:
        return {}
    left_w = mains_w.sum(axis=0) - np.sum(list(blocks_w.values()), axis=0)
    late = {name: _late(blocks_w[name], left_w + blocks_w[name]) for name in names}
    return {name: ClockError(late_s=blocks * block_s) for name, blocks in late.items() if blocks}


def _late(own_w: Values, rest_w: Values) -> int:
    """Minutes by which a circuit follows what no other draws; 0 where nothing tells of any."""
    span = SPANS[1]
    own, rest = (np.nan_to_num(w[span:] - w[:-span]) for w in (own_w, rest_w))
    most_w = float(np.abs(own).max(initial=0.0))
    if most_w < LEAST_W:
        return 0
    begins = np.arange(0, own.size, STRETCH)
    tells = np.add.reduceat(own**2, begins)
    if tells.sum() ** 2 < ENOUGH * (tells**2).sum():
        return 0  # a few uses, which some other load matches
    rest = np.clip(rest, -AS_MUCH * most_w, AS_MUCH * most_w)
    size = next_fast_len(own.size + FAR, real=True)
    together = irfft(rfft(rest, size) * np.conj(rfft(own, size)), size) / float(own @ own)
    reach = np.r_[together[-FAR:], together[: FAR + 1]]
    best = int(np.argmax(reach))
    usual = NORMAL_MAD * float(np.median(np.abs(reach)))
    sure = max(MOST_OF, OVER_CHANCE * usual) < reach[best] < 1 / MOST_OF
    later = best - FAR
    if not sure or abs(later) <= span:
        return 0
    there = np.roll(np.pad(rest, (FAR, FAR)), -later)[FAR:-FAR]
    answered = np.add.reduceat(own * there, begins)
    alike = (answered > MOST_OF * tells) & (answered < tells / MOST_OF)
    return -later if tells[alike].sum() > MOST_OF * tells.sum() else 0


def _told(circuits: Values, mains: Values, own: int) -> list[Slow]:
    each = (_answer(circuits, mains, own, span) for span in SPANS)
    return [one for one in each if one is not None]


def _surest(told: Sequence[Slow]) -> Slow | None:
    return min(told, key=lambda one: float(one.u.max()), default=None)


def _agree(one: Slow, other: Slow) -> bool:
    apart = np.abs(one.ratio - other.ratio)
    return bool((apart < 3 * np.hypot(one.u, other.u) + WIRING / 2).all())


def _answer(circuits: Values, mains: Values, own: int, span: int) -> Slow | None:
    """What the mains answer over one span; None where that tells nothing."""
    at = np.arange(AROUND, circuits.shape[1] - span - AROUND)
    ends = np.stack([at - AROUND, at, at + span, at + span + AROUND])
    there = np.isfinite(circuits.sum(axis=0)) & np.isfinite(mains.sum(axis=0))
    at = at[there[ends].all(axis=0)]
    if at.size < LEAST_MINUTES:
        return None
    if at.size > MOST_ROWS:
        around = np.abs(circuits[own, at + span + AROUND] - circuits[own, at - AROUND])
        at = np.sort(at[np.argpartition(-around, MOST_ROWS)[:MOST_ROWS]])
    moves = (circuits[:, at + span] - circuits[:, at]).T
    around = (circuits[:, at + span + AROUND] - circuits[:, at - AROUND]).T
    size, wide = (np.sqrt((one**2).mean(axis=0)) for one in (moves, around))
    tied = (moves * around).mean(axis=0) > TIED * size * wide
    used = np.flatnonzero(tied & (size > max(AS_FAR * size[own], 1e-6)))
    if size[own] < LEAST_W or own not in used:
        return None
    moves, around = moves[:, used], around[:, used]
    mine = int(np.flatnonzero(used == own)[0])
    each = [_fit(moves, around, row[at + span] - row[at], at // STRETCH, mine) for row in mains]
    told = [one for one in each if one is not None]
    if len(told) < len(each):
        return None
    ratio, u, n = (np.array(column) for column in zip(*told, strict=True))
    return Slow(ratio=ratio, u=u, n=int(n.min())) if n.min() >= ENOUGH else None


def _fit(
    moves: Values, around: Values, answer: Values, stretch: NDArray[np.int64], own: int
) -> tuple[float, float, float] | None:
    """Slope of an answer against moves of one circuit, its uncertainty, and stretches that tell."""
    weight = np.ones(answer.size)
    try:
        for _ in range(ROUNDS):
            weighted = (around * weight[:, None]).T
            slope = np.linalg.solve(weighted @ moves, weighted @ answer)
            left = answer - moves @ slope
            bound = BOUND * NORMAL_MAD * float(np.median(np.abs(left))) + 1e-9
            before, weight = weight, np.minimum(1.0, bound / np.maximum(np.abs(left), 1e-9))
            if np.abs(weight - before).max() < 0.01:
                break
        inside = np.abs(left) <= bound
        information = (around * inside[:, None]).T @ moves
        bread = np.linalg.inv(information)[own]
    except np.linalg.LinAlgError:
        return None
    if abs(bread[own] * information[own, own]) > APART:
        return None
    begins = np.flatnonzero(np.r_[True, np.diff(stretch) > 0])
    influence = np.add.reduceat(around @ bread * weight * left, begins)
    tells = np.add.reduceat(np.abs(around[:, own] * moves[:, own]) * inside, begins)
    n = float(tells.sum() ** 2 / max(float((tells**2).sum()), 1e-9))
    return float(slope[own]), float(np.linalg.norm(influence)), n
