"""A carbon factor is read only with its source and year."""

import tomllib
from pathlib import Path

import pytest

from homeenergy.errors import HouseError
from homeenergy.house import CarbonFactor
from homeenergy.house.toml_file import read_schedule

SHARED = Path(__file__).parents[2] / "shared"
GOOD = 'kg_per_kwh = 0.366\nsource = "EIA"\nyear = 2023\n'


def read(tmp_path, carbon):
    text = f'timezone = "America/Denver"\n[carbon]\n{carbon}'
    (tmp_path / "house.toml").write_text(text, encoding="utf-8")
    return read_schedule(tmp_path).carbon


def test_factor_is_read(tmp_path):
    assert read(tmp_path, GOOD) == CarbonFactor(kg_per_kwh=0.366, source="EIA", year=2023)
    (tmp_path / "house.toml").write_text('timezone = "America/Denver"', encoding="utf-8")
    assert read_schedule(tmp_path).carbon is None


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('source = "EIA"', "", "`carbon.source` is missing"),
        ("year = 2023", "", "`carbon.year` is missing"),
        ("2023", "23", "must be a year"),
        ("0.366", "366", "between 0 and 3, got 366\n.*Grams"),
    ],
)
def test_what_cannot_be_meant_is_refused(tmp_path, old, new, message):
    with pytest.raises(HouseError, match=message):
        read(tmp_path, GOOD.replace(old, new))


def test_shared_factors_can_be_copied(tmp_path):
    factors = tomllib.loads((SHARED / "carbon_factors.toml").read_text())["factor"]
    for one in factors:
        assert one["status"] in {"seen", "unverified"}
        lines = f'kg_per_kwh = {one["kg_per_kwh"]}\nsource = "{one["source"]}"\n'
        assert read(tmp_path, f"{lines}year = {one['year']}\n").kg_per_kwh == one["kg_per_kwh"]


def test_published_factor_of_us_generation():
    # US EIA, FAQ 74 (2023): 1,532 Mt over 4,183,271 GWh, printed as 0.81 lb/kWh.
    (one,) = [
        f
        for f in tomllib.loads((SHARED / "carbon_factors.toml").read_text())["factor"]
        if f["year"] == 2023
    ]
    assert one["kg_per_kwh"] == pytest.approx(1532e9 / 4_183_271e6, rel=1e-5)
    assert round(one["kg_per_kwh"] / 0.45359237, 2) == 0.81
