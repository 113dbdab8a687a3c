"""The fewest faults that explain a panel, on families of steps made by hand."""

import re

import numpy as np
import pytest

from homeenergy.trust import check_house
from homeenergy.trust.panel.explain import Energy, Family, Seen, explain

from .panels import plain_panel
from .test_check import change


def seen(name, *ratios, legs=(0,), n=20, u=0.002, **more):
    families = tuple(
        Family(ratio=np.array(r, dtype=float), u=np.full(len(r), u), n=n) for r in ratios
    )
    return Seen(name=name, families=families, legs=legs, **more)


def two(*on_one, watts=(500.0, 500.0)):
    """Three right circuits on L2, and these."""
    right = [seen(f"right_{i}", (0.0, 1.0), legs=(1,)) for i in range(3)]
    return explain([*on_one, *right], Energy(mains_w=np.array(watts)))


def test_nothing_is_wrong_with_clamps_that_differ_as_clamps_do():
    found = two(seen("a", (1.02, 0.0)), seen("b", (0.985, 0.003)))
    assert found.mains == ()
    assert all(read.right for read in found.circuits.values())


@pytest.mark.parametrize("factor", [-1.0, 0.5, 2.0, 0.92])
def test_one_fault_of_the_mains_is_no_fault_of_many_circuits(factor):
    on_one = [seen(f"c{i}", (factor, 0.0)) for i in range(3)]
    found = two(*on_one, watts=(factor * 500.0, 500.0))
    (fault,) = found.mains
    assert (fault.kind, fault.clamps) == ("factor", (0,))
    assert fault.factor == pytest.approx(factor, rel=1e-6)
    assert fault.odds > 1000
    assert all(read.right for read in found.circuits.values())


def test_a_load_on_two_legs_cancels_in_the_sum_of_mains_that_are_backwards():
    found = two(
        seen("heater", (-0.5, 0.5), legs=(0, 1)), seen("c", (-1.0, 0.0)), watts=(-500.0, 500.0)
    )
    assert [fault.factor for fault in found.mains] == [-1.0]
    assert found.circuits["heater"].right


def test_mains_that_read_nothing_are_dead_rather_than_a_circuit_fed_from_elsewhere():
    found = two(seen("a", (0.0, 0.0)), watts=(0.0, 500.0))
    assert [(fault.kind, fault.clamps) for fault in found.mains] == [("dead", (0,))]
    assert found.circuits["a"].right
    alone = two(watts=(0.0, 500.0))
    assert alone.mains == ()


def test_a_circuit_with_a_factor_of_its_own():
    found = two(seen("a", (1.5, 0.0)), seen("b", (1.0, 0.0)), seen("c", (1.0, 0.0)))
    assert found.mains == ()
    assert found.circuits["a"].factor == pytest.approx(1 / 1.5)


def test_one_circuit_on_a_leg_cannot_tell_its_clamp_from_that_of_the_mains():
    found = two(seen("a", (2.0, 0.0)))
    assert found.rival is not None or found.mains


def test_few_steps_that_scatter_decide_nothing():
    found = two(seen("a", (0.17, 0.0), n=6, u=0.6), seen("b", (1.0, 0.0)))
    assert found.circuits["a"].right


def test_swapped_legs():
    on_one = [seen(f"c{i}", (0.0, 1.0)) for i in range(3)]
    other = [seen(f"d{i}", (1.0, 0.0), legs=(1,)) for i in range(3)]
    found = explain([*on_one, *other], Energy(mains_w=np.array([500.0, 500.0])))
    assert [fault.kind for fault in found.mains] == ["swapped"]


def test_to_do_what_is_proposed_brings_the_panel_into_balance(tmp_path):
    house = plain_panel(
        tmp_path,
        clamps={"iron": -1.0, "heater": 0.5, "toaster": 1.5},
        mains={"L1": {"reads": -1.0}},
    )
    told = [c for c in check_house(house).concerns if c.weight == "wrong"]
    assert {c.subject for c in told} == {"mains_l1", "iron", "heater", "toaster"}
    for name, new in (("mains_l1", -1), ("iron", -1), ("heater", 2), ("toaster", 0.66)):
        (concern,) = [c for c in told if c.subject == name]
        proposed = re.search(r"multiplier (?:to|by) (-?[\d.]*\d)", concern.do)[1]
        assert proposed.startswith(str(new))
        house = change(
            tmp_path, rf'(name = "{name}".*?multiplier = )[-\d.]+', rf"\g<1>{float(proposed)}"
        )
    again = check_house(house)
    assert not again.contradicts
    assert again.balance.below_zero == 0
    assert {c.answer for c in again.balance.circuits} == {"agrees"}


def test_a_clamp_that_reads_less_gets_no_multiplier_without_a_reference(tmp_path):
    """A load that nobody measures, and that is switched with it, makes the same."""
    (told,) = [
        c
        for c in check_house(plain_panel(tmp_path, clamps={"heater": 1 / 1.8})).concerns
        if c.weight == "wrong"
    ]
    assert told.subject == "heater"
    assert "Or a load that no circuit measures is always switched with it" in told.what
    assert "multiplier to" not in told.do
