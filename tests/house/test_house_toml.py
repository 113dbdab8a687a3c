"""One declaration of each key of house.toml: forty mistakes, what is written, the documents."""

import tomllib
from dataclasses import dataclass, replace
from datetime import date, datetime
from pathlib import Path
from typing import Annotated
from zoneinfo import ZoneInfo

import pytest

from homeenergy.errors import HouseError
from homeenergy.house import CarbonFactor, Tariff
from homeenergy.house.layouts import LogColumn, LogLayout
from homeenergy.house.prices import PriceBlock, PriceChange, PricePeriod, Season
from homeenergy.house.reference import STARTER, TABLES, Table, reference, starter
from homeenergy.house.schedule import Circuit, Clamp, Correction, ProgrammeName, Schedule, Supply
from homeenergy.house.schema import Fields, Key, keys_of, read_keys, write_keys
from homeenergy.house.toml_file import house_toml, read_schedule

SHARED = Path(__file__).parents[2] / "shared"
GOOD = """
name = "Mill house"
timezone = "Europe/Berlin"
[supply]
system = "three-phase"
volts_v = 230
[tariff]
currency = "EUR"
standing_per_day = 0.4
[[tariff.season]]
name = "summer"
from = "04-01"
[[tariff.season]]
name = "winter"
from = "10-01"
[[tariff.period]]
name = "night"
price_per_kwh = 0.2
hours = ["22:00-06:00"]
[[tariff.period]]
name = "day"
price_per_kwh = 0.3
hours = ["06:00-22:00"]
[[tariff.change]]
from = 2026-05-01
price_per_kwh = 0.25
[carbon]
kg_per_kwh = 0.35
source = "grid operator"
year = 2024
[write_up]
title = "Where it goes"
paper = "a4"
[[circuit]]
name = "washer"
appliance = "Washing machine"
kind = "batch"
season = "none"
legs = ["L1"]
breaker_a = 16
clamp = { rating_a = 20, multiplier = [{ value = 1 }, { value = 2, from = "2026-04-01" }] }
[[programme]]
circuit = "washer"
name = "Quick wash"
minutes = 45
kwh = 0.31
[[log]]
files = "logs/*.csv"
delimiter = ";"
decimal = ","
time_zone = "UTC"
period_s = 60
quantity = "energy"
unit = "kWh"
[log.columns]
washer = "W1"
"""
# What is written, what is written instead, the key that the message names, and what it says to do.
TYPOS = [
    # Misspelt keys, in every table.
    ('name = "Mill', 'nmae = "Mill', "nmae", "Did you mean `name`?"),
    ("[supply]", "[suply]", "suply", "Did you mean `supply`?"),
    ("volts_v", "volts_kv", "supply.volts_kv", "Did you mean `volts_v` [V]?"),
    ("standing_per_day", "standing_charge", "tariff.standing_charge", "`standing_per_day`"),
    ('from = "04-01"', 'start = "04-01"', "tariff.season[1].start", "Known here: name, from"),
    ("hours", "hour", "tariff.period[1].hour", "Did you mean `hours`?"),
    ("from = 2026-05-01", "form = 2026-05-01", "tariff.change[1].form", "Did you mean `from`?"),
    (
        "price_per_kwh = 0.25",
        "[[tariff.change.block]]\nupto_kwh = 300",
        "tariff.change[1].block[1].upto_kwh",
        "Did you mean `up_to_kwh` [kWh]?",
    ),
    ("kg_per_kwh", "g_per_kwh", "carbon.g_per_kwh", "Did you mean `kg_per_kwh` [kg per kWh]?"),
    ("title", "titel", "write_up.titel", "Did you mean `title`?"),
    ("breaker_a", "breaker", "circuit[1].breaker", "Did you mean `breaker_a` [A]?"),
    ("breaker_a", "multiplier", "circuit[1].multiplier", "write clamp.multiplier = ... in"),
    ("rating_a", "ratting_a", "circuit[1].clamp.ratting_a", "Did you mean `rating_a` [A]?"),
    ("{ value = 1 }", "{ vlaue = 1 }", "circuit[1].clamp.multiplier[1].vlaue", "mean `value`?"),
    ("minutes = 45", "minute = 45", "programme[1].minute", "Did you mean `minutes` [min]?"),
    ("delimiter", "delimeter", "log[1].delimeter", "Did you mean `delimiter`?"),
    ("period_s", "period_ms", "log[1].period_ms", "Did you mean `period_s` [s]?"),
    ('washer = "W1"', 'washr = "W1"', "log[1].columns.washr", "Did you mean `washer`?"),
    ('washer = "W1"', 'washer = { colum = "W1" }', "log[1].columns.washer.colum", "`column`?"),
    # Wrong types.
    ('name = "Mill house"', "name = 7", "name", 'Write for example: name = "Orchard house"'),
    ('["22:00-06:00"]', '"22:00-06:00"', "tariff.period[1].hours", 'hours = ["22:00-06:00"]'),
    ('legs = ["L1"]', 'legs = "L1"', "circuit[1].legs", 'Write for example: legs = ["L1", "L2"]'),
    ("year = 2024", 'year = "2024"', "carbon.year", "without quotes: year = 2024"),
    ("[[programme]]", "[programme]", "programme", "must be a list"),
    ('delimiter = ";"', "header = 1", "log[1].header", "Write for example: header = false"),
    # Wrong units: a unit behind the number, or a unit that the quantity does not have.
    (
        "breaker_a = 16",
        'breaker_a = "16 A"',
        "circuit[1].breaker_a",
        "in A, without quotes: breaker",
    ),
    ("volts_v = 230", 'volts_v = "0.23 kV"', "supply.volts_v", "quotes, such as: volts_v = 230"),
    ("kg_per_kwh = 0.35", "kg_per_kwh = 350", "carbon.kg_per_kwh", "divided by 1000"),
    ('unit = "kWh"', 'unit = "kW"', "log[1].unit", '"Wh", "kWh"'),
    # Out of range.
    ("volts_v = 230", "volts_v = 0", "supply.volts_v", "above 0"),
    ("{ rating_a = 20", "{ uncertainty = 2, rating_a = 20", "circuit[1].clamp.uncertainty", "0.02"),
    ('hours = ["22:00-06:00"]', 'hours = ["22:00-25:00"]', "tariff.period[1].hours", "07:00-23:00"),
    ("year = 2024", "year = 24", "carbon.year", "such as 2023"),
    ('kind = "batch"', 'kind = "bach"', "circuit[1].kind", 'Did you mean "batch"?'),
    ('season = "none"', 'season = "weak"', "circuit[1].season", '"strong", "some", "none"'),
    ('paper = "a4"', 'paper = "a5"', "write_up.paper", 'Write for example: paper = "a4"'),
    ("Europe/Berlin", "Europe/Berln", "timezone", "did you mean 'Europe/Berlin'"),
    ("kwh = 0.31", "kwh = -1", "programme[1].kwh", "above 0"),
    # Missing.
    (
        'timezone = "Europe/Berlin"',
        "",
        "timezone",
        'Write for example: timezone = "America/Denver"',
    ),
    ('currency = "EUR"', "", "tariff.currency", 'Write for example: currency = "EUR"'),
    ('source = "grid operator"', "", "carbon.source", "Write for example: source ="),
    ("minutes = 45", "", "programme[1].minutes", "Write for example: minutes = 45"),
    ('files = "logs/*.csv"', "", "log[1].files", 'Write for example: files = "logs/*.csv"'),
    ('[log.columns]\nwasher = "W1"', "", "log[1].columns", "Write [log.columns] and below it"),
    ('from = "10-01"', "", "tariff.season[2].from", 'Write for example: from = "10-01"'),
    # Twice.
    ('from = "10-01"', 'from = "04-01"', "tariff.season[2].from", "another season begins on 04-01"),
    (
        "[[programme]]",
        '[[circuit]]\nname = "Washer"\n[[programme]]',
        "circuit[2].name",
        "needs a name of its own",
    ),
]


def refusal(tmp_path, text):
    (tmp_path / "house.toml").write_text(text, encoding="utf-8")
    with pytest.raises(HouseError) as caught:
        read_schedule(tmp_path)
    return str(caught.value)


@pytest.mark.parametrize(("old", "new", "key", "do"), TYPOS)
def test_a_mistake_is_named_with_file_key_and_what_to_do(tmp_path, old, new, key, do):
    assert GOOD.count(old) >= 1
    said = refusal(tmp_path, GOOD.replace(old, new, 1))
    assert said.startswith(f"{tmp_path / 'house.toml'}: `{key}` ")
    assert do in said


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [
        ("volts_v = 230", "volts_v = 230\nvolts_v = 240", 7),
        ("[carbon]", "[supply]\n[carbon]", 27),
    ],
)
def test_a_key_or_table_twice_is_named_with_its_line(tmp_path, old, new, line):
    said = refusal(tmp_path, GOOD.replace(old, new, 1))
    assert f"house.toml, line {line}, column " in said
    assert "keep one of the two" in said


BERLIN = ZoneInfo("Europe/Berlin")
FULL = Schedule(
    folder=Path(),
    name='The "old" mill',
    timezone=BERLIN,
    supply=Supply(system="three-phase", volts_v=230.0, frequency_hz=50.0),
    tariff=Tariff(
        currency="EUR",
        standing_per_day=0.25,
        seasons=(Season(name="summer", month=4, day=1), Season(name="winter", month=10, day=1)),
        holidays=frozenset({date(2026, 12, 25)}),
        periods=(
            PricePeriod(name="night", price_per_kwh=0.2, minutes=((0, 360), (1320, 1440))),
            PricePeriod(
                name="summer", price_per_kwh=0.3, minutes=((360, 1320),), seasons=("summer",)
            ),
            PricePeriod(
                name="work",
                price_per_kwh=0.4,
                minutes=((360, 1320),),
                days=frozenset(range(5)),
                seasons=("winter",),
            ),
            PricePeriod(
                name="rest",
                price_per_kwh=0.35,
                minutes=((360, 1320),),
                days=frozenset({5, 6, 7}),
                seasons=("winter",),
            ),
        ),
        changes=(PriceChange(start=date(2027, 1, 1), price_per_kwh=0.31, standing_per_day=0.5),),
    ),
    carbon=CarbonFactor(kg_per_kwh=0.35, source="grid operator", year=2024),
    circuits=(
        Circuit(
            name="oven",
            appliance="Oven",
            kind="manual",
            season="none",
            legs=("L1", "L2"),
            breaker_a=16.0,
            clamp=Clamp(
                rating_a=12345.678,
                multiplier=-1.0,
                uncertainty=0.01,
                offset_w=0.5,
                corrections=(
                    Correction(value=2.0, uncertainty=0.02),
                    Correction(
                        value=-1.0,
                        start=datetime(2026, 10, 25, 14, 30, tzinfo=BERLIN),
                        uncertainty=0.01,
                        offset_w=0.5,
                    ),
                ),
                conductors=("L1", "-L2"),
                volts_leg="L1",
            ),
        ),
        Circuit(name="mains", appliance="Supply", role="mains", legs=("L1",)),
        Circuit(name="pump", appliance="Pump"),
    ),
    programmes=(ProgrammeName(circuit="oven", name="Bread", minutes=50.0, kwh=0.9),),
    logs=(
        LogLayout(
            files="logs/*.csv",
            delimiter="\t",
            decimal=",",
            thousands=".",
            header=False,
            lines_above_header=2,
            missing=("--",),
            time_columns=(1, 2),
            time_format="%d.%m.%Y %H:%M",
            period_s=0.5,
            columns={
                "oven": LogColumn(
                    names=(3,), quantity="energy_counter", unit="kWh", rolls_over_at=999999.999
                ),
                "mains": LogColumn(
                    names=(4, 5), quantity="volts_and_amps", unit="V A", power_factor=0.95
                ),
                "pump": LogColumn(
                    names=(6,),
                    quantity="volts_and_amps",
                    unit="V A",
                    power_factor=0.8,
                    volts_v=230.0,
                ),
            },
        ),
        LogLayout(
            files="more/*.parquet",
            format="parquet",
            layout="long",
            circuit_column="who",
            value_column="w",
            columns={"oven": LogColumn(names=("Ofen 'Küche'",))},
        ),
    ),
)
STEPS = Tariff(
    currency="USD",
    blocks=(PriceBlock(price_per_kwh=0.1, up_to_kwh=300.0), PriceBlock(price_per_kwh=0.2)),
    blocks_per="day",
    changes=(PriceChange(start=date(2026, 3, 4), blocks=(PriceBlock(price_per_kwh=0.3),)),),
)


@pytest.mark.parametrize("comments", ["none", "short", "all"])
@pytest.mark.parametrize(
    "schedule",
    [FULL, replace(FULL, tariff=STEPS, carbon=None), STARTER],
    ids=["full", "steps", "starter"],
)
def test_what_is_written_is_read_back_the_same(tmp_path, schedule, comments):
    text = house_toml(schedule, head="Made by hand.", comments=comments, log_remarks=["as found"])
    (tmp_path / "house.toml").write_text(text, encoding="utf-8")
    assert replace(read_schedule(tmp_path), folder=Path()) == schedule


def test_the_reference_and_the_starter_house_are_those_of_the_declarations():
    """If this fails: python -m homeenergy.house shared."""
    assert (SHARED / "house_toml.md").read_text(encoding="utf-8") == reference()
    assert (SHARED / "starter_house" / "house.toml").read_text(encoding="utf-8") == starter()


def test_every_key_has_help_and_every_example_is_toml():
    for table in TABLES:
        for one in table.declared:
            assert one.key.help
            assert one.nested or one.example, (table.head, one.name)
            if one.example:
                assert list(tomllib.loads(one.example)) == [one.name]


@pytest.mark.parametrize("name", ["circuit", "supply", "programme", "carbon", "write_up"])
def test_every_example_is_one_that_is_understood(tmp_path, name):
    """The lines that the starter house shows behind a # can be used as they stand."""
    (tmp_path / "photos").mkdir()
    for picture in ("house.jpg", "photos/panel.jpg"):
        (tmp_path / picture).write_bytes(b"\xff\xd8\xff")
    (tmp_path / "logo.png").write_bytes(b"\x89PNG")
    kinds = {one.name: one for one in keys_of(Schedule).values()}
    table = kinds[name].type.__args__[0] if name in ("circuit", "programme") else kinds[name].type
    lines = [one.example for one in keys_of(table).values()]
    head = f"[[{name}]]" if name in ("circuit", "programme") else f"[{name}]"
    more = '\n[[circuit]]\nname = "washer"' if name == "programme" else ""
    text = "\n".join(['timezone = "UTC"', head, *lines]) + more
    if name == "circuit":
        text += '\n[supply]\nsystem = "split-phase"'
    (tmp_path / "house.toml").write_text(text, encoding="utf-8")
    assert read_schedule(tmp_path)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sauna:
    """A made-up table."""

    warm_c: Annotated[
        float | None,
        Key(
            help="how warm it is kept",
            unit="deg C",
            example=80,
            check=lambda warm_c: warm_c < 120,
            must="lie below 120",
        ),
    ] = None


def test_a_key_is_added_in_one_place(monkeypatch):
    """A declared key is read, checked, written and explained without a word anywhere else."""

    def read(**table):
        return Sauna(**read_keys(Fields(table, path=Path("house.toml"), where="sauna"), Sauna))

    assert read(warm_c=80) == Sauna(warm_c=80.0)
    assert read() == Sauna()
    assert write_keys(read(warm_c=80.5)) == ["warm_c = 80.5"]
    assert write_keys(Sauna(), comments="all")[0].startswith("# warm_c = 80 ")
    with pytest.raises(HouseError, match=r"`sauna.warm` is not a known key\n.*`warm_c` \[deg C\]"):
        read(warm=80)
    with pytest.raises(HouseError, match=r"`sauna.warm_c` must lie below 120, got 180"):
        read(warm_c=180)
    table = Table(head="[sauna]", keys=(Sauna,), text="A made-up table.")
    monkeypatch.setattr("homeenergy.house.reference.TABLES", (*TABLES, table))
    assert "| `warm_c` | a number [deg C] |  | how warm it is kept | `80` |" in reference()
