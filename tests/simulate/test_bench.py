"""Bench loads, sensors, conductors and the thermostat against what their physics says."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from homeenergy.simulate import (
    BenchMains,
    CabinetModel,
    capacitor_amps,
    clamp_cases,
    converter_readings,
    dimmer_amps,
    heater_amps,
    motor_amps,
    rectifier_amps,
    run_cabinet,
    saturating_clamp_amps,
)
from tests.waveform.currents import clamp_lead_deg

MAINS = BenchMains()


def rms(x):
    return float(np.sqrt(np.mean(np.square(x))))


def test_mains_are_what_they_say():
    mains = BenchMains(volts_v=230, frequency_hz=50, harmonics=((3, 0.05, 0.0),), cycles=5)
    assert mains.times_s.size == 5 * 7680 / 50
    assert rms(mains.volts) == pytest.approx(230 * np.hypot(1, 0.05), rel=1e-3)
    step = 1 / mains.sample_rate_hz
    np.testing.assert_allclose(mains.later(step).volts[:-1], mains.volts[1:], atol=1e-9)


def test_currents_obey_their_differential_equations():
    """v = R i + L di/dt, and i = C dv/dt, with distorted volts."""
    mains = BenchMains(sample_rate_hz=60 * 4000, cycles=2, harmonics=((5, 0.04, 30.0),))
    step = 1 / mains.sample_rate_hz
    i = motor_amps(mains, ohm=60, henry=0.16)
    np.testing.assert_allclose(
        mains.volts[1:-1], (60 * i + 0.16 * np.gradient(i, step))[1:-1], atol=1e-2
    )
    i = capacitor_amps(mains, farad=22e-6)
    np.testing.assert_allclose(i[1:-1], 22e-6 * np.gradient(mains.volts, step)[1:-1], atol=1e-4)


def test_rectifier_draws_pulses_about_the_crest():
    amps = rectifier_amps(MAINS, load_w=100, farad=330e-6)
    assert np.mean(amps == 0) > 0.5
    assert abs(np.mean(amps)) < 1e-6
    assert np.mean(MAINS.volts * amps) == pytest.approx(103.9, abs=0.3)
    crest = MAINS.times_s[np.argmax(amps)] * 60 % 1
    assert crest == pytest.approx(0.25, abs=0.05)
    narrower = rectifier_amps(MAINS, load_w=100, farad=1000e-6, source_ohm=0.5)
    assert np.mean(narrower == 0) > np.mean(amps == 0)
    assert rms(narrower) > rms(amps)


def test_a_dimmer_opens_where_it_is_set():
    assert np.array_equal(dimmer_amps(MAINS, ohm=40, cut_deg=0), heater_amps(MAINS, ohm=40))
    half = dimmer_amps(MAINS, ohm=40, cut_deg=90)
    phase = MAINS.times_s * 120 % 1
    assert (half[phase < 0.49] == 0).all()
    assert np.count_nonzero(half[phase > 0.51]) == np.count_nonzero(phase > 0.51)
    with pytest.raises(ValueError, match=r"between 0 and 180 degrees, got 200"):
        dimmer_amps(MAINS, ohm=40, cut_deg=200)


def test_a_clamp_below_saturation_leads_as_its_core_says():
    turn = 2 * np.pi * 60 * MAINS.times_s
    primary = np.sqrt(2) * 10 * np.sin(turn)
    seen = saturating_clamp_amps(
        primary, sample_rate_hz=7680, burden_ohm=300, magnetising_h=12, knee_wb=1.0
    )
    lead = np.radians(clamp_lead_deg(burden_ohm=300, magnetising_h=12, frequency_hz=60))
    wanted = np.sqrt(2) * 10 * np.cos(lead) * np.sin(turn + lead)
    np.testing.assert_allclose(seen, wanted, atol=0.01)


def test_a_saturated_clamp_reads_low():
    turn = 2 * np.pi * 60 * MAINS.times_s
    ratios = []
    for amps in (20, 100, 200, 400):
        seen = saturating_clamp_amps(np.sqrt(2) * amps * np.sin(turn), sample_rate_hz=7680)
        ratios.append(rms(seen) / amps)
    assert ratios[0] == pytest.approx(1, abs=1e-3)
    assert ratios == sorted(ratios, reverse=True)
    assert ratios[-1] < 0.8
    with pytest.raises(ValueError, match="at least two samples"):
        saturating_clamp_amps([1.0], sample_rate_hz=7680)


@settings(max_examples=30)
@given(bits=st.integers(2, 16), scale=st.floats(0.1, 100))
def test_converter_rounds_to_its_steps(bits, scale):
    step = 2 * scale / 2**bits
    values = np.linspace(-2 * scale, 2 * scale, 501)
    seen = converter_readings(values, bits=bits, full_scale=scale)
    assert seen.min() == pytest.approx(-scale)
    assert seen.max() == pytest.approx(scale - step)
    inside = np.abs(values) <= scale - step
    assert np.abs(seen - values)[inside].max() <= step / 2 * (1 + 1e-9)
    assert np.unique(seen).size <= 2**bits


def test_error_of_rounding_is_a_step_over_root_twelve():
    """W. R. Bennett, Spectra of quantized signals, Bell System Technical Journal 27 (1948)."""
    values = 170 * np.sin(np.arange(20_000) * 0.7312)
    error = converter_readings(values, bits=10, full_scale=200) - values
    assert rms(error) == pytest.approx(400 / 1024 / np.sqrt(12), rel=0.03)


def test_converter_refuses_nonsense():
    with pytest.raises(ValueError, match="between 2 and 24, got 1"):
        converter_readings([1.0], bits=1, full_scale=1)
    with pytest.raises(ValueError, match="full_scale must be positive"):
        converter_readings([1.0], bits=8, full_scale=0)


# By Ampere's law: 5 A of a heater on L1, 3 A of lamps on either leg, 120 V.
@pytest.mark.parametrize(
    ("title", "amps", "watts", "true_w"),
    [
        ("straight", 5, 600, 600),
        ("reversed", 5, -600, 600),
        ("crossed legs", 5, -600, 600),
        ("two turns", 10, 1200, 600),
        ("line and neutral", 0, 0, 600),
        ("two circuits, same leg", 8, 960, 960),
        ("two circuits, opposite legs", 2, 240, 960),
        ("opposite legs, one reversed", 8, 960, 960),
    ],
)
def test_what_a_clamp_reads(title, amps, watts, true_w):
    (case,) = [case for case in clamp_cases() if case.title == title]
    assert case.reads_a == pytest.approx(amps)
    assert case.reads_w() == pytest.approx(watts)
    assert case.true_w() == pytest.approx(true_w)


def test_legs_of_40_and_25_amps():
    """Derived: 7,800 W from two legs; doubling one leg's clamp would give 9,600 or 6,000 W."""
    cases = {case.title: case for case in clamp_cases(amps_a=40, other_a=25)}
    assert cases["opposite legs, one reversed"].reads_w() == pytest.approx(7800)
    assert cases["two turns"].reads_w() == pytest.approx(9600)
    # The neutral carries the difference, 15 A: so does a clamp about both lines.
    assert cases["two circuits, opposite legs"].reads_a == pytest.approx(15)


def test_one_kilowatt_hour_a_day_from_120_watts():
    """1000 Wh over 24 h are 41.7 W, 34.7 % of 120 W: the room is at 21.9 degrees."""
    room = CabinetModel().set_c + 1000 / 24 * 1.5 / 3.5
    assert room == pytest.approx(21.86, abs=0.01)
    assert CabinetModel().duty_cycle(room) == pytest.approx(1000 / 24 / 120)
    assert CabinetModel().kwh_per_day(room) == pytest.approx(1.0)


@pytest.mark.parametrize("room_c", [12.0, 18.0, 25.0, 33.0])
def test_duty_cycle_follows_the_heat_balance(room_c):
    record = run_cabinet(room_c, hours_h=96)
    # Over whole periods as much heat leaves as leaks in, by the true mean temperature inside.
    edges = np.flatnonzero(np.diff((record.trace.watts > 0).astype(int)) == 1)
    whole = slice(edges[0] + 1, edges[-1] + 1)
    duty = np.mean(record.trace.watts[whole] > 0)
    leak_w = 3.5 * (room_c - record.inside_c[whole].mean())
    assert duty * 120 * 1.5 == pytest.approx(leak_w, rel=2e-3)
    assert duty == pytest.approx(record.model.duty_cycle(room_c), rel=0.02)
    assert record.inside_c.max() < 4 + 1.5 + 0.1
    assert record.inside_c.min() > 4 - 1.5 - 0.1


def test_length_of_runs_and_rests_in_closed_form():
    """Rest: C/k ln((room - low) / (room - high)); run: the same towards room - cooling / k."""
    record = run_cabinet(22.0, hours_h=72, period_s=2)
    on = (record.trace.watts > 0).astype(int)
    starts, stops = (np.flatnonzero(np.diff(on) == step) for step in (1, -1))
    stops = stops[stops > starts[0]][: len(starts) - 1]
    hours = 8.0 / 3.5
    run_s = 3600 * hours * np.log((5.5 - 22 + 180 / 3.5) / (2.5 - 22 + 180 / 3.5))
    rest_s = 3600 * hours * np.log((22 - 2.5) / (22 - 5.5))
    assert 2 * np.mean(stops - starts[:-1]) == pytest.approx(run_s, abs=4)
    assert 2 * np.mean(starts[1:] - stops) == pytest.approx(rest_s, abs=4)


def test_a_room_too_hot_for_it():
    record = run_cabinet(70.0)
    assert record.duty_cycle == 1
    assert record.model.duty_cycle(70.0) == 1
    assert record.inside_c[-1] > 10
    assert CabinetModel().duty_cycle(0.0) == 0


def test_several_room_temperatures_are_joined():
    record = run_cabinet([18, 28, 18], hours_h=48, period_s=60)
    frame = record.to_frame()
    assert len(frame) == 2880
    assert frame["room_c"].max() == pytest.approx(28, abs=0.01)
    on = frame["watts"] > 0
    assert on[720:2160].mean() > on[:720].mean() + 0.03
    with pytest.raises(ValueError, match=r"hold no sample"):
        run_cabinet(20, hours_h=0)
