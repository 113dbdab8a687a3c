"""Rooms one degree cooler, or warmer in summer: what it saves, from how a load follows weather."""

from __future__ import annotations

import numpy as np
import pandas as pd

from homeenergy.errors import HouseError
from homeenergy.findings.appliance.record import ApplianceFinding
from homeenergy.findings.saving.advice import Action, Said
from homeenergy.findings.saving.saving import energy_now, made_saving
from homeenergy.findings.weather.fit import WeatherFit, weather_dependence
from homeenergy.findings.weather.models import Season
from homeenergy.stats.estimate import Estimate
from homeenergy.units import DAYS_PER_YEAR

HEALTHY_C = 18  # WHO 2018


def one_degree(finding: ApplianceFinding, *, outdoor: pd.Series | None) -> list[Action]:
    """What a degree less heating, or less cooling, would save of what conditions rooms.

    Parameters
    ----------
    finding : ApplianceFinding
    outdoor : pandas.Series, optional
        Outdoor temperature [deg C].

    Returns
    -------
    list of Action
        Empty where its daily energy does not follow the weather, or nothing tells.

    Notes
    -----
    Own method, from the change-point model of `weather_dependence`: rooms one degree cooler move
    the balance point down by one degree, so that a day takes as much less as one degree warmer
    outdoors would make it; below one degree from the balance point, that part. Rooms that are
    heated are not to be cooler than 18 deg C (WHO 2018).
    """
    if outdoor is None or finding.season.strength != "strong" or not finding.kwh_per_day.value > 0:
        return []
    try:
        fit = weather_dependence(finding.daily, outdoor, clamp=finding.clamp_errors)
    except HouseError:  # too few days, or temperatures do not cover them
        return []
    slopes: dict[Season, Estimate | None]
    slopes = {"heating": fit.heating_kwh, "cooling": fit.cooling_kwh}
    return [
        _action(finding, fit, season, slope)
        for season, slope in slopes.items()
        if slope is not None
    ]


def _saved_per_day(fit: WeatherFit, season: Season, slope: Estimate) -> Estimate:
    """Mean over the days of the fit [kWh]."""
    heating = season == "heating"
    if fit.shape == "line":
        return slope.scaled(1.0, unit="kWh")
    celsius = fit.days["celsius"].to_numpy(np.float64)
    column = 1 if heating or fit.shape == "cooling" else 2

    def degrees(balance_c: float) -> float:
        beyond = balance_c - celsius if heating else celsius - balance_c
        return float(np.clip(beyond, 0.0, 1.0).mean())

    name = "heating_c" if heating else "cooling_c"
    saved = slope.scaled(degrees(getattr(fit.balance, name)), unit="kWh")
    draws = [c[column] * degrees(getattr(b, name)) for b, c in fit.draws]
    return saved.with_draws(draws, basis=slope.basis) if draws else saved


def _action(finding: ApplianceFinding, fit: WeatherFit, season: Season, slope: Estimate) -> Action:
    heating = season == "heating"
    per_day = _saved_per_day(fit, season, slope)
    name = finding.appliance
    saving = made_saving(
        finding,
        measure=f"{name}: rooms one degree {'cooler' if heating else 'warmer'}",
        part="use",
        before=energy_now(finding)["use"],
        kwh=per_day.scaled(DAYS_PER_YEAR),
        price=0.0,
        assumptions=[],
    )
    figures = {
        "appliance": name,
        "degree_kwh": slope.scaled(1.0, unit="kWh"),
        "days": fit.regression.n,
        "saved_share": per_day.value / finding.kwh_per_day.value,
    }
    return Action(
        do=Said(
            text="{appliance}: keep rooms one degree cooler"
            if heating
            else "{appliance}: let rooms be one degree warmer",
            figures={"appliance": name},
        ),
        saving=saving,
        rests_on=(
            Said(
                text="For each degree that a day is colder, it takes {degree_kwh} more ({days} "
                "days); a degree is {saved_share} of all that it took."
                if heating
                else "For each degree that a day is warmer, it takes {degree_kwh} more ({days} "
                "days); a degree is {saved_share} of all that it took.",
                figures=figures,
            ),
        ),
        assumes=(
            Said(
                text="Rooms a degree cooler save what a day a degree warmer does, and are still "
                "heated to {least} °C or more, for health (WHO 2018)."
                if heating
                else "Rooms a degree warmer save what a day a degree cooler does, and nobody's "
                "health needs them cooler.",
                figures={"least": HEALTHY_C} if heating else {},
            ),
        ),
        wrong_if=Said(
            text="Somebody is cold and sets it back, or other heaters make up for it."
            if heating
            else "Somebody is hot and sets it back."
        ),
        cost=Said(text="nothing"),
    )
