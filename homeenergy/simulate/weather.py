"""Outdoor temperature of an invented place."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from homeenergy.simulate.appliances.circuit import wander
from homeenergy.simulate.calendar import Calendar


def outdoor_celsius(
    calendar: Calendar,
    *,
    seed: int,
    mean_c: float,
    daily_swing_c: float,
    trend_c_per_day: float = 0.0,
) -> NDArray[np.float64]:
    """Hourly outdoor temperature [deg C], coldest at six in the morning.

    Returns
    -------
    numpy.ndarray, shape (hours + 1,)
        At each full hour from the start of the calendar, its end included.

    Notes
    -----
    Own model: a daily cosine, weather that wanders over about two days, and a trend.
    """
    rng = np.random.default_rng([seed, 4001])
    hours = np.arange(calendar.n_s // 3600 + 1)
    day = np.searchsorted(calendar.midnights_s, hours * 3600, side="right") - 1
    day = np.minimum(day, calendar.days)
    clock_h = hours - calendar.midnights_s[day] / 3600
    swing = -daily_swing_c / 2 * np.cos(2 * np.pi * (clock_h - 6.0) / 24)
    weather = wander(rng, hours.size, sd_w=3.2, tau_s=48.0)
    return mean_c + trend_c_per_day * hours / 24 + swing + weather
