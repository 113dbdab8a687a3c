"""A clamp of the mains that changed, mains with another clock or without sign, are told first."""

import re

import numpy as np
import pytest

from homeenergy.trust import check_house

from .panels import BOTH, HEAD, make_panel, switched
from .test_over_time import HALF, N, the_wrong

LOADS = {"kettle": 1500, "iron": 1000, "lamp": 150, "toaster": 900, "heater": 700, "fan": 60}


def panel(folder, *, mains=None, late=0, more=None):
    """Six loads on two legs; `mains` is what their clamps read, `late` how much later circuits."""
    true = {name: switched(i, on_w=w, n=N) for i, (name, w) in enumerate(LOADS.items())}
    leg_of = dict(zip(true, ("L1", "L1", "L1", "L2", "L2", "L2"), strict=True))
    legs_w = {leg: 80 + sum(w for name, w in true.items() if leg_of[name] == leg) for leg in BOTH}
    return make_panel(
        folder,
        readings={name: np.roll(w, late) for name, w in true.items()}
        | (more(true) if more else {}),
        legs_w=legs_w,
        stated={name: {"legs": (leg,)} for name, leg in leg_of.items()},
        mains=mains,
    )


@pytest.mark.parametrize(
    ("reads", "says"),
    [
        (np.where(HALF, 0.0, 1.0), "reads 1.00 times what 3 circuits on it say until 2026-03-02"),
        (np.where(HALF, 1.0, -1.0), "reads -1.00 times what 3 circuits on it say until 2026-03-02"),
        (np.where(HALF, 0.7, 1.0), "and 0.70 times from 2026-03-03"),
    ],
)
def test_a_clamp_of_the_mains_that_changed_is_the_only_fault(tmp_path, reads, says):
    one = the_wrong(check_house(panel(tmp_path, mains={"L2": {"reads": reads}})))
    assert one.subject == "mains_l2"
    assert says in one.what
    assert "ultiply" not in one.do


@pytest.mark.parametrize("factor", [10.0, 0.0, -1.0, 0.5])
def test_a_clamp_of_the_mains_that_reads_otherwise_for_some_hours_is_the_only_fault(
    tmp_path, factor
):
    hours = np.arange(N) / 3600
    reads = np.where((hours > 14) & (hours < 30), factor, 1.0)
    one = the_wrong(check_house(panel(tmp_path, mains={"L2": {"reads": reads}})))
    assert one.subject == "mains_l2"
    said = "nothing" if not factor else f"{factor:.2f} times"
    assert re.search(rf"{said} from .* to .*, and then as before", one.what)
    assert "before and after" in one.what
    assert "ultiply" not in one.do


def test_hours_in_which_a_clamp_of_the_mains_stuck_say_nothing_of_circuits(tmp_path):
    """Loads on both legs seem to be on one while the other stands still."""
    true = {name: switched(i, on_w=w, n=N) for i, (name, w) in enumerate(LOADS.items())}
    kiln = switched(9, on_w=1200, n=N)
    legs_w = {
        "L1": 90 + true["kettle"] + true["iron"] + kiln / 2,
        "L2": 90 + true["toaster"] + true["heater"] + kiln / 2,
    }
    rng = np.random.default_rng(4)
    legs_w = {leg: np.round(w + rng.normal(0, 2, N)) for leg, w in legs_w.items()}
    legs_w["L1"][40_000:120_000] = legs_w["L1"][40_000]
    stated = {name: {"legs": ("L1",)} for name in ("kettle", "iron")}
    stated |= {name: {"legs": ("L2",)} for name in ("toaster", "heater")}
    house = make_panel(
        tmp_path,
        readings={name: true[name] for name in stated} | {"kiln": kiln},
        legs_w=legs_w,
        stated=stated | {"kiln": {"legs": BOTH}},
        noise_w=0.0,
    )
    one = the_wrong(check_house(house))
    assert (one.subject, "one reading, to the last digit" in one.what) == ("mains_l1", True)


def test_solar_without_its_sign_is_named(tmp_path):
    sun = 2500 * np.clip(np.sin(np.arange(N) / 86_400 * 2 * np.pi), 0, None)
    loads = {name: switched(i, on_w=w, n=N) for i, (name, w) in enumerate(LOADS.items())}
    house = make_panel(
        tmp_path,
        readings=loads | {"solar": sun},
        legs_w={"L1": 80 + sum(loads.values()) - sun},
        stated={name: {"legs": ("L1",)} for name in [*loads, "solar"]},
        head=HEAD.replace("split-phase", "single-phase").replace("120", "230"),
    )
    one = the_wrong(check_house(house))
    assert (one.subject, one.do[:24]) == ("solar", "Set its multiplier to -1")


def test_a_clamp_on_a_shared_neutral_is_told(tmp_path):
    def neutral(true):
        return {"kettle": true["kettle"] - true["toaster"]}

    one = the_wrong(check_house(panel(tmp_path, more=neutral)))
    assert (one.subject, "reads one load less another" in one.what) == ("kettle", True)


def test_two_clamps_of_circuits_that_change_are_no_clamp_of_the_mains(tmp_path):
    def two(true):
        return {name: np.where(HALF, -1, 1) * true[name] for name in ("kettle", "toaster")}

    found = check_house(panel(tmp_path, more=two))
    assert {c.subject for c in found.concerns if c.weight == "wrong"} == {"kettle", "toaster"}


@pytest.mark.parametrize("late", [3600, -7200])
def test_mains_of_another_clock_are_one_line(tmp_path, late):
    one = the_wrong(check_house(panel(tmp_path, late=late)))
    assert one.subject == "mains"
    assert f"{abs(late):,} s {'earlier' if late > 0 else 'later'} than the circuits" in one.what


def test_one_leg_of_three_with_another_clock_at_a_minute_is_one_line(tmp_path):
    """Most of what each leg carries is a load on all three."""
    n = 14 * 1440
    pump = switched(1, on_w=2100, n=n, runs=300, lasts=(15, 35))
    loads = {"kettle": 2000, "iron": 1400, "toaster": 900, "freezer": 90, "oven": 2300, "fan": 60}
    one = {
        name: switched(i, on_w=w, n=n, lasts=(3, 40)) for i, (name, w) in enumerate(loads.items())
    }
    legs = ("L1", "L2", "L3")
    leg_of = {name: legs[i % 3] for i, name in enumerate(one)}
    legs_w = {
        leg: 90 + pump / 3 + sum(w for name, w in one.items() if leg_of[name] == leg)
        for leg in legs
    }
    house = make_panel(
        tmp_path,
        readings=one | {"pump": pump},
        legs_w=legs_w | {"L1": np.roll(legs_w["L1"], 60)},
        stated={name: {"legs": (leg,)} for name, leg in leg_of.items()} | {"pump": {"legs": legs}},
        period_s=60,
        head=HEAD.replace("split-phase", "three-phase").replace("120", "230"),
    )
    told = the_wrong(check_house(house))
    assert told.subject == "mains_l1"
    assert "3,600 s later than the circuits" in told.what
    assert "ultiply" not in told.do


def test_one_circuit_of_another_zone_is_told_with_its_distance(tmp_path):
    found = check_house(panel(tmp_path, more=lambda w: {"heater": np.roll(w["heater"], 3600)}))
    assert "heater is logged 3,600 s later than the mains" in the_wrong(found).what


@pytest.mark.parametrize("lost", [np.abs, lambda watts: np.maximum(watts, 0)])
def test_mains_without_their_sign_are_no_fault_of_the_solar_circuit(tmp_path, lost):
    sun = -2500 * np.clip(np.sin(np.arange(N) / 86_400 * 2 * np.pi), 0, None)
    sun = sun * np.repeat(np.random.default_rng(3).uniform(0.5, 1, N // 300), 300)
    loads = {name: switched(i, on_w=w, n=N) for i, (name, w) in enumerate(LOADS.items())}
    house = make_panel(
        tmp_path,
        readings=loads | {"solar": sun},
        legs_w={"L1": lost(80 + sum(loads.values()) + sun)},
        stated={name: {"legs": ("L1",)} for name in [*loads, "solar"]},
        head=HEAD.replace("split-phase", "single-phase").replace("120", "230"),
    )
    one = the_wrong(check_house(house))
    assert (one.subject, "without their sign" in one.what) == ("mains", True)


def test_mains_that_are_backwards_beside_solar_keep_their_sign(tmp_path):
    sun = -2500 * np.clip(np.sin(np.arange(N) / 86_400 * 2 * np.pi), 0, None)
    loads = {name: switched(i, on_w=w, n=N) for i, (name, w) in enumerate(LOADS.items())}
    house = make_panel(
        tmp_path,
        readings=loads | {"solar": sun},
        legs_w={"L1": -(80 + sum(loads.values()) + sun)},
        stated={name: {"legs": ("L1",)} for name in [*loads, "solar"]},
        head=HEAD.replace("split-phase", "single-phase").replace("120", "230"),
    )
    one = the_wrong(check_house(house))
    assert one.subject == "mains_l1"
    assert "rises -1 times" in one.what


def test_mains_that_read_nothing_beside_solar_are_dead(tmp_path):
    sun = -2500 * np.clip(np.sin(np.arange(N) / 86_400 * 2 * np.pi), 0, None)
    loads = {name: switched(i, on_w=w, n=N) for i, (name, w) in enumerate(LOADS.items())}
    house = make_panel(
        tmp_path,
        readings=loads | {"solar": sun},
        legs_w={"L1": np.zeros(N)},
        stated={name: {"legs": ("L1",)} for name in [*loads, "solar"]},
        head=HEAD.replace("split-phase", "single-phase").replace("120", "230"),
    )
    assert "mains_l1 is dead" in the_wrong(check_house(house)).what


def test_mains_that_draw_what_a_clamp_backwards_reads_have_their_sign(tmp_path):
    """A water heater draws more than all others together, by a voltage that wanders."""
    volts = np.repeat(np.random.default_rng(2).normal(1, 0.02, N // 60), 60)
    loads = {name: switched(i, on_w=w, n=N) for i, (name, w) in enumerate(LOADS.items())}
    tank = switched(9, on_w=4500, n=N, runs=30, lasts=(900, 1800)) * volts
    house = make_panel(
        tmp_path,
        readings=loads | {"tank": -tank},
        legs_w={"L1": 80 + sum(loads.values()) + tank},
        stated={name: {"legs": ("L1",)} for name in [*loads, "tank"]},
        head=HEAD.replace("split-phase", "single-phase").replace("120", "230"),
    )
    told = the_wrong(check_house(house))
    assert (told.subject, "backwards" in told.what) == ("tank", True)


def test_a_clamp_that_feeds_others_is_one_line(tmp_path):
    def sub(true):
        return {"shed": true["iron"] + true["kettle"] + true["lamp"]}

    one = the_wrong(check_house(panel(tmp_path, more=sub)))
    assert "shed: rises and falls as kettle, iron, lamp together do" in one.what


def test_a_circuit_that_is_not_in_use_is_no_dead_clamp(tmp_path):
    """Its readings vary by a watt: only a clamp that is off reads the same for days."""
    found = check_house(panel(tmp_path, more=lambda _: {"guest_room": np.zeros(N)}))
    (why,) = [c.what for c in found.concerns if c.subject == "guest_room"]
    assert "Whether it was in use cannot be told." in why
    assert "conductors run through it" not in why
    assert [c.what for c in found.concerns if c.weight != "note"] == []


def test_a_load_that_is_seldom_used_is_judged_by_its_uses(tmp_path):
    n = 20 * 1440
    rng = np.random.default_rng(2)
    car = np.zeros(n)
    for day in (2, 5, 8, 11, 16):
        car[day * 1440 + 1300 : day * 1440 + 1430] = 7200 * rng.uniform(0.97, 1.03)
    fridge = np.where(np.arange(n) % 60 < 22, 90.0, 1.0)
    heater = switched(3, on_w=1500, n=n, runs=120, lasts=(10, 60))
    house = make_panel(
        tmp_path,
        readings={"car": car, "fridge": fridge, "heater": heater},
        legs_w={"L1": 150 + car + fridge + heater},
        stated={name: {"legs": ("L1",)} for name in ("car", "fridge", "heater")},
        head=HEAD.replace("split-phase", "single-phase").replace("120", "230"),
        period_s=60,
    )
    assert [c.what for c in check_house(house).concerns if c.weight != "note"] == []
