"""The panel schedule of a house, and all else that house.toml says; every key is declared here.

The tables of tariffs are in `homeenergy.house.tariff`, those of logs in `homeenergy.house.layouts`.
"""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, time
from pathlib import Path
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo

from homeenergy.house.kinds import KINDS, Seasonality
from homeenergy.house.layouts import LogLayout
from homeenergy.house.limits import Limits
from homeenergy.house.log_columns import NAME, SWITCHED
from homeenergy.house.measures import Measure
from homeenergy.house.schema import Fields, Key, values_of
from homeenergy.house.sources import Source
from homeenergy.house.tariff import Tariff
from homeenergy.house.write_up import WriteUpDetails
from homeenergy.house.zones import read_region

FIRST_YEAR = 1990  # of carbon factors


def _instant(fields: Fields, name: str) -> datetime:
    value: Any = fields.table[name]
    try:
        if isinstance(value, str):
            value = datetime.fromisoformat(value)
        elif isinstance(value, date) and not isinstance(value, datetime):
            value = datetime.combine(value, time())
        if not isinstance(value, datetime):
            raise ValueError
    except ValueError:
        raise fields.refuse(
            name,
            f"must be a date or time, got {value!r}",
            fix='Write for example from = "2026-10-25 14:00", local time.',
        ) from None
    return value


def _time(what: str, *, name: str = "", example: str = "2026-10-25 14:00") -> Key:
    return Key(
        help=what,
        name=name,
        kind="a date or time",
        example=example,
        read=_instant,
        write=lambda at: at.isoformat(sep=" "),
    )


def _zone(fields: Fields, name: str) -> ZoneInfo:
    try:
        return read_region(fields.get(name, str))
    except ValueError as error:
        raise fields.refuse(
            name,
            f"cannot be used: {error}",
            fix='Write the region of the house, such as "Europe/Berlin".',
        ) from None


Uncertainty = Annotated[
    float | None,
    Key(
        help="uncertainty of the multiplier, as a share of it, at 95 %",
        example=0.02,
        check=lambda share: 0 <= share < 1,
        must="be a share of the multiplier such as 0.02 for 2 %",
    ),
]
Offset = Annotated[
    float,
    Key(
        help="added after multiplying: a reference's reading where the clamp's is 0",
        unit="W",
        example=0.8,
    ),
]
OffsetUncertainty = Annotated[
    float | None,
    Key(
        help="uncertainty of the offset, at 95 %",
        unit="W",
        example=0.5,
        check=lambda off_w: off_w >= 0,
        must="be 0 W or more",
    ),
]
ComparedAt = Annotated[
    float | None,
    Key(help="load at which the multiplier was found", unit="W", example=250, positive=True),
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction:
    """What readings are corrected with from an instant on.

    `value` multiplies them, `offset_w` is then added [W]; the rest is as in `Clamp`. `start` is
    None where it holds from the beginning.
    """

    value: Annotated[
        float,
        Key(
            help="the multiplier from then on",
            example=2,
            check=lambda value: value != 0,
            must="not be 0: it would erase the readings",
        ),
    ]
    start: Annotated[
        datetime | None,
        _time("since when, local time; left out, from the beginning", name="from"),
    ] = None
    uncertainty: Uncertainty = None
    offset_w: Offset = 0.0
    offset_uncertainty_w: OffsetUncertainty = None
    compared_at_w: ComparedAt = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Clamp:
    """A clamp-on current transformer and what its watts must be multiplied with.

    `multiplier` is 2 where a 240 V circuit is logged on one leg, -1 where the clamp sits backwards,
    1.02 where a bench comparison found it 2 % low; `uncertainty` is how far it may be off at 95 %,
    as a share of it. `offset_w` is added after that: what a reference meter shows where the clamp
    reads nothing [W]; `offset_uncertainty_w` is how far that may be off at 95 % [W],
    `compared_at_w` the load at which the multiplier was found and its uncertainty holds [W]. Where
    a clamp was moved, `corrections` holds all of these in order of time, and those of the clamp are
    the last. `conductors` are what runs through it ("L1", "-L2" against its arrow, "2*L1" twice),
    `volts_leg` the leg whose voltage its meter multiplies by.
    """

    rating_a: Annotated[
        float | None,
        Key(help="rated primary current", unit="A", example=50, positive=True),
    ] = None
    multiplier: Annotated[
        float,
        Key(
            help="readings are multiplied by it",
            kind="a number, or a list of corrections",
            example=2,
            read=lambda fields, name: (
                fields.tables(name) if isinstance(fields.table[name], list) else fields.number(name)
            ),
            check=lambda value: value != 0,
            must="not be 0: it would erase the readings",
            more="The multiplier is 2 where a clamp is on one leg of a 240 V circuit, -1 where\n"
            "it is on backwards, 1.02 where a bench comparison found it 2 % low. Where\n"
            'it changed: multiplier = [{ value = 1 }, { value = 2, from = "2026-10-25 14:00" }];\n'
            "each may have the keys from uncertainty to compared_at_w of its own.\n"
            "`homeenergy check` proposes these keys from a bench comparison.",
        ),
    ] = 1.0
    corrections: tuple[Correction, ...] = ()
    uncertainty: Uncertainty = None
    offset_w: Offset = 0.0
    offset_uncertainty_w: OffsetUncertainty = None
    compared_at_w: ComparedAt = None
    conductors: Annotated[
        tuple[str, ...],
        Key(
            help='what runs through it: "-L2" against its arrow, "2*L1" twice',
            example=["L1", "-L2"],
        ),
    ] = ()
    volts_leg: Annotated[
        str | None,
        Key(help="leg whose voltage its meter multiplies by", kind="a leg", example="L1"),
    ] = None

    @property
    def in_order(self) -> tuple[Correction, ...]:
        """Its dated corrections; without any, the one that always holds."""
        always = Correction(
            value=self.multiplier,
            uncertainty=self.uncertainty,
            offset_w=self.offset_w,
            offset_uncertainty_w=self.offset_uncertainty_w,
            compared_at_w=self.compared_at_w,
        )
        return self.corrections or (always,)

    def to_toml(self) -> dict[str, object]:
        """Values as house.toml has them."""
        values = values_of(self)
        if self.corrections:
            shared = {"uncertainty", "offset_w", "offset_uncertainty_w", "compared_at_w"}
            values = {name: value for name, value in values.items() if name not in shared}
            values["multiplier"] = [values_of(one) for one in self.corrections]
        return values


def _kinds() -> str:
    lines = [f"  {name:<12}  {kind.help}" for name, kind in KINDS.items()]
    return "\n".join(["How it behaves; left out, it is inferred, and said so.", *lines])


@dataclass(frozen=True, slots=True, kw_only=True)
class CircuitLoad:
    """One load of a circuit that several share; `name` is unique among circuits and loads.

    From `alone_from` to `alone_to` only this load ran: what was drawn then is its own.
    """

    name: Annotated[
        str,
        Key(
            help="short and unique among circuits and loads",
            example="freezer",
            check=lambda name: NAME.fullmatch(name) is not None,
            must="be made of letters, digits, _ and -",
        ),
    ]
    appliance: Annotated[
        str, Key(help="what a person calls it", example="Chest freezer", otherwise="its name")
    ]
    kind: Annotated[
        str | None, Key(help="how it behaves", example="thermostatic", one_of=KINDS)
    ] = None
    watts: Annotated[
        float | None,
        Key(help="about what it draws while on", unit="W", example=80, positive=True),
    ] = None
    alone_from: Annotated[
        datetime | None,
        _time("beginning of a time in which only this load ran, local time"),
    ] = None
    alone_to: Annotated[datetime | None, _time("end of that time", example="2026-10-26 09:00")] = (
        None
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Circuit:
    """One circuit of the panel schedule, or one load of it (`divided_circuits`).

    `kind` is one of `homeenergy.house.KINDS`, inferred where it is None. `season` is how much the
    weather of a year drives what it feeds; None leaves that to the outdoor temperature or the kind.
    """

    name: Annotated[
        str,
        Key(
            help="short and unique: letters, digits, _ and -",
            example="fridge",
            check=lambda name: NAME.fullmatch(name) is not None,
            must="be made of letters, digits, _ and -",
        ),
    ]
    appliance: Annotated[
        str, Key(help="what a person calls it", example="Refrigerator", otherwise="its name")
    ]
    kind: Annotated[
        str | None,
        Key(help="how it behaves", example="thermostatic", one_of=KINDS, more=_kinds),
    ] = None
    season: Annotated[
        Seasonality | None,
        Key(
            help="how strongly it depends on the season",
            example="some",
            more='"strong" heats or cools rooms, "some" is a refrigerator, a water heater or\n'
            'lights, "none" a kettle or a television. Left out, it is found from the temperatures\n'
            "of an outdoor.csv in this folder, else taken from the kind. A year depends on it.",
        ),
    ] = None
    role: Annotated[
        Literal["load", "mains"],
        Key(help='"mains" is the incoming supply: one circuit for each leg', example="mains"),
    ] = "load"
    legs: Annotated[
        tuple[str, ...],
        Key(help="legs that feed it: two for a 240 V load of split phase", example=["L1", "L2"]),
    ] = ()
    breaker_a: Annotated[
        float | None, Key(help="rating of its breaker", unit="A", example=15, positive=True)
    ] = None
    watts: Annotated[
        float | None,
        Key(
            help="what it draws while on, where its log holds states or temperatures",
            unit="W",
            example=1500,
            positive=True,
        ),
    ] = None
    watts_uncertainty: Annotated[
        float | None,
        Key(
            help="uncertainty of watts, as a share of it, at 95 %",
            example=0.1,
            check=lambda share: 0 <= share < 1,
            must="be a share such as 0.1 for 10 %",
        ),
    ] = None
    clamp: Annotated[
        Clamp,
        Key(help="the clamp around it", example={"rating_a": 50}, write=Clamp.to_toml),
    ] = field(default_factory=Clamp)
    load_count: Annotated[
        float | None,
        Key(
            name="loads",
            help="how many loads share it, where no [[circuit.load]] names them; 1: one only",
            example=2,
            check=lambda n: n in (1, 2, 3, 4),
            must="be 1, 2, 3 or 4",
        ),
    ] = None
    loads: Annotated[
        tuple[CircuitLoad, ...],
        Key(name="load", help="one block for each load, where several share the clamp"),
    ] = ()
    volume_l: Annotated[
        float | None,
        Key(
            help="of a refrigerator or freezer: all its compartments, by its plate or label; a "
            "write-up compares it with new ones of that size",
            unit="l",
            example=350,
            positive=True,
        ),
    ] = None
    part_of: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Supply:
    """What the utility brings in. `volts_v` is from a leg to neutral."""

    system: Annotated[
        Literal["single-phase", "split-phase", "three-phase"],
        Key(
            help="single-phase, split-phase (120/240 V) or three-phase",
            example="split-phase",
            always=True,
        ),
    ] = "single-phase"
    volts_v: Annotated[
        float | None, Key(help="from one leg to neutral", unit="V", example=230, positive=True)
    ] = None
    frequency_hz: Annotated[
        float | None, Key(help="50 or 60", unit="Hz", example=50, positive=True)
    ] = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ProgrammeName:
    """What a person calls the programme of a circuit that takes about so long and so much."""

    circuit: Annotated[str, Key(help="name of a circuit", example="washer")]
    name: Annotated[
        str,
        Key(
            help="what a person calls it",
            example="Quick wash",
            check=lambda name: ":" not in name,  # `homeenergy compare` parts circuit and programme
            must="not hold a colon",
        ),
    ]
    minutes: Annotated[
        float, Key(help="about how long it takes", unit="min", example=45, positive=True)
    ]
    kwh: Annotated[float, Key(help="about what it takes", unit="kWh", example=0.31, positive=True)]


@dataclass(frozen=True, slots=True, kw_only=True)
class CarbonFactor:
    """Carbon dioxide of a kWh [kg per kWh], of which year and who published it."""

    kg_per_kwh: Annotated[
        float,
        Key(
            help="carbon dioxide of a kWh",
            unit="kg per kWh",
            example=0.366,
            check=lambda factor: 0 <= factor < 3,
            must="lie between 0 and 3",
            fix="Grams per kWh must be divided by 1000, pounds per kWh multiplied by 0.45359237.",
        ),
    ]
    source: Annotated[str, Key(help="who published it", example="US EIA, FAQ 74, US generation")]
    year: Annotated[
        int,
        Key(
            help="of which year",
            example=2023,
            check=lambda year: year == int(year) and FIRST_YEAR <= year <= 2100,
            must="be a year such as 2023",
        ),
    ]


@dataclass(frozen=True, slots=True, kw_only=True)
class Schedule:
    """All that house.toml says."""

    folder: Path
    name: Annotated[
        str, Key(help="of the house", example="Orchard house", otherwise="the folder's name")
    ]
    timezone: Annotated[
        ZoneInfo,
        Key(
            help="a region, so that both clock changes are known",
            kind="the name of a region",
            example="America/Denver",
            read=_zone,
            write=str,
        ),
    ]
    supply: Annotated[Supply, Key(help="what the utility supplies")] = field(default_factory=Supply)
    tariff: Annotated[
        Tariff | None, Key(help="what energy costs; all forms of a tariff are in shared/tariffs")
    ] = None
    carbon: Annotated[CarbonFactor | None, Key(help="for the carbon dioxide of what is used")] = (
        None
    )
    write_up: Annotated[WriteUpDetails, Key(help="first page of a write-up")] = field(
        default_factory=WriteUpDetails
    )
    limits: Annotated[Limits, Key(help="of what is read")] = field(default_factory=Limits)
    circuits: Annotated[
        tuple[Circuit, ...], Key(name="circuit", help="one block for each measured circuit")
    ] = ()
    programmes: Annotated[
        tuple[ProgrammeName, ...],
        Key(name="programme", help="a name for a programme: similar runs that take about so much"),
    ] = ()
    measures: Annotated[
        tuple[Measure, ...], Key(name="measure", help="something that could be done, and its price")
    ] = ()
    logs: Annotated[
        tuple[LogLayout, ...], Key(name="log", help="one block for each family of log files")
    ] = ()
    sources: Annotated[
        tuple[Source, ...],
        Key(name="source", help="one block for each thing that `homeenergy record` listens to"),
    ] = ()


def divided_circuits(circuits: Sequence[Circuit]) -> tuple[Circuit, ...]:
    """Circuits, each that several loads share followed by its loads as circuits of their own.

    A shared circuit has the role "shared": it counts as measured, its loads as appliances. What
    divides its readings: `homeenergy.cycles.shared`.
    """
    found: list[Circuit] = []
    for circuit in circuits:
        if not circuit.loads:
            found.append(circuit)
            continue
        role: Any = "shared"
        found.append(replace(circuit, role=role))
        found += [
            Circuit(
                name=load.name,
                appliance=load.appliance,
                kind=load.kind,
                legs=circuit.legs,
                part_of=circuit.name,
            )
            for load in circuit.loads
        ]
    return tuple(found)


def switched(logs: Sequence[LogLayout]) -> dict[str, str]:
    """Circuits whose logs say when they are on, and no watts: "state" or "temperature" of each."""
    return {
        name: column.quantity
        for log in logs
        for name, column in log.columns.items()
        if column.quantity in SWITCHED
    }


def other_units(logs: Sequence[LogLayout]) -> dict[str, str]:
    """Names of what logs hold that is no circuit's, such as volts, with the unit of each."""
    return {
        name: column.unit
        for log in logs
        for name, column in log.columns.items()
        if column.quantity == "other"
    }


def appliance_names(circuits: Sequence[Circuit]) -> dict[str, str]:
    """Name of the appliance of each circuit, with the circuit's where several would be the same.

    Parameters
    ----------
    circuits : sequence of Circuit
        All of a house, so that a name does not depend on what is looked at.

    Examples
    --------
    >>> from homeenergy.house.schedule import Circuit
    >>> from homeenergy.house.schedule import appliance_names
    >>> kitchen, cellar = (Circuit(name=n, appliance="Fridge") for n in ("kitchen", "cellar"))
    >>> appliance_names([kitchen, cellar, Circuit(name="oven", appliance="Oven")])
    {'kitchen': 'Fridge (kitchen)', 'cellar': 'Fridge (cellar)', 'oven': 'Oven'}
    """
    count = Counter(c.appliance.casefold() for c in circuits)
    return {
        c.name: f"{c.appliance} ({c.name})" if count[c.appliance.casefold()] > 1 else c.appliance
        for c in circuits
    }


def circuit_names(stems: Iterable[str]) -> list[str]:
    """Short, different names made of letters, digits, _ and -."""
    names: list[str] = []
    for stem in stems:
        plain = unicodedata.normalize("NFKD", stem).encode("ascii", "ignore").decode()
        base = re.sub(r"[^a-z0-9-]+", "_", plain.lower()).strip("_-") or "circuit"
        name, number = base, 2
        while name in names:
            name, number = f"{base}_{number}", number + 1
        names.append(name)
    return names
