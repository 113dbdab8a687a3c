"""Meter readings that go down: exchange of the meter, start again from zero, or typing error."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from homeenergy.trust.meter import Doubt, Shown, doubt_text, reading_doubt, shown_bounds
from homeenergy.trust.meter_program import LoggedEnergy, Program

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
    text = f"{what}: exchange of the meter or typing error, which cannot be told from these"
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
