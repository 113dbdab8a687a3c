"""Power of every second from chunks."""

import itertools

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from homeenergy.simulate import BenchMains, motor_amps
from homeenergy.waveform import measure_power, stream_power
from homeenergy.waveform.stream import iter_power

from .waves import wave

RATE_HZ = 8000.0
START = "2026-05-04T06:00Z"


def chunked(volts, amps, size):
    return ((volts[k : k + size], amps[k : k + size]) for k in range(0, len(volts), size))


def record(seconds, *, frequency_hz=60.0, rate_hz=RATE_HZ):
    cycles = seconds * frequency_hz
    mains = BenchMains(sample_rate_hz=rate_hz, frequency_hz=frequency_hz, cycles=cycles)
    return mains.volts, motor_amps(mains, ohm=60, henry=0.16)


def test_seconds_of_a_motor():
    volts, amps = record(6, frequency_hz=59.97)
    one = measure_power(volts, amps, sample_rate_hz=RATE_HZ)
    found = stream_power(chunked(volts, amps, 5000), sample_rate_hz=RATE_HZ, start=START)
    frame = found.to_frame()
    assert len(frame) == 6
    assert frame.index[0] == pd.Timestamp(START)
    middle = frame.iloc[1:-1]
    np.testing.assert_allclose(middle["real_w"], one.real_w, rtol=2e-5)
    np.testing.assert_allclose(middle["apparent_va"], one.apparent_va, rtol=1e-5)
    np.testing.assert_allclose(middle["nonactive_var"], one.nonactive_var, rtol=2e-5)
    np.testing.assert_allclose(middle["volts_v"], 120, rtol=1e-5)
    np.testing.assert_allclose(middle["amps_a"], one.amps_a, rtol=1e-5)
    # The outer borders are sharp, and a part of a cycle stays.
    np.testing.assert_allclose(frame["real_w"], one.real_w, rtol=3e-3)
    assert found.real_w.label == "samples: real power (W)"


def test_sharp_borders_would_leak():
    """What the ramp over a cycle is for: a plain mean of each second at 59.6 Hz."""
    volts, amps = record(6, frequency_hz=59.6)
    one = measure_power(volts, amps, sample_rate_hz=RATE_HZ).real_w
    plain = (volts * amps).reshape(6, -1).mean(axis=1)
    found = stream_power(chunked(volts, amps, 999), sample_rate_hz=RATE_HZ, start=START)
    smooth = found.real_w.watts[1:-1].astype(float)
    assert np.abs(plain[1:-1] / one - 1).max() > 1e-3
    assert np.abs(smooth / one - 1).max() < 5e-5


@settings(max_examples=25)
@given(sizes=st.lists(st.integers(0, 4000), min_size=1, max_size=30))
def test_chunks_of_any_length_give_the_same(sizes):
    volts, amps = record(3, rate_hz=4000.0)
    edges = np.minimum(np.r_[0, np.cumsum(sizes), volts.size], volts.size)
    chunks = [(volts[a:b], amps[a:b]) for a, b in itertools.pairwise(edges)]
    options = {"sample_rate_hz": 4000.0}
    whole = list(iter_power([(volts, amps)], **options))
    np.testing.assert_allclose(list(iter_power(chunks, **options)), whole, rtol=1e-10)
    assert len(whole) == 3


def test_energy_is_kept():
    """Every sample counts once: the periods' means add up to the mean of all samples."""
    rng = np.random.default_rng(2)
    volts, amps = record(20, rate_hz=4000.0)
    amps = amps * np.repeat(rng.uniform(0, 3, 400), 200)
    rows = np.array(list(iter_power(chunked(volts, amps, 1234), sample_rate_hz=4000.0)))
    assert rows[:, 0].mean() == pytest.approx((volts * amps).mean(), rel=2e-3)
    # But for what the outer periods' weights are short by, it is exact.
    inner = rows[1:-1, 0].sum()
    ramp = np.interp(np.arange(80000), [3967, 4033, 75967, 76033], [0, 1, 1, 0])
    assert inner == pytest.approx((ramp * volts * amps).sum() / 4000, rel=2e-4)


def test_sample_rate_that_is_not_whole():
    volts, amps = record(5.2, rate_hz=7812.5)
    rows = list(iter_power(chunked(volts, amps, 777), sample_rate_hz=7812.5))
    assert len(rows) == 5
    assert rows[2][0] == pytest.approx(119.36453, rel=1e-6)


def test_numbers_of_a_converter_with_a_skew():
    """12 bits, volts and amps in turn at 16 kHz, the clamp the wrong way round."""
    mains = BenchMains(sample_rate_hz=RATE_HZ, cycles=5 * 60)
    skew_s = 0.5 / RATE_HZ
    volts = np.round(mains.volts / 0.1).astype(np.int16)
    amps = np.round(motor_amps(mains.later(skew_s), ohm=60, henry=0.16) / -0.002).astype(np.int16)
    found = stream_power(
        chunked(volts, amps, 8000),
        sample_rate_hz=RATE_HZ,
        start=START,
        volts_per_unit=0.1,
        amps_per_unit=-0.002,
        skew_s=skew_s,
        label="motor",
    )
    frame = found.to_frame()
    assert len(frame) == 4  # the last second is short by what aligning uses up
    assert frame["real_w"].iloc[2] == pytest.approx(119.36453, rel=1e-4)
    assert frame["nonactive_var"].iloc[2] == pytest.approx(119.99832, rel=1e-4)
    assert frame["amps_a"].iloc[2] == pytest.approx(1.410464, rel=1e-4)
    assert frame["apparent_va"].iloc[2] == pytest.approx(169.25569, rel=1e-4)


def test_both_sensors_the_wrong_way_round_cancel():
    volts, amps = record(3)
    options = {"sample_rate_hz": RATE_HZ, "start": START, "volts_per_unit": -1, "amps_per_unit": -1}
    found = stream_power([(volts, amps)], **options).to_frame().iloc[1]
    assert found["real_w"] == pytest.approx(119.36453, rel=1e-5)
    assert found["volts_v"] == pytest.approx(120, rel=1e-5)
    assert found["amps_a"] == pytest.approx(1.410464, rel=1e-5)


def test_a_hole_stays_a_hole():
    volts, amps = record(5)
    amps[12345] = np.nan
    found = stream_power(chunked(volts, amps, 8000), sample_rate_hz=RATE_HZ, start=START)
    assert np.isnan(found.real_w.watts).tolist() == [False, True, False, False, False]
    assert np.isnan(found.nonactive_var.watts).tolist() == [False, True, False, False, False]
    assert not np.isnan(found.volts_v.watts).any()


def test_read_only_and_single_precision_chunks():
    volts, amps = (x.astype(np.float32) for x in record(3))
    volts.flags.writeable = amps.flags.writeable = False
    found = stream_power([(volts, amps)], sample_rate_hz=RATE_HZ, start=START)
    assert found.real_w.watts[1] == pytest.approx(119.36453, rel=1e-5)


def test_quarters_of_an_hour_and_an_outage():
    t = np.arange(8 * 4000) / 4000
    volts = wave(t, [(1, 120, 0)]) * (t < 5)
    found = stream_power(
        chunked(volts, volts / 60, 1000), sample_rate_hz=4000, start=START, period_s=2
    )
    assert found.real_w.period_s == 2
    assert found.real_w.watts[0] == pytest.approx(240, rel=1e-3)
    assert found.volts_v.watts[3] == 0


def test_bad_streams():
    volts, amps = record(2)
    options = {"sample_rate_hz": RATE_HZ, "start": START}
    with pytest.raises(ValueError, match=r"a chunk holds 16000 samples of volts but 15999 of amps"):
        stream_power([(volts, amps[1:])], **options)
    with pytest.raises(ValueError, match=r"no voltage in the whole stream"):
        stream_power([(0 * volts, amps)], **options)
    with pytest.raises(ValueError, match=r"the stream is shorter than one period of 1 s"):
        stream_power([(volts[:99], amps[:99])], **options)
    with pytest.raises(ValueError, match=r"120 samples a second are too few"):
        stream_power([(volts, amps)], sample_rate_hz=120, start=START)
    with pytest.raises(ValueError, match=r"a period of 0.02 s is shorter than 2 cycles of 60 Hz"):
        stream_power([(volts, amps)], **options, period_s=0.02)
    with pytest.raises(ValueError, match=r"a chunk must have one dimension"):
        stream_power([(volts.reshape(2, -1), amps.reshape(2, -1))], **options)
    with pytest.raises(ValueError, match="no time zone"):
        stream_power([(volts, amps)], sample_rate_hz=RATE_HZ, start="2026-05-04")
