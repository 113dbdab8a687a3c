"""Records that cannot be measured: one clear message each."""

import numpy as np
import pytest

from homeenergy.simulate import (
    BenchMains,
    converter_readings,
    dimmer_amps,
    heater_amps,
    rectifier_amps,
)
from homeenergy.waveform import measure_harmonics, measure_power
from homeenergy.waveform.power import line_frequency
from tests.waveform.currents import half_wave_amps, pulse_amps

MAINS = BenchMains()
VOLTS = MAINS.volts
AMPS = heater_amps(MAINS, ohm=40)
RATE_HZ = MAINS.sample_rate_hz


def measure(volts=VOLTS, amps=AMPS, **options):
    return measure_power(volts, amps, **{"sample_rate_hz": RATE_HZ, **options})


@pytest.mark.parametrize(
    ("what", "options", "message"),
    [
        (
            "lengths",
            {"amps": AMPS[1:]},
            r"1536 samples of volts but 1535 of amps; .*same instants",
        ),
        (
            "half a cycle",
            {"volts": VOLTS[:60], "amps": AMPS[:60]},
            r"60 samples .* fewer than one cy",
        ),
        (
            "most of a cycle",
            {"volts": VOLTS[:120], "amps": AMPS[:120]},
            r"120 samples are 0\.9\d of a cycle of .* Hz; at least one whole",
        ),
        (
            "most of a cycle of a known frequency",
            {"volts": VOLTS[:127], "amps": AMPS[:127], "frequency_hz": 60},
            r"127 samples are 0\.99 of a cycle of 60 Hz; at least one whole cycle",
        ),
        ("no volts", {"volts": 0 * VOLTS}, r"no voltage: all 1536 samples are 0 V; check"),
        ("stuck volts", {"volts": 0 * VOLTS + 2.5}, r"no voltage: all 1536 samples are 2.5 V"),
        ("stuck amps", {"amps": 0 * AMPS + 0.3}, r"amps do not move: all 1536 .* 0.3 A; check"),
        (
            "noise",
            {"volts": np.random.default_rng(1).normal(0, 1, VOLTS.size)},
            r"no line frequency between 40 and 70 Hz: .*check the sensor",
        ),
        (
            "clipped volts",
            {"volts": np.clip(VOLTS, -150, 150)},
            r"the volts are clipped: from sample \d+ on, \d+ in a row stand at -?150 V",
        ),
        (
            "clipped amps",
            {"amps": converter_readings(AMPS, bits=12, full_scale=4.0)},
            r"the amps are clipped: .*smaller gain or a sensor of a higher .*allow_flat_tops",
        ),
        ("slow", {"sample_rate_hz": 140}, r"140 samples a second are too few .* 70 Hz"),
        (
            "slow, known",
            {"sample_rate_hz": 120, "frequency_hz": 60},
            r"120 .* more than 120 are need",
        ),
        ("no rate", {"sample_rate_hz": 0, "frequency_hz": 60}, r"sample_rate_hz must be positive"),
        ("no frequency", {"frequency_hz": -50}, r"frequency_hz must be positive, got -50"),
        (
            "hole",
            {"volts": np.where(VOLTS > 169, np.nan, VOLTS)},
            r"volts holds \d+ .*not numbers",
        ),
        ("table", {"volts": VOLTS.reshape(2, -1)}, r"one dimension, got shape \(2, 768\)"),
        ("nothing", {"volts": [], "amps": []}, r"volts holds no samples"),
    ],
)
def test_message(what, options, message):
    with pytest.raises(ValueError, match=message):
        measure(**options)


def test_harmonics_and_frequency_refuse_the_same():
    with pytest.raises(ValueError, match="the volts are clipped"):
        measure_harmonics(np.clip(VOLTS, -150, 150), AMPS, sample_rate_hz=RATE_HZ)
    with pytest.raises(ValueError, match="all 1536 samples are 0"):
        line_frequency(0 * VOLTS, sample_rate_hz=RATE_HZ)
    with pytest.raises(ValueError, match=r"80 samples a second are too few"):
        line_frequency(VOLTS, sample_rate_hz=80)


def test_clipped_waves_are_measured_where_that_is_meant():
    found = measure(volts=np.clip(VOLTS, -150, 150), allow_flat_tops=True)
    assert found.crest_volts == pytest.approx(150 / found.volts_v)


@pytest.mark.parametrize("bits", [6, 8, 10, 12, 16])
@pytest.mark.parametrize("rate_hz", [2000.0, 7680.0, 48000.0])
def test_rounding_to_steps_is_no_clipping(bits, rate_hz):
    mains = BenchMains(sample_rate_hz=rate_hz, cycles=6.3, frequency_hz=59.97)
    volts = converter_readings(mains.volts, bits=bits, full_scale=200)
    amps = converter_readings(heater_amps(mains, ohm=40), bits=bits, full_scale=5)
    found = measure_power(volts, amps, sample_rate_hz=rate_hz)
    assert found.real_w == pytest.approx(360, rel=0.3 / 2 ** (bits - 3) + 1e-5)


def test_steep_and_one_sided_waves_are_no_clipping():
    for amps in (
        pulse_amps(MAINS, height_a=5, width_deg=60),
        half_wave_amps(MAINS, ohm=40),
        dimmer_amps(MAINS, ohm=40, cut_deg=90),
        rectifier_amps(MAINS, load_w=60, farad=220e-6),
    ):
        measure(amps=amps)
