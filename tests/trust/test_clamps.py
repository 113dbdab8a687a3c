"""What a clamp reads, against arithmetic that can be done by hand."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from homeenergy.trust import ClampSetting, Conductor, right_multiplier, split_error
from homeenergy.trust.clamps.reading import clamp_reading_w, leg_amps

L1 = ClampSetting(conductors=(Conductor(leg="L1"),))
CROSSED = ClampSetting(conductors=(Conductor(leg="L1"), Conductor(leg="L2", direction=-1)))
STRAIGHT = ClampSetting(conductors=(Conductor(leg="L1"), Conductor(leg="L2")))


def split(setting, **loads):
    named = {name.replace("_", "-"): power for name, power in loads.items()}
    return clamp_reading_w(setting, named, system="split-phase", volts_v=120)


def test_two_legs_of_40_and_25_amperes():
    """7,800 W truly; doubling one leg gives 9,600 or 6,000 W; 15 A come back in the neutral."""
    loads = {"L1": 4800.0, "L2": 3000.0}
    amps = leg_amps(loads, system="split-phase", volts_v=120)
    assert abs(amps["L1"]) == pytest.approx(40)
    assert abs(amps["L2"]) == pytest.approx(25)
    assert abs(sum(amps.values())) == pytest.approx(15)
    assert sum(loads.values()) == 7800
    assert 2 * split(L1, **loads) == pytest.approx(9600)
    l2 = ClampSetting(conductors=(Conductor(leg="L2"),), volts_leg="L2")
    assert 2 * split(l2, **loads) == pytest.approx(6000)


def test_two_ten_kilowatt_loads_on_120_and_240_volts():
    """Kuphaldt, Lessons In Electric Circuits, vol. II, chapter 10."""
    at_120 = leg_amps({"L1": 20_000}, system="single-phase", volts_v=120)
    assert abs(at_120["L1"]) == pytest.approx(166.67, abs=0.005)
    at_240 = leg_amps({"L1-L2": 20_000}, system="split-phase", volts_v=120)
    assert abs(at_240["L1"]) == pytest.approx(83.33, abs=0.005)
    each = leg_amps({"L1": 10_000, "L2": 10_000}, system="split-phase", volts_v=120)
    assert abs(each["L1"]) == pytest.approx(83.33, abs=0.005)
    assert abs(sum(each.values())) == pytest.approx(0, abs=1e-9)


def test_a_240_volt_load_seen_on_one_leg_needs_doubling():
    assert split(L1, L1_L2=3600) == pytest.approx(1800)
    answer = right_multiplier(L1, ("L1-L2",), system="split-phase")
    assert answer.multiplier == pytest.approx(2)


def test_both_legs_crossed_add_and_straight_cancel():
    assert split(CROSSED, L1_L2=3600) == pytest.approx(3600)
    assert right_multiplier(CROSSED, ("L1-L2", "L1", "L2"), system="split-phase").multiplier == (
        pytest.approx(1)
    )
    assert split(STRAIGHT, L1_L2=3600) == pytest.approx(0, abs=1e-9)
    nothing = right_multiplier(STRAIGHT, ("L1-L2",), system="split-phase")
    assert nothing.multiplier is None
    assert "cancel" in nothing.sentence


def test_backwards_or_on_the_other_legs_voltage_reads_negative():
    backwards = ClampSetting(conductors=(Conductor(leg="L1", direction=-1),))
    other = ClampSetting(conductors=(Conductor(leg="L1"),), volts_leg="L2")
    for setting in (backwards, other):
        answer = right_multiplier(setting, ("L1",), system="split-phase")
        assert answer.multiplier == pytest.approx(-1)
        assert "backwards" in answer.sentence


def test_a_conductor_that_passes_twice_reads_twice():
    twice = ClampSetting(conductors=(Conductor(leg="L1", passes=2),))
    assert clamp_reading_w(twice, {"L1": 1000}, system="single-phase", volts_v=230) == (
        pytest.approx(2000)
    )
    assert right_multiplier(twice, ("L1",), system="single-phase").multiplier == pytest.approx(0.5)


def test_turns_told_wrongly_scale_the_reading():
    setting = ClampSetting(
        conductors=(Conductor(leg="L1"),), turns=1500, turns_set=2000, ratio=1.02
    )
    reading = clamp_reading_w(setting, {"L1": 900}, system="single-phase", volts_v=120)
    assert reading == pytest.approx(900 * 1.02 * 2000 / 1500)


def test_a_mixed_load_has_no_multiplier_and_its_error_follows_the_split():
    answer = right_multiplier(L1, ("L1-L2", "L1"), system="split-phase")
    assert answer.multiplier is None
    assert answer.read_per_watt == {"L1-L2": pytest.approx(0.5), "L1": pytest.approx(1.0)}
    assert answer.to_frame()["multiplier_needed"].tolist() == pytest.approx([2, 1])
    error = split_error(L1, [0, 0.1, 0.5, 1])["error"]
    # Doubled, a watt to neutral on the clamp's own leg counts twice, one on the other leg never.
    assert error.tolist() == pytest.approx([0, 0.1, 0.5, 1])
    other = split_error(L1, [0, 0.1, 1], part="L2")["error"]
    assert other.tolist() == pytest.approx([0, -0.1, -1])


def test_three_phases():
    balanced = right_multiplier(L1, ("L1-L2-L3",), system="three-phase")
    assert balanced.multiplier == pytest.approx(3)
    # Between two legs the current lags the leg's voltage by -30 degrees: half of a resistive load
    # is read; at a power factor of 0.8 lagging it is another share.
    assert right_multiplier(L1, ("L1-L2",), system="three-phase").multiplier == pytest.approx(2)
    lagging = right_multiplier(L1, ("L1-L2",), system="three-phase", power_factor=0.8)
    phi = np.arccos(0.8)
    read = np.cos(phi - np.pi / 6) / np.sqrt(3) / 0.8
    assert lagging.multiplier == pytest.approx(1 / read)
    wrong_volts = ClampSetting(conductors=(Conductor(leg="L1"),), volts_leg="L2")
    assert clamp_reading_w(
        wrong_volts, {"L1": 1000}, system="three-phase", volts_v=230
    ) == pytest.approx(-500)


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({"loads_va": {"L3": 5}}, "load 'L3' is not possible"),
        ({"system": "two-phase"}, "system must be one of"),
        ({"volts_v": 0}, "volts_v must be positive"),
        ({"setting": ClampSetting(conductors=(Conductor(leg="L4"),))}, "names leg 'L4'"),
    ],
)
def test_what_cannot_be_is_refused(change, match):
    given = {"setting": L1, "loads_va": {"L1": 5}, "system": "split-phase", "volts_v": 120} | change
    with pytest.raises(ValueError, match=match):
        clamp_reading_w(given.pop("setting"), given.pop("loads_va"), **given)
    with pytest.raises(ValueError, match="passes must be 1 or more"):
        Conductor(leg="L1", passes=0)


watts = st.floats(0, 1e4)


@given(watts, watts, watts)
def test_two_clamps_or_a_crossed_pair_are_right_for_every_split(one, other, across):
    loads = {"L1": one, "L2": other, "L1-L2": across}
    total = sum(complex(power).real for power in loads.values())
    crossed = clamp_reading_w(CROSSED, loads, system="split-phase", volts_v=120)
    l2 = ClampSetting(conductors=(Conductor(leg="L2"),), volts_leg="L2")
    both = sum(clamp_reading_w(s, loads, system="split-phase", volts_v=120) for s in (L1, l2))
    assert crossed == pytest.approx(total, rel=1e-9, abs=1e-6)
    assert both == pytest.approx(total, rel=1e-9, abs=1e-6)
