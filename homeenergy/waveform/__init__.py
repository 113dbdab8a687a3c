"""Sampled volts and amps: rms, power, power factor, distortion, and power of every second."""

from homeenergy.waveform.align import (
    align_channels,
    correct_clamp,
    phase_power_error,
    skew_power_error,
)
from homeenergy.waveform.power import measure_harmonics, measure_power
from homeenergy.waveform.stream import stream_power
from homeenergy.waveform.three_phase import measure_three_phase

__all__ = [
    "align_channels",
    "correct_clamp",
    "measure_harmonics",
    "measure_power",
    "measure_three_phase",
    "phase_power_error",
    "skew_power_error",
    "stream_power",
]
