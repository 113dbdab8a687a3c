"""What logs hold that is no power: kept under a name of its own, and no circuit."""

import numpy as np
import pandas as pd
import pytest

from homeenergy.errors import HouseError
from homeenergy.findings import house_findings
from homeenergy.house.toml_file import house_toml, read_schedule
from homeenergy.readings import import_logs, open_house
from homeenergy.readings.doubt import NO_DOUBTS
from homeenergy.trust.check import check_house

HOUSE = """name = "Mill house"
timezone = "UTC"
[[circuit]]
name = "oven"
[[circuit]]
name = "boiler"
[[log]]
files = "logs/*.csv"
[log.columns]
oven = {{ volts = "V1", amps = "I1", power_factor = 1.0 }}
boiler = {{ column = "flue", quantity = "temperature", unit = "C" }}
{lines}
"""
LINES = """volts = { column = "V1", quantity = "other", unit = "V" }
grid_hz = { column = "f", quantity = "other", unit = "Hz" }"""
VOLTS = np.round(230 + 4 * np.sin(np.arange(1440) / 100), 2)


def house(folder, lines=LINES):
    times = pd.date_range("2026-01-31T12:00", periods=1440, freq="60s")
    rows = [f"{t:%Y-%m-%dT%H:%M:%SZ},{v},2,50.01,70" for t, v in zip(times, VOLTS, strict=True)]
    rows[700] = rows[700].replace(str(VOLTS[700]), "")
    (folder / "logs").mkdir(parents=True, exist_ok=True)
    (folder / "logs" / "panel.csv").write_text("time,V1,I1,f,flue\n" + "\n".join(rows) + "\n")
    (folder / "house.toml").write_text(HOUSE.format(lines=lines))
    import_logs(folder)
    return open_house(folder)


def test_what_is_no_power_is_kept_as_it_was_logged(tmp_path):
    one = house(tmp_path)
    assert one.other_units == {"boiler": "°C", "volts": "V", "grid_hz": "Hz"}
    others = one.others()
    volts = np.concatenate([month.watts for month in others.months("volts")])
    expected = VOLTS.copy()
    expected[700] = expected[699]  # an empty cell is a row that its column does not have
    assert volts == pytest.approx(expected.astype("f4"), nan_ok=True)
    envelope = others.overview.envelope("grid_hz", None, None, points=3)
    assert envelope.mean_w == pytest.approx(50.01)
    assert others.doubts("volts") is NO_DOUBTS  # a rule about watts would find some
    assert import_logs(tmp_path).months_written == 0
    assert import_logs(tmp_path, verify=True).lost == ()


def test_no_circuit_is_made_of_it(tmp_path):
    one = house(tmp_path)
    assert [circuit.name for circuit in one.circuits] == ["oven", "boiler"]
    found = {one.circuit: one.kwh_per_day for one in house_findings(one).appliances}
    assert found.keys() <= {"oven", "boiler"}
    assert "volts" not in str(check_house(one))
    schedule = read_schedule(tmp_path)
    (tmp_path / "house.toml").write_text(house_toml(schedule))
    assert read_schedule(tmp_path) == schedule


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ('volts = { column = "V1", quantity = "other" }', "unit. must be that of the readings"),
        ('oven2 = { column = "V1" }', "is not a circuit of the panel schedule"),
        ('"L1 V" = { column = "V1", quantity = "other", unit = "V" }', "must be made of letters"),
        ('Boiler = { column = "V1", quantity = "other", unit = "V" }', "is the name of a circuit"),
    ],
)
def test_a_line_that_cannot_be_meant(tmp_path, line, told):
    with pytest.raises(HouseError, match=told):
        house(tmp_path, line)
