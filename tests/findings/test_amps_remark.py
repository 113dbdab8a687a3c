"""Watts that were taken from amps at stated volts and factors are said to be, in every language."""

import pytest

from homeenergy.findings import house_findings
from homeenergy.readings import import_logs, open_house
from homeenergy.show.writeup.rewording import Rewording
from homeenergy.show.writeup.wording import Wording

from ..readings.folders import frame, iso_csv, make_house

LOG = """
[[log]]
files = "logs/*.csv"
[log.columns]
fridge = {columns}
oven = "oven"
"""


@pytest.mark.parametrize(
    ("columns", "said"),
    [
        ('{ amps = "fridge", volts_v = 230, power_factor = 0.9 }', "at 230 V and a power factor"),
        ('{ amps = "fridge", volts = "v", power_factor = 0.9 }', "those at a power factor of 0.9"),
        ('{ amps = "fridge", volts_v = 230, power_factor = "pf" }', "factors: its watts are"),
        (
            '{ column = "fridge", quantity = "apparent_power", unit = "VA", power_factor = 0.9 }',
            "gives volt-amperes",
        ),
        ('{ amps = "fridge", volts = "v", power_factor = "pf" }', None),
    ],
)
def test_stated_volts_and_power_factors_are_repeated(tmp_path, columns, said):
    table = frame("2026-03-01", 9000).assign(v=231.0, pf=0.9)
    table["fridge"] = (table["fridge"].abs() / 300).round(3)
    log = LOG.replace("{columns}", columns)
    make_house(tmp_path, {"a.csv": iso_csv(table)}, log=log)
    import_logs(tmp_path)
    found = {one.circuit: one.remarks for one in house_findings(open_house(tmp_path)).appliances}
    remarks = [one for one in found["fridge"] if "as stated in house.toml" in one]
    assert not [one for one in found["oven"] if "as stated in house.toml" in one]
    assert len(remarks) == (said is not None)
    for remark in remarks:
        assert said in remark
        for language in ("de", "fr", "nl"):
            reworded = Rewording(words=Wording(language=language), names=frozenset())
            assert "house.toml" in reworded(remark) != remark
            assert not reworded.unknown
