"""Readings cut off by the clamp's range, and logged hours above 80 % of a breaker."""

from dataclasses import replace

import numpy as np
import pytest

from homeenergy.house.schedule import Circuit, Clamp, Supply
from homeenergy.readings import Trace
from homeenergy.trust import check_house
from homeenergy.trust.clamps.highest_loads import _above_breaker, _cut_off, load_volts_v
from homeenergy.trust.clamps.logged_load import logged_load

from .panels import HEAD, START, make_panel

SPLIT = Supply(system="split-phase", volts_v=120.0)
THREE = Supply(system="three-phase", volts_v=230.0)
HEATER = Circuit(
    name="heater", appliance="Heater", legs=("L1",), breaker_a=20.0, clamp=Clamp(rating_a=20.0)
)


def trace(watts, *, start=START, period_s=60):
    return Trace(label="x", start=start, period_s=period_s, watts=np.asarray(watts, np.float32))


def modulated(*, top_w, n=5000, clip_w=np.inf):
    """A load of many levels, as logged in whole watts."""
    rng = np.random.default_rng(3)
    watts = np.repeat(rng.uniform(0, top_w, n // 20), 20) + rng.normal(0, 5, n)
    return np.round(np.clip(watts, -clip_w, clip_w))


@pytest.mark.parametrize(
    ("watts", "cut"),
    [
        (modulated(top_w=4000, clip_w=2400), True),  # 20 A at 120 V
        (modulated(top_w=4000, clip_w=2880), True),  # with a fifth for peaks
        (-modulated(top_w=4000, clip_w=2400), True),  # backwards
        (modulated(top_w=2400), False),  # reaches the range, not pinned to it
        (modulated(top_w=1600, clip_w=1200), False),  # flat, but in the middle of the range
        (np.full(5000, 50.0), False),
    ],
)
def test_readings_pinned_at_the_range_of_the_clamp(watts, cut):
    found = _cut_off(logged_load([trace(watts)]), HEATER, SPLIT)
    assert bool(found) is cut
    if cut:
        assert found[0].weight == "doubtful"
        assert "may be cut off" in found[0].what


def test_a_clamp_on_one_leg_ends_at_that_legs_volts():
    """x 2 comes after what the clamp could read."""
    doubled = replace(HEATER, legs=("L1", "L2"), clamp=Clamp(rating_a=20.0, multiplier=2.0))
    load = logged_load([trace(2 * modulated(top_w=4000, clip_w=2400))])
    (found,) = _cut_off(load, doubled, SPLIT)
    assert "2,400 W at the clamp" in found.what
    assert _cut_off(load, replace(doubled, clamp=Clamp(multiplier=2.0)), SPLIT) == []


def test_months_in_pieces_give_the_same():
    watts = np.r_[modulated(top_w=1000), modulated(top_w=4000, clip_w=2400)]
    watts[100:200] = np.nan
    whole = trace(watts)
    pieces = [whole.samples(0, 3333), whole.samples(3333, 7001), whole.samples(7001, 10_000)]
    one, several = logged_load([whole]), logged_load(pieces)
    assert (one.greatest_w, one.at_top, one.below_top) == (
        several.greatest_w,
        several.at_top,
        several.below_top,
    )
    np.testing.assert_array_equal(one.hours_w(3), several.hours_w(3))


@pytest.mark.parametrize(
    ("legs", "supply", "volts_v"),
    [
        (("L1",), SPLIT, 120),
        (("L1", "L2"), SPLIT, 240),
        (("L1", "L2", "L3"), THREE, 690),
        (("L1", "L3"), THREE, 230 * 3**0.5),
        ((), SPLIT, None),
        ((), Supply(volts_v=230.0), 230),
        (("L1",), Supply(system="split-phase"), None),
    ],
)
def test_volts_of_a_load(legs, supply, volts_v):
    """Two loads of 10 kW on 240 V take 41.67 A each (Kuphaldt vol. II ch. 10)."""
    found = load_volts_v(replace(HEATER, legs=legs), supply)
    assert found == (None if volts_v is None else pytest.approx(volts_v))
    if volts_v == 240:
        assert 10_000 / found == pytest.approx(41.67, abs=0.005)


def hours(on_h, watts, *, gap=False):
    """A day in minutes with a load for some hours from 06:00."""
    day = np.full(1440, 5.0)
    day[360 : 360 + round(60 * on_h)] = watts
    if gap:
        day[380:400] = np.nan
    return logged_load([trace(day)])


@pytest.mark.parametrize(
    ("on_h", "amps", "weight"),
    [(1.0, 16.2, "note"), (3.0, 16.2, "doubtful"), (1.0, 21.0, "doubtful"), (3.0, 15.8, None)],
)
def test_hours_above_80_per_cent_of_the_breaker(on_h, amps, weight):
    """A 20 A breaker leaves 16 A: NEC 210.20(A)."""
    found = _above_breaker(hours(on_h, amps * 120), HEATER, 120.0, "UTC")
    assert [c.weight for c in found] == ([weight] if weight else [])
    if weight:
        span = "3 hours" if on_h == 3 else "hour"
        assert f"{amps:.3g} A or more on average over the {span} from 2026-03-02 06:00" in (
            found[0].what
        )
        assert "above 16 A (80 %) on 1 day" in found[0].what
        assert "not proof of a violation" in found[0].do
        assert "licensed electrician" in found[0].do


def test_half_an_hour_or_an_hour_with_a_hole_is_none():
    assert _above_breaker(hours(0.5, 18 * 120), HEATER, 120.0, "UTC") == []
    assert _above_breaker(hours(1.0, 18 * 120, gap=True), HEATER, 120.0, "UTC") == []
    assert _above_breaker(hours(4.0, 18 * 120), replace(HEATER, breaker_a=None), 120.0, "UTC") == []
    assert _above_breaker(logged_load([]), HEATER, 120.0, "UTC") == []


def test_the_check_tells_both(tmp_path):
    n = 86_400
    heater = np.zeros(n)
    heater[20_000 : 20_000 + 4 * 3600] = 17.0 * 120
    motor = np.repeat(modulated(top_w=9000, clip_w=6000, n=n // 20), 20)
    legs_w = {"L1": heater + motor + 50.0, "L2": np.full(n, 50.0)}
    said = {
        "heater": {"legs": ("L1",), "more": "breaker_a = 20\n"},
        "motor": {"legs": ("L1",), "more": ""},
    }
    house = make_panel(
        tmp_path,
        readings={"heater": heater, "motor": motor},
        legs_w=legs_w,
        stated=said,
        head=HEAD,
        noise_w=0.2,
    )
    found = [(c.weight, c.subject, c.what) for c in check_house(house).concerns]
    (of_heater,) = [
        what for weight, about, what in found if (weight, about) == ("doubtful", "heater")
    ]
    assert "85% of its 20 A breaker" in of_heater
    # Held out for it: said once.
    (of_motor,) = [(weight, what) for weight, about, what in found if about == "motor"]
    assert of_motor[0] == "wrong"
    assert "cut off at 6,000 W, where its clamp ends" in of_motor[1]
