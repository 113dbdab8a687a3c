"""Read logs, keep them in a local store, and give each circuit as a Trace."""

from homeenergy.readings.grid import grid_series
from homeenergy.readings.house import House, open_house
from homeenergy.readings.importing import ImportReport, import_logs
from homeenergy.readings.trace import Trace, as_trace

__all__ = [
    "House",
    "ImportReport",
    "Trace",
    "as_trace",
    "grid_series",
    "import_logs",
    "open_house",
]
