"""Sampled volts and amps: rms, power, power factor, distortion, and power of every second."""

from homeenergy.waveform.align import (
    align_channels,
    aligned_chunks,
    correct_clamp,
    phase_power_error,
    skew_power_error,
)
from homeenergy.waveform.frequency import line_frequency
from homeenergy.waveform.power import (
    Harmonics,
    PowerMeasures,
    measure_harmonics,
    measure_power,
    root_mean_square,
)
from homeenergy.waveform.stream import StreamedPower, iter_power, stream_power
from homeenergy.waveform.three_phase import ThreePhaseMeasures, measure_three_phase

__all__ = [
    "Harmonics",
    "PowerMeasures",
    "StreamedPower",
    "ThreePhaseMeasures",
    "align_channels",
    "aligned_chunks",
    "correct_clamp",
    "iter_power",
    "line_frequency",
    "measure_harmonics",
    "measure_power",
    "measure_three_phase",
    "phase_power_error",
    "root_mean_square",
    "skew_power_error",
    "stream_power",
]
