"""How far a figure can be trusted: clamps, bench comparison, panel balance, utility meter."""

from homeenergy.trust.clamp_limits import class_limits, current_range, phase_error, resolution
from homeenergy.trust.clamps import (
    ClampSetting,
    Conductor,
    clamp_reading_w,
    right_multiplier,
    split_error,
)

__all__ = [
    "ClampSetting",
    "Conductor",
    "clamp_reading_w",
    "class_limits",
    "current_range",
    "phase_error",
    "resolution",
    "right_multiplier",
    "split_error",
]
