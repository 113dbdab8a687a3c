"""The reference of house.toml and the starter house, made from the declarations of its keys.

`python -m homeenergy.house shared` writes both; a test holds that they are the committed ones.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from zoneinfo import ZoneInfo

from homeenergy.house.layouts import LogLayout
from homeenergy.house.limits import Limits
from homeenergy.house.log_columns import ColumnName, LogColumn, Readings
from homeenergy.house.measures import Measure
from homeenergy.house.prices import DemandCharge, PriceBlock, PriceChange, PricePeriod, Season
from homeenergy.house.schedule import (
    CarbonFactor,
    Circuit,
    Clamp,
    Correction,
    ProgrammeName,
    Schedule,
    Supply,
)
from homeenergy.house.schema import Declared, keys_of, toml_value
from homeenergy.house.sources import Place, Source
from homeenergy.house.tariff import Tariff
from homeenergy.house.toml_file import SAFETY, house_toml
from homeenergy.house.write_up import WriteUpDetails


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """One table of house.toml: how it is headed, what declares its keys, and what it is for."""

    head: str
    keys: tuple[type, ...]
    text: str

    @property
    def declared(self) -> list[Declared]:
        """All its keys, in order."""
        return [one for table in self.keys for one in keys_of(table).values()]


TABLES = (
    Table(head="", keys=(Schedule,), text="The first lines of the file, before any table."),
    Table(head="[supply]", keys=(Supply,), text="What the utility supplies."),
    Table(
        head="[tariff]",
        keys=(Tariff,),
        text="What energy costs: one price, or [[tariff.period]] by time of use, or "
        "[[tariff.block]] steps. A tariff can also be copied from a file of "
        "[shared/tariffs](tariffs).",
    ),
    Table(
        head="[[tariff.period]]",
        keys=(PricePeriod,),
        text="Hours that share a price. Every minute of the week, of holidays and of each season "
        "must lie in exactly one.",
    ),
    Table(
        head="[[tariff.block]]",
        keys=(PriceBlock,),
        text="A step: the price of each kWh that the house uses up to a mark. In order, the last "
        "without an end.",
    ),
    Table(
        head="[[tariff.demand]]",
        keys=(DemandCharge,),
        text="A charge for the greatest power of each calendar month, on top of those for energy. "
        "The power is the mean over intervals that are counted from local midnight; those count "
        "that begin within its hours, days and seasons.",
    ),
    Table(
        head="[[tariff.season]]",
        keys=(Season,),
        text="A part of the year that periods can name. Two at least; the last runs on over New "
        "Year.",
    ),
    Table(
        head="[[tariff.change]]",
        keys=(PriceChange,),
        text="Prices that apply from a local date on and replace all earlier ones: one price, "
        "[[tariff.change.period]] or [[tariff.change.block]].",
    ),
    Table(
        head="[carbon]",
        keys=(CarbonFactor,),
        text="For the carbon dioxide of what is used. All three keys are needed, as factors "
        "differ by year, place and method; some are in "
        "[shared/carbon_factors.toml](carbon_factors.toml).",
    ),
    Table(
        head="[write_up]",
        keys=(WriteUpDetails,),
        text="How a document about the house looks, and what it says in your own words; every key "
        "may be "
        "left out.",
    ),
    Table(
        head="[limits]",
        keys=(Limits,),
        text="What is beyond them is refused as damage or a slip. Raise one where it is neither.",
    ),
    Table(head="[[circuit]]", keys=(Circuit,), text="One block for each measured circuit."),
    Table(
        head="clamp = { ... }",
        keys=(Clamp,),
        text="The clamp of a circuit: its rating, its conductors and its corrections.",
    ),
    Table(
        head="multiplier = [{ ... }, ...]",
        keys=(Correction,),
        text="Corrections of a clamp that was moved, in order of time. What one leaves out is as "
        "`clamp` says.",
    ),
    Table(
        head="[[programme]]",
        keys=(ProgrammeName,),
        text="Similar runs are grouped into programmes, called after what they are: "
        '"62 min, 0.31 kWh". One block for each that should have another name; it goes to the '
        "programme nearest to these.",
    ),
    Table(
        head="[[measure]]",
        keys=(Measure,),
        text="Something that could be done about a circuit, with its price, for `homeenergy "
        "writeup`. Exactly one of `new_kwh_per_year`, `new_kwh_per_100_uses`, `saves_share`, "
        "`lamps_then_w` and `hot_litres_per_use` says what it saves.",
    ),
    Table(
        head="[[log]]",
        keys=(LogLayout, Readings),
        text="One block for each family of log files with the same layout. "
        "`homeenergy describe FILE` proposes one.",
    ),
    Table(
        head="[log.columns]",
        keys=(ColumnName, Readings),
        text="A line for each circuit: its name = what the log calls it, such as "
        '`fridge = "kitchen"`, or a table with these keys, such as '
        '`oven = { volts = "V2", amps = "I2", power_factor = 1.0 }`. What a circuit leaves out is '
        "as `[[log]]` says.",
    ),
    Table(
        head="[[source]]",
        keys=(Source,),
        text="One block for each thing that `homeenergy record` listens to: it writes what it "
        "hears to `logs/recorded/NAME/*.csv`, which a `[[log]]` describes. "
        "`homeenergy describe --source ADDRESS` proposes both.",
    ),
    Table(
        head="[source.circuits]",
        keys=(Place,),
        text="A line for each circuit: its name = where its readings are, such as "
        '`fridge = "house/kitchen/watts"` of MQTT, `fridge = 52` of Modbus, `fridge = 2` for the '
        'second column, `mains = { field = "1-0:1.7.0", minus = "1-0:2.7.0" }` of a telegram, '
        "`mains = 1000` impulses per kWh; or a table with these keys.",
    ),
)

STARTER = Schedule(
    folder=Path(),
    name="My house",
    timezone=ZoneInfo("America/Denver"),
    supply=Supply(system="split-phase", volts_v=120, frequency_hz=60),
    tariff=Tariff(currency="USD", price_per_kwh=0.15, standing_per_day=0.40),
    circuits=(
        Circuit(
            name="fridge",
            appliance="Refrigerator",
            kind="thermostatic",
            season="some",
            legs=("L1",),
            breaker_a=15,
            clamp=Clamp(rating_a=20),
        ),
        Circuit(
            name="water_heater",
            appliance="Water heater",
            kind="thermostatic",
            legs=("L1", "L2"),
            breaker_a=30,
            clamp=Clamp(rating_a=50, multiplier=2),
        ),
        Circuit(
            name="mains_l1",
            appliance="Supply L1",
            role="mains",
            legs=("L1",),
            breaker_a=100,
            clamp=Clamp(rating_a=200),
        ),
    ),
    logs=(
        LogLayout(
            files="logs/*.csv",
            columns={name: LogColumn(names=(name,)) for name in ("fridge", "water_heater")}
            | {"mains_l1": LogColumn(names=("mains_l1",))},
        ),
    ),
)


def reference() -> str:
    """Markdown of all keys of house.toml."""
    lines = [
        "# Keys of house.toml",
        "",
        "Made by `python -m homeenergy.house shared` from the declarations that also read and "
        "check the file; change those. A starting point to copy is "
        "[starter_house/house.toml](starter_house/house.toml).",
        "",
        "The file is TOML: texts are in double quotes, a line is `key = value`, what follows a # "
        "is a comment. A key that is not listed here is refused, with the nearest one that is.",
    ]
    for table in TABLES:
        lines += ["", f"## {_code(table.head) if table.head else 'Top of the file'}", ""]
        lines += [table.text, "", "| key | value | left out | meaning | example |"]
        lines += ["|---|---|---|---|---|"]
        lines += [_row(one) for one in table.declared]
        for one in table.declared:
            more = one.key.more() if callable(one.key.more) else one.key.more
            if more and not callable(one.key.more):
                lines += ["", f"**{one.name}**: {' '.join(more.split())}"]
            elif more:
                lines += ["", f"**{one.name}**:", "", "```", more, "```"]
    return "\n".join(lines) + "\n"


def _code(text: str) -> str:
    return f"`{text}`"


def _row(one: Declared) -> str:
    words = "a table, below" if one.nested else one.words
    if one.required:
        left_out = "needed"
    elif one.key.otherwise:
        left_out = one.key.otherwise
    elif one.nested or one.default in (None, (), "", frozenset(), float("inf")):
        left_out = ""
    else:
        default = one.default if one.key.write is None else one.key.write(one.default)
        left_out = _code(toml_value(default))
    example = "" if one.key.example is None else _code(toml_value(one.key.example))
    cells = (_code(one.name), words, left_out, one.key.help, example)
    return "| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |"


def starter() -> str:
    """Text of the starter house's house.toml."""
    head = (
        f"The panel schedule of one house. Lines that begin with # are explanations or examples.\n"
        f"All keys: shared/house_toml.md.\n{SAFETY}"
    )
    return house_toml(STARTER, head=head, comments="all")


def write_documents(folder: Path) -> list[Path]:
    """Write the reference and the starter house below a folder, the repository's `shared`."""
    made = {"house_toml.md": reference(), "starter_house/house.toml": starter()}
    for name, text in made.items():
        (folder / name).write_text(text, encoding="utf-8", newline="\n")
    return [folder / name for name in made]
