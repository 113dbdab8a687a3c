"""Run cycles: every use of an appliance, with its energy."""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace

import numpy as np
from numpy.typing import NDArray

from homeenergy.cycles.rest import find_rest, idle_standby, never_at_rest
from homeenergy.cycles.runs.bridging import (
    SHORT_S,
    Fragments,
    find_fragments,
    groups,
    join_across_holes,
    join_short,
    sums_of,
)
from homeenergy.cycles.runs.levels import (
    IDLE_ELECTRONICS_W,
    LEAST_MOTOR_W,
    SPIKE_N,
    Levels,
    above_second_rest,
    find_levels,
    highest_w,
    is_moment,
    spikes_among,
)
from homeenergy.cycles.runs.partition import most_likely_runs
from homeenergy.cycles.runs.power_off import without_power
from homeenergy.cycles.runs.result import Cycles, make_cycles, turned_round
from homeenergy.cycles.segment.kernels import weighted_quantile
from homeenergy.cycles.segment.plateaus import Chunks, Plateaus, consecutive, segment, some, within
from homeenergy.house.clamp_errors import UNKNOWN_ERRORS, ClampErrors
from homeenergy.house.kinds import KINDS, Bridging
from homeenergy.readings.trace import Trace
from homeenergy.units import S_PER_DAY

# A machine with a heater and a motor has working levels this far apart; an element, a lamp or a
# compressor has not.
MIXED_RATIO = 4.0
# Compressors driven by an inverter draw at least this; what wanders below it is electronics.
LEAST_INVERTER_W = 200.0
LEAST_HEATER_W = 400.0
# Nothing at rest draws more than this; what does, and rises by no more than a motor does from half
# speed (a fan takes an eighth there, and its losses) for long and steadily, runs at two speeds.
MOST_STANDBY_W, MOST_RISE, MOST_SPREAD_OF_SPEED = 18.0, 3.5, 1.15
# What works for such a share of the time never stops.
NEARLY_ALWAYS = 0.98
# A use of a moment rises by at least so many times as much as readings at rest do at times.
CLEAR_OF_REST = 2.0
# A drum that turns to and fro goes on and off so often within minutes.
MANY_BEATS = 20


def _working_levels(
    plateaus: Plateaus, fragments: Fragments, *, idle_w: float
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Levels above idle [W], and samples, of all plateaus inside fragments."""
    working = within(fragments.first_plateau, fragments.stop_plateau, len(plateaus))
    return plateaus.mean_w[working] - idle_w, plateaus.n[working]


@dataclass(frozen=True, slots=True)
class Outcome:
    """A kind, and how often it is right where the rule of that name decides."""

    kind: str
    sure: float


# How often each rule is right of logs of all kinds of appliance, which weigh the same: randomised,
# simulated and real ones (`python -m tests.accuracy.kinds`, whose page has the counts).
OUTCOMES = {
    "nothing works": Outcome("continuous", 0.61),
    "turns to and fro": Outcome("batch", 0.69),
    "works at wandering levels": Outcome("modulating", 0.43),
    "works at levels far apart": Outcome("batch", 0.73),
    "works nearly always": Outcome("continuous", 0.52),
    "plainly switches itself": Outcome("thermostatic", 0.94),
    "switches itself": Outcome("thermostatic", 0.54),
    "has a second speed": Outcome("continuous", 0.75),
    "something else": Outcome("manual", 0.86),
}


def infer_kind(plateaus: Plateaus, fragments: Fragments, *, idle_w: float) -> tuple[str, float]:
    """Kind of an appliance, and how often such a log is of this kind, 0 to 1."""
    if not len(plateaus):
        return "continuous", 0.0
    outcome = OUTCOMES[deciding_rule(plateaus, fragments, idle_w=idle_w)]
    return outcome.kind, outcome.sure


def deciding_rule(plateaus: Plateaus, fragments: Fragments, *, idle_w: float) -> str:
    """What tells the kind of an appliance: a name in `OUTCOMES`. Own rules.

    Never at rest, or nothing that stands out, or one steady speed above another: continuous.
    Working levels far apart that change often within a long run: batch. Levels that wander over
    long runs: modulating. Many similar runs through day and night: thermostatic. Else a person
    switches it.
    """
    covered_s = float(plateaus.n.sum()) * plateaus.period_s
    pieces = groups(fragments.pause_s <= SHORT_S)
    if not len(fragments) or not fragments.works.any():
        return "nothing works"
    begin, end = pieces.T
    first = fragments.first[begin]
    lasts_s = (fragments.stop[end - 1] - first) * plateaus.period_s
    share = float(lasts_s.sum()) / covered_s
    excess, n = _working_levels(plateaus, fragments, idle_w=idle_w)
    low, middle, high = (weighted_quantile(excess, n, q * n.sum()) for q in (0.1, 0.5, 0.92))
    spread = float(high / low)
    large = _bearing(np.add.reduceat(fragments.excess_wh, begin))
    steps = fragments.stop_plateau[end - 1] - fragments.first_plateau[begin]
    long_s = float(np.median(lasts_s[large]))
    longest = int(np.argmax(lasts_s))
    beats = end[longest] - begin[longest]
    always = share > NEARLY_ALWAYS
    if lasts_s[longest] >= 600 and beats >= MANY_BEATS and not always:
        return "turns to and fro"
    if middle >= LEAST_INVERTER_W and long_s > 1800 and not _few_levels(excess, n):
        return "works at wandering levels"
    heats = spread >= MIXED_RATIO and high >= LEAST_HEATER_W
    if long_s >= 600 and (
        (spread >= MIXED_RATIO and np.median(steps[large]) >= 6) or (heats and long_s > 1800)
    ):
        return "works at levels far apart"
    if always:
        return "works nearly always"
    until_s = float(plateaus.stop[-1]) * plateaus.period_s
    by_itself = _by_itself(first * plateaus.period_s, lasts_s, covered_s=covered_s, until_s=until_s)
    # The inrush of a pump that runs for seconds is no level of its own.
    usual_high = weighted_quantile(excess, n, 0.8 * n.sum())
    if by_itself > 0.6 and usual_high < 3 * low:
        return "plainly switches itself" if by_itself >= 0.8 else "switches itself"
    steady = _wander(plateaus, fragments, idle_w=idle_w) < MOST_SPREAD_OF_SPEED
    if idle_w > MOST_STANDBY_W and high <= MOST_RISE * idle_w and steady and long_s >= 600:
        return "has a second speed"
    return "something else"


def _wander(plateaus: Plateaus, fragments: Fragments, *, idle_w: float) -> float:
    """High over low readings at work, but for what they wander at rest as well."""
    works = within(fragments.first_plateau, fragments.stop_plateau, len(plateaus))
    excess, n, square = plateaus.mean_w[works] - idle_w, plateaus.n[works], plateaus.std_w**2
    at_rest = np.average(square[~works], weights=plateaus.n[~works]) if (~works).any() else 0.0
    std_w = np.sqrt(np.maximum(square[works] - at_rest, 0.0))
    low = weighted_quantile(excess - std_w, n, 0.1 * n.sum())
    return float(weighted_quantile(excess + std_w, n, 0.92 * n.sum()) / max(low, 1e-9))


def _by_itself(
    first_s: NDArray[np.floating],
    lasts_s: NDArray[np.floating],
    *,
    covered_s: float,
    until_s: float,
) -> float:
    """How much the runs look as if nobody started them, 0 to 1.

    They come at even distances, or at nearly every hour of the day with similar length.
    """
    if first_s.size * S_PER_DAY < 4 * covered_s or first_s.size < 4:
        return 0.0
    every_s = np.diff(np.r_[0.0, first_s, until_s])
    # Trains of pulses leave most of the log without any: most distances are then far below the mean
    # (at random, the median is 0.69 of it).
    spread = 2 * float(np.median(every_s)) * first_s.size / covered_s
    even = min(1.1 - 0.8 * _relative_spread(every_s), spread)
    hours = np.unique((first_s % S_PER_DAY) // 3600).size / 24
    similar = 1.2 - _relative_spread(lasts_s)
    return float(np.clip(max(even, min(hours, similar, spread)), 0.0, 0.99))


def _relative_spread(x: NDArray[np.floating]) -> float:
    """Spread by the median, which few long ones do not move: at random about 1, as by the mean."""
    middle = np.median(x)
    return 1.4826 * float(np.median(np.abs(x - middle)) / middle)


def _bearing(worth: NDArray[np.float64]) -> NDArray[np.bool_]:
    """The largest pieces, which together bear most of the energy."""
    order = np.argsort(-worth)
    needed = int(np.searchsorted(np.cumsum(worth[order]), 0.8 * worth.sum())) + 1
    bearing = np.zeros(worth.size, bool)
    bearing[order[:needed]] = True
    return bearing


def _few_levels(excess: NDArray[np.float64], n: NDArray[np.int64]) -> bool:
    """Whether most of the working time is spent near few levels (bins of 7 %)."""
    bins = np.round(np.log(np.maximum(excess, 1e-9)) / 0.07).astype(np.int64)
    held = np.bincount(bins - bins.min(), weights=n)
    return bool(np.sort(held)[-4:].sum() > 0.75 * held.sum())


# A drain or circulation pump draws more than this, a display less. Common practice, no source.
LEAST_PUMP_W = 25.0
LEAD_IN_S, LEAST_LEAD_IN_W = 300.0, 1.0
# Shares of the median run: power worth less than the first, at a level less than the second of the
# usual one or the other way round, belongs to no run; nor, of a machine with programmes, what lasts
# for less than the second.
SLIGHT_WORTH, SLIGHT_SHARE = 0.05, 0.6


def find_cycles(
    trace: Chunks,
    kind: str | None = None,
    *,
    idle_w: float | None = None,
    on_w: float | None = None,
    low_w: float | None = None,
    pause_s: float | None = None,
    noise_w: float | None = None,
    penalty_w2: float | None = None,
    long_gap_s: float | None = None,
    floor: ClampErrors = UNKNOWN_ERRORS,
) -> Cycles:
    """Split a trace into the runs of an appliance and its standby draw.

    Parameters
    ----------
    trace : Trace, pandas.Series of watts, or a list of consecutive Traces (months)
        What is split, shape (n,) [W].
    kind : str, optional
        "thermostatic", "batch", "manual", "modulating" or "continuous". Default: inferred.
    idle_w, on_w, low_w : float, optional
        Idle level, level that a run must reach, and level above which neighbouring power belongs
        to it [W]. Default: found by `homeenergy.cycles.runs.levels.find_levels`.
    pause_s : float, optional
        Longest pause inside a run [s]; given, it is the only rule. Default: the likeliest runs
        (`homeenergy.cycles.runs.partition`), or short pauses only of what switches itself.
    noise_w, penalty_w2, long_gap_s : float, optional
        As for `find_plateaus`.
    floor : ClampErrors
        What the clamp makes of small powers (`homeenergy.house.clamp_errors`), if known.

    Returns
    -------
    Cycles
        The same whether the trace is given whole or in pieces.

    Raises
    ------
    ValueError
        For an unknown kind, or a setting out of range.

    Notes
    -----
    A run is one use as its owner would count it: a programme with its pauses, one boil, one
    on-period of a compressor. Where nearly all energy is negative (a clamp on backwards) runs are
    looked for below the idle level, keep their negative energy, and `settings["backwards"]` is
    True. Time and memory grow linearly with the number of samples.

    Examples
    --------
    >>> import numpy as np, pandas as pd
    >>> from homeenergy import Trace, find_cycles
    >>> watts = np.full(1440, 2.0)  # a day in minutes: 2 W, and two boils
    >>> watts[480:486] = watts[780:789] = 1800.0
    >>> start = pd.Timestamp("2026-03-02T00:00Z")
    >>> kettle = Trace(label="Kettle", start=start, period_s=60, watts=watts)
    >>> cycles = find_cycles(kettle, "manual")
    >>> cycles.table[["duration_s", "energy_wh", "complete"]]
       duration_s  energy_wh  complete
    0       360.0      180.0      True
    1       540.0      270.0      True
    """
    if kind is not None and kind not in KINDS:
        raise ValueError(f"unknown kind {kind!r}; choose one of {', '.join(KINDS)}")
    pieces = consecutive(trace)
    plateaus = segment(
        pieces,
        noise_w=noise_w,
        penalty_w2=penalty_w2,
        long_gap_s=long_gap_s,
        fine=False,
        corrections=floor.corrections,
    )
    return cycles_of_plateaus(
        plateaus,
        pieces,
        kind=kind,
        idle_w=idle_w,
        on_w=on_w,
        low_w=low_w,
        pause_s=pause_s,
        floor=floor,
    )


def cycles_of_plateaus(
    plateaus: Plateaus,
    pieces: list[Trace],
    *,
    kind: str | None = None,
    idle_w: float | None = None,
    on_w: float | None = None,
    low_w: float | None = None,
    pause_s: float | None = None,
    floor: ClampErrors = UNKNOWN_ERRORS,
) -> Cycles:
    """As `find_cycles`, from the plateaus of the samples in `pieces`, or from some of them."""
    backwards = _is_backwards(plateaus)
    if backwards:
        plateaus = plateaus.turned()
    sign = -1 if backwards else 1
    # Hours without power tell no more of an appliance than hours without readings.
    off = without_power(plateaus)
    every, plateaus = plateaus, some(plateaus, ~off) if off.any() else plateaus
    given = {"idle_w": idle_w, "on_w": on_w, "low_w": low_w}
    levels = replace(
        find_levels(plateaus), **{k: sign * v for k, v in given.items() if v is not None}
    )
    sure = 1.0
    found_kind = kind
    if found_kind is None:
        if low_w is None:
            levels = above_second_rest(plateaus, levels)
        fragments = find_fragments(plateaus, levels)
        found_kind, sure = infer_kind(plateaus, fragments, idle_w=levels.idle_w)
    if low_w is None:
        levels = replace(levels, low_w=_low_w(found_kind, levels, plateaus.settings["step_w"]))
    first, stop, run_sure, longest_s = _find_runs(
        plateaus, levels, kind=found_kind, pause_s=pause_s, motors=on_w is None
    )
    if (
        not (first.size or (kind and KINDS[kind].never_off))
        and plateaus.usual_w > IDLE_ELECTRONICS_W
    ):
        # A steady draw above what electronics take at rest may be work that never paused.
        rest = never_at_rest(find_rest(every, first, stop, on_w=levels.on_w))
    else:
        rest = idle_standby(pieces, every, first, stop, on_w=levels.on_w, floor=floor)
    cycles = make_cycles(
        every,
        first,
        stop,
        sure=run_sure,
        rest=rest,
        settings={
            **asdict(levels),
            "pause_s": longest_s if pause_s is None else pause_s,
            "longest_pause_s": longest_s,
            **plateaus.settings,
        },
        kind=found_kind,
        kind_sure=sure,
        label=pieces[0].label,
    )
    return turned_round(cycles) if backwards else cycles


def _find_runs(
    plateaus: Plateaus, levels: Levels, *, kind: str, pause_s: float | None, motors: bool
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64], float]:
    """First and stop samples of all runs, how sure each is, and the longest pause in one [s].

    With `motors`, those of a machine may be its work; without, only the working level is.
    """
    fragments = find_fragments(plateaus, levels)
    bridging = KINDS[kind].bridging
    if motors and bridging.pumps:
        fragments = _with_motors(fragments, plateaus, bridging=bridging, idle_w=levels.idle_w)
    sure = np.ones(len(fragments))
    if pause_s is not None:
        joins = fragments.pause_s <= pause_s
    elif bridging.by_itself:
        joins = join_short(fragments)
    else:
        joins, sure = most_likely_runs(fragments, plateaus, bridging=bridging, idle_w=levels.idle_w)
    if pause_s is None:
        join_across_holes(fragments, joins, up_to_usual=bridging.usual_pause_in_holes)
    runs = groups(joins)
    if not len(fragments) or KINDS[kind].never_off:
        runs = runs[:0]
    runs = runs[sums_of(fragments.works.astype(np.int64), *runs.T) > 0]
    runs = _without_spikes(plateaus, fragments, runs, idle_w=levels.idle_w)
    runs = _without_slight(fragments, runs, kind=kind)
    first, stop = fragments.first[runs[:, 0]], fragments.stop[runs[:, 1] - 1]
    if KINDS[kind].by_hand:
        first = _with_lead_in(plateaus, first, stop, idle_w=levels.idle_w)
    longest_s = float(fragments.pause_s[joins].max(initial=0.0))
    run_sure = np.array([sure[a:b].min() for a, b in runs.tolist()])
    return first, stop, run_sure, longest_s


def _with_motors(
    fragments: Fragments, plateaus: Plateaus, *, bridging: Bridging, idle_w: float
) -> Fragments:
    """Fragments of which motors are work where nothing heats between two long rests.

    So a programme without heating is one, and the second half of another is none.
    """
    if not len(fragments):
        return fragments
    begin, end = groups(fragments.pause_s <= bridging.set_off_s).T
    heats = sums_of(fragments.works.astype(np.int64), begin, end) > 0
    most_w = highest_w(plateaus, fragments.first_plateau, fragments.stop_plateau)
    turns = (most_w > idle_w + LEAST_MOTOR_W) & ~np.repeat(heats, end - begin)
    return replace(fragments, works=fragments.works | turns)


def _is_backwards(plateaus: Plateaus) -> bool:
    """Whether nearly all energy is negative, and not only by the offset of a clamp.

    With an offset, work rises from a steady level a little below zero.
    """
    net = float(plateaus.sum_w.sum())
    if not net < -0.8 * float(np.abs(plateaus.sum_w).sum()):
        return False
    work = float(np.sum(plateaus.sum_w - plateaus.usual_w * plateaus.n))
    return work < 0 or plateaus.usual_w < -IDLE_ELECTRONICS_W


def _low_w(kind: str, levels: Levels, step_w: float) -> float:
    """Level above which neighbouring power belongs to a run [W]."""
    bridging = KINDS[kind].bridging
    if bridging.low_share is not None:
        return levels.idle_w + bridging.low_share * (levels.on_w - levels.idle_w)
    if bridging.pumps:
        return min(levels.low_w, levels.idle_w + max(LEAST_PUMP_W, 1.5 * step_w))
    return levels.low_w


def _with_lead_in(
    plateaus: Plateaus,
    first: NDArray[np.int64],
    stop: NDArray[np.int64],
    *,
    idle_w: float,
) -> NDArray[np.int64]:
    """Starts moved back to where the power left idle, if it did so within `LEAD_IN_S` before.

    A machine begins with its door lock, valve and electronics. Own rule.
    """
    noise_w, period_s = plateaus.settings["noise_w"], plateaus.period_s
    above = plateaus.mean_w > idle_w + np.maximum(
        LEAST_LEAD_IN_W, 5 * noise_w / np.sqrt(plateaus.n)
    )
    moved = first.copy()
    for k, at in enumerate(np.searchsorted(plateaus.first, first)):
        # What leads in is the lesser part: before a short use the rest itself has changed.
        lead_s = min(LEAD_IN_S, (stop[k] - first[k]) * period_s)
        earliest = max(first[k] - lead_s / period_s, stop[k - 1] if k else 0)
        i = int(at)
        while i > 0 and above[i - 1] and plateaus.stop[i - 1] == plateaus.first[i]:
            i -= 1
            if plateaus.first[i] < earliest:
                break
        if plateaus.first[i] >= earliest:
            moved[k] = plateaus.first[i]
    return moved


def _without_spikes(
    plateaus: Plateaus, fragments: Fragments, runs: NDArray[np.int64], *, idle_w: float
) -> NDArray[np.int64]:
    """Leave out runs of a moment or two that are spikes, or that rest nearly reaches at times."""
    begin, end = runs.T
    moments = is_moment(plateaus, fragments.first_plateau, fragments.stop_plateau)
    brief = (end - begin <= SPIKE_N) & (
        sums_of(moments.astype(np.int64), begin, end) == end - begin
    )
    lasts = np.where(
        brief, sums_of(fragments.n, begin, end), fragments.stop[end - 1] - fragments.first[begin]
    )
    top_w = highest_w(plateaus, fragments.first_plateau[begin], fragments.stop_plateau[end - 1])
    at_rest = ~within(fragments.first_plateau, fragments.stop_plateau, len(plateaus))
    n = np.where(at_rest, plateaus.n, 0)
    reach_w = weighted_quantile(plateaus.greatest_w, n, n.sum() / 4) - idle_w if n.any() else 0.0
    slight = brief & (top_w - idle_w < CLEAR_OF_REST * reach_w)
    return runs[~(slight | spikes_among(brief, lasts, top_w=top_w))]


def _without_slight(
    fragments: Fragments, runs: NDArray[np.int64], *, kind: str
) -> NDArray[np.int64]:
    """Leave out what is worth far less than a usual run at another level: a door lamp, a spike.

    Of a machine with programmes, leave out what is worth next to nothing and is short.
    """
    if len(runs) < 3:
        return runs
    worth = sums_of(fragments.excess_wh, *runs.T)
    slight = worth < SLIGHT_WORTH * np.median(worth)
    if KINDS[kind].programmes:
        lasts = fragments.stop[runs[:, 1] - 1] - fragments.first[runs[:, 0]]
        return runs[~(slight & (lasts < SLIGHT_SHARE * np.median(lasts)))]
    level_w = worth / sums_of(fragments.n, *runs.T)
    usual_w = np.median(level_w)
    slight &= (level_w < SLIGHT_SHARE * usual_w) | (level_w > usual_w / SLIGHT_SHARE)
    return runs[~slight]
