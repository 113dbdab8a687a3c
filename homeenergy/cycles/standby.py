"""Standby: what an appliance draws between its runs."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.stats import t as student_t

from homeenergy.cycles.plateaus import Plateaus
from homeenergy.estimate import Estimate
from homeenergy.house.schedule import Kind
from homeenergy.readings.trace import Trace
from homeenergy.units import S_PER_H

# Draw often settles for some minutes after a run (a fan, a "finished" display): left out.
SETTLE_S = 300.0


def idle_standby(
    pieces: list[Trace],
    plateaus: Plateaus,
    first: NDArray[np.int64],
    stop: NDArray[np.int64],
    *,
    kind: Kind,
) -> Estimate:
    """Mean draw outside runs [W], with an interval from the spread between hours.

    Plateaus that lie far above the usual idle level (lamps, other small loads, spikes) are left
    out by a limit of three times the interquartile range about the median level. The mean and not
    the median is taken, because meters with coarse steps flicker about the true value.
    """
    del pieces
    nan = float("nan")
    if kind == "continuous" and first.size == 0:
        return Estimate(
            value=nan, low=nan, high=nan, unit="W", n=0, basis="never seen at rest in these data"
        )
    settle_n = round(SETTLE_S / plateaus.period_s)
    after = np.searchsorted(stop, plateaus.first, side="right") - 1
    inside = (
        (after + 1 < first.size) & (plateaus.stop > first[np.minimum(after + 1, first.size - 1)])
        if first.size
        else np.zeros(len(plateaus), bool)
    )
    settling = (
        (after >= 0) & (plateaus.first < stop[np.maximum(after, 0)] + settle_n)
        if (first.size)
        else np.zeros(len(plateaus), bool)
    )
    idle = ~inside & ~(settling & (plateaus.stop - plateaus.first < 2 * settle_n))
    idle &= plateaus.n > 1
    if not idle.any():
        return Estimate(
            value=nan, low=nan, high=nan, unit="W", n=0, basis="no idle time in these data"
        )
    w, n = plateaus.mean_w[idle], plateaus.n[idle].astype(np.float64)
    order = np.argsort(w, kind="stable")
    upto = np.cumsum(n[order]) / n.sum()
    q1, median, q3 = w[order][np.searchsorted(upto, [0.25, 0.5, 0.75])]
    noise_w = plateaus.settings["noise_w"]
    near = np.abs(w - median) <= 3 * max(q3 - q1, noise_w)
    w, n = w[near], n[near]
    value = float(np.average(w, weights=n))
    hours = n.sum() * plateaus.period_s / S_PER_H
    blocks = max(min(w.size, round(hours)), 1)
    spread = float(np.sqrt(np.average((w - value) ** 2, weights=n)))
    half = (
        float(student_t.ppf(0.975, blocks - 1)) * spread / np.sqrt(blocks - 1)
        if blocks > 1
        else float("inf")
    )
    return Estimate(
        value=value,
        low=value - half,
        high=value + half,
        unit="W",
        n=blocks,
        basis=f"mean of {hours:.1f} h outside runs",
    )
