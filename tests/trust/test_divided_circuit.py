"""A circuit that several loads share is checked as it is clamped, not load by load."""

from homeenergy.readings import open_house
from homeenergy.trust import check_house

from ..notebooks.houses import with_mains


def test_a_check_judges_clamps_and_no_shares_of_them(tmp_path):
    house = open_house(with_mains(tmp_path / "house"))
    assert {"kitchen_1", "kitchen_2"} < {circuit.name for circuit in house.circuits}
    found = check_house(house)
    assert {one.circuit for one in found.balance.circuits} == {"dryer", "fridge", "kitchen"}
    assert not [one for one in found.concerns if "kitchen_1" in f"{one.subject} {one.what}"]
