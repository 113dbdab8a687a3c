"""Measures of waves whose answer follows from how they are made."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from homeenergy.waveform import measure_harmonics, measure_power, measure_three_phase
from homeenergy.waveform.power import line_frequency, root_mean_square
from homeenergy.waveform.samples import cycle_weights

from .waves import instants, wave

RATE_HZ = 8000.0
VOLTS = ((1, 120.0, 10.0), (3, 3.0, 40.0), (5, 2.0, -20.0))
AMPS = ((1, 4.0, -30.0), (3, 2.0, 100.0), (5, 1.0, 0.0), (7, 0.5, 50.0))


def expected_w(volts, amps):
    by_order = {order: (rms, degrees) for order, rms, degrees in amps}
    pairs = [(v, a, *by_order[order]) for order, v, a in volts if order in by_order]
    return sum(v * i * np.cos(np.radians(a - b)) for v, a, i, b in pairs)


def expected_rms(parts):
    return np.sqrt(sum(rms**2 for _, rms, _ in parts))


# The fewer cycles, the fewer smoothings of the edges, and the more a part of a sample matters.
@pytest.mark.parametrize(
    ("cycles", "rel"), [(1.3, 1e-4), (2.7, 3e-7), (3.9, 1e-9), (10.4, 1e-10), (59.8, 1e-10)]
)
@pytest.mark.parametrize("frequency_hz", [49.93, 60.0, 60.07])
def test_no_part_of_a_cycle_leaks(cycles, rel, frequency_hz):
    t = instants(cycles, sample_rate_hz=RATE_HZ, frequency_hz=frequency_hz)
    volts, amps = (wave(t, parts, frequency_hz=frequency_hz) for parts in (VOLTS, AMPS))
    found = measure_power(volts, amps, sample_rate_hz=RATE_HZ, frequency_hz=frequency_hz)
    assert found.real_w == pytest.approx(expected_w(VOLTS, AMPS), rel=rel)
    assert found.volts_v == pytest.approx(expected_rms(VOLTS), rel=rel)
    assert found.amps_a == pytest.approx(expected_rms(AMPS), rel=rel)
    assert found.angle_deg == pytest.approx(40.0, rel=30 * rel)
    assert found.side == "lagging"
    assert found.cycles == int(cycles)


def test_a_plain_mean_would_leak():
    t = instants(10.4, sample_rate_hz=RATE_HZ, frequency_hz=49.93)
    volts, amps = (wave(t, parts, frequency_hz=49.93) for parts in (VOLTS, AMPS))
    assert abs(np.mean(volts * amps) / expected_w(VOLTS, AMPS) - 1) > 0.005


@pytest.mark.parametrize(
    ("cycles", "rel"), [(1.2, 1e-3), (2.2, 1e-4), (3.5, 1e-6), (12, 1e-9), (600, 1e-11)]
)
@pytest.mark.parametrize("frequency_hz", [49.2, 50.0, 59.981, 62.3])
def test_frequency_is_fitted(cycles, rel, frequency_hz):
    t = instants(cycles, sample_rate_hz=RATE_HZ, frequency_hz=frequency_hz)
    volts = wave(t, VOLTS, frequency_hz=frequency_hz)
    found = line_frequency(volts, sample_rate_hz=RATE_HZ)
    assert found == pytest.approx(frequency_hz, rel=rel)


def test_frequency_under_noise():
    rng = np.random.default_rng(5)
    t = instants(60, frequency_hz=59.97)
    volts = wave(t, VOLTS, frequency_hz=59.97) + rng.normal(0, 1.2, t.size)
    # Cramér-Rao: sd of a sine's frequency is sqrt(6 / (snr n)) / (pi T), here 0.02 mHz; the two
    # halves give about 1.2 of it.
    assert line_frequency(volts, sample_rate_hz=8000) == pytest.approx(59.97, abs=1.5e-4)


def test_harmonics_equal_the_fft_of_whole_cycles():
    """NumPy's FFT over exactly twelve cycles of a whole number of samples is the reference."""
    rate = 60 * 128
    t = np.arange(12 * 128) / rate
    rng = np.random.default_rng(11)
    parts = [(h, rng.uniform(0.1, 3), rng.uniform(-180, 180)) for h in range(2, 41)]
    volts = wave(t, [(1, 120, 33), *parts])
    amps = wave(t, [(1, 5, -20), *parts])
    table = measure_harmonics(volts, amps, sample_rate_hz=rate)
    bins = 12 * table.orders
    v = np.sqrt(2) * np.fft.rfft(volts)[bins] / t.size
    i = np.sqrt(2) * np.fft.rfft(amps)[bins] / t.size
    np.testing.assert_allclose(np.abs(table.volts), np.abs(v), rtol=1e-9)
    np.testing.assert_allclose(np.abs(table.amps), np.abs(i), rtol=1e-9)
    np.testing.assert_allclose(table.watts_w, (v * i.conj()).real, rtol=1e-7, atol=1e-9)
    turned = i * np.exp(-1j * table.orders * np.angle(v[0]))
    np.testing.assert_allclose(table.amps, turned, rtol=1e-7, atol=1e-9)
    found = measure_power(volts, amps, sample_rate_hz=rate)
    assert found.real_w == pytest.approx(table.watts_w.sum(), rel=1e-9)
    assert found.thd_amps == pytest.approx(np.sqrt((np.abs(i[1:]) ** 2).sum()) / abs(i[0]))


def test_harmonic_table_ends_below_half_the_sample_rate():
    t = instants(12, sample_rate_hz=600)
    table = measure_harmonics(wave(t, VOLTS), wave(t, AMPS), sample_rate_hz=600)
    assert table.orders.tolist() == [1, 2, 3, 4]
    frame = table.to_frame()
    assert frame.loc[0, "volts_angle_deg"] == pytest.approx(0, abs=1e-9)
    assert frame.loc[0, "amps_angle_deg"] == pytest.approx(-40, abs=1e-6)
    assert not table.volts.flags.writeable


def test_direct_current_is_told_apart():
    t = instants(6.3)
    amps = wave(t, [(0, 1.5, 0), (1, 2.0, 0)])
    found = measure_power(wave(t, VOLTS), amps, sample_rate_hz=RATE_HZ)
    assert found.dc_a == pytest.approx(1.5, rel=1e-9)
    assert found.dc_v == pytest.approx(0, abs=1e-7)
    assert found.amps_a == pytest.approx(2.5, rel=1e-9)
    assert found.thd_amps == pytest.approx(0.75, rel=1e-8)


def test_relations_of_the_standard():
    t = instants(5.5)
    m = measure_power(wave(t, VOLTS), wave(t, AMPS), sample_rate_hz=RATE_HZ)
    assert m.apparent_va**2 == pytest.approx(m.fundamental_apparent_va**2 + m.nonfundamental_va**2)
    parts = (m.current_distortion_var, m.voltage_distortion_var, m.harmonic_apparent_va)
    assert m.nonfundamental_va**2 == pytest.approx(sum(x**2 for x in parts))
    assert m.real_w == pytest.approx(m.fundamental_w + m.harmonic_w)
    assert m.nonactive_var > abs(m.fundamental_reactive_var)


def test_load_that_is_off():
    t = instants(4)
    m = measure_power(wave(t, VOLTS), np.zeros(t.size), sample_rate_hz=RATE_HZ)
    assert m.real_w == m.apparent_va == m.nonactive_var == 0
    assert np.isnan([m.power_factor, m.displacement_factor, m.crest_amps, m.thd_amps]).all()
    assert m.side == "no current"


@pytest.mark.parametrize(
    ("degrees", "side"), [(-30, "lagging"), (30, "leading"), (0, "in step"), (180, "in step")]
)
def test_side_of_the_current(degrees, side):
    t = instants(5)
    amps = wave(t, [(1, 1, degrees)])
    m = measure_power(wave(t, [(1, 120, 0)]), amps, sample_rate_hz=RATE_HZ)
    assert m.side == side
    assert m.to_frame().loc[0, "side"] == side
    assert np.sign(m.fundamental_reactive_var) == np.sign(-degrees) or side == "in step"


def test_weights_are_whole_cycles_and_add_up_to_one():
    for n, cycle in ((100, 100.0), (134, 133.3), (1000, 133.3), (5000, 160.2), (400, 100.0)):
        w = cycle_weights(n, cycle_samples=cycle)
        assert w.size <= n
        assert w.sum() == pytest.approx(1, abs=1e-12)
        assert w.min() > -1e-12
        turn = np.exp(-2j * np.pi * np.arange(w.size) / cycle)
        assert abs(w @ turn) < 2 * np.pi / cycle**2


powers = st.floats(0.05, 200)
angles = st.floats(-180, 180)


@settings(max_examples=25)
@given(a=powers, b=powers, turn=angles, shift=angles)
def test_scaling_scales(a, b, turn, shift):
    t = instants(6.2)
    volts, amps = wave(t, [(1, 120, turn), (3, 4, shift)]), wave(t, [(1, 3, shift), (3, 1, turn)])
    one = measure_power(volts, amps, sample_rate_hz=RATE_HZ, frequency_hz=60)
    many = measure_power(a * volts, b * amps, sample_rate_hz=RATE_HZ, frequency_hz=60)
    assert many.real_w == pytest.approx(a * b * one.real_w, rel=1e-9, abs=1e-9 * a * b)
    assert many.volts_v == pytest.approx(a * one.volts_v)
    assert many.thd_amps == pytest.approx(one.thd_amps)
    assert many.power_factor == pytest.approx(one.power_factor, abs=1e-9)


@settings(max_examples=25)
@given(parts=st.tuples(st.integers(4, 12), st.integers(4, 12)), turn=angles)
def test_parts_of_whole_cycles_make_the_whole(parts, turn):
    """Mean power of a record is that of its parts, weighted by their cycles."""
    rate = 60 * 100
    t = np.arange(sum(parts) * 100) / rate
    volts, amps = wave(t, [(1, 120, turn), (5, 3, 0)]), wave(t, [(1, 3, 0), (5, 1, turn)])

    def watts(first, stop):
        where = slice(first * 100, stop * 100)
        return measure_power(volts[where], amps[where], sample_rate_hz=rate).real_w

    one, other = watts(0, parts[0]), watts(parts[0], sum(parts))
    joined = (one * parts[0] + other * parts[1]) / sum(parts)
    assert watts(0, sum(parts)) == pytest.approx(joined, rel=1e-8, abs=1e-6)


@settings(max_examples=25)
@given(farad=st.floats(1e-7, 2e-4), turn=angles)
def test_a_capacitor_changes_no_watts(farad, turn):
    t = instants(7.6)
    parts = [(1, 120, turn), (3, 3, 0), (5, 2, 90)]
    reactance = [(h, rms * 2 * np.pi * 60 * h * farad, angle + 90) for h, rms, angle in parts]
    volts, load = wave(t, parts), wave(t, AMPS)
    alone = measure_power(volts, load, sample_rate_hz=RATE_HZ)
    beside = measure_power(volts, load + wave(t, reactance), sample_rate_hz=RATE_HZ)
    assert beside.real_w == pytest.approx(alone.real_w, rel=1e-7, abs=1e-5)
    more = sum(v**2 * 2 * np.pi * 60 * farad for _, v, _ in parts[:1])
    change = beside.fundamental_reactive_var - alone.fundamental_reactive_var
    assert change == pytest.approx(-more, rel=1e-7, abs=1e-6)


@pytest.mark.parametrize("make", [list, np.float32, "read-only", "strided"])
def test_any_container(make):
    t = instants(6)
    volts, amps = wave(t, VOLTS), wave(t, AMPS)
    exact = measure_power(volts, amps, sample_rate_hz=RATE_HZ)
    if make == "read-only":
        volts.flags.writeable = amps.flags.writeable = False
    elif make == "strided":
        volts, amps = np.repeat(volts, 2)[::2], np.repeat(amps, 3)[::3]
    elif make is list:
        volts, amps = list(volts), list(amps)
    else:
        volts, amps = volts.astype(make), amps.astype(make)
    found = measure_power(volts, amps, sample_rate_hz=RATE_HZ)
    assert found.real_w == pytest.approx(exact.real_w, rel=1e-6)


def three(parts, t):
    """Phase b lags a by a third of a turn, c leads it."""
    turns = (0, -120, 120)
    return np.array([wave(t, [(h, r, d + h * turn) for h, r, d in parts]) for turn in turns])


def test_balanced_three_phase_is_three_times_one():
    t = instants(6.4)
    volts, amps = three([(1, 230, 0)], t), three([(1, 10, -np.degrees(np.arccos(0.8)))], t)
    for wires in (3, 4):
        m = measure_three_phase(volts, amps, sample_rate_hz=RATE_HZ, wires=wires)
        assert m.effective_v == pytest.approx(230)
        assert m.effective_a == pytest.approx(10)
        assert m.effective_apparent_va == pytest.approx(6900)
        assert m.power_factor == pytest.approx(0.8, abs=1e-6)
        assert m.positive_factor == pytest.approx(0.8, abs=1e-6)
        assert m.positive_reactive_var == pytest.approx(6900 * 0.6, rel=1e-5)
        assert m.unbalance_va == pytest.approx(0, abs=0.1)
        assert m.neutral_a == pytest.approx(0, abs=1e-6)
        assert len(m.to_frame()) == 1


def test_a_heater_on_one_phase_of_four_wires():
    """Ie = I sqrt(2/3), as line and neutral carry I: Se = sqrt(6) V I, the factor 1/sqrt 6."""
    t = instants(6.4)
    volts = three([(1, 230, 0)], t)
    amps = np.zeros_like(volts)
    amps[0] = volts[0] / 23
    m = measure_three_phase(volts, amps, sample_rate_hz=RATE_HZ)
    assert m.real_w == pytest.approx(2300)
    assert m.neutral_a == pytest.approx(10)
    assert m.effective_apparent_va == pytest.approx(np.sqrt(6) * 2300)
    assert m.power_factor == pytest.approx(1 / np.sqrt(6))
    # Fortescue: a third of the current is positive sequence.
    assert m.positive_apparent_va == pytest.approx(2300)
    assert m.unbalance_va == pytest.approx(np.sqrt(5) * 2300)


def test_third_harmonics_add_up_in_the_neutral():
    t = instants(6.4)
    amps = three([(1, 10, 0), (3, 4, 0)], t)
    m = measure_three_phase(three([(1, 230, 0)], t), amps, sample_rate_hz=RATE_HZ)
    assert m.neutral_a == pytest.approx(12)
    assert m.effective_a == pytest.approx(np.sqrt(100 + 16 + 144 / 3))
    assert m.thd_amps == pytest.approx(np.sqrt(16 + 48) / 10)
    assert m.current_distortion_var == pytest.approx(3 * 230 * 8)


def test_delta_volts_to_any_common_point_give_the_same():
    t = instants(6.4)
    volts, amps = three([(1, 230, 0)], t), three([(1, 10, -30)], t)
    shifted = volts - volts[2]
    shifted[2] += 1e-9 * volts[0]  # a channel that is flat would be refused
    one = measure_three_phase(volts, amps, sample_rate_hz=RATE_HZ, wires=3)
    other = measure_three_phase(shifted, amps, sample_rate_hz=RATE_HZ, wires=3)
    assert other.effective_v == pytest.approx(one.effective_v)
    assert other.real_w == pytest.approx(one.real_w)


def test_rms_of_one_channel():
    t = instants(3.4)
    found = root_mean_square(wave(t, VOLTS), sample_rate_hz=RATE_HZ)
    assert found == pytest.approx(expected_rms(VOLTS), rel=1e-6)
