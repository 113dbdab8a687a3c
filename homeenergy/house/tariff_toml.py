"""Read a tariff from TOML, and refuse hours without a price or with two."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from math import inf
from pathlib import Path
from typing import Annotated

import numpy as np

from homeenergy.house.prices import (
    DAY_MINUTES,
    HOLIDAY,
    WEEKDAYS,
    BlocksPer,
    DemandCharge,
    PriceBlock,
    PriceChange,
    PricePeriod,
    Season,
    begins_anew,
    clock,
    times_covered,
)
from homeenergy.house.schema import Fields, Key, keys_of, load_toml, read_keys
from homeenergy.house.tariff import Tariff


@dataclass(frozen=True, slots=True, kw_only=True)
class _TariffFile:
    tariff: Annotated[Tariff, Key(help="what energy costs")]


def read_tariff(table: Fields) -> Tariff:
    """Read a [tariff] table.

    Parameters
    ----------
    table : Fields
        Of house.toml, or of a file from `shared/tariffs`.

    Returns
    -------
    Tariff

    Raises
    ------
    HouseError
        Naming the file and the key. Periods must cover every minute of the week, of holidays and
        of every season exactly once: the first minute that they miss or share is named.
    """
    values = read_keys(table, Tariff)
    seasons = _seasons(table)
    holidays = values["holidays"]
    first = _prices(table, seasons, holidays, start=date.min)
    changes: list[PriceChange] = []
    for row in table.tables("change"):
        start = read_keys(row, PriceChange)["start"]
        if changes and start <= changes[-1].start:
            raise row.refuse("from", "must be later than that of the change before it")
        changes.append(_prices(row, seasons, holidays, start=start))
    _check_steps(table, [first, *changes], per=values["blocks_per"])
    _check_demand(table, [first, *changes])
    return Tariff(
        **values,
        periods=first.periods,
        blocks=first.blocks,
        demand=first.demand,
        seasons=seasons,
        changes=tuple(changes),
    )


def read_tariff_file(path: str | Path) -> Tariff:
    """Read the [tariff] of a TOML file that holds nothing else, as those of `shared/tariffs`.

    Raises
    ------
    HouseError
        As `read_tariff`.
    """
    path = Path(path)
    top = Fields(load_toml(path), path=path)
    top.only(keys_of(_TariffFile))
    return read_tariff(top.inner("tariff", required=True))


def _prices(
    table: Fields, seasons: tuple[Season, ...], holidays: frozenset[date], *, start: date
) -> PriceChange:
    given = [name for name in ("price_per_kwh", "period", "block") if table.has(name)]
    if len(given) > 1:
        raise table.refuse(
            given[1],
            f"cannot be combined with `{given[0]}`",
            fix="A tariff has one price, or [[...period]] by time of use, or [[...block]] steps.",
        )
    price = table.number("price_per_kwh", required=not given)
    standing = table.read(keys_of(PriceChange)["standing_per_day"])
    rows = table.tables("period")
    periods = tuple(_period(row, seasons, holidays) for row in rows)
    if table.has("period"):
        _check_times(table, periods, seasons, with_holidays=bool(holidays))
    return PriceChange(
        start=start,
        price_per_kwh=price,
        periods=periods,
        blocks=_blocks(table),
        demand=_demand(table, seasons, holidays),
        standing_per_day=standing,
    )


def _period(row: Fields, seasons: tuple[Season, ...], holidays: frozenset[date]) -> PricePeriod:
    period = PricePeriod(**read_keys(row, PricePeriod))
    check_when(row, period.days, period.seasons, seasons=seasons, holidays=holidays)
    return period


def check_when(
    row: Fields,
    days: frozenset[int],
    names: tuple[str, ...],
    *,
    seasons: tuple[Season, ...],
    holidays: frozenset[date],
) -> None:
    """Refuse seasons that there are not, and holidays where none are listed."""
    known = tuple(dict.fromkeys(season.name for season in seasons))
    for name in names:
        if name not in known:
            what = ", ".join(f'"{one}"' for one in known) or "none: no [[tariff.season]] is given"
            raise row.refuse("seasons", f"names {name!r}; known here: {what}")
    if HOLIDAY in days and "holidays" in row.texts("days") and not holidays:
        raise row.refuse("days", "names holidays, but `tariff.holidays` lists no dates")


def _check_times(
    table: Fields,
    periods: tuple[PricePeriod, ...],
    seasons: tuple[Season, ...],
    *,
    with_holidays: bool,
) -> None:
    times = times_covered(periods, seasons)[:, : HOLIDAY + int(with_holidays)]
    wrong = np.argwhere(times != 1)
    if not len(wrong):
        return
    season, day, minute = (int(i) for i in wrong[0])
    until = minute
    while until < DAY_MINUTES and times[season, day, until] == times[season, day, minute]:
        until += 1
    when = f"{_day_name(day)}, {clock(minute)} to {clock(until)}"
    when += f', in season "{seasons[season].name}"' if seasons else ""
    if times[season, day, minute] == 0:
        fix = "Give these hours to one of the periods."
        if day == HOLIDAY:
            fix = 'Add "holidays" to the `days` of the period that holds on them.'
        raise table.refuse("period", f"leaves a gap: no price for {when}", fix=fix)
    both = [
        f"{table.key('period')}[{number}] ({p.name})"
        for number, p in enumerate(periods, start=1)
        if times_covered((p,), seasons)[season, day, minute]
    ]
    raise table.refuse(
        "period",
        f"has an overlap: {' and '.join(both)} both hold on {when}",
        fix="Keep these hours in one of them.",
    )


def _day_name(day: int) -> str:
    return "holidays" if day == HOLIDAY else WEEKDAYS[day]


def _blocks(table: Fields) -> tuple[PriceBlock, ...]:
    rows = table.tables("block")
    if table.has("block") and not rows:
        raise table.refuse("block", "is an empty list; expected [[...block]] tables")
    found: list[PriceBlock] = []
    for number, row in enumerate(rows, start=1):
        block = PriceBlock(**read_keys(row, PriceBlock))
        last, up_to = number == len(rows), block.up_to_kwh
        if not last and not row.has("up_to_kwh"):
            raise row.missing("up_to_kwh", "a number")
        if last and up_to < inf:
            raise row.refuse(
                "up_to_kwh",
                f"leaves a gap: no price for more than {up_to:g} kWh",
                fix="Leave it out in the last block, which has no end.",
            )
        if found and up_to <= found[-1].up_to_kwh:
            raise row.refuse(
                "up_to_kwh",
                f"overlaps the block before it, which goes up to {found[-1].up_to_kwh:g} kWh",
                fix="Blocks must be in order, each ending higher than the one before.",
            )
        found.append(block)
    return tuple(found)


def _demand(
    table: Fields, seasons: tuple[Season, ...], holidays: frozenset[date]
) -> tuple[DemandCharge, ...]:
    """Charges for demand; a single one may be written as a table [tariff.demand]."""
    single = isinstance(table.table.get("demand"), dict)
    found: list[DemandCharge] = []
    for row in [table.inner("demand")] if single else table.tables("demand"):
        charge = DemandCharge(**read_keys(row, DemandCharge))
        _check_kva(row, charge)
        check_when(row, charge.days, charge.seasons, seasons=seasons, holidays=holidays)
        if any(charge.name == other.name for other in found):
            raise row.refuse(
                "name",
                f"{charge.name!r} is the name of another demand charge",
                fix="Each needs a name of its own.",
            )
        found.append(charge)
    return tuple(found)


def _check_kva(row: Fields, charge: DemandCharge) -> None:
    if charge.price_per_kw is None and charge.price_per_kva is None:
        raise row.refuse("price_per_kw", "is missing, and so is price_per_kva: give one of them")
    if charge.price_per_kw is not None and charge.price_per_kva is not None:
        raise row.refuse("price_per_kva", "and price_per_kw are both given: give one of them")
    if charge.power_factor is not None and charge.price_per_kva is None:
        raise row.refuse("power_factor", "belongs to price_per_kva; there is none")


def _check_demand(table: Fields, versions: list[PriceChange]) -> None:
    if not any(version.demand for version in versions):
        return
    for row, version in zip(table.tables("change"), versions[1:], strict=True):
        if version.start.day != 1:
            raise row.refuse(
                "from", "must be the first day of a month, for which demand is charged"
            )


def _check_steps(table: Fields, versions: list[PriceChange], *, per: BlocksPer) -> None:
    if not any(version.blocks for version in versions):
        if table.has("blocks_per"):
            raise table.refuse("blocks_per", "belongs to [[tariff.block]]; there is none")
        return
    for row, version in zip([table, *table.tables("change")], versions, strict=True):
        if not version.blocks:
            raise row.refuse(
                "block", "is missing: a tariff must have steps throughout or not at all"
            )
        if row is not table and not begins_anew(version.start, per):
            raise row.refuse(
                "from", f"must be the first day of a {per}, in which the steps begin again"
            )


def _seasons(table: Fields) -> tuple[Season, ...]:
    found: list[Season] = []
    for row in table.tables("season"):
        values = read_keys(row, Season)
        month, day = values["month"]
        if any((s.month, s.day) == (month, day) for s in found):
            what = f"overlaps: another season begins on {month:02d}-{day:02d} as well"
            raise row.refuse("from", what)
        found.append(Season(name=values["name"], month=month, day=day))
    if len(found) == 1:
        raise table.refuse(
            "season", "has one season only; leave it out, or say where the next begins"
        )
    return tuple(sorted(found, key=lambda s: (s.month, s.day)))
