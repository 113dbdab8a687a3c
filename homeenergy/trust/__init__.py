"""How far a figure can be trusted: clamps, bench comparison, panel balance, utility meter."""

from homeenergy.trust.bench.bench import BenchResult, Reference, bench_comparison
from homeenergy.trust.check import HouseCheck, bench_results, check_house
from homeenergy.trust.clamps.limits import class_limits, current_range, phase_error, resolution
from homeenergy.trust.clamps.reading import (
    ClampSetting,
    Conductor,
    clamp_reading_w,
    right_multiplier,
    split_error,
)
from homeenergy.trust.concern import Concern
from homeenergy.trust.meter.meter import MeterAgreement, explain_falls, meter_agreement
from homeenergy.trust.panel.balance import PanelBalance, panel_balance
from homeenergy.trust.panel.mains_energy import logged_energy, mains_trace
from homeenergy.trust.typed_readings import read_bench, read_meter

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
