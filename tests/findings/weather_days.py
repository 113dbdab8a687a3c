"""Days of invented weather and energy, with known answers."""

import numpy as np
import pandas as pd

from homeenergy.findings.change import levels_at


def at_celsius(change, celsius):
    """Before and after at one outdoor temperature [deg C]."""
    weather = change.balance.loose_terms(np.array([celsius]))[0]
    return levels_at(change.regression, weather, responds=change.responds)


def correlated(rng, n, r):
    """Series of unit variance in which a day is like the one before by r."""
    noise = rng.normal(size=n)
    for i in range(1, n):
        noise[i] = r * noise[i - 1] + np.sqrt(1 - r * r) * noise[i]
    return noise


def weather(rng, n, *, start="2026-01-01"):
    """Mean temperatures of n days [deg C] with a season, and weather that lasts for days."""
    days = pd.date_range(start, periods=n, tz="UTC")
    season = 11 - 10 * np.cos((days.day_of_year.to_numpy() - 20) / 365 * 2 * np.pi)
    return pd.Series(season + 3.0 * correlated(rng, n, 0.7), index=days)


def energy(celsius, noise, *, base=8.0, heating=0.0, below=14.0, cooling=0.0, above=20.0):
    """Daily energy [kWh] by a model of two balance points."""
    kwh = base + heating * np.maximum(below - celsius, 0) + cooling * np.maximum(celsius - above, 0)
    return kwh + noise
