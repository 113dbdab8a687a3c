"""Loads that hold other loads, and a total among the mains, are held out of all figures."""

import numpy as np

from homeenergy.readings import open_house
from homeenergy.readings.store.store import Store
from homeenergy.trust.concern import held_out
from homeenergy.trust.plausible import implausible_readings
from tests.trust.panels import BOTH, make_panel, plain_panel, store_watts, switched


def with_one_more(folder, name, watts, *, role="load"):
    house = plain_panel(folder)
    with (folder / "house.toml").open("a") as file:
        file.write(f'[[circuit]]\nname = "{name}"\nrole = "{role}"\n')
    noise = np.random.default_rng(3).normal(0, 0.5, watts(house).size)
    store_watts(Store(folder / "store"), name, np.round(watts(house) + noise))
    return open_house(folder)


def sum_of(*names):
    return lambda house: sum(np.asarray(house.trace(n).watts, dtype=float) for n in names)


def test_loads_of_a_panel_are_fed_apart(tmp_path):
    assert not implausible_readings(plain_panel(tmp_path))


def test_a_feeder_of_three_loads(tmp_path):
    house = with_one_more(tmp_path, "annex", sum_of("kettle", "iron", "heater"))
    (found,) = implausible_readings(house)
    assert [*held_out([found])] == ["annex"]
    assert "kettle, iron, heater together" in found.what


def test_a_load_that_is_the_sum_of_the_mains(tmp_path):
    house = with_one_more(tmp_path, "sum", sum_of("mains_l1", "mains_l2"))
    assert "sum" in held_out(implausible_readings(house))


def test_a_load_of_which_the_mains_show_little_else_is_no_total(tmp_path):
    big = switched(9, on_w=9000, runs=60)
    small = switched(10, on_w=60)
    house = make_panel(
        tmp_path,
        readings={"big": big, "small": small},
        legs_w={"L1": 80 + big / 2 + small, "L2": 50 + big / 2},
        stated={"big": {"legs": BOTH}, "small": {"legs": ("L1",)}},
    )
    assert not implausible_readings(house)


def test_a_total_among_the_mains(tmp_path):
    house = with_one_more(tmp_path, "whole", sum_of("mains_l1", "mains_l2"), role="mains")
    assert "whole" in held_out(implausible_readings(house))


def test_a_circuit_that_is_logged_twice_is_told(tmp_path):
    house = plain_panel(tmp_path)
    with (tmp_path / "house.toml").open("a") as file:
        file.write('[[circuit]]\nname = "copy"\n')
    store_watts(Store(tmp_path / "store"), "copy", house.trace("heater").watts.copy())
    (found,) = implausible_readings(open_house(tmp_path))
    assert (found.weight, set(found.circuits)) == ("doubtful", {"heater", "copy"})
