"""How much carbon dioxide a kilowatt-hour stands for: optional, and never without its source."""

from __future__ import annotations

from dataclasses import dataclass

from homeenergy.house.fields import Fields

FIRST_YEAR = 1990


@dataclass(frozen=True, slots=True, kw_only=True)
class CarbonFactor:
    """Carbon dioxide of a kWh [kg per kWh], of which year and by whose reckoning."""

    kg_per_kwh: float
    source: str
    year: int


def read_carbon(table: Fields) -> CarbonFactor:
    """Read the [carbon] table of house.toml.

    Raises
    ------
    HouseError
        Naming the key; source and year are required, as factors differ by year, place and method.
    """
    table.only(("kg_per_kwh", "source", "year"))
    factor = table.number("kg_per_kwh", required=True)
    assert factor is not None
    if not 0 <= factor < 3:
        raise table.refuse(
            "kg_per_kwh",
            f"must lie between 0 and 3, got {factor:g}",
            fix="Grams per kWh must be divided by 1000, pounds per kWh multiplied by 0.45359237.",
        )
    source = table.text("source", required=True)
    year = table.number("year", required=True)
    assert year is not None
    if year != int(year) or not FIRST_YEAR <= year <= 2100:
        raise table.refuse("year", f"must be a year such as 2023, got {year:g}")
    return CarbonFactor(kg_per_kwh=factor, source=source, year=int(year))
