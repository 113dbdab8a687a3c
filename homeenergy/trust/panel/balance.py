"""Panel balance: the mains against the circuits, over time and at every switching."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.errors import HouseError
from homeenergy.house.schedule import Circuit
from homeenergy.readings.house import House
from homeenergy.readings.trace import Trace
from homeenergy.stats.estimate import Estimate
from homeenergy.trust.concern import Concern
from homeenergy.trust.panel.circuit import (
    ENOUGH,
    ON_LEG,
    WIRING,
    CircuitBalance,
    Ratios,
    Steps,
    coinciding,
    find_steps,
    judge_circuit,
    outside,
    rises,
    step_lag,
)
from homeenergy.trust.panel.mains_energy import common_stretch
from homeenergy.trust.panel.quiet_times import WINDOW_S, unmonitored_baseload, window_means

CLAMP_ERROR = 0.03
SAME_CLAMP = 0.7  # share of steps that two circuits make together


@dataclass(frozen=True, slots=True, kw_only=True)
class PairSeen:
    """Two circuits that step together: `ratio` is the other's step over this one's."""

    circuit: str
    other: str
    share: float
    ratio: float


def shared_clamps(steps: Mapping[str, Steps]) -> tuple[PairSeen, ...]:
    """Find circuits of which nearly every step is a step of another circuit too."""
    found = []
    for name, own in steps.items():
        if own.sample.size < ENOUGH:
            continue
        for other, theirs in steps.items():
            if other == name:
                continue
            heights = coinciding(own, theirs)
            together = heights != 0
            ratio = heights[together] / own.watts[together]
            if together.mean() < SAME_CLAMP:
                continue
            middle = float(np.median(ratio))
            equal = np.abs(ratio / middle - 1) < WIRING
            if equal.mean() >= SAME_CLAMP and abs(middle) > ON_LEG:
                share = float(together.mean())
                found.append(PairSeen(circuit=name, other=other, share=share, ratio=middle))
    return tuple(found)


def circuit_concerns(
    judged: Sequence[CircuitBalance], loads: Sequence[Circuit], pairs: Sequence[PairSeen]
) -> list[Concern]:
    """What of the circuits contradicts house.toml, or needs a look."""
    concerns: list[Concern] = []
    for found, circuit in zip(judged, loads, strict=True):
        concerns += _one_circuit(found, circuit)
    told: set[frozenset[str]] = set()
    for pair in pairs:
        both = frozenset((pair.circuit, pair.other))
        if both not in told:
            told.add(both)
            concerns.append(_shared(pair))
    return concerns


def _one_circuit(found: CircuitBalance, circuit: Circuit) -> list[Concern]:
    ratio, name = found.ratio, found.circuit
    if not found.legs_found:
        return [
            Concern(
                weight="note",
                subject=name,
                what=found.verdict,
                do="If it may be stopped, switch it on and off a few times while little else "
                "changes: by its own switch or plug, never by the breaker.",
            )
        ]
    concerns = []
    if found.mixed:
        concerns += _mixed(found, circuit)
    elif outside(ratio):
        new = circuit.clamp.multiplier * ratio.value
        concerns.append(
            Concern(
                weight="wrong",
                subject=name,
                what=found.verdict,
                do=f"Set its multiplier to {_round(new):.4g}, if its clamp is mounted so.",
                share=abs(1 / ratio.value - 1),
            )
        )
    elif abs(ratio.value - 1) > CLAMP_ERROR and (ratio.low > 1 or ratio.high < 1):
        concerns.append(
            Concern(
                weight="doubtful",
                subject=name,
                what=f"{found.verdict} That is more than clamps should differ.",
                do="Compare both with a reference meter (bench.csv).",
                share=abs(ratio.value - 1),
            )
        )
    if circuit.legs and set(found.legs_found) != set(circuit.legs) and not found.mixed:
        concerns.append(
            Concern(
                weight="wrong",
                subject=name,
                what=f"{name}: house.toml says {_list(circuit.legs)}, the mains rise on "
                f"{_list(found.legs_found)}.",
                do="Correct its legs, or check whether two clamps or two names were swapped.",
                share=0.01,
            )
        )
    return concerns


def _mixed(found: CircuitBalance, circuit: Circuit) -> list[Concern]:
    right = abs(found.ratio.value - 1) < WIRING and abs(circuit.clamp.multiplier) < 1 + WIRING
    do = (
        "Its clamp sees all of it, so nothing need be done; never double a reading of one leg here."
        if right
        else "No multiplier can make it right: have each leg measured by a clamp of its own."
    )
    return [
        Concern(
            weight="note" if right else "wrong",
            subject=found.circuit,
            what=found.verdict,
            do=do,
            share=0.3,
        )
    ]


def _shared(pair: PairSeen) -> Concern:
    return Concern(
        weight="wrong",
        subject=pair.circuit,
        what=f"{pair.circuit} and {pair.other} see the same load: {pair.share:.0%} of the steps of "
        f"{pair.circuit} are in {pair.other} too, {pair.ratio:.2f} times as high.",
        do="See which conductors run through the two clamps; a load in both is counted twice.",
        share=0.5,
    )


def _round(multiplier: float) -> float:
    """Take a multiplier that comes from wiring as the whole or half number that it is near."""
    near = round(multiplier * 2) / 2
    return near if near and abs(multiplier / near - 1) < WIRING else multiplier


def _list(names: Sequence[str]) -> str:
    return " and ".join(names)


MAJORITY = 0.7
FACTORS = (-2.0, -1.0, -0.5, 0.5, 2.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MainsFaults:
    """What is wrong with the clamps of the mains themselves.

    `factor` is what each leg's rises must be divided by, `order` which row of them belongs to it.
    """

    factor: NDArray[np.float64]
    order: tuple[int, ...]
    concerns: tuple[Concern, ...]

    def correct(self, ratios: Ratios) -> Ratios:
        """Ratios as mains without fault would have given them."""
        return np.asarray(ratios[list(self.order)] / self.factor[:, None])

    def true_mains(self, watts: Sequence[NDArray[np.float64]]) -> list[NDArray[np.float64]]:
        """Power of each leg [W] as mains without fault would have given it."""
        return [watts[row] / factor for row, factor in zip(self.order, self.factor, strict=True)]


def judge_mains(
    loads: Sequence[Circuit],
    ratios: Mapping[str, Ratios],
    used: Mapping[str, NDArray[np.bool_]],
    *,
    legs: Sequence[str],
    names: Mapping[str, str],
) -> MainsFaults:
    """Judge the mains' own clamps by the circuits that sit on one leg.

    Where most circuits of a leg ask for the same wiring factor, the leg's mains clamp is wrong and
    not they; where most of two legs' circuits are found on the other leg, the two are changed over.
    """
    votes: dict[str, list[tuple[str, float]]] = {leg: [] for leg in legs}
    for circuit in loads:
        good = ratios[circuit.name][:, used[circuit.name]]
        if len(circuit.legs) != 1 or circuit.legs[0] not in votes or good.shape[1] < ENOUGH:
            continue
        middle = np.nanmedian(good, axis=1)
        at = int(np.nanargmax(np.abs(middle)))
        if abs(middle[at]) > ON_LEG:
            votes[circuit.legs[0]].append((legs[at], float(middle[at])))
    order, concerns = _changed_over(votes, legs, names)
    factor = np.ones(len(legs))
    for i, leg in enumerate(legs):
        seen_on = legs[order[i]]
        values = [value for found, value in votes[leg] if found == seen_on]
        factor[i] = _common_factor(values)
        if factor[i] != 1:
            concerns.append(
                Concern(
                    weight="wrong",
                    subject=names[leg],
                    what=f"{names[leg]} rises {factor[i]:.3g} times as far as {len(values)} "
                    f"circuits on {leg}.",
                    do=f"Multiply its multiplier by {1 / factor[i]:.3g}; check how its clamp is "
                    "mounted.",
                    share=abs(factor[i] - 1),
                )
            )
    return MainsFaults(factor=factor, order=order, concerns=tuple(concerns))


def _changed_over(
    votes: Mapping[str, list[tuple[str, float]]], legs: Sequence[str], names: Mapping[str, str]
) -> tuple[tuple[int, ...], list[Concern]]:
    order = list(range(len(legs)))
    for i, one in enumerate(legs):
        for j in range(i + 1, len(legs)):
            other = legs[j]
            there = [found == other for found, _ in votes[one]]
            back = [found == one for found, _ in votes[other]]
            if min(len(there), len(back)) < 1 or len(there) + len(back) < 3:
                continue
            if min(np.mean(there), np.mean(back)) >= MAJORITY:
                order[i], order[j] = j, i
                what = (
                    f"{names[one]} and {names[other]} are swapped: circuits stated on {one} "
                    f"rise on {other}, and the other way round."
                )
                do = "Exchange the legs of the two mains circuits in house.toml."
                concern = Concern(weight="wrong", subject="mains", what=what, do=do, share=0.5)
                return tuple(order), [concern]
    return tuple(order), []


def _common_factor(values: Sequence[float]) -> float:
    """Wiring factor that most of at least three circuits ask for; 1 if there is none."""
    if len(values) < 3:
        return 1.0
    for factor in FACTORS:
        if np.mean([abs(value / factor - 1) < WIRING for value in values]) >= MAJORITY:
            return factor
    return 1.0


BLOCK_S = 60.0
MUCH_BELOW_W = 30.0
HIGH_SHARE = 0.3  # of the 90th percentile
OTHER_SHARE = 0.1  # a step of another circuit of at least this share spoils a comparison


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PanelBalance:
    """What the mains say of the circuits.

    Attributes
    ----------
    circuits : tuple of CircuitBalance
        In the order of the panel schedule.
    remainder : pandas.DataFrame
        start, a column for each leg and `total_w`: mean power of a minute that no circuit accounts
        for [W]; NaN where anything is missing. Faults found in the mains' own clamps are corrected.
    base_w : Estimate
        Unmonitored baseload: mean over local days of the low of each, while the circuits draw
        little [W]. See `unmonitored_baseload`.
    unmonitored_w : float
        Mean of the remainder [W].
    below_zero : float
        Share of the minutes in which the circuits read more than the mains, by more than 30 W and
        what clamps err.
    concerns : tuple of Concern
        The worst first.
    """

    circuits: tuple[CircuitBalance, ...]
    remainder: pd.DataFrame
    base_w: Estimate
    unmonitored_w: float
    below_zero: float
    concerns: tuple[Concern, ...]

    def to_frame(self) -> pd.DataFrame:
        """One row a circuit: steps, ratio with interval, ratio on each leg, verdict."""
        return pd.DataFrame([circuit.record() for circuit in self.circuits])


def panel_balance(house: House, *, start: object = None, end: object = None) -> PanelBalance:
    """Compare the mains of a house with its circuits.

    Parameters
    ----------
    house : House
        With mains circuits of one leg each.
    start, end : timestamp or text, optional
        As in `House.trace`.

    Returns
    -------
    PanelBalance

    Raises
    ------
    HouseError
        If no mains have readings, or a mains circuit does not name one leg of its own.

    Notes
    -----
    Own method. When one circuit is switched, the mains rise on its legs by as much as it does. The
    ratio of both rises is taken at each high step of a circuit at which no other circuit steps; its
    median is hardly moved by what else goes on. A ratio of 1 means that the circuit's clamp and
    its multiplier are right, to the error of the mains' clamps. O(samples); one circuit is held
    at a time in addition to the mains.
    """
    legs, mains = _mains(house, start, end)
    first = mains[0]
    lag = step_lag(first.period_s)
    loads = [c for c in house.circuits if c.role == "load" and house.has_readings(c)]
    steps: dict[str, Steps] = {}
    blocks: dict[str, NDArray[np.float64]] = {}
    window_s = max(WINDOW_S, first.period_s)
    windows: dict[str, pd.Series] = {}
    for circuit in loads:
        watts = _on_grid(house.trace(circuit, first.start, first.end), first)
        steps[circuit.name] = find_steps(watts, lag=lag)
        blocks[circuit.name] = _block_means(watts, first.period_s)
        windows[circuit.name] = window_means(replace(first, watts=watts), window_s)
    seen = _rises_of_mains(steps, mains)
    pairs = shared_clamps(steps)
    alone = {name: _alone(name, steps, pairs) for name in steps}
    used = {name: alone[name] & _is_high(steps[name]) for name in steps}
    mains_names = {leg: c.name for leg, c in zip(legs, house.mains, strict=True)}
    faults = judge_mains(loads, seen, used, legs=legs, names=mains_names)
    judged = tuple(
        judge_circuit(
            circuit,
            faults.correct(seen[circuit.name][:, used[circuit.name]]),
            heights_w=steps[circuit.name].watts[used[circuit.name]],
            every=faults.correct(seen[circuit.name][:, alone[circuit.name]]),
            legs=legs,
        )
        for circuit in loads
    )
    left = faults.true_mains([_block_means(trace.watts, first.period_s) for trace in mains])
    remainder = _remainder(first, dict(zip(legs, left, strict=True)), judged, blocks)
    total = remainder["total_w"].to_numpy()
    through = [window_means(trace, window_s) for trace in mains]
    corrected = faults.true_mains([one.to_numpy() for one in through])
    for circuit, watts_w in zip(house.mains, corrected, strict=True):
        windows[circuit.name] = pd.Series(watts_w, index=through[0].index)
    loads_w = sum(blocks.values(), np.zeros(total.size))
    here = np.isfinite(total)
    concerns = [*faults.concerns, *circuit_concerns(judged, loads, pairs)]
    much_below = total[here] < -MUCH_BELOW_W - CLAMP_ERROR * np.abs(loads_w[here])
    below = float(much_below.mean()) if here.any() else float("nan")
    return PanelBalance(
        circuits=judged,
        remainder=remainder,
        base_w=unmonitored_baseload(
            pd.DataFrame(windows),
            mains=house.mains,
            loads=[c for c in loads if not c.legs or set(c.legs) & set(legs)],
            timezone=house.timezone,
            supply=house.supply,
            window_s=window_s,
        ),
        unmonitored_w=float(total[here].mean()) if here.any() else float("nan"),
        below_zero=below,
        concerns=tuple(sorted([*concerns, *_below_zero(below)], key=Concern.rank)),
    )


def _mains(house: House, start: object, end: object) -> tuple[tuple[str, ...], list[Trace]]:
    circuits = house.mains
    if not circuits:
        raise HouseError(
            "no circuit of the mains has readings, so nothing can be balanced",
            path=house.path,
            fix='Give the clamps of the supply `role = "mains"` and their leg in house.toml.',
        )
    # A single clamp on a supply of one leg can sit nowhere else.
    only = ("L1",) if len(circuits) == 1 and house.supply.system == "single-phase" else ()
    legs = []
    for circuit in circuits:
        own = circuit.legs or only
        if len(own) != 1 or own[0] in legs:
            raise HouseError(
                f"mains circuit {circuit.name!r} names legs {list(circuit.legs)}; the balance "
                "needs a mains circuit for each leg, with that leg",
                path=house.path / "house.toml",
                fix='Write for example legs = ["L1"].',
            )
        legs.append(own[0])
    return tuple(legs), common_stretch([house.trace(c, start, end) for c in circuits])


def _on_grid(trace: Trace, grid: Trace) -> NDArray[np.float32]:
    """Samples of a trace on the grid of another; NaN where it has none."""
    if trace.period_s != grid.period_s:
        raise HouseError(
            f"{trace.label} was logged every {trace.period_s:g} s and the mains every "
            f"{grid.period_s:g} s",
            fix="State the same period_s for their logs in house.toml and import with --rebuild.",
        )
    offset = round((trace.start - grid.start).value / grid.period_ns)
    if offset == 0 and len(trace) == len(grid):
        return trace.watts
    watts = np.full(len(grid), np.nan, dtype=np.float32)
    watts[offset : offset + len(trace)] = trace.watts
    return watts


def _block_means(watts: NDArray[np.float32], period_s: float) -> NDArray[np.float64]:
    size = max(1, round(BLOCK_S / period_s))
    whole = watts[: watts.size // size * size].reshape(-1, size)
    return np.asarray(whole.mean(axis=1), dtype=np.float64)


def _rises_of_mains(
    steps: Mapping[str, Steps], mains: Sequence[Trace]
) -> dict[str, NDArray[np.float64]]:
    """Ratio of the rise of each mains leg to the step of a circuit, shape (legs, steps)."""
    return {
        name: np.stack([rises(trace.watts, found) / found.watts for trace in mains])
        for name, found in steps.items()
    }


def _alone(name: str, steps: Mapping[str, Steps], pairs: Sequence[PairSeen]) -> NDArray[np.bool_]:
    """Which of a circuit's steps happen while no other circuit steps."""
    own = steps[name]
    twins = {pair.other for pair in pairs if pair.circuit == name}
    twins |= {pair.circuit for pair in pairs if pair.other == name}
    alone = np.ones(own.watts.size, dtype=bool)
    for other, found in steps.items():
        if other != name and other not in twins:
            alone &= np.abs(coinciding(own, found)) < OTHER_SHARE * np.abs(own.watts)
    return np.asarray(alone)


def _is_high(steps: Steps) -> NDArray[np.bool_]:
    """Which steps are high enough that noise hardly counts in their ratio."""
    height = np.abs(steps.watts)
    return height >= HIGH_SHARE * np.quantile(height, 0.9) if height.size else height > 0


def _remainder(
    grid: Trace,
    left: dict[str, NDArray[np.float64]],
    judged: Sequence[CircuitBalance],
    blocks: Mapping[str, NDArray[np.float64]],
) -> pd.DataFrame:
    """Mains less circuits, each on the legs that its steps show, else those that are stated."""
    for circuit in judged:
        for leg, share in circuit.leg_shares.items():
            if share and leg in left:
                left[leg] = left[leg] - share * blocks[circuit.circuit]
    size = max(1, round(BLOCK_S / grid.period_s))
    ns = grid.start.value + np.arange(next(iter(left.values())).size) * size * grid.period_ns
    frame = pd.DataFrame({"start": pd.DatetimeIndex(ns.view("M8[ns]")).tz_localize("UTC")})
    for leg, watts in left.items():
        frame[f"{leg}_w"] = watts
    frame["total_w"] = np.sum(list(left.values()), axis=0)
    return frame


def _below_zero(share: float) -> list[Concern]:
    if not share > 0.02:
        return []
    return [
        Concern(
            weight="doubtful",
            subject="mains",
            what=f"The circuits read more than the mains in {share:.0%} of the minutes.",
            do="A multiplier is too great, or two clamps see the same load: see the others.",
            share=share,
        )
    ]
