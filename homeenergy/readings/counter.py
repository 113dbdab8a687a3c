"""From the readings of an energy counter to the power between them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from homeenergy.readings.rows import Values
from homeenergy.units import NS_PER_S, S_PER_H

ABSURD_W = 100_000.0  # more than any household circuit carries; common practice, no source


def counter_power(
    times_ns: NDArray[np.int64],
    counter_wh: Values,
    *,
    hold_ns: int,
    rolls_over_at: float | None = None,
) -> tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.int64], NDArray[np.int64]]:
    """Mean power between one reading of a counter and the next.

    Parameters
    ----------
    times_ns : shape (n,), int64
        Ascending, all different.
    counter_wh : shape (n,)
        Readings [Wh]; NaN rows are passed over, since the counter goes on without them.
    hold_ns : int
        Readings farther apart leave the time between them missing.
    rolls_over_at : float, optional
        Where the counter begins again at 0 [Wh]. Without it, a counter that goes down was reset,
        and counts from 0.

    Returns
    -------
    times_ns, power_w, resets_ns, rejected_ns
        The power holds from its instant to the next one; NaN where it is not known. `resets_ns`
        are the instants of the steps down that were understood; `rejected_ns` the beginnings of the
        intervals that need an absurd power.
    """
    there = ~np.isnan(counter_wh)
    times, counter = times_ns[there], counter_wh[there].astype(np.float64)
    if times.size == 0:
        return times, counter, times, times
    step_ns, step_wh = np.diff(times), np.diff(counter)
    down = step_wh < 0
    step_wh = np.where(
        down, counter[1:] if rolls_over_at is None else step_wh + rolls_over_at, step_wh
    )
    power = step_wh * (S_PER_H * NS_PER_S) / step_ns
    absurd = np.abs(power) > ABSURD_W
    power[absurd | (step_ns > hold_ns)] = np.nan
    return times, np.append(power, np.nan), times[1:][down & ~absurd], times[:-1][absurd]
