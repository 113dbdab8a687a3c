"""[[measure]] tables of house.toml: what could be done, what it costs, and what it would take."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated

from homeenergy.house.schema import Fields, Key, read_keys

# What says how much is saved: exactly one of them belongs to a measure.
WAYS = (
    "new_kwh_per_year",
    "new_kwh_per_100_uses",
    "saves_share",
    "lamps_then_w",
    "hot_litres_per_use",
)


def _not_negative(value: float) -> bool:
    return value >= 0


def _share(value: float) -> bool:
    return 0 < value <= 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Measure:
    """Something that could be done about the load of a circuit.

    One of five ways says what it saves: the label of a new unit (`new_kwh_per_year`,
    `new_kwh_per_100_uses`), a stated share (`saves_share`, with its `source`), other lamps
    (`lamps_then_w`), or another way of doing the job with hot water (`hot_litres_per_use`).
    """

    circuit: Annotated[str, Key(help="name of a circuit", example="dishwasher")]
    do: Annotated[str, Key(help="what is done, in few words", example="A new dishwasher")]
    price: Annotated[
        float | None,
        Key(
            help="what it costs once, in the tariff's currency",
            example=900,
            check=_not_negative,
            must="be 0 or more",
        ),
    ] = None
    subsidy: Annotated[
        float,
        Key(
            help="part of the price that is paid back",
            example=100,
            check=_not_negative,
            must="be 0 or more",
        ),
    ] = 0.0
    life_years: Annotated[
        float | None,
        Key(help="how long it lasts, for its net present value", example=12, positive=True),
    ] = None
    source: Annotated[
        str, Key(help="where price, life and savings come from", example="quotation of March")
    ] = ""
    new_kwh_per_year: Annotated[
        float | None,
        Key(
            help="what the new one takes in a year by its label",
            unit="kWh",
            example=180,
            check=_not_negative,
            must="be 0 or more",
        ),
    ] = None
    new_kwh_per_100_uses: Annotated[
        float | None,
        Key(
            help="or in 100 uses by its label",
            unit="kWh",
            example=75,
            check=_not_negative,
            must="be 0 or more",
        ),
    ] = None
    saves_share: Annotated[
        float | None,
        Key(
            help="or the share of all it takes that is saved, by the source",
            example=0.15,
            check=_share,
            must="be a share above 0, at most 1",
        ),
    ] = None
    lamps_then_w: Annotated[
        float | None,
        Key(help="or what the new lamps draw in all", unit="W", example=40, positive=True),
    ] = None
    lamps_now_w: Annotated[
        float | None,
        Key(help="what the lamps that they replace draw", unit="W", example=300, positive=True),
    ] = None
    lamps_h_per_day: Annotated[
        float | None,
        Key(help="hours a day for which just these are on", unit="h", example=2.5, positive=True),
    ] = None
    hot_litres_per_use: Annotated[
        float | None,
        Key(
            help="or the hot water that does the job by hand, of one use",
            unit="l",
            example=25,
            positive=True,
            more="Each use of the machine is then done by hand: litres times the rise in "
            "temperature\n"
            "times 1.163 Wh per litre and kelvin, over the efficiency of what heats the water.",
        ),
    ] = None
    rise_k: Annotated[
        float | None,
        Key(help="by how much that water is heated", unit="K", example=35, positive=True),
    ] = None
    efficiency: Annotated[
        float | None,
        Key(
            help="heat in the water over electricity: below 1 with a tank, 2 to 4 with a heat pump",
            example=0.8,
            check=lambda value: 0.1 <= value <= 6,
            must="lie between 0.1 and 6",
        ),
    ] = None


def read_measures(top: Fields, circuits: Sequence[str]) -> tuple[Measure, ...]:
    """Read and check the [[measure]] tables.

    Raises
    ------
    HouseError
        Naming the table and the key.
    """
    found: list[Measure] = []
    for row in top.tables("measure"):
        one = Measure(**read_keys(row, Measure))
        if one.circuit not in circuits:
            raise row.refuse(
                "circuit",
                f"must be the name of a circuit, got {one.circuit!r}",
                fix=f"Circuits: {', '.join(circuits)}.",
            )
        given = [name for name in WAYS if getattr(one, name) is not None]
        if len(given) != 1:
            raise row.refuse(
                given[1] if given else "do",
                f"a measure needs exactly one of {', '.join(WAYS)}, got {len(given)}",
                fix="Write what the new unit takes, or the share that is saved and its source.",
            )
        if one.saves_share is not None and not one.source:
            raise row.missing("source", "where that share comes from")
        if one.hot_litres_per_use is not None:
            for name, what in (
                ("rise_k", "by how much the water is heated"),
                ("efficiency", "what the heating of the water makes of a kWh"),
            ):
                if getattr(one, name) is None:
                    raise row.missing(name, what)
        if one.price is not None and one.subsidy > one.price:
            raise row.refuse("subsidy", "must not be more than the price")
        found.append(one)
    return tuple(found)
