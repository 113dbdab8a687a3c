"""Which levels of a trace are rest, and above what the appliance works.

Rest is a set of levels, for an appliance can be off at the wall, on standby, or ready: what lasts
and is quiet, and is small compared with what is drawn at work.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import bdtrc

from homeenergy.cycles.segment import kernels
from homeenergy.cycles.segment.kernels import weighted_quantile
from homeenergy.cycles.segment.plateaus import Plateaus, within

# Up to this sample period a single sample is a spike, not a use.
SPIKE_PERIOD_S = 5.0
# What is above rest for so few samples, or for one reading held, and at most so long, is a moment.
# Moments are spikes where they are less than this share of the time above rest: no use lasts so
# short a time that many others last for minutes. What is told of so few samples cannot be more.
# Where they are the lesser part of it, or scattered, those are spikes that reach no level of uses
# that last: a spike has any height, and may stand on a use. So many uses show a level, to a tenth.
SPIKE_N, SPIKE_S, SPIKE_SHARE, LESSER_SHARE, SAME_LEVEL, FEWEST_LASTING = 2, 30.0, 0.2, 0.5, 0.1, 3
# As many of them are not scattered, but uses, if such a share stands within one of these ratios and
# chance brings as many together less than once in a hundred logs: two readings show at least half
# of one power between them, however they fall, and more readings nearly all of it.
COMMON_SHARE, ALIKE_RATIOS, BY_CHANCE = 0.75, 2**0.5 ** np.arange(6), 0.01
# Moments that follow each other within the first are a drum that turns, or the start of a use, and
# work; pieces within the second of others may be pulses of the same use.
LONE_S, LONE_PIECE_S = 60.0, 900.0
# Nothing, drawn for less than this share of the quiet time, may be hours off at the wall:
# electronics then rise from the level that is held for most of it.
RARE_SHARE = 0.1
# What stays within a tolerance for this long, and so many samples, is quiet; what leaves it for no
# longer than a blip and comes back is quiet all the same.
QUIET_S, QUIET_N, BLIP_S = 300.0, 5, 10.0
# Meters that step by 2 W flicker over 4 W at rest; larger draws wander in proportion.
QUIET_W, QUIET_SHARE = 3.0, 0.1
# Electronics, displays and lamps at rest stay below this; pumps and motors of a machine that also
# heats stay above. Common practice, no source.
IDLE_ELECTRONICS_W, LEAST_MOTOR_W = 20.0, 35.0
# Rest rises above the lowest level of rest by at most this share of what the typical work does,
# and work above it bears at least this share of the energy that such rest takes.
REST_SHARE, LEAST_WORK_OF_REST = 0.3, 0.005
# A level below all quiet ones counts if it is held for so long, or so much of the time; of short
# records no more than the last share is asked.
LEAST_HELD_S, LEAST_HELD_SHARE, MOST_HELD_SHARE = 120.0, 0.002, 0.05
# What usually draws nothing has no electronics: whatever it draws is a use, as of a small lamp.
NOTHING_W = 0.15
# Excess below this share of the typical work (half of the energy is spent above it) is not work.
WORK_SHARE = 0.02
# The least working power is the one below which this share of the working energy is spent; a run
# must reach `ON_SHARE` of it, and lasts while the power stays above `LOW_SHARE` of it.
LEAST_WORK = 0.04
ON_SHARE, LOW_SHARE = 0.4, 0.3
# A run raises the power by at least this share of what is drawn all the time; by the second where
# no level above rest lasts for minutes, for electronics wander by 20 to 30 % (real logs).
LEAST_RISE_SHARE, LEAST_RISE_OF_MOMENTS = 0.08, 0.5
# Work that does not last leaves rest by so many times as much as rest wanders.
CLEAR_OF_WANDER = 1.5
# Share of the energy that must go each way for power to be taken to flow both ways.
MIXED_SHARE, LEAST_FEED_IN_W = 0.05, -50.0
SECOND_REST_S, SECOND_REST_SHARE, SECOND_REST_RISE = 3600.0, 0.04, 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Levels:
    """Usual level of rest, level that a run must reach, and level above which it lasts [W].

    NaN where nothing stands out.
    """

    idle_w: float
    on_w: float
    low_w: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class QuietLevels:
    """Levels that the trace holds quietly, the lowest first, as arrays of one entry a level.

    `mean_w` is the level, `bottom_w` and `top_w` those of its lowest and highest stretch, `n`
    samples that hold it.
    """

    mean_w: NDArray[np.float64]
    bottom_w: NDArray[np.float64]
    top_w: NDArray[np.float64]
    n: NDArray[np.float64]

    def __len__(self) -> int:
        return self.n.size


def without_spikes(plateaus: Plateaus, *, above_w: float) -> NDArray[np.bool_]:
    """Which plateaus are no spike: above a level for a moment, where other uses last."""
    first, stop, n, _, _ = kernels.stretches(
        plateaus.mean_w, plateaus.n, plateaus.sum_w, plateaus.hole_follows, above_w, above_w
    )
    spike = lone_spikes(plateaus, first, stop, n, apart_s=LONE_S)
    return ~within(first[spike], stop[spike], len(plateaus))


def lone_spikes(
    plateaus: Plateaus,
    first: NDArray[np.int64],
    stop: NDArray[np.int64],
    n: NDArray[np.int64],
    *,
    apart_s: float,
) -> NDArray[np.bool_]:
    """Which stretches of plateaus [first, stop), of `n` samples each, are spikes.

    None is with another within `apart_s`.
    """
    moments = is_moment(plateaus, first, stop) & is_lone(plateaus, first, stop, apart_s=apart_s)
    return spikes_among(moments, n, top_w=highest_w(plateaus, first, stop))


def spikes_among(
    moments: NDArray[np.bool_], lasts: NDArray[np.int64], *, top_w: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Which moments are spikes, by how long everything lasts and how high it rises.

    All are where they are next to nothing of the time, but of more than two samples only those at
    no level of what lasts: a reading that was held has any height, a short use that of the others.
    Those at no such level are, where they are the lesser part or scattered; all again where hardly
    anything lasts and they are scattered.
    """
    of_moments, of_all = lasts[moments].sum(), lasts.sum()
    lasting_w, w = np.sort(top_w[~moments]), top_w[moments]
    upto = np.searchsorted(lasting_w, w / (1 - SAME_LEVEL), side="right")
    off = moments.copy()
    off[moments] = upto - np.searchsorted(lasting_w, w / (1 + SAME_LEVEL)) < FEWEST_LASTING
    if of_moments < SPIKE_SHARE * of_all:
        return moments & (off | (lasts <= SPIKE_N))
    alike = _are_alike(w)
    if lasting_w.size >= FEWEST_LASTING and not (of_moments >= LESSER_SHARE * of_all and alike):
        return moments & off
    return np.zeros_like(moments) if alike else moments


def _are_alike(w: NDArray[np.float64]) -> bool:
    """Whether moments of such heights are readings of uses at one power.

    Of spikes of any height up to some, a share of 1 - 1/r at most stands within a ratio r.
    """
    w = np.sort(w)[:, None]
    upto = np.searchsorted(w[:, 0], w * ALIKE_RATIOS, side="right")
    most = (upto - np.arange(w.size)[:, None]).max(axis=0, initial=1)
    chance = bdtrc(most - 1, w.size, 1 - 1 / ALIKE_RATIOS)
    return bool(((most >= COMMON_SHARE * w.size) & (chance < BY_CHANCE)).any())


def highest_w(
    plateaus: Plateaus, first: NDArray[np.int64], stop: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Greatest reading of each stretch of plateaus [first, stop), in order [W]."""
    return kernels.greatest_within(plateaus.greatest_w, first, stop)


def is_moment(
    plateaus: Plateaus, first: NDArray[np.int64], stop: NDArray[np.int64]
) -> NDArray[np.bool_]:
    """Which stretches of plateaus [first, stop) are a reading or two, however long held.

    A reading that was held may end within a sample, which is then another plateau.
    """
    n = plateaus.stop[stop - 1] - plateaus.first[first]
    held = plateaus.least_w[first] == plateaus.greatest_w[first]
    ends_within = (stop - first == 2) & (plateaus.n[first] > SPIKE_N) & (plateaus.n[stop - 1] == 1)
    short = (n <= SPIKE_N) | (held & ((stop - first == 1) | ends_within))
    return short & (n * plateaus.period_s <= SPIKE_S)


def is_lone(
    plateaus: Plateaus, first: NDArray[np.int64], stop: NDArray[np.int64], *, apart_s: float
) -> NDArray[np.bool_]:
    """Which stretches of plateaus [first, stop) have no other within `apart_s`."""
    begin, end = plateaus.first[first], plateaus.stop[stop - 1]
    far = np.r_[True, (begin[1:] - end[:-1]) * plateaus.period_s > apart_s, True]
    return (far[:-1] & far[1:])[: begin.size]


def quiet_levels(plateaus: Plateaus) -> QuietLevels:
    """Levels of stretches that stay within a tolerance for five minutes. O(plateaus)."""
    tolerance_w = _tolerance_w(plateaus)
    least_n = max(QUIET_S / plateaus.period_s, QUIET_N)
    mean_w, n = kernels.quiet_stretches(
        plateaus.mean_w,
        plateaus.n,
        np.r_[plateaus.hole_follows, True] if len(plateaus) else np.empty(0, bool),
        tolerance_w,
        QUIET_SHARE,
        least_n,
        BLIP_S / plateaus.period_s,
    )
    order = np.argsort(mean_w, kind="stable")
    w, n = mean_w[order], n[order]
    # Levels are those of stretches which lie closer together than a stretch may wander.
    parts = np.flatnonzero(np.diff(w) > np.maximum(tolerance_w / 3, QUIET_SHARE * np.abs(w[1:])))
    bounds = np.r_[0, parts + 1][: w.size]
    if not w.size:
        return QuietLevels(mean_w=w, bottom_w=w, top_w=w, n=n)
    held = np.add.reduceat(n, bounds)
    return QuietLevels(
        mean_w=np.add.reduceat(w * n, bounds) / held,
        bottom_w=np.minimum.reduceat(w, bounds),
        top_w=np.maximum.reduceat(w, bounds),
        n=held,
    )


def _tolerance_w(plateaus: Plateaus) -> float:
    # Levels are means of many samples, so the noise of one sample does not matter.
    return max(2 * plateaus.settings["step_w"], QUIET_W)


def wanders_w(level_w: float, plateaus: Plateaus) -> float:
    """How far what rests at a level can be from it; larger draws wander in proportion [W]."""
    return max(_tolerance_w(plateaus), QUIET_SHARE * abs(level_w))


def find_levels(plateaus: Plateaus) -> Levels:
    """Usual level of rest, and levels from which a run is one.

    Quiet levels are rest from the lowest up to the highest that rises above it by at most
    `REST_SHARE` of the typical work (the power above which half of the energy is spent that is
    drawn above this rest), and by no more than electronics take. So an appliance may rest at
    several levels, off at the wall among them, whatever share of the time each is held; what
    usually draws nothing rests at nothing, and at what only follows a use. The least working power
    is the one below which `LEAST_WORK` of the energy of work is spent; a run must reach a share of
    it and leave the tolerance of rest. Own method.

    Spikes are left out: those above rest, and then those that stand on a use, above a level of work
    that nothing reaches but them. O(m log m) in the number of plateaus.
    """
    held = float(plateaus.n.sum())
    rest_w = weighted_quantile(plateaus.mean_w, plateaus.n, RARE_SHARE * held) if held else 0.0
    lasting = without_spikes(plateaus, above_w=rest_w + wanders_w(rest_w, plateaus))
    levels = _levels_of(plateaus, lasting)
    kept = lasting & without_spikes(plateaus, above_w=levels.on_w)
    return levels if kept.sum() == lasting.sum() else _levels_of(plateaus, kept)


def _levels_of(plateaus: Plateaus, lasting: NDArray[np.bool_]) -> Levels:
    """As `find_levels`, from the plateaus that are no spikes."""
    nan = float("nan")
    w, n = plateaus.mean_w[lasting], plateaus.n[lasting]
    if not w.size:
        return Levels(idle_w=nan, on_w=nan, low_w=nan)
    rest = quiet_levels(plateaus)
    if _flows_both_ways(w, n):
        # Rest is nearest to zero then.
        levels_w = rest.mean_w if len(rest) else w
        nearest = levels_w[np.argmin(np.abs(levels_w))]
        one = np.r_[nearest]
        rest = QuietLevels(mean_w=one, bottom_w=one, top_w=one, n=np.ones(1))
    else:
        rest = _with_the_lowest(rest, w, n, plateaus)
    noise_w = plateaus.settings["noise_w"]
    tolerance_w = _tolerance_w(plateaus)
    excess_w = w - rest.mean_w[0]
    energy = np.where(excess_w > 5 * noise_w / np.sqrt(n), excess_w * n, 0.0)
    alone_w = _least_alone_w(plateaus, above_w=rest.mean_w[0] + tolerance_w)
    count, typical_w = _levels_of_rest(
        rest, w, excess_w, energy, plateaus=plateaus, alone_w=alone_w
    )
    idle_w = float(rest.mean_w[np.argmax(rest.n[: max(count, 1)])])
    lasts = len(rest) > count
    least_rise = LEAST_RISE_SHARE if lasts else LEAST_RISE_OF_MOMENTS
    if not count or typical_w < least_rise * idle_w:
        return Levels(idle_w=float(rest.mean_w[0]), on_w=nan, low_w=nan)
    top_w = float(rest.top_w[count - 1])
    step_w = plateaus.settings["step_w"]
    clear_w = max(1.5 * step_w, min(tolerance_w, LOW_SHARE * typical_w))
    if not lasts and idle_w > NOTHING_W:
        clear_w = max(clear_w, CLEAR_OF_WANDER * wanders_w(top_w, plateaus))
    work = np.where((w > top_w + clear_w) & (excess_w >= WORK_SHARE * typical_w), energy, 0.0)
    if not work.any():
        return Levels(idle_w=idle_w, on_w=nan, low_w=nan)
    rise_w = top_w - idle_w
    least_w = weighted_quantile(w - idle_w, work, LEAST_WORK * work.sum())
    on_w = max(ON_SHARE * least_w, rise_w + max(clear_w, QUIET_SHARE * (typical_w - rise_w)))
    low_w = min(LOW_SHARE / ON_SHARE * on_w, max(LEAST_MOTOR_W, 1.5 * step_w))
    return Levels(idle_w=idle_w, on_w=idle_w + on_w, low_w=idle_w + max(low_w, rise_w + clear_w))


def _least_alone_w(plateaus: Plateaus, *, above_w: float) -> float:
    """Greatest power of the least stretch above a level that lasts as a quiet one does [W].

    A display that follows a use is part of a stretch with that use, which a gap in the data hides.
    """
    first, stop, n, _, _ = kernels.stretches(
        plateaus.mean_w, plateaus.n, plateaus.sum_w, plateaus.hole_follows, above_w, above_w
    )
    most_w = kernels.greatest_within(plateaus.mean_w, first, stop)
    follows = np.r_[True, plateaus.hole_follows][first]
    lasts = (n * plateaus.period_s >= QUIET_S) & ~follows
    return float(most_w[lasts].min(initial=np.inf))


def _with_the_lowest(
    rest: QuietLevels, w: NDArray[np.float64], n: NDArray[np.int64], plateaus: Plateaus
) -> QuietLevels:
    """Levels of rest, and the lowest that is held at all where it lies clearly below them.

    A draw that wanders, as that of electronics does, has no rest below its quiet stretches.
    """
    held = float(n.sum())
    least_n = max(LEAST_HELD_S / plateaus.period_s, LEAST_HELD_SHARE * held)
    lowest_w = weighted_quantile(w, n, min(least_n, MOST_HELD_SHARE * held))
    if len(rest):
        bottom_w = rest.bottom_w[0]
        if lowest_w > bottom_w - wanders_w(bottom_w, plateaus):
            return rest
    return QuietLevels(
        mean_w=np.r_[lowest_w, rest.mean_w],
        bottom_w=np.r_[lowest_w, rest.bottom_w],
        top_w=np.r_[lowest_w, rest.top_w],
        n=np.r_[least_n, rest.n],
    )


def _levels_of_rest(
    quiet: QuietLevels,
    w: NDArray[np.float64],
    excess_w: NDArray[np.float64],
    energy: NDArray[np.float64],
    *,
    plateaus: Plateaus,
    alone_w: float,
) -> tuple[int, float]:
    """How many of the quiet levels are rest, and the typical excess of the work above them [W].

    What usually draws nothing is used at a level where it lasts with no use ten times as great,
    `alone_w` being the least of the greatest powers of what lasts. Nothing is work where no level
    leaves any above it: 0 and NaN.
    """
    rise_w = quiet.top_w - quiet.mean_w[0]
    usual_w = quiet.mean_w[np.argmax(quiet.n)]
    of_rest = np.cumsum(quiet.n * (quiet.mean_w - quiet.mean_w[0]))
    for k in range(len(quiet) - 1, -1, -1):
        top_w = quiet.top_w[k]
        # A display is small beside the use that it follows, the end of a charge is not.
        used = abs(usual_w) <= NOTHING_W and alone_w < top_w / QUIET_SHARE
        if k and (rise_w[k] > IDLE_ELECTRONICS_W or used):
            continue
        work = np.where(w > top_w + wanders_w(top_w, plateaus), energy, 0.0)
        if not work.any():
            continue
        typical_w = weighted_quantile(excess_w, work, work.sum() / 2)
        small = rise_w[k] <= REST_SHARE * typical_w
        if not k or (small and work.sum() >= LEAST_WORK_OF_REST * of_rest[k]):
            return k + 1, typical_w
    # What never leaves the tolerance may still be switched, if it lasts: a lamp of 2 W.
    if len(quiet) > 1 and energy.any():
        return 1, weighted_quantile(excess_w, energy, energy.sum() / 2)
    return 0, float("nan")


def _flows_both_ways(w: NDArray[np.float64], n: NDArray[np.int64]) -> bool:
    """Whether power flows both ways; a steady level below zero is the offset of a clamp."""
    if w.min() >= LEAST_FEED_IN_W:
        return False
    flow_w = w - min(weighted_quantile(w, n, n.sum() / 2), 0.0)
    returned = float(np.sum(-np.minimum(flow_w, 0.0) * n))
    share = returned / max(float(np.sum(np.abs(flow_w) * n)), 1e-9)
    return bool(MIXED_SHARE < share < 1 - MIXED_SHARE and flow_w.min() < LEAST_FEED_IN_W)


def above_second_rest(plateaus: Plateaus, levels: Levels) -> Levels:
    """Levels with the low one raised above a second level of rest, if there is one.

    A programme draws something between its parts, but works again within an hour. A level far below
    work that is held for longer, for `SECOND_REST_SHARE` of the time in all, is rest: the heater of
    a crankcase, a lamp left on.
    """
    middle_w = levels.idle_w + SECOND_REST_RISE * (levels.on_w - levels.idle_w)
    between = (plateaus.mean_w > levels.low_w) & (plateaus.mean_w < middle_w)
    _, _, n, sum_w, _ = kernels.stretches(
        between.astype(np.float64), plateaus.n, plateaus.sum_w, plateaus.hole_follows, 0.5, 1.0
    )
    long = n * plateaus.period_s > SECOND_REST_S
    if not n[long].sum() > SECOND_REST_SHARE * plateaus.n.sum():
        return levels
    greatest_w = float((sum_w[long] / n[long]).max())
    return replace(levels, low_w=max(levels.low_w, (greatest_w + middle_w) / 2))
