"""A clock that is off, and a clamp that was moved or came loose, are told with the time."""

import re

import numpy as np
import pytest

from homeenergy.trust import check_house

from .panels import BOTH, make_panel, switched

N = 2 * 86_400
HALF = np.arange(N) >= N // 2


def panel(folder, **reads):
    """Five loads; `reads` says what the clamp of one shows, given all of them."""
    true = {
        name: switched(seed, on_w=on_w, n=N)
        for seed, (name, on_w) in enumerate(
            (("kettle", 1500), ("iron", 1000), ("lamp", 150), ("toaster", 900), ("heater", 700))
        )
    }
    leg_of = dict(zip(true, ("L1", "L1", "L1", "L2", "L2"), strict=True))
    legs_w = {leg: 80 + sum(w for name, w in true.items() if leg_of[name] == leg) for leg in BOTH}
    return make_panel(
        folder,
        readings=true | {name: read(true) for name, read in reads.items()},
        legs_w=legs_w,
        stated={name: {"legs": (leg,)} for name, leg in leg_of.items()},
    )


def the_wrong(found):
    (one,) = [c for c in found.concerns if c.weight != "note"]
    return one


@pytest.mark.parametrize("late_s", [180, -600])
def test_a_clock_that_is_off_is_no_other_panel(tmp_path, late_s):
    one = the_wrong(check_house(panel(tmp_path, heater=lambda w: np.roll(w["heater"], late_s))))
    assert one.subject == "heater"
    assert f"{abs(late_s)} s {'later' if late_s > 0 else 'earlier'} than the mains" in one.what
    assert "fed from" not in one.what


def test_half_of_the_steps_at_one_distance_are_a_clock(tmp_path):
    """The clock is set after three quarters of the log: the other steps fit none."""

    def late(true):
        own, n = true["heater"], N * 3 // 4
        return np.r_[np.roll(own[:n], 5 * 3600), np.roll(own[n:], 2 * 3600)]

    one = the_wrong(check_house(panel(tmp_path, heater=late)))
    assert "18,000 s later than the mains" in one.what


@pytest.mark.parametrize("pace", [40, -70])
def test_a_clock_that_loses_or_gains_is_no_other_panel(tmp_path, pace):
    when = np.arange(N) * (1 - pace / 86_400)
    reads = np.clip(when, 0, N - 1).astype(int)
    one = the_wrong(check_house(panel(tmp_path, heater=lambda w: w["heater"][reads])))
    assert one.subject == "heater"
    each_day = float(
        re.search(rf"([\d.]+) s {'later' if pace > 0 else 'earlier'} each", one.what)[1]
    )
    assert each_day == pytest.approx(abs(pace), abs=5)


def test_a_circuit_of_another_panel_has_no_clock(tmp_path):
    elsewhere = switched(77, on_w=700, n=N)
    one = the_wrong(check_house(panel(tmp_path, heater=lambda _: elsewhere)))
    assert "is it fed from this panel" in one.what or "do not step" in one.what


def test_a_clamp_that_came_loose_is_told_with_the_time(tmp_path):
    one = the_wrong(check_house(panel(tmp_path, iron=lambda w: np.where(HALF, 0.7, 1) * w["iron"])))
    assert one.subject == "iron"
    assert "iron: until 2026-03-02 2" in one.what or "iron: until 2026-03-03 0" in one.what
    assert "1.00 times on L1 with it" in one.what
    assert "1.43 times on L1." in one.what
    assert "its multiplier to" not in one.do


def test_a_clamp_that_was_moved_names_the_circuit_it_is_on(tmp_path):
    moved = np.arange(N) >= N // 5  # early: most steps of the heater are in both
    one = the_wrong(
        check_house(panel(tmp_path, kettle=lambda w: np.where(moved, w["heater"], w["kettle"])))
    )
    assert one.subject == "kettle"
    assert "on 1.00 times on L2" in one.what
    assert "steps of heater in it" in one.what


def test_other_loads_of_a_circuit_of_two_legs_are_no_clamp_that_was_moved(tmp_path):
    """A hob of which one plate was used on the first day, and another on the second."""
    plate = switched(9, on_w=1200, n=N)
    others = {name: switched(i, on_w=700 + 200 * i, n=N) for i, name in enumerate(("iron", "fan"))}
    house = make_panel(
        tmp_path,
        readings={"hob": plate} | others,
        legs_w={
            "L1": 80 + others["iron"] + np.where(HALF, 0, plate),
            "L2": 80 + others["fan"] + np.where(HALF, plate, 0),
        },
        stated={"hob": {"legs": BOTH}, "iron": {"legs": ("L1",)}, "fan": {"legs": ("L2",)}},
    )
    assert [c.what for c in check_house(house).concerns if c.weight != "note"] == []


def test_days_on_another_scale_are_no_multiplier(tmp_path):
    """A day in four times the watts: its steps are the highest, and the others are right."""
    n, a_day = 8 * 1440, 1440
    at = np.arange(n)
    fridge = np.where(at % 47 < 16, 90.0, 1.0)
    sizes = {"lamp": 60, "iron": 1000, "kettle": 2000, "toaster": 900, "heater": 700}
    true = {
        name: switched(i, on_w=w, n=n, lasts=(3, 40)) for i, (name, w) in enumerate(sizes.items())
    }
    leg_of = dict(zip([*true, "fridge"], ("L1", "L1", "L2", "L2", "L2", "L1"), strict=True))
    legs_w = {
        leg: 80 + sum(w for name, w in (true | {"fridge": fridge}).items() if leg_of[name] == leg)
        for leg in BOTH
    }
    reads = np.where((at >= a_day) & (at < 2 * a_day), 4 * fridge, fridge)
    house = make_panel(
        tmp_path,
        readings=true | {"fridge": reads},
        legs_w=legs_w,
        stated={name: {"legs": (leg,)} for name, leg in leg_of.items()},
        period_s=60,
    )
    (one,) = [c for c in check_house(house).concerns if c.weight == "wrong"]
    assert one.subject == "fridge"
    assert "part of its log has another scale" in one.what
    assert "leave the multiplier" in one.do


def exchanged_at_noon(one, other):
    return lambda true: np.where(HALF, true[other], true[one])


@pytest.mark.parametrize("other", ["iron", "toaster"])
def test_two_circuits_that_were_exchanged_are_one_line_on_any_leg(tmp_path, other):
    swapped = {"kettle": exchanged_at_noon("kettle", other)}
    swapped[other] = exchanged_at_noon(other, "kettle")
    one = the_wrong(check_house(panel(tmp_path, **swapped)))
    assert f"kettle and {other} were exchanged about 2026-03-0" in one.what
    assert re.search("03-02 2[123]:|03-03 0[0123]:", one.what)  # at midnight


def test_loads_that_are_alike_are_not_said_to_be_exchanged(tmp_path):
    found = check_house(panel(tmp_path, iron=lambda true: true["iron"]))
    assert not [c for c in found.concerns if "exchanged" in c.what]
