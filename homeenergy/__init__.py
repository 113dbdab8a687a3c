"""What each electrical appliance in a house really uses, and why."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

from homeenergy.version import __version__ as __version__

if TYPE_CHECKING:
    from homeenergy.cycles import Cycles, find_cycles, find_plateaus
    from homeenergy.errors import HouseError
    from homeenergy.findings import Findings, house_findings
    from homeenergy.readings import House, Trace, describe, import_logs, new_house, open_house
    from homeenergy.show import (
        findings_page,
        plot_daily_energy,
        plot_house_energy,
        plot_run_energies,
        plot_runs,
        plot_traces,
    )
    from homeenergy.stats import Estimate
    from homeenergy.trust import check_house


__all__ = [
    "Cycles",
    "Estimate",
    "Findings",
    "House",
    "HouseError",
    "Trace",
    "check_house",
    "describe",
    "find_cycles",
    "find_plateaus",
    "findings_page",
    "house_findings",
    "import_logs",
    "new_house",
    "open_house",
    "plot_daily_energy",
    "plot_house_energy",
    "plot_run_energies",
    "plot_runs",
    "plot_traces",
]

# Rooms are loaded when a name is first asked for, so that `import homeenergy` stays quick and
# brings in no drawing and no compiler.
_ROOM_OF = {
    "Cycles": "cycles",
    "Estimate": "stats",
    "Findings": "findings",
    "House": "readings",
    "HouseError": "errors",
    "Trace": "readings",
    "check_house": "trust",
    "describe": "readings",
    "find_cycles": "cycles",
    "find_plateaus": "cycles",
    "findings_page": "show",
    "house_findings": "findings",
    "import_logs": "readings",
    "new_house": "readings",
    "open_house": "readings",
    "plot_daily_energy": "show",
    "plot_house_energy": "show",
    "plot_run_energies": "show",
    "plot_runs": "show",
    "plot_traces": "show",
}


def __getattr__(name: str) -> object:
    if name not in _ROOM_OF:
        raise AttributeError(f"module 'homeenergy' has no attribute {name!r}")
    return getattr(import_module(f"homeenergy.{_ROOM_OF[name]}"), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
