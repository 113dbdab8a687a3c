"""How far a figure can be trusted: clamps, bench comparison, panel balance, utility meter."""

from homeenergy.trust.bench import Reference, bench_comparison
from homeenergy.trust.bench_house import bench_results
from homeenergy.trust.check import check_house
from homeenergy.trust.clamps.limits import current_range, phase_error, resolution
from homeenergy.trust.clamps.reading import ClampSetting, Conductor, right_multiplier, split_error
from homeenergy.trust.meter import meter_agreement
from homeenergy.trust.panel.balance import panel_balance
from homeenergy.trust.panel.mains_energy import logged_energy, mains_trace
from homeenergy.trust.typed_readings import read_meter

__all__ = [
    "ClampSetting",
    "Conductor",
    "Reference",
    "bench_comparison",
    "bench_results",
    "check_house",
    "current_range",
    "logged_energy",
    "mains_trace",
    "meter_agreement",
    "panel_balance",
    "phase_error",
    "read_meter",
    "resolution",
    "right_multiplier",
    "split_error",
]
