"""Change points to plateaus to run cycles; standby; kinds of appliances."""

from homeenergy.cycles.plateaus import Plateaus, find_plateaus
from homeenergy.cycles.runs import Cycles, find_cycles, standby_draw
from homeenergy.cycles.standby import Standby
from homeenergy.cycles.thermostat import ThermostatStatistics, thermostat_statistics

__all__ = [
    "Cycles",
    "Plateaus",
    "Standby",
    "ThermostatStatistics",
    "find_cycles",
    "find_plateaus",
    "standby_draw",
    "thermostat_statistics",
]
