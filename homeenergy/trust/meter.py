"""The utility meter against the logged mains: a ratio with guaranteed bounds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from math import isfinite
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.errors import HouseError
from homeenergy.stats.estimate import Estimate

Values = NDArray[np.float64]
RATIO_LIMITS = (0.2, 5.0)
MOST_DOUBTED = 3
MOST_SETS = 3000  # of readings that are tried before the search gives up
INFEASIBLE = 2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LoggedEnergy:
    """What the logged mains say of the times of the readings; n readings, n - 1 intervals.

    Attributes
    ----------
    logged_kwh : numpy.ndarray, shape (n - 1,)
        Energy of the samples that are there, from reading to reading [kWh].
    missing_low_kwh, missing_high_kwh : numpy.ndarray, shape (n - 1,)
        Bounds of what was used while there was no sample [kWh].
    shift_low_kwh, shift_high_kwh : numpy.ndarray, shape (n,)
        Bounds of the energy between the stated time of a reading and its true time [kWh].
    missing_s : numpy.ndarray, shape (n - 1,)
        Time without a sample [s].
    """

    logged_kwh: Values
    missing_low_kwh: Values
    missing_high_kwh: Values
    shift_low_kwh: Values
    shift_high_kwh: Values
    missing_s: Values


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Program:
    """Readings as bounds of true registers, and what the log knows between them.

    Attributes
    ----------
    low_kwh, high_kwh : numpy.ndarray, shape (n,)
        Bounds of the true register at each reading [kWh].
    logged : LoggedEnergy
    exchanged : tuple of int
        First readings of a new meter, whose register begins anywhere.

    Notes
    -----
    Unknowns: ratio, first register, one step of the register for each exchange, and, times the
    ratio, the energy missing in each interval and from stated to true time of each reading.
    """

    low_kwh: Values
    high_kwh: Values
    logged: LoggedEnergy
    exchanged: tuple[int, ...] = ()

    @property
    def n(self) -> int:
        """Number of readings."""
        return int(self.low_kwh.size)

    @property
    def unknowns(self) -> int:
        """Number of unknowns."""
        return 2 + len(self.exchanged) + (self.n - 1) + self.n

    def registers(self) -> Values:
        """Matrix, shape (n, unknowns), that gives the true registers above the first bound."""
        n, k = self.n, len(self.exchanged)
        matrix = np.zeros((n, self.unknowns))
        matrix[:, 0] = np.r_[0.0, np.cumsum(self.logged.logged_kwh)]
        matrix[:, 1] = 1
        for number, first in enumerate(self.exchanged):
            matrix[first:, 2 + number] = 1
        matrix[:, 2 + k : 1 + k + n] = np.tri(n, n - 1, -1)
        matrix[:, 1 + k + n :] = np.eye(n)
        return matrix

    def minimum(self, cost: Values, *, left_out: Sequence[int] = ()) -> float | None:
        """Least value of `cost` times the unknowns; None if nothing fits the readings kept."""
        from scipy.optimize import linprog

        keep = [i for i in range(self.n) if i not in left_out]
        kept = self.registers()[keep]
        part_low = np.r_[self.logged.missing_low_kwh, self.logged.shift_low_kwh]
        part_high = np.r_[self.logged.missing_high_kwh, self.logged.shift_high_kwh]
        parts = np.eye(self.unknowns)[2 + len(self.exchanged) :]
        ratio = np.zeros_like(parts)
        ratio[:, 0] = 1
        base = self.low_kwh[0]  # differences are small where registers are not
        rows = [kept, -kept, parts - ratio * part_high[:, None], ratio * part_low[:, None] - parts]
        limits = np.r_[
            self.high_kwh[keep] - base, base - self.low_kwh[keep], np.zeros(2 * part_low.size)
        ]
        bounds = [RATIO_LIMITS, *[(None, None)] * (self.unknowns - 1)]
        found = linprog(cost, A_ub=np.vstack(rows), b_ub=limits, bounds=bounds, method="highs")
        if found.status == INFEASIBLE:
            return None
        if found.status != 0:  # free registers of readings left out at an exchange have no bound
            return float("nan")
        return float(found.fun)

    def fits(self, *, left_out: Sequence[int] = ()) -> bool:
        """Whether any ratio fits the readings kept."""
        return self.minimum(np.zeros(self.unknowns), left_out=left_out) is not None

    def ratio_bounds(self, *, left_out: Sequence[int] = ()) -> tuple[float, float] | None:
        """Least and greatest ratio that the readings kept allow."""
        cost = np.eye(self.unknowns)[0]
        low = self.minimum(cost, left_out=left_out)
        high = self.minimum(-cost, left_out=left_out)
        return None if low is None or high is None else (low, -high)

    def register_bounds(self, reading: int, *, left_out: Sequence[int]) -> tuple[float, float]:
        """Least and greatest true register at a reading [kWh], by the readings kept."""
        cost = self.registers()[reading]
        ends = []
        for sign in (1.0, -1.0):
            found = self.minimum(sign * cost, left_out=left_out)
            ends.append(float("nan") if found is None else sign * found + float(self.low_kwh[0]))
        return ends[0], ends[1]

    def smallest_sets(self) -> list[tuple[int, ...]]:
        """All sets of the least number of readings without which a ratio fits."""
        tried = 0
        for size in range(1, min(MOST_DOUBTED, self.n - 2) + 1):
            found: list[tuple[int, ...]] = []
            for left_out in combinations(range(self.n), size):
                tried += 1
                if tried > MOST_SETS:
                    return found
                if self.fits(left_out=left_out):
                    found.append(left_out)
            if found:
                return found
        return []


Shown = Literal["cut", "rounded"]
TOLERANCE = 1e-7


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubt:
    """One reading to doubt: which (from 0), what was written, and what would fit all others [kWh].

    `fits_low_kwh` to `fits_high_kwh` are the values as the meter shows them.
    """

    reading: int
    written_kwh: float
    fits_low_kwh: float
    fits_high_kwh: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MeterAgreement:
    """Whether the utility meter and the logged mains can both be right.

    Attributes
    ----------
    ratio : Estimate
        Meter over log. Its ends are guaranteed bounds: every ratio between them, and no other,
        fits all readings that are not doubted. The value is their middle.
    fits_all : bool
        Whether any ratio fits all readings.
    doubted : tuple of tuple of Doubt
        The smallest sets of readings without which some ratio fits; each set is one explanation.
        Empty if all fit, or if leaving out three readings is not enough.
    intervals : pandas.DataFrame
        start, end, meter_low_kwh, meter_high_kwh, logged_low_kwh, logged_high_kwh, missing_s,
        agrees: what both say from reading to reading, with a ratio of 1.
    verdict : str
        In one sentence.
    """

    ratio: Estimate
    fits_all: bool
    doubted: tuple[tuple[Doubt, ...], ...]
    intervals: pd.DataFrame
    verdict: str

    def to_frame(self) -> pd.DataFrame:
        """The intervals."""
        return self.intervals


def meter_agreement(
    readings: pd.DataFrame,
    logged: LoggedEnergy,
    *,
    step_kwh: float = 1.0,
    shown: Shown = "cut",
    exchanged: Sequence[int] = (),
) -> MeterAgreement:
    """Compare readings of the utility meter with the logged mains.

    Parameters
    ----------
    readings : pandas.DataFrame
        time (with time zone) and kwh, in order of time, not going down.
    logged : LoggedEnergy
        For these times.
    step_kwh : float
        Last digit that the meter shows [kWh]: 1, or 0.1.
    shown : str
        "cut": the meter shows whole steps and drops the rest; "rounded": to the nearest step.
    exchanged : sequence of int
        First readings (from 0) of a new meter.

    Returns
    -------
    MeterAgreement

    Raises
    ------
    HouseError
        If there are fewer than two readings, or they go down.

    Notes
    -----
    Linear program. Unknown are the ratio, the first true register, the energy missing in each
    interval and the energy between stated and true time of each reading, both times the ratio; each
    true register must lie within what its reading shows. All bounds are linear in these, so the
    least and the greatest ratio are found exactly. The bounds are guaranteed if those of the
    missing energy are, and as far as one ratio holds throughout.
    """
    kwh = readings["kwh"].to_numpy(dtype=np.float64)
    if kwh.size < 2:
        raise HouseError(
            f"there is {kwh.size} meter reading, which compares nothing",
            fix="Two readings at least are needed, best some weeks apart.",
        )
    falls = np.flatnonzero(np.diff(kwh) < 0) + 1
    if not set(falls) <= set(exchanged):
        raise HouseError(
            "the meter readings go down",
            fix="Look at them with explain_falls, then correct them or name the exchange.",
        )
    low, high = shown_bounds(kwh, step_kwh=step_kwh, shown=shown)
    program = Program(low_kwh=low, high_kwh=high, logged=logged, exchanged=tuple(exchanged))
    bounds = program.ratio_bounds()
    fits_all = bounds is not None
    doubted: tuple[tuple[Doubt, ...], ...] = ()
    if bounds is None:
        sets = program.smallest_sets()
        doubted = tuple(
            tuple(reading_doubt(program, i, kwh, left_out, step_kwh, shown) for i in left_out)
            for left_out in sets
        )
        known = [pair for s in sets if (pair := program.ratio_bounds(left_out=s)) is not None]
        bounds = (min(b[0] for b in known), max(b[1] for b in known)) if known else None
    ratio = _ratio_estimate(bounds, kwh.size)
    return MeterAgreement(
        ratio=ratio,
        fits_all=fits_all,
        doubted=doubted,
        intervals=_intervals(readings, program),
        verdict=_verdict(ratio, fits_all, doubted, readings),
    )


def shown_bounds(kwh: Values, *, step_kwh: float, shown: Shown) -> tuple[Values, Values]:
    """Least and greatest true register [kWh] for what a meter shows."""
    if not (isfinite(step_kwh) and step_kwh > 0):
        raise ValueError(f"step_kwh must be positive, got {step_kwh!r}")
    if shown not in ("cut", "rounded"):
        raise ValueError(f"shown must be 'cut' or 'rounded', got {shown!r}")
    below = step_kwh / 2 if shown == "rounded" else 0.0
    return kwh - below, kwh - below + step_kwh


def reading_doubt(
    program: Program,
    reading: int,
    kwh: Values,
    left_out: Sequence[int],
    step_kwh: float,
    shown: Shown,
) -> Doubt:
    """What the meter can have shown at a reading that is left out."""
    ends = program.register_bounds(reading, left_out=left_out)
    half = step_kwh / 2 if shown == "rounded" else 0.0
    shows = [
        np.floor((end + half + nudge) / step_kwh) * step_kwh
        for end, nudge in zip(ends, (TOLERANCE, -TOLERANCE), strict=True)
    ]
    return Doubt(
        reading=reading,
        written_kwh=float(kwh[reading]),
        fits_low_kwh=round(float(shows[0]), 6),
        fits_high_kwh=round(float(max(shows)), 6),
    )


def _intervals(readings: pd.DataFrame, program: Program) -> pd.DataFrame:
    times = pd.DatetimeIndex(readings["time"])
    low, high, logged = program.low_kwh, program.high_kwh, program.logged
    # Registers stand still at least: a cut reading of the same value allows no use below zero.
    meter_low = np.maximum(low[1:] - high[:-1], 0.0)
    meter_high = high[1:] - low[:-1]
    for first_of_new in program.exchanged:
        meter_low[first_of_new - 1], meter_high[first_of_new - 1] = 0.0, np.inf
    first = logged.logged_kwh + logged.missing_low_kwh
    last = logged.logged_kwh + logged.missing_high_kwh
    log_low = first + logged.shift_low_kwh[1:] - logged.shift_high_kwh[:-1]
    log_high = last + logged.shift_high_kwh[1:] - logged.shift_low_kwh[:-1]
    return pd.DataFrame(
        {
            "start": times[:-1],
            "end": times[1:],
            "meter_low_kwh": meter_low,
            "meter_high_kwh": meter_high,
            "logged_low_kwh": log_low,
            "logged_high_kwh": log_high,
            "missing_s": logged.missing_s,
            "agrees": (log_low <= meter_high + TOLERANCE) & (log_high >= meter_low - TOLERANCE),
        }
    )


def _ratio_estimate(bounds: tuple[float, float] | None, n: int) -> Estimate:
    nan = float("nan")
    low, high = bounds or (nan, nan)
    if (low, high) != (low, high) or low <= RATIO_LIMITS[0] or high >= RATIO_LIMITS[1]:
        basis = "no ratio can be found" if bounds is None else "too little energy for a ratio"
    else:
        basis = f"guaranteed bounds from {n} readings, linear program"
    return Estimate(
        value=(low + high) / 2, low=low, high=high, unit="", n=n, level=1.0, basis=basis
    )


def _verdict(
    ratio: Estimate,
    fits_all: bool,
    doubted: tuple[tuple[Doubt, ...], ...],
    readings: pd.DataFrame,
) -> str:
    bounds = f"{ratio.low:.3f} and {ratio.high:.3f}"
    if fits_all and ratio.low <= 1 <= ratio.high:
        return (
            "Meter and log agree fully within rounding: every ratio of meter to log between "
            f"{bounds} fits all {ratio.n} readings, and 1 is one of them."
        )
    if fits_all:
        middle = abs(ratio.value - 1)
        word = "less" if ratio.value > 1 else "more"
        return (
            f"The log shows about {middle:.1%} {word} than the meter, whatever the rounding: "
            f"only ratios of meter to log between {bounds} fit all {ratio.n} readings."
        )
    if not doubted and (readings["kwh"] == readings["kwh"].iloc[0]).all():
        return (
            f"The meter shows {readings['kwh'].iloc[0]:.10g} kWh in all {ratio.n} readings, while "
            "the log has energy: it is another meter's register, or was not read."
        )
    if not doubted:
        without = ", even with three of them left out" if ratio.n > 4 else ""
        return (
            f"No ratio of meter to log fits the readings{without}: a clamp of the mains was moved, "
            "or something bypasses it."
        )
    parts = []
    for doubts in doubted[:3]:
        parts.append(" with ".join(doubt_text(doubt, readings) for doubt in doubts))
    return f"No ratio fits all readings. Doubt {'; or '.join(parts)}."


def doubt_text(doubt: Doubt, readings: pd.DataFrame) -> str:
    """Say which reading to doubt and what would fit."""
    when = readings["time"].iloc[doubt.reading]
    fits = f"{doubt.fits_low_kwh:.10g}"
    if doubt.fits_high_kwh != doubt.fits_low_kwh:
        fits += f" to {doubt.fits_high_kwh:.10g}"
    return f"the reading of {when:%Y-%m-%d %H:%M} ({doubt.written_kwh:.10g}; {fits} would fit)"


Likelier = Literal["exchange", "rollover", "typing error", "not clear"]
SMALL = 0.1  # a new meter begins near zero: at most this share of what the old one showed


@dataclass(frozen=True, slots=True, kw_only=True)
class Fall:
    """A reading below the one before it, and what explains it.

    Attributes
    ----------
    reading : int
        The lower one, from 0.
    likelier : str
        "exchange" of the meter, "rollover" of its register, "typing error", or "not clear".
    doubt : Doubt or None
        For a typing error: which reading, and what fits.
    sentence : str
    """

    reading: int
    likelier: Likelier
    doubt: Doubt | None
    sentence: str


def explain_falls(
    readings: pd.DataFrame,
    logged: LoggedEnergy,
    *,
    step_kwh: float = 1.0,
    shown: Shown = "cut",
) -> tuple[Fall, ...]:
    """Say of each fall of the meter readings what is likelier.

    Parameters
    ----------
    readings, logged, step_kwh, shown
        As in `meter_agreement`.

    Notes
    -----
    One reading left out and a register that begins anew are both tried on the linear program of
    all readings. If only one of them fits, that is it. If both do, as at the first and the last
    reading, the digits decide: a value that differs from what would fit in one digit, or in
    two neighbours changed over, is mistyped; a value far below the old one is a new meter's.
    """
    kwh = readings["kwh"].to_numpy(dtype=np.float64)
    falls = [int(i) for i in np.flatnonzero(np.diff(kwh) < 0) + 1]
    low, high = shown_bounds(kwh, step_kwh=step_kwh, shown=shown)
    found: list[Fall] = []
    for fall in falls:
        others = tuple(i for i in falls if i != fall)
        program = Program(low_kwh=low, high_kwh=high, logged=logged, exchanged=others)
        found.append(_explain(fall, readings, program, step_kwh=step_kwh, shown=shown))
    return tuple(found)


def _explain(
    fall: int, readings: pd.DataFrame, program: Program, *, step_kwh: float, shown: Shown
) -> Fall:
    kwh = readings["kwh"].to_numpy(dtype=np.float64)
    new = Program(
        low_kwh=program.low_kwh,
        high_kwh=program.high_kwh,
        logged=program.logged,
        exchanged=(*program.exchanged, fall),
    )
    exchange_fits = new.fits()
    doubts = [
        reading_doubt(program, i, kwh, (i,), step_kwh, shown)
        for i in (fall, fall - 1)
        if program.n > 2 and program.fits(left_out=(i,))
    ]
    when = readings["time"].iloc[fall]
    what = f"The meter fell from {kwh[fall - 1]:.10g} to {kwh[fall]:.10g} at {when:%Y-%m-%d %H:%M}"
    mistyped = [d for d in doubts if _mistyped(d, step_kwh)]
    if _rolled_over(fall, kwh, program):
        return _fall(fall, "rollover", None, f"{what}: its register began again at zero")
    if mistyped and (len(mistyped) < 2 or not exchange_fits):
        best = mistyped[0]
        text = f"{what}: a typing error is likelier, in {doubt_text(best, readings)}"
        return _fall(fall, "typing error", best, text)
    if doubts and not exchange_fits:
        text = f"{what}: a typing error is likelier, in {doubt_text(doubts[0], readings)}"
        return _fall(fall, "typing error", doubts[0], text)
    if exchange_fits and (not doubts or kwh[fall] <= SMALL * kwh[fall - 1]):
        return _fall(fall, "exchange", None, f"{what}: the meter was likelier exchanged")
    text = f"{what}: exchange of the meter or typing error; these readings do not show which"
    return _fall(fall, "not clear", doubts[0] if doubts else None, text)


def _fall(reading: int, likelier: Likelier, doubt: Doubt | None, text: str) -> Fall:
    return Fall(reading=reading, likelier=likelier, doubt=doubt, sentence=f"{text}.")


def _rolled_over(fall: int, kwh: np.ndarray, program: Program) -> bool:
    """Whether a register of as many digits began again at zero, and all fits then."""
    full = 10.0 ** len(str(int(kwh[fall - 1])))
    if kwh[fall - 1] < 0.9 * full or kwh[fall] > 0.1 * full or program.exchanged:
        return False
    raised = np.where(np.arange(kwh.size) >= fall, full, 0.0)
    after = Program(
        low_kwh=program.low_kwh + raised,
        high_kwh=program.high_kwh + raised,
        logged=program.logged,
    )
    return after.fits()


def _mistyped(doubt: Doubt, step_kwh: float) -> bool:
    """Whether one wrong digit, or two neighbours changed over, explain what was written."""
    if not np.isfinite([doubt.fits_low_kwh, doubt.fits_high_kwh]).all():
        return False
    count = int(min(round((doubt.fits_high_kwh - doubt.fits_low_kwh) / step_kwh), 200))
    written = str(round(doubt.written_kwh / step_kwh))
    for k in range(count + 1):
        right = str(round(doubt.fits_low_kwh / step_kwh) + k)
        if len(right) != len(written):
            continue
        wrong = [i for i, (a, b) in enumerate(zip(written, right, strict=True)) if a != b]
        one = len(wrong) == 1
        swapped = len(wrong) == 2 and wrong[1] == wrong[0] + 1
        if one or (swapped and written[wrong[0]] == right[wrong[1]]):
            return True
    return False
