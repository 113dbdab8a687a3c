"""split_loads: a trace for each load of one circuit, and how sure that is."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import combinations, permutations

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import expit, logit

from homeenergy.cycles.shared.grouping import (
    ALIKE_WATTS,
    LEAST_SHARE,
    Times,
    bell,
    evidence,
    hint_scores,
    independence,
    occasions,
    partitions,
    scores,
    share_scores,
)
from homeenergy.cycles.shared.hints import Load, odds_by_hints, said_own
from homeenergy.cycles.shared.parts import MOST_PARTS, Part, find_parts
from homeenergy.cycles.shared.steps import LEAST_STEP_W, SLOW_S, Steps, find_steps
from homeenergy.readings.trace import Trace, as_trace
from homeenergy.stats.estimate import Estimate
from homeenergy.units import S_PER_DAY, S_PER_H

MOST_LOADS = 4
# So many parts are divided among two, three or four loads; the least of more go with none.
MOST_PARTS_OF = {2: MOST_PARTS, 3: 10, 4: 8}
LEAST_DAYS, ALMOST = 4.0, 0.85
TOLD = 0.65
# Logistic regression of sums against single appliances, real ones of one half and simulated ones,
# with readings every 1 to 10 s: evidence against one load; log odds that the uses of its loads meet
# as chance has it, where they are phases of one (used in turns, its programmes meet so, too);
# logarithms of the occasions of the less used load, of the samples of the shortest usual draw (few
# hold steps that are cut off), of the least usual draw in units of LOW_W (a lesser one may be a
# state of electronics); likeness of the usual draws; logarithm of the share of the least load;
# constant.
SEVERAL = (0.46, 0.518, 1.198, 0.677, 1.528, -1.161, 0.331, -4.176)
LEAST_AGAINST, MOST_AGAINST, LEAST_INDEPENDENT, LEAST_WEIGHT = -4.0, 10.0, -6.0, 0.1
LOW_W, MOST_LOW, MOST_SAMPLES = 20.0, 1.61, 20.0
# Parts of a load that bear less than this share of its greatest do not say when it is used.
MINOR = 0.2
# Odds that a person who says that there are several loads is right. Own assumption.
SAID = 4.0
# An energy within this share of the true one is right.
RIGHT = 0.15
# Logistic regression of real sums of one half of which each load's energy is right against others,
# where no reason speaks against it, added to the log odds that other groupings come to the same
# energies: logarithm of the greatest share of a load's energy that hangs on whose the unexplained
# is, log odds of several loads, if a person says so, constant.
CONFIDENCE, MOST_SEVERAL = (-1.45, 0.31, -5.51), 6.0
LEAST_AGREED, MOST_AGREED, UNSURE = 0.02, 0.995, (0.01, 1.0)
# Above these odds a person is asked whether there are several loads: of one in ten single
# appliances or fewer.
QUESTION_ODDS = 2.0
# Where only one size of draw comes and goes.
ONE_DRAW = "only one size of draw comes and goes: one load, or several of the same watts"
ONE_DRAW_ODDS = 0.05
MOST_WAYS = 300
# What is switched comes back to levels that are sums of its parts, within this share and watts. A
# circuit with more than MOST_OFF of the energy elsewhere has a load that modulates: one in twelve
# real sums of one half, none sure otherwise, and those with slow simulated modulation. Own rule.
OFF_SHARE, OFF_W, MOST_OFF = 0.1, 10.0, 0.2
# Of what is read, on both sides of zero: more below it has a sign that no load explains. Own rule.
MOST_BELOW_ZERO = 0.01
# Of readings longer than those that the odds were fitted to, a draw that lasts fewer samples may be
# a use of another load that fills part of one. Own rule.
LONGEST_PERIOD_S, LEAST_SAMPLES = 10.0, 3.0
# Watts within this share cannot be told from each other where each comes by itself.
SAME_WATTS = 0.02


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SharedClamp:
    """The loads of one circuit.

    Attributes
    ----------
    traces : dict of str to Trace
        Each load's power. They add up to the circuit's, sample by sample; what is missing or in
        doubt there is missing or in doubt in each.
    energy_wh : dict of str to Estimate
        Energy of each [Wh], with an interval that holds what other groupings of the same runs would
        give, what no load explains, and the floor.
    sure : pandas.DataFrame
        Stretches (start, end) in which the same loads are on, and the probability that their power
        is divided rightly (sure).
    told : bool
        Whether the loads can be told from each other: if not, do not use the traces as figures.
    confidence : float
        Probability that each load's energy is right within 15 %.
    reasons : tuple of str
        What cannot be told, and why.
    odds_of_several : float
        Odds that the circuit feeds several loads and not one: 3 is three to one.
    floor_w : float
        Draw that never ends [W]. Nobody can tell whose it is: each trace holds an equal share.
    named : bool
        Whether anything that was said tells which load is which: if not, the one that takes most
        has the first name.
    usual_w : dict of str to float
        What the part of each that takes most energy draws while on [W]; NaN where not told.
    """

    traces: dict[str, Trace]
    energy_wh: dict[str, Estimate]
    sure: pd.DataFrame
    told: bool
    confidence: float
    reasons: tuple[str, ...]
    odds_of_several: float
    floor_w: float
    named: bool
    usual_w: dict[str, float]

    def to_frame(self) -> pd.DataFrame:
        """One row a load: energy_wh, low_wh, high_wh, share of the circuit."""
        total = sum(e.value for e in self.energy_wh.values())
        rows = {
            name: {
                "energy_wh": e.value,
                "low_wh": e.low,
                "high_wh": e.high,
                "share": e.value / total if total else float("nan"),
            }
            for name, e in self.energy_wh.items()
        }
        return pd.DataFrame.from_dict(rows, orient="index").rename_axis("load")


def split_loads(
    trace: Trace | pd.Series, loads: Sequence[Load] | None = None, *, n: int | None = None
) -> SharedClamp:
    """Divide the power of a circuit among the loads on it.

    Parameters
    ----------
    trace : Trace or pandas.Series of watts
        The circuit. Four days or more; a week is better.
    loads : list of Load, optional
        What is on it.
    n : int, optional
        How many loads there are, two to four. Default: as many as `loads`, or two.

    Returns
    -------
    SharedClamp

    Raises
    ------
    ValueError
        If `n` is out of range or not the number of `loads`, or two loads have one name.

    Notes
    -----
    Own method. Pulses are cut off by a morphological opening; the rest is cut into levels; up and
    down steps make rectangles, whose modes in log watts and log seconds are switched parts; their
    least costly course is found by Viterbi's algorithm and their figures from it, three times;
    coincidences, and what is said of the loads, say which parts are of one load. What no part
    explains goes to the loads that are on, in proportion to how their draw varies. Reactive power
    and the second leg of a circuit are not used. O(samples) + O(levels 2^7).

    Examples
    --------
    >>> import numpy as np, pandas as pd
    >>> from homeenergy import Trace
    >>> from homeenergy.cycles import split_loads
    >>> day = np.zeros(1440)
    >>> day[np.arange(1440) % 60 < 20] = 90  # a freezer
    >>> lamp = np.zeros((6, 1440))
    >>> for i in range(6):
    ...     lamp[i, 1085 + 7 * i : 1290 + 11 * i] = 40
    >>> watts = np.tile(day, 6) + lamp.ravel()
    >>> start = pd.Timestamp("2026-03-02T00:00Z")
    >>> shared = split_loads(Trace(label="Cellar", start=start, period_s=60, watts=watts), n=2)
    >>> {name: round(e.value) for name, e in shared.energy_wh.items()}
    {'load 1': 4320, 'load 2': 899}
    """
    named = _named(loads, n)
    whole = as_trace(trace)
    sure = whole.sure()
    n = len(named)
    if not sure.covered_s:
        return _undivided(whole, named, (*_of_the_log(whole), "nothing was logged"))
    steps = find_steps(sure)
    parts = find_parts(steps)
    if len(parts) < 2:
        return _undivided(whole, named, (*_of_the_log(whole), ONE_DRAW))
    times = [(p.first * steps.period_s, p.stop * steps.period_s) for p in parts]
    part_w = np.array([p.watts for p in parts])
    hints = odds_by_hints(named, times, part_w, start=whole.start, span_s=steps.span_s)
    groups = group(steps, parts, n=n, hints=hints)
    for g, load in enumerate(named):
        said = said_own(load, times, start=whole.start)
        parts, groups, times = _moved(parts, groups, said, to=g, period_s=steps.period_s)
    divided = _divided(sure, steps, parts, groups.labels, n=n)
    if not hints.any():  # nothing names the loads: the one that takes most comes first
        order = np.argsort(-np.nansum(divided.watts, axis=1))
        place = np.argsort(order)
        groups = replace(groups, labels=place[groups.labels], spans_ws=groups.spans_ws[order])
        divided = divided.in_order(order)
    return _result(whole, steps, parts, groups, divided, named, by_name=bool(hints.any()))


def _moved(
    parts: list[Part], groups: Groups, said: list[NDArray[np.bool_]], *, to: int, period_s: float
) -> tuple[list[Part], Groups, list[Times]]:
    """Give load `to` the draws that a person said are its own, as parts of theirs."""
    labels = groups.labels.tolist()
    for a, which in enumerate(said):
        if labels[a] != to and which.any():
            parts = [*parts, parts[a].chosen(which)]
            parts[a] = parts[a].chosen(~which)
            labels.append(to)
    times = [(p.first * period_s, p.stop * period_s) for p in parts]
    return parts, replace(groups, labels=np.array(labels)), times


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Groups:
    """Load of each part, and what other groupings say of it.

    `agreement` is the probability of groupings that come to the same energies; `spans_ws` is how
    far the energies of the loads lie below and above in the middle 95 % of groupings, shape (n, 2).
    `against` is the evidence between parts of different loads that they are not of one, by energy;
    `independent` log odds that loads are used independently of each other; `least` the share of
    the least load; `occasions` how often that load was used which was used the least; `samples` how
    long the usual draw of a load lasts that is the shortest.
    """

    labels: NDArray[np.int64]
    agreement: float
    spans_ws: NDArray[np.float64]
    against: float
    independent: float
    least: float
    occasions: int
    samples: float


def group(
    steps: Steps, parts: list[Part], *, n: int, hints: NDArray[np.float64] | None = None
) -> Groups:
    """Most likely partition of the parts into `n` loads, with log odds by hints, (n, parts)."""
    times = [(p.first * steps.period_s, p.stop * steps.period_s) for p in parts]
    energy = np.array([p.energy_ws(steps.period_s) for p in parts])
    odds = evidence(times, np.array([p.watts for p in parts]), span_s=steps.span_s)
    kept = np.sort(np.argsort(-energy)[: MOST_PARTS_OF[n]])
    count = min(n, kept.size)
    ways = _ways(kept.size, count)
    inner = odds[np.ix_(kept, kept)]
    score = scores(inner, energy[kept], ways) + share_scores(energy[kept], ways)
    named = np.arange(count)
    if hints is not None and hints.any():
        by_hints, turns = hint_scores(hints[:, kept], energy[kept], ways, n=n)
        score = score + by_hints
        named = turns[int(score.argmax())]
    best = int(score.argmax())
    labels = np.zeros(len(parts), np.int64)
    labels[kept] = ways[best]
    for a in np.setdiff1d(np.arange(len(parts)), kept):
        labels[a] = np.argmax([odds[a, kept[ways[best] == g]].mean() for g in range(count)])
    labels = named[labels]
    agreement, spans = _other_ways(ways, score, energy[kept], n=count)
    by_name = np.zeros((n, 2))
    by_name[named] = spans
    bear = np.sqrt(energy / energy.sum())
    apart = labels[:, None] != labels
    main = [max(np.flatnonzero(labels == g), key=lambda a: energy[a]) for g in named]
    large = [
        [times[b] for b in np.flatnonzero(labels == labels[a]) if energy[b] >= MINOR * energy[a]]
        for a in main
    ]
    least = float(np.bincount(labels, energy, minlength=n).min() / energy.sum())
    weight = max(np.sqrt(least), LEAST_WEIGHT)
    return Groups(
        labels=labels,
        agreement=agreement,
        spans_ws=by_name,
        against=float(-(odds * bear[:, None] * bear * apart).sum() / 2 / weight),
        independent=min(independence(a, b, span_s=steps.span_s) for a, b in combinations(large, 2)),
        least=least,
        occasions=min(len(occasions(times[a])) for a in main),
        samples=min(float(np.median(parts[a].stop - parts[a].first)) for a in main),
    )


@lru_cache(maxsize=32)
def _ways(k: int, n: int) -> NDArray[np.int64]:
    return partitions(k, n)


def _other_ways(
    ways: NDArray[np.int64], score: NDArray[np.float64], energy: NDArray[np.float64], *, n: int
) -> tuple[float, NDArray[np.float64]]:
    """Probability of partitions that come to the same energies, and how far those reach."""
    top = np.argsort(-score)[:MOST_WAYS]
    weight = np.exp(score[top] - score[top[0]])
    weight /= weight.sum()
    best = ways[top[0]]
    own = np.bincount(best, energy, minlength=n)
    turns = [np.array(p) for p in permutations(range(n))]
    drawn = np.empty((top.size, n))
    same = np.empty(top.size, bool)
    for i, way in enumerate(ways[top]):
        wrong = [energy[turn[way] != best].sum() for turn in turns]
        turn = turns[int(np.argmin(wrong))]
        drawn[i] = np.bincount(turn[way], energy, minlength=n)
        same[i] = bool((np.abs(drawn[i] - own) < RIGHT * own).all())
    spans = np.empty((n, 2))
    for g in range(n):
        order = np.argsort(drawn[:, g])
        reach = np.cumsum(weight[order])
        low, high = (
            drawn[order, g][min(np.searchsorted(reach, q), order.size - 1)] for q in (0.025, 0.975)
        )
        spans[g] = min(low - own[g], 0.0), max(high - own[g], 0.0)
    return float(weight[same].sum()), spans


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Divided:
    """Watts of each load, shape (loads, samples), and how far the parts explain them.

    `off` is the share of all energy in levels, with the pulses on them, that no sum of parts comes
    near; `unsure_ws` the energy of each load that hangs on whose the unexplained is: of each level
    the standard deviation of what is all of one load or of another.
    """

    watts: NDArray[np.float64]
    off: float
    unsure_ws: NDArray[np.float64]

    def in_order(self, order: NDArray[np.int64]) -> Divided:
        """With the loads in another order."""
        return replace(self, watts=self.watts[order], unsure_ws=self.unsure_ws[order])


def _divided(
    sure: Trace, steps: Steps, parts: list[Part], labels: NDArray[np.int64], *, n: int
) -> Divided:
    """Watts of each load; they add up to the circuit."""
    size = len(sure)
    ends = math.ceil(SLOW_S / steps.period_s)
    base, vary = np.zeros((n, size)), np.zeros((n, size + 1))
    for part, g in zip(parts, labels, strict=True):
        base[g] += part.drawn_w(size, steps.period_s)
        # Samples at the ends of a draw hold some of it.
        np.add.at(vary[g], np.maximum(part.first - ends, 0), part.spread_w**2)
        np.add.at(vary[g], np.minimum(part.stop + ends, size), -(part.spread_w**2))
    vary = np.maximum(np.cumsum(vary, axis=1)[:, :-1], 0.0) + 1e-3
    share = vary / vary.sum(axis=0)
    watts = sure.watts.astype(np.float64)
    rest = watts - base.sum(axis=0) - steps.floor_w
    found = base + share * rest + steps.floor_w / n
    # No load gives power back while the circuit does not.
    least = np.minimum(watts, 0.0) / n
    found = np.maximum(found, least)
    total = found.sum(axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        factor = np.where(np.abs(total) > 1e-9, watts / total, 0.0)
    found = np.where((watts > 0) & (total > 0), found * factor, watts / n)
    above = np.nan_to_num(watts - steps.floor_w)
    rest = np.nan_to_num(rest)
    drawn, missed, samples = np.abs(_by_level(np.array([above, rest, ~np.isnan(watts)]), steps))
    off = missed > np.maximum(OFF_SHARE * drawn, OFF_W * samples)
    # It is all of one load or of another: the standard deviation of a draw with that chance.
    unsure = np.abs(_by_level(rest * np.sqrt(share * (1 - share)), steps))
    return Divided(
        watts=found,
        off=float(drawn[off].sum() / max(drawn.sum(), 1.0)),
        unsure_ws=unsure.sum(axis=1) * steps.period_s,
    )


def _by_level(of: NDArray[np.float64], steps: Steps) -> NDArray[np.float64]:
    """Sums over the samples of each level, shape (rows, levels)."""
    sums = np.cumsum(np.c_[np.zeros(len(of)), of], axis=1)
    return np.asarray(sums[:, steps.stop] - sums[:, steps.first])


def _result(
    whole: Trace,
    steps: Steps,
    parts: list[Part],
    groups: Groups,
    divided: Divided,
    named: list[Load],
    *,
    by_name: bool,
) -> SharedClamp:
    n = len(named)
    energies: dict[str, Estimate] = {}
    total_ws = float(np.nansum(divided.watts)) * whole.period_s
    made = _exact_traces(whole, divided.watts, [load.name for load in named])
    unsure = 0.0
    for g, trace in enumerate(made):
        value = trace.energy_wh
        floor_wh = steps.floor_w * whole.covered_s / S_PER_H / n
        rest = 2 * float(divided.unsure_ws[g]) / S_PER_H
        above_ws = max((value - floor_wh) * S_PER_H, 1.0)
        unsure = max(unsure, float(divided.unsure_ws[g]) / above_ws)
        low, high = groups.spans_ws[g] / S_PER_H
        energies[trace.label] = Estimate(
            value=value,
            low=min(max(value + low - floor_wh - rest, 0.0), value),
            high=max(min(value + high + floor_wh * (n - 1) + rest, total_ws / S_PER_H), value),
            unit="Wh",
            n=int(sum(p.first.size for p, of in zip(parts, groups.labels, strict=True) if of == g)),
            basis="divided by levels and coincidences; own method",
        )
    reasons = _reasons(whole, parts, groups, divided.off, n=n)
    confidence = _confidence(parts, groups, unsure)
    confidence = min(confidence, 0.5) if reasons else confidence
    return SharedClamp(
        traces={trace.label: trace for trace in made},
        energy_wh=energies,
        sure=_by_stretch(whole, parts, groups, confidence),
        told=confidence >= TOLD,
        confidence=float(confidence),
        reasons=reasons,
        odds_of_several=_odds_of_several(parts, groups),
        floor_w=steps.floor_w,
        named=by_name,
        usual_w={load.name: _usual_w(parts, groups.labels, g) for g, load in enumerate(named)},
    )


def _confidence(parts: list[Part], groups: Groups, unsure: float) -> float:
    """Probability of several loads with right energies; a share of one, `unsure`, is a guess."""
    if not groups.least > 0:
        return 0.0
    agreed = np.clip(groups.agreement, LEAST_AGREED, MOST_AGREED)
    several = min(np.log(SAID * _odds_of_several(parts, groups)), MOST_SEVERAL)
    figures = np.log(np.clip(unsure, *UNSURE)), several, 1
    return float(expit(logit(agreed) + np.dot(CONFIDENCE, figures)))


def _odds_of_several(parts: list[Part], groups: Groups) -> float:
    """Odds of several loads against one, if both are as likely beforehand."""
    log_w = np.log([_usual_w(parts, groups.labels, g) for g in np.unique(groups.labels)])
    figures = (
        np.clip(groups.against, LEAST_AGAINST, MOST_AGAINST),
        np.clip(groups.independent, LEAST_INDEPENDENT, 0.0),
        np.log(groups.occasions),
        np.log(np.clip(groups.samples, 1.0, MOST_SAMPLES)),
        min(log_w.min() - np.log(LOW_W), MOST_LOW),
        bell(log_w.max() - log_w.min(), ALIKE_WATTS),
        np.log(max(groups.least, LEAST_SHARE)),
        1,
    )
    return float(np.exp(np.dot(SEVERAL, figures)))


def odds_of_two(trace: Trace) -> tuple[float, tuple[float, float]]:
    """Odds of several loads against one, and the usual watts of two; quicker than dividing."""
    sure = trace.sure()
    parts = find_parts(steps := find_steps(sure)) if sure.covered_s else []
    if len(parts) < 2:
        return ONE_DRAW_ODDS, (float("nan"), float("nan"))
    groups = group(steps, parts, n=2)
    high, low = sorted((_usual_w(parts, groups.labels, g) for g in range(2)), reverse=True)
    return _odds_of_several(parts, groups), (high, low)


def _exact_traces(whole: Trace, watts: NDArray[np.float64], names: list[str]) -> list[Trace]:
    """Traces in float32 that still add up: the last load has what the others leave."""
    single = watts.astype(np.float32)
    doubted = np.zeros(len(whole), bool) if whole.doubt is None else whole.doubt != 0
    single[:, doubted] = whole.watts[doubted] / np.float32(len(names))
    single[-1] = whole.watts.astype(np.float64) - single[:-1].sum(axis=0, dtype=np.float64)
    return [
        Trace(label=name, start=whole.start, period_s=whole.period_s, watts=one, doubt=whole.doubt)
        for name, one in zip(names, single, strict=True)
    ]


def _usual_w(parts: list[Part], labels: NDArray[np.int64], g: int) -> float:
    """Watts of the part that bears most of a load; NaN where it has none."""
    own = [p for p, of in zip(parts, labels, strict=True) if of == g]
    return max(own, key=lambda p: p.energy_ws(1.0)).watts if own else float("nan")


def _reasons(
    whole: Trace, parts: list[Part], groups: Groups, off: float, *, n: int
) -> tuple[str, ...]:
    """What stands in the way of telling loads from each other, in words."""
    reasons = list(_of_the_log(whole))
    if off > MOST_OFF:
        reasons.append(
            f"one of them varies too much: {off:.0%} of the energy is at levels that no switching "
            "explains"
        )
    if SAID * _odds_of_several(parts, groups) < 1:
        reasons.append("only one load is seen: what comes and goes may all be parts of it")
    if len(set(groups.labels.tolist())) < n:
        reasons.append(f"fewer draws come and go than the {n} loads that were asked for")
    if whole.period_s > LONGEST_PERIOD_S and groups.samples < LEAST_SAMPLES:
        reasons.append(
            f"a load draws for hardly longer than a sample of {whole.period_s:g} s: it may be uses "
            "of another that fill part of a sample; log oftener"
        )
    main = [_usual_w(parts, groups.labels, g) for g in range(n)]
    for a in range(n):
        for b in range(a):
            if abs(np.log(main[a] / main[b])) < SAME_WATTS:
                low, high = sorted((main[a], main[b]))
                alike = f"two loads of {low:,.0f} and {high:,.0f} W cannot be told by watts"
                reasons.append(f"{alike}; power factors are not used")
    return tuple(reasons)


def _of_the_log(whole: Trace) -> tuple[str, ...]:
    """What stands in the way whatever the loads are: too few days, readings below zero."""
    reasons = []
    days = whole.covered_s / S_PER_DAY
    if days < LEAST_DAYS * ALMOST:
        reasons.append(f"{days:.1f} days were logged: log for four days at least, better for seven")
    watts = whole.sure().watts.astype(np.float64)
    below = -np.nansum(np.minimum(watts + LEAST_STEP_W, 0.0)) / max(np.nansum(np.abs(watts)), 1.0)
    if below > MOST_BELOW_ZERO:
        reasons.append(
            f"{below:.0%} of what it reads is below zero: conductors pass the clamp in opposite "
            "directions, or power is fed back. Turn the conductors round so that all draws count up"
        )
    return tuple(reasons)


def _by_stretch(whole: Trace, parts: list[Part], groups: Groups, confidence: float) -> pd.DataFrame:
    """Stretches in which the same loads are on; where none is, nothing can be divided wrongly."""
    n = int(groups.labels.max()) + 1
    size = len(whole)
    on = np.zeros((n, size + 1))
    for part, g in zip(parts, groups.labels, strict=True):
        np.add.at(on[g], part.first, 1)
        np.add.at(on[g], part.stop, -1)
    state = ((np.cumsum(on, axis=1)[:, :-1] > 0.5) * (1 << np.arange(n))[:, None]).sum(axis=0)
    edge = np.flatnonzero(np.diff(state, prepend=-1))
    return pd.DataFrame(
        {
            "start": whole.times()[edge],
            "end": [whole.instant(i) for i in np.r_[edge[1:], size]],
            "sure": np.where(state[edge] > 0, confidence, 1.0),
        }
    )


def _named(loads: Sequence[Load] | None, n: int | None) -> list[Load]:
    count = n if n is not None else len(loads) if loads else 2
    if not 2 <= count <= MOST_LOADS:
        raise ValueError(f"n must be 2 to {MOST_LOADS} loads on one circuit, got {count}")
    named = list(loads) if loads else [Load(name=f"load {i + 1}") for i in range(count)]
    if len(named) != count:
        raise ValueError(f"{len(named)} loads are given, but n is {count}: give one of the two")
    if len({load.name for load in named}) < count:
        raise ValueError("two loads have the same name: give each its own")
    return named


def _undivided(whole: Trace, named: list[Load], reasons: tuple[str, ...]) -> SharedClamp:
    """Equal shares, of which nothing is known."""
    n = len(named)
    watts = np.repeat(whole.watts[None].astype(np.float64) / n, n, axis=0)
    traces = _exact_traces(whole, watts, [load.name for load in named])
    total_wh = whole.sure().energy_wh
    bound = Estimate(
        value=total_wh / n,
        low=min(total_wh, 0.0),
        high=max(total_wh, 0.0),
        unit="Wh",
        n=0,
        basis="not told: any share of the circuit",
    )
    return SharedClamp(
        traces={trace.label: trace for trace in traces},
        energy_wh={load.name: bound for load in named},
        sure=pd.DataFrame(
            {"start": [whole.start], "end": [whole.end], "sure": [0.0]} if len(whole) else {},
            columns=["start", "end", "sure"],
        ),
        told=False,
        confidence=0.0,
        reasons=reasons,
        odds_of_several=ONE_DRAW_ODDS,
        floor_w=0.0,
        named=False,
        usual_w={load.name: float("nan") for load in named},
    )
