"""When a load was on, from the temperature of a body that it warms: wire, motor, pipe or flue.

The body is of first order (own method; a lumped heat capacity, Newton's law of cooling): above its
surroundings it tends to `rise` while the load is on and to 0 while it is off, with a time constant
for each. What the surroundings do, weather and sun among it, is a slow random walk.
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
WANDERS = (0.03, 0.1)  # of the rise, by which surroundings drift in a time constant
WANDERS_ALONE = (0.03, 0.1, 0.3, 1.0, 3.0)  # ... where they alone are to explain all
SHARES = (0.4, 0.6, 0.8, 1.0, 1.3)  # of how far it moves in three time constants: the rise
LEAST_MOVE = 0.5  # of the rise, by which nothing settled moves in a time constant
SAME_RISE = 0.25  # of the rise, by which that of an instant may differ and be the load's
INEXACT = 0.02  # of the rise, by which the body is not of first order
UNSURE = 0.01  # of a time constant: what it is unsure by, as instants feel it
MEANS_OF = (1, 4, 16)  # samples, of which those that show most switches are taken
LEAST_SAMPLES = 4  # such means in a time constant
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
    Own method. States are the likeliest sequence of on and off, each with a Kalman filter of excess
    and surroundings (Viterbi search with one survivor a state); a switch costs log(n), as in the
    Bayesian information criterion (Schwarz 1978). Surroundings that wander more freely, without any
    switch, must be less likely than that. Time constants and rise are those of the greatest
    likelihood, then refined on the instants found. Of a body that is slow for its samples, one
    tells little of a switch: means of 4 and of 16 are looked at too, as long as a time constant
    has four, and those taken that show most switches of the load.

    Each instant is fitted with the closed form on both sides of it, the temperatures before, at the
    beginning and after and a steady drift being free; its uncertainty follows from the curvature of
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
    found = _track(part, *decay, wander)[0]
    if (
        not rise > LEAST_RISE * noise
        or not dt < max(taus) <= SLOWEST_S
        or found > min(_track(part, *decay, more, False)[0] for more in WANDERS_ALONE)
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


def _first_guess(celsius: Numbers, dt: float, noise: float) -> tuple[float, float, float]:
    """Rise, time constant and drift of the greatest likelihood, of a coarse grid."""
    best = (np.inf, 0.0, 0.0, 0.0)
    tau = 2.0 * dt
    while tau * 20 < celsius.size * dt and tau <= SLOWEST_S:
        lag = max(round(3 * tau / dt), 1)
        moved = np.abs(celsius[lag:] - celsius[:-lag])
        moved = moved[~np.isnan(moved)]
        usual = float(np.quantile(moved, 0.99)) / 0.95 if moved.size else 0.0
        for share, wander in product(SHARES, WANDERS):
            rise = share * usual
            if rise > LEAST_RISE * noise:
                cost = _track(celsius, *_factors((tau, tau), dt), rise, noise, dt / tau, wander)[0]
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
    wander: float,
) -> NDArray[np.int8]:
    """1 where on, 0 where off, -1 in long gaps, of which nothing is known."""
    states = np.full(celsius.size, -1, dtype=np.int8)
    longest = LONGEST_GAP * max(taus) / dt
    there = np.flatnonzero(~np.isnan(celsius))
    cuts = np.flatnonzero(np.diff(there) > longest)
    for first, last in zip(np.r_[0, cuts + 1], np.r_[cuts, there.size - 1], strict=True):
        piece = slice(there[first], there[last] + 1)
        found = _track(celsius[piece], *_factors(taus, dt), rise, noise, dt / max(taus), wander)[1]
        states[piece] = found
    return states


@njit(cache=True)
def _track(celsius, warm, cool, rise, noise, share, wander, may_switch=True):  # type: ignore[no-untyped-def]
    """Cost of the likeliest states (twice the negative log likelihood), and those states."""
    n = celsius.size
    came = np.zeros((n, 2), dtype=np.int8)
    drift = (wander * rise) ** 2 * share
    switch = np.log(n) if may_switch else 1e300
    # Of both survivors: excess, surroundings, and their covariance.
    mean = np.empty((2, 2))
    cov = np.zeros((2, 3))
    first = celsius[0]
    for u in range(2):
        mean[u, 0] = rise * u
        mean[u, 1] = first - rise * u
        cov[u, 0] = (0.3 * rise) ** 2
        cov[u, 2] = (0.3 * rise) ** 2
    cost = np.zeros(2)
    new_mean, new_cov, new_cost = np.empty((2, 2)), np.empty((2, 3)), np.empty(2)
    for k in range(1, n):
        for u in range(2):
            new_cost[u] = np.inf
            a = warm if u else cool
            inexact = (INEXACT * rise) ** 2 * (1 - a * a)
            for v in range(2):
                excess = a * mean[v, 0] + (1 - a) * rise * u
                around = mean[v, 1]
                p00 = a * a * cov[v, 0] + inexact
                p01 = a * cov[v, 1]
                p11 = cov[v, 2] + drift
                total = cost[v] + (switch if u != v else 0.0)
                if not np.isnan(celsius[k]):
                    scatter = p00 + 2 * p01 + p11 + noise * noise
                    error = celsius[k] - excess - around
                    total += np.log(scatter) + error * error / scatter
                    g0, g1 = (p00 + p01) / scatter, (p01 + p11) / scatter
                    excess += g0 * error
                    around += g1 * error
                    p00, p01, p11 = (
                        p00 - g0 * (p00 + p01),
                        p01 - g0 * (p01 + p11),
                        p11 - g1 * (p01 + p11),
                    )
                if total < new_cost[u]:
                    new_cost[u] = total
                    came[k, u] = v
                    new_mean[u, 0], new_mean[u, 1] = excess, around
                    new_cov[u, 0], new_cov[u, 1], new_cov[u, 2] = p00, p01, p11
        mean, new_mean = new_mean, mean
        cov, new_cov = new_cov, cov
        cost, new_cost = new_cost, cost
    states = np.empty(n, dtype=np.int8)
    u = 1 if cost[1] < cost[0] else 0
    least = cost[u]
    for k in range(n - 1, -1, -1):
        states[k] = u
        u = came[k, u]
    return least, states


def _edges(states: NDArray[np.int8]) -> list[tuple[int, int, bool]]:
    """Sample at which each state begins, the state, and whether it follows a known one."""
    at = np.flatnonzero(np.diff(states)) + 1
    return [(int(k), int(states[k]), bool(states[k - 1] >= 0 and states[k] >= 0)) for k in at]


def _window(
    edges: list[tuple[int, int, bool]], number: int, *, size: int, reach: float
) -> tuple[int, int]:
    """Samples around an instant, between its neighbours."""
    at = edges[number][0]
    before = edges[number - 1][0] if number else 0
    after = edges[number + 1][0] if number + 1 < len(edges) else size
    return max(before, round(at - reach)), min(after, round(at + reach) + 1)


@njit(cache=True)
def _misfit(celsius, first, stop, at, tau_before, tau_after, dt):  # type: ignore[no-untyped-def]
    """Sum of squares of the closed form with a switch at `at` [s], its residuals' and its levels.

    Free are the temperature at the beginning, the levels before and after, and a steady drift. The
    last that is given is the variance of the step of level, of readings with a variance of 1.
    """
    normal, right = np.zeros((4, 4)), np.zeros(4)
    spread = np.array([0.0, -1.0, 1.0, 0.0])  # of the step; solved like the levels
    until = np.exp(-(at - first * dt) / tau_before)
    rows = np.zeros((stop - first, 4))
    count = 0
    for k in range(first, stop):
        if np.isnan(celsius[k]):
            continue
        t = k * dt
        if t < at:
            left = np.exp(-(t - first * dt) / tau_before)
            rows[count, 0], rows[count, 1], rows[count, 2] = left, 1 - left, 0.0
        else:
            left = np.exp(-(t - at) / tau_after)
            rows[count, 0], rows[count, 1], rows[count, 2] = (
                until * left,
                (1 - until) * left,
                1 - left,
            )
        rows[count, 3] = (t - at) / (tau_before + tau_after)
        for i in range(4):
            right[i] += rows[count, i] * celsius[k]
            for j in range(4):
                normal[i, j] += rows[count, i] * rows[count, j]
        count += 1
    for i in range(4):  # Gauss's elimination; the small addition keeps pivots above 0
        normal[i, i] += 1e-9
        for j in range(i + 1, 4):
            factor = normal[j, i] / normal[i, i]
            right[j] -= factor * right[i]
            spread[j] -= factor * spread[i]
            for m in range(i, 4):
                normal[j, m] -= factor * normal[i, m]
    levels = np.empty(4)
    for i in range(3, -1, -1):
        levels[i] = right[i]
        for m in range(i + 1, 4):
            levels[i] -= normal[i, m] * levels[m]
            spread[i] -= normal[i, m] * spread[m]
        levels[i] /= normal[i, i]
        spread[i] /= normal[i, i]
    total, lagged, before, number = 0.0, 0.0, 0.0, 0
    for k in range(first, stop):
        if np.isnan(celsius[k]):
            continue
        error = celsius[k]
        for i in range(4):
            error -= rows[number, i] * levels[i]
        total += error * error
        lagged += error * before
        before = error
        number += 1
    return total, lagged, count, levels[2] - levels[1], spread[2] - spread[1]


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
    before, after = (taus[1], taus[0]) if state else (taus[0], taus[1])
    first, stop = _window(edges, number, size=celsius.size, reach=REACH * max(taus) / dt)
    low, high = max(first + 1, at - max(taus) / dt), min(stop - 2, at + max(taus) / dt)
    if high <= low:
        return _Instant(state, at * dt, dt)
    tried = np.linspace(low, high, 2 * _STEPS + 1) * dt
    for _ in range(3):  # ever finer around the best
        found = [_misfit(celsius, first, stop, t, before, after, dt)[0] for t in tried]
        best, step = int(np.argmin(found)), tried[1] - tried[0]
        middle = tried[best]
        tried = np.clip(middle + np.linspace(-1.5, 1.5, 13) * step, low * dt, high * dt)
    total, lagged, count, step_c, spread = _misfit(celsius, first, stop, middle, before, after, dt)
    reach = max(dt / 2, 0.02 * min(taus))
    aside = [
        _misfit(celsius, first, stop, t, before, after, dt)[0]
        for t in (middle - reach, middle + reach)
    ]
    curvature = max(sum(aside) - 2 * total, 1e-12) / (2 * reach**2)
    likeness = min(max(lagged / total if total else 0.0, 0.0), 0.95)
    scatter = total / max(count - 5, 1) * (1 + likeness) / (1 - likeness)
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
    kept = [n for n in range(len(edges)) if edges[n][2]][:200]
    for state in (1, 0):
        some = [n for n in kept if edges[n][1] == state]
        reach_s = max(taus)  # of the same samples, whatever is tried
        for factors in (np.geomspace(0.5, 2.0, 13), np.geomspace(0.95, 1.05, 7)):
            best = (np.inf, taus)
            for factor in factors:
                tried = (taus[0] * factor, taus[1]) if state else (taus[0], taus[1] * factor)
                total = sum(_best_misfit(celsius, dt, edges, n, tried, reach_s) for n in some)
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
) -> float:
    """Least misfit around an instant, over instants nearby."""
    at, state, _ = edges[number]
    before, after = (taus[1], taus[0]) if state else (taus[0], taus[1])
    first, stop = _window(edges, number, size=celsius.size, reach=REACH * reach_s / dt)
    near = np.linspace(max(first + 1, at - 8), min(stop - 2, at + 8), 17) * dt
    return min(_misfit(celsius, first, stop, t, before, after, dt)[0] for t in near)


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
