"""Meters and logs made by hand."""

import numpy as np
import pandas as pd

from homeenergy.trust.meter import LoggedEnergy


def plain_log(kwh, *, missing_high_kwh=None, shift_kwh=0.0):
    """A log that knows the energy of every interval, but for what is said."""
    kwh = np.asarray(kwh, dtype=float)
    return LoggedEnergy(
        logged_kwh=kwh,
        missing_low_kwh=np.zeros(kwh.size),
        missing_high_kwh=np.zeros(kwh.size) if missing_high_kwh is None else missing_high_kwh,
        shift_low_kwh=np.full(kwh.size + 1, -shift_kwh),
        shift_high_kwh=np.full(kwh.size + 1, shift_kwh),
        missing_s=np.zeros(kwh.size),
    )


def shown(registers):
    times = pd.date_range("2026-03-01 08:00", periods=len(registers), freq="D", tz="UTC")
    return pd.DataFrame({"time": times, "kwh": registers})


def cut_readings(used_kwh, *, starts_at_kwh=5000.3):
    """What a meter with whole kWh shows before and after each use."""
    return shown(np.floor(starts_at_kwh + np.r_[0.0, np.cumsum(used_kwh)]))
