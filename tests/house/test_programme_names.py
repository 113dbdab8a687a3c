"""The [[programme]] tables of house.toml."""

import pytest

from homeenergy.errors import HouseError
from homeenergy.house.schedule import ProgrammeName
from homeenergy.house.toml_file import read_schedule

HOUSE = """
timezone = "UTC"
[[circuit]]
name = "washer"
[[programme]]
circuit = "washer"
name = "Quick wash"
minutes = 45
kwh = 0.31
"""


def read(folder, text):
    (folder / "house.toml").write_text(text, encoding="utf-8")
    return read_schedule(folder)


def test_names_of_programmes_are_read(tmp_path):
    (name,) = read(tmp_path, HOUSE).programmes
    assert name == ProgrammeName(circuit="washer", name="Quick wash", minutes=45.0, kwh=0.31)
    assert read(tmp_path, HOUSE.split("[[programme]]")[0]).programmes == ()


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('circuit = "washer"', 'circuit = "dryer"', "must be the name of a circuit, got 'dryer'"),
        ("minutes = 45", "minutes = 0", r"programme\[1\].minutes` must be a number above 0"),
        ("kwh = 0.31", "", r"programme\[1\].kwh` is missing"),
        ("Quick wash", "Quick: wash", "must not hold a colon"),
        ("kwh", "energy_kwh", "is not a known key"),
    ],
)
def test_what_cannot_be_meant_is_refused(tmp_path, old, new, message):
    with pytest.raises(HouseError, match=message):
        read(tmp_path, HOUSE.replace(old, new))


def test_a_name_stands_for_one_programme_of_a_circuit(tmp_path):
    again = HOUSE.split("[[programme]]")[1]
    with pytest.raises(HouseError, match="already names a programme of 'washer'"):
        read(tmp_path, f"{HOUSE}[[programme]]{again}")
