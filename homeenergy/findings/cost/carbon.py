"""Carbon dioxide of what is used, by a factor whose year and source are known.

A factor is the average of all that was generated in a year. A kWh saved at one hour saves that of
the power station that then runs for it, which may be twice as much or nothing.
"""

from __future__ import annotations

from dataclasses import replace

from homeenergy.house.schedule import CarbonFactor
from homeenergy.stats.estimate import Estimate
from homeenergy.units import WH_PER_KWH


def carbon_of(used: Estimate, factor: CarbonFactor) -> Estimate:
    """Carbon dioxide of an energy.

    Parameters
    ----------
    used : Estimate
        Energy in kWh or Wh, of a run, a day or a year.
    factor : CarbonFactor
        From the [carbon] table of house.toml (`house.schedule.carbon`).

    Returns
    -------
    Estimate
        [kg]. The factor counts as exact: how far it holds for this house and hour is not known,
        and no interval says it.

    Raises
    ------
    ValueError
        If the estimate is no energy.

    Examples
    --------
    >>> from homeenergy.stats.estimate import Estimate
    >>> from homeenergy.findings import carbon_of
    >>> from homeenergy.house import CarbonFactor
    >>> run = Estimate(value=0.8, low=0.7, high=0.9, unit="kWh", n=12, basis="mean of 12 runs")
    >>> us = CarbonFactor(kg_per_kwh=0.366, source="US EIA, FAQ 74", year=2023)
    >>> print(carbon_of(run, us))
    0.293 (0.256 to 0.329) kg
    """
    per_unit = {"kWh": 1.0, "Wh": 1 / WH_PER_KWH}.get(used.unit)
    if per_unit is None:
        raise ValueError(f"carbon_of takes kWh or Wh, got {used.unit!r}")
    text = f"times {factor.kg_per_kwh:g} kg a kWh, an average ({factor.source}, {factor.year})"
    kg = used.scaled(per_unit * factor.kg_per_kwh, unit="kg")
    return replace(kg, basis=f"{used.basis}; {text}")
