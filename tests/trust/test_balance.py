"""Panel balance on panels whose wiring is known, and on the sample houses."""

import numpy as np
import pandas as pd
import pytest

from homeenergy.errors import HouseError
from homeenergy.readings import open_house
from homeenergy.trust import check_house
from homeenergy.trust.panel.balance import panel_balance
from tests.samples import copied_sample

from .panels import BOTH, HEAD, make_panel, plain_panel, switched


def wrong(balance):
    return {c.subject: c for c in balance.concerns if c.weight == "wrong"}


def test_a_panel_without_fault(tmp_path):
    found = panel_balance(plain_panel(tmp_path))
    assert wrong(found) == {}
    table = found.to_frame().set_index("circuit")
    assert table["ratio"].to_numpy() == pytest.approx(1, abs=0.01)
    assert (table["ratio_low"] <= table["ratio_high"]).all()
    assert table["legs_found"].to_dict() == {
        "kettle": "L1",
        "iron": "L1",
        "lamp": "L1",
        "toaster": "L2",
        "heater": "L2",
        "drill": "L2",
        "kiln": "L1, L2",
    }
    # 80 W on each leg, and 40 W that come and go over the day.
    assert found.unmonitored_w == pytest.approx(160, abs=20)
    assert 70 <= found.base_w.value <= 110
    assert found.below_zero == 0


# What the clamp reads of the truth, what house.toml says, what must be said.
FAULTS = {
    "doubling missing": ({"kiln": 0.5}, {}, "kiln", "the doubling is missing", "multiplier to 2"),
    "doubled twice": (
        {},
        {"kiln": {"multiplier": 2.0}},
        "kiln",
        "doubled although it sees the whole load",
        "multiplier to 1",
    ),
    "backwards": ({"iron": -1.0}, {}, "iron", "backwards", "multiplier to -1"),
    "turned twice": ({}, {"iron": {"multiplier": -1.0}}, "iron", "backwards", "multiplier to 1"),
    "wrong leg": (
        {},
        {"drill": {"legs": ("L1",)}},
        "drill",
        "says L1, the mains rise on L2",
        "leg",
    ),
    "one leg stated": (
        {},
        {"kiln": {"legs": ("L1",)}},
        "kiln",
        "says L1, the mains rise on L1 and L2",
        "leg",
    ),
    "odd turns": ({"heater": 1 / 1.5}, {}, "heater", "by a factor of 1.5", "leave the multiplier"),
    "odd turns twice": ({"heater": 1.5}, {}, "heater", "by a factor of 0.67", "multiplier to 0.66"),
}


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_is_named_and_no_other_circuit(tmp_path, name):
    clamps, stated, circuit, what, do = FAULTS[name]
    found = wrong(panel_balance(plain_panel(tmp_path, clamps=clamps, stated=stated)))
    assert list(found) == [circuit]
    assert what in found[circuit].what
    assert do in found[circuit].do


def test_the_kiln_without_its_doubling_in_words(tmp_path):
    found = wrong(panel_balance(plain_panel(tmp_path, clamps={"kiln": 0.5})))
    assert found["kiln"].what == (
        "kiln: mains rises 1.00 times on both legs; the clamp says 0.50 of it: "
        "the doubling is missing, or it sees half of it (odds of 1000 to 1 or more)."
    )


@pytest.mark.parametrize(
    ("mains", "subject", "what"),
    [
        ({"L1": {"reads": -1.0}}, "mains_l1", "rises -1 times as far as the 4 circuits on L1"),
        ({"L2": {"multiplier": 0.5}}, "mains_l2", "rises 0.5 times as far as the 4 circuits on L2"),
        ({"L1": {"leg": "L2"}, "L2": {"leg": "L1"}}, "mains", "are swapped"),
    ],
)
def test_a_fault_of_the_mains_is_not_blamed_on_circuits(tmp_path, mains, subject, what):
    found = panel_balance(plain_panel(tmp_path, mains=mains))
    assert list(wrong(found)) == [subject]
    assert what in wrong(found)[subject].what
    assert found.unmonitored_w == pytest.approx(160, abs=20)


def mixed_panel(folder, *, doubled):
    """A range: an oven across both legs, a lamp and a plate on L1."""
    oven, plate = switched(1, on_w=2400), switched(2, on_w=1200)
    legs_w = {"L1": oven / 2 + plate + 60, "L2": oven / 2 + 60}
    reads = oven / 2 + plate if doubled else oven + plate
    stated = {"range": {"legs": BOTH, "multiplier": 2.0 if doubled else 1.0}}
    return make_panel(folder, readings={"range": reads}, legs_w=legs_w, stated=stated)


def test_a_mixed_load_that_is_doubled_has_no_multiplier(tmp_path):
    found = panel_balance(mixed_panel(tmp_path, doubled=True))
    assert found.circuits[0].mixed
    assert "not all that it feeds is on the same legs" in found.circuits[0].verdict
    assert "No multiplier can make it right" in wrong(found)["range"].do


def test_a_mixed_load_seen_whole_is_a_note(tmp_path):
    found = panel_balance(mixed_panel(tmp_path, doubled=False))
    assert found.circuits[0].mixed
    assert wrong(found) == {}
    assert "nothing need be done" in found.concerns[0].do


def test_two_clamps_on_one_circuit(tmp_path):
    load, other = switched(1, on_w=1500), switched(2, on_w=900)
    readings = {"kettle": load, "oven": load * 1.01, "iron": other}
    legs_w = {"L1": load + other + 50, "L2": np.full(load.size, 50.0)}
    stated = {name: {"legs": ("L1",)} for name in readings}
    house = make_panel(tmp_path, readings=readings, legs_w=legs_w, stated=stated)
    found = [c for c in panel_balance(house).concerns if "see the same load" in c.what]
    assert [c.subject for c in found] == ["kettle"]
    assert "100% of the steps of kettle are in oven too, 1.01 times" in found[0].what


def test_a_clamp_round_two_circuits(tmp_path):
    load, other = switched(1, on_w=1500), switched(2, on_w=900)
    readings = {"kettle": load, "iron": load + other}
    legs_w = {"L1": load + other + 50, "L2": np.full(load.size, 50.0)}
    stated = {name: {"legs": ("L1",)} for name in readings}
    house = make_panel(tmp_path, readings=readings, legs_w=legs_w, stated=stated)
    assert "kettle and iron see the same load" in wrong(panel_balance(house))["kettle"].what


def test_a_circuit_that_is_never_switched_cannot_be_told(tmp_path):
    flat, load = np.full(86_400, 60.0), switched(2, on_w=900)
    stated = {"modem": {"legs": ("L1",)}, "iron": {"legs": ("L2",)}}
    house = make_panel(
        tmp_path,
        readings={"modem": flat, "iron": load},
        legs_w={"L1": flat + 30, "L2": load + 30},
        stated=stated,
    )
    found = panel_balance(house)
    assert found.circuits[0].legs_found == ()
    assert "too few steps (0)" in found.circuits[0].verdict
    assert np.isnan(found.circuits[0].ratio.value)


def test_a_refrigerator_that_reads_backwards_is_one_thing_to_mend(tmp_path):
    """It draws 95 W for a third of the time; its longest steady reading is no rest below zero."""
    second = np.arange(3 * 86_400)
    fridge = np.where(second % 2900 < 1000, 95.0, 1.2)
    legs_w = {leg: fridge * (leg == "L1") + 60 for leg in BOTH}
    stated = {"fridge": {"legs": ("L1",)}}
    house = make_panel(tmp_path, readings={"fridge": -fridge}, legs_w=legs_w, stated=stated)
    (said,) = [one for one in panel_balance(house).concerns if one.subject == "fridge"]
    assert "backwards" in said.what


def test_holes_and_spikes_do_not_mislead(tmp_path):
    load = switched(2, on_w=900, runs=12)
    reads = load.copy()
    rng = np.random.default_rng(4)
    reads[rng.integers(0, load.size, 30)] = 3000.0
    reads[40_000:42_000] = np.nan
    legs_w = {"L1": load + 30, "L2": np.full(load.size, 30.0)}
    stated = {"iron": {"legs": ("L1",)}}
    house = make_panel(tmp_path, readings={"iron": reads}, legs_w=legs_w, stated=stated)
    found = panel_balance(house)
    assert found.circuits[0].ratio.value == pytest.approx(1, abs=0.01)
    assert found.remainder["total_w"].isna().sum() >= 33


@pytest.mark.parametrize("legs", ["[]", '["L1", "L2"]'])
def test_mains_without_a_leg_of_their_own_are_refused(tmp_path, legs):
    house = plain_panel(tmp_path)
    text = (tmp_path / "house.toml").read_text().replace('legs = ["L1"]', f"legs = {legs}", 1)
    (tmp_path / "house.toml").write_text(text)
    with pytest.raises(HouseError, match="needs a mains circuit for each leg"):
        panel_balance(open_house(house.path))


@pytest.mark.parametrize("system", ["single-phase", "split-phase"])
def test_one_mains_without_a_leg_is_enough_where_the_supply_has_one(tmp_path, system):
    load = switched(2, on_w=900, runs=12)
    house = make_panel(
        tmp_path,
        readings={"iron": load / 1.02},
        legs_w={"L1": load + 30},
        stated={"iron": {}},
        head=HEAD.replace("split-phase", system),
    )
    text = (tmp_path / "house.toml").read_text().replace('legs = ["L1"]', "", 1)
    (tmp_path / "house.toml").write_text(text)
    house = open_house(house.path)
    if system == "split-phase":
        with pytest.raises(HouseError, match="needs a mains circuit for each leg"):
            panel_balance(house)
    else:
        found = panel_balance(house)
        assert found.circuits[0].ratio.value == pytest.approx(1.02, abs=0.002)
        assert found.circuits[0].legs_found == ("L1",)


def test_no_mains_at_all_is_said(tmp_path):
    house = plain_panel(tmp_path)
    text = (tmp_path / "house.toml").read_text().replace('role = "mains"', 'role = "load"')
    (tmp_path / "house.toml").write_text(text)
    with pytest.raises(HouseError, match="no circuit of the mains has readings"):
        panel_balance(open_house(house.path))


@pytest.fixture(scope="module", params=["orchard_house", "canal_flat"])
def sample(request, tmp_path_factory):
    return copied_sample(request.param, tmp_path_factory.mktemp("sample") / request.param)


@pytest.mark.slow
def test_sample_houses_against_their_truth(sample):
    found = panel_balance(sample)
    assert wrong(found) == {}
    clamps = pd.read_csv(sample.path / "truth" / "clamps.csv").set_index("circuit")
    wiring = pd.read_csv(sample.path / "truth" / "wiring.csv")
    mains = {c.legs[0]: clamps.loc[c.name, "ratio"] for c in sample.circuits if c.role == "mains"}
    for circuit in found.circuits:
        true = wiring[wiring["circuit"] == circuit.circuit].set_index("leg")["energy_kwh"]
        assert set(circuit.legs_found) == set(true.index)
        expected = sum(mains[leg] * kwh for leg, kwh in true.items()) / true.sum()
        ratio = expected / clamps.loc[circuit.circuit, "ratio"]
        assert circuit.ratio.value == pytest.approx(ratio, abs=0.015)


@pytest.mark.parametrize("reads", [1.0, 0.5])
def test_one_total_of_all_legs_is_compared_with_all_circuits(tmp_path, reads):
    """Its legs cannot be told; a clamp that shows half of its load can."""
    iron, heater = switched(2, on_w=900), switched(4, on_w=2200)
    make_panel(
        tmp_path,
        readings={"iron": iron, "heater": reads * heater},
        legs_w={"L1": iron + heater + 60},
        stated={"iron": {"legs": ("L1",)}, "heater": {"legs": ("L1", "L2")}},
    )
    path = tmp_path / "house.toml"
    text = path.read_text().replace(
        'role = "mains"\nlegs = ["L1"]', 'role = "mains"\nlegs = ["L1", "L2"]'
    )
    path.write_text(text)
    found = check_house(open_house(tmp_path))
    told = [one for one in found.concerns if one.weight == "wrong"]
    assert [one.subject for one in told] == ([] if reads == 1 else ["heater"])
    assert all("Set its multiplier to 2" in one.do for one in told)
    assert {one.legs_found for one in found.balance.circuits} == {("all legs",)}
