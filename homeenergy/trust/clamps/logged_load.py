"""What a log shows of ratings: readings cut off by the clamp, and hours above 80 % of a breaker."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from math import sqrt

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.house.schedule import Circuit, Supply
from homeenergy.readings.house import House
from homeenergy.readings.trace import Trace
from homeenergy.trust.clamps.limits import CONTINUOUS_SHARE
from homeenergy.trust.concern import Concern
from homeenergy.units import NS_PER_S, S_PER_H

BLOCK_S = 60.0
LONG_H = 3  # "continuous load": NEC Art. 100, a rule of design
COVERED = 0.95
# A top that is cut off: many readings within half a per cent of the greatest, few just below.
TOP, NEXT = 0.995, 0.95
FEWEST = 10
PILE = 3.0
# Where a meter's range ends, over the clamp's rating times its volts: some leave room for peaks.
# Common practice, no source.
RANGE_FROM, RANGE_TO = 0.95, 1.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LoggedLoad:
    """What the log of a circuit shows of its highest loads.

    Attributes
    ----------
    greatest_w : float
        Greatest reading, without its sign [W]; 0 without readings.
    at_top, below_top : int
        Readings within 0.5 % of the greatest, and between that and 5 % below it.
    blocks_w : numpy.ndarray, shape (n,)
        Mean of each minute, or of each sample that is longer; NaN where anything is missing [W].
    block_s : float
        Length of a block [s].
    start : pandas.Timestamp or None
        Where the first block begins.
    """

    greatest_w: float
    at_top: int
    below_top: int
    blocks_w: NDArray[np.float64]
    block_s: float
    start: pd.Timestamp | None

    def hours_w(self, hours: int) -> NDArray[np.float64]:
        """Mean of so many hours from each block on [W]; NaN with less than 95 % of them there."""
        n = max(1, round(hours * S_PER_H / self.block_s))
        if self.blocks_w.size < n:
            return np.empty(0)
        there = np.isfinite(self.blocks_w)
        sums = np.r_[0.0, np.cumsum(np.where(there, self.blocks_w, 0.0))]
        counts = np.r_[0, np.cumsum(there)]
        seen = counts[n:] - counts[:-n]
        means = np.full(seen.size, np.nan)
        return np.divide(sums[n:] - sums[:-n], seen, out=means, where=seen >= COVERED * n)


def logged_load(months: Iterable[Trace]) -> LoggedLoad:
    """Sum up the highest loads of a circuit in one pass over its months.

    Parameters
    ----------
    months : iterable of Trace
        In order, with the same period. O(samples); a mean a minute is kept.
    """
    top = _Top()
    pieces: list[tuple[int, NDArray[np.float64]]] = []
    block_ns = 0
    for trace in months:
        if not len(trace):
            continue
        size = max(1, round(BLOCK_S / trace.period_s))
        block_ns = size * trace.period_ns
        pieces.append(_block_means(trace, size))
        top.take(np.abs(trace.watts))
    first = pieces[0][0] if pieces else 0
    blocks_w = np.full(pieces[-1][0] + pieces[-1][1].size - first if pieces else 0, np.nan)
    for at, means in pieces:
        blocks_w[at - first : at - first + means.size] = means
    return LoggedLoad(
        greatest_w=top.greatest_w,
        at_top=top.at_top,
        below_top=top.below_top,
        blocks_w=blocks_w,
        block_s=block_ns / NS_PER_S if pieces else BLOCK_S,
        start=pd.Timestamp(first * block_ns, unit="ns", tz="UTC") if pieces else None,
    )


@dataclass(slots=True)
class _Top:
    """The greatest reading so far, and how many are near it."""

    greatest_w: float = 0.0
    at_top: int = 0
    below_top: int = 0

    def take(self, size_w: NDArray[np.float32]) -> None:
        highest_w = float(np.fmax.reduce(size_w, initial=0.0))
        if highest_w > self.greatest_w:
            # Counts of earlier months hold only if the top has hardly moved.
            if highest_w * TOP > self.greatest_w:
                self.below_top = self.at_top if highest_w * NEXT < self.greatest_w else 0
                self.at_top = 0
            self.greatest_w = highest_w
        near = size_w[size_w >= NEXT * self.greatest_w]
        at_top = int(np.count_nonzero(near >= TOP * self.greatest_w))
        self.at_top += at_top
        self.below_top += near.size - at_top


def _block_means(trace: Trace, size: int) -> tuple[int, NDArray[np.float64]]:
    """Number of the first block since 1970, and means; NaN where a sample is missing."""
    slot = trace.start.value // trace.period_ns
    first = slot // size
    before = slot - first * size
    after = -(before + len(trace)) % size
    watts = np.pad(trace.watts, (before, after), constant_values=np.nan).reshape(-1, size)
    return first, np.asarray(watts.mean(axis=1, dtype=np.float64))


def load_volts_v(circuit: Circuit, supply: Supply) -> float | None:
    """Volts by which the watts of a circuit are divided for the amperes in each leg.

    From a leg to neutral, between two legs, or three times the former for a load balanced on three.
    None where the supply's volts, or the legs of a circuit that could have several, are not stated.
    """
    if supply.volts_v is None or (not circuit.legs and supply.system != "single-phase"):
        return None
    if len(circuit.legs) < 2:
        return supply.volts_v
    if len(circuit.legs) == 3:
        return 3 * supply.volts_v
    return supply.volts_v * (2 if supply.system == "split-phase" else sqrt(3))


def load_concerns(house: House) -> list[Concern]:
    """Find clamps at the end of their range and loads above 80 % of their breaker in the log.

    Parameters
    ----------
    house : House

    Returns
    -------
    list of Concern
        What is found is a prompt to check. Amperes are those of a power factor of 1, so there may
        be more.

    References
    ----------
    NEC 210.19(A), 210.20(A): breaker and conductors for 125 % of the continuous load, hence 80 %.
    """
    concerns = []
    for circuit in house.circuits:
        if not house.has_readings(circuit):
            continue
        rated = circuit.clamp.rating_a is not None and house.supply.volts_v is not None
        volts_v = load_volts_v(circuit, house.supply)
        if not rated and (circuit.breaker_a is None or volts_v is None):
            continue
        # Readings that are cut off are in doubt themselves.
        load = logged_load(house.months(circuit))
        concerns += _cut_off(load, circuit, house.supply)
        if volts_v is not None:
            if house.doubts(circuit).first.size:
                load = logged_load(month.sure() for month in house.months(circuit))
            concerns += _above_breaker(load, circuit, volts_v, str(house.timezone))
    return concerns


def _cut_off(load: LoggedLoad, circuit: Circuit, supply: Supply) -> list[Concern]:
    clamp = circuit.clamp
    if clamp.rating_a is None or supply.volts_v is None:
        return []
    if load.at_top < FEWEST or load.at_top < PILE * load.below_top:
        return []
    read_w = load.greatest_w / max(abs(c) for c in _multipliers(circuit))
    whole_v = load_volts_v(circuit, supply) or supply.volts_v
    # Meters multiply with a leg's voltage, some with that between legs.
    ends = {clamp.rating_a * volts_v for volts_v in (supply.volts_v, whole_v)}
    at = [end for end in ends if RANGE_FROM * end <= read_w <= RANGE_TO * end]
    if not at:
        return []
    return [
        Concern(
            weight="doubtful",
            subject=circuit.name,
            what=f"{circuit.name}: {load.at_top} readings lie within half a per cent of the "
            f"greatest, {read_w:,.0f} W at the clamp, few just below, and a {clamp.rating_a:g} A "
            f"clamp ends near {min(at, key=lambda end: abs(end - read_w)):,.0f} W: they may be cut "
            "off, and the energy too low.",
            do="Compare it with a reference meter at full load; a larger clamp reaches farther.",
            share=0.02,
        )
    ]


def _multipliers(circuit: Circuit) -> list[float]:
    return [c.value for c in circuit.clamp.corrections] or [circuit.clamp.multiplier]


def _above_breaker(
    load: LoggedLoad, circuit: Circuit, volts_v: float, timezone: str
) -> list[Concern]:
    if circuit.breaker_a is None or load.start is None:
        return []
    limit_a = CONTINUOUS_SHARE * circuit.breaker_a
    for hours in (LONG_H, 1):
        amps = np.abs(load.hours_w(hours)) / volts_v
        if not amps.size or not np.nanmax(amps, initial=0.0) > limit_a:
            continue
        at = int(np.nanargmax(amps))
        begins = load.start + pd.Timedelta(seconds=at * load.block_s)
        over = amps[at] / circuit.breaker_a
        days = pd.DatetimeIndex(
            load.start + pd.to_timedelta(np.flatnonzero(amps > limit_a) * load.block_s, unit="s")
        )
        n_days = days.tz_convert(timezone).normalize().nunique()
        span = "hour" if hours == 1 else f"{hours} hours"
        each = " in each leg" if len(circuit.legs) > 1 else ""
        text = (
            f"{circuit.name}: {amps[at]:.3g} A or more{each} on average over the {span} from "
            f"{begins.tz_convert(timezone):%Y-%m-%d %H:%M}, {over:.0%} of its "
            f"{circuit.breaker_a:g} A breaker; above {limit_a:.3g} A (80 %) on "
            f"{n_days} {'day' if n_days == 1 else 'days'} of the log."
        )
        rule = (
            "Loads of three hours or more should leave a fifth of the breaker (NEC 210.19(A), "
            "210.20(A); elsewhere other rules hold)"
        )
        more = " First see whether multiplier and breaker_a are right." if over > 1 else ""
        return [
            Concern(
                weight="doubtful" if hours == LONG_H or over > 1 else "note",
                subject=circuit.name,
                what=text,
                do=f"{rule}: a prompt to check, not proof of a violation; ask a licensed "
                f"electrician.{more}",
                share=max(0.0, float(over) - CONTINUOUS_SHARE),
            )
        ]
    return []
