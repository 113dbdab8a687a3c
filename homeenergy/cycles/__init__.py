"""Change points to plateaus to run cycles; standby; kinds of appliances."""

from homeenergy.cycles.house_cycles import house_cycles
from homeenergy.cycles.programmes import find_programmes
from homeenergy.cycles.runs.find import Cycles, find_cycles
from homeenergy.cycles.segment.plateaus import find_plateaus
from homeenergy.cycles.shared import house_loads as house_loads
from homeenergy.cycles.shared.split import Load, SharedClamp, split_loads
from homeenergy.cycles.thermostat import thermostat_statistics

__all__ = [
    "Cycles",
    "Load",
    "SharedClamp",
    "find_cycles",
    "find_plateaus",
    "find_programmes",
    "house_cycles",
    "split_loads",
    "thermostat_statistics",
]
