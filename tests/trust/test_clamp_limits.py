"""Range, smallest step and phase displacement of clamps."""

import numpy as np
import pytest

from homeenergy.trust import ClampSetting, Conductor, current_range, phase_error
from homeenergy.trust import resolution as find_resolution

ONE = ClampSetting(conductors=(Conductor(leg="L1"),))
CROSSED = ClampSetting(conductors=(Conductor(leg="L1"), Conductor(leg="L2", direction=-1)))


def test_both_legs_through_a_50_ampere_clamp_serve_25_amperes():
    """Common practice, no source."""
    found = current_range(CROSSED, "L1-L2", rating_a=50, breaker_a=30, system="split-phase")
    assert found.clamp_a == pytest.approx(25)
    assert found.continuous_a == pytest.approx(24)
    assert "full before the 30 A breaker" in found.sentence
    assert current_range(ONE, "L1-L2", rating_a=50, system="split-phase").clamp_a == (
        pytest.approx(50)
    )


@pytest.mark.parametrize(("breaker_a", "continuous_a"), [(20, 16), (15, 12)])
def test_eighty_per_cent_rule(breaker_a, continuous_a):
    """NEC 210.19(A) and 210.20(A), as in a data bulletin."""
    found = current_range(ONE, "L1", rating_a=50, breaker_a=breaker_a)
    assert found.continuous_a == pytest.approx(continuous_a)


def test_a_missing_rating_is_said():
    found = current_range(ONE, "L1", rating_a=None, breaker_a=20)
    assert np.isnan(found.clamp_a)
    assert "rating is not stated" in found.sentence
    with pytest.raises(ValueError, match="rating_a is missing"):
        find_resolution(rating_a=None, bits=12, volts_v=120)
    with pytest.raises(ValueError, match="rating_a must be a positive number"):
        current_range(ONE, "L1", rating_a=-5)


def converted_w(current_a, *, rating_a, bits, volts_v, noise_counts, samples, seed=1):
    """Mean of volts times a sampled, rounded current: a converter made here."""
    rng = np.random.default_rng(seed)
    phase = 2 * np.pi * np.arange(samples) / 50
    step = 2 * np.sqrt(2) * rating_a / 2**bits
    wave = np.sqrt(2) * current_a * np.sin(phase) + rng.normal(0, noise_counts * step, samples)
    return np.mean(np.sqrt(2) * volts_v * np.sin(phase) * np.round(wave / step) * step)


def test_below_the_blind_power_a_converter_reads_zero():
    made = {"rating_a": 50, "bits": 12, "volts_v": 120}
    found = find_resolution(**made)
    assert found.blind_w == pytest.approx(50 * 120 / 4096)
    blind_a = found.blind_w / 120
    assert converted_w(0.98 * blind_a, noise_counts=0, samples=1000, **made) == 0
    assert converted_w(1.05 * blind_a, noise_counts=0, samples=1000, **made) > 0.1 * found.blind_w


def test_noise_carries_a_small_current_over_the_steps():
    made = {"rating_a": 50, "bits": 12, "volts_v": 120, "noise_counts": 0.6, "samples": 5000}
    found = find_resolution(**made)
    reads = [converted_w(0.3 / 120, seed=seed, **made) for seed in range(300)]
    assert np.mean(reads) == pytest.approx(0.3, abs=0.02)
    assert np.std(reads) == pytest.approx(found.noise_w, rel=0.15)
    assert found.smallest_w == pytest.approx(2 * found.noise_w)
    assert found.kwh_per_year == pytest.approx(8.76 * found.smallest_w)


@pytest.mark.parametrize(
    ("power_factor", "minutes", "percent"),
    [
        (1.0, 180, -0.137),
        (0.9, 60, 0.830),
        (0.8, 30, 0.651),
        (0.8, -60, -1.324),
        (0.5, 10, 0.503),
        (0.5, 120, 5.984),
        (0.5, -60, -3.038),
    ],
)
def test_power_error_of_a_displacement(power_factor, minutes, percent):
    """Derived: 100 (cos(phi - d) / cos(phi) - 1), worked out on its own."""
    error = phase_error(power_factor=power_factor, displacement_min=minutes)
    assert 100 * error == pytest.approx(percent, abs=6e-4)
    leading = phase_error(power_factor=power_factor, displacement_min=-minutes, lagging=False)
    assert leading == pytest.approx(error)
