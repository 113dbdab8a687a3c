"""A second visit: what changed between two periods or two logs of one house, and what it saves."""

from __future__ import annotations

from datetime import date

import pandas as pd

from homeenergy.cycles.shared.house_loads import as_divided
from homeenergy.errors import HouseError
from homeenergy.findings.appliance.house import appliance_finding
from homeenergy.findings.appliance.record import ApplianceFinding
from homeenergy.findings.before_after import before_after
from homeenergy.findings.bill import house_bill
from homeenergy.findings.cost import mean_price
from homeenergy.findings.days import daily_energy
from homeenergy.findings.saving.saving import as_estimate, payback, payback_text
from homeenergy.findings.saving.verified import (
    months_of,
    sum_of_years,
    verified,
)
from homeenergy.findings.year import read_normal_months
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
    Picture,
    Prose,
)
from homeenergy.show.writeup.basis import (
    amount,
    files_of,
    fingerprint,
    overruled,
    versions,
)
from homeenergy.show.writeup.ends import day_text, limit_blocks
from homeenergy.show.writeup.rewording import rewording
from homeenergy.show.writeup.visit_tables import (
    PART_NAMES,
    Compared,
    avoided_words,
    change_blocks,
    difference_words,
    part_blocks,
    saved_words,
    statistics_blocks,
)
from homeenergy.show.writeup.wording import Wording, usual_language
from homeenergy.show.writeup.write_up import WriteUp, usual_paper

WHOLE_HOUSE = "Whole house"
METHOD = (
    "Measurement and verification after IPMVP. Each circuit is retrofit isolation with all "
    "parameters measured (option B), the mains are the whole facility (option C). Days before the "
    "change are the baseline period, days from it on the reporting period. Routine adjustments: "
    "outdoor temperature where it is available, and weekday from 28 days on. Non-routine "
    "adjustments: none was made; whatever else changed has to be named by who knows the house.",
    "Energy of each day before and after, by regression on weekday, on outdoor temperature and on "
    "the step between the two periods. Intervals are 95 % and allow for autocorrelation between "
    "days. The p-value is how often a change this large appears in logs with the same scatter and "
    "no change.",
    "Avoided energy: what the baseline model says of the weather of the reporting period, less "
    "what was taken. Normalised savings: of a year of normal weather. Where the weather drives a "
    "load, the share that is saved is taken of a normal year of the baseline, and on days colder "
    "or warmer than any of the log the baseline is halfway between the model and what it says of "
    "the nearest temperature seen, and the saving anything from none to twice what follows (own "
    "rule). Elsewhere a day counts 365 times, and days of the year that were not seen may differ "
    "by the season's limit (own rule). The two are not mixed.",
    "R2, CV(RMSE) = sqrt(sum of squares / (n - p)) / mean and NMBE = sum of residuals / ((n - p) "
    "mean), of the baseline days (ASHRAE Guideline 14-2002, eq. 5.4 and 5.5); NMBE is zero by "
    "construction of a fit with a constant. Fractional savings uncertainty: half the interval of "
    "avoided energy over it, at 68 and 95 %, from the covariance of the fit; next to it that of "
    "the guideline's eq. B-28. A change counts as verified if it is significant and its fractional "
    "uncertainty at 68 % is below 50 % (the guideline's limit, as quoted by others; its text was "
    "not seen).",
    "A change is called significant if p is at most 5 % and the interval excludes zero. Of many "
    "appliances, one in twenty would appear significant by chance alone.",
    "Whatever changed at the same time as the measure, other than weather and weekday, cannot be "
    "separated from it: guests, holidays, another machine on the circuit.",
)


NORMAL_MONTHS = "normal_months.csv"


def visit_up(
    house: House,
    *,
    since: date | str | None = None,
    before: House | None = None,
    written: date | None = None,
    paper: Paper | None = None,
    language: str | None = None,
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
    written, paper, language
        As in `write_up`.

    Returns
    -------
    WriteUp
        With the parts front, summary, changes, parts, statistics, method and limits.

    Raises
    ------
    HouseError
        If neither a date nor an earlier folder is given, or both logs overlap.
    """
    at = _first_day_after(house, since, before)
    outdoor = _outdoor(house, before)
    months = _months(house, outdoor)
    mains = [c for c in house.circuits if c.role == "mains"]
    found = [_compare(WHOLE_HOUSE, mains, at, outdoor, months, houses=(before, house))]
    names = appliance_names(house.circuits)
    for circuit in house.circuits:
        if circuit.role == "load":
            name = names[circuit.name]
            found.append(_compare(name, [circuit], at, outdoor, months, houses=(before, house)))
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
    words = Wording(
        language=language or details.language or usual_language(str(house.timezone)),
        currency=None if house.tariff is None else house.tariff.currency,
    )
    said = rewording(words, house, also=() if before is None else (before.name,))
    parts = {
        "front": _front(house, before, at, written),
        "summary": (
            *_summary(house, found, at, weather=outdoor is not None),
            *_no_money(house, found),
        ),
        "changes": change_blocks(found, reword=said),
        "parts": part_blocks(found),
        "statistics": statistics_blocks(found),
        "method": (Heading(text="Method"), Prose(text="\n\n".join(METHOD))),
        "limits": limit_blocks(with_settings=False),
    }
    title = f"{house.name}: before and after {day_text(at)}"
    return WriteUp(
        title=details.title or (title if said is None else said(title)),
        author=details.author,
        written=written,
        paper=paper or details.paper or usual_paper(house),
        parts=parts if said is None else said.parts(parts),
        language=words.language,
        colour=details.colour,
        record={
            "house": house.name,
            "versions": versions(),
            "settings": {},
            "overruled": overruled(house.path),
            "edition": "visit",
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


def _months(house: House, outdoor: pd.Series | None) -> pd.DataFrame | None:
    """Months of a normal year, from a table in the folder or a year of own temperatures."""
    path = house.path / NORMAL_MONTHS
    if path.is_file():
        return read_normal_months(path)
    return months_of(outdoor, timezone=str(house.timezone))


def _compare(
    name: str,
    circuits: list[Circuit],
    at: pd.Timestamp,
    outdoor: pd.Series | None,
    months: pd.DataFrame | None,
    *,
    houses: tuple[House | None, House],
) -> Compared:
    """Before and after of one circuit, or of the mains.

    Of several clamps the largest uncertainty of ratio counts, as ratio errors are fully
    correlated, and all offsets.
    """
    names = tuple(c.name for c in circuits)
    daily = _daily(list(names), houses)
    if not len(daily):
        return Compared(name=name, circuits=names, why_not="not logged in both periods")
    house = houses[1]
    clamp = errors_of_sum([clamp_errors(as_divided(house, one), house.supply) for one in circuits])
    when = at.tz_localize(None)
    try:
        change = before_after(daily.sort_values("day"), at=when, outdoor=outdoor, clamp=clamp)
    except HouseError as error:
        return Compared(name=name, circuits=names, why_not=error.what)
    found: tuple[ApplianceFinding | None, ApplianceFinding | None] = (None, None)
    if len(circuits) == 1 and circuits[0].role == "load":
        found = _findings(circuits[0], at, outdoor, houses)
    price, currency = _price(house)
    known = found[1] is not None and mean_price(found[1]) is not None
    return Compared(
        name=name,
        circuits=names,
        found=verified(
            change,
            name=name,
            before=found[0],
            after=found[1],
            months=months,
            price=None if known else price,
            currency=currency,
        ),
    )


def _findings(
    circuit: Circuit,
    at: pd.Timestamp,
    outdoor: pd.Series | None,
    houses: tuple[House | None, House],
) -> tuple[ApplianceFinding | None, ApplianceFinding | None]:
    """What a circuit took in each period; none where one holds no reading."""
    before, house = houses
    traces = (
        (house.trace(circuit.name, None, at) if before is None else before.trace(circuit.name)),
        house.trace(circuit.name, at, None),
    )
    if not all(trace.covered_s > 0 for trace in traces):
        return None, None
    first, second = (
        appliance_finding(
            trace,
            circuit=circuit,
            timezone=str(house.timezone),
            tariff=house.tariff,
            supply=house.supply,
            outdoor=outdoor,
        )
        for trace in traces
    )
    return first, second


def _price(house: House) -> tuple[float | None, str]:
    """Average price of a kWh of the house, for what has none of its own; None where not known."""
    tariff = house.tariff
    if tariff is None:
        return None, ""
    if tariff.single_price is not None:
        return tariff.single_price, tariff.currency
    try:
        return house_bill(house, tariff).price, tariff.currency
    except HouseError:
        return None, tariff.currency


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
        ("Prepared by", ", ".join(x for x in (details.author, details.contact) if x)),
        ("Reference", details.reference),
        ("Compared", f"before and from {day_text(at)} on" + (", two logs" if before else "")),
        ("Written", day_text(written)),
    ]
    site = details.site or house.name
    pictures = [
        Picture(image=path.read_bytes(), alternative=text, width_share=share)
        for path, text, share in (
            (details.logo, "Logo.", 0.2),
            (details.image, f"Picture of {site}.", 0.4),
        )
        if path is not None
    ]
    return (Facts(rows=tuple(row for row in rows if row[1])), *pictures)


def _summary(
    house: House, found: list[Compared], at: pd.Timestamp, *, weather: bool
) -> tuple[Block, ...]:
    whole, circuits = found[0], found[1:]
    blocks: list[Block] = [Heading(text="Summary")]
    if whole.found is None:
        blocks.append(Prose(text=f"The whole house cannot be compared: {whole.why_not}."))
    else:
        text = f"Whole house: {whole.found.change.sentence}"
        if whole.found.change.shown:
            days = whole.found.reporting_days
            text += f" Over the {days} days since, that is {avoided_words(whole)}."
        blocks.append(Prose(text=text))
    blocks += _money_of_years(house, circuits)
    shown = [one for one in circuits if one.change is not None and one.change.shown]
    if shown:
        blocks.append(Prose(text="Appliances that changed:"))
        blocks.append(Bullets(items=tuple(f"{one.name}: {_one_line(one)}" for one in shown)))
    elif any(one.change is not None for one in circuits):
        blocks.append(Prose(text=f"No appliance shows a significant change at {day_text(at)}."))
    else:
        blocks.append(Prose(text=f"No appliance can be compared at {day_text(at)}."))
    parts = [
        f"{one.name}: {PART_NAMES[part.name][0]} {difference_words(part)}"
        for one in circuits
        if one.found is not None and not one.found.change.shown
        for part in one.found.parts
        if part.shown
    ]
    if parts:
        text = "Changed in part, though the energy of a day does not show it:"
        blocks += [Prose(text=text), Bullets(items=tuple(parts))]
    if not weather:
        blocks.append(
            Prose(text="No outdoor temperatures were available, so weather may look like a change.")
        )
    return tuple(blocks)


def _one_line(one: Compared) -> str:
    assert one.found is not None
    text = f"{one.found.change.sentence} Verdict: {one.found.verdict}"
    if one.found.year_kwh is not None:
        return f"{text}; in a normal year {saved_words(one.found.year_kwh, one.found.year_money)}."
    why = one.found.no_year
    return f"{text}; no year is given: {why.text if why else 'not known'}."


def _money_of_years(house: House, circuits: list[Compared]) -> list[Block]:
    """What all verified changes save together, what they cost, and when that is paid back."""
    counted = [
        one.found
        for one in circuits
        if one.found is not None
        and one.found.verdict == "verified"
        and one.found.year_kwh is not None
    ]
    if not counted:
        return []
    kwh, money = sum_of_years(counted)
    assert kwh is not None
    many = f"{len(counted)} circuits together" if len(counted) > 1 else "one circuit"
    text = f"Verified savings of {many}, in a normal year: "
    text += f"{saved_words(kwh, money)}."
    names = {c for one in circuits if one.found in counted for c in one.circuits}
    prices = [
        m.price - m.subsidy
        for m in house.schedule.measures
        if m.circuit in names and m.price is not None
    ]
    if prices and money is not None:
        price = as_estimate(sum(prices), unit=money.unit, what="price")
        years = payback(price, money)
        text += f" At {amount(sum(prices), money.unit)} it {payback_text(years)}."
    return [Prose(text=text)]


def _no_money(house: House, found: list[Compared]) -> tuple[Block, ...]:
    """Say why a change is not given in money, where it is not."""
    if house.tariff is None:
        return (Prose(text="house.toml sets no tariff, so nothing is given in money."),)
    years = [one.found for one in found if one.found is not None and one.found.year_kwh is not None]
    if any(one.year_money is None for one in years):
        text = "Some savings are not given in money: the tariff leaves open what a kWh costs there."
        return (Prose(text=text),)
    return ()
