"""Read how a clamp sits and what corrects it: the `clamp` table of a circuit."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date, datetime, time, tzinfo
from typing import Any

from homeenergy.house.fields import Fields
from homeenergy.house.schedule import Clamp, Correction

_FURTHER = ("uncertainty", "offset_w", "offset_uncertainty_w", "compared_at_w")
_CONDUCTOR = re.compile(r"-?(?:[1-9]\d*\*)?(L[123])")


def read_clamp(table: Fields, *, legs: tuple[str, ...], timezone: tzinfo) -> Clamp:
    """Read a `clamp` table.

    Parameters
    ----------
    table : Fields
    legs : tuple of str
        Legs that the supply has.
    timezone : datetime.tzinfo
        Of dates that carry no offset.
    """
    table.only(("rating_a", "multiplier", *_FURTHER, "conductors", "volts_leg"))
    corrections: tuple[Correction, ...] = ()
    last = _further(table, Correction(value=1.0))
    if isinstance(table.table.get("multiplier"), list):
        corrections = _corrections(table, timezone, default=last)
        last = corrections[-1]
    else:
        last = replace(last, value=_multiplier(table, "multiplier", 1.0))
    return Clamp(
        rating_a=table.number("rating_a", positive=True),
        multiplier=last.value,
        corrections=corrections,
        uncertainty=last.uncertainty,
        offset_w=last.offset_w,
        offset_uncertainty_w=last.offset_uncertainty_w,
        compared_at_w=last.compared_at_w,
        conductors=_conductors(table, legs),
        volts_leg=table.choice("volts_leg", legs, none=True),
    )


def _multiplier(table: Fields, name: str, default: float | None = None) -> float:
    value = table.number(name, default, required=default is None)
    assert value is not None
    if value == 0:
        raise table.refuse(name, "must not be 0: it would erase the readings")
    return value


def _further(table: Fields, default: Correction) -> Correction:
    """What a table says beside the multiplier, the rest as in `default`."""
    uncertainty = table.number("uncertainty", default.uncertainty)
    if uncertainty is not None and not 0 <= uncertainty < 1:
        raise table.refuse(
            "uncertainty",
            f"must be a share of the multiplier such as 0.02 for 2 %, got {uncertainty:g}",
        )
    offset_w = table.number("offset_w", default.offset_w)
    assert offset_w is not None
    off_w = table.number("offset_uncertainty_w", default.offset_uncertainty_w)
    if off_w is not None and off_w < 0:
        raise table.refuse("offset_uncertainty_w", f"must be 0 W or more, got {off_w:g}")
    load_w = table.number("compared_at_w", positive=True)
    return replace(
        default,
        uncertainty=uncertainty,
        offset_w=offset_w,
        offset_uncertainty_w=off_w,
        compared_at_w=default.compared_at_w if load_w is None else load_w,
    )


def _corrections(table: Fields, timezone: tzinfo, *, default: Correction) -> tuple[Correction, ...]:
    """Dated corrections; what one does not say beside its multiplier is as in `default`."""
    rows = table.tables("multiplier")
    if not rows:
        raise table.refuse("multiplier", "is an empty list; expected a number or corrections")
    found: list[Correction] = []
    for number, row in enumerate(rows):
        row.only(("value", "from", *_FURTHER))
        if number and not row.has("from"):
            raise row.refuse("from", "is missing; only the first multiplier holds from the start")
        start = _instant(row, timezone) if row.has("from") else None
        earlier = found[-1].start if found else None
        if start is not None and earlier is not None and start <= earlier:
            raise row.refuse("from", "must be later than the one before it")
        found.append(replace(_further(row, default), value=_multiplier(row, "value"), start=start))
    return tuple(found)


def _instant(row: Fields, timezone: tzinfo) -> datetime:
    value: Any = row.table["from"]
    try:
        if isinstance(value, str):
            value = datetime.fromisoformat(value)
        elif isinstance(value, date) and not isinstance(value, datetime):
            value = datetime.combine(value, time())
        if not isinstance(value, datetime):
            raise ValueError
    except ValueError:
        raise row.refuse(
            "from",
            f"must be a date or time, got {value!r}",
            fix='Write for example from = "2026-10-25 14:00", local time.',
        ) from None
    return value if value.tzinfo is not None else value.replace(tzinfo=timezone)


def _conductors(table: Fields, legs: tuple[str, ...]) -> tuple[str, ...]:
    texts = table.texts("conductors")
    for text in texts:
        match = _CONDUCTOR.fullmatch(text)
        if match is None or match[1] not in legs:
            raise table.refuse(
                "conductors",
                f"must list legs ({', '.join(legs)}) that run through the clamp, got {text!r}",
                fix='"-L2" runs against the arrow of the clamp, "2*L1" passes through it twice.',
            )
    return texts
