"""Change points to plateaus to run cycles; standby; kinds of appliances."""

from homeenergy.cycles.decisions.house_cycles import house_cycles
from homeenergy.cycles.decisions.lines import (
    Decision,
    add_decisions,
    read_decisions,
    remove_decisions,
)
from homeenergy.cycles.programmes import Programmes, find_programmes
from homeenergy.cycles.rest import Standby
from homeenergy.cycles.runs.find import Cycles, find_cycles, standby_draw
from homeenergy.cycles.segment.plateaus import Plateaus, find_plateaus
from homeenergy.cycles.thermostat import ThermostatStatistics, thermostat_statistics

__all__ = [
    "Cycles",
    "Decision",
    "Plateaus",
    "Programmes",
    "Standby",
    "ThermostatStatistics",
    "add_decisions",
    "find_cycles",
    "find_plateaus",
    "find_programmes",
    "house_cycles",
    "read_decisions",
    "remove_decisions",
    "standby_draw",
    "thermostat_statistics",
]
