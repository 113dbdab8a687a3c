"""Read a tariff from TOML, and refuse hours without a price or with two."""

from __future__ import annotations

import re
from calendar import monthrange
from datetime import date, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from homeenergy.house.fields import Fields
from homeenergy.house.tariff import (
    DAY_MINUTES,
    HOLIDAY,
    PriceBlock,
    PriceChange,
    PricePeriod,
    Season,
    Tariff,
)

WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
DAYS: dict[str, frozenset[int]] = {
    **{name: frozenset({i}) for i, name in enumerate(WEEKDAYS)},
    "workdays": frozenset(range(5)),
    "weekend": frozenset({5, 6}),
    "holidays": frozenset({HOLIDAY}),
}
_PRICES = ("price_per_kwh", "period", "block", "standing_per_day")
_NOTES = ("name", "year", "source")
_HOURS = re.compile(r"(\d{1,2}):(\d{2})\s*-\s*(\d{1,2}):(\d{2})")


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
    table.only((*_PRICES, *_NOTES, "currency", "blocks_per", "season", "holidays", "change"))
    currency = table.text("currency", required=True)
    if not re.fullmatch("[A-Z]{3}", currency):
        raise table.refuse(
            "currency", f'must be three capital letters such as "EUR", got {currency!r}'
        )
    for note in ("name", "source"):
        table.text(note)
    seasons = _seasons(table)
    holidays = _holidays(table)
    first = _prices(table, seasons, holidays, start=date.min)
    changes: list[PriceChange] = []
    for row in table.tables("change"):
        row.only((*_PRICES, "from"))
        start = _date(row, "from")
        if changes and start <= changes[-1].start:
            raise row.refuse("from", "must be later than that of the change before it")
        changes.append(_prices(row, seasons, holidays, start=start))
    tariff = Tariff(
        currency=currency,
        price_per_kwh=first.price_per_kwh,
        standing_per_day=first.standing_per_day,
        periods=first.periods,
        blocks=first.blocks,
        blocks_per=table.choice("blocks_per", ("day", "month", "year"), "month"),
        seasons=seasons,
        holidays=holidays,
        changes=tuple(changes),
    )
    _check_steps(table, tariff)
    return tariff


def read_tariff_file(path: str | Path) -> Tariff:
    """Read the [tariff] of a TOML file that holds nothing else, as those of `shared/tariffs`.

    Raises
    ------
    HouseError
        As `read_tariff`.
    """
    from homeenergy.house.toml_file import load_toml

    path = Path(path)
    top = Fields(load_toml(path), path=path)
    top.only(("tariff",))
    return read_tariff(top.inner("tariff", required=True))


def _prices(
    table: Fields, seasons: tuple[Season, ...], holidays: frozenset[date], *, start: date
) -> PriceChange:
    given = [name for name in ("price_per_kwh", "period", "block") if table.has(name)]
    if len(given) > 1:
        raise table.refuse(
            given[1],
            f"cannot stand beside `{given[0]}`",
            fix="A tariff has one price, or [[...period]] by time of use, or [[...block]] steps.",
        )
    price = table.number("price_per_kwh", required=not given)
    standing = table.number("standing_per_day", 0.0)
    assert standing is not None
    rows = table.tables("period")
    periods = tuple(_period(row, seasons, holidays) for row in rows)
    if table.has("period"):
        _check_times(table, periods, seasons, with_holidays=bool(holidays))
    return PriceChange(
        start=start,
        price_per_kwh=price,
        periods=periods,
        blocks=_blocks(table),
        standing_per_day=standing,
    )


def _period(row: Fields, seasons: tuple[Season, ...], holidays: frozenset[date]) -> PricePeriod:
    row.only(("name", "price_per_kwh", "hours", "days", "seasons"))
    price = row.number("price_per_kwh", required=True)
    assert price is not None
    known = tuple(dict.fromkeys(season.name for season in seasons))
    of_seasons = row.texts("seasons")
    for name in of_seasons:
        if name not in known:
            what = ", ".join(f'"{one}"' for one in known) or "none: no [[tariff.season]] is given"
            raise row.refuse("seasons", f"names {name!r}; known here: {what}")
    days = row.texts("days")
    for day in days:
        if day not in DAYS:
            raise row.refuse("days", f"must be a choice of {', '.join(DAYS)}, got {day!r}")
    if "holidays" in days and not holidays:
        raise row.refuse("days", "names holidays, but `tariff.holidays` lists no dates")
    return PricePeriod(
        name=row.text("name", required=True),
        price_per_kwh=price,
        minutes=_minutes(row),
        days=frozenset().union(*(DAYS[d] for d in days)) if days else frozenset(range(8)),
        seasons=of_seasons,
    )


def _minutes(row: Fields) -> tuple[tuple[int, int], ...]:
    if not row.has("hours"):
        return ((0, DAY_MINUTES),)
    found: list[tuple[int, int]] = []
    for text in row.texts("hours"):
        match = _HOURS.fullmatch(text.strip())
        h1, m1, h2, m2 = (int(part) for part in match.groups()) if match else (0, 99, 0, 99)
        first, stop = 60 * h1 + m1, 60 * h2 + m2
        if m1 > 59 or m2 > 59 or first >= DAY_MINUTES or stop > DAY_MINUTES or first == stop:
            raise row.refuse(
                "hours",
                f"must be times of the day such as 07:00-23:00, got {text!r}",
                fix="22:00-06:00 runs over midnight; 00:00-24:00 is a whole day.",
            )
        over = [(first, DAY_MINUTES), *([(0, stop)] if stop else [])]
        found += [(first, stop)] if first < stop else over
    if not found:
        raise row.refuse("hours", "is an empty list; leave it out for the whole day")
    ordered = sorted(found)
    for (_, stop), (first, _) in pairwise(ordered):
        if first < stop:
            raise row.refuse("hours", f"names {_clock(first)} twice")
    return tuple(ordered)


def _check_times(
    table: Fields,
    periods: tuple[PricePeriod, ...],
    seasons: tuple[Season, ...],
    *,
    with_holidays: bool,
) -> None:
    from homeenergy.house.price_times import times_covered

    times = times_covered(periods, seasons)[:, : HOLIDAY + int(with_holidays)]
    wrong = np.argwhere(times != 1)
    if not len(wrong):
        return
    season, day, minute = (int(i) for i in wrong[0])
    until = minute
    while until < DAY_MINUTES and times[season, day, until] == times[season, day, minute]:
        until += 1
    when = f"{_day_name(day)}, {_clock(minute)} to {_clock(until)}"
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


def _clock(minute: int) -> str:
    return f"{minute // 60:02d}:{minute % 60:02d}"


def _blocks(table: Fields) -> tuple[PriceBlock, ...]:
    rows = table.tables("block")
    if table.has("block") and not rows:
        raise table.refuse("block", "is an empty list; expected [[...block]] tables")
    found: list[PriceBlock] = []
    for number, row in enumerate(rows, start=1):
        row.only(("up_to_kwh", "price_per_kwh"))
        price = row.number("price_per_kwh", required=True)
        last = number == len(rows)
        up_to = row.number("up_to_kwh", required=not last, positive=True)
        if last and up_to is not None:
            raise row.refuse(
                "up_to_kwh",
                f"leaves a gap: no price for more than {up_to:g} kWh",
                fix="Leave it out in the last block, which has no end.",
            )
        if found and up_to is not None and up_to <= found[-1].up_to_kwh:
            raise row.refuse(
                "up_to_kwh",
                f"overlaps the block before it, which goes up to {found[-1].up_to_kwh:g} kWh",
                fix="Blocks stand in order, each up to more than the one before.",
            )
        assert price is not None
        end = {} if up_to is None else {"up_to_kwh": up_to}
        found.append(PriceBlock(price_per_kwh=price, **end))
    return tuple(found)


def _check_steps(table: Fields, tariff: Tariff) -> None:
    if not tariff.is_stepped:
        if table.has("blocks_per"):
            raise table.refuse("blocks_per", "belongs to [[tariff.block]]; there is none")
        return
    rows = [table, *table.tables("change")]
    for row, version in zip(rows, tariff.versions, strict=True):
        if not version.blocks:
            raise row.refuse("block", "is missing: a tariff has steps always or never")
        first = (version.start.month, version.start.day)
        begins = {"day": True, "month": first[1] == 1, "year": first == (1, 1)}
        if version is not tariff.versions[0] and not begins[tariff.blocks_per]:
            raise row.refuse(
                "from",
                f"must be the first day of a {tariff.blocks_per}, in which the steps begin anew",
            )


def _seasons(table: Fields) -> tuple[Season, ...]:
    found: list[Season] = []
    for row in table.tables("season"):
        row.only(("name", "from"))
        text = row.text("from", required=True)
        match = re.fullmatch(r"(\d{2})-(\d{2})", text)
        month, day = (int(match[1]), int(match[2])) if match else (0, 0)
        if not 1 <= month <= 12 or not 1 <= day <= monthrange(2024, month)[1]:
            raise row.refuse("from", f'must be month and day such as "04-01", got {text!r}')
        season = Season(name=row.text("name", required=True), month=month, day=day)
        if any((s.month, s.day) == (month, day) for s in found):
            raise row.refuse("from", f"overlaps: another season begins on {text} as well")
        found.append(season)
    if len(found) == 1:
        raise table.refuse(
            "season", "has one season only; leave it out, or say where the next begins"
        )
    return tuple(sorted(found, key=lambda s: (s.month, s.day)))


def _holidays(table: Fields) -> frozenset[date]:
    values: Any = table.table.get("holidays", [])
    if not isinstance(values, list):
        raise table.refuse("holidays", f"must be a list of dates, got {values!r}")
    return frozenset(_as_date(table, "holidays", value) for value in values)


def _date(row: Fields, name: str) -> date:
    if not row.has(name):
        raise row.refuse(name, "is missing; expected a date such as 2026-04-01")
    return _as_date(row, name, row.table[name])


def _as_date(table: Fields, name: str, value: Any) -> date:
    try:
        if isinstance(value, str):
            value = date.fromisoformat(value)
        if not isinstance(value, date) or isinstance(value, datetime):
            raise ValueError
    except ValueError:
        raise table.refuse(name, f"must hold dates such as 2026-04-01, got {value!r}") from None
    return value
