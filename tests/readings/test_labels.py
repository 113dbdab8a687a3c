"""What the name of a circuit tells: the loads that it joins."""

import pytest

from homeenergy.house.toml_file import read_schedule
from homeenergy.readings import new_house
from homeenergy.readings.logs.labels import loads_of


@pytest.mark.parametrize(
    ("label", "loads"),
    [
        ("Refrigerator and kettle", ["Refrigerator", "kettle"]),
        ("Kühlschrank & Gefrierschrank", ["Kühlschrank", "Gefrierschrank"]),
        ("four et lave-vaisselle", ["four", "lave-vaisselle"]),
        ("oven + microwave + kitchen lights", ["oven", "microwave", "kitchen lights"]),
        ("Fridge/freezer", []),  # a stroke names one machine
        ("Kitchen and bath", []),
        ("Oven and sockets", []),  # what sockets feed nobody knows
        ("Oven", []),
        ("Standby", []),
    ],
)
def test_loads_are_those_that_a_name_joins(label, loads):
    assert loads_of(label) == loads


def test_a_new_house_has_them_under_names_of_their_own(tmp_path):
    """One kettle stands alone, so that the other one is the second."""
    rows = [f"2026-03-02 00:{m:02d}:00,{100 + m % 7},{m % 3},{5 * (m % 2)}" for m in range(60)]
    log = tmp_path / "log.csv"
    log.write_text("\n".join(["time,Fridge and kettle (W),Kettle (W),Sockets (W)", *rows]))
    new_house(tmp_path / "house", logs=log, timezone="Europe/Berlin")
    circuits = read_schedule(tmp_path / "house").circuits
    named = {one.name: [(load.name, load.kind) for load in one.loads] for one in circuits}
    assert named == {
        "fridge_and_kettle": [("fridge", "thermostatic"), ("kettle_2", "manual")],
        "kettle": [],
        "sockets": [],
    }
