"""house.toml is read whole, and each thing that cannot be meant is refused with its place."""

from zoneinfo import ZoneInfo

import pytest

from homeenergy.errors import HouseError
from homeenergy.house.layouts import LogColumn
from homeenergy.house.schedule import Clamp
from homeenergy.house.toml_file import read_schedule

GOOD = """
name = "Orchard house"
timezone = "America/Denver"

[supply]
system = "split-phase"
volts_v = 120
frequency_hz = 60

[tariff]
currency = "USD"
price_per_kwh = 0.15

[[circuit]]
name = "fridge"
appliance = "Refrigerator"
kind = "thermostatic"
legs = ["L1"]
breaker_a = 15
clamp = { rating_a = 50, multiplier = 1.02 }

[[circuit]]
name = "mains"
role = "mains"
legs = ["L1", "L2"]

[[log]]
files = "logs/*.csv"
quantity = "energy"
unit = "kWh"
time_columns = ["date", "clock"]
time_format = "%d.%m.%Y %H:%M"
time_zone = "UTC-07:00"

[log.columns]
fridge = { volts = "V", amps = "I", power_factor = 0.9 }
mains = "total"
"""


def read(tmp_path, text):
    (tmp_path / "house.toml").write_text(text, encoding="utf-8")
    return read_schedule(tmp_path)


def test_everything_is_read(tmp_path):
    schedule = read(tmp_path, GOOD)
    assert (schedule.name, schedule.timezone) == ("Orchard house", ZoneInfo("America/Denver"))
    fridge, mains = schedule.circuits
    assert (fridge.appliance, fridge.kind, fridge.legs, fridge.breaker_a) == (
        "Refrigerator",
        "thermostatic",
        ("L1",),
        15.0,
    )
    assert fridge.clamp == Clamp(rating_a=50.0, multiplier=1.02)
    assert (mains.appliance, mains.role, mains.kind, mains.clamp.multiplier) == (
        "mains",
        "mains",
        None,
        1.0,
    )
    assert schedule.tariff is not None
    assert (
        schedule.tariff.currency,
        schedule.tariff.price_per_kwh,
        schedule.tariff.standing_per_day,
    ) == ("USD", 0.15, 0.0)
    (log,) = schedule.logs
    assert log.columns == {
        "fridge": LogColumn(
            names=("V", "I"), quantity="volts_and_amps", unit="V A", power_factor=0.9
        ),
        "mains": LogColumn(names=("total",), quantity="energy", unit="kWh"),
    }
    assert log.time_columns == ("date", "clock")


def test_a_byte_order_mark_is_passed_over(tmp_path):
    (tmp_path / "house.toml").write_bytes(b"\xef\xbb\xbf" + GOOD.encode())
    assert len(read_schedule(tmp_path).circuits) == 2


@pytest.mark.parametrize(
    ("old", "new", "match"),
    [
        ('timezone = "America/Denver"', "", r"house.toml: `timezone` is missing"),
        ("America/Denver", "America/Denverr", r"`timezone` .*did you mean 'America/Denver'"),
        ("timezone =", "time_zone =", r"`time_zone` is not a known key\n  Did you mean `timezone`"),
        ('name = "Orchard house"', "name = 5", r"`name` must be a text, got 5"),
        (
            'name = "Orchard house"',
            'name = "Orchard',
            r"house.toml, line 2, column \d+: is not valid TOML",
        ),
        (
            "split-phase",
            "split",
            r"`supply.system` must be one of .*\n  Did you mean \"split-phase\"",
        ),
        ("volts_v = 120", 'volts_v = "120"', r"`supply.volts_v` must be a number, got '120'"),
        ("volts_v = 120", "volts_v = -1", r"`supply.volts_v` must be a number above 0"),
        (
            'currency = "USD"',
            'currency = "dollar"',
            r"`tariff.currency` must be three capital letters",
        ),
        ("price_per_kwh = 0.15", "", r"`tariff.price_per_kwh` is missing; expected a number"),
        (
            'name = "mains"',
            'name = "Fridge"',
            r"`circuit\[2\].name` 'Fridge' is already the name of circuit\[1\]",
        ),
        ('name = "mains"', 'name = "all mains"', r"`circuit\[2\].name` must be made of letters"),
        ('name = "mains"', "", r"`circuit\[2\].name` is missing"),
        ("thermostatic", "thermostat", r"`circuit\[1\].kind` .*\n  Did you mean \"thermostatic\""),
        ("kind =", "knid =", r"`circuit\[1\].knid` is not a known key\n  Did you mean `kind`"),
        (
            'legs = ["L1"]',
            'legs = ["L3"]',
            r"`circuit\[1\].legs` must be a choice of L1, L2 \(split-phase",
        ),
        ('legs = ["L1"]', 'legs = "L1"', r"`circuit\[1\].legs` must be a list"),
        ("multiplier = 1.02", "multiplier = 0", r"`circuit\[1\].clamp.multiplier` must not be 0"),
        ("multiplier = 1.02", "ratio = 1", r"`circuit\[1\].clamp.ratio` is not a known key"),
        ("breaker_a = 15", "breaker_a = true", r"`circuit\[1\].breaker_a` must be a number"),
        (
            '[[circuit]]\nname = "fridge"',
            '[circuit]\nname = "fridge"',
            r"is not valid TOML|circuit",
        ),
        ("logs/*.csv", "../*.csv", r"`log\[1\].files` must stay inside"),
        ('files = "logs/*.csv"', "", r"`log\[1\].files` is missing"),
        (
            'unit = "kWh"',
            'unit = "kW"',
            r"`log\[1\].unit` must be one of \"Wh\", \"kWh\", \"MWh\", \"kJ\", \"MJ\", got 'kW'",
        ),
        (
            'quantity = "energy"',
            'quantity = "engery"',
            r"`log\[1\].quantity` .*\n  Did you mean \"energy\"",
        ),
        ("%d.%m.%Y %H:%M", "iso8601", r"`log\[1\].time_format` .*\n  Did you mean \"iso\""),
        ("UTC-07:00", "UTC-7h", r"`log\[1\].time_zone` cannot be used"),
        (
            'mains = "total"',
            'main = "total"',
            r"`log\[1\].columns.main` is not a circuit .*\n  Did you mean `mains`",
        ),
        (
            'mains = "total"',
            "mains = 3",
            r"`log\[1\].columns.mains` must be the name of a column, got 3",
        ),
        (", power_factor = 0.9", "", r"power_factor` is missing: volts and amps give volt-amperes"),
        (
            "power_factor = 0.9",
            "power_factor = 1.9",
            r"power_factor` must lie above 0 and be at most 1",
        ),
        (
            "fridge = { volts",
            'fridge = "total"\nfoo = { volts',
            r"`log\[1\].columns.foo` is not a circuit",
        ),
        (
            'fridge = { volts = "V", amps = "I", power_factor = 0.9 }',
            'fridge = "total"',
            r"`log\[1\].columns.mains` takes the same column as `fridge`",
        ),
        (', amps = "I"', "", r"`log\[1\].columns.fridge.amps` is missing"),
        (
            'files = "logs',
            'layout = "long"\nfiles = "logs',
            r"`log\[1\].circuit_column` is missing",
        ),
        (
            'files = "logs',
            'value_column = "x"\nfiles = "logs',
            r"`log\[1\].value_column` belongs to",
        ),
        (
            'files = "logs',
            'delimiter = ";;"\nfiles = "logs',
            r"`log\[1\].delimiter` must be one character",
        ),
        (
            'files = "logs',
            'encoding = "utf-9"\nfiles = "logs',
            r"`log\[1\].encoding` must be one such as",
        ),
        (
            'files = "logs',
            'header = "no"\nfiles = "logs',
            r"`log\[1\].header` must be true or false",
        ),
        (
            'files = "logs',
            'header = false\nfiles = "logs',
            r"must be the number of a column, from 1",
        ),
        (
            'files = "logs',
            'period_s = 0\nfiles = "logs',
            r"`log\[1\].period_s` must be a number above 0",
        ),
        (
            'files = "logs',
            'lines_above_header = 1.5\nfiles = "logs',
            r"`log\[1\].lines_above_header` must be a whole number of lines, got 1.5",
        ),
        (
            'files = "logs',
            'lines_below_header = -1\nfiles = "logs',
            r"`log\[1\].lines_below_header` must be a whole number of lines, got -1",
        ),
        (
            'files = "logs',
            'format = "parquet"\nmissing = ["ERR"]\nfiles = "logs',
            r"`log\[1\].missing` belongs to a log with `format = \"csv\"`",
        ),
    ],
)
def test_what_cannot_be_meant_is_refused(tmp_path, old, new, match):
    assert old in GOOD
    with pytest.raises(HouseError, match=match):
        read(tmp_path, GOOD.replace(old, new, 1))


def test_no_file(tmp_path):
    with pytest.raises(HouseError, match=r"there is no house.toml here(.|\n)*homeenergy new"):
        read_schedule(tmp_path)
