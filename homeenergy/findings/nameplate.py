"""Rules by which annual energy and its cost are printed for buyers, without a measurement."""

from __future__ import annotations

from decimal import ROUND_HALF_UP, Decimal

from homeenergy.units import DAYS_PER_YEAR, WH_PER_KWH


def nameplate_energy_kwh(power_w: float, *, hours_per_day_h: float, days: float) -> float:
    """Energy from watts, hours a day and days: power x hours x days / 1000.

    The estimate of the U.S. Department of Energy (Energy Saver). Its worked examples round the
    result to whole kWh before the price is applied.

    Examples
    --------
    >>> from homeenergy.findings import nameplate_energy_kwh
    >>> kwh = nameplate_energy_kwh(200, hours_per_day_h=4, days=120)  # a window fan
    >>> kwh, round(round(kwh) * 0.11, 2)
    (96.0, 10.56)
    """
    return power_w * hours_per_day_h * days / WH_PER_KWH


def annual_energy_of_uses(
    use_kwh: float, *, uses_per_year: float, low_power_w: float = 0.0, low_power_h: float = 0.0
) -> float:
    """Energy of a year as the test procedures add it up [kWh].

    Uses times the energy of one, plus the draw between uses over the hours of the year that they
    leave: N E + P_low H_low / 1000 (form of 10 CFR 430 Subpart B, Appendices C1, D2, J and J2).

    Examples
    --------
    >>> from homeenergy.findings import annual_energy_of_uses
    >>> round(
    ...     annual_energy_of_uses(2.80, uses_per_year=283, low_power_w=1.5, low_power_h=8614), 3
    ... )
    805.321
    """
    return uses_per_year * use_kwh + low_power_w * low_power_h / WH_PER_KWH


def refrigerator_annual_cost(day_kwh: float, *, price_per_kwh: float) -> int:
    """Estimated annual operating cost of a refrigerator, in whole dollars.

    365 days times the energy of one and the price, to the nearest dollar, an exact half upwards
    (10 CFR 430.23; `round` of Python would take it to the even one). The figures are taken as they
    are written, so that 0.1 is a tenth.

    Examples
    --------
    >>> from homeenergy.findings import refrigerator_annual_cost
    >>> refrigerator_annual_cost(1.25, price_per_kwh=0.12)
    55
    """
    cost = Decimal(repr(float(day_kwh))) * Decimal(repr(float(price_per_kwh)))
    cost *= Decimal(int(DAYS_PER_YEAR))
    return int(cost.quantize(Decimal(1), rounding=ROUND_HALF_UP))
