"""What explains what the mains and the circuits show of each other: the fewest faults that do."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import combinations, permutations
from math import exp, inf, log

import numpy as np
from numpy.typing import NDArray

from homeenergy.house.clamp_errors import CLAMP_LIMIT

Values = NDArray[np.float64]

# Standard uncertainty of an ordinary clamp, of limits CLAMP_LIMIT with the same density between.
TOLERANCE = CLAMP_LIMIT / np.sqrt(3)
FLOOR = 0.01  # of a ratio: what clocks and slow rises leave in it. Own assumption.
# Costs are -2 log odds. Own assumption: one clamp in fifty is wrong, in one of five simple ways.
FAULT = 2 * log(50)
SIMPLE = FAULT + 2 * log(5)
# A factor of its own is one of as many as a clamp can tell apart between a tenth and ten.
FACTOR = FAULT + 2 * log(log(100) / (4 * TOLERANCE))
SILENT = 2 * log(5)  # that a clamp of the mains which reads nothing at all is dead. Own assumption.
MOST_DIFFERENCE = 100.0  # of costs: beyond it odds are as good as certain
METER_MOST = 15.0  # one wrong reading of the meter must not outweigh every step
FED_IN = 12.0  # that power is fed in which no circuit shows
SIMPLE_FACTORS = (-1.0, 0.5, 2.0, -0.5, -2.0)
MOST_FREEDOM = 200.0
ODDS_TO_ACT = 20.0
LEAST_SHARE = 0.15  # of a load on a leg
NO_FACTOR = "not fed", "clipped", "one leg of two", "difference"  # readings that none mends
WIRING = 0.12  # a ratio farther from 1 than clamps err comes from how things are wired


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Family:
    """Steps of one circuit that the mains answer in the same way.

    `ratio` is the rise of each mains clamp over the step, `u` its standard uncertainty, shape
    (mains,); `n` the number of steps. Of a load that changes `slowly`, hours stand for steps.
    """

    ratio: Values
    u: Values
    n: int
    slowly: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Seen:
    """What is known of one circuit: families of steps, stated legs (positions), bench.

    `reads` and `reads_u` are what the bench says its clamp reads of the truth; `ceiling` whether
    its clamp ends, where its load goes on, `flat` whether its highest readings are the same to the
    last digit. Where `legs` is empty, none are stated.
    """

    name: str
    families: tuple[Family, ...]
    legs: tuple[int, ...]
    reads: float = 1.0
    reads_u: float = inf
    ceiling: bool = False
    flat: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """How a circuit's clamp reads: `kind` in words, `factor` times the truth, whether on `legs`.

    `factor` is NaN where no one factor is. `odds` are those against a clamp that is right.
    """

    kind: str
    factor: float = 1.0
    other_leg: bool = False
    cost: float = 0.0
    odds: float = 1.0

    @property
    def right(self) -> bool:
        """Whether nothing is wrong with it."""
        return self.kind == "right" and not self.other_leg


@dataclass(frozen=True, slots=True, kw_only=True)
class MainsFault:
    """Something wrong with a clamp of the mains, or with two: positions, kind, factor, odds."""

    kind: str
    clamps: tuple[int, ...]
    factor: float = 1.0
    odds: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Mains:
    """A state of the mains' clamps: they read `matrix` times the power of the legs."""

    matrix: Values
    faults: tuple[MainsFault, ...] = ()
    cost: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Explanation:
    """The likeliest state of a panel.

    Attributes
    ----------
    matrix : numpy.ndarray, shape (mains, legs)
        What each clamp of the mains reads of each leg.
    mains : tuple of MainsFault
    circuits : dict of Reading
    rival : tuple of MainsFault or None
        Another state of the mains that explains nearly as much; None where there is none.
    """

    matrix: Values
    mains: tuple[MainsFault, ...]
    circuits: dict[str, Reading]
    rival: tuple[MainsFault, ...] | None = None
    inverse: Values = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "inverse", np.linalg.pinv(self.matrix))

    @property
    def mends(self) -> tuple[float, ...]:
        """What each clamp's readings are multiplied with in the sum of the mains.

        A factor that clamps may differ by, and any whose odds do not let it be acted on, is left as
        it is: the meter is there to judge it.
        """
        return self._mended(self.small)

    @property
    def mends_small(self) -> tuple[float, ...]:
        """The same with factors that clamps may differ by corrected too."""
        return self._mended(())

    @property
    def small(self) -> tuple[MainsFault, ...]:
        """Factors of mains clamps that clamps may differ by."""
        return tuple(f for f in self.mains if f.kind == "factor" and abs(f.factor - 1) < WIRING)

    def _mended(self, left: Sequence[MainsFault]) -> tuple[float, ...]:
        matrix = self.matrix.copy()
        for fault in self.mains:
            if fault in left or fault.odds < ODDS_TO_ACT:
                matrix[list(fault.clamps)] = np.eye(len(matrix))[list(fault.clamps)]
        return tuple(np.linalg.pinv(matrix).sum(axis=0).round(9).tolist())

    @property
    def whole(self) -> bool:
        """Whether the mains' clamps show all of the supply, whatever is wrong with them."""
        return int(np.linalg.matrix_rank(self.matrix)) == len(self.matrix)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Energy:
    """Mean power of each mains clamp [W]; of the meter over the same time, with its uncertainty.

    `equal` lists pairs of clamps whose readings are the same all along; `feeding` is whether a
    circuit is known to feed in.
    """

    mains_w: Values
    meter_w: float = float("nan")
    meter_u_w: float = inf
    metered_w: Values | None = None
    equal: tuple[tuple[int, int], ...] = ()
    feeding: bool = False


def explain(seen: Sequence[Seen], energy: Energy) -> Explanation:
    """Find the fewest faults of mains and circuits that explain steps, bench and meter.

    Parameters
    ----------
    seen : sequence of Seen
    energy : Energy

    Returns
    -------
    Explanation

    Notes
    -----
    Own method. A panel is a matrix W, what each mains clamp reads of each leg, and for each circuit
    a factor r, what its clamp reads of the truth, with shares s of its load on the legs. A step of
    the circuit's reading makes the mains rise by W s / r for each watt. A state costs -2 log odds
    of its faults, plus the misfit of each family of steps (Student's t, so that few steps
    decide little), of the bench, of the meter and of the sign of each leg's energy. For given
    mains, circuits are independent, so every state of the mains with at most two faults is tried,
    each with the best reading of every circuit, as far as it can still matter: an exhaustive
    search. Odds of a fault compare with the best state without it. O(states x circuits).
    """
    states = list(_states(seen, energy))
    tried: list[tuple[float, dict[str, Reading]]] = []
    least = inf
    for state in states:
        tried.append(_with_circuits(state, seen, energy, most=least + MOST_DIFFERENCE))
        least = min(least, tried[-1][0])
    costs = np.array([cost for cost, _ in tried])
    at = int(np.argmin(costs))
    best, readings = states[at], tried[at][1]
    mains = tuple(
        MainsFault(
            kind=fault.kind,
            clamps=fault.clamps,
            factor=fault.factor,
            odds=_odds(
                min(c for c, s in zip(costs, states, strict=True) if not _has(s, fault)) - costs[at]
            ),
        )
        for fault in best.faults
    )
    others = [
        (cost, s.faults)
        for cost, s in zip(costs, states, strict=True)
        if {(f.kind, f.clamps) for f in s.faults} != {(f.kind, f.clamps) for f in best.faults}
    ]
    rival = min(others, key=lambda one: one[0], default=(inf, ()))
    near = _odds(rival[0] - costs[at]) < ODDS_TO_ACT
    return Explanation(
        matrix=best.matrix, mains=mains, circuits=readings, rival=rival[1] if near else None
    )


def _odds(difference: float) -> float:
    return exp(min(difference, MOST_DIFFERENCE) / 2)


def _has(state: Mains, fault: MainsFault) -> bool:
    return any(f.kind == fault.kind and f.clamps == fault.clamps for f in state.faults)


def _states(seen: Sequence[Seen], energy: Energy) -> Iterable[Mains]:
    """Mains without fault, with one and with two; a later fault changes rows of its own."""
    n = energy.mains_w.size
    nothing = np.eye(n)
    yield Mains(matrix=nothing)
    single = list(_single_faults(seen, energy))
    for cost, fault, rows in single:
        matrix = nothing.copy()
        matrix[list(rows)] = list(rows.values())
        yield Mains(matrix=matrix, faults=(fault,), cost=cost)
    for (cost, one, rows), (more, two, others) in combinations(single, 2):
        if rows.keys() & others.keys():
            continue
        matrix = nothing.copy()
        for own in (rows, others):
            matrix[list(own)] = list(own.values())
        yield Mains(matrix=matrix, faults=(one, two), cost=cost + more)


def _single_faults(
    seen: Sequence[Seen], energy: Energy
) -> Iterable[tuple[float, MainsFault, dict[int, Values]]]:
    n = energy.mains_w.size
    unit = np.eye(n)
    for j in range(n):
        # With three phases, the voltage of another leg makes -1/2 of the power of a heater.
        for factor in (-1.0, 0.5, 2.0, -0.5)[: 4 if n == 3 else 3]:
            yield (
                SIMPLE,
                MainsFault(kind="factor", clamps=(j,), factor=factor),
                {j: factor * unit[j]},
            )
        for factor in _own_factors(seen, energy, j):
            yield (
                FACTOR,
                MainsFault(kind="factor", clamps=(j,), factor=factor),
                {j: factor * unit[j]},
            )
        if abs(energy.mains_w[j]) < 1:
            yield SILENT, MainsFault(kind="dead", clamps=(j,)), {j: 0 * unit[j]}
        if n == 2:
            k = 1 - j
            yield SIMPLE, MainsFault(kind="cancelling", clamps=(j, k)), {j: unit[j] - unit[k]}
            yield SIMPLE, MainsFault(kind="both legs", clamps=(j, k)), {j: unit[j] + unit[k]}
    for j, k in permutations(range(n), 2):
        if j < k:
            yield FAULT, MainsFault(kind="swapped", clamps=(j, k)), {j: unit[k], k: unit[j]}
        if (min(j, k), max(j, k)) in energy.equal:
            yield FAULT, MainsFault(kind="same leg", clamps=(j, k)), {j: unit[k]}


def _own_factors(seen: Sequence[Seen], energy: Energy, clamp: int) -> list[float]:
    """Factors of a mains clamp that circuits on its leg, or the meter, ask for."""
    asked = []
    for one in seen:
        for family in one.families:
            size = np.abs(family.ratio)
            on = size > 0.3 * size.max()
            if on[clamp] and size.max() > 0.15 and np.isfinite(family.u[clamp]):
                asked.append(float(size[clamp] * on.sum()))
    found = [float(np.median(asked))] if asked else []
    if energy.metered_w is not None and np.isfinite(energy.meter_w):
        left = energy.meter_w - (energy.metered_w.sum() - energy.metered_w[clamp])
        if left > 0 and energy.metered_w[clamp] > 0:
            found.append(float(energy.metered_w[clamp] / left))
    return [f for f in found if all(abs(f / simple - 1) > 0.03 for simple in (1.0, 0.5, 2.0))]


def _with_circuits(
    state: Mains, seen: Sequence[Seen], energy: Energy, *, most: float
) -> tuple[float, dict[str, Reading]]:
    """Cost of a state with the best readings of circuits, of no more once it exceeds `most`."""
    cost = state.cost + _energy_cost(state.matrix, energy)
    readings = {}
    for one in seen:
        if cost > most:
            break
        readings[one.name] = read = _best_reading(one, state.matrix)
        cost += read.cost
    return cost, readings


def _energy_cost(matrix: Values, energy: Energy) -> float:
    inverse = _inverse(matrix)
    legs_w = inverse @ energy.mains_w
    cost = 0.0 if energy.feeding else FED_IN * float((legs_w < -5).sum())
    if energy.metered_w is None or not np.isfinite(energy.meter_w):
        return cost
    if np.linalg.matrix_rank(matrix) < len(matrix):
        return cost
    expected = float((inverse @ energy.metered_w).sum())
    scale = np.hypot(energy.meter_u_w, TOLERANCE * abs(expected))
    return cost + min(((energy.meter_w - expected) / scale) ** 2, METER_MOST)


def _best_reading(one: Seen, matrix: Values) -> Reading:
    """The cheapest reading of a circuit under given mains, with its odds against a right one."""
    if not one.families:
        return Reading(kind="right")
    every = tuple(range(matrix.shape[1]))
    stated = one.legs or every
    factors = np.array([1.0, *SIMPLE_FACTORS])
    prices = np.array(
        [0.0, *[SIMPLE + (4.0 if f in (-0.5, -2.0) else 0.0) for f in SIMPLE_FACTORS]]
    )
    own = _own_factor(one, matrix)
    if own is not None:
        factors, prices = np.r_[factors, own], np.r_[prices, FACTOR]
    bench = np.zeros(factors.size)
    if np.isfinite(one.reads_u):
        scale = np.hypot(one.reads_u, FLOOR) * np.abs(factors)
        bench = np.minimum(((factors - one.reads) / scale) ** 2, METER_MOST)
    found = []
    sorts = sum(not family.slowly for family in one.families)
    for legs, price in ((stated, 0.0), (every, FAULT)):
        if price and len(legs) == len(stated):
            continue
        each = np.array([_misfit(f, factors, legs, matrix) for f in one.families])
        costs = each.sum(axis=0) + prices + bench + price
        for factor, cost in zip(factors, costs, strict=True):
            kind = "right" if factor == 1 else "factor"
            found.append(
                Reading(kind=kind, factor=float(factor), other_leg=price > 0, cost=float(cost))
            )
        if sorts > 1 and len(legs) > 1:
            pair = min(each[:, [0, k]].min(axis=1).sum() for k in (2, 3))  # doubled or not
            mixed = pair + SIMPLE + bench[0] + price
            found.append(
                Reading(
                    kind="one leg of two", factor=np.nan, other_leg=price > 0, cost=float(mixed)
                )
            )
    if sorts > 1 and len(every) > 1:
        cost = sum(_misfit_of_difference(f, matrix) for f in one.families)
        found.append(Reading(kind="difference", factor=np.nan, cost=cost + SIMPLE + bench[0]))
    nothing = sum(_misfit_of_nothing(f) for f in one.families)
    found.append(Reading(kind="not fed", factor=np.nan, cost=float(nothing + bench[0]) + FAULT))
    if one.ceiling or one.flat:
        ends = _misfit_of_clipped(one, stated, matrix) + (FAULT if one.ceiling else SIMPLE) + 2.0
        found.append(Reading(kind="clipped", factor=np.nan, cost=ends))
    best = min(found, key=lambda read: read.cost)
    return Reading(
        kind=best.kind,
        factor=best.factor,
        other_leg=best.other_leg,
        cost=best.cost,
        odds=_odds(found[0].cost - best.cost),
    )


def _own_factor(one: Seen, matrix: Values) -> float | None:
    """What the clamp reads of the truth, if it is none of the simple factors."""
    inverse = _inverse(matrix)
    total = [float((inverse @ f.ratio).sum()) for f in one.families]
    weight = [
        f.n / (FLOOR**2 + float((f.u**2).sum())) if np.isfinite(f.u).all() else 0.0
        for f in one.families
    ]
    if not sum(weight):
        return None
    mean = float(np.average(total, weights=weight))
    return None if abs(mean) < 0.02 else 1 / mean


def _misfit(family: Family, factors: Values, legs: Sequence[int], matrix: Values) -> Values:
    """Misfit of one family for each factor, with the shares on the legs that fit best."""
    used = np.isfinite(family.u)
    if not used.any():
        return np.zeros(factors.size)
    seen: Values = factors[:, None] * family.ratio[used]
    reads: Values = matrix[used][:, np.array(legs)]
    expected: Values = np.asarray(_shares(seen, reads) @ reads.T, dtype=np.float64)
    scale = np.hypot(factors[:, None] * family.u[used], FLOOR)
    scale = np.hypot(scale, np.sqrt(2) * TOLERANCE * np.abs(expected))
    square = (((seen - expected) / scale) ** 2).sum(axis=1)
    return _student(square, family.n)


def _student(square: Values, n: int) -> Values:
    freedom = min(max(n - 1.0, 1.0), MOST_FREEDOM)
    return np.asarray((freedom + 1) * np.log1p(square / freedom))


def _shares(seen: Values, matrix: Values) -> Values:
    """Shares of a load on legs, none below zero, that add up to one: least squares, by faces.

    `seen` has shape (k, mains), `matrix` (mains, legs); gives (k, legs).
    """
    k, n = seen.shape[0], matrix.shape[1]
    best, least = np.zeros((k, n)), np.full(k, np.inf)
    for some, end, inverse in _faces(matrix.tobytes(), matrix.shape):
        found = np.zeros((k, n))
        if some:
            found[:, some] = (seen - matrix[:, end]) @ inverse
        found[:, end] = 1 - found.sum(axis=1)
        error = ((seen - found @ matrix.T) ** 2).sum(axis=1)
        better = (found > -1e-9).all(axis=1) & (error < least)
        best[better], least[better] = found[better], error[better]
    return best


@lru_cache(maxsize=4096)
def _faces(matrix: bytes, shape: tuple[int, int]) -> list[tuple[list[int], int, Values]]:
    """Sets of legs that a load may be on: all but one, that one, and what gives their shares."""
    reads = np.frombuffer(matrix).reshape(shape)
    faces = []
    for size in range(1, shape[1] + 1):
        for face in combinations(range(shape[1]), size):
            *some, end = face
            free = reads[:, some] - reads[:, end][:, None]
            inverse = np.linalg.pinv(free).T if some else free.T
            faces.append((some, end, np.asarray(inverse, dtype=np.float64)))
    return faces


def _inverse(matrix: Values) -> Values:
    return _inverse_of(matrix.tobytes(), matrix.shape)


@lru_cache(maxsize=4096)
def _inverse_of(matrix: bytes, shape: tuple[int, int]) -> Values:
    return np.asarray(np.linalg.pinv(np.frombuffer(matrix).reshape(shape)))


def _misfit_of_nothing(family: Family) -> float:
    used = np.isfinite(family.u)
    square = ((family.ratio[used] / np.hypot(family.u[used], 2 * FLOOR)) ** 2).sum()
    return float(_student(np.asarray(square), family.n))


def _misfit_of_difference(family: Family, matrix: Values) -> float:
    """A clamp on what two circuits share reads one of them, on its leg, less the other on its."""
    factors = np.array([1.0, -1.0])
    return min(float(_misfit(family, factors, (j,), matrix).min()) for j in range(matrix.shape[1]))


def _misfit_of_clipped(one: Seen, legs: Sequence[int], matrix: Values) -> float:
    """A clamp at its end reads less than there is: any factor below one fits, on its own legs."""
    factors = np.linspace(0.3, 0.99, 70)
    return sum(float(_misfit(f, factors, legs, matrix).min()) for f in one.families)


def leg_shares(one: Seen, read: Reading, matrix: Values) -> tuple[Values, float]:
    """Shares of a circuit's load on the legs, as its steps show, and the odds of these legs.

    The odds are those against the legs that it is not found on; infinite where there is one leg.
    """
    n = matrix.shape[1]
    factors = np.array([read.factor if np.isfinite(read.factor) else 1.0])
    every, shares, others = tuple(range(n)), np.zeros(n), np.zeros(n)
    weights = np.array([family.n for family in one.families], dtype=np.float64)
    found = np.array(
        [
            _shares(_scaled(f, read), matrix)[0] if np.isfinite(f.u).all() else others
            for f in one.families
        ]
    )
    shares = (weights[:, None] * found).sum(axis=0) / weights.sum()
    on = shares > LEAST_SHARE
    rest = [leg for leg in every if not on[leg]]
    if not rest or not on.any():
        return shares, inf
    legs = tuple(leg for leg in every if on[leg])
    here, there = (
        sum(float(_misfit(f, factors, some, matrix)[0]) for f in one.families)
        for some in (legs, rest)
    )
    return shares, _odds(there - here)


def _scaled(family: Family, read: Reading) -> Values:
    """Ratios of a family times the factor that makes them those of the truth, shape (1, mains)."""
    if np.isfinite(read.factor):
        return read.factor * family.ratio[None]
    total = np.abs(family.ratio).sum()
    return family.ratio[None] / total if total > 0 else family.ratio[None]
