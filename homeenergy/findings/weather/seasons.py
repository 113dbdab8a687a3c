"""How much the weather of a year drives an appliance: as stated, as measured, or by its kind."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite, nan, sqrt
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.errors import HouseError
from homeenergy.findings.days import LEAST_COVERAGE
from homeenergy.findings.weather.models import daily_temperature
from homeenergy.house.kinds import KINDS, Seasonality
from homeenergy.units import S_PER_DAY, S_PER_H

# By how much of its mean an appliance may use more or less on days of the year that were not seen.
# Own rule, no source: heating and cooling may stop or double; what keeps food cold or water hot
# follows the room and the water main, and is held by 0.3 where it swings by a fifth about its mean
# over the year (days that lie a fifth below the mean of the year are followed by 1 / 0.8 - 1 = 0.25
# more, and some room is left); habits change the others a little.
SEASON_LIMIT: dict[Seasonality, float] = {"strong": 1.0, "some": 0.3, "none": 0.1}
LEAST_DAYS_FOR_WEATHER = 14
# Daily means with rooms heated and not heated: only both can rule out that the weather matters,
# since indoors it does not while heating holds the temperature. Own rule, no source.
HEATED_C, NOT_HEATED_C = 10.0, 18.0
STRONG_CORRELATION = 0.5  # a quarter of the variance of days. Own rule.
# What draws so much for so long may heat or cool a room. Own rule, no source.
LEAST_HEATING_W, LEAST_HEATING_S = 300.0, 600.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SeasonOfUse:
    """How much the weather drives an appliance, and where that comes from.

    Attributes
    ----------
    strength : str
        "strong", "some" or "none".
    source : str
        "house.toml" where it is stated there, "outdoor temperature" where it was measured, else
        "kind": the default of its kind, which may not fit.
    correlation : float
        Of daily energy with the day's mean outdoor temperature; NaN where that is not known.
    """

    strength: Seasonality
    source: Literal["house.toml", "outdoor temperature", "kind"]
    correlation: float = nan

    @property
    def limit(self) -> float:
        """Share of the mean by which days that were not seen may differ."""
        return SEASON_LIMIT[self.strength]


def season_of_use(
    daily: pd.DataFrame,
    *,
    kind: str,
    stated: Seasonality | None = None,
    outdoor: pd.Series | None = None,
) -> SeasonOfUse:
    """How much the weather of a year drives an appliance.

    Parameters
    ----------
    daily : pandas.DataFrame
        From `daily_energy`: day, kwh, covered_h, day_h.
    kind : str
    stated : str, optional
        What house.toml says. It is followed, whatever the weather of these days shows.
    outdoor : pandas.Series, optional
        Outdoor temperature [deg C] on instants (`read_outdoor`).

    Returns
    -------
    SeasonOfUse

    Raises
    ------
    HouseError
        If the temperatures cover none of the whole days.

    Notes
    -----
    Own rules, no source. From 14 whole days with temperatures on, a correlation of at least 0.5 is
    strong; one that differs from nothing at 95 % (2 / sqrt(n), in large samples) is some. Without
    one, a kind of which some is expected has none, if days of 10 deg C or less and of 18 or more
    were seen. Otherwise the default of its kind holds (`homeenergy.house.kinds.Kind`).
    """
    whole = daily[daily["covered_h"] >= LEAST_COVERAGE * daily["day_h"]]
    correlation, mean_c = _weather(whole, outdoor)
    if stated is not None:
        return SeasonOfUse(strength=stated, source="house.toml", correlation=correlation)
    usual = KINDS[kind].season
    measured: Seasonality | None = None
    if isfinite(correlation):
        if abs(correlation) >= STRONG_CORRELATION:
            measured = "strong"
        elif abs(correlation) > 2 / sqrt(len(whole)):
            measured = "some" if usual != "strong" else None
        elif mean_c.min() <= HEATED_C and mean_c.max() >= NOT_HEATED_C and usual == "some":
            measured = "none"
    if measured is None:
        return SeasonOfUse(strength=usual, source="kind", correlation=correlation)
    return SeasonOfUse(strength=measured, source="outdoor temperature", correlation=correlation)


def season_remark(season: SeasonOfUse, *, kind: str, runs: pd.DataFrame) -> str:
    """Say that a default may not fit; empty where it is none, or does not matter.

    It matters where what is called so may heat or cool: runs of `LEAST_HEATING_W` and more that
    last `LEAST_HEATING_S` and more, as half of them do.
    """
    if season.source != "kind" or not KINDS[kind].season_matters or not len(runs):
        return ""
    middle = runs[["mean_w", "duration_s"]].median()
    if middle["mean_w"] < LEAST_HEATING_W or middle["duration_s"] < LEAST_HEATING_S:
        return ""
    return (
        f'its season is not set and taken as "{season.strength}": if it heats or cools rooms, '
        'write season = "strong" in house.toml'
    )


def _weather(whole: pd.DataFrame, outdoor: pd.Series | None) -> tuple[float, NDArray[np.float64]]:
    """Correlation with the day's mean temperature, NaN where unknown, and these temperatures."""
    if outdoor is None or not len(whole):
        return nan, np.empty(0)
    day = pd.DatetimeIndex(whole["day"])
    kwh: NDArray[np.float64] = (
        (whole["kwh"] / whole["covered_h"]).to_numpy(np.float64) * S_PER_DAY / S_PER_H
    )
    table = daily_temperature(outdoor, timezone=day.tz or "UTC")
    known = table[table["covered_h"] >= LEAST_COVERAGE * table["day_h"]]
    celsius = pd.Series(known["mean_c"].to_numpy(), index=pd.DatetimeIndex(known["day"]))
    mean_c = celsius.reindex(day).to_numpy(np.float64)
    both = np.isfinite(mean_c)
    if not both.any():
        raise HouseError(
            "the outdoor temperatures cover none of these days",
            fix="Give temperatures of the time of the log, or leave them out.",
        )
    x, y = mean_c[both], kwh[both]
    if x.size < LEAST_DAYS_FOR_WEATHER or x.std() == 0 or y.std() == 0:
        return nan, x
    return float(np.corrcoef(x, y)[0, 1]), x
