"""The average price of an appliance over a year of a tariff, from the hours at which it draws."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.findings.appliance import ApplianceFinding
from homeenergy.house.tariff import Tariff
from homeenergy.units import NS_PER_S, S_PER_H

SLOT_S = 900.0
SLOTS = 96  # a day
DAYS = 365


def price_of_a_year(finding: ApplianceFinding, tariff: Tariff) -> float:
    """Average price that a year of the appliance's hours would pay [currency per kWh].

    Parameters
    ----------
    finding : ApplianceFinding
        Its energy by weekday and quarter of an hour of local time is taken to be that of all the
        year; a weekday that was not seen is like the mean of the others.
    tariff : Tariff
        By time of use. The prices that hold on the last day seen are applied to the 365 days from
        the first, so that each season counts as long as it lasts.

    Returns
    -------
    float
        NaN where no energy flows.
    """
    plateaus = finding.cycles.plateaus
    timezone = pd.DatetimeIndex(finding.daily["day"]).tz or "UTC"
    if not len(plateaus):
        return float("nan")
    start = plateaus.start
    end_s = plateaus.length * plateaus.period_s
    # Prices change on quarters of an hour, in which no log need begin.
    edges_s = np.arange(-(start.value / NS_PER_S % SLOT_S), end_s + SLOT_S, SLOT_S)
    knots = np.c_[plateaus.first, plateaus.stop].ravel() * plateaus.period_s
    upto = np.cumsum(plateaus.sum_w) * plateaus.period_s / S_PER_H
    sums = np.c_[np.r_[0.0, upto[:-1]], upto].ravel()
    seen = np.cumsum(plateaus.n) * plateaus.period_s / S_PER_H
    covered = np.c_[np.r_[0.0, seen[:-1]], seen].ravel()
    energy_wh = np.diff(np.interp(edges_s, knots, sums))
    hours = np.diff(np.interp(edges_s, knots, covered))
    begins = start + pd.to_timedelta(edges_s[:-1], unit="s")
    weekday, slot = _slots(pd.DatetimeIndex(begins).tz_convert(timezone))
    shape = (7, SLOTS)
    at = weekday * SLOTS + slot
    total = np.bincount(at, weights=energy_wh, minlength=7 * SLOTS).reshape(shape)
    time_h = np.bincount(at, weights=hours, minlength=7 * SLOTS).reshape(shape)
    mean_w = np.full(shape, np.nan)
    np.divide(total, time_h, out=mean_w, where=time_h > 0)
    every = np.zeros(SLOTS)
    np.divide(total.sum(axis=0), time_h.sum(axis=0), out=every, where=time_h.sum(axis=0) > 0)
    mean_w = np.where(np.isnan(mean_w), every[None, :], mean_w)
    last = (start + pd.to_timedelta(end_s - plateaus.period_s, unit="s")).tz_convert(timezone)
    year = pd.date_range(begins[0], periods=DAYS * SLOTS, freq=f"{int(SLOT_S)}s")
    year = year.tz_convert(timezone)
    prices = tariff.on(last.date()).price_at(year, timezone)
    weekday, slot = _slots(year)
    watts = mean_w[weekday, slot]
    return float((watts * prices).sum() / watts.sum()) if watts.sum() else float("nan")


def _slots(local: pd.DatetimeIndex) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    weekday = local.day_of_week.to_numpy().astype(np.int64)
    slot = ((local.hour * 3600 + local.minute * 60 + local.second) // SLOT_S).to_numpy()
    return weekday, slot.astype(np.int64)
