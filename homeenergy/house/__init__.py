"""The panel schedule of a house, and house.toml in which a person writes it."""

from homeenergy.house.schedule import (
    KINDS,
    Circuit,
    Clamp,
    Correction,
    Kind,
    LogColumn,
    LogLayout,
    ProgrammeName,
    Quantity,
    Schedule,
    Supply,
    Tariff,
)
from homeenergy.house.toml_file import read_schedule
from homeenergy.house.zones import read_zone

__all__ = [
    "KINDS",
    "Circuit",
    "Clamp",
    "Correction",
    "Kind",
    "LogColumn",
    "LogLayout",
    "ProgrammeName",
    "Quantity",
    "Schedule",
    "Supply",
    "Tariff",
    "read_schedule",
    "read_zone",
]
