"""Ten minutes of two channels at 8 kHz: time beside a plain mean, and memory as it grows.

The time is a ratio within one run: `np.mean(volts * amps)` of the same arrays is the measure.
"""

import sys
import tracemalloc

import numpy as np
import pytest

from homeenergy.waveform import stream_power
from homeenergy.waveform.stream import iter_power

from .timing import by_turns

pytestmark = pytest.mark.slow

RATE_HZ = 8000
SECONDS = 600
LIMIT = 3.0


@pytest.fixture(scope="module")
def samples():
    turn = 2 * np.pi * 60 * np.arange(SECONDS * RATE_HZ) / RATE_HZ
    return 170 * np.sin(turn), 5 * np.sin(turn - 0.8)


@pytest.fixture
def say(pytestconfig):
    capture = pytestconfig.pluginmanager.getplugin("capturemanager")

    def line(text):
        with capture.global_and_fixture_disabled():
            sys.stdout.write(f"\n{text}")

    return line


def chunks(volts, amps, *, size):
    return ((volts[k : k + size], amps[k : k + size]) for k in range(0, volts.size, size))


@pytest.mark.parametrize("size", [RATE_HZ, 10 * RATE_HZ])
def test_time_beside_a_plain_mean(samples, say, size):
    volts, amps = samples

    def stream():
        return stream_power(
            chunks(volts, amps, size=size), sample_rate_hz=RATE_HZ, start="2026-05-04T00:00Z"
        )

    assert len(stream().real_w) == SECONDS  # and the sums are compiled
    stream_s, plain_s = by_turns(stream, lambda: np.mean(volts * amps), aim=LIMIT, rounds=30)
    say(f"ten minutes at 8 kHz, chunks of {size}: {stream_s / plain_s:.2f} times a plain mean")
    assert stream_s < LIMIT * plain_s


def peak_bytes(seconds):
    """Peak of what is allocated while a stream is made and measured, chunk by chunk."""

    def fresh():
        turn = 2 * np.pi * 60 * np.arange(RATE_HZ) / RATE_HZ
        for _ in range(seconds):
            yield 170 * np.sin(turn), 5 * np.sin(turn - 0.8)

    tracemalloc.start()
    for _ in iter_power(fresh(), sample_rate_hz=RATE_HZ, skew_s=1e-5):
        pass
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return peak


def test_memory_does_not_grow_with_length(say):
    peak_bytes(3)
    short, long = peak_bytes(20), peak_bytes(400)
    say(f"peak of 20 s: {short / 1e3:.0f} kB, of 400 s: {long / 1e3:.0f} kB")
    assert long < 1.1 * short
    assert long < 40 * RATE_HZ * 8  # a few dozen arrays of one chunk
