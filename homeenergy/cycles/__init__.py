"""Change points to plateaus to run cycles; standby; kinds of appliances."""

from homeenergy.cycles.plateaus import Plateaus, find_plateaus
from homeenergy.cycles.runs import Cycles, find_cycles

__all__ = ["Cycles", "Plateaus", "find_cycles", "find_plateaus"]
