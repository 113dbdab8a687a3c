"""Currents of textbook circuits, as samples."""

import numpy as np


def resonant_amps(mains, *, ohm, henry, farad):
    """Steady current of resistance, inductance and capacitance in series [A]."""

    def admittance(order):
        omega = 2 * np.pi * mains.frequency_hz * order
        return 1.0 / complex(ohm, omega * henry - 1.0 / (omega * farad))

    return mains._wave(admittance)


def half_wave_amps(mains, *, ohm):
    """Current of a heater behind an ideal diode [A]."""
    return np.clip(mains.volts, 0.0, None) / ohm


def pulse_amps(mains, *, height_a, width_deg):
    """Rectangular pulses of `width_deg` centred on the crests of the volts [A]."""
    phase = (2 * mains.frequency_hz * mains.times_s) % 1.0 - 0.5
    sign = np.where((mains.frequency_hz * mains.times_s) % 1.0 < 0.5, 1.0, -1.0)
    return np.where(np.abs(phase) < width_deg / 360.0, height_a, 0.0) * sign


def clamp_lead_deg(*, burden_ohm, magnetising_h, frequency_hz):
    """By how much an unsaturated clamp's reading leads [degrees]: atan(R / (2 pi f L))."""
    return np.degrees(np.arctan2(burden_ohm, 2 * np.pi * frequency_hz * magnetising_h))
