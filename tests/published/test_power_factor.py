"""Power, power factor and distortion against textbooks, a standard's example and closed forms.

Every figure stands beside its source. Sampled waves are made by `homeenergy.simulate` or here, at
numbers of cycles that are not whole, and measured by `homeenergy.waveform`.
"""

import numpy as np
import pytest

from homeenergy.simulate import (
    BenchMains,
    capacitor_amps,
    dimmer_amps,
    heater_amps,
    motor_amps,
    rectifier_amps,
)
from homeenergy.waveform import (
    measure_harmonics,
    measure_power,
    phase_power_error,
)
from tests.waveform.currents import half_wave_amps, pulse_amps, resonant_amps

MAINS = BenchMains(cycles=10.37)


def measure(amps, *, mains=MAINS, **options):
    return measure_power(mains.volts, amps, sample_rate_hz=mains.sample_rate_hz, **options)


# T. R. Kuphaldt, Lessons In Electric Circuits, volume II (AC), 6th edition, chapter 11. First the
# printed figures, three digits of which must hold, then the same at full precision.
class TestLessonsInElectricCircuits:
    def test_resistor(self):
        found = measure(heater_amps(MAINS, ohm=60))
        assert found.amps_a == pytest.approx(2)
        assert found.real_w == pytest.approx(240)
        assert found.apparent_va == pytest.approx(240)
        assert found.fundamental_reactive_var == pytest.approx(0, abs=1e-6)

    def test_inductor(self):
        found = measure(motor_amps(MAINS, ohm=0, henry=0.160))
        assert found.amps_a == pytest.approx(1.989, abs=5e-4)
        assert found.real_w == pytest.approx(0, abs=1e-6)
        assert found.fundamental_reactive_var == pytest.approx(238.73, abs=5e-3)
        assert found.apparent_va == pytest.approx(238.7324, abs=1e-4)

    def test_resistor_and_inductor(self):
        found = measure(motor_amps(MAINS, ohm=60, henry=0.160))
        assert found.amps_a == pytest.approx(1.410, abs=5e-4)
        assert found.real_w == pytest.approx(119.365, rel=1e-3)
        assert found.fundamental_reactive_var == pytest.approx(119.998, rel=1e-3)
        assert found.apparent_va == pytest.approx(169.256, rel=1e-3)
        assert found.power_factor == pytest.approx(0.705, abs=5e-4)
        assert found.angle_deg == pytest.approx(45.152, abs=5e-4)
        assert found.side == "lagging"
        full = (1.410464, 119.36453, 119.99832, 169.25569, 0.7052320)
        got = (
            found.amps_a,
            found.real_w,
            found.nonactive_var,
            found.apparent_va,
            found.power_factor,
        )
        assert got == pytest.approx(full, rel=1e-6)

    def test_capacitor_that_cancels(self):
        """Printed: 120.002 ohm, 22.105 uF; at full precision 22.1045 uF."""
        alone = measure(motor_amps(MAINS, ohm=60, henry=0.160))
        farad = alone.fundamental_reactive_var / (2 * np.pi * 60 * 120**2)
        assert farad == pytest.approx(22.1045e-6, rel=5e-6)
        amps = motor_amps(MAINS, ohm=60, henry=0.160) + capacitor_amps(MAINS, farad=farad)
        assert measure(amps).power_factor == pytest.approx(1, abs=1e-9)

    def test_capacitor_of_22_microfarads_beside_it(self):
        """Printed: 994.716 mA, +0.2724 degrees, 119.366 VA, 0.9999887."""
        capacitor = capacitor_amps(MAINS, farad=22e-6)
        assert measure(capacitor).amps_a == pytest.approx(0.995257, rel=1e-6)
        found = measure(motor_amps(MAINS, ohm=60, henry=0.160) + capacitor)
        assert found.amps_a == pytest.approx(0.994716, rel=1e-6)
        assert found.angle_deg == pytest.approx(0.2724, abs=1e-4)
        assert found.side == "lagging"
        assert found.real_w == pytest.approx(119.36453, rel=1e-7)
        assert found.apparent_va == pytest.approx(119.36588, rel=1e-7)
        assert found.power_factor == pytest.approx(0.99998870, abs=1e-8)

    def test_240_volts_with_80_microfarads(self):
        """Readings 240 V, 9.615 A, 1.5 kW; printed 0.65, 1.754 kvar, then 1.50009 kVA, 6.25 A."""
        mains = BenchMains(volts_v=240, cycles=10.37)
        lag = np.arccos(1500 / (240 * 9.615))
        ohm = 240 / 9.615 * np.cos(lag)
        henry = 240 / 9.615 * np.sin(lag) / (2 * np.pi * 60)
        load = motor_amps(mains, ohm=ohm, henry=henry)
        alone = measure(load, mains=mains)
        assert alone.power_factor == pytest.approx(0.650026, abs=1e-6)
        assert alone.fundamental_reactive_var == pytest.approx(1753.573, rel=1e-6)
        found = measure(load + capacitor_amps(mains, farad=80e-6), mains=mains)
        assert found.apparent_va == pytest.approx(1500.090, rel=1e-6)
        assert found.power_factor == pytest.approx(0.9999403, abs=1e-7)
        assert found.amps_a == pytest.approx(6.25037, rel=1e-6)
        assert found.real_w == pytest.approx(1500, rel=1e-6)

    # Volume II, chapter 1: form factors and crest of the basic waves, to three digits.
    @pytest.mark.parametrize(
        ("shape", "rms"), [("sine", 0.707), ("triangle", 0.577), ("square", 1)]
    )
    def test_rms_of_a_wave_of_unit_peak(self, shape, rms):
        t, wave = shapes(shape)
        found = measure_power(wave, wave, sample_rate_hz=len(t) * 60 / 8, frequency_hz=60)
        assert found.volts_v == pytest.approx(rms, abs=5e-4)

    def test_series_of_the_square_wave(self):
        """Amplitudes printed for unit height: 1.27324, 0.424413, 0.254648, 0.181891, 0.141471."""
        t, wave = shapes("square")
        table = measure_harmonics(wave, wave, sample_rate_hz=len(t) * 60 / 8, frequency_hz=60)
        printed = [1.27324, 0.424413, 0.254648, 0.181891, 0.141471]
        got = np.sqrt(2) * np.abs(table.volts[:9:2])
        np.testing.assert_allclose(got, printed, atol=1e-5)
        np.testing.assert_allclose(np.abs(table.volts[1:9:2]), 0, atol=1e-9)


class TestCollegePhysics:
    """OpenStax, College Physics, chapter 23.12: resistance, inductance, capacitance in series."""

    def test_example_at_60_hertz(self):
        """40.0 ohm, 3.00 mH, 5.00 uF, 120 V: 531 ohm, 0.226 A, 0.0753, -85.7 degrees, 2.04 W.

        From memory; the figures are consistent with the inputs.
        """
        found = measure(resonant_amps(MAINS, ohm=40, henry=3e-3, farad=5e-6))
        assert 120 / found.amps_a == pytest.approx(531, abs=0.5)
        assert found.amps_a == pytest.approx(0.226, abs=5e-4)
        assert found.power_factor == pytest.approx(0.0753, abs=5e-5)
        assert found.angle_deg == pytest.approx(-85.7, abs=0.05)
        assert found.side == "leading"
        assert found.real_w == pytest.approx(2.04, abs=0.01)

    def test_example_at_resonance(self):
        """1.30 kHz, 3.00 A, 360 W."""
        hertz = 1 / (2 * np.pi * np.sqrt(3e-3 * 5e-6))
        assert hertz == pytest.approx(1300, abs=5)
        mains = BenchMains(frequency_hz=hertz, sample_rate_hz=40_000, cycles=20.4)
        amps = resonant_amps(mains, ohm=40, henry=3e-3, farad=5e-6)
        found = measure(amps, mains=mains, frequency_hz=hertz)
        assert found.amps_a == pytest.approx(3)
        assert found.real_w == pytest.approx(360)

    def test_problem_at_120_hertz(self):
        """2.50 ohm, 100 uH, 80 uF: power factor 0.150, -81.4 degrees (answer page seen)."""
        mains = BenchMains(frequency_hz=120, cycles=20.4)
        amps = resonant_amps(mains, ohm=2.5, henry=100e-6, farad=80e-6)
        found = measure(amps, mains=mains, frequency_hz=120)
        assert found.power_factor == pytest.approx(0.149777, abs=1e-6)
        assert found.angle_deg == pytest.approx(-81.3860, abs=1e-4)


# IEEE Std 1459-2010, example of a single phase with distorted volts and amps: unverified, but
# consistent on recomputation. (order, rms, degrees).
IEEE_V = ((1, 100, 0), (3, 8, -70), (5, 15, -141), (7, 5, -142))
IEEE_I = ((1, 100, -30), (3, 20, -165), (5, 15, -234), (7, 10, -234))


@pytest.mark.parametrize("frequency_hz", [60.0, 49.96])
def test_example_of_ieee_1459(frequency_hz):
    rate = 12_800.0
    turn = 2 * np.pi * frequency_hz * np.arange(3000) / rate
    volts, amps = (
        sum(np.sqrt(2) * rms * np.sin(h * turn + np.radians(deg)) for h, rms, deg in parts)
        for parts in (IEEE_V, IEEE_I)
    )
    m = measure_power(volts, amps, sample_rate_hz=rate)
    table = measure_harmonics(volts, amps, sample_rate_hz=rate)
    np.testing.assert_allclose(table.watts_w[:7:2], [8660.25, -13.945, -11.776, -1.745], atol=0.006)
    assert m.real_w == pytest.approx(8632.789, abs=0.01)
    assert m.fundamental_reactive_var == pytest.approx(5000, abs=0.01)
    assert m.volts_v == pytest.approx(101.5579, abs=2e-4)
    assert m.amps_a == pytest.approx(103.5616, abs=2e-4)
    assert m.apparent_va == pytest.approx(10517.493, abs=0.02)
    assert m.nonactive_var == pytest.approx(6007.713, abs=0.02)
    assert m.power_factor == pytest.approx(0.820803, abs=2e-6)
    assert m.displacement_factor == pytest.approx(0.866025, abs=2e-6)
    assert m.thd_volts == pytest.approx(0.177200, abs=2e-6)
    assert m.thd_amps == pytest.approx(0.269258, abs=2e-6)
    assert m.current_distortion_var == pytest.approx(2692.582, abs=0.02)
    assert m.voltage_distortion_var == pytest.approx(1772.004, abs=0.02)
    assert m.harmonic_apparent_va == pytest.approx(477.127, abs=0.02)
    assert m.nonfundamental_va == pytest.approx(3258.474, abs=0.02)


def shapes(name, *, n=8 * 7200, cycles=8):
    """Waves of unit peak, sampled between their corners."""
    t = (np.arange(n) + 0.5) / n * cycles
    part = t % 1.0
    wave = {
        "sine": np.sin(2 * np.pi * t),
        "square": np.where(part < 0.5, 1.0, -1.0),
        "triangle": 1 - 4 * np.abs((part + 0.25) % 1.0 - 0.5),
        "sawtooth": 2 * part - 1,
        "quasi-square": np.where(np.abs(part % 0.5 - 0.25) < 1 / 6, np.where(part < 0.5, 1, -1), 0),
    }[name]
    return t, wave


# THD of square and triangle: I. V. Blagouchine and E. Moreau, IEEE Transactions on Communications
# 59(9), 2011; the others follow from the same series.
@pytest.mark.parametrize(
    ("name", "thd", "factor"),
    [
        ("square", np.sqrt(np.pi**2 / 8 - 1), 2 * np.sqrt(2) / np.pi),
        ("triangle", np.sqrt(np.pi**4 / 96 - 1), 0.992740800234229),
        ("sawtooth", np.sqrt(np.pi**2 / 6 - 1), 0.779696801233676),
        ("quasi-square", np.sqrt(np.pi**2 / 9 - 1), 3 / np.pi),
    ],
)
def test_distortion_in_closed_form(name, thd, factor):
    t, wave = shapes(name)
    rate = len(t) * 60 / 8
    sine = shapes("sine")[1]
    found = measure_power(sine, wave, sample_rate_hz=rate, frequency_hz=60)
    assert found.thd_amps == pytest.approx(thd, rel=2e-6)
    assert found.fundamental_a / found.amps_a == pytest.approx(factor, rel=2e-6)
    assert found.displacement_factor * factor == pytest.approx(found.power_factor, rel=2e-6)


def test_square_current_that_is_displaced():
    """0.900316 cos 30 degrees."""
    t, wave = shapes("square")
    shifted = np.roll(wave, 7200 // 12)
    sine = shapes("sine")[1]
    found = measure_power(sine, shifted, sample_rate_hz=len(t) * 60 / 8, frequency_hz=60)
    assert found.displacement_factor == pytest.approx(np.cos(np.pi / 6), abs=1e-6)
    assert found.power_factor == pytest.approx(0.779697, abs=1e-6)
    assert found.side == "lagging"


# In closed form: (4/pi) sin(w/2) / sqrt 2 over sqrt(w/pi), with w the width of each pulse.
@pytest.mark.parametrize(
    ("width_deg", "power_factor", "thd", "crest"),
    [
        (30, 0.570778, 1.438572, 2.44949),
        (60, 0.779697, 0.803078, 1.73205),
        (90, 0.900316, 0.483426, 1.41421),
        (120, 0.954930, 0.310842, 1.22474),
        (180, 0.900316, 0.483426, 1.0),
    ],
)
def test_rectangular_pulses(width_deg, power_factor, thd, crest):
    mains = BenchMains(sample_rate_hz=60 * 7200, cycles=4).later(0.5 / (60 * 7200))
    amps = pulse_amps(mains, height_a=3, width_deg=width_deg)
    found = measure(amps, mains=mains, frequency_hz=60)
    assert found.power_factor == pytest.approx(power_factor, abs=1e-6)
    assert found.thd_amps == pytest.approx(thd, abs=2e-6)
    assert found.crest_amps == pytest.approx(crest, abs=1e-5)
    assert found.displacement_factor == pytest.approx(1)


# In closed form: P / P0 = 1 - a/pi + sin(2a)/(2 pi), and the power factor is its root.
@pytest.mark.parametrize(
    ("cut_deg", "power_factor"),
    [(30, 0.985477), (60, 0.896939), (90, 0.707107), (120, 0.442155), (150, 0.169807)],
)
def test_phase_cut(cut_deg, power_factor):
    mains = BenchMains(sample_rate_hz=60 * 7200, cycles=4).later(0.5 / (60 * 7200))
    found = measure(dimmer_amps(mains, ohm=40, cut_deg=cut_deg), mains=mains, frequency_hz=60)
    assert found.power_factor == pytest.approx(power_factor, abs=1e-6)
    assert found.real_w / 360 == pytest.approx(power_factor**2, abs=2e-6)
    assert found.side == "lagging"


def test_half_wave_heater():
    """Half the watts and a power factor of 1/sqrt 2, in closed form; the mean is Vp / (pi R)."""
    mains = BenchMains(sample_rate_hz=60 * 7200, cycles=4.3)
    found = measure(half_wave_amps(mains, ohm=40), mains=mains)
    assert found.power_factor == pytest.approx(np.sqrt(0.5), rel=1e-6)
    assert found.real_w == pytest.approx(180, rel=1e-6)
    assert found.dc_a == pytest.approx(np.sqrt(2) * 120 / (np.pi * 40), rel=1e-4)


def test_a_meter_that_responds_to_the_average_reads_a_square_wave_11_percent_high():
    """Form factor of a sine 1.1107 (Kuphaldt, volume II, chapter 1); in closed form 11.07 %."""
    _, wave = shapes("square")
    assert np.abs(wave).mean() * np.pi / (2 * np.sqrt(2)) == pytest.approx(1.1107, abs=5e-5)


def test_gum_h2_power():
    """JCGM 100:2008, example H.2: 4.9990 V, 19.6610 mA, 1.04446 rad. The power is derived."""
    turn = 2 * np.pi * 1000 * np.arange(4000) / 48_000
    volts = np.sqrt(2) * 4.9990 * np.sin(turn)
    amps = np.sqrt(2) * 19.6610e-3 * np.sin(turn - 1.04446)
    found = measure_power(volts, amps, sample_rate_hz=48_000, frequency_hz=1000)
    assert found.real_w == pytest.approx(49.3755e-3, rel=2e-5)
    assert found.power_factor == pytest.approx(0.502369, rel=2e-5)
    # R = V/I cos(phi), X = V/I sin(phi): printed 127.732 and 219.847 ohm.
    assert found.real_w / found.amps_a**2 == pytest.approx(127.732, rel=1e-4)
    assert found.fundamental_reactive_var / found.amps_a**2 == pytest.approx(219.847, rel=1e-4)


# Power error of phase displacement, per cent, for 10 30 60 90 120 180 and -60 minutes; derived
# from the definition. The classes of IEC 61869-2:2012, table 201, set 10 to 180 minutes.
PHASE_MIN = (10, 30, 60, 90, 120, 180, -60)


@pytest.mark.parametrize(
    ("power_factor", "percent"),
    [
        (1.0, (0.000, -0.004, -0.015, -0.034, -0.061, -0.137, -0.015)),
        (0.9, (0.140, 0.419, 0.830, 1.234, 1.629, 2.398, -0.860)),
        (0.8, (0.218, 0.651, 1.294, 1.929, 2.557, 3.788, -1.324)),
        (0.5, (0.503, 1.508, 3.008, 4.500, 5.984, 8.928, -3.038)),
    ],
)
def test_power_error_of_phase_displacement(power_factor, percent):
    told = phase_power_error(PHASE_MIN, power_factor=power_factor)
    np.testing.assert_allclose(100 * told, percent, atol=5.1e-4)
    # And as a measurement: amps that lead by so much.
    turn = 2 * np.pi * 60 * np.arange(8000) / 8000
    for minutes, expected in zip(PHASE_MIN, percent, strict=True):
        lag = np.arccos(power_factor) - np.radians(minutes / 60)
        found = measure_power(np.sin(turn), np.sin(turn - lag), sample_rate_hz=8000)
        assert 100 * (found.real_w / (power_factor / 2) - 1) == pytest.approx(expected, abs=5.1e-4)


def test_capacitor_beside_a_heater_leaves_its_watts():
    """A 360 W heater, and a capacitor that brings the power factor to 0.69 (common practice).

    Derived: Q = 360 tan(arccos 0.69) = 377.6 var, so 69.6 uF at 120 V and 60 Hz.
    """
    farad = 360 * np.tan(np.arccos(0.69)) / (2 * np.pi * 60 * 120**2)
    assert farad == pytest.approx(69.56e-6, rel=1e-4)
    heater = heater_amps(MAINS, ohm=40)
    alone, beside = measure(heater), measure(heater + capacitor_amps(MAINS, farad=farad))
    assert alone.real_w == pytest.approx(360)
    assert beside.real_w == pytest.approx(360, rel=1e-9)
    assert beside.power_factor == pytest.approx(0.69, abs=1e-7)
    assert beside.side == "leading"
    assert (alone.amps_a, beside.amps_a) == pytest.approx((3.0, 3 / 0.69))


def test_harmonics_of_a_rectifier_fall_as_they_should():
    """Shape only, in the way in which IEC 61000-3-2 tabulates harmonics; no statement on limits.

    A bridge with a capacitor: odd orders alone, falling one by one to the first dip, large third.
    """
    mains = BenchMains(volts_v=230, frequency_hz=50, sample_rate_hz=25_600, cycles=10)
    amps = rectifier_amps(mains, load_w=75, farad=100e-6, source_ohm=2.0)
    table = measure_harmonics(mains.volts, amps, sample_rate_hz=25_600)
    share = table.to_frame()["amps_share"].to_numpy()
    assert share[1::2].max() < 1e-6
    odd = share[:9:2]
    assert (np.diff(odd) < 0).all()
    assert odd[1] > 0.8
    m = measure_power(mains.volts, amps, sample_rate_hz=25_600)
    assert m.power_factor == pytest.approx(
        m.displacement_factor / np.hypot(1, m.thd_amps), rel=1e-6
    )
    # What goes in is the load, two diodes and the resistance.
    losses_w = 2 * 0.9 * np.abs(amps).mean() + 2.0 * m.amps_a**2
    assert m.real_w == pytest.approx(75 + losses_w, rel=2e-3)


def test_household_powers_agree_with_volts_and_amps(plain):
    """UCI data set 235 (see household.py): V I against sqrt(P^2 + Q^2), and the triangle's sides.

    Minute means: median ratio 0.9937, found with another program. Waves made from the V, P and Q
    of some minutes must give the same P, Q and nearly the same I back.
    """
    kw, kvar = plain["Global_active_power"], plain["Global_reactive_power"]
    va = 1000 * np.hypot(kw, kvar)
    ratio = plain["Voltage"] * plain["Global_intensity"] / va
    assert float(ratio.median()) == pytest.approx(0.9937, abs=5e-5)
    assert float((1000 * kw / va).median()) == pytest.approx(0.9934, abs=5e-5)
    busy = plain[(kw > 2) & (kvar > 0.1)].iloc[::20_000]
    assert len(busy) > 5
    ratios = []
    for row in busy.itertuples():
        watts, var = 1000 * row.Global_active_power, 1000 * row.Global_reactive_power
        amps = np.hypot(watts, var) / row.Voltage
        turn = 2 * np.pi * 50 * np.arange(2000) / 10_000
        found = measure_power(
            np.sqrt(2) * row.Voltage * np.sin(turn),
            np.sqrt(2) * amps * np.sin(turn - np.arctan2(var, watts)),
            sample_rate_hz=10_000,
        )
        assert found.real_w == pytest.approx(watts, rel=1e-7)
        assert found.fundamental_reactive_var == pytest.approx(var, rel=1e-6)
        ratios.append(row.Global_intensity / found.amps_a)
    # Amps of the file come in steps of 0.2 A, and are means of a minute in which loads switch.
    assert np.median(ratios) == pytest.approx(1, abs=0.01)
