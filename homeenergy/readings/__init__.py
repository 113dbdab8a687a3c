"""Read logs, keep them in a local store, and give each circuit as a Trace."""

from homeenergy.readings.house import House, open_house
from homeenergy.readings.logs.describe import describe
from homeenergy.readings.logs.new_house import new_house
from homeenergy.readings.outdoor import read_outdoor
from homeenergy.readings.store.importing import import_logs
from homeenergy.readings.trace import Trace, coarser_trace

__all__ = [
    "House",
    "Trace",
    "coarser_trace",
    "describe",
    "import_logs",
    "new_house",
    "open_house",
    "read_outdoor",
]
