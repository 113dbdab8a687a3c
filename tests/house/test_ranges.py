"""Numbers, texts and files of house.toml that nobody can mean are refused in one line."""

import re

import pytest

from homeenergy.errors import HouseError
from homeenergy.house.toml_file import read_schedule

LOG = '[[log]]\nfiles = "logs/*.csv"\n{}\n[log.columns]\noven = "oven"\n'


def refusal(folder, *, top="", circuit="", log=""):
    text = f'timezone = "UTC"\n{top}\n[[circuit]]\nname = "oven"\n{circuit}\n{LOG.format(log)}'
    (folder / "house.toml").write_text(text, encoding="utf-8")
    with pytest.raises(HouseError) as met:
        read_schedule(folder)
    message = str(met.value)
    assert len(message) < 500
    return message


@pytest.mark.parametrize(
    ("key", "value", "said"),
    [
        ("period_s", "1e-12", "must be at least 0.001, got 1e-12"),
        ("period_s", "1e-6", "must be at least 0.001"),
        ("period_s", "1e12", "must be at most 2.6784e.06"),
        ("period_s", "1e300", "must be at most"),
        ("period_s", "-1", "must be a number above 0, got -1"),
        ("period_s", "nan", "must be a number above 0, got nan"),
        ("period_s", "1" * 400, "must be at most .* got a number of 400 digits"),
        ("period_s", "1" * 5000, "holds a value that cannot be read"),
        ("hold_s", "1e12", "must be at most"),
        ("lines_above_header", "1000000000", "must be at most 100000"),
        ("lines_below_header", "1e12", "must be at most 100000"),
        ("encoding", '"base64"', 'must be one such as "utf-8"'),
        ("encoding", '"zlib_codec"', 'must be one such as "utf-8"'),
        ("encoding", '"utf-8\\u0000"', 'must be one such as "utf-8"'),
        ("missing", "[" * 3000, "brackets inside brackets|not valid TOML"),
    ],
)
def test_a_log_that_cannot_be_meant(tmp_path, key, value, said):
    assert re.search(said, refusal(tmp_path, log=f"{key} = {value}"))


@pytest.mark.parametrize("files", ["***/x", "a**b", ".", "/etc/*", "../*.csv", "a\\u0000b"])
def test_a_pattern_that_names_no_files_of_the_house(tmp_path, files):
    (tmp_path / "house.toml").write_text(
        f'timezone = "UTC"\n[[circuit]]\nname = "oven"\n[[log]]\nfiles = "{files}"\n'
        '[log.columns]\noven = "oven"\n'
    )
    with pytest.raises(
        HouseError, match="must stay inside the house's folder, and be a pattern of files"
    ):
        read_schedule(tmp_path)


@pytest.mark.parametrize(
    ("circuit", "said"),
    [
        ("breaker_a = 1" + "0" * 400, "must be .* got a number of 401 digits"),
        ("clamp = { multiplier = 1e300 }", "must be at most 1e.09"),
        ("clamp = { offset_w = -1e300 }", "must be at least -1e.09"),
        (f'appliance = "{"x" * 1_000_000}"', "must have at most 10,000 letters"),
    ],
)
def test_a_circuit_that_cannot_be_meant(tmp_path, circuit, said):
    assert re.search(said, refusal(tmp_path, circuit=circuit))


def test_a_price_that_overflows(tmp_path):
    message = refusal(tmp_path, top='[tariff]\ncurrency = "EUR"\nprice_per_kwh = 1e300')
    assert "must be at most 1e+09, got 1e+300" in message
