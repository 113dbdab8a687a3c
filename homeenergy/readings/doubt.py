"""Samples in doubt: readings that are kept and drawn, but that no figure rests on.

Each is a flag of `Trace.doubt`. What is ordinary is learned from the circuit's own log; the mains
are the best witness. Own method throughout.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from homeenergy.readings.scan import CODES, STEPS_KEPT, Ordinary, Scan, are_codes, scan
from homeenergy.readings.stretches import NO_FLATS, Flats, Watts, cut, joined, moved
from homeenergy.readings.witness import (
    FEWEST_STEPS,
    FLOOR_W,
    SEEN,
    Excursions,
    believed,
    lasting_steps,
    testimony,
)
from homeenergy.units import S_PER_H

LONE, CODE, STUCK, CLIPPED, HELD, BEYOND = 1, 2, 4, 8, 16, 32
REASONS = {
    CODE: "error code",
    BEYOND: "more than the circuit can carry",
    STUCK: "stuck",
    CLIPPED: "clipped",
    LONE: "lone spike",
    HELD: "held spike",
}

ENOUGH = 1000  # samples, below which nothing can be called unusual
SOME_W = 20.0  # least excess of an excursion that is looked at
WITNESSED_W, WITNESSED_SHARE = (
    40.0,
    0.15,
)  # ... of one that the mains deny, and its share of the load
RETURN = 0.03  # of the excess: how far the power may be from where it was
STEPS_OFF, NOISE_W = 4.0, 5.0  # times the 90th percentile of steps, at most so much: as above
FEW, ONE_IN = 4, 100_000  # so many unusual excursions are no habit, and one more in so many samples
TIMES_HABIT = 5.0
ABOVE = 1.3  # times the power that readings next to each other bear out
KIN, KIN_SHARE = 0.05, 0.1
USES = 10  # uses that last, for each excursion, before one of long samples is unusual
SHORT_S = 10.0  # samples from here on may each hold a whole use
PAIR = 2  # samples
HOLD_S = 30.0  # across which a reading is held where nothing is stated

STUCK_SAMPLES = 30
STUCK_PERCENTILE = 99.5
STUCK_TIMES = 10.0
STUCK_STEPS = 20.0
STUCK_HABIT = 3
STUCK_SHARE = 0.02
OWN_LEVEL_H, OWN_LEVEL_TIMES = 2.0, 100.0
NEAR, VARIES = 0.02, 200
LONGEST = 1 << 20  # samples, from which on stretches are counted together
VARIED_STEPS = 1.5  # of the resolution: rounding alone makes one of noise

# A top that is cut off: many readings within half a per cent of the greatest, few just below.
TOP, NEXT = 0.995, 0.95
FEWEST_AT_TOP = 10
PILE = 3.0
# Where a meter's range ends, over the clamp's rating times its volts. Common practice, no source.
RANGE_FROM, RANGE_TO = 0.95, 1.5

Numbers = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Doubts:
    """Stretches of samples of one circuit that are in doubt.

    Attributes
    ----------
    first, stop : numpy.ndarray, shape (n,), int64
        Samples [first, stop), counted from 1970, in order.
    reason : numpy.ndarray, shape (n,), uint8
        A flag of `REASONS` each.
    """

    first: NDArray[np.int64]
    stop: NDArray[np.int64]
    reason: NDArray[np.uint8]

    def __len__(self) -> int:
        return self.first.size

    def flags(self, first: int, number: int) -> NDArray[np.uint8] | None:
        """Flags of samples [first, first + number); None where none is in doubt."""
        near = np.flatnonzero((self.stop > first) & (self.first < first + number))
        if not near.size:
            return None
        out = np.zeros(number, dtype=np.uint8)
        for at in near:
            out[max(int(self.first[at]) - first, 0) : int(self.stop[at]) - first] |= self.reason[at]
        return out

    def longest(self, reason: int) -> int:
        """Samples of the longest stretch that is in doubt for a reason."""
        return int((self.stop - self.first)[self.reason == reason].max(initial=0))

    def counts(self) -> dict[str, int]:
        """Samples in doubt by the words of `REASONS`; only those that occur."""
        size = self.stop - self.first
        found = {flag: int(size[self.reason == flag].sum()) for flag in REASONS}
        return {REASONS[flag]: number for flag, number in found.items() if number}

    @property
    def spikes(self) -> int:
        """Samples that nothing next to them bears out, lone or held."""
        counts = self.counts()
        return sum(counts.get(REASONS[flag], 0) for flag in (LONE, HELD))


NO_DOUBTS = Doubts(
    first=np.empty(0, np.int64), stop=np.empty(0, np.int64), reason=np.empty(0, np.uint8)
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Nature:
    """What is known of a circuit before its log is looked at.

    Attributes
    ----------
    period_s : float
    multipliers : tuple of float
        What its readings were multiplied with.
    ends_w : tuple of float
        Where its clamp may end, of readings before they were multiplied [W].
    limit_w : float
        What it cannot exceed for a moment [W].
    """

    period_s: float
    multipliers: tuple[float, ...] = (1.0,)
    ends_w: tuple[float, ...] = ()
    limit_w: float = np.inf


def find_doubts(months: Iterable[tuple[int, Watts, Watts | None]], *, nature: Nature) -> Doubts:
    """Find the samples of a circuit that are in doubt.

    Parameters
    ----------
    months : iterable of (int, numpy.ndarray, numpy.ndarray or None)
        In order: number of the first sample since 1970, power [W], and the sum of the mains at the
        same instants [W], or None where they are not logged at this period.
    nature : Nature

    Returns
    -------
    Doubts

    Notes
    -----
    Own rules; each learns from the log what is ordinary.

    *Excursion*: readings of one value, for at most 30 s, above both neighbours by more than 20 W
    and back where the power was (within 3 % of the excess, or four typical steps); below zero the
    same downwards. So the inrush of a motor, which runs on at a higher level, is none. Two samples
    that differ by less than half of it are one as well, whatever their length; where they are 5 s
    long or longer, only the mains can deny them: a use may be so short.

    *Held*: an excursion of several samples, or *lone*: of one, of which the mains show less than
    half, where they show most of the circuit's lasting steps (asked at the 60 largest of each
    month). It need not be back where it was.

    *Lone* as well, more than 100 W high, where the mains do not confirm it and it is

    - 1.3 times above what neighbouring readings bear out and above the circuit's habit, the
      fifth-highest excursion (one later for each 100,000 samples); so also two samples that are
      shorter than 5 s; or
    - five times as far above its neighbours as is a habit, and samples are shorter than 10 s, as no
      use is, or uses of half its power or more that last are ten times as many; or
    - 1.3 times above what neighbouring readings bear out and without kin: fewer than a tenth of
      such lie within 5 %; where samples are shorter than 10 s.

    *Error code*: the end of an integer type or a row of nines, 1.3 times above all else.
    *More than the circuit can carry*: above `Nature.limit_w`.
    *Stuck*: one value for at least 30 samples, ten times as long as all but one in two hundred of
    the stretches of one value; not a value at which the circuit rests; at least 20 steps of the
    readings' resolution; and at a level at which it otherwise varies (200 stretches within 2 %), by
    more than one such step as a rule. At a level of its own, for two hours and a hundred times as
    long, where it varies at levels up to twice that: noise grows with the load, or stays.
    *Clipped*: at least ten readings within half a per cent of the greatest, three times as many as
    in the 4.5 % below, where the clamp's range ends (0.95 to 1.5 times rating times volts).

    Time O(samples); memory O(samples of a month + excursions).
    """
    log = _Log(nature)
    for first, watts, mains in months:
        log.take(first, watts, mains)
    return log.doubts()


class _Log:
    """What is kept of the months of a circuit."""

    def __init__(self, nature: Nature) -> None:
        self.nature = nature
        self.samples = 0
        self.longest = max(1, int(HOLD_S / nature.period_s))
        self.alone = PAIR if PAIR * nature.period_s < SHORT_S else 1
        self.ordinary = Ordinary.of(nature.multipliers, nature.limit_w)
        self.excursions: list[Excursions] = []
        self.steps: list[Numbers] = []
        self.mains_step_w = 0.0
        self.codes, self.beyond, self.long, self.top = NO_FLATS, NO_FLATS, NO_FLATS, NO_FLATS
        self.sizes = np.zeros(0, dtype=np.int64)
        self.resolution_w, self.usual_step_w = np.inf, 0.0

    def take(self, first: int, watts: Watts, mains: Watts | None) -> None:
        """Look at one more month."""
        found = scan(watts, self.ordinary, longest=self.longest, some_w=SOME_W, lasting_w=FLOOR_W)
        self.samples += found.samples
        if found.short.at.size or found.pairs.size:
            noise_w = min(_typical_step(watts, 90.0), NOISE_W)
            self._take_short(first, watts, mains, found.short, noise_w=noise_w)
            self._take_pairs(first, watts, mains, found.pairs, noise_w=noise_w)
        if mains is not None:
            self.mains_step_w = max(self.mains_step_w, _typical_step(mains, 50.0))
        self.steps.append(lasting_steps(watts, mains, found.lasting))
        self._take_high(first, watts, found)
        self._take_long(first, found)
        if self.nature.ends_w:
            self._take_top(first, cut(watts))

    def _take_high(self, first: int, watts: Watts, found: Scan) -> None:
        """Readings that may be error codes, or beyond what the circuit can carry."""
        # In the end a code must exceed what is borne out, which can only grow once it is.
        above, below = (float(one) for one in self.ordinary.borne_out[:, -1])
        smallest = (1 - 1e-5) * CODES[0] * min(map(abs, self.nature.multipliers))
        smallest = min(smallest, self.nature.limit_w)
        least = max(ABOVE * above, smallest), max(ABOVE * below, smallest)
        most_w = found.greatest_w, -found.least_w
        if all(w < min(one, self.nature.limit_w) for w, one in zip(most_w, least, strict=True)):
            return
        flats = cut(watts)
        size_w = np.abs(flats.watts)
        self.beyond = self.beyond.plus(moved(flats.some(size_w > self.nature.limit_w), first))
        high = size_w >= (1 - 1e-6) * np.where(flats.watts > 0, *least)
        high[high] = are_codes(flats.watts[high], self.ordinary.multipliers)
        self.codes = self.codes.plus(moved(flats.some(high), first))

    def _take_short(
        self, first: int, watts: Watts, mains: Watts | None, own: Flats, *, noise_w: float
    ) -> None:
        sign = np.where(own.watts > 0, 1.0, -1.0)
        here = sign * own.watts
        left, right = sign * watts[own.at - 1], sign * watts[own.at + own.size]
        excess = here - np.maximum(left, right)
        back = np.abs(right - left) <= np.maximum(STEPS_OFF * noise_w, RETURN * excess)
        shares = (np.full(here.size, np.nan),) * 3
        if mains is not None:
            shares = testimony(mains, sign, own, here - left, here - right)
        self.excursions.append(Excursions(moved(own, first), sign, excess, back, *shares))

    def _take_pairs(
        self,
        first: int,
        watts: Watts,
        mains: Watts | None,
        at: NDArray[np.int64],
        *,
        noise_w: float,
    ) -> None:
        """Two samples of different values, or too long to be a stretch.

        They are above both neighbours, and back where the power was.
        """
        sign = np.where(watts[at] > 0, 1.0, -1.0)
        left, a, b, right = (sign * watts[at + n] for n in (-1, 0, 1, 2))
        excess = np.minimum(a, b) - np.maximum(left, right)
        own = (np.abs(a - b) <= (1 - SEEN) * excess) & ((a != b) | (self.longest < PAIR))
        own &= np.abs(right - left) <= np.maximum(STEPS_OFF * noise_w, RETURN * excess)
        at, sign, left, right, excess = at[own], sign[own], left[own], right[own], excess[own]
        here = excess + np.maximum(left, right)
        pairs = Flats(at, np.full(at.size, PAIR), watts[at])
        shares = (np.full(at.size, np.nan),) * 3
        if mains is not None:
            shares = testimony(mains, sign, pairs, here - left, here - right)
        back = np.ones(at.size, dtype=bool)
        self.excursions.append(Excursions(moved(pairs, first), sign, excess, back, *shares))

    def _take_long(self, first: int, found: Scan) -> None:
        if not found.live:
            return
        sizes = np.bincount(np.minimum(found.long.size, LONGEST), minlength=2)
        sizes[1] = found.live - found.long.size.size
        total = np.zeros(max(sizes.size, self.sizes.size), dtype=np.int64)
        total[: sizes.size] = sizes
        total[: self.sizes.size] += self.sizes
        self.sizes = total
        if found.steps_w.size:
            self.resolution_w = min(self.resolution_w, found.least_step_w)
            self.usual_step_w = max(self.usual_step_w, _percentile(found.steps_w, 50.0))
        stuck = found.long.size >= STUCK_SAMPLES
        self.long = self.long.plus(moved(found.long.some(stuck), first))

    def _take_top(self, first: int, flats: Flats) -> None:
        size_w = np.abs(flats.watts)
        plain = size_w <= RANGE_TO * max(self.nature.ends_w) * max(
            map(abs, self.nature.multipliers)
        )
        greatest = np.fmax.reduce(size_w[plain], initial=0.0)
        near = np.flatnonzero(plain & (size_w >= 0.9 * greatest))
        self.top = self.top.plus(moved(flats.some(near), first))

    def doubts(self) -> Doubts:
        """Decide, with the whole log seen."""
        found: list[tuple[Flats, int]] = []
        if self.samples >= ENOUGH:
            codes = self.codes.some(
                np.abs(self.codes.watts) > ABOVE * self.ordinary.borne_out_w(self.codes.watts)
            )
            found = [(codes, CODE), (self.beyond, BEYOND)]
            found += self._excursions_in_doubt()
            found += [(self._stuck(), STUCK), (self._clipped(), CLIPPED)]
        first = np.concatenate([np.empty(0, np.int64), *(flats.at for flats, _ in found)])
        size = np.concatenate([np.empty(0, np.int64), *(flats.size for flats, _ in found)])
        reason = np.concatenate(
            [np.empty(0, np.uint8), *(np.full(f.at.size, flag, np.uint8) for f, flag in found)]
        )
        # A sample has one reason: the first of REASONS that was found for it.
        order = np.lexsort((_RANK[reason], first))
        first, size, reason = first[order], size[order], reason[order]
        fresh = np.r_[True, first[1:] != first[:-1]] if first.size else np.empty(0, bool)
        return Doubts(
            first=first[fresh].astype(np.int64),
            stop=(first + size)[fresh].astype(np.int64),
            reason=reason[fresh],
        )

    def _excursions_in_doubt(self) -> list[tuple[Flats, int]]:
        every = [e for e in self.excursions if e.excess_w.size]
        if not every:
            return []
        flats = every[0].flats
        for more in every[1:]:
            flats = flats.plus(more.flats)
        sign, excess, back, seen, late, shown = (
            np.concatenate([getattr(one, name) for one in every])
            for name in ("sign", "excess_w", "back", "seen", "seen_late", "shown")
        )
        steps = np.concatenate(self.steps)
        seen = believed(seen, late, steps)
        borne_out = self.ordinary.borne_out_w(flats.watts)
        rank = FEW + self.samples // ONE_IN
        high = excess >= np.maximum(WITNESSED_W, WITNESSED_SHARE * borne_out)
        high &= (excess >= 8 * self.mains_step_w) & np.isfinite(seen)
        denied = high & (seen < SEEN)
        # What they often deny may be the inrush of a motor, which two meters need not both catch.
        weak = denied & ~(back & (np.isfinite(steps).all(axis=1).sum() >= FEWEST_STEPS))
        if weak.sum() > max(rank, KIN_SHARE * high.sum()):
            denied &= ~weak
        own = np.zeros(excess.size, dtype=bool)
        for one in (1.0, -1.0):
            mine = np.flatnonzero((sign == one) & (flats.size == 1))
            unusual = self._unusual(
                np.abs(flats.watts[mine]), excess[mine], borne_out[mine], back[mine], rank, steps
            )
            own[mine] = unusual & back[mine]
            short = np.flatnonzero((sign == one) & (flats.size <= self.alone))
            size_w = np.abs(flats.watts[short])
            highest = np.maximum(borne_out[short], _at_rank(size_w, rank))
            own[short] |= back[short] & (excess[short] >= FLOOR_W) & (size_w > ABOVE * highest)
        doubted = denied | (own & ~(np.isfinite(seen) & (shown >= SEEN)))
        lone = flats.size == 1
        return [(flats.some(doubted & lone), LONE), (flats.some(doubted & ~lone), HELD)]

    def _unusual(
        self,
        size_w: Numbers,
        excess: Numbers,
        borne_out: Numbers,
        back: NDArray[np.bool_],
        rank: int,
        steps: Numbers,
    ) -> NDArray[np.bool_]:
        """Which lone excursions the circuit's own log denies."""
        high = excess >= FLOOR_W
        beyond = high & (size_w > ABOVE * np.maximum(borne_out, _at_rank(size_w, rank)))
        alone = high & (excess > TIMES_HABIT * _at_rank(excess[back], rank))
        if self.nature.period_s < SHORT_S:
            return beyond | alone | _without_kin(size_w, high & back & (size_w > ABOVE * borne_out))
        lasting = np.sort(steps[:, 0])
        for at in np.flatnonzero(alone & back):
            half = SEEN * excess[at]
            uses = lasting.size - np.searchsorted(lasting, half)
            alone[at] = uses >= USES * np.count_nonzero(excess >= half)
        return beyond | alone

    def _stuck(self) -> Flats:
        flats = joined(self.long)
        if not flats.size.size or self.usual_step_w < VARIED_STEPS * self.resolution_w:
            return flats.some(np.zeros(flats.size.size, dtype=bool))
        upto = np.cumsum(self.sizes)
        usual = int(np.searchsorted(upto, STUCK_PERCENTILE / 100 * upto[-1]))
        keep = flats.size >= STUCK_TIMES * usual
        keep &= np.abs(flats.watts) >= STUCK_STEPS * self.resolution_w
        levels, which = np.unique(flats.watts, return_inverse=True)
        number = np.bincount(which, minlength=levels.size)
        whole = np.bincount(which, weights=flats.size, minlength=levels.size)
        keep &= number[which] <= STUCK_HABIT
        keep &= whole[which] - flats.size <= STUCK_SHARE * self.samples
        near = np.array([self._distinct_near(float(level)) for level in levels])
        below = np.array([self._distinct_up_to(float(level)) for level in levels])
        hours = flats.size * self.nature.period_s / S_PER_H
        own_level = (hours >= OWN_LEVEL_H) & (flats.size >= OWN_LEVEL_TIMES * usual)
        keep &= (near[which] >= VARIES) | (own_level & (below[which] >= VARIES))
        return flats.some(keep)

    def _distinct_near(self, level_w: float) -> int:
        """Stretches of one value within 2 % of a level."""
        ends = np.array([level_w * (1 - NEAR), level_w * (1 + NEAR)], dtype=np.float32)
        low, high = np.sort(ends.view(np.uint32) >> 16)
        return int(self.ordinary.levels[low : high + 1].sum())

    def _distinct_up_to(self, level_w: float) -> int:
        """Stretches of one value at any level up to twice one, on its side of zero."""
        ends = np.array([np.copysign(0.0, level_w), level_w * 2], dtype=np.float32)
        low, high = np.sort(ends.view(np.uint32) >> 16)
        return int(self.ordinary.levels[low : high + 1].sum())

    def _clipped(self) -> Flats:
        nothing = self.top.some(np.zeros(self.top.size.size, dtype=bool))
        if not self.top.size.size:
            return nothing
        size_w = np.abs(self.top.watts)
        # The greatest that is borne out: a spike is not where a range ends.
        held = size_w <= 1.005 * float(np.max(self.ordinary.borne_out_w(np.array([1.0, -1.0]))))
        greatest = float(size_w[held].max(initial=0.0))
        at_top = held & (size_w >= TOP * greatest)
        below = held & ~at_top & (size_w >= NEXT * greatest)
        many, fewer = self.top.size[at_top].sum(), self.top.size[below].sum()
        read_w = greatest / max(map(abs, self.nature.multipliers))
        ends = any(RANGE_FROM * end <= read_w <= RANGE_TO * end for end in self.nature.ends_w)
        if not ends or many < FEWEST_AT_TOP or many < PILE * fewer:
            return nothing
        return self.top.some(at_top)


_RANK = np.full(256, 255)
_RANK[list(REASONS)] = range(len(REASONS))


def _at_rank(watts: Numbers, rank: int) -> float:
    """Value that `rank` others exceed; 0 where there are not so many."""
    return float(np.sort(watts)[-1 - rank]) if watts.size > rank else 0.0


def _typical_step(watts: Watts, percentile: float) -> float:
    """Percentile of the steps between neighbours [W], from at most some 20,000 of them."""
    every = max(1, watts.size // STEPS_KEPT)
    steps = np.abs(
        watts[1::every][: watts[:-1:every].size] - watts[:-1:every][: watts[1::every].size]
    )
    steps = steps[np.isfinite(steps)]
    return _percentile(steps, percentile) if steps.size else 0.0


def _percentile(values: Watts, percentile: float) -> float:
    """As `numpy.percentile`, of finite values, in half the time."""
    place = (values.size - 1) * percentile / 100
    below = int(place)
    order = np.partition(values, below)
    low = float(order[below])
    high = float(order[below + 1 :].min(initial=np.inf)) if below + 1 < values.size else low
    return low + (high - low) * (place - below)


def _without_kin(watts: Numbers, some: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Which of some values have few others within 5 %."""
    out = np.zeros(watts.size, dtype=bool)
    size_w = np.abs(watts[some])
    ordered = np.sort(size_w)
    ends = (np.searchsorted(ordered, size_w * (1 + side)) for side in (-KIN, KIN))
    low, high = ends
    out[some] = high - low - 1 <= KIN_SHARE * size_w.size
    return out
