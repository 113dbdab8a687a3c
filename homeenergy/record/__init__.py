"""Record: readings from sources into files on this computer. It switches nothing, ever."""

from homeenergy.record.recorder import record

__all__ = ["record"]
