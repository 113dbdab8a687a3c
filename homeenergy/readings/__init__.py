"""Read logs, keep them in a local store, and give each circuit as a Trace."""

from homeenergy.readings.grid import grid_series
from homeenergy.readings.trace import Trace, as_trace

__all__ = ["Trace", "as_trace", "grid_series"]
