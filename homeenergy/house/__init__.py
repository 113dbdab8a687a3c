"""The panel schedule of a house, and house.toml in which a person writes it."""

from homeenergy.house.clamp_floor import ClampFloor, clamp_floor
from homeenergy.house.kinds import KINDS, Kind
from homeenergy.house.layouts import LogColumn, LogLayout, Quantity
from homeenergy.house.schedule import (
    CarbonFactor,
    Circuit,
    Clamp,
    Correction,
    ProgrammeName,
    Schedule,
    Supply,
)
from homeenergy.house.tariff import PriceBlock, PriceChange, PricePeriod, Season, Tariff
from homeenergy.house.tariff_toml import read_tariff_file
from homeenergy.house.toml_file import read_schedule
from homeenergy.house.zones import read_zone

__all__ = [
    "KINDS",
    "CarbonFactor",
    "Circuit",
    "Clamp",
    "ClampFloor",
    "Correction",
    "Kind",
    "LogColumn",
    "LogLayout",
    "PriceBlock",
    "PriceChange",
    "PricePeriod",
    "ProgrammeName",
    "Quantity",
    "Schedule",
    "Season",
    "Supply",
    "Tariff",
    "clamp_floor",
    "read_schedule",
    "read_tariff_file",
    "read_zone",
]
