"""How far a figure can be trusted: clamps, bench comparison, panel balance, utility meter."""

from homeenergy.trust.balance import PanelBalance, panel_balance
from homeenergy.trust.bench import BenchResult, Reference, bench_comparison
from homeenergy.trust.bench_file import read_bench
from homeenergy.trust.check import HouseCheck, bench_results, check_house
from homeenergy.trust.clamp_limits import class_limits, current_range, phase_error, resolution
from homeenergy.trust.clamps import (
    ClampSetting,
    Conductor,
    clamp_reading_w,
    right_multiplier,
    split_error,
)
from homeenergy.trust.concern import Concern
from homeenergy.trust.mains_energy import logged_energy, mains_trace
from homeenergy.trust.meter import MeterAgreement, meter_agreement
from homeenergy.trust.meter_falls import explain_falls
from homeenergy.trust.meter_file import read_meter

__all__ = [
    "BenchResult",
    "ClampSetting",
    "Concern",
    "Conductor",
    "HouseCheck",
    "MeterAgreement",
    "PanelBalance",
    "Reference",
    "bench_comparison",
    "bench_results",
    "check_house",
    "clamp_reading_w",
    "class_limits",
    "current_range",
    "explain_falls",
    "logged_energy",
    "mains_trace",
    "meter_agreement",
    "panel_balance",
    "phase_error",
    "read_bench",
    "read_meter",
    "resolution",
    "right_multiplier",
    "split_error",
]
