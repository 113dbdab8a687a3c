"""Read logs, keep them in a local store, and give each circuit as a Trace."""

from homeenergy.readings.house import House, open_house
from homeenergy.readings.logs.describe import Description, describe
from homeenergy.readings.logs.layout_text import layout_toml
from homeenergy.readings.logs.new_house import new_house
from homeenergy.readings.outdoor import read_outdoor
from homeenergy.readings.store.importing import ImportReport, import_logs
from homeenergy.readings.trace import Trace, as_trace, coarser_trace

__all__ = [
    "Description",
    "House",
    "ImportReport",
    "Trace",
    "as_trace",
    "coarser_trace",
    "describe",
    "import_logs",
    "layout_toml",
    "new_house",
    "open_house",
    "read_outdoor",
]
