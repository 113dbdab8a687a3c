"""Skew between channels and the phase of a clamp."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from homeenergy.simulate import (
    BenchMains,
    heater_amps,
    motor_amps,
    rectifier_amps,
    saturating_clamp_amps,
)
from homeenergy.waveform import (
    align_channels,
    correct_clamp,
    measure_power,
    phase_power_error,
    skew_power_error,
)
from homeenergy.waveform.align import aligned_chunks
from tests.waveform.currents import clamp_lead_deg

RATE_HZ = 4000.0
MAINS = BenchMains(
    sample_rate_hz=RATE_HZ, cycles=30.3, harmonics=((3, 0.02, 15.0), (5, 0.03, 80.0))
)
TRUE_W = measure_power(
    MAINS.volts, motor_amps(MAINS, ohm=60, henry=0.16), sample_rate_hz=RATE_HZ
).real_w


# A converter that takes two, or eight, channels in turn; a whole sample; several; and backwards.
@pytest.mark.parametrize("samples", [0.5, 0.125, 1.0, 2.3, -0.5, -3.0])
def test_skew_is_taken_out(samples):
    skew_s = samples / RATE_HZ
    late = motor_amps(MAINS.later(skew_s), ohm=60, henry=0.16)
    raw = measure_power(MAINS.volts, late, sample_rate_hz=RATE_HZ).real_w
    assert abs(raw / TRUE_W - 1) > 0.01
    volts, amps = align_channels(MAINS.volts, late, sample_rate_hz=RATE_HZ, skew_s=skew_s)
    aligned = measure_power(volts, amps, sample_rate_hz=RATE_HZ).real_w
    assert aligned == pytest.approx(TRUE_W, rel=5e-6)


@pytest.mark.parametrize("samples", [0.5, -0.5, 0.2, 1.4])
def test_a_wave_of_a_third_of_the_sample_rate_is_kept(samples):
    k = np.arange(400)
    wanted, late = np.cos(2 * np.pi * k / 3), np.cos(2 * np.pi * (k + samples) / 3)
    first, amps = align_channels(wanted, late, sample_rate_hz=1.0, skew_s=samples)
    np.testing.assert_allclose(amps, first, atol=1e-5)


def test_error_of_a_skew_is_foretold():
    """Half a sample at 4 kHz is 125 us: 2.7 degrees at 60 Hz, 4.6 % of the watts at 0.705."""
    pure = BenchMains(sample_rate_hz=RATE_HZ, cycles=30.3)
    skew_s = 0.5 / RATE_HZ
    amps = motor_amps(pure, ohm=60, henry=0.16)
    late = motor_amps(pure.later(skew_s), ohm=60, henry=0.16)
    right = measure_power(pure.volts, amps, sample_rate_hz=RATE_HZ)
    wrong = measure_power(pure.volts, late, sample_rate_hz=RATE_HZ)
    told = skew_power_error(skew_s, frequency_hz=60, power_factor=right.power_factor)
    assert float(told) == pytest.approx(wrong.real_w / right.real_w - 1, abs=1e-7)
    assert float(told) == pytest.approx(0.0463, abs=1e-4)


def test_a_heater_hides_a_skew():
    share = float(skew_power_error(125e-6, frequency_hz=60, power_factor=1.0))
    assert -0.0012 < share < -0.0010


def test_sharp_pulses_keep_their_power_when_aligned():
    mains = BenchMains(sample_rate_hz=8000.0, cycles=20.2)
    make = {"load_w": 80, "farad": 220e-6, "source_ohm": 2.0}
    true_w = measure_power(mains.volts, rectifier_amps(mains, **make), sample_rate_hz=8000).real_w
    late = rectifier_amps(mains.later(0.5 / 8000), **make)
    volts, amps = align_channels(mains.volts, late, sample_rate_hz=8000, skew_s=0.5 / 8000)
    found_w = measure_power(volts, amps, sample_rate_hz=8000).real_w
    raw_w = measure_power(mains.volts, late, sample_rate_hz=8000).real_w
    # The corners of the pulses hold more than 4 kHz, which no interpolation brings back.
    assert found_w == pytest.approx(true_w, rel=5e-4)
    assert abs(raw_w / true_w - 1) > 3e-3


@settings(max_examples=20)
@given(
    sizes=st.lists(st.integers(0, 900), min_size=1, max_size=12),
    skew=st.floats(-4, 4),
)
def test_chunks_are_aligned_as_a_whole(sizes, skew):
    n = sum(sizes)
    volts, amps = MAINS.volts[:n], motor_amps(MAINS, ohm=60, henry=0.16)[:n]
    edges = np.r_[0, np.cumsum(sizes)]
    edges = np.minimum(edges, volts.size)
    chunks = [(volts[a:b], amps[a:b]) for a, b in itertools.pairwise(edges)]
    options = {"sample_rate_hz": RATE_HZ, "skew_s": skew / RATE_HZ}
    pieces = list(aligned_chunks(chunks, **options))
    if volts.size <= 32 + abs(round(skew)):
        assert not pieces
        return
    whole_v, whole_i = align_channels(volts, amps, **options)
    np.testing.assert_allclose(np.concatenate([p[0] for p in pieces]), whole_v)
    np.testing.assert_allclose(np.concatenate([p[1] for p in pieces]), whole_i, atol=1e-12)


def test_a_clamp_is_corrected():
    """An ordinary core of 12 H with 200 ohm leads by 2.53 degrees: 4.5 % of a motor's watts."""
    mains = BenchMains(sample_rate_hz=7680, cycles=40)
    amps = motor_amps(mains, ohm=60, henry=0.16)
    make = {"burden_ohm": 200.0, "magnetising_h": 12.0}
    seen = 1.02 * saturating_clamp_amps(amps, sample_rate_hz=7680, knee_wb=1.0, **make)
    lead_deg = clamp_lead_deg(frequency_hz=60, **make)
    right = measure_power(mains.volts, amps, sample_rate_hz=7680)
    raw = measure_power(mains.volts, seen, sample_rate_hz=7680)
    assert raw.angle_deg == pytest.approx(right.angle_deg - lead_deg, abs=0.01)
    # The magnetising current is missing: the ratio falls by the cosine of the lead.
    ratio_error = 1.02 * np.cos(np.radians(lead_deg)) - 1
    told = (1 + ratio_error) * (1 + phase_power_error(60 * lead_deg, power_factor=0.705232)) - 1
    assert raw.real_w / right.real_w - 1 == pytest.approx(float(told), abs=2e-4)
    assert abs(told) > 0.06
    volts, mended = correct_clamp(
        mains.volts,
        seen,
        sample_rate_hz=7680,
        frequency_hz=60,
        ratio_error=ratio_error,
        phase_min=60 * lead_deg,
    )
    found = measure_power(volts, mended, sample_rate_hz=7680)
    assert found.real_w == pytest.approx(right.real_w, rel=2e-4)
    assert found.angle_deg == pytest.approx(right.angle_deg, abs=0.01)


def test_bad_input():
    mains = BenchMains(cycles=2)
    amps = heater_amps(mains, ohm=40)
    with pytest.raises(ValueError, match=r"256 samples of volts but 255 of amps"):
        align_channels(mains.volts, amps[1:], sample_rate_hz=7680, skew_s=1e-4)
    with pytest.raises(ValueError, match=r"20 samples are too few: aligning .* uses up 33"):
        align_channels(mains.volts[:20], amps[:20], sample_rate_hz=7680, skew_s=1 / 7680)
    with pytest.raises(ValueError, match=r"ratio_error must be above -1"):
        correct_clamp(mains.volts, amps, sample_rate_hz=7680, frequency_hz=60, ratio_error=-1)
    with pytest.raises(ValueError, match=r"a chunk holds 3 samples of volts but 2 of amps"):
        list(aligned_chunks([([1, 2, 3], [1, 2])], sample_rate_hz=7680, skew_s=1e-4))
    with pytest.raises(ValueError, match=r"must be finite"):
        align_channels(mains.volts, amps, sample_rate_hz=7680, skew_s=np.nan)
