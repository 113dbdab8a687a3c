"""When a load was on, from the temperature of a body that it warms: wire, motor, pipe or flue.

The body is of first order (own method; a lumped heat capacity, Newton's law of cooling): above its
surroundings it tends to `rise` while the load is on and to 0 while it is off, with a time constant
for each. What the surroundings do, weather and sun among it, is a slow random walk, of level and of
slope.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from homeenergy.readings.trace import Trace

# Own choices, in units of what is learned.
LEARNED_FROM = 40_000  # samples, of which the busiest stretch is taken
LONGEST_GAP = 3.0  # time constants; a longer one parts the log
REACH = 3.0  # time constants on either side of an instant that are fitted
SLOWEST_S = 7200.0  # time constant, from where on a warm body is like the sun of a day
LEAST_RISE = 6.0  # noises; below it nothing is warm
# Of the rise, by which surroundings drift in a time constant, and by which their slope bends.
WANDERS = ((0.03, 0.0), (0.1, 0.0))
WANDERS_FINE = tuple(product((0.003, 0.01, 0.03, 0.1), (0.0, 0.01, 0.03, 0.1)))
WANDERS_ALONE = tuple(product((0.03, 0.1, 0.3, 1.0, 3.0), (0.0,)))  # ... alone to explain all
SHARES = (0.4, 0.6, 0.8, 1.0, 1.3)  # of how far it moves in three time constants: the rise
LEAST_MOVE = 0.5  # of the rise, by which nothing settled moves in a time constant
SAME_RISE = 0.25  # of the rise, by which that of an instant may differ and be the load's
INEXACT = 0.02  # of the rise, by which the body is not of first order
UNSURE = 0.01  # of a time constant: what it is unsure by, as instants feel it
MEANS_OF = (1, 4, 16)  # samples, of which those that show most switches are taken
MOST_REFINED = 60  # instants that time constants are learned from
LEAST_SAMPLES = 4  # such means in a time constant
# Variances of a step of surroundings, by that of a reading.
WALKS = (0.0, 1e-5, 1e-4, 1e-3, 1e-2, 1e-1, 1.0)
YOUNG = 0.3  # time constants, for which what switched and what did not are both followed
_STEPS = 24  # instants that are tried on either side of one
Numbers = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Body:
    """What was learned of a warm body, and when it was heated.

    Attributes
    ----------
    warming_s, cooling_s : float
        Time constants while the load is on and off [s]; NaN where it was never seen on.
    rise_c : float
        How far above its surroundings it would settle [K].
    noise_c : float
        Of a reading, one standard deviation [K].
    start_s, end_s : numpy.ndarray, shape (n_runs,)
        From the beginning of the trace [s].
    start_uncertainty_s, end_uncertainty_s : numpy.ndarray, shape (n_runs,)
        Standard uncertainty of each [s]; NaN where a run begins or ends with the log or a gap.
    complete : numpy.ndarray of bool, shape (n_runs,)
    in_doubt : numpy.ndarray of bool, shape (n_runs,)
        Whether it begins or ends with another rise than the load's, or moves in the meantime, as
        where the sun comes and goes, or something else warms the body.
    """

    warming_s: float
    cooling_s: float
    rise_c: float
    noise_c: float
    start_s: Numbers
    end_s: Numbers
    start_uncertainty_s: Numbers
    end_uncertainty_s: Numbers
    complete: NDArray[np.bool_]
    in_doubt: NDArray[np.bool_]


class _Instant(NamedTuple):
    """An instant at which a state begins [s], and the step of level there [K]."""

    state: int
    at_s: float
    unsure_s: float = np.nan
    step_c: float = np.nan
    unsure_c: float = np.nan

    def is_other(self, rise: float) -> bool:
        """Whether something else than the load switched."""
        return abs(abs(self.step_c) - rise) > SAME_RISE * rise + 2 * self.unsure_c


def find_switching(trace: Trace) -> Body:
    """When a load was on, from the temperature of what it warms.

    Parameters
    ----------
    trace : Trace
        Its samples are degrees Celsius, each read at its instant; NaN = missing.

    Returns
    -------
    Body
        Without runs where the temperature shows no warming.

    Notes
    -----
    Own method. States are the likeliest sequence of on and off, each with a Kalman filter of
    excess, surroundings and their slope (Viterbi search; besides the best that switched long ago,
    the best that switched lately survives, as a short pause tells of itself by what follows it); a
    switch costs log(n), as in the Bayesian information criterion (Schwarz 1978). By how much level
    and slope wander is what is likeliest. Surroundings that wander more freely, without any switch,
    must be less likely than that. Time constants and rise are those of the greatest likelihood,
    then refined on the instants found. Of a body that is slow for its samples, one tells little of
    a switch: means of 4 and of 16 are looked at too, as long as a time constant has four, and those
    taken that show most switches of the load.

    Each instant is fitted with the closed form on both sides of it, the temperatures before, at the
    beginning and after and a steady drift being free, and surroundings a random walk as large as is
    likeliest around it (generalised least squares); its uncertainty follows from the curvature of
    the sum of squares, widened for residuals that are autocorrelated, from the sampling, and from
    what the time constants are unsure by (own assumption). A load warms the body by the same each
    time: an instant at which the level steps by another amount, beyond a quarter of the rise and
    twice the step's standard uncertainty, is in doubt; so is a run in which the temperature moves
    by half the rise within a time constant after it has settled. O(samples).
    """
    celsius, dt = trace.watts.astype(np.float64), trace.period_s
    noise = _noise(celsius)
    taus, rise = (np.nan, np.nan), np.nan
    instants: list[_Instant] = []
    for many in MEANS_OF:
        if many * dt > max(taus) / LEAST_SAMPLES:  # never where none was found
            break
        tried_taus, tried_rise, found = _switched(_means(celsius, many), dt * many)
        edges = [(many * at, state, known) for at, state, known in found]
        tried = [_instant(celsius, dt, edges, n, tried_taus) for n in range(len(edges))]
        if _count_of_load(tried, tried_rise) > _count_of_load(instants, rise):
            taus, rise, instants = tried_taus, tried_rise, tried
    return _body(celsius, dt, taus, rise, noise, instants)


def _count_of_load(instants: list[_Instant], rise: float) -> int:
    """How many instants step by what the load warms."""
    return sum(not one.is_other(rise) for one in instants)


def _means(celsius: Numbers, many: int) -> Numbers:
    """Means of so many samples each; NaN where one of them is missing."""
    whole = celsius.size // many * many
    return celsius[:whole].reshape(-1, many).mean(axis=1)


def _switched(
    celsius: Numbers, dt: float
) -> tuple[tuple[float, float], float, list[tuple[int, int, bool]]]:
    """Time constants, rise and edges; no edges where nothing warms."""
    noise = _noise(celsius)
    part = _busiest(celsius)
    rise, tau, wander = _first_guess(part, dt, noise)
    if not rise > LEAST_RISE * noise:
        return (np.nan, np.nan), np.nan, []
    taus = (tau, tau)
    for _ in range(2):
        edges = _edges(_states(part, dt, taus, rise, noise, wander=wander))
        if not edges:
            break
        taus, rise = _refine(part, dt, edges, taus, rise)
        decay = *_factors(taus, dt), rise, noise, dt / max(taus)
        wander = min(WANDERS_FINE, key=lambda one: _track(part, *decay, *one)[0])
    decay = *_factors(taus, dt), rise, noise, dt / max(taus)
    found = _track(part, *decay, *wander)[0]
    if (
        not rise > LEAST_RISE * noise
        or not dt < max(taus) <= SLOWEST_S
        or found > min(_track(part, *decay, *more, False)[0] for more in WANDERS_ALONE)
    ):
        return (np.nan, np.nan), np.nan, []
    return taus, rise, _edges(_states(celsius, dt, taus, rise, noise, wander=wander))


def _noise(celsius: Numbers) -> float:
    """Scatter of a reading [K], from second differences; at least what its last digit leaves."""
    seen = celsius[~np.isnan(celsius)]
    steps = np.abs(np.diff(np.unique(np.round(seen, 4))))
    digit = float(steps.min()) if steps.size else 0.0
    second = np.diff(celsius, 2)
    second = second[~np.isnan(second)]
    spread = 1.4826 * float(np.median(np.abs(second))) / 6**0.5 if second.size else 0.0
    return max(spread, digit / 12**0.5, 1e-3)


def _busiest(celsius: Numbers) -> Numbers:
    """The stretch in which the temperature moves most, from a reading on."""
    at = 0
    if celsius.size > LEARNED_FROM:
        moved = np.concatenate(([0.0], np.nancumsum(np.abs(np.diff(celsius)))))
        at = int(np.argmax(moved[LEARNED_FROM:] - moved[:-LEARNED_FROM]))
    part = celsius[at : at + LEARNED_FROM]
    return part[int(np.argmin(np.isnan(part))) :] if part.size else part


def _first_guess(
    celsius: Numbers, dt: float, noise: float
) -> tuple[float, float, tuple[float, float]]:
    """Rise, time constant and drift of the greatest likelihood, of a coarse grid."""
    best = (np.inf, 0.0, 0.0, WANDERS[0])
    tau = 2.0 * dt
    while tau * 20 < celsius.size * dt and tau <= SLOWEST_S:
        lag = max(round(3 * tau / dt), 1)
        moved = np.abs(celsius[lag:] - celsius[:-lag])
        moved = moved[~np.isnan(moved)]
        usual = float(np.quantile(moved, 0.99)) / 0.95 if moved.size else 0.0
        for share, wander in product(SHARES, WANDERS):
            rise = share * usual
            if rise > LEAST_RISE * noise:
                cost = _track(celsius, *_factors((tau, tau), dt), rise, noise, dt / tau, *wander)[0]
                best = min(best, (cost, rise, tau, wander))
        tau *= 1.4
    return best[1:]


def _factors(taus: tuple[float, float], dt: float) -> tuple[float, float]:
    """What is left of an excess after one sample, while on and while off."""
    return float(np.exp(-dt / taus[0])), float(np.exp(-dt / taus[1]))


def _states(
    celsius: Numbers,
    dt: float,
    taus: tuple[float, float],
    rise: float,
    noise: float,
    *,
    wander: tuple[float, float],
) -> NDArray[np.int8]:
    """1 where on, 0 where off, -1 in long gaps, of which nothing is known."""
    states = np.full(celsius.size, -1, dtype=np.int8)
    longest = LONGEST_GAP * max(taus) / dt
    there = np.flatnonzero(~np.isnan(celsius))
    cuts = np.flatnonzero(np.diff(there) > longest)
    for first, last in zip(np.r_[0, cuts + 1], np.r_[cuts, there.size - 1], strict=True):
        piece = slice(there[first], there[last] + 1)
        found = _track(celsius[piece], *_factors(taus, dt), rise, noise, dt / max(taus), *wander)[1]
        states[piece] = found
    return states


@njit(cache=True)
def _forward(old, a, target, reading, inexact, drift, bends, white):  # type: ignore[no-untyped-def]
    """One step of the filter of excess (e), surroundings (s) and their slope (k); what it costs."""
    e, s, k, ee, es, ek, ss, sk, kk = old
    e, s = a * e + (1 - a) * target, s + k
    ee, es, ek = a * a * ee + inexact, a * (es + ek), a * ek
    ss, sk, kk = ss + 2 * sk + kk + drift, sk + kk, kk + bends
    cost = 0.0
    if reading == reading:  # not missing
        pe, ps, pk = ee + es, es + ss, ek + sk
        scatter = pe + ps + white
        error = reading - e - s
        cost = np.log(scatter) + error * error / scatter
        ge, gs, gk = pe / scatter, ps / scatter, pk / scatter
        e, s, k = e + ge * error, s + gs * error, k + gk * error
        ee, es, ek = ee - ge * pe, es - ge * ps, ek - ge * pk
        ss, sk, kk = ss - gs * ps, sk - gs * pk, kk - gk * pk
    return cost, (e, s, k, ee, es, ek, ss, sk, kk)


@njit(cache=True)
def _track(celsius, warm, cool, rise, noise, share, wander, bend, may_switch=True):  # type: ignore[no-untyped-def]
    """Cost of the likeliest states (twice the negative log likelihood), and those states.

    Four survivors: off and on, each switched long ago or lately. What switched lately is compared
    with what did not only after `YOUNG`, since a short pause tells of itself by what follows it.
    """
    n = celsius.size
    came = np.zeros((n, 4), dtype=np.int8)
    drift, bends = (wander * rise) ** 2 * share, 3 * (bend * rise) ** 2 * share**3
    switch, grown, white = np.log(n), max(round(YOUNG / share), 1), noise * noise
    inexact, some = (INEXACT * rise) ** 2, (0.3 * rise) ** 2
    age, new_age = np.zeros(4, dtype=np.int64), np.zeros(4, dtype=np.int64)
    cost, new_cost = np.array([0.0, 0.0, np.inf, np.inf]), np.empty(4)
    bent = (rise * share) ** 2 if bend > 0 else 0.0
    off = (0.0, celsius[0], 0.0, some, 0.0, 0.0, some, 0.0, bent)
    on = (rise, celsius[0] - rise, 0.0, some, 0.0, 0.0, some, 0.0, bent)
    kept, new = [off, on, off, on], [off, on, off, on]
    for k in range(1, n):
        new_cost[:] = np.inf
        for v in range(4):
            if cost[v] == np.inf:
                continue
            for u in range(2):
                stays = u == v % 2
                if not stays and not may_switch:
                    continue
                a = warm if u else cool
                more, there = _forward(
                    kept[v], a, rise * u, celsius[k], inexact * (1 - a * a), drift, bends, white
                )
                total = cost[v] + more + (0.0 if stays else switch)
                old = age[v] + 1 if stays else 0
                slot = u if stays and (v < 2 or old >= grown) else 2 + u
                if total < new_cost[slot]:
                    new_cost[slot], new_age[slot], came[k, slot], new[slot] = total, old, v, there
        kept, new = new, kept
        cost, new_cost = new_cost, cost
        age, new_age = new_age, age
    states = np.empty(n, dtype=np.int8)
    slot = int(np.argmin(cost))
    least = cost[slot]
    for k in range(n - 1, -1, -1):
        states[k] = slot % 2
        slot = int(came[k, slot])
    return least, states


def _edges(states: NDArray[np.int8]) -> list[tuple[int, int, bool]]:
    """Sample at which each state begins, the state, and whether it follows a known one."""
    at = np.flatnonzero(np.diff(states)) + 1
    return [(int(k), int(states[k]), bool(states[k - 1] >= 0 and states[k] >= 0)) for k in at]


@njit(cache=True)
def _misfit(celsius, first, stop, at, tau_before, tau_after, dt, walk):  # type: ignore[no-untyped-def]
    """Sum of squares of the closed form with a switch at `at` [s], and what goes with it.

    Free are the temperature at the beginning, the step of level and a steady drift; surroundings
    are a random walk, a step of which has `walk` times the variance of a reading. Given are the sum
    of squares, that of neighbours' products, how many, the step, its variance for readings with a
    variance of 1, and the logarithm of the determinant.
    """
    normal, right, row, level = np.zeros((3, 3)), np.zeros(3), np.empty(4), np.zeros(4)
    rows, count = np.zeros((stop - first, 4)), 0
    until = np.exp(-(at - first * dt) / tau_before)
    unsure, started, logs = 0.0, False, 0.0
    for k in range(first, stop):
        unsure += walk
        if np.isnan(celsius[k]):
            continue
        t = k * dt
        row[3] = celsius[k]
        if t < at:
            row[0], row[1] = np.exp(-(t - first * dt) / tau_before), 0.0
        else:
            left = np.exp(-(t - at) / tau_after)
            row[0], row[1] = until * left, 1 - left
        row[2] = (t - at) / (tau_before + tau_after)
        if not started:
            started, unsure = True, 1.0
            level[:] = row
            continue
        scatter = unsure + 1
        logs += np.log(scatter)
        for i in range(4):
            error = row[i] - level[i]
            level[i] += unsure / scatter * error
            rows[count, i] = error / np.sqrt(scatter)
        unsure /= scatter
        for i in range(3):
            right[i] += rows[count, i] * rows[count, 3]
            for j in range(3):
                normal[i, j] += rows[count, i] * rows[count, j]
        count += 1
    inverse = np.linalg.inv(normal + 1e-9 * np.eye(3))  # small, so that it always exists
    free = inverse @ right
    total, lagged, before = 0.0, 0.0, 0.0
    for n in range(count):
        error = rows[n, 3] - rows[n, 0] * free[0] - rows[n, 1] * free[1] - rows[n, 2] * free[2]
        total += error * error
        lagged += error * before
        before = error
    return total, lagged, count, free[1], inverse[1, 1], logs


def _around(
    edges: list[tuple[int, int, bool]],
    number: int,
    taus: tuple[float, float],
    *,
    size: int,
    reach: float,
) -> tuple[int, int, float, float]:
    """Samples around an edge, between its neighbours, and the time constants on either side."""
    at, state, _ = edges[number]
    first = edges[number - 1][0] if number else 0
    stop = edges[number + 1][0] if number + 1 < len(edges) else size
    before, after = taus[::-1] if state else taus
    return max(first, round(at - reach)), min(stop, round(at + reach) + 1), before, after


def _walk(
    celsius: Numbers,
    dt: float,
    edges: list[tuple[int, int, bool]],
    number: int,
    taus: tuple[float, float],
) -> float:
    """By how much surroundings wander around an edge: what is likeliest."""
    reach = REACH * max(taus) / dt
    first, stop, before, after = _around(edges, number, taus, size=celsius.size, reach=reach)
    costs = []
    for walk in WALKS:
        found = _misfit(celsius, first, stop, edges[number][0] * dt, before, after, dt, walk)
        costs.append(found[2] * np.log(max(found[0], 1e-12)) + found[5])
    return WALKS[int(np.argmin(costs))]


def _instant(
    celsius: Numbers,
    dt: float,
    edges: list[tuple[int, int, bool]],
    number: int,
    taus: tuple[float, float],
) -> _Instant:
    """Fit an instant, and what it is unsure by; nothing where the state before is not known."""
    at, state, known = edges[number]
    if not known:
        return _Instant(state, at * dt)
    reach = REACH * max(taus) / dt
    first, stop, before, after = _around(edges, number, taus, size=celsius.size, reach=reach)
    low, high = max(first + 1, at - max(taus) / dt), min(stop - 2, at + max(taus) / dt)
    if high <= low:
        return _Instant(state, at * dt, dt)
    walk = _walk(celsius, dt, edges, number, taus)
    tried = np.linspace(low, high, 2 * _STEPS + 1) * dt
    for _ in range(3):  # ever finer around the best
        found = [_misfit(celsius, first, stop, t, before, after, dt, walk)[0] for t in tried]
        best, step = int(np.argmin(found)), tried[1] - tried[0]
        middle = tried[best]
        tried = np.clip(middle + np.linspace(-1.5, 1.5, 13) * step, low * dt, high * dt)
    found_there = _misfit(celsius, first, stop, middle, before, after, dt, walk)
    total, lagged, count, step_c, spread, _ = found_there
    reach = max(dt / 2, 0.02 * min(taus))
    aside = [
        _misfit(celsius, first, stop, t, before, after, dt, walk)[0]
        for t in (middle - reach, middle + reach)
    ]
    curvature = max(sum(aside) - 2 * total, 1e-12) / (2 * reach**2)
    likeness = min(max(lagged / total if total else 0.0, 0.0), 0.95)
    scatter = total / max(count - 4, 1) * (1 + likeness) / (1 - likeness)
    variance = scatter / curvature + dt**2 / 12 + (UNSURE * max(taus)) ** 2
    unsure_c = float(np.sqrt(scatter * max(spread, 0.0)))
    return _Instant(state, middle, float(np.sqrt(variance)), step_c, unsure_c)


def _refine(
    celsius: Numbers,
    dt: float,
    edges: list[tuple[int, int, bool]],
    taus: tuple[float, float],
    rise: float,
) -> tuple[tuple[float, float], float]:
    """Time constants for which the closed form fits best after instants, and the rise then."""
    kept = [n for n in range(len(edges)) if edges[n][2]][:MOST_REFINED]
    walks = {n: _walk(celsius, dt, edges, n, taus) for n in kept}
    for state in (1, 0):
        some = [n for n in kept if edges[n][1] == state]
        reach_s = max(taus)  # of the same samples, whatever is tried
        for factors in (np.geomspace(0.5, 2.0, 13), np.geomspace(0.95, 1.05, 7)):
            best = (np.inf, taus)
            for factor in factors:
                tried = (taus[0] * factor, taus[1]) if state else (taus[0], taus[1] * factor)
                total = sum(
                    _best_misfit(celsius, dt, edges, n, tried, reach_s, walks[n]) for n in some
                )
                best = min(best, (total, tried))
            taus = best[1] if some else taus
    steps = np.array([_instant(celsius, dt, edges, n, taus).step_c for n in kept])
    sizes = np.abs(steps[np.isfinite(steps)])
    return taus, float(np.median(sizes)) if sizes.size else rise


def _best_misfit(
    celsius: Numbers,
    dt: float,
    edges: list[tuple[int, int, bool]],
    number: int,
    taus: tuple[float, float],
    reach_s: float,
    walk: float,
) -> float:
    """Least misfit around an instant, over instants nearby."""
    at, reach = edges[number][0], REACH * reach_s / dt
    first, stop, before, after = _around(edges, number, taus, size=celsius.size, reach=reach)
    near = np.linspace(max(first + 1, at - 8), min(stop - 2, at + 8), 17) * dt
    return min(_misfit(celsius, first, stop, t, before, after, dt, walk)[0] for t in near)


def _body(
    celsius: Numbers,
    dt: float,
    taus: tuple[float, float],
    rise: float,
    noise: float,
    instants: list[_Instant],
) -> Body:
    """Runs from the instants found, in order."""
    size, there = celsius.size * dt, np.flatnonzero(~np.isnan(celsius))
    runs: list[tuple[float, float, float, float, bool]] = []
    # A log that begins while the load is on has a run without a beginning.
    begin = None
    if instants and instants[0].state == 0 and not np.isnan(instants[0].unsure_s):
        begin = (there[0] * dt, np.nan, False)
    for one in instants:
        if one.state == 1:
            begin = (one.at_s, one.unsure_s, one.is_other(rise))
        elif begin is not None:
            other = begin[2] or one.is_other(rise)
            runs.append((begin[0], one.at_s, begin[1], one.unsure_s, other))
            begin = None
    if begin is not None:
        runs.append((begin[0], size, begin[1], np.nan, begin[2]))
    table = np.array(runs, dtype=np.float64).reshape(-1, 5)
    moves = [_moves(celsius[int(a / dt) : int(b / dt)], dt, taus, rise) for a, b in table[:, :2]]
    gap = np.isnan(celsius)
    complete = [
        bool(not np.isnan(row[2:4]).any() and not gap[int(row[0] / dt) : int(row[1] / dt)].any())
        for row in table
    ]
    return Body(
        warming_s=taus[0],
        cooling_s=taus[1],
        rise_c=rise,
        noise_c=noise,
        start_s=table[:, 0],
        end_s=table[:, 1],
        start_uncertainty_s=table[:, 2],
        end_uncertainty_s=table[:, 3],
        complete=np.array(complete, dtype=bool),
        in_doubt=(table[:, 4] > 0) | np.array(moves, dtype=bool),
    )


def _moves(celsius: Numbers, dt: float, taus: tuple[float, float], rise: float) -> bool:
    """Whether a warm body's temperature moves as if the load had switched in the meantime."""
    many = max(round(max(taus) / 2 / dt), 1)
    settled = celsius[round(3 * taus[0] / dt) :]
    blocks = _means(settled, many)
    steps = np.abs(blocks[3:] - blocks[:-3])  # of a time constant between them
    return bool((steps > LEAST_MOVE * rise).any())
