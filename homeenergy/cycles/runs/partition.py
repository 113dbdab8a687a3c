"""Which pieces of power make up one run: partitions of a trace, scored as a whole.

A trace above rest is a row of pieces with breaks between them. Each way to part it into runs has a
likelihood: breaks inside a run and between two runs are of different lengths, a piece that
continues a run is shorter than one that is a run, and runs are like those runs of this appliance
that long rests set off. The best partition is found exactly, and how likely each of its runs is
follows from all others. Own method; its constants are wide priors.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import numpy as np
from numpy.typing import NDArray
from scipy.special import bdtrc

from homeenergy.cycles.runs.bridging import Fragments, groups, join_short, merged, sums_of
from homeenergy.cycles.segment import kernels
from homeenergy.cycles.segment.plateaus import Plateaus
from homeenergy.house.kinds import Bridging
from homeenergy.units import S_PER_DAY, S_PER_H

# Valves, reversal of a motor, a lost second: always inside a run. And no run pauses for longer.
ALWAYS_S, LONGEST_S = 5.0, 3600.0
# Such a share of all uses follow another on the same occasion; all others follow at random, so many
# a day before any is known. Median [s] and spread (natural logarithm) of the length, lognormal, of
# a piece that begins a run; those of breaks and of pieces inside are by kind (`Bridging`).
SOON_SHARE = 0.25
PIECE_FIRST = (600.0, 2.0)
USES_A_DAY = 3.0
# A run is worth less than the typical one, which with greater ones makes half of all energy, by so
# many natural units of its logarithm (a spread).
WORTH_SPREAD = 3.0
# What a run is like: how long it is, what it is worth, and what it draws in its first minutes.
OPENING_S = 180.0
# What a run is like before any is known: as many runs as this, anywhere in so many natural units of
# logarithmic length, worth and opening; and kernels are at least so wide.
UNKNOWN_RUNS = 2.0
RUN_RANGE, LEAST_RUN_WIDTH = (5.0, 5.0, 4.0), 0.12
# The same of pieces that continue a run, known from trains of at least so many pieces or from
# breaks that a clock makes, and how much a piece like them, or such a break, can count.
PIECE_RANGE, LEAST_PIECE_WIDTH, LEAST_TRAIN, MOST_LIKENESS = (10.0, 10.0, 10.0), 0.2, 4, 5.0
# A clock makes breaks as long as others within one of these shares, where those about as long
# (within so many times as much) mostly are, where they come by such a chance at most, and as often
# as such a share of occasions, which are parted by `LONGEST_S`.
SAME_BREAK, ABOUT, MOSTLY, BY_CHANCE, OFTEN = (0.005, 0.02, 0.05, 0.12), 4.0, 0.75, 0.001, 0.5
# So many pieces at a time are compared with those known, for the nearest cache.
CHUNK = 256
# Worth less than this is as good as nothing [Wh].
LEAST_WH = 1e-6
# At most so many runs and pieces to compare with, and breaks between two long rests in question:
# the others go by the odds of each alone.
MOST_KNOWN, MOST_PIECES, MOST_BREAKS = 60, 200, 60


def most_likely_runs(
    fragments: Fragments, plateaus: Plateaus, *, bridging: Bridging, idle_w: float
) -> tuple[NDArray[np.bool_], NDArray[np.float64]]:
    """Which neighbouring fragments belong to one run, and how likely the run of each one is.

    Returns
    -------
    joins : array of bool, shape (m - 1,)
    sure : array, shape (m,)
        Probability that a run begins and ends where that of this fragment does, under the model.

    Notes
    -----
    The score of a run is the sum over its breaks of the log densities of a break inside a run and
    of a piece that continues one, and the log ratio by which a run like it is likelier here than
    anywhere; between runs stand the log densities of a break between and of a piece that begins a
    run. How often a run continues is learned with the rest. Long rests part the trace into windows
    that do not depend on each other; within one, dynamic programming over all partitions finds the
    best, and their sum gives probabilities (forward and backward, as for semi-Markov chains). Runs
    to compare with are those that long rests set off, weighed by how likely breaks within
    them are inside; no run is compared with itself. O(m) for a bounded number of breaks between two
    long rests.
    """
    joins = join_short(fragments, short_s=ALWAYS_S)
    joins &= fragments.stop_plateau[:-1] != fragments.first_plateau[1:]
    if joins.all():
        return joins, np.ones(len(fragments))
    rows = groups(joins)
    pieces = merged(fragments, joins)
    cut, likely = _partition(pieces, plateaus, bridging=bridging, idle_w=idle_w)
    joins[rows[1:, 0] - 1] = ~cut
    return joins, np.repeat(likely, rows[:, 1] - rows[:, 0])


def _partition(
    pieces: Fragments, plateaus: Plateaus, *, bridging: Bridging, idle_w: float
) -> tuple[NDArray[np.bool_], NDArray[np.float64]]:
    """Breaks between runs, shape (m - 1,), and how likely the run of each piece is, shape (m,)."""
    break_s = pieces.pause_s.astype(np.float64)
    covered_s = float(plateaus.n.sum()) * plateaus.period_s
    size = np.c_[np.log(np.maximum(pieces.duration_s, pieces.period_s)), _log(pieces.excess_wh)]
    inside = _normal(np.log(break_s), bridging.break_s) + _normal(size[1:, 0], bridging.piece_s)
    first = _normal(size[:, 0], PIECE_FIRST)
    between = _between(break_s, USES_A_DAY / S_PER_DAY, soon_s=bridging.soon_s)
    clocked = _clocked(break_s, period_s=pieces.period_s)
    of_clock = np.isfinite(clocked)
    clocked = np.minimum(clocked, between + MOST_LIKENESS) + _normal(size[1:, 0], bridging.piece_s)
    inside = np.maximum(inside, clocked)
    # How plain it is, by lengths alone, that a break lies inside a run.
    odds = inside - between - first[1:]
    plain = 1 / (1 + np.exp(-odds))

    near = (break_s <= bridging.set_off_s) | of_clock
    set_off = groups(near)
    number = np.repeat(np.arange(len(set_off)), set_off[:, 1] - set_off[:, 0])
    begin, end = set_off.T
    works = sums_of(pieces.works.astype(np.int64), begin, end) > 0
    continued = float(plain[near].sum())
    ended = break_s.size - continued
    goes_on = np.log((continued + UNKNOWN_RUNS) / (ended + UNKNOWN_RUNS))
    inside += goes_on
    plain = 1 / (1 + np.exp(-odds - goes_on))
    between = _between(break_s, max(int(works.sum()), 1) / covered_s, soon_s=bridging.soon_s)
    follows = np.c_[np.log(break_s), size[1:]]
    inside += _likeness_of_pieces(follows, number, plain, works[number], of_clock)

    opening = _log(_opening_wh(pieces, plateaus, idle_w=idle_w))
    known = _some(np.flatnonzero(works), MOST_KNOWN)
    log_plain = np.r_[0.0, np.cumsum(np.where(near, np.log(np.maximum(plain, 1e-12)), 0.0))]
    worth = np.r_[0.0, np.cumsum(np.maximum(pieces.excess_wh, LEAST_WH))]
    lasts_s = (pieces.stop[end - 1] - pieces.first[begin]) * pieces.period_s
    like = np.c_[np.log(lasts_s), np.log(worth[end] - worth[begin]), opening[begin]][known]
    width = _width(like, LEAST_RUN_WIDTH)
    cut = break_s > LONGEST_S
    asked = _in_question(inside - between - first[1:], groups(~cut))
    cut |= ~asked & (inside < between + first[1:])
    windows = groups(~cut)
    likely = np.ones(len(pieces))
    told = (
        asked,
        np.r_[0.0, np.cumsum(inside)],
        between,
        first,
        pieces.first * pieces.period_s,
        pieces.stop * pieces.period_s,
        worth,
        opening / width[2],
        np.r_[0, np.cumsum(pieces.works)],
        number,
        1 / width[0],
        1 / width[1],
        like / width,
        known,
        np.exp(log_plain[end - 1] - log_plain[begin])[known],
        UNKNOWN_RUNS,
        _typical(worth[end] - worth[begin]),
        WORTH_SPREAD,
        _volume(RUN_RANGE, width),
        cut,
        likely,
    )
    # Windows do not depend on each other, and two threads may be in the kernel at once.
    with ThreadPoolExecutor(max_workers=2) as pool:
        halves = (windows[::2], windows[1::2])
        list(pool.map(lambda half: kernels.best_partitions(half, *told), halves))
    return cut, likely


def _clocked(break_s: NDArray[np.float64], *, period_s: float) -> NDArray[np.float64]:
    """Log density of breaks that a clock makes, by logarithm of length; minus infinity elsewhere.

    The pauses of a programme recur to some percent and come once in a run. Breaks between uses are
    of any length, and a timer that switches all day makes one after the other. Counted are breaks
    whose neighbours are of another length, within shares of it that samples can show. By chance
    they come there in proportion to breaks up to e times as long or short (binomial).
    """
    density = np.zeros(break_s.size)
    x = np.log(break_s)
    occasions = 1 + np.count_nonzero(break_s > LONGEST_S)
    for share in SAME_BREAK:
        width = np.maximum(share, period_s / break_s)
        same = np.abs(np.diff(x)) <= ABOUT * np.maximum(width[1:], width[:-1])
        once = ~(np.r_[False, same] | np.r_[same, False]) & (break_s <= LONGEST_S) & (width < 0.5)
        known = np.sort(x[once])
        n, wide = _others_within(x, width, known), _others_within(x, np.ones_like(x), known)
        clocked = once & (bdtrc(n - 1, wide, np.minimum(width, 1.0)) < BY_CHANCE)
        clocked &= n >= MOSTLY * _others_within(x, ABOUT * width, known)
        clocked &= n + 1 >= OFTEN * occasions
        found = n / (2 * width * (known.size + UNKNOWN_RUNS))
        density = np.maximum(density, np.where(clocked, found, 0.0))
    return np.where(density > 0, np.log(np.maximum(density, 1e-9)), -np.inf)


def _others_within(
    x: NDArray[np.float64], width: NDArray[np.float64], known: NDArray[np.float64]
) -> NDArray[np.int64]:
    """How many of the sorted values `known`, but for itself, lie within `width` of each `x`."""
    upto = np.searchsorted(known, x + width, side="right")
    return np.maximum(upto - np.searchsorted(known, x - width) - 1, 0)


def _likeness_of_pieces(
    follows: NDArray[np.float64],
    number: NDArray[np.int64],
    plain: NDArray[np.float64],
    works: NDArray[np.bool_],
    of_clock: NDArray[np.bool_],
) -> NDArray[np.float64]:
    """How much each piece but the first is like those that continue runs elsewhere (log ratio).

    Pieces are compared by the break before them, their length and their worth (`follows`) with
    those that continue one between other long rests (`number`), which count once together.
    """
    pieces = np.bincount(number)
    continues = (number[1:] == number[:-1]) & (plain > 0.5) & works[1:]
    continues &= (pieces[number[1:]] >= LEAST_TRAIN) | of_clock
    known = _some(np.flatnonzero(continues), MOST_PIECES)
    likeness = np.zeros(len(follows))
    if not known.size:
        return likeness
    width = _width(follows[known], LEAST_PIECE_WIDTH)
    of, volume = number[1:][known], _volume(PIECE_RANGE, width)
    trains = np.unique(of)
    others = trains.size - np.isin(number[1:], trains)
    # The logarithm of each kernel at each piece is one product of two matrices.
    x, like = follows / width, follows[known] / width
    ones = np.ones((len(follows), 1))
    x = np.hstack([x, -0.5 * np.sum(x * x, axis=1, keepdims=True), ones])
    like = np.vstack([like.T, ones[: known.size].T, -0.5 * np.sum(like * like, axis=1)])
    for begin in range(0, len(follows), CHUNK):
        at = slice(begin, begin + CHUNK)
        log_kernel = x[at] @ like
        other = number[1:][at, None] != of
        kernel = np.exp(log_kernel) * (other & (log_kernel >= -0.5 * kernels.FAR2))
        n, held = others[at], other.sum(axis=1)
        density = n * kernel.sum(axis=1) / np.maximum(held, 1)
        log_ratio = np.log((density * volume + UNKNOWN_RUNS) / (n + UNKNOWN_RUNS))
        likeness[at] = np.where(held > 0, log_ratio, 0.0)
    return np.minimum(likeness, MOST_LIKENESS)


def _in_question(odds: NDArray[np.float64], windows: NDArray[np.int64]) -> NDArray[np.bool_]:
    """The most doubtful breaks of each window, `MOST_BREAKS` at most."""
    asked = np.ones(odds.size, np.bool_)
    for a, b in windows[windows[:, 1] - windows[:, 0] > MOST_BREAKS + 1]:
        doubt = np.abs(odds[a : b - 1])
        asked[a : b - 1] = doubt <= np.partition(doubt, MOST_BREAKS - 1)[MOST_BREAKS - 1]
    return asked


def _opening_wh(pieces: Fragments, plateaus: Plateaus, *, idle_w: float) -> NDArray[np.float64]:
    """Energy above idle within `OPENING_S` of the start of each piece [Wh]."""
    out = np.empty((len(pieces), 1))
    kernels.sums_within(
        plateaus.first,
        plateaus.stop,
        plateaus.sum_w - idle_w * plateaus.n,
        pieces.first_plateau,
        np.array([OPENING_S / plateaus.period_s]),
        out,
    )
    return out[:, 0] * plateaus.period_s / S_PER_H


def _between(
    break_s: NDArray[np.float64], per_s: float, *, soon_s: tuple[float, float]
) -> NDArray[np.float64]:
    """Log density of breaks between two uses, by logarithm of length."""
    at_random = np.log((1 - SOON_SHARE) * per_s * break_s) - per_s * break_s
    return np.logaddexp(at_random, np.log(SOON_SHARE) + _normal(np.log(break_s), soon_s))


def _normal(log_s: NDArray[np.float64], of: tuple[float, float]) -> NDArray[np.float64]:
    """Log density of a normal distribution of logarithms with median `of[0]` and spread `of[1]`."""
    z = (log_s - np.log(of[0])) / of[1]
    return -0.5 * z * z - np.log(of[1] * np.sqrt(2 * np.pi))


def _log(energy_wh: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.log(np.maximum(energy_wh, LEAST_WH))


def _typical(worth: NDArray[np.float64]) -> float:
    """Worth above which half of the energy is spent."""
    return kernels.weighted_quantile(worth, worth, worth.sum() / 2)


def _some(which: NDArray[np.int64], most: int) -> NDArray[np.int64]:
    """`most` of them at even distances, or all."""
    if which.size <= most:
        return which
    return which[np.linspace(0, which.size - 1, most).round().astype(np.int64)]


def _width(known: NDArray[np.float64], least: float) -> NDArray[np.float64]:
    """Width of Gaussian kernels by dimension: the normal rule, by a robust spread (Scott 2015)."""
    n, dimensions = known.shape
    if not n:
        return np.full(dimensions, least)
    spread = 1.4826 * np.median(np.abs(known - np.median(known, axis=0)), axis=0)
    if n <= 2:
        spread = np.zeros(dimensions)
    spread = np.maximum(spread, known.std(axis=0) / 3)
    return np.maximum(least, spread * n ** (-1 / (dimensions + 4)))


def _volume(ranges: tuple[float, ...], width: NDArray[np.float64]) -> float:
    """Volume of `ranges`, by that which a kernel of `width` fills."""
    return float(np.prod(ranges) / np.prod(width * np.sqrt(2 * np.pi)))
