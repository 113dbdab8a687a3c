"""The panel schedule of a house, and house.toml in which a person writes it."""

from homeenergy.house.schedule import CarbonFactor
from homeenergy.house.tariff import Tariff
from homeenergy.house.tariff_toml import read_tariff_file

__all__ = [
    "CarbonFactor",
    "Tariff",
    "read_tariff_file",
]
