"""Panel balance: the mains against the circuits, over time and at every switching."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from math import nan

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.house.schedule import Circuit
from homeenergy.readings.house import House
from homeenergy.readings.trace import Trace
from homeenergy.stats.estimate import Estimate
from homeenergy.trust.bench import BenchResult
from homeenergy.trust.concern import Concern
from homeenergy.trust.panel.below_zero import MUCH_BELOW, below_zero, below_zero_concern
from homeenergy.trust.panel.circuit import CircuitBalance
from homeenergy.trust.panel.ends import (
    cut_off,
    ending,
    highest_level,
    usual_spread_w,
    without_ends,
)
from homeenergy.trust.panel.exchanged import exchanged
from homeenergy.trust.panel.explain import (
    NO_FACTOR,
    Explanation,
    Seen,
    explain,
)
from homeenergy.trust.panel.judge import judge, seen_of
from homeenergy.trust.panel.mains import (
    BLOCK_S,
    as_one_leg,
    block_means,
    ceiling_of,
    energy_of_mains,
    mains_by_leg,
    refuse_held,
    without_ceiling,
    without_export,
)
from homeenergy.trust.panel.mains_over_time import (
    MainsChange,
    change_of_mains,
    changes_of,
    clock_of_mains,
)
from homeenergy.trust.panel.matched import (
    GatheredLog,
    gather,
    matched_steps,
    shares_stated,
)
from homeenergy.trust.panel.over_time import Change, clock_errors, pauses
from homeenergy.trust.panel.quiet_times import WINDOW_S, unmonitored_baseload, window_means
from homeenergy.trust.panel.silent import missed_steps, silent_concerns
from homeenergy.trust.panel.slow import slow_answers, slow_clocks, slow_end
from homeenergy.trust.panel.together import (
    PairSeen,
    both_ways,
    joined_concerns,
    joins,
    pair_concerns,
    shared_clamps,
)
from homeenergy.trust.panel.told import (
    at_its_end,
    cut_off_concern,
    mains_concerns,
)
from homeenergy.trust.panel.told_over_time import (
    change_concern,
    clock_concern,
    exchanged_concern,
    mains_change_concern,
    mains_clock_concern,
    may_end_concern,
    pause_concern,
)
from homeenergy.units import S_PER_DAY, S_PER_H

FEW_STEPS = 30  # what changes slowly is asked too
AT_END = 0.97  # of the level at which a clamp ends: noise


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
    explanation : Explanation
        The likeliest state of mains and clamps.
    cut_off : frozenset of str
        Circuits whose clamps are found to be at the end of their range at times.
    whole : bool
        Whether the mains show all of the supply: none is dead, clipped or on another's leg.
    no_multiplier : frozenset of str
        Circuits whose clamps read wrongly in a way that no multiplier mends.
    period_s, days : float
        Of the log of the mains.
    rest_w : dict of float
        Steady reading of each circuit at rest [W]; 0 where its lowest readings are not steady.
    ends_w : dict of float
        Highest level of circuits whose clamps may end there: nothing shows that they follow their
        load [W].
    concerns : tuple of Concern
        The worst first.
    """

    circuits: tuple[CircuitBalance, ...]
    explanation: Explanation
    whole: bool
    no_multiplier: frozenset[str]
    cut_off: frozenset[str]
    period_s: float
    days: float
    rest_w: Mapping[str, float]
    ends_w: Mapping[str, float]
    remainder: pd.DataFrame
    base_w: Estimate
    unmonitored_w: float
    below_zero: float
    concerns: tuple[Concern, ...]

    def to_frame(self) -> pd.DataFrame:
        """One row a circuit: steps, ratio with interval, ratio on each leg, verdict."""
        return pd.DataFrame([circuit.record() for circuit in self.circuits])


def panel_balance(
    house: House,
    *,
    start: object = None,
    end: object = None,
    without: tuple[pd.Timestamp, pd.Timestamp] | None = None,
    bench: Sequence[BenchResult] = (),
    meter: pd.DataFrame | None = None,
) -> PanelBalance:
    """Compare the mains of a house with its circuits, and explain what does not match.

    Parameters
    ----------
    house : House
        With mains circuits of one leg each.
    start, end : timestamp or text, optional
        As in `House.trace`.
    without : tuple of timestamps, optional
        A time that is left out.
    bench : sequence of BenchResult, optional
        What a reference meter says of clamps.
    meter : pandas.DataFrame, optional
        Readings of the utility meter: time, kwh.

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
    ratio of both rises is taken at each high step of a circuit at which no other circuit steps.
    `explain` finds the fewest faults of mains and circuits that make these ratios; circuits are
    then judged by the mains as they would have been without fault. O(samples); one circuit is held
    at a time in addition to the mains.
    """
    house = as_one_leg(house.as_clamped())
    legs, traces = mains_by_leg(house, start, end, without=without)
    loads = [c for c in house.circuits if c.role == "load" and house.has_readings(c)]
    ends = [ceiling_of(trace.watts) for trace in traces]
    log = gather(house, loads, traces, legs, ends=ends)
    refuse_held(house, traces, log.steps.values())
    pairs = shared_clamps(log.steps)
    stated = {c.name: shares_stated(c, legs) for c in loads}
    drawn_w = _drawn_at_ends(loads, log, traces, legs, pairs, stated)
    concerns, mains = without_ceiling(house, traces, ends=ends, drawn_w=drawn_w)
    unsigned, mains = without_export(mains, log.sum_w)
    concerns += [] if unsigned is None else [unsigned]
    clipped = bool(concerns)
    matched = matched_steps(log, mains, pairs, stated=stated)
    how = {pair: joins(pair, matched.ratios[pair.circuit]) for pair in pairs}
    columns = [p for p in pairs if how[p] == "sum" and both_ways(p, pairs)]
    joined = [p for p in pairs if how[p] != "same" and p not in columns]
    if joined:  # steps that both make say nothing of either
        together = {one.names for one in joined}
        pairs = tuple(p for p in pairs if p.names not in together)
        columns = [p for p in columns if p in pairs]
        matched = matched_steps(log, mains, pairs, stated=stated)
    ends_at = {c.name: end for c in loads if (end := cut_off(log, matched, c.name)) is not None}
    matched = without_ends(log, matched, ends_at)
    seen_changes = changes_of(matched, np.eye(len(legs)))
    moved = change_of_mains(seen_changes, matched, stated)
    if moved is not None:
        return _from_change(house, moved, traces[0], bench, meter)
    spread_w = usual_spread_w(matched)
    endings = {c.name: ending(log, matched, c.name, spread_w=spread_w) for c in loads}
    seen = [
        seen_of(c, matched, legs, bench, endings, log.rounding_w[c.name], flat=log.flat[c.name])
        for c in loads
    ]
    late = clock_of_mains(log.steps, mains, stated)
    through = np.stack([block_means(t.watts, t.period_s) for t in mains])
    if late is not None:
        seen = [replace(one, families=()) for one in seen]
    few = [] if late else _with_few_steps(seen, pairs)
    slowly = slow_answers(log.blocks, through, few)
    slow = slowly.answers
    unstepped = [one.name for one in seen if one.name in few and not one.families]
    pairs, columns = (*pairs, *slowly.same), [*columns, *slowly.columns]
    seen = [
        replace(one, families=(*one.families, slow[one.name].family())) if one.name in slow else one
        for one in seen
    ]
    if late is None:
        found = explain(
            [one for one in seen if one.name not in {name for p in columns for name in p.names}],
            energy_of_mains(mains, log.blocks.values(), meter),
        )
    else:
        found = Explanation(matrix=np.eye(len(legs)), mains=(), circuits={})
    changes = changes_of(matched, found.inverse) if found.mains else seen_changes
    changes = {  # a clamp that ends reads a share that changes with its load
        n: one
        for n, one in changes.items()
        if not one.within(stated[n] > 0) and endings[n] != "ends"
    }
    missed = missed_steps(log.steps, mains, found)
    not_fed = [name for name, read in found.circuits.items() if read.kind == "not fed"]
    clocks = clock_errors(not_fed, log.steps, missed, mains[0], stated)
    clocks |= slow_clocks(
        log.blocks,
        through,
        [name for name in unstepped if name not in slow or name in not_fed],
        block_s=max(BLOCK_S, mains[0].period_s),
    )
    judged, told = [], []
    for circuit, one in zip(loads, seen, strict=True):
        in_columns = any(circuit.name in pair.names for pair in columns)
        steps, blocks_w = log.steps[circuit.name], log.blocks[circuit.name]
        mean_w = float(np.nanmean(blocks_w)) if np.isfinite(blocks_w).any() else nan
        balance, concern = judge(
            circuit,
            one,
            steps,
            mean_w,
            matched,
            found,
            legs,
            rounding_w=log.rounding_w[circuit.name],
            known=not in_columns,
            may_end=endings[circuit.name] != "follows",
            clipped=partial(_clipped, house, circuit, log, traces[0]),
            slow=slow.get(circuit.name),
        )
        if not in_columns:
            if (clock := clocks.get(circuit.name)) is not None:
                concern = clock_concern(circuit.name, clock)
            elif circuit.name in changes:
                concern = _changed(house, circuit, changes[circuit.name], legs, traces[0], pairs)
            if clock is not None or circuit.name in changes:
                assert concern is not None
                balance = replace(balance, answer="contradicts", verdict=concern.what)
            if (end := ends_at.get(circuit.name)) is not None:
                cut = cut_off_concern(
                    circuit.name,
                    there=end.there,
                    below=end.below,
                    at_end=_at_end(house, circuit, end.level_w, traces[0]),
                )
                if concern is None or concern.weight == "note":
                    concern, balance = cut, replace(balance, answer="contradicts", verdict=cut.what)
                else:
                    told.append(cut)
        judged.append(balance)
        told += [concern] if concern is not None and not in_columns else []
    if late is None:
        told += _ends(told, log.blocks, through, found)
    for a, b, at in exchanged(log.steps, samples=len(mains[0])):
        told = [one for one in told if one.subject not in (a, b)]
        told.append(exchanged_concern(a, b, when=_times(house, mains[0], at, at)[0]))
    silent = silent_concerns(loads, log, missed, judged, legs, house.supply)
    why_open = {one.subject for one in silent}
    told = [one for one in told if one.weight != "note" or one.subject not in why_open]
    of_leg = {leg: sum(leg in one.legs_found for one in judged) for leg in legs}
    if late is None:
        concerns += mains_concerns(found, house.mains, legs, of_leg)
        concerns += told
    else:
        off = [house.mains[clamp].name for clamp in late[1]]
        concerns.append(mains_clock_concern(off, late[0], every=len(off) == len(legs)))
    of_legs = dict(zip(legs, missed, strict=True))
    for name, leg, pause in pauses(judged, log.steps, of_legs, samples=len(mains[0])):
        when = _times(house, mains[0], pause.first, pause.last)
        concerns.append(pause_concern(name, pause, leg, between=when))
    concerns += silent
    why = changes.keys() | {n for n, read in found.circuits.items() if read.kind == "difference"}
    concerns += pair_concerns([p for p in (*pairs, *slowly.columns) if not p.names & why], columns)
    concerns += joined_concerns(joined, how)
    below, feeding = below_zero(through, log, found, judged, pairs)
    below = 0.0 if late else below
    if below > MUCH_BELOW:
        concerns.append(below_zero_concern(below, feeding))
    return _result(
        house,
        loads,
        log,
        mains,
        found,
        judged,
        concerns,
        through=through,
        legs=legs,
        below=below,
        whole=found.whole and not clipped and late is None,
        no_multiplier=_no_multiplier(found, pairs, columns, silent),
        ended=ends_at.keys(),
    )


def _ends(
    told: Sequence[Concern],
    blocks_w: Mapping[str, NDArray[np.float64]],
    through: NDArray[np.float64],
    found: Explanation,
) -> list[Concern]:
    """Clamps of loads that change slowly, right but for their highest readings."""
    known = {one.subject for one in told if one.weight != "note"}
    right = [name for name, read in found.circuits.items() if read.right and name not in known]
    factors = {name: read.factor for name, read in found.circuits.items()}
    drawn = [w / (factors.get(name, nan) or nan) for name, w in blocks_w.items()]
    left_w = (found.inverse @ through).sum(axis=0) - np.nansum(drawn, axis=0)
    ends = {name: slow_end(blocks_w[name], left_w) for name in right}
    return [may_end_concern(name, end) for name, end in ends.items() if end is not None]


def _with_few_steps(seen: Sequence[Seen], pairs: Sequence[PairSeen]) -> list[str]:
    """Circuits of which steps tell little, and that do not step with another."""
    together = {name for pair in pairs for name in pair.names}
    counts = {one.name: sum(family.n for family in one.families) for one in seen}
    return [name for name, n in counts.items() if n < FEW_STEPS and name not in together]


def _no_multiplier(
    found: Explanation,
    pairs: Sequence[PairSeen],
    columns: Sequence[PairSeen],
    silent: Sequence[Concern],
) -> frozenset[str]:
    """Circuits whose clamps read wrongly in a way that no multiplier mends."""
    names = {one.subject for one in silent}
    names |= {name for pair in pairs if pair not in columns for name in pair.names}
    names |= {name for name, read in found.circuits.items() if read.kind in NO_FACTOR}
    return frozenset(names)


def _drawn_at_ends(
    loads: Sequence[Circuit],
    log: GatheredLog,
    traces: Sequence[Trace],
    legs: Sequence[str],
    pairs: Sequence[PairSeen],
    stated: Mapping[str, NDArray[np.float64]],
) -> list[NDArray[np.float64] | None]:
    """What all circuits draw on each leg where its mains clamp ends [W]; None where it does not.

    Of a circuit whose legs are not stated, the mains' rises at its steps say how much is on each.
    """
    if not log.at_ends:
        return [None] * len(legs)
    shares = dict(stated)
    ratios = matched_steps(log, traces, pairs, stated=stated).ratios
    for circuit in loads:
        if not circuit.legs and len(legs) > 1 and ratios[circuit.name].size:
            seen = np.nanmedian(ratios[circuit.name], axis=1)
            shares[circuit.name] = np.clip(np.nan_to_num(seen), 0.0, 1.0)
    return [
        sum(shares[name][at] * watts for name, watts in log.at_ends[leg].items())
        if leg in log.at_ends
        else None
        for at, leg in enumerate(legs)
    ]


def _from_change(
    house: House,
    moved: MainsChange,
    grid: Trace,
    bench: Sequence[BenchResult],
    meter: pd.DataFrame | None,
) -> PanelBalance:
    """The balance of the time in which a clamp of the mains is right, else of the longer one."""
    last, first = _times(house, grid, moved.last_sample, moved.first_sample)
    back = None if moved.back is None else _times(house, grid, *moved.back)
    later = moved.keeps_end
    if later is None:
        until = len(grid) if moved.back is None else moved.back[0]
        later = until - moved.first_sample > len(grid) / 2
    part = panel_balance(
        house,
        start=first if later else grid.start,
        end=(back[0] if back else grid.end) if later else (grid.end if back else last),
        without=(last, back[1]) if back and not later else None,
        bench=bench,
        meter=meter,
    )
    concern = mains_change_concern(
        house.mains[moved.clamp].name,
        (moved.before, moved.since),
        circuits=moved.circuits,
        between=(last, first),
        back=back,
        judged="since" if later else "before and after" if back else "before",
    )
    concerns = tuple(sorted((concern, *part.concerns), key=Concern.rank))
    return replace(part, whole=False, concerns=concerns)


def _changed(
    house: House,
    circuit: Circuit,
    change: Change,
    legs: Sequence[str],
    grid: Trace,
    pairs: Sequence[PairSeen],
) -> Concern:
    between = _times(house, grid, change.last_sample, change.first_sample)
    others = {name for p in pairs if circuit.name in p.names for name in p.names} - {circuit.name}
    return change_concern(circuit.name, change, legs, between=between, others=sorted(others))


def _times(house: House, grid: Trace, *samples: int) -> tuple[pd.Timestamp, pd.Timestamp]:
    first, last = (
        (grid.start + pd.Timedelta(seconds=at * grid.period_s)).tz_convert(house.timezone)
        for at in samples
    )
    return first, last


def _clipped(house: House, circuit: Circuit, log: GatheredLog, grid: Trace) -> str:
    """Level at which a clamp ends, for how long, and when first."""
    return _at_end(house, circuit, highest_level(log, circuit.name), grid)


def _at_end(house: House, circuit: Circuit, level_w: float, grid: Trace) -> str:
    trace = house.trace(circuit, grid.start, grid.end)
    at = np.flatnonzero(np.abs(trace.watts) > AT_END * level_w)
    first = trace.start + pd.Timedelta(seconds=int(at[0]) * trace.period_s) if at.size else grid.end
    return at_its_end(
        level_w,
        hours=at.size * trace.period_s / S_PER_H,
        when=first.tz_convert(house.timezone),
    )


def _result(
    house: House,
    loads: Sequence[Circuit],
    log: GatheredLog,
    mains: Sequence[Trace],
    found: Explanation,
    judged: Sequence[CircuitBalance],
    concerns: Sequence[Concern],
    *,
    through: NDArray[np.float64],
    legs: Sequence[str],
    below: float,
    whole: bool,
    no_multiplier: frozenset[str],
    ended: Iterable[str],
) -> PanelBalance:
    first, window_s = mains[0], max(WINDOW_S, mains[0].period_s)
    left = dict(zip(legs, found.inverse @ through, strict=True))
    remainder = _remainder(first, left, judged, log.blocks)
    total = remainder["total_w"].to_numpy()
    here = np.isfinite(total)
    windows = [window_means(trace, window_s) for trace in mains]
    corrected = found.inverse @ np.stack([one.to_numpy() for one in windows])
    for circuit, watts_w in zip(house.mains, corrected, strict=True):
        log.windows[circuit.name] = pd.Series(watts_w, index=windows[0].index)
    return PanelBalance(
        circuits=tuple(judged),
        explanation=found,
        whole=whole,
        no_multiplier=no_multiplier,
        cut_off=frozenset(ended) | {n for n, r in found.circuits.items() if r.kind == "clipped"},
        period_s=first.period_s,
        days=len(first) * first.period_s / S_PER_DAY,
        rest_w=log.rest_w,
        ends_w={c.circuit: highest_level(log, c.circuit) for c in judged if c.may_end},
        remainder=remainder,
        base_w=unmonitored_baseload(
            pd.DataFrame(log.windows),
            mains=house.mains,
            loads=[c for c in loads if not c.legs or set(c.legs) & set(legs)],
            timezone=house.timezone,
            supply=house.supply,
            window_s=window_s,
        ),
        unmonitored_w=float(total[here].mean()) if here.any() else float("nan"),
        below_zero=below,
        concerns=tuple(sorted(concerns, key=Concern.rank)),
    )


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
