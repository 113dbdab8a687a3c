"""A second visit: what changed between two periods or two logs of one house, and what it saves."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass
from datetime import date

import pandas as pd

from homeenergy.errors import HouseError
from homeenergy.findings.appliance.record import estimate_text
from homeenergy.findings.before_after import before_after
from homeenergy.findings.change import Change
from homeenergy.findings.days import daily_energy
from homeenergy.house.clamp_errors import clamp_errors, errors_of_sum
from homeenergy.house.schedule import Circuit, appliance_names
from homeenergy.readings.house import House
from homeenergy.readings.outdoor import read_outdoor
from homeenergy.show.document.blocks import (
    Block,
    Bullets,
    Facts,
    Heading,
    Paper,
    Prose,
    Table,
    Together,
)
from homeenergy.show.figures.comparison import plot_before_after
from homeenergy.show.writeup.basis import (
    files_of,
    fingerprint,
    money_text,
    overruled,
    picture,
    versions,
)
from homeenergy.show.writeup.ends import day_text, limit_blocks
from homeenergy.show.writeup.write_up import WriteUp, usual_paper
from homeenergy.stats.estimate import Estimate
from homeenergy.units import DAYS_PER_YEAR

WHOLE_HOUSE = "Whole house"
METHOD = (
    "Energy of each day before and after, by regression on weekday, on outdoor temperature where "
    "it is available, and on the step between the two periods. Intervals are 95 % and allow for "
    "autocorrelation between days. The p-value is how often a change this large appears in logs "
    "with the same scatter and no change.",
    "A change is called significant if p is at most 5 % and the interval excludes zero. Of many "
    "appliances, one in twenty would appear significant by chance alone.",
    "Whatever changed at the same time as the measure, other than weather and weekday, cannot be "
    "separated from it: guests, holidays, another machine on the circuit.",
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Compared:
    """One circuit, or the whole house, before and after."""

    name: str
    change: Change | None
    why_not: str = ""
    saved_kwh: Estimate | None = None
    saved_money: Estimate | None = None


def visit_up(
    house: House,
    *,
    since: date | str | None = None,
    before: House | None = None,
    written: date | None = None,
    paper: Paper | None = None,
) -> WriteUp:
    """Write up what changed in a house, weather taken out.

    Parameters
    ----------
    house : House
        Its log holds both periods, or the second where `before` is given.
    since : date or text, optional
        First day after the change. Default: the first day of `house`, where `before` is given.
    before : House, optional
        Folder of the same house, logged earlier. Circuits are matched by name.
    written, paper
        As in `write_up`.

    Returns
    -------
    WriteUp
        With the parts front, summary, changes, method and limits.

    Raises
    ------
    HouseError
        If neither a date nor an earlier folder is given, or both logs overlap.
    """
    at = _first_day_after(house, since, before)
    outdoor = _outdoor(house, before)
    mains = [c for c in house.circuits if c.role == "mains"]
    found = [_compare(WHOLE_HOUSE, mains, at, outdoor, houses=(before, house))]
    names = appliance_names(house.circuits)
    for circuit in house.circuits:
        if circuit.role == "load":
            name = names[circuit.name]
            found.append(_compare(name, [circuit], at, outdoor, houses=(before, house)))
    if all(one.change is None for one in found):
        raise HouseError(
            f"nothing can be compared at {day_text(at)}: {found[-1].why_not}",
            path=house.path,
            fix="Give a day with at least 5 whole days of readings before and after it.",
        )
    found[1:] = sorted(found[1:], key=_rank)
    written = date.today() if written is None else written
    details = house.schedule.write_up
    files = files_of(house.path, before=None if before is None else before.path)
    return WriteUp(
        title=details.title or f"{house.name}: before and after {day_text(at)}",
        author=details.author,
        written=written,
        paper=paper or details.paper or usual_paper(house),
        parts={
            "front": _front(house, before, at, written),
            "summary": (
                *_summary(found, at, weather=outdoor is not None),
                *_no_money(house, found),
            ),
            "changes": _changes(found, weather=outdoor is not None),
            "method": (Heading(text="Method"), Prose(text="\n\n".join(METHOD))),
            "limits": limit_blocks(with_settings=False),
        },
        record={
            "house": house.name,
            "versions": versions(),
            "settings": {},
            "overruled": overruled(house.path),
            "since": str(at.date()),
            "files": files,
            "fingerprint": fingerprint(files),
        },
    )


def _first_day_after(house: House, since: date | str | None, before: House | None) -> pd.Timestamp:
    if since is None and before is None:
        raise HouseError(
            "nothing was named to compare",
            fix="Give the first day after the change, or the folder of the earlier log.",
        )
    if before is None:
        return pd.Timestamp(since, tz=str(house.timezone))  # type: ignore[arg-type]
    starts = [house.trace(c).start for c in house.circuits if house.has_readings(c)]
    ends = [before.trace(c).end for c in before.circuits if before.has_readings(c)]
    if not starts or not ends:
        raise HouseError("one of the two logs has no readings", fix="Import both folders.")
    if max(ends) > min(starts):
        raise HouseError(
            f"the earlier log ends at {max(ends):%Y-%m-%d %H:%M} UTC, after the later one begins",
            path=before.path,
            fix="Give the earlier folder as the one before; they may not overlap.",
        )
    first = min(starts).tz_convert(house.timezone).normalize()
    return first if since is None else pd.Timestamp(since, tz=str(house.timezone))


def _outdoor(house: House, before: House | None) -> pd.Series | None:
    there = [h for h in (before, house) if h is not None and (h.path / "outdoor.csv").is_file()]
    if len(there) < (1 if before is None else 2):
        return None
    return pd.concat([read_outdoor(h) for h in there]).sort_index()


def _daily(names: list[str], houses: tuple[House | None, House]) -> pd.DataFrame:
    """Energy of each day of some circuits together; days that one of them lacks are not whole.

    Each counts with its own mean power of the day, so that a gap of one takes nothing from the sum.
    """
    whole: list[pd.DataFrame] = []
    for house in houses:
        if house is None:
            continue
        there = {c.name for c in house.circuits if house.has_readings(c)}
        if not names or not set(names) <= there:
            continue
        parts = [daily_energy(house.trace(n), timezone=house.timezone) for n in names]
        every = pd.concat(parts).assign(kw=lambda day: day["kwh"] / day["covered_h"])
        sums = every.groupby("day").agg(
            kw=("kw", "sum"),
            covered_h=("covered_h", "min"),
            day_h=("day_h", "first"),
            parts=("kwh", "size"),
        )
        sums = sums[sums["parts"] == len(names)].reset_index()
        whole.append(sums.assign(kwh=sums["kw"] * sums["covered_h"]))
    columns = ["day", "kwh", "covered_h", "day_h"]
    return pd.concat(whole, ignore_index=True)[columns] if whole else pd.DataFrame(columns=columns)


def _compare(
    name: str,
    circuits: list[Circuit],
    at: pd.Timestamp,
    outdoor: pd.Series | None,
    *,
    houses: tuple[House | None, House],
) -> Compared:
    """Before and after of one circuit, or of the mains.

    Of several clamps the largest uncertainty of ratio counts, as ratio errors are fully
    correlated, and all offsets.
    """
    daily = _daily([c.name for c in circuits], houses)
    if not len(daily):
        return Compared(name=name, change=None, why_not="not logged in both periods")
    clamp = errors_of_sum([clamp_errors(one, houses[1].supply) for one in circuits])
    when = at.tz_localize(None)
    try:
        change = before_after(daily.sort_values("day"), at=when, outdoor=outdoor, clamp=clamp)
    except HouseError as error:
        return Compared(name=name, change=None, why_not=error.what)
    saved = change.size_kwh.scaled(-DAYS_PER_YEAR)
    tariff = houses[1].tariff
    money = None if tariff is None else tariff.worth(saved)
    return Compared(name=name, change=change, saved_kwh=saved, saved_money=money)


def _rank(one: Compared) -> tuple[bool, float]:
    if one.change is None:
        return (True, 0.0)
    return (not one.change.shown, -abs(one.change.size_kwh.value))


def _front(
    house: House, before: House | None, at: pd.Timestamp, written: date
) -> tuple[Block, ...]:
    details = house.schedule.write_up
    rows = [
        ("House", house.name),
        ("Client", details.client),
        ("Site", details.site),
        ("Prepared by", details.author),
        ("Compared", f"before and from {day_text(at)} on" + (", two logs" if before else "")),
        ("Written", day_text(written)),
    ]
    return (Facts(rows=tuple(row for row in rows if row[1])),)


def _summary(found: list[Compared], at: pd.Timestamp, *, weather: bool) -> tuple[Block, ...]:
    house, circuits = found[0], found[1:]
    blocks: list[Block] = [Heading(text="Summary")]
    if house.change is None:
        blocks.append(Prose(text=f"The whole house cannot be compared: {house.why_not}."))
    else:
        text = f"Whole house: {house.change.sentence}"
        if house.change.shown and house.saved_kwh is not None:
            text += f" In a year like these days that is {_saved(house)}."
        blocks.append(Prose(text=text))
    shown = [one for one in circuits if one.change is not None and one.change.shown]
    if shown:
        blocks.append(Prose(text="Appliances that changed:"))
        blocks.append(
            Bullets(items=tuple(f"{one.name}: {one.change.sentence}" for one in shown))  # type: ignore[union-attr]
        )
    elif any(one.change is not None for one in circuits):
        blocks.append(Prose(text=f"No appliance shows a significant change at {day_text(at)}."))
    else:
        blocks.append(Prose(text=f"No appliance can be compared at {day_text(at)}."))
    if not weather:
        blocks.append(
            Prose(text="No outdoor temperatures were available, so weather may look like a change.")
        )
    return tuple(blocks)


def _no_money(house: House, found: list[Compared]) -> tuple[Block, ...]:
    """Say why a change is not given in money, where it is not."""
    if house.tariff is None:
        return (Prose(text="house.toml sets no tariff, so nothing is given in money."),)
    if any(one.saved_kwh is not None and one.saved_money is None for one in found):
        text = "Nothing is given in money, as the tariff has more than one price."
        return (Prose(text=text),)
    return ()


def _saved(one: Compared) -> str:
    assert one.saved_kwh is not None
    word = "saved" if one.saved_kwh.value >= 0 else "more"
    kwh = one.saved_kwh if one.saved_kwh.value >= 0 else one.saved_kwh.scaled(-1.0)
    text = f"{estimate_text(kwh)} {word}"
    if one.saved_money is not None:
        money = one.saved_money if one.saved_money.value >= 0 else one.saved_money.scaled(-1.0)
        text += f", {money_text(money)}"
    return text


def _changes(found: list[Compared], *, weather: bool) -> tuple[Block, ...]:
    same = "weather and weekday" if weather else "weekday"
    rows = tuple(
        (
            one.name,
            *(
                ("", "", "", one.why_not)
                if one.change is None
                else (
                    estimate_text(one.change.before_kwh),
                    estimate_text(one.change.after_kwh),
                    _saved(one) if one.change.shown else "no significant change",
                    f"{one.change.chance:.3f}" if one.change.chance >= 0.001 else "below 0.001",
                )
            ),
        )
        for one in found
    )
    blocks: list[Block] = [
        Heading(text="What changed", new_page=True),
        Table(
            head=("", "before, per day", "after, per day", "per year", "p"),
            rows=rows,
            caption=f"Before and after at the same {same}. In brackets: 95 % "
            "intervals. p: how often a change this large appears by chance.",
            sheet="changes",
            data=_frame(found),
        ),
    ]
    for one in found:
        if one.change is not None and (one.change.shown or one is found[0]):
            blocks.append(_section(one, one.change, same=same))
    return tuple(blocks)


def _section(one: Compared, change: Change, *, same: str) -> Together:
    remarks = (Bullets(items=change.remarks),) if change.remarks else ()
    return Together(
        blocks=(
            Heading(text=one.name, level=2),
            Prose(text=change.sentence),
            picture(
                lambda ax: plot_before_after(change, title="", ax=ax),
                caption=f"{one.name}: energy of every day before and after, brought to the same "
                f"{same}.",
                alternative=change.sentence,
                height_in=2.9,
            ),
            *remarks,
        )
    )


def _frame(found: list[Compared]) -> pd.DataFrame:
    rows: list[dict[Hashable, object]] = []
    for one in found:
        if one.change is not None:
            rows.append({"name": one.name, **one.change.to_frame().iloc[0].to_dict()})
        else:
            rows.append({"name": one.name, "remarks": one.why_not})
    return pd.DataFrame(rows)
