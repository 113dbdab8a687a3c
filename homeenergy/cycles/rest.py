"""Rest: which of the time between runs shows what an appliance draws while it does nothing.

Left out are single-sample spikes, what settles soon after a run, samples that a run shares, other
small loads (levels that hold little of the time) and a display that goes on after runs.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtr

from homeenergy.cycles.runs.levels import (
    IDLE_ELECTRONICS_W,
    SPIKE_PERIOD_S,
)
from homeenergy.cycles.runs.power_off import (
    LEAST_POWERED_STEPS,
    nothing_for_long,
    without_power,
)
from homeenergy.cycles.segment import kernels
from homeenergy.cycles.segment.levels import COARSE_STEPS_W
from homeenergy.cycles.segment.plateaus import Plateaus
from homeenergy.house.clamp_errors import UNKNOWN_ERRORS, ClampErrors
from homeenergy.readings.trace import Trace
from homeenergy.stats.coverage import coverage_factor
from homeenergy.stats.estimate import Estimate, measured, upper_bound
from homeenergy.stats.means import LEAST_DAYS_FOR_CORRELATION, half_of_mean
from homeenergy.stats.parts import source_of
from homeenergy.units import H_PER_DAY, S_PER_H, WH_PER_KWH

# Draw often settles for some minutes after a run (a fan, a "finished" display), but not for longer
# than this share of the usual time between runs.
SETTLE_S, SETTLE_SHARE = 300.0, 0.25
# A level that holds less of the idle time is another small load, not the appliance at rest.
LEAST_SHARE = 0.04
# What holds less than this is on its way between two levels.
LEAST_LINK_SHARE = 0.002
# A level is taken for a tail of runs if it follows one for this share of its time.
TAIL_SHARE = 0.7
# A level from which this share of the runs begin is one of rest.
LEAD_SHARE = 0.15
# What rests at this or more, clear of the flicker of a meter, is off at the wall while it draws
# nothing for as long as rest lasts, however often.
LEAST_USUAL_W = 2.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rest:
    """Stretches of rest as sample ranges [first, stop), and the levels at which they stand.

    `levels` holds (level [W], share of the time at rest), the most frequent first; `off_h` are the
    hours without power, which are no rest, and `off` their stretches of samples; `sign` is -1 where
    the plateaus are those of a trace whose sign was turned.
    """

    first: NDArray[np.int64]
    stop: NDArray[np.int64]
    levels: tuple[tuple[float, float], ...]
    off_h: float
    period_s: float
    length: int
    sign: int
    off: tuple[tuple[int, int], ...] = ()


def find_rest(
    plateaus: Plateaus, first: NDArray[np.int64], stop: NDArray[np.int64], *, on_w: float
) -> Rest:
    """Rest outside the runs [first, stop) of samples; power of work (`on_w`) is none."""
    idle, tail = _idle_plateaus(plateaus, first, stop)
    idle &= ~(plateaus.mean_w > on_w)
    off = without_power(plateaus) | _off_at_the_wall(plateaus, idle)
    idle &= ~off
    lead = np.zeros(len(plateaus), bool)
    at = np.searchsorted(plateaus.stop, first)
    lead[at[plateaus.stop[np.minimum(at, len(plateaus) - 1)] == first]] = True
    levels, kept = _levels(plateaus, np.flatnonzero(idle), tail, lead)
    begin, end = plateaus.first[kept], plateaus.stop[kept]
    if plateaus.period_s > SPIKE_PERIOD_S and first.size:
        # A long sample next to a run is shared with it.
        begin = begin + np.isin(begin, stop)
        end = end - np.isin(end, first)
    some = end > begin
    return Rest(
        first=begin[some],
        stop=end[some],
        levels=levels,
        off_h=float(plateaus.n[off].sum()) * plateaus.period_s / S_PER_H,
        period_s=plateaus.period_s,
        length=plateaus.length,
        sign=-1 if plateaus.settings["backwards"] else 1,
        off=_stretches(plateaus, off),
    )


def means_at_rest(
    pieces: list[Trace], rest: Rest
) -> tuple[NDArray[np.floating], NDArray[np.float64], NDArray[np.int64]]:
    """Hours since the start, mean power [W] and samples of each block of time with some rest.

    A block is an hour, or an eighth of less than eight hours. One pass over the samples.
    """
    rest_h = float((rest.stop - rest.first).sum()) * rest.period_s / S_PER_H
    block_n = max(round(min(1.0, rest_h / 8) * S_PER_H / rest.period_s), 1)
    sums = np.zeros(rest.length // block_n + 1)
    counts = np.zeros(sums.size, np.int64)
    origin = 0
    for piece in pieces:
        kernels.sum_by_block(piece.watts, origin, rest.first, rest.stop, block_n, sums, counts)
        origin += len(piece)
    used = np.flatnonzero(counts)
    hours = used * block_n * rest.period_s / S_PER_H
    return hours, rest.sign * sums[used] / counts[used], counts[used]


def _idle_plateaus(
    plateaus: Plateaus, first: NDArray[np.int64], stop: NDArray[np.int64]
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Which plateaus lie outside runs, and which begin soon after one."""
    lasting = (plateaus.n > 1) | (plateaus.period_s > SPIKE_PERIOD_S)
    # Power that flows the other way is no rest.
    lasting &= plateaus.mean_w > min(plateaus.usual_w, 0.0) - IDLE_ELECTRONICS_W
    if not first.size:
        return lasting, np.zeros(len(plateaus), bool)
    between_n = np.median(first[1:] - stop[:-1]) if first.size > 1 else np.inf
    settle_n = min(SETTLE_S / plateaus.period_s, SETTLE_SHARE * between_n)
    before = np.searchsorted(first, plateaus.first, side="right") - 1
    end = np.where(before >= 0, stop[np.maximum(before, 0)], -np.inf)
    tail = plateaus.first < end + settle_n
    short = plateaus.stop - plateaus.first < 2 * settle_n
    return lasting & (plateaus.first >= end) & ~(tail & short), tail


def _off_at_the_wall(plateaus: Plateaus, idle: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Which idle plateaus are without power, of what usually draws some at rest."""
    n = plateaus.n[idle]
    if not n.size:
        return idle
    usual_w = kernels.weighted_quantile(plateaus.mean_w[idle], n, n.sum() / 2)
    step_w = plateaus.settings["step_w"]
    if usual_w < max(LEAST_USUAL_W, LEAST_POWERED_STEPS * step_w):
        return np.zeros_like(idle)
    return nothing_for_long(plateaus, idle)[0]


def _stretches(plateaus: Plateaus, which: NDArray[np.bool_]) -> tuple[tuple[int, int], ...]:
    """Unbroken stretches of plateaus as samples [first, stop)."""
    begin, end, *_ = kernels.stretches(
        which.astype(np.float64), plateaus.n, plateaus.sum_w, plateaus.hole_follows, 0.5, 1.0
    )
    return tuple(zip(plateaus.first[begin].tolist(), plateaus.stop[end - 1].tolist(), strict=True))


def _levels(
    plateaus: Plateaus,
    idle: NDArray[np.int64],
    tail: NDArray[np.bool_],
    lead: NDArray[np.bool_],
) -> tuple[tuple[tuple[float, float], ...], NDArray[np.int64]]:
    """Levels with their shares, and the plateaus that stand at one of them.

    Plateaus belong to different levels where sorted neighbours are further apart than noise, a step
    and a half of the readings and a tenth of the level. A higher level that follows runs, mostly,
    is a "finished" display and not rest, unless runs begin from it as well (`lead`).
    """
    if not idle.size:
        return (), idle
    order = idle[np.argsort(plateaus.mean_w[idle], kind="stable")]
    # The noise at rest, which can be much less than at work.
    flicker_w = np.sqrt(np.average(plateaus.std_w[order] ** 2, weights=plateaus.n[order]))
    least_w = max(1.5 * plateaus.settings["step_w"], 2 * float(flicker_w), 1e-6)
    at = ((plateaus.mean_w[order] - plateaus.mean_w[order[0]]) / least_w).astype(np.int64)
    _, at = np.unique(at, return_inverse=True)
    held = np.bincount(at, weights=plateaus.n[order])
    linked = held >= min(LEAST_LINK_SHARE * held.sum(), held.max())
    order = order[linked[at]]
    w = plateaus.mean_w[order]
    apart = np.diff(w) > np.maximum(least_w, 0.1 * np.abs(w[1:]))
    groups = np.split(order, np.flatnonzero(apart) + 1)
    groups.sort(key=lambda g: -int(plateaus.n[g].sum()))
    least_n = LEAST_SHARE * plateaus.n[order].sum()
    main_w = plateaus.mean_w[groups[0]].max()
    chosen = groups[:1] + [
        g
        for g in groups[1:]
        if plateaus.n[g].sum() >= least_n
        and (
            plateaus.mean_w[g].max() < main_w
            or lead[g].sum() >= LEAD_SHARE * lead.sum() > 0
            or _tail_share(plateaus, np.sort(g), tail) < TAIL_SHARE
        )
    ]
    kept = np.concatenate(chosen)
    levels = tuple(
        (
            float(plateaus.sum_w[g].sum() / plateaus.n[g].sum()),
            float(plateaus.n[g].sum() / plateaus.n[kept].sum()),
        )
        for g in chosen
    )
    return levels, np.sort(kept)


def _tail_share(plateaus: Plateaus, level: NDArray[np.int64], tail: NDArray[np.bool_]) -> float:
    """Share of the time at a level that follows a run without a break."""
    heads = np.r_[True, np.diff(level) > 1]
    follows = tail[level[heads]][np.cumsum(heads) - 1]
    return float(plateaus.n[level][follows].sum() / plateaus.n[level].sum())


MOST_READINGS = 200_000
# Readings of one draw follow each other: more of them are counted as so many.
INDEPENDENT = 300
_CELLS = np.arange(-3, 4)
# No noise at all is as likely beforehand as some, of which all powers of ten up to a step are
# alike; and the draw may stand anywhere.
NO_NOISE = 0.5
_NOISE = np.r_[0.001, np.geomspace(0.02, 1.0, 30)]
_PLACES = np.linspace(-1.0, 1.0, 161)


def readings_at_rest(pieces: list[Trace], rest: Rest) -> pd.DataFrame:
    """Columns stretch (which of those of `rest`) and watts: all readings, or every so many."""
    every = max(1, int((rest.stop - rest.first).sum()) // MOST_READINGS)
    found, origin = [], 0
    for piece in pieces:
        at = np.arange(-origin % every, len(piece), every)
        stretch = np.searchsorted(rest.first, at + origin, side="right") - 1
        inside = (stretch >= 0) & (at + origin < rest.stop[np.maximum(stretch, 0)])
        watts = rest.sign * piece.watts[at[inside]].astype(np.float64)
        found.append(pd.DataFrame({"stretch": stretch[inside], "watts": watts}))
        origin += len(piece)
    return pd.concat(found).dropna()


# So many changes between neighbouring readings at rest tell the step that they come in.
LEAST_CHANGES = 10


def step_at_rest_w(readings: pd.DataFrame, plateaus: Plateaus) -> float:
    """Step of the readings [W]: that of the trace, or a coarser one of meters that rest shows.

    A trace of few values may hide that they are all multiples of 2, 5 or 10 steps. Where rest
    flickers by such multiples only, the step may be as coarse: then it is taken for it.
    """
    step_w = plateaus.settings["step_w"]
    w, stretch = readings["watts"].to_numpy(), readings["stretch"].to_numpy()
    change = np.diff(w)[np.diff(stretch) == 0]
    change = change[change != 0]
    if not step_w or change.size < LEAST_CHANGES:
        return step_w

    def come_in(values: NDArray[np.float64], coarse_w: float) -> bool:
        off_w = np.abs(values - np.round(values / coarse_w) * coarse_w)
        return bool((off_w < 0.1 * step_w).all())

    for coarse_w in step_w * np.array(COARSE_STEPS_W):
        if come_in(change, coarse_w):
            ends = np.r_[plateaus.least_w, plateaus.greatest_w]
            if come_in(ends - ends[0], coarse_w):
                return float(coarse_w)
    return step_w


def rounding_limit_w(readings: pd.DataFrame, *, step_w: float) -> float:
    """Limit of a rectangular error as large as the one rounding leaves in the mean at rest [W].

    Parameters
    ----------
    readings : pandas.DataFrame
        `readings_at_rest`.
    step_w : float
        Step of the readings [W]; 0 where there is none.

    Notes
    -----
    Without noise, a draw may lie anywhere within half a step of its reading (JCGM 100:2008,
    F.2.2.1); noise makes readings change between neighbours, and their mean then shows the draw
    (Widrow & Kollar 2008). How large the noise is shows in how often readings leave the most
    frequent value, and by how far. So every place of the draw between two steps, and every noise up
    to a step or none, is weighed by how well it fits the readings (multinomial likelihood); the
    error of their mean has a mean square over all of them, and the limit is sqrt(3) times its root
    (4.3.7), half a step at most. O(readings looked at).
    """
    if not step_w:
        return 0.0
    counts = _counts(readings, step_w)
    if not counts.any():
        return step_w / 2
    chances, errors, prior = _model()
    fit = (counts * min(1.0, INDEPENDENT / counts.sum())) @ np.log(chances) + np.log(prior)
    weight = np.exp(fit - fit.max())
    mean_square = float((weight * errors**2).sum() / weight.sum())
    return step_w * min(0.5, float(np.sqrt(3 * mean_square)))


@cache
def _model() -> tuple[NDArray[np.float64], ...]:
    """Chance of each reading, shape (cells, pairs of place and noise), mean error, and prior."""
    place, noise = (x.ravel() for x in np.meshgrid(_PLACES, _NOISE))
    edges = np.r_[-np.inf, _CELLS[1:] - 0.5, np.inf]
    chances = np.diff(ndtr((edges[:, None] - place) / noise), axis=0)
    prior = np.where(noise == _NOISE[0], NO_NOISE, (1 - NO_NOISE) / (_NOISE.size - 1))
    return np.maximum(chances, 1e-12), _CELLS @ chances - place, prior


def _counts(readings: pd.DataFrame, step_w: float) -> NDArray[np.float64]:
    """How many of the readings at rest lie so many steps from the most frequent one.

    Stretches that stand at another level are left out, as are readings further off than noise.
    """
    if not len(readings):
        return np.zeros(_CELLS.size)
    steps = readings["watts"] / step_w
    usual = steps.round(2).mode().iloc[0]
    level = steps.groupby(readings["stretch"]).transform("median")
    off = np.round(steps - usual)[np.abs(level - usual) < 1.5]
    near = off[np.abs(off) <= _CELLS[-1]].astype(np.int64) - _CELLS[0]
    return np.bincount(near, minlength=_CELLS.size).astype(np.float64)


# Zeros among other readings of one stretch of rest are this share of them or more.
LEAST_ZEROS = 0.01
# So many readings between the least one that is not zero and twice as much, where there are none
# below it, show that smaller ones are missing and that the least is no step of the readings.
LEAST_BEYOND_DEAD_BAND = 10
# Readings are cut off at zero where that explains them so many times better.
CUT_ODDS = 10.0
_CUT_CELLS = 13


def greatest_where_cut_w(readings: pd.DataFrame, *, step_w: float, half_w: float) -> float | None:
    """What a draw is at most whose readings near zero are cut off [W].

    None where they are not, or where that moves their mean by less than half of the half-width
    `half_w` of its interval.

    Parameters
    ----------
    readings : pandas.DataFrame
        `readings_at_rest`.
    step_w : float
        Step of the readings [W]; 0 where there is none.
    half_w : float
        Half-width of the interval of their mean [W].

    Notes
    -----
    Looked at are stretches of rest that hold zeros among other readings. Where many readings lie
    close above some value and none between it and zero, small ones were set to zero (a dead band),
    and the draw may be any that was read. Otherwise, if none is below zero, every normal noise
    about every draw is weighed as in `rounding_limit_w`, once with all that lies below zero read as
    zero (a censored normal, Tobin 1958), once without; where the first is `CUT_ODDS` times as
    likely, the mean of the readings is above the draw.
    """
    zeros = (readings["watts"] == 0).groupby(readings["stretch"]).transform("mean")
    mixed = readings["watts"][(zeros >= LEAST_ZEROS) & (zeros < 1)].to_numpy()
    if mixed.size < max(LEAST_SHARE * len(readings), 1):
        return None
    some = np.abs(mixed[mixed != 0])
    least_w = some.min()
    beyond = (some > 1.01 * least_w) & (some < 2 * least_w)
    if least_w > 1.5 * step_w and beyond.sum() >= LEAST_BEYOND_DEAD_BAND:
        return float(np.quantile(some, 0.99))
    if mixed.min() < 0:
        return None
    unit_w = max(step_w, least_w, float(np.quantile(mixed, 0.99)) / (_CUT_CELLS / 2))
    cells = np.minimum(np.round(mixed / unit_w), _CUT_CELLS - 1).astype(np.int64)
    counts = np.bincount(cells, minlength=_CUT_CELLS) * min(1.0, INDEPENDENT / cells.size)
    whole, cut, errors = _cut_model()
    fit = counts @ np.log(cut)
    weight = np.exp(fit - fit.max())
    odds = weight.mean() / np.exp(counts @ np.log(whole) - fit.max()).mean()
    error_w = unit_w * float(np.average(errors, weights=weight)) * mixed.size / len(readings)
    if odds < CUT_ODDS or error_w < half_w / 2:
        return None
    return float(readings["watts"].mean()) + half_w


@cache
def _cut_model() -> tuple[NDArray[np.float64], ...]:
    """Chance of each reading from zero up, shape (cells, pairs of draw and noise): signed and cut.

    Third, how far the mean of cut readings lies above the draw.
    """
    place, noise = (
        x.ravel() for x in np.meshgrid(np.linspace(-3.0, 6.0, 91), np.geomspace(0.05, 5.0, 30))
    )
    edges = np.r_[-0.5, np.arange(_CUT_CELLS - 1) + 0.5, np.inf]
    whole = np.diff(ndtr((edges[:, None] - place) / noise), axis=0)
    cut = whole.copy()
    cut[0] = ndtr((0.5 - place) / noise)
    errors = np.arange(_CUT_CELLS) @ cut - place
    return np.maximum(whole, 1e-12), np.maximum(cut, 1e-12), errors


# No clamp in a panel distinguishes less than this from zero. Common practice, no source.
LEAST_BOUND_W = 1.0
# IEC 62301:2011, 5.3.2 (limits unverified): power is stable if its slope on time is less than 10
# mW/h up to 1 W, and less than 1 % of it per hour above.
STABLE_W_PER_H, STABLE_SHARE_PER_H = 0.010, 0.01


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Standby:
    """Draw between runs.

    Attributes
    ----------
    draw_w : Estimate
        Mean draw at rest [W]; not resolved where the readings cannot tell it from nothing.
    levels : tuple of (float, float)
        Idle levels [W] and their shares of the idle time, the most frequent first.
    hours : float
        Idle time behind it [h].
    off_h : float
        Hours in which it drew nothing although it usually draws something at rest: off at the
        wall. They are in none of the other figures [h].
    off : tuple of (int, int)
        These times, as ranges of samples [first, stop).
    measured_w : float
        The plain mean of the readings at rest [W], for energy sums; NaN if never at rest.
    step_w : float
        Smallest step of the readings [W]; 0 where none shows.
    rounding_w : float
        Limit of a rectangular error as large as that which rounding to this step leaves in the mean
        of the readings at rest [W].
    slope_w_per_h : float
        Regression of the means of hours on time [W/h].
    stable : bool or None
        Whether the slope is within the limits of IEC 62301:2011; None with too few hours.
    """

    draw_w: Estimate
    levels: tuple[tuple[float, float], ...]
    hours: float
    measured_w: float
    step_w: float
    rounding_w: float
    slope_w_per_h: float
    stable: bool | None
    off_h: float = 0.0
    off: tuple[tuple[int, int], ...] = ()

    def to_frame(self) -> pd.DataFrame:
        """One row an idle level: level_w, share."""
        return pd.DataFrame(self.levels, columns=["level_w", "share"])


def never_at_rest(rest: Rest | None = None) -> Standby:
    """What can be said of an appliance that was never seen at rest, but perhaps without power."""
    nan = float("nan")
    return Standby(
        draw_w=measured(nan, unit="W", n=0, basis="never seen at rest in these data"),
        levels=(),
        hours=0.0,
        measured_w=nan,
        step_w=0.0,
        rounding_w=0.0,
        slope_w_per_h=nan,
        stable=None,
        off_h=rest.off_h if rest else 0.0,
        off=rest.off if rest else (),
    )


def idle_standby(
    pieces: list[Trace],
    plateaus: Plateaus,
    first: NDArray[np.int64],
    stop: NDArray[np.int64],
    *,
    on_w: float,
    floor: ClampErrors = UNKNOWN_ERRORS,
) -> Standby:
    """Standby from the plateaus outside the runs [first, stop).

    What counts as rest is said in `homeenergy.cycles.rest`. The mean and not the median is taken:
    meters with coarse steps flicker about the true value.

    The interval combines the spread between days (from seven on; else between hours, or eighths of
    less than eight hours; Student's t) with what rounding of the readings leaves in their mean
    (`rounding_limit_w`; see `half_of_sum`) and the offset of the clamp, where `floor` knows it,
    which noise does not average out. An interval that includes zero is given as an upper bound, as
    is less than half a step: readings may be cut off rather than rounded.
    """
    rest = find_rest(plateaus, first, stop, on_w=on_w)
    if not rest.first.size:
        return never_at_rest(rest)
    hour, block_w, block_n = means_at_rest(pieces, rest)
    value = float(np.average(block_w, weights=block_n))
    hours = float(block_n.sum()) * plateaus.period_s / S_PER_H
    readings = readings_at_rest(pieces, rest)
    step_w = step_at_rest_w(readings, plateaus)
    rounding_w = rounding_limit_w(readings, step_w=step_w)
    half_w, freedom = _half_of_mean(hour, block_w, block_n)
    constant = floor.constant(value / WH_PER_KWH, hours=1.0, rounding_w=rounding_w)
    draw_w = measured(
        value,
        half_w,
        unit="W",
        basis="",
        n=int(block_w.size),
        source=source_of("scatter of hours at rest", block_w, block_n),
        freedom=max(freedom, 1),
    ).with_parts(constant.scaled(WH_PER_KWH))
    half = draw_w.high - value
    least_w = max(floor.resolution_w, step_w / 2)
    cut_w = greatest_where_cut_w(readings, step_w=step_w, half_w=half)
    resolved = abs(value) > half and abs(value) >= least_w and value != 0 and cut_w is None
    bound = (
        max(abs(value) + half, cut_w or 0.0, step_w, LEAST_BOUND_W, floor.resolution_w)
        if np.isfinite(half)
        else np.inf
    )
    basis = f"mean of {hours:.1f} h at rest"
    if floor.offset_half_w:
        basis += f", by a clamp whose offset is known to {floor.offset_half_w:.2g} W"
    if not floor.offset_half_w and floor.resolution_w > step_w:
        basis += f", by a clamp that resolves {floor.resolution_w:.2g} W"
    elif step_w:
        basis += f", readings in steps of {step_w:g} W"
    if not resolved:
        basis = f"below the resolution of these readings, over {hours:.1f} h at rest"
    if not readings["watts"].any():
        basis = f"reads 0 W for {hours:.1f} h at rest, as meters do that leave out small powers"
    if cut_w is not None:
        basis = f"readings near zero are cut off, so at most this, over {hours:.1f} h at rest"
    off = hour - hour.mean()
    slope = float(off @ block_w / (off @ off)) if np.ptp(hour) > 0 else float("nan")
    limit = max(STABLE_W_PER_H, STABLE_SHARE_PER_H * abs(value))
    return Standby(
        draw_w=replace(draw_w, basis=basis)
        if resolved
        else replace(
            upper_bound(bound, unit="W", basis=basis, n=draw_w.n),
            value=bound / 2 if np.isfinite(bound) else value,
        ),
        levels=rest.levels if len(rest.levels) > 1 else ((value, 1.0),),
        hours=hours,
        measured_w=value,
        step_w=step_w,
        rounding_w=rounding_w,
        slope_w_per_h=slope,
        stable=bool(abs(slope) < limit) if block_w.size > 2 else None,
        off_h=rest.off_h,
        off=rest.off,
    )


def _half_of_mean(
    hour: NDArray[np.floating], block_w: NDArray[np.float64], block_n: NDArray[np.int64]
) -> tuple[float, int]:
    """Half-width of the mean of blocks, those with little rest counting less, and its freedom.

    Hours of a day resemble one another, so that from seven days on days and not hours are taken as
    independent, and what days have in common widens the interval further (`half_of_mean`).
    Infinite for one block.
    """
    if block_w.size < 2:
        return float("inf"), 0
    _, day = np.unique((hour - hour[0]) // H_PER_DAY, return_inverse=True)
    days = int(day[-1]) + 1
    if days >= LEAST_DAYS_FOR_CORRELATION:
        off_w = block_n * (block_w - np.average(block_w, weights=block_n)) * days / block_n.sum()
        of_days = np.asarray(np.bincount(day, weights=off_w), dtype=np.float64)
        if np.abs(of_days).max() <= 1e-12 * np.abs(block_w).max():
            return 0.0, days - 1
        return half_of_mean(of_days)[0], days - 1
    mean_w = np.average(block_w, weights=block_n)
    spread2 = np.average((block_w - mean_w) ** 2, weights=block_n)
    half = coverage_factor(block_w.size - 1) * float(np.sqrt(spread2 / (block_w.size - 1)))
    return half, block_w.size - 1
